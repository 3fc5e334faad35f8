//! The `scans` table: one row a reading of the scanner.
//!
//! A reading of several birds at once stands in one row: its `bird` cell names
//! them all, joined by `+`, and `birds_in_scan` says how many. The scanner prints
//! the total of such a scan unless `[scans] group_masses = "mean"` in
//! `study.toml`; here all masses are grams per bird.

mod layout;
mod read;
mod regions;
mod rules;
mod tissue;
mod way;

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
    /// How the bird was held; empty where not said.
    pub restraint: String,
    /// Feathers on the bird or off.
    pub feathers: Feathers,
    /// Fat reading, g per bird; NaN where there is none.
    pub fat_g: f64,
    /// Lean reading, g per bird; NaN where there is none.
    pub lean_g: f64,
    /// Bone mineral reading, g per bird; NaN where there is none.
    pub bone_g: f64,
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
    /// Not said.
    Unknown,
}

impl Scans {
    /// Whether any scan was repeated.
    #[must_use]
    pub fn has_repeats(&self) -> bool {
        self.rows.iter().any(|scan| scan.repeat > 1)
    }
}

impl Scan {
    /// Fat + lean + bone, g per bird; NaN where one is missing.
    #[must_use]
    pub fn total_g(&self) -> f64 {
        self.fat_g + self.lean_g + self.bone_g
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
