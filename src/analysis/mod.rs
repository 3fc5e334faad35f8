//! What does a study say: the typed results of its steps, and one list of answers that every
//! reader of them renders.
//!
//! A step without its data has no results. [`Analysis::answers`] is the list; the tables,
//! the page and the JSON document are made from the same results, so that one question has
//! one number.

mod answer;
mod flock_answers;
mod growth_answers;
mod lay_answers;
mod scan_answers;

pub use answer::{Answer, Status};

use crate::composition::feather_ages::FeatherAgeRow;
use crate::composition::repeatability::Repeatability;
use crate::composition::study_equations::Chosen;
use crate::composition::study_masses::StudyMasses;
use crate::contrast::Comparison;
use crate::flock::{Deviation, FlockUniformity, ForetoldWeight, TraitForecast};
use crate::maturity::{ForetoldEgg, LayCurve, OnsetForecast, Threshold};
use crate::study::Study;
use crate::trajectory::Trajectories;
use crate::trajectory::profiles::TermProfile;

/// The results of all steps.
#[derive(Debug)]
pub struct Analysis {
    /// What was read, corrected masses among the traits.
    pub study: Study,
    /// What the scans gave.
    pub scans: Scans,
    /// The model of each trait, and the fits to single birds and to pooled strains.
    pub trajectories: Trajectories,
    /// The groups compared, where there are two or more.
    pub comparison: Option<Comparison>,
    /// How surely the pooled strains' curves know their terms.
    pub profiles: Vec<TermProfile>,
    /// The verdict on the flock, and where it goes.
    pub verdict: Verdict,
    /// First eggs.
    pub lay: Lay,
    /// Ages at which typical masses are answered, d, besides the last of each trait.
    pub ages_d: Vec<f64>,
    /// Confidence of the intervals.
    pub confidence: f64,
}

/// What the scans of a study gave, as far as it has them.
#[derive(Debug, Default)]
pub struct Scans {
    /// How well the scanner repeats itself.
    pub repeatability: Option<Repeatability>,
    /// The equations, each with the candidates that it was chosen among.
    pub chosen: Vec<Chosen>,
    /// Feathers by strain and age.
    pub feathers: Vec<FeatherAgeRow>,
    /// The corrected masses.
    pub masses: Option<StudyMasses>,
}

/// The verdict on a flock, and where it goes.
#[derive(Debug, Default)]
pub struct Verdict {
    /// Weighings against the target.
    pub deviations: Vec<Deviation>,
    /// How alike the birds are.
    pub uniformities: Vec<FlockUniformity>,
    /// What they will weigh.
    pub ahead: Option<Ahead>,
    /// Half width of the range that counts as uniform, percent.
    pub within_pct: f64,
}

/// The forecasts, and as of which age.
#[derive(Debug)]
pub struct Ahead {
    /// Age as of which they are made, d.
    pub as_of_d: f64,
    /// One a trait.
    pub traits: Vec<TraitForecast>,
    /// Weights as the backtest predicted them, and as they came.
    pub backtest: Vec<ForetoldWeight>,
}

/// What is known of first eggs, and forecast; empty where none are written down.
#[derive(Debug, Default)]
pub struct Lay {
    /// Names of the strains that the curves and forecasts point to.
    pub strains: Vec<String>,
    /// Shares in lay by age.
    pub curves: Vec<LayCurve>,
    /// What the birds that laid were like at first egg.
    pub thresholds: Vec<Threshold>,
    /// The birds not laying yet.
    pub forecast: Option<OnsetForecast>,
    /// First eggs as the backtest predicted them.
    pub backtest: Vec<ForetoldEgg>,
}

impl Analysis {
    /// The answers to the questions of the study, in the order of its steps.
    #[must_use]
    pub fn answers(&self) -> Vec<Answer> {
        let mut answers = Vec::new();
        self.of_scans(&mut answers);
        self.of_growth(&mut answers);
        self.of_comparison(&mut answers);
        self.of_flock(&mut answers);
        self.of_lay(&mut answers);
        self.at_first_egg(&mut answers);
        answers
    }
}
