//! What did the user write down: tables, units, ages, checks.
//!
//! A [`Study`] holds every table of a study folder, or one bare table, with one
//! age unit (days) and one mass unit (grams). Everything in it has been checked;
//! nothing in it has been computed.
//!
//! Start with [`Study::read_folder`] and [`Study::read_table`]. What
//! `study.toml` may contain is in [`Settings`], with a whole [`EXAMPLE`]; what a
//! bare table needs is in [`Columns`]. All faults of all tables are reported at
//! once, each with file, row and column. [`Check`] reports the same faults and
//! what is merely implausible.
//!
//! `read.rs` shows the order of things, `weighings/` the table that matters
//! most. A table is a text file (CSV), in which `quotes.rs` ensures that every line is a
//! row, or a sheet of a workbook (.xlsx, .ods), which `workbook.rs` and `sheet.rs` turn
//! into the same text.

mod any_table;
mod archive;
mod as_of;
#[cfg(feature = "program")]
mod batches;
mod birds;
mod calibration;
mod check;
mod chemistry;
mod column_names;
mod columns;
mod decimal_mark;
mod doubt;
mod eggs;
mod encoding;
mod events;
mod faults;
mod fingerprint;
mod format;
mod header;
mod judge;
mod light;
mod moves;
mod names;
mod occasion;
mod onset;
mod phantom;
mod pieces;
mod plausible;
mod quotes;
mod read;
mod records;
mod row_age;
mod samples;
mod scan;
mod sealed;
mod settings;
mod sheet;
mod starter;
mod stream;
mod table;
mod target_range;
mod targets;
mod text_file;
mod title;
mod units;
mod weighings;
mod wide;
mod workbook;

use std::path::Path;

pub use any_table::{AnyColumn, AnyTable, read_columns};
#[cfg(feature = "program")]
pub(crate) use batches::{Batch, Batches, Held, LongWeighings, Tally, TemporaryFiles};
pub use calibration::{CalibrationSettings, Publication, RowWeighting};
pub use check::{
    Check, ChemistrySummary, Rejection, SampleSummary, ScanSummary, StrainSummary, Summary,
};
pub use chemistry::{Analysis, Basis, Chemistry, ChemistrySettings, Part};
pub use columns::{BODY_WEIGHT, Columns, NO_GROUPS, Values};
pub use doubt::Doubt;
pub use eggs::{EggCount, EggPen};
pub(crate) use faults::Faults;
pub use faults::{Fault, Place};
pub use fingerprint::Fingerprint;
pub use format::{Decimal, Format, Separator};
pub use light::Light;
pub use moves::Move;
pub use occasion::{AgeMatching, Grouping, Member, Occasion, OccasionKey, Occasions, occasions};
pub use phantom::{PhantomLog, PhantomRow, PhantomSettings};
pub use plausible::{Doubts, Gap, Jump, JumpKind, OddBird};
pub use samples::{Kept, SampleRow, SampledUnit, Samples, Together};
pub use scan::{
    Feathers, FurtherReading, GroupMasses, Mapped, ReadingUnit, RegionColumn, RegionRow, Scan,
    ScanName, ScanSettings, Scans, Tissue, WHOLE, Way, bird_names, in_region, regions,
};
pub(crate) use scan::{Position, position};
pub use sealed::{digest, read_sealed, saved_keys, sealed, without_digest};
pub use settings::{
    CueSettings, DesignOptions, EXAMPLE, Files, FitSettings, FixedEffectOf, PerTable, Plausible,
    Settings, TableName, TargetSettings, Unit, Units,
};
pub use starter::{STARTER_TABLES, StarterTable, starter_settings};
pub use stream::{CountedReading, PlatformScale, ScaleDay, Stream, StreamSettings};
pub use units::{AGE_LIMIT_D, AgeUnit, DateFormat, MASS_LIMIT_G, MassUnit, NUMBER_LIMIT};
pub use workbook::file_and_sheet;

use crate::error::Result;

/// A study as read and checked.
#[derive(Debug, Clone, Default)]
pub struct Study {
    /// The study's name (its folder or table).
    pub name: String,
    /// Birds in order of first appearance (birds table first).
    pub birds: Vec<Bird>,
    /// Names of the strains, in order of first appearance.
    pub strains: Vec<String>,
    /// Names of the pens.
    pub pens: Vec<String>,
    /// Names of the houses.
    pub houses: Vec<String>,
    /// Rows of the table of pens, for each pen, and of each house without pens.
    pub kept: Vec<Kept>,
    /// Names of the treatments.
    pub treatments: Vec<String>,
    /// Names of the blocks: places or times whose pens are alike, as a house or a hatch.
    pub blocks: Vec<String>,
    /// One a trait: `body_weight` first, then others.
    pub traits: Vec<Records>,
    /// Birds weighed without names.
    pub samples: Samples,
    /// Records of platform scales.
    pub stream: Stream,
    /// Readings of the scanner.
    pub scans: Scans,
    /// Analysed birds.
    pub chemistry: Chemistry,
    /// Target trajectories.
    pub targets: Vec<Target>,
    /// First eggs.
    pub onset: Vec<Onset>,
    /// What happened, and when.
    pub events: Vec<Event>,
    /// Eggs counted by pen, in the order of the pens.
    pub eggs: Vec<EggPen>,
    /// The light programme, ascending in age.
    pub light: Vec<Light>,
    /// Birds moved between pens, by bird and age.
    pub moves: Vec<Move>,
    /// Measurements of a phantom, by which the scanner is watched.
    pub phantom: PhantomLog,
    /// Settings of `study.toml`, or the same for a bare table.
    pub settings: Settings,
    /// What ages and values may be.
    pub values: Values,
    /// One of what was measured: `bird`; another word, such as `tree`, where values may be any
    /// numbers.
    pub subject: String,
    /// What deserves a second look: one line each.
    pub warnings: Vec<String>,
    /// What was left out or not read, as it should be: one line each.
    pub notes: Vec<String>,
}

/// One bird.
#[derive(Debug, Clone)]
pub struct Bird {
    /// Its name in the tables.
    pub name: String,
    /// Index into [`Study::strains`].
    pub strain: usize,
    /// Index into [`Study::pens`]; of a bird that was moved, the pen of most of its days
    /// ([`Study::pen_at`] has that at an age).
    pub pen: Option<usize>,
    /// Index into [`Study::treatments`].
    pub treatment: Option<usize>,
    /// Index into [`Study::blocks`].
    pub block: Option<usize>,
    /// Day of hatch.
    pub hatch_date: Option<chrono::NaiveDate>,
}

/// All records of one trait, sorted by bird and age, in columns.
///
/// # Shapes
/// `starts` has one entry more than there are birds; bird b's records are
/// `starts[b]..starts[b + 1]` of the other columns.
#[derive(Debug, Clone, Default)]
pub struct Records {
    /// The trait: `body_weight`, `fat`, `lean`, `bone`, or the bare table's.
    pub name: String,
    /// First record of each bird, and the end.
    pub starts: Vec<usize>,
    /// Ages in days, ascending within a bird.
    pub ages_d: Vec<f64>,
    /// Values in grams.
    pub values: Vec<f64>,
    /// Rows in the table that they came from (1 is the header).
    pub rows: Vec<u32>,
    /// The file that they came from.
    pub file: String,
    /// Rows left out because their value is missing.
    pub missing: usize,
    /// Rows left out because the bird has one at that age already. Not zero only
    /// in a [`Check`]: elsewhere such a row stops the reading.
    pub duplicates: usize,
    /// Error variance of each value, g^2, where it is known beforehand; else empty.
    pub variances: Vec<f64>,
    /// How each value depends on the m parameters that corrected values share (the
    /// equation's coefficients, the offsets of ways of scanning), times a root of their
    /// covariance: values i and j have the covariance `shared[i] . shared[j]` beside their
    /// own `variances`. Rows as the values; empty where not known.
    pub shared: Vec<Vec<f64>>,
    /// Means over several birds: for a strain's curve, not for a bird's.
    pub groups: Vec<GroupMean>,
    /// Values of birds that carried a shelled egg whose offset is not known: none of
    /// `values`.
    pub with_egg: Vec<EggValue>,
}

/// A value of a bird with a shelled egg in the body, the egg not taken off.
#[derive(Debug, Clone, PartialEq)]
pub struct EggValue {
    /// Index into [`Study::birds`].
    pub bird: usize,
    /// Age in days.
    pub age_d: f64,
    /// Value in grams, with what the egg adds.
    pub value: f64,
    /// Weight on the scale at that scan, g, with the egg; NaN where there is none.
    pub scale_weight_g: f64,
    /// Error variance of the value, g^2, the egg's not counted; NaN where not known.
    pub variance: f64,
    /// As a row of [`Records::shared`]; empty where not known.
    pub shared: Vec<f64>,
}

/// A mean over several birds of one strain, such as a scan of a whole crate.
#[derive(Debug, Clone, PartialEq)]
pub struct GroupMean {
    /// Indices into [`Study::birds`].
    pub birds: Vec<usize>,
    /// Index into [`Study::strains`].
    pub strain: usize,
    /// Age in days.
    pub age_d: f64,
    /// Mean in grams a bird.
    pub value: f64,
    /// Error variance of the mean, g^2; NaN where it is not known.
    pub variance: f64,
    /// As a row of [`Records::shared`]; empty where not known.
    pub shared: Vec<f64>,
}

/// Target trajectory of one strain and trait.
#[derive(Debug, Clone)]
pub struct Target {
    /// Index into [`Study::strains`]; `None` is a target for all strains.
    pub strain: Option<usize>,
    /// The trait it is for.
    pub trait_name: String,
    /// Ages in days, strictly ascending.
    pub ages_d: Vec<f64>,
    /// Target in grams at each age.
    pub target_g: Vec<f64>,
    /// Lower edge of the band, NaN where not given.
    pub lower_g: Vec<f64>,
    /// Upper edge of the band, NaN where not given.
    pub upper_g: Vec<f64>,
}

/// Two checks this many days apart or less leave the age at first egg to their middle where
/// one age is needed (common practice, no source); models take the interval itself.
const CHECKS_APART_D: f64 = 7.0;

/// First egg of a bird: its age, or the checks between which it fell, or that there was none yet.
#[derive(Debug, Clone, Copy, Default)]
pub struct Onset {
    /// Index into [`Study::birds`].
    pub bird: usize,
    /// Age at first egg, d, where the day is known.
    pub first_egg_age_d: Option<f64>,
    /// Age at which the bird was last seen, d (censoring age where there is no egg).
    pub last_seen_age_d: Option<f64>,
    /// Age at the last check without an egg, d.
    pub last_without_d: Option<f64>,
    /// Age at the first check with an egg, d.
    pub first_with_d: Option<f64>,
    /// Age at which the bird came under observation, not yet laying, d; `None` for the start.
    pub entered_d: Option<f64>,
}

impl Onset {
    /// Whether the bird is known to have laid.
    #[must_use]
    pub fn has_laid(&self) -> bool {
        self.first_egg_age_d.is_some() || self.first_with_d.is_some()
    }

    /// Age at first egg, d: as recorded, or the middle of two checks a week apart or less.
    #[must_use]
    pub fn first_egg_d(&self) -> Option<f64> {
        self.first_egg_age_d.or_else(|| {
            let (without, with) = (self.last_without_d?, self.first_with_d?);
            (with - without <= CHECKS_APART_D).then(|| f64::midpoint(without, with))
        })
    }
}

/// Something that happened to a pen or strain.
#[derive(Debug, Clone)]
pub struct Event {
    /// Index into [`Study::strains`], where it concerns one.
    pub strain: Option<usize>,
    /// Index into [`Study::pens`], where it concerns one.
    pub pen: Option<usize>,
    /// Age in days.
    pub age_d: f64,
    /// What happened, in the user's words.
    pub event: String,
}

impl Study {
    /// The unit in which ages are shown to readers; in tables they are in days.
    #[must_use]
    pub fn age_unit(&self) -> AgeUnit {
        self.settings.units.age_unit
    }

    /// The day on which a bird was this old; `None` where its day of hatch is not known.
    #[must_use]
    pub fn date_of(&self, bird: usize, age_d: f64) -> Option<chrono::NaiveDate> {
        let format = self.settings.units.date_format.clone().unwrap_or_default();
        let of_all = || format.parse(self.settings.hatch_date.as_ref()?.trim());
        let hatched = self.birds[bird].hatch_date.or_else(of_all)?;
        #[expect(
            clippy::cast_possible_truncation,
            reason = "ages are checked to be ten years at the most"
        )]
        let days = age_d.floor() as i64;
        hatched.checked_add_signed(chrono::TimeDelta::try_days(days)?)
    }

    /// Indices of the birds of one strain, in order.
    pub fn birds_of(&self, strain: usize) -> impl Iterator<Item = usize> + '_ {
        let birds = self.birds.iter().enumerate();
        birds.filter_map(move |(bird, record)| (record.strain == strain).then_some(bird))
    }

    /// Index into [`Study::traits`] of what birds are weighed for: body weight, or the first
    /// trait of a study that has none of it.
    #[must_use]
    pub fn main_trait(&self) -> Option<usize> {
        let mut traits = self.traits.iter();
        let weight = traits.position(|records| records.name == BODY_WEIGHT);
        weight.or_else(|| (!self.traits.is_empty()).then_some(0))
    }

    /// Reads a study folder: its `study.toml` and the tables that it names.
    ///
    /// Rows may stand in any order. A row of `weighings` without a value is left
    /// out and counted in [`Records::missing`].
    ///
    /// # Errors
    /// [`ErrorKind::Input`](crate::ErrorKind::Input) with one message a fault,
    /// all at once up to fifty, by file and row.
    pub fn read_folder(folder: &Path) -> Result<Self> {
        let mut faults = Faults::default();
        let study = read::study(folder, Settings::read(folder)?, None, &mut faults);
        faults.or(study)
    }

    /// Reads a bare table with its columns named.
    ///
    /// # Errors
    /// [`ErrorKind::Call`](crate::ErrorKind::Call) where `columns` contradict
    /// themselves; [`ErrorKind::Input`](crate::ErrorKind::Input) as for a folder.
    ///
    /// # Example
    /// ```
    /// use pinfeather::study::{Columns, Study};
    /// # let folder = std::env::temp_dir().join(format!("pinfeather-doc-{}", std::process::id()));
    /// # std::fs::create_dir_all(&folder)?;
    /// # let path = folder.join("weights.csv");
    /// std::fs::write(&path, "Ring,Week,BW\n7,0,38.5\n7,1,71\n")?;
    /// let columns = Columns {
    ///     bird: Some("Ring".into()),
    ///     value: Some("BW".into()),
    ///     ..Columns::default()
    /// };
    /// let study = Study::read_table(&path, &columns)?;
    /// let (ages_d, weights_g) = study.traits[0].of(0);
    /// assert_eq!((ages_d, weights_g), (&[0.0, 7.0][..], &[38.5, 71.0][..]));
    /// # std::fs::remove_dir_all(folder)?;
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    pub fn read_table(path: &Path, columns: &Columns) -> Result<Self> {
        let mut faults = Faults::default();
        let settings = columns.settings(path)?;
        let study = read::study(Path::new(""), settings, Some(columns), &mut faults);
        faults.or(study)
    }

    /// Reads a bare table of scans, its columns as in a study folder's.
    ///
    /// Birds are those that it names; a column `strain`, or the one that
    /// `columns.group` names, gives their strains.
    ///
    /// # Errors
    /// As [`Study::read_table`].
    pub fn read_scans(path: &Path, columns: &Columns) -> Result<Self> {
        let mut faults = Faults::default();
        let settings = columns.scan_settings(path)?;
        let study = read::study(Path::new(""), settings, Some(columns), &mut faults);
        faults.or(study)
    }

    /// Whether a bare table is one of eggs counted by pen, by its header.
    #[must_use]
    pub fn is_egg_table(path: &Path) -> bool {
        read::is_egg_table(path)
    }

    /// Reads a bare table of eggs counted by pen, its columns as in a study folder's.
    ///
    /// # Errors
    /// As [`Study::read_table`].
    pub fn read_eggs(path: &Path, columns: &Columns) -> Result<Self> {
        let mut faults = Faults::default();
        let settings = columns.egg_settings(path)?;
        let study = read::study(Path::new(""), settings, Some(columns), &mut faults);
        faults.or(study)
    }
}

impl Records {
    /// Known error variances of bird `bird`, one a value; empty where none are known.
    #[must_use]
    pub fn variances_of(&self, bird: usize) -> &[f64] {
        if self.variances.is_empty() {
            return &[];
        }
        &self.variances[self.starts[bird]..self.starts[bird + 1]]
    }

    /// Ages and values of bird `bird`, ascending in age.
    #[must_use]
    pub fn of(&self, bird: usize) -> (&[f64], &[f64]) {
        let range = self.starts[bird]..self.starts[bird + 1];
        (&self.ages_d[range.clone()], &self.values[range])
    }
}
