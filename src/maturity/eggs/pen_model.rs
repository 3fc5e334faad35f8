//! The model of one pen's counts: expected values, their derivatives and covariance, with
//! score and information of the pen's terms.
//!
//! The terms solve J' C^-1 (eggs - mean) = 0, with J the derivatives of the mean and C the
//! covariance at the terms (generalised estimating equations with the covariance that hens
//! laying day after day give the counts). No count needs to be normal; mean and covariance
//! need to be right.
//!
//! # Source
//! Liang KY, Zeger SL (1986) Longitudinal data analysis using generalized linear models,
//! Biometrika 73:13-22.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn, Matrix4, Vector4};

use super::distribution::MaturityFamily;
use super::moments::{Bins, Daily, TERMS, Terms};
use super::rate::Rise;
use crate::study::EggCount;

/// Effects of days: relative SD, and correlation from one day to the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct DayEffects {
    pub(super) sd: f64,
    pub(super) rho: f64,
}

/// Variance of a count beside all else, eggs^2: half an egg, of counting.
const COUNTING: f64 = 0.25;
/// Bins from which a pen has a model: as many as there are terms.
const LEAST_BINS: usize = TERMS;

/// What is believed of the plateau (logit) and of the decline of a hen's rate (a thousand
/// days) beside the counts: centre and SD. Plateaus of 0.55 to 0.996 lie within two of the
/// first; a hen that lays 95 % at 28 weeks and 78 % at 72 declines 0.64. Conventions; the
/// counts of a plateau of some weeks outweigh them.
const PLATEAU: (f64, f64) = (2.6, 1.5);
const DECLINE: (f64, f64) = (0.65, 0.5);

/// Information and centre of what is believed beforehand.
pub(super) fn beliefs() -> (Matrix4<f64>, Vector4<f64>) {
    let precision = Vector4::new(0.0, 0.0, PLATEAU.1.powi(-2), DECLINE.1.powi(-2));
    let centre = Vector4::new(0.0, 0.0, PLATEAU.0, DECLINE.0);
    (Matrix4::from_diagonal(&precision), centre)
}

/// A pen's counts at its present terms.
pub(super) struct PenState {
    bins: Bins,
    /// The pen's terms.
    pub(super) terms: Terms,
    /// J' C^-1 J.
    pub(super) information: Matrix4<f64>,
    /// J' C^-1 (eggs - mean).
    pub(super) score: Vector4<f64>,
    /// Log-likelihood as if the counts were normal.
    pub(super) log_likelihood: f64,
    residual: DVector<f64>,
    daily: Daily,
    of_hens: DMatrix<f64>,
}

impl PenState {
    /// From counts ascending in age; why there is no model otherwise.
    pub(super) fn new(
        counts: &[EggCount],
        (family, rise): (MaturityFamily, Rise),
    ) -> Result<Self, String> {
        let few = || "too few counts with eggs".to_owned();
        let mut terms = start(counts).ok_or_else(few)?;
        let span = counts.first().zip(counts.last());
        let (first, last) = span.ok_or_else(few)?;
        let ages = (first.age_d + 1 - first.days, last.age_d);
        let daily = Daily::of((MaturityFamily::LogNormal, rise), &terms, ages);
        let bins = Bins::of(counts, &daily).ok_or_else(few)?;
        if bins.len() < LEAST_BINS {
            return Err(few());
        }
        terms[1] += family.spread_of_unit().ln();
        let n = bins.len();
        Ok(Self {
            bins,
            terms,
            information: Matrix4::zeros(),
            score: Vector4::zeros(),
            log_likelihood: f64::NEG_INFINITY,
            residual: DVector::zeros(n),
            daily,
            of_hens: DMatrix::zeros(n, n),
        })
    }

    /// Mean, derivatives and covariance at the present terms; false where these are no model.
    #[must_use]
    pub(super) fn evaluate(&mut self, model: (MaturityFamily, Rise), days: DayEffects) -> bool {
        let at = |terms: &Terms| Daily::of(model, terms, self.bins.span);
        let daily = at(&self.terms);
        let residual = &self.bins.eggs - self.bins.mean(&daily);
        let mut slopes = DMatrix::zeros(self.bins.len(), TERMS);
        for (term, step) in STEPS.into_iter().enumerate() {
            let (mut above, mut below) = (self.terms, self.terms);
            above[term] += step;
            below[term] -= step;
            let difference = self.bins.mean(&at(&above)) - self.bins.mean(&at(&below));
            slopes.set_column(term, &(difference / (2.0 * step)));
        }
        self.of_hens = self.bins.of_hens(&daily);
        self.daily = daily;
        self.residual = residual;
        let Some(covariance) = self.covariance(days) else {
            return false;
        };
        let weighted = covariance.solve(&slopes);
        let information = slopes.transpose() * &weighted;
        let score = weighted.transpose() * &self.residual;
        self.information = Matrix4::from_fn(|row, column| information[(row, column)]);
        self.score = Vector4::from_fn(|row, _| score[row]);
        self.log_likelihood = log_likelihood(&covariance, &self.residual);
        self.information.iter().all(|value| value.is_finite())
            && self.score.iter().all(|value| value.is_finite())
    }

    /// The log-likelihood with other effects of days, the means as they are.
    pub(super) fn with_days(&self, days: DayEffects) -> f64 {
        self.covariance(days)
            .map_or(f64::NEG_INFINITY, |covariance| {
                log_likelihood(&covariance, &self.residual)
            })
    }

    fn covariance(&self, days: DayEffects) -> Option<Cholesky<f64, Dyn>> {
        let n = self.bins.len();
        let of_days = self.bins.of_days(&self.daily, days.rho) * days.sd.powi(2);
        let counting = DMatrix::identity(n, n) * COUNTING;
        Cholesky::new(&self.of_hens + of_days + counting)
    }
}

/// Steps of the terms in central differences.
const STEPS: Terms = [1e-4, 1e-3, 1e-3, 1e-3];

fn log_likelihood(covariance: &Cholesky<f64, Dyn>, residual: &DVector<f64>) -> f64 {
    let half_log_det: f64 = covariance.l().diagonal().iter().map(|one| one.ln()).sum();
    -half_log_det - 0.5 * residual.dot(&covariance.solve(residual))
}

/// Counts each side of one that are smoothed together, days.
const SMOOTHED: u32 = 3;
/// Plateau at least, where the counts stop before it.
const USUAL_PLATEAU: f64 = 0.8;

/// Terms read off the smoothed hen-day production; `None` where no egg was laid.
fn start(counts: &[EggCount]) -> Option<Terms> {
    let smooth = |count: &EggCount| -> f64 {
        let near = counts
            .iter()
            .filter(|other| other.age_d.abs_diff(count.age_d) <= SMOOTHED);
        let (eggs, hen_days) = near.fold((0.0, 0.0), |(eggs, hen_days), other| {
            (
                eggs + other.eggs,
                hen_days + other.hens * f64::from(other.days),
            )
        });
        eggs / hen_days
    };
    let rates: Vec<f64> = counts.iter().map(smooth).collect();
    let greatest = rates.iter().copied().fold(0.0, f64::max);
    if greatest <= 0.0 || !greatest.is_finite() {
        return None;
    }
    let plateau = greatest.clamp(USUAL_PLATEAU, 0.97);
    let last_d = f64::from(counts.last()?.age_d);
    let reaches = |share: f64| {
        let mut known = counts.iter().zip(&rates);
        let there = known.find(|(_, rate)| **rate >= share * plateau);
        there.map_or(last_d + 3.0, |(count, _)| {
            f64::from(count.age_d) - 0.5 * f64::from(count.days - 1)
        })
    };
    // The share in lay is some days ahead of the eggs.
    let (early, half, late) = (reaches(0.16), reaches(0.5), reaches(0.84));
    let median = (half - 2.0).max(30.0);
    let sd = (0.42 * (late - early)).max(2.0);
    Some([
        median.ln(),
        (sd / median).ln(),
        (plateau / (1.0 - plateau)).ln(),
        DECLINE.0,
    ])
}
