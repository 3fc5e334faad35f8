//! The `scans` table: one row a reading of the scanner.
//!
//! A reading of several birds at once stands in one row: its `bird` cell names
//! them all, joined by `+`, and `birds_in_scan` gives their number. The scanner prints
//! the total of such a scan unless `[scans] group_masses = "mean"` in
//! `study.toml`; here all masses are grams per bird.

mod export;
mod further;
mod layout;
mod numbers;
mod read;
mod regions;
mod rules;
mod tissue;
mod way;

pub use export::{Mapped, RegionColumn, ScanName};
pub use further::{FurtherReading, ReadingUnit};
pub(in crate::study) use read::read;
pub(crate) use regions::{Position, position};
pub use regions::{RegionRow, bird_names, regions};
pub use rules::{GroupMasses, ScanSettings};
pub use tissue::Tissue;
pub use way::Way;

/// The region of a reading of the whole body.
pub const WHOLE: &str = "whole";

/// All scans of a study.
#[derive(Debug, Clone, Default)]
pub struct Scans {
    /// The file that they came from.
    pub file: String,
    /// In the order of the table.
    pub rows: Vec<Scan>,
    /// Readings beside fat, lean and bone.
    pub further: Vec<FurtherReading>,
    /// Which column and region was taken for what.
    pub mapped: Mapped,
}

/// One reading of the scanner; masses in grams per bird.
#[derive(Debug, Clone, PartialEq)]
pub struct Scan {
    /// Its name; the table's row where the table names none.
    pub name: String,
    /// Indices of its birds into [`Study::birds`](super::Study::birds).
    pub birds: Vec<usize>,
    /// Age in days.
    pub age_d: f64,
    /// 1 for the first scan of a bird at that age, 2 after repositioning, ...
    pub repeat: u32,
    /// [`WHOLE`] or the body region that was read.
    pub region: String,
    /// How the bird was held; empty where not stated.
    pub restraint: String,
    /// The laboratory or scanner that made it; empty where the table does not say.
    pub laboratory: String,
    /// Feathers on the bird or off.
    pub feathers: Feathers,
    /// Fat reading, g per bird; NaN where there is none.
    pub fat_g: f64,
    /// Lean reading, g per bird; NaN where there is none.
    pub lean_g: f64,
    /// Bone mineral reading, g per bird; NaN where there is none.
    pub bone_g: f64,
    /// Further readings in the order of [`Scans::further`], masses per bird; NaN where there
    /// is none.
    pub further: Vec<f64>,
    /// Weight on the scale at that scan, g per bird; NaN where there is none.
    pub scale_weight_g: f64,
    /// Marks of the operator, in small letters: `movement`, `egg`, ...
    pub marks: Vec<String>,
    /// Row of the table (1 is the header).
    pub row: u32,
}

/// Whether the bird was scanned with its feathers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Feathers {
    /// With its feathers.
    Intact,
    /// Plucked.
    Plucked,
    /// Not stated.
    Unknown,
}

impl Scans {
    /// Whether any scan was repeated.
    #[must_use]
    pub fn has_repeats(&self) -> bool {
        self.rows.iter().any(|scan| scan.repeat > 1)
    }
}

impl Scans {
    /// The reading of a trait in a scan of these (`fat`, `water_legs`): a name that a reading has
    /// in its region, by the reading's name; NaN where there is none.
    #[must_use]
    pub fn reading(&self, scan: &Scan, trait_name: &str) -> f64 {
        let readings = self.readings(scan);
        let found = readings.into_iter().find(|(name, ..)| name == trait_name);
        found.map_or(f64::NAN, |(_, value, _)| value)
    }

    /// All readings of a scan, each with its name in the scan's region and its unit: fat, lean
    /// and bone first.
    #[must_use]
    pub fn readings(&self, scan: &Scan) -> Vec<(String, f64, &str)> {
        let tissues = Tissue::ALL.into_iter();
        let tissues = tissues.map(|one| (one.trait_of(&scan.region), one.reading(scan), "g"));
        let further = self.further.iter().zip(&scan.further);
        let further = further.map(|(reading, value)| {
            let name = in_region(&reading.name, &scan.region);
            (name, *value, reading.unit.as_str())
        });
        tissues.chain(further).collect()
    }

    /// Names of all readings, of the whole body: fat, lean and bone first.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        let tissues = Tissue::ALL
            .into_iter()
            .map(|tissue| -> &str { tissue.name() });
        tissues.chain(self.further.iter().map(|reading| reading.name.as_str()))
    }
}

/// The trait of a reading in a region: `fat` of the whole body, `fat_legs` of the legs.
#[must_use]
pub fn in_region(reading: &str, region: &str) -> String {
    if region == WHOLE {
        reading.to_owned()
    } else {
        format!("{reading}_{region}")
    }
}

impl Scan {
    /// Fat + lean + bone, g per bird; NaN where one is missing.
    #[must_use]
    pub fn total_g(&self) -> f64 {
        self.fat_g + self.lean_g + self.bone_g
    }

    /// Whether there is any reading.
    #[must_use]
    pub fn has_readings(&self) -> bool {
        let mut tissues = Tissue::ALL.iter().map(|tissue| tissue.reading(self));
        tissues.any(f64::is_finite) || self.further.iter().any(|value| value.is_finite())
    }

    /// Birds in the scan.
    #[must_use]
    pub fn birds_in_scan(&self) -> usize {
        self.birds.len()
    }
}

impl Feathers {
    /// The word for it in the tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Intact => "intact",
            Self::Plucked => "plucked",
            Self::Unknown => "unknown",
        }
    }

    pub(super) fn read(word: &str) -> Option<Self> {
        match word.to_lowercase().as_str() {
            "intact" | "feathered" | "on" => Some(Self::Intact),
            "plucked" | "off" => Some(Self::Plucked),
            "unknown" => Some(Self::Unknown),
            _ => None,
        }
    }
}
