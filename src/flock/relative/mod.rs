//! What will birds weigh, relative to their target: the target's shape carried on.
//!
//! A growth curve fitted before the pre-lay growth spurt cannot foresee it; the target can.
//! With T the target of the strain, bird i of strain s weighed at age t has
//!
//! ```text
//! y = ln(weight / T(t)) = u_s(t) + b_i(t) + e
//! u_s(t) = L_s + walk + damped slope + ln T(t, shifted by d_s) - ln T(t)
//! b_i(t) = level + walk + damped slope - r(t) d_i
//! ```
//!
//! - L_s has a flat prior. A *walk* is Brownian motion; a *damped slope* is the integral of a
//!   stationary Ornstein-Uhlenbeck process of memory [`MEMORY_D`], so that a trend goes on
//!   for some weeks and then fades (`process.rs`).
//! - d_s and d_i shift the second phase of the target in time: the flock and the bird cannot
//!   predict when their second phase comes. Both have the standard deviation
//!   [`TIMING_SD_D`] or the one given; r is the relative rate of the target's second phase
//!   (`second_phase.rs`). What was weighed during the second phase informs them like everything else,
//!   so only the part of the second phase still ahead counts.
//! - e is the error of weighing.
//!
//! The birds are independent given the path u_s at the occasions, and birds weighed on the
//! same occasions share one covariance matrix, so that time grows linearly with the birds.
//! The variances of the birds are estimated by restricted maximum likelihood with the
//! strains' paths as fixed effects (`birds.rs`), those of the paths are averaged over a grid
//! by their restricted likelihood (`path.rs`), since a few strains cannot determine them.
//! Together the two likelihoods are the restricted likelihood of the whole model.
//!
//! Only the last [`WINDOW_D`] days of weighings count: earlier deviations, of chicks, have
//! other spreads.
//!
//! Sources: Harvey AC 1989, *Forecasting, Structural Time Series Models and the Kalman
//! Filter*, Cambridge University Press (local levels and damped slopes; from memory); Taylor
//! JMG, Cumberland WG, Sy JP 1994, J Am Stat Assoc 89:727-736 (the integrated
//! Ornstein-Uhlenbeck process in longitudinal data; from memory).

mod birds;
mod forecasts;
mod path;
mod pens;
mod process;
mod second_phase;
mod series;

use std::sync::Arc;

use birds::BirdVariances;
pub use forecasts::RelativeForecasts;
use path::Paths;
pub(super) use pens::{Member, PenModel, PensAhead, UnitMean, mixture};
pub use second_phase::SecondPhase;
pub(super) use second_phase::{PhasedTarget, targets};
pub use series::Options;
use series::{LEAST_OCCASIONS, StrainSeries};

use crate::error::Result;
use crate::study::Study;

/// Days over which the memory of a slope fades to 1/e.
pub const MEMORY_D: f64 = 28.0;
/// Days of weighings that count, before each strain's last.
pub const WINDOW_D: f64 = 56.0;
/// Standard deviation of the timing of the second phase where nothing better is known, d:
/// an assumption tried in simulations, not an estimate from flocks.
pub const TIMING_SD_D: f64 = 4.0;

/// The model of one trait of a flock, estimated.
#[derive(Debug, Clone)]
pub struct RelativeModel {
    strains: Vec<Option<StrainSeries>>,
    variances: BirdVariances,
    paths: Paths,
    timing_sd_d: f64,
}

/// The estimates of a [`RelativeModel`] in numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Variance of the birds' level at the first occasion.
    pub bird_level: f64,
    /// Variance of the birds' walk, 1/d.
    pub bird_walk: f64,
    /// Variance of the birds' slopes, 1/d^2.
    pub bird_slope: f64,
    /// Variance of a weighing.
    pub weighing: f64,
    /// Restricted log-likelihood of the bird's variances, the paths being free.
    pub birds_log_lik: f64,
    /// Birds minus strains: degrees of freedom of intervals.
    pub df: usize,
}

impl RelativeModel {
    /// Estimates the model from the weighings known so far; the reason where it cannot be.
    ///
    /// # Errors
    /// An input error where a target's table is faulty or given twice.
    pub fn fit(
        known: &Study,
        trait_index: usize,
        options: &Options,
    ) -> Result<std::result::Result<Self, String>> {
        let records = &known.traits[trait_index];
        let Some(targets) = targets(known, &records.name)? else {
            return Ok(Err("there is no target".to_owned()));
        };
        Ok(Self::to_targets(known, trait_index, &targets, options))
    }

    /// The same with the targets of the strains.
    pub(super) fn to_targets(
        known: &Study,
        trait_index: usize,
        targets: &[Option<Arc<PhasedTarget>>],
        options: &Options,
    ) -> std::result::Result<Self, String> {
        let timing_sd_d = options.timing_sd_d;
        let strains = series::of_strains(known, &known.traits[trait_index], targets, options);
        let present: Vec<&StrainSeries> = strains.iter().flatten().collect();
        if present.is_empty() {
            return Err(
                "no strain was weighed on three occasions at ages that its target has".to_owned(),
            );
        }
        let variances = BirdVariances::estimate(&present)?;
        let paths = Paths::of(&strains, &variances)
            .ok_or_else(|| "the strains' courses could not be determined".to_owned())?;
        Ok(Self {
            strains,
            variances,
            paths,
            timing_sd_d,
        })
    }

    /// The estimates.
    #[must_use]
    pub fn estimate(&self) -> Estimate {
        let [bird_level, bird_walk, bird_slope, weighing] = self.variances.values;
        Estimate {
            bird_level,
            bird_walk,
            bird_slope,
            weighing,
            birds_log_lik: self.variances.log_lik,
            df: self.variances.df,
        }
    }

    /// Standard deviation of the timing of the second phase, d; none where no target has one.
    #[must_use]
    pub fn timing_sd_d(&self) -> Option<f64> {
        let mut strains = self.strains.iter().flatten();
        strains
            .any(|strain| strain.second_phase().is_some())
            .then_some(self.timing_sd_d)
    }

    /// Restricted log-likelihood of the whole model with these variances of the strains' walk
    /// (1/d) and slope (1/d^2).
    #[must_use]
    pub fn log_lik(&self, walk: f64, slope: f64) -> Option<f64> {
        let of_paths = Paths::log_lik(&self.strains, &self.variances, [walk, slope])?;
        Some(self.variances.log_lik + of_paths)
    }

    /// Forecasts for some birds (index into [`Study::birds`]), each at the ages requested for it.
    /// A bird without a weighing in the window, or an age that its target does not have, has
    /// none.
    pub fn forecast<'w>(
        &self,
        birds: &[usize],
        ages_d: impl Fn(usize) -> &'w [f64],
    ) -> RelativeForecasts {
        forecasts::forecast(self, birds, ages_d)
    }

    /// The same with the variances of the strains' walk and slope held, for a check.
    #[must_use]
    pub fn with_path_variances(&self, walk: f64, slope: f64) -> Option<Self> {
        Some(Self {
            paths: Paths::at(&self.strains, &self.variances, [walk, slope])?,
            ..self.clone()
        })
    }
}
