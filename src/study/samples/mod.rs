//! Birds weighed without names: samples of a pen, a house or a flock, and birds weighed together.
//!
//! A table of weighings without a column `bird` is one of these: with `birds` and `mean_g` or
//! `total_g` each row is several birds on the scale at once, without them one unnamed bird. What
//! is known of a pen comes from the table `pens`, from columns of the table itself, or from the
//! ringed birds of that pen, in this order.

mod layout;
mod pens;
mod reader;
mod units;

pub(crate) use layout::is_sample_table;
pub(crate) use pens::read as read_pens;
pub(crate) use reader::read;
pub(crate) use units::settle;

use chrono::NaiveDate;

/// What is written down of a pen, or of a house without pens.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Kept {
    /// Index into [`Study::pens`](super::Study::pens); `None` of a house without pens.
    pub pen: Option<usize>,
    /// Index into [`Study::houses`](super::Study::houses).
    pub house: Option<usize>,
    /// Index into [`Study::strains`](super::Study::strains).
    pub strain: Option<usize>,
    /// Index into [`Study::treatments`](super::Study::treatments).
    pub treatment: Option<usize>,
    /// Index into [`Study::blocks`](super::Study::blocks).
    pub block: Option<usize>,
    /// Day of hatch of its birds.
    pub hatch_date: Option<NaiveDate>,
    /// Birds kept there.
    pub birds: Option<f64>,
}

/// What unnamed birds are sampled from: a pen, a house, or the flock of a strain.
#[derive(Debug, Clone, PartialEq)]
pub struct SampledUnit {
    /// Index into [`Study::strains`](super::Study::strains).
    pub strain: usize,
    /// Index into [`Study::pens`](super::Study::pens).
    pub pen: Option<usize>,
    /// Index into [`Study::houses`](super::Study::houses).
    pub house: Option<usize>,
    /// Index into [`Study::treatments`](super::Study::treatments).
    pub treatment: Option<usize>,
    /// Index into [`Study::blocks`](super::Study::blocks).
    pub block: Option<usize>,
    /// Day of hatch of its birds.
    pub hatch_date: Option<NaiveDate>,
    /// Birds kept, by which units are weighed into a flock.
    pub birds: Option<f64>,
}

/// One row: an unnamed bird, or several on the scale at once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SampleRow {
    /// Index into [`Samples::units`].
    pub unit: usize,
    /// Age, d.
    pub age_d: f64,
    /// Weight, or mean weight of a bird, g.
    pub weight_g: f64,
    /// Birds on the scale at once, where the row is of several; `None` of one bird.
    pub together: Option<Together>,
    /// Row in its table (1 is the header).
    pub row: u32,
    /// Index into [`Samples::files`].
    pub file: usize,
}

/// Several birds on the scale at once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Together {
    /// How many.
    pub birds: u32,
    /// Standard deviation between them, g, where it was written down.
    pub sd_g: Option<f64>,
}

impl SampleRow {
    /// Birds weighed.
    #[must_use]
    pub fn birds(&self) -> usize {
        self.together.map_or(1, |together| together.birds as usize)
    }
}

/// All that was weighed without names.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Samples {
    /// What was sampled, in order of first appearance.
    pub units: Vec<SampledUnit>,
    /// The rows, by unit and age.
    pub rows: Vec<SampleRow>,
    /// The tables that they came from.
    pub files: Vec<String>,
    /// Rows left out because their weight is missing.
    pub missing: usize,
}

impl Samples {
    /// Whether nothing was weighed without names.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Birds weighed at all occasions together.
    #[must_use]
    pub fn birds_weighed(&self) -> usize {
        self.rows.iter().map(SampleRow::birds).sum()
    }

    /// The rows of each unit and age, in that order.
    pub fn occasions(&self) -> impl Iterator<Item = &[SampleRow]> {
        self.rows
            .chunk_by(|one, next| one.unit == next.unit && one.age_d.total_cmp(&next.age_d).is_eq())
    }

    /// Ages at which anything was weighed, ascending, d.
    #[must_use]
    pub fn ages_d(&self) -> Vec<f64> {
        let mut ages_d: Vec<f64> = self.rows.iter().map(|row| row.age_d).collect();
        ages_d.sort_by(f64::total_cmp);
        ages_d.dedup();
        ages_d
    }

    /// What was known at an age, d.
    pub(super) fn as_of(&self, age_d: f64) -> Self {
        let mut known = self.clone();
        known.rows.retain(|row| row.age_d <= age_d);
        known
    }
}
