//! One answer: a question, whom it is of, and a number or the reason why there is none.

use std::borrow::Cow;

use crate::fit::estimable::NotEstimable;
use crate::fit::interval::Estimate;
use crate::stats::Interval;
use crate::study::Study;
use crate::trajectory::Group;

/// How far an answer is to be relied upon.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Status {
    /// The data support it.
    #[default]
    Supported,
    /// It is to be used with the caution beside it.
    Weak,
    /// The data determine no number.
    NotEstimable,
}

impl Status {
    /// `supported`, `weak` or `not estimable`, as written in the tables.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Supported => "supported",
            Self::Weak => "weak",
            Self::NotEstimable => "not estimable",
        }
    }
}

/// One answer; words that do not apply are empty.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Answer {
    /// The question, in words.
    pub question: &'static str,
    /// The strain; of birds that share their fixed effects, the group as its model names it.
    pub strain: String,
    /// The strain that it is compared with.
    pub strain_b: String,
    /// The treatment.
    pub treatment: String,
    /// The treatment that it is compared with.
    pub treatment_b: String,
    /// The house.
    pub house: String,
    /// The pen.
    pub pen: String,
    /// The bird.
    pub bird: String,
    /// The trait.
    pub trait_name: String,
    /// What the number is: `typical_mass`, `deviation`, `age_in_lay_50pct`.
    pub quantity: &'static str,
    /// Age that it is of, d.
    pub age_d: Option<f64>,
    /// Unit: `g`, `d`, `%`, `1` or that of a reading (`g/cm2`).
    pub unit: Cow<'static, str>,
    /// The number; none where it is not estimable.
    pub estimate: Option<f64>,
    /// Its standard error, in the same unit.
    pub std_error: Option<f64>,
    /// Its interval; an open side is infinite.
    pub interval: Option<Interval>,
    /// P value of no difference.
    pub p_value: Option<f64>,
    /// The same, adjusted for the comparisons made.
    pub p_adjusted: Option<f64>,
    /// Birds, or scans, that it rests on.
    pub n: Option<usize>,
    /// The model that it is read from.
    pub model: String,
    /// How far it is to be relied upon.
    pub status: Status,
    /// Why, or what to be careful about.
    pub caution: String,
}

impl Answer {
    /// Of a group of the study.
    pub(super) fn of(mut self, study: &Study, group: &Group) -> Self {
        (self.strain, self.treatment) = names(study, group);
        self.pen = group
            .pen
            .map_or_else(String::new, |pen| study.pens[pen].clone());
        self
    }

    /// Against another group of the study; pens have no second column, so that a pen's name
    /// stands in that of the strain.
    pub(super) fn against(mut self, study: &Study, group: Option<&Group>, name: &str) -> Self {
        (self.strain_b, self.treatment_b) = match group {
            Some(group) if group.pen.is_none() => names(study, group),
            _ => (name.to_owned(), String::new()),
        };
        self
    }

    /// With an estimate, or the reason why there is none.
    pub(super) fn estimated(mut self, estimate: Result<Estimate, NotEstimable>) -> Self {
        match estimate {
            Ok(estimate) => {
                self.estimate = Some(estimate.value);
                self.std_error = estimate.standard_error;
                self.interval = estimate.interval;
            }
            Err(reason) => {
                self.status = Status::NotEstimable;
                self.caution = reason.to_string();
            }
        }
        self
    }
}

/// Names of a group's strain and treatment; a group of neither stands as the strain.
fn names(study: &Study, group: &Group) -> (String, String) {
    let strain = group.strain.map(|strain| study.strains[strain].clone());
    let treatment = group.treatment.map(|one| study.treatments[one].clone());
    match (strain, treatment, group.pen) {
        (None, None, None) => (group.name.clone(), String::new()),
        (strain, treatment, _) => (strain.unwrap_or_default(), treatment.unwrap_or_default()),
    }
}
