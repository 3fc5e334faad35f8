//! What did the user write down: tables, units, ages, checks.
//!
//! A [`Study`] holds every table of a study folder, or one bare table, with one
//! age unit (days) and one mass unit (grams). Everything in it has been checked;
//! nothing in it has been computed.

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
    /// Names of the treatments.
    pub treatments: Vec<String>,
    /// One a trait: `body_weight` first, then others.
    pub traits: Vec<Records>,
    /// Target trajectories.
    pub targets: Vec<Target>,
    /// First eggs.
    pub onset: Vec<Onset>,
    /// What happened, and when.
    pub events: Vec<Event>,
}

/// One bird.
#[derive(Debug, Clone)]
pub struct Bird {
    /// Its name in the tables.
    pub name: String,
    /// Index into [`Study::strains`].
    pub strain: usize,
    /// Index into [`Study::pens`].
    pub pen: Option<usize>,
    /// Index into [`Study::treatments`].
    pub treatment: Option<usize>,
    /// Day of hatch.
    pub hatch_date: Option<chrono::NaiveDate>,
}

/// All records of one trait, sorted by bird and age, in columns.
///
/// # Shapes
/// `starts` has one entry more than there are birds; bird b's records are
/// `starts[b]..starts[b + 1]` of the other columns.
#[derive(Debug, Clone)]
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

/// First egg of a bird, or that there was none yet.
#[derive(Debug, Clone, Copy)]
pub struct Onset {
    /// Index into [`Study::birds`].
    pub bird: usize,
    /// Age at first egg, where it was seen.
    pub first_egg_age_d: Option<f64>,
    /// Age at which the bird was last seen (censoring age where no egg).
    pub last_seen_age_d: Option<f64>,
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
    /// Indices of the birds of one strain, in order.
    pub fn birds_of(&self, strain: usize) -> impl Iterator<Item = usize> + '_ {
        let birds = self.birds.iter().enumerate();
        birds.filter_map(move |(bird, record)| (record.strain == strain).then_some(bird))
    }
}

impl Records {
    /// Ages and values of bird `bird`, ascending in age.
    #[must_use]
    pub fn of(&self, bird: usize) -> (&[f64], &[f64]) {
        let range = self.starts[bird]..self.starts[bird + 1];
        (&self.ages_d[range.clone()], &self.values[range])
    }
}
