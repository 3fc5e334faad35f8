//! How many birds, scanned at which ages, would answer the question?
//!
//! A [`population`](crate::fit::mixed::Population) (a pilot's mixed fit, or a saved one) has
//! the growth of each strain, the variation between birds and the errors of scans. From it
//! follows the expected information of any design: [`ExpectedPrecision`] is that of one
//! [`Schedule`], [`Target`]s are the quantities to be estimated (terms, derived quantities,
//! differences of strains, a bird's own cue), [`Requirement`]s the precision that they need.
//! [`plan`](design::plan) finds the smallest design; [`confirm`] simulates studies of it and
//! fits them as real data.
//!
//! Expected information is first order in the random effects: an approximation, which the
//! simulation checks.

mod allocation;
pub mod budget;
pub mod calibration;
pub mod carcasses;
pub mod confirm;
pub mod design;
pub mod power;
mod precision;
mod requirement;
pub mod samples;
pub mod schedule;
mod target;

pub use allocation::{Allocation, Pens};
pub use precision::{ExpectedPrecision, NotEstimable};
pub use requirement::{Aim, Amount, Needed, Requirement, standard_error};
pub use target::{Estimand, Target, targets};

/// How often a bird is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sampling {
    /// Every bird at every age.
    Repeated,
    /// Every bird once, at one of the ages: it is killed for its analysis.
    SerialSlaughter,
}

/// Ages at which birds are weighed or scanned.
#[derive(Debug, Clone, PartialEq)]
pub struct Schedule {
    /// Ages, d, ascending.
    pub ages_d: Vec<f64>,
    /// How often a bird is measured.
    pub sampling: Sampling,
}

impl Schedule {
    /// Scans of one bird.
    #[must_use]
    pub fn scans_per_bird(&self) -> usize {
        match self.sampling {
            Sampling::Repeated => self.ages_d.len(),
            Sampling::SerialSlaughter => 1,
        }
    }

    /// `2, 6 and 10 weeks`; days where they are no whole weeks.
    #[must_use]
    pub fn ages_in_words(&self) -> String {
        let weeks = self.ages_d.iter().all(|age_d| (age_d % 7.0).abs() < 1e-9);
        let (per, unit) = if weeks { (7.0, "weeks") } else { (1.0, "days") };
        let numbers: Vec<String> = self
            .ages_d
            .iter()
            .map(|age_d| format!("{}", ((age_d / per) * 1e6).round() / 1e6))
            .collect();
        match numbers.split_last() {
            Some((last, before)) if !before.is_empty() => {
                format!("{} and {last} {unit}", before.join(", "))
            }
            Some((only, _)) => format!("{only} {unit}"),
            None => "none".to_owned(),
        }
    }
}

/// A count as a number.
pub(crate) fn as_number(count: usize) -> f64 {
    count as f64
}
