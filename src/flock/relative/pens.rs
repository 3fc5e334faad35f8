//! Means of pens of unnamed birds relative to a course: a target, or what an earlier flock grew.
//!
//! With T the course of the strain, the mean m of a sample of pen j at age t has
//!
//! ```text
//! y = ln(m / T(t)) = u(t) + day + p_j(t) + occasion + error of drawing birds
//! p_j(t) = level + walk
//! ```
//!
//! u is the path of the module above: a level with a flat prior, a walk, a damped slope and a
//! shift of the second phase in time. Days are what all pens have in common on one day,
//! occasions what a pen has on one; the variance of drawing birds is known from their spread.
//!
//! Given the six variances everything is normal: pens are factored one by one, and what they
//! have in common is a path with a known error (`path.rs`). A few pens in eight weeks do not
//! determine six variances, so these are drawn from their posterior: normal priors on the
//! logarithms of the standard deviations, the mode and the curvature there, and draws about it
//! weighted by the restricted likelihood (importance sampling; Geweke J 1989, Econometrica
//! 57:1317-1339, from memory). A forecast is the mixture over the draws, reported as Student's t
//! with the mixture's variance and kurtosis.

use std::sync::Arc;

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use rand_distr::{Distribution as _, StandardNormal};

use super::path::{Estimated, Path, PathVariances, given};
use super::process::walk;
use super::second_phase::PhasedTarget;
use super::series::StrainSeries;
use super::{LEAST_OCCASIONS, WINDOW_D};
use crate::fit::mixed::Forecast;
use crate::stats::resample::{Purpose, stream};
use crate::trajectory::sampled::search;

/// Variances of a flock's pens, in the order of the vector of their logarithms' priors.
const PARTS: usize = 6;
/// Prior of the standard deviations of logarithms: median, and SD of their logarithm. Walk of the
/// flock (a square root of a day), its slope (a day), day, pens, walk of pens, occasion. Those of
/// the flock have the middle and the width of the grid of `path.rs`; the others span, at two
/// standard deviations, a factor of nine either way.
const PRIORS: [(f64, f64); PARTS] = [
    (0.0013, 0.85),
    (0.0003, 1.0),
    (0.004, 1.1),
    (0.015, 1.1),
    (0.0007, 1.1),
    (0.005, 1.1),
];
/// Draws of the variances.
const DRAWS: u64 = 300;
/// How much wider the draws are than the posterior at its mode.
const WIDER: f64 = 1.25;
/// The draws are the same for the same flock.
const SEED: u64 = 1;

/// The mean of a sample of a unit (a pen, a house, a whole flock).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::flock) struct UnitMean {
    /// The unit, by its place among the flock's.
    pub(in crate::flock) unit: usize,
    /// Age, d.
    pub(in crate::flock) age_d: f64,
    /// Mean weight, g.
    pub(in crate::flock) mean_g: f64,
    /// Variance of its logarithm by the birds drawn.
    pub(in crate::flock) variance: f64,
}

/// What was weighed of one unit.
#[derive(Debug, Clone, Default)]
struct Unit {
    /// Its occasions, and the log ratios there with the variance of drawing birds.
    at: Vec<usize>,
    y: Vec<f64>,
    drawing: Vec<f64>,
}

/// A flock's pens about a course, its variances drawn from their posterior.
#[derive(Debug, Clone)]
pub(in crate::flock) struct PenModel {
    series: StrainSeries,
    units: Vec<Unit>,
    draws: Vec<(Variances, f64)>,
    /// Logarithm of the integrated likelihood.
    evidence: f64,
}

#[derive(Debug, Clone, Copy)]
struct Variances {
    path: PathVariances,
    pens: f64,
    pen_walk: f64,
    occasion: f64,
}

/// The pens given the variances.
struct OfPens {
    log_lik: f64,
    estimated: Estimated,
    factors: Vec<Option<Cholesky<f64, Dyn>>>,
}

/// Age of a unit ahead, and its share in a mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::flock) struct Member {
    pub(in crate::flock) unit: usize,
    pub(in crate::flock) age_d: f64,
    pub(in crate::flock) share: f64,
    /// Variance of the logarithm of the mean by drawing birds; 0 where all are weighed.
    pub(in crate::flock) drawing: f64,
}

impl PenModel {
    /// The model of the last weeks of some means.
    ///
    /// # Errors
    /// Why there is none, in words.
    pub(in crate::flock) fn of(
        target: &Arc<PhasedTarget>,
        timing_sd_d: f64,
        means: &[UnitMean],
        units: usize,
    ) -> Result<Self, String> {
        let mut series = StrainSeries {
            target: Arc::clone(target),
            ages_d: Vec::new(),
            patterns: Vec::new(),
            timing_sd_d,
        };
        let known = |one: &&UnitMean| one.mean_g > 0.0 && series.log_target(one.age_d).is_some();
        let means: Vec<&UnitMean> = means.iter().filter(known).collect();
        let last_d = means
            .iter()
            .fold(f64::NEG_INFINITY, |last, one| last.max(one.age_d));
        let inside = |one: &&&UnitMean| one.age_d >= last_d - WINDOW_D;
        let means: Vec<&UnitMean> = means.iter().filter(inside).copied().collect();
        let mut ages_d: Vec<f64> = means.iter().map(|one| one.age_d.round()).collect();
        ages_d.sort_by(f64::total_cmp);
        ages_d.dedup();
        if ages_d.len() < LEAST_OCCASIONS {
            return Err(format!(
                "birds were weighed at {} ages of the last {WINDOW_D:.0} d that the course has, expected {LEAST_OCCASIONS} at least",
                ages_d.len()
            ));
        }
        let mut of_units = vec![Unit::default(); units];
        for one in means {
            let place = ages_d.binary_search_by(|age_d| age_d.total_cmp(&one.age_d.round()));
            let course = series.log_target(one.age_d);
            if let (Ok(place), Some(course)) = (place, course) {
                let unit = &mut of_units[one.unit];
                unit.at.push(place);
                unit.y.push(one.mean_g.ln() - course);
                unit.drawing.push(one.variance);
            }
        }
        series.ages_d = ages_d;
        let mut model = Self {
            series,
            units: of_units,
            draws: Vec::new(),
            evidence: f64::NEG_INFINITY,
        };
        model
            .draw()
            .ok_or_else(|| "how much the pens' means vary could not be estimated".to_owned())?;
        Ok(model)
    }

    /// Logarithm of the likelihood integrated over the variances, by which courses are weighted.
    pub(in crate::flock) fn evidence(&self) -> f64 {
        self.evidence
    }

    /// Log posterior of the scaled logarithms of the standard deviations.
    fn log_posterior(&self, z: &DVector<f64>) -> Option<f64> {
        let variances = Variances::of(z);
        let pens = self.pens(&variances)?;
        let path = given(&self.series, &pens.estimated, &[], variances.path, false)?;
        let value = pens.log_lik + path.log_lik - 0.5 * z.norm_squared();
        value.is_finite().then_some(value)
    }

    fn draw(&mut self) -> Option<()> {
        let posterior = |z: &DVector<f64>| self.log_posterior(z);
        let mode = search::maximise(DVector::zeros(PARTS), &posterior)?.x;
        let curvature = search::hessian(&mode, &posterior)?;
        let eigen = (-curvature).symmetric_eigen();
        // The prior alone has a curvature of 1.
        let spread = eigen.eigenvalues.map(|value| WIDER / value.max(0.3).sqrt());
        let mut random = stream(SEED, Purpose::Variances, 0);
        let mut draws = Vec::new();
        for _ in 0..DRAWS / 2 {
            let normal = DVector::<f64>::from_fn(PARTS, |_, _| StandardNormal.sample(&mut random));
            let step = &eigen.eigenvectors * normal.component_mul(&spread);
            // In pairs about the mode.
            for z in [&mode + &step, &mode - &step] {
                if let Some(value) = posterior(&z) {
                    draws.push((Variances::of(&z), value + 0.5 * normal.norm_squared()));
                }
            }
        }
        let most = draws
            .iter()
            .map(|(_, log)| *log)
            .fold(f64::NEG_INFINITY, f64::max);
        let mut sum = 0.0;
        for (_, log) in &mut draws {
            *log = (*log - most).exp();
            sum += *log;
        }
        self.evidence =
            most + (sum / DRAWS as f64).ln() + spread.iter().map(|sd| sd.ln()).sum::<f64>();
        for (_, weight) in &mut draws {
            *weight /= sum;
        }
        draws.retain(|(_, weight)| *weight > 1e-4);
        self.draws = draws;
        self.evidence.is_finite().then_some(())
    }

    fn unit_covariance(&self, unit: &Unit, variances: &Variances) -> DMatrix<f64> {
        let n = unit.at.len();
        let days = self.days(unit);
        DMatrix::from_fn(n, n, |i, j| {
            let own = if i == j {
                variances.occasion + unit.drawing[i]
            } else {
                0.0
            };
            variances.pens + variances.pen_walk * walk(days[i], days[j]) + own
        })
    }

    /// Days of a unit's occasions since the flock's first.
    fn days(&self, unit: &Unit) -> Vec<f64> {
        let first_d = self.series.ages_d[0];
        let ages_d = unit.at.iter().map(|at| self.series.ages_d[*at]);
        ages_d.map(|age_d| age_d - first_d).collect()
    }

    fn pens(&self, variances: &Variances) -> Option<OfPens> {
        let k = self.series.ages_d.len();
        let mut precision = DMatrix::zeros(k, k);
        let mut right = DVector::zeros(k);
        let (mut log_lik, mut squares, mut n) = (0.0, 0.0, 0);
        let mut factors = Vec::with_capacity(self.units.len());
        for unit in &self.units {
            if unit.at.is_empty() {
                factors.push(None);
                continue;
            }
            let factor = self.unit_covariance(unit, variances).cholesky()?;
            log_lik -= factor.l_dirty().diagonal().map(f64::ln).sum();
            let inverse = factor.inverse();
            let y = DVector::from_column_slice(&unit.y);
            let weighted = &inverse * &y;
            squares += y.dot(&weighted);
            n += unit.at.len();
            for (i, row) in unit.at.iter().enumerate() {
                right[*row] += weighted[i];
                for (j, column) in unit.at.iter().enumerate() {
                    precision[(*row, *column)] += inverse[(i, j)];
                }
            }
            factors.push(Some(factor));
        }
        let factor = precision.cholesky()?;
        let path = factor.solve(&right);
        log_lik -= factor.l_dirty().diagonal().map(f64::ln).sum();
        log_lik -= 0.5 * (squares - right.dot(&path));
        log_lik -= 0.5 * (n - k) as f64 * (2.0 * std::f64::consts::PI).ln();
        Some(OfPens {
            log_lik,
            estimated: Estimated {
                path,
                spread: factor.inverse(),
            },
            factors,
        })
    }

    /// What is to be expected at some ages, by draw.
    pub(in crate::flock) fn ahead(&self, ages_d: &[f64]) -> Option<PensAhead<'_>> {
        let mut ages_d: Vec<f64> = ages_d
            .iter()
            .filter(|age_d| self.series.log_target(**age_d).is_some())
            .map(|age_d| age_d.round())
            .collect();
        ages_d.sort_by(f64::total_cmp);
        ages_d.dedup();
        let mut draws = Vec::with_capacity(self.draws.len());
        for (variances, weight) in &self.draws {
            let pens = self.pens(variances)?;
            let path = given(&self.series, &pens.estimated, &ages_d, variances.path, true)?.path?;
            draws.push(DrawAhead {
                variances: *variances,
                weight: *weight,
                path,
                factors: pens.factors,
            });
        }
        Some(PensAhead {
            model: self,
            ages_d,
            draws,
        })
    }
}

impl Variances {
    fn of(z: &DVector<f64>) -> Self {
        let [walk, slope, day, pens, pen_walk, occasion] =
            std::array::from_fn(|at| (PRIORS[at].0 * (PRIORS[at].1 * z[at]).exp()).powi(2));
        Self {
            path: PathVariances { walk, slope, day },
            pens,
            pen_walk,
            occasion,
        }
    }
}

/// The pens at later ages.
#[derive(Debug)]
pub(in crate::flock) struct PensAhead<'a> {
    model: &'a PenModel,
    ages_d: Vec<f64>,
    draws: Vec<DrawAhead>,
}

#[derive(Debug)]
struct DrawAhead {
    variances: Variances,
    weight: f64,
    path: Path,
    factors: Vec<Option<Cholesky<f64, Dyn>>>,
}

/// A mean of pens by one draw: weight, logarithm of the mean, variance of what is expected, and
/// of a weighing.
#[derive(Debug, Clone, Copy)]
pub(in crate::flock) struct Part {
    pub(in crate::flock) weight: f64,
    location: f64,
    variance: f64,
    weighed: f64,
}

impl PensAhead<'_> {
    /// The mean over some units as each draw has it; none where an age has no course.
    pub(in crate::flock) fn parts(&self, members: &[Member]) -> Option<Vec<Part>> {
        let draws = self.draws.iter();
        draws.map(|draw| self.part(draw, members)).collect()
    }

    fn part(&self, draw: &DrawAhead, members: &[Member]) -> Option<Part> {
        let series = &self.model.series;
        let k = series.ages_d.len();
        let size = draw.path.mean.len();
        let (mut total, mut slope) = (0.0, DVector::zeros(size));
        let shares: f64 = members.iter().map(|member| member.share).sum();
        let mut own = Vec::with_capacity(members.len());
        for member in members {
            let age_d = member.age_d.round();
            let place = self.ages_d.binary_search_by(|one| one.total_cmp(&age_d));
            let at = k + place.ok()?;
            let day = age_d - series.ages_d[0];
            let unit = &self.model.units[member.unit];
            let alone = draw.variances.pens + draw.variances.pen_walk * walk(day, day);
            let mut location = series.log_target(member.age_d)? + draw.path.mean[at];
            let (mut gain, mut left) = (DVector::zeros(unit.at.len()), alone);
            if let Some(factor) = &draw.factors[member.unit] {
                let days = self.model.days(unit);
                let between = DVector::from_iterator(
                    days.len(),
                    days.iter().map(|seen| {
                        draw.variances.pens + draw.variances.pen_walk * walk(*seen, day)
                    }),
                );
                gain = factor.solve(&between);
                left = (alone - gain.dot(&between)).max(0.0);
            }
            for (i, seen) in unit.at.iter().enumerate() {
                location += gain[i] * (unit.y[i] - draw.path.mean[*seen]);
            }
            let weight = member.share * location.exp();
            total += weight;
            slope[at] += weight;
            for (i, seen) in unit.at.iter().enumerate() {
                slope[*seen] -= weight * gain[i];
            }
            own.push((weight, left, age_d, member.drawing));
        }
        slope /= total;
        let mut variance = slope.dot(&(&draw.path.covariance * &slope)).max(0.0);
        let mut error = 0.0;
        for (weight, left, _, drawing) in &own {
            let share = (weight / total).powi(2);
            variance += share * left;
            error += share * (draw.variances.occasion + drawing);
        }
        // Pens of one age share their day.
        own.sort_by(|a, b| a.2.total_cmp(&b.2));
        for together in own.chunk_by(|a, b| a.2.total_cmp(&b.2).is_eq()) {
            let share = together.iter().map(|one| one.0).sum::<f64>() / total;
            error += share * share * draw.variances.path.day;
        }
        Some(Part {
            weight: draw.weight,
            location: (total / shares).ln(),
            variance,
            weighed: variance + error,
        })
    }
}

/// Student's t with the mean, the variance and the kurtosis of a mixture of normals: of the
/// weighing that is to be expected. A t of nu degrees of freedom has the variance nu / (nu - 2)
/// and the excess kurtosis 6 / (nu - 4).
pub(in crate::flock) fn mixture(parts: &[Part], age_d: f64) -> Option<Forecast> {
    let sum: f64 = parts.iter().map(|part| part.weight).sum();
    let over = |of: &dyn Fn(&Part) -> f64| {
        parts.iter().map(|part| part.weight * of(part)).sum::<f64>() / sum
    };
    let mean = over(&|part| part.location);
    let off = |part: &Part| (part.location - mean).powi(2);
    let expected = over(&|part| off(part) + part.variance);
    let weighed = over(&|part| off(part) + part.weighed);
    let fourth = over(&|part| {
        let off = off(part);
        off * off + 6.0 * off * part.weighed + 3.0 * part.weighed * part.weighed
    });
    let excess = (fourth / (weighed * weighed) - 3.0).max(0.006);
    let df = 4.0 + 6.0 / excess;
    let scale = (df - 2.0) / df;
    let forecast = Forecast {
        age_d,
        value: mean.exp(),
        standard_error: (expected * scale).sqrt(),
        prediction_error: (weighed * scale).sqrt(),
        df,
        logarithmic: true,
    };
    (forecast.value.is_finite() && forecast.prediction_error.is_finite()).then_some(forecast)
}
