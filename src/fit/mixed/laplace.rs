//! Maximum of the marginal likelihood: Laplace or adaptive quadrature.
//!
//! The parameters are the fixed effects, ln of the factor's diagonal, its rows'
//! other entries as shares of their diagonal, ln sigma and the error terms: free
//! numbers of size one whose likelihood is near quadratic. They are moved by BFGS
//! (Nocedal and Wright 2006, ch. 6) from where the alternating method ended, in the
//! metric of the subjects' summed outer products of scores (Berndt, Hall, Hall and
//! Hausman 1974) where there are subjects enough, so that a handful of rounds
//! suffices. Near the maximum the Hessian by differences of the gradient, which the
//! standard errors and the certificate need anyway, ends the climb by Newton steps.
//!
//! argmin's BFGS asks for value and gradient apart, where ours come from one pass
//! over the subjects, and divides by the curvature of a step without looking at its
//! sign; so the loop is our own.

use super::alternating::State;
use super::cholesky;
use super::ending::Ending;
use super::likelihood::{Gather, Likelihood};
use super::model::{Estimator, MixedModel};
use super::problem::Problem;
use super::result::Certificate;
use super::spread::{inverse_of, least_eigenvalue};
use crate::fit::Weakness;

/// Ends when the expected gain of a full step is this small: 1e-5 standard errors.
const GAIN: f64 = 1e-10;
/// From here on (a hundredth of a standard error) Newton steps take over.
const NEAR: f64 = 1e-4;
const MOST_ROUNDS: usize = 200;
/// Steps of the differences that give the Hessian, in standard errors: one-sided, since
/// over so short a way the gradient is straight to 1e-4.
const DIFFERENCE: f64 = 1e-3;

/// A climb to the maximum.
pub(super) struct Climb {
    pub(super) x: Vec<f64>,
    pub(super) value: f64,
    pub(super) slope: Vec<f64>,
    /// Inverse of the curvature as BFGS knows it.
    pub(super) inverse: Vec<f64>,
    pub(super) rounds: usize,
}

/// The curvature at a point of the climb.
pub(super) struct Curved {
    /// Inverse of minus the Hessian; zero for what the likelihood does not depend on.
    pub(super) covariance: Vec<f64>,
    /// Least eigenvalue of minus the Hessian scaled to unit diagonal.
    least_eigenvalue: f64,
    /// Whether minus the Hessian is positive definite.
    pub(super) definite: bool,
}

/// The maximum, and what was climbed.
pub(super) struct Summit<'p, 'a> {
    pub(super) likelihood: Likelihood<'p, 'a>,
    pub(super) climb: Climb,
    pub(super) curved: Curved,
}

/// Maximises from where the alternation ended; the reason in words where it fails.
pub(super) fn maximise(
    problem: &Problem<'_>,
    model: &MixedModel<'_>,
    start: &State,
    beta_covariance: Option<&[f64]>,
) -> Result<Ending, String> {
    let top = summit(problem, model, start, beta_covariance)?;
    top.likelihood.finish(&top.climb, &top.curved)
}

/// Climbs to the maximum; the reason in words where there is none.
pub(super) fn summit<'p, 'a>(
    problem: &'p Problem<'a>,
    model: &MixedModel<'_>,
    start: &State,
    beta_covariance: Option<&[f64]>,
) -> Result<Summit<'p, 'a>, String> {
    let nodes = match model.estimator {
        Estimator::Quadrature { nodes } => nodes,
        Estimator::Alternating | Estimator::Laplace => 1,
    };
    let mut likelihood = Likelihood::new(problem, model, start, nodes);
    let x = likelihood.pack(start);
    let m = x.len();
    let enough = problem.subjects() >= 5 * m;
    let gather = if enough {
        Gather::Products
    } else {
        Gather::Nothing
    };
    let lost = || {
        "the marginal likelihood has no finite value at the start; try the alternating estimator, fewer random terms, or the log scale".to_owned()
    };
    let (value, slope) = likelihood.evaluate(&x, gather).ok_or_else(lost)?;
    let mut climb = Climb {
        inverse: likelihood.metric(enough, beta_covariance, m),
        x,
        value,
        slope,
        rounds: 0,
    };
    likelihood.climb(&mut climb, NEAR);
    let mut curved = likelihood.curved(&climb)?;
    likelihood.newton(&mut climb, &curved);
    if !(curved.definite && climb.gain(&curved.covariance) < 10.0 * GAIN) {
        likelihood.climb(&mut climb, GAIN);
        curved = likelihood.curved(&climb)?;
        likelihood.newton(&mut climb, &curved);
    }
    if climb.rounds >= MOST_ROUNDS {
        return Err(format!(
            "the marginal likelihood was still rising after {MOST_ROUNDS} rounds; fewer random terms or a diagonal covariance may help"
        ));
    }
    Ok(Summit {
        likelihood,
        climb,
        curved,
    })
}

impl Climb {
    /// Expected gain of a full step in a metric.
    fn gain(&self, inverse: &[f64]) -> f64 {
        dot(&multiply(inverse, &self.slope, self.x.len()), &self.slope)
    }

    fn go(&mut self, step: &[f64], share: f64, value: f64, slope: Vec<f64>) {
        self.x
            .iter_mut()
            .zip(step)
            .for_each(|(x, step)| *x += share * step);
        (self.value, self.slope) = (value, slope);
    }
}

impl Likelihood<'_, '_> {
    /// BFGS rounds until the expected gain is below `least`, or a step gains nothing.
    fn climb(&mut self, climb: &mut Climb, least: f64) {
        let m = climb.x.len();
        while climb.rounds < MOST_ROUNDS && climb.gain(&climb.inverse) >= least {
            climb.rounds += 1;
            let mut step = multiply(&climb.inverse, &climb.slope, m);
            limit(&mut step, self.problem.fixed);
            let gain = dot(&step, &climb.slope);
            let Some((share, value, slope)) = self.search(&climb.x, &step, climb.value, gain)
            else {
                break;
            };
            let change: Vec<f64> = climb.slope.iter().zip(&slope).map(|(a, b)| a - b).collect();
            step.iter_mut().for_each(|step| *step *= share);
            update(&mut climb.inverse, &step, &change, m);
            climb.go(&step, 1.0, value, slope);
        }
    }

    /// BFGS rounds until a step gains nothing.
    pub(super) fn climb_to_end(&mut self, climb: &mut Climb) {
        self.climb(climb, GAIN);
    }

    /// Newton steps while they bring the maximum nearer.
    fn newton(&mut self, climb: &mut Climb, curved: &Curved) {
        let m = climb.x.len();
        for _ in 0..4 {
            let gain = climb.gain(&curved.covariance);
            if !curved.definite || gain < 1e-14 {
                break;
            }
            let mut step = multiply(&curved.covariance, &climb.slope, m);
            limit(&mut step, self.problem.fixed);
            let Some((share, value, slope)) = self.search(&climb.x, &step, climb.value, gain)
            else {
                break;
            };
            let next = dot(&multiply(&curved.covariance, &slope, m), &slope);
            if next > gain {
                break;
            }
            climb.go(&step, share, value, slope);
        }
    }

    /// Halves a step until the likelihood rises enough (Armijo).
    fn search(
        &mut self,
        x: &[f64],
        step: &[f64],
        value: f64,
        gain: f64,
    ) -> Option<(f64, f64, Vec<f64>)> {
        let mut share = 1.0;
        // What rounding of a sum of this size hides.
        let slack = 1e-13 * value.abs() + 1e-11;
        while share > 1e-6 {
            let trial: Vec<f64> = x.iter().zip(step).map(|(x, s)| x + share * s).collect();
            if let Some((next, slope)) = self.evaluate(&trial, Gather::Nothing)
                && next >= value + 1e-4 * share * gain - slack
            {
                return Some((share, next, slope));
            }
            share *= 0.5;
        }
        None
    }

    /// Minus the Hessian, by differences of the gradient.
    fn curvature(&mut self, climb: &Climb) -> Option<Vec<f64>> {
        let (x, slope) = (&climb.x, &climb.slope);
        let m = x.len();
        let mut hessian = vec![0.0; m * m];
        for k in 0..m {
            let width = DIFFERENCE * climb.inverse[k * m + k].max(1e-300).sqrt();
            let width = if k < self.problem.fixed {
                width
            } else {
                width.min(0.01)
            };
            let mut trial = x.clone();
            trial[k] = x[k] + width;
            let (_, up) = self.evaluate(&trial, Gather::Nothing)?;
            for l in 0..m {
                hessian[k * m + l] = (slope[l] - up[l]) / width;
            }
        }
        for k in 0..m {
            for l in 0..k {
                let mean = 0.5 * (hessian[k * m + l] + hessian[l * m + k]);
                hessian[k * m + l] = mean;
                hessian[l * m + k] = mean;
            }
        }
        Some(hessian)
    }

    fn curved(&mut self, climb: &Climb) -> Result<Curved, String> {
        let m = climb.x.len();
        let hessian = self.curvature(climb).ok_or_else(lost_around)?;
        let free = self.free(&climb.x, &hessian);
        let mut reduced = restrict(&hessian, &free, m);
        let least_eigenvalue = least_eigenvalue(&reduced, free.len());
        let mut scales = vec![0.0; free.len()];
        let ridge = cholesky::factor_scaled(&mut reduced, free.len(), &mut scales);
        let small = inverse_of(&reduced, &scales, free.len());
        let mut covariance = vec![0.0; m * m];
        for (a, k) in free.iter().enumerate() {
            for (b, l) in free.iter().enumerate() {
                covariance[k * m + l] = small[a * free.len() + b];
            }
        }
        Ok(Curved {
            covariance,
            least_eigenvalue,
            definite: ridge == Some(0.0),
        })
    }

    /// Standard errors, certificate, cautions.
    fn finish(mut self, climb: &Climb, curved: &Curved) -> Result<Ending, String> {
        let gradient = climb.gain(&curved.covariance).abs().sqrt();
        let (value, _) = self
            .evaluate(&climb.x, Gather::Information)
            .ok_or_else(lost_around)?;
        let mut weaknesses = Vec::new();
        if !(gradient < 1e-3) {
            weaknesses.push(Weakness {
                term: None,
                reason: format!(
                    "the maximum was not reached: the gradient is still {gradient:.1e} standard errors"
                ),
            });
        }
        if !(curved.definite && curved.least_eigenvalue > 1e-9) {
            weaknesses.push(Weakness {
                term: None,
                reason: "the Hessian is not positive definite at the end: some combination of the terms is not identified by these data; take fewer random terms or a diagonal covariance".to_owned(),
            });
        }
        let certificate = Certificate {
            gradient,
            least_eigenvalue: curved.least_eigenvalue,
            iterations: climb.rounds,
        };
        Ok(self.ending(&climb.x, value, &curved.covariance, certificate, weaknesses))
    }

    /// Parameters that the likelihood depends on: a random effect that went to zero
    /// leaves its SD and correlations undetermined.
    fn free(&self, x: &[f64], hessian: &[f64]) -> Vec<usize> {
        let (m, fixed) = (x.len(), self.problem.fixed);
        let subjects = self.modes.len() / self.problem.q.max(1);
        #[expect(clippy::cast_precision_loss, reason = "counts below 2^53")]
        let subjects = subjects as f64;
        // An effect that matters has a curvature of about 2 a subject in ln SD.
        let gone: Vec<usize> = self
            .entries
            .iter()
            .enumerate()
            .filter(|(at, (row, column))| {
                let k = fixed + at;
                row == column && hessian[k * m + k].abs() < 1e-5 * subjects
            })
            .map(|(_, (row, _))| *row)
            .collect();
        (0..m)
            .filter(|k| {
                let Some((row, _)) = k.checked_sub(fixed).and_then(|at| self.entries.get(at))
                else {
                    return true;
                };
                !gone.contains(row)
            })
            .collect()
    }
}

fn lost_around() -> String {
    "the marginal likelihood has no finite value around its maximum".to_owned()
}

/// Parameters other than fixed effects are logarithms: no more than e^2 a round.
fn limit(step: &mut [f64], fixed: usize) {
    let longest = step[fixed..]
        .iter()
        .fold(0.0_f64, |most, step| most.max(step.abs()));
    if longest > 2.0 {
        step.iter_mut().for_each(|step| *step *= 2.0 / longest);
    }
}

/// BFGS update of the inverse curvature, left alone where the step saw none.
fn update(inverse: &mut [f64], step: &[f64], change: &[f64], m: usize) {
    let curvature = dot(step, change);
    let image = multiply(inverse, change, m);
    let through = dot(&image, change);
    if !(curvature > 1e-8 * (through * dot(step, step)).abs().sqrt() * 1e-8 && curvature > 0.0) {
        return;
    }
    let scale = (1.0 + through / curvature) / curvature;
    for k in 0..m {
        for l in 0..m {
            inverse[k * m + l] +=
                scale * step[k] * step[l] - (image[k] * step[l] + step[k] * image[l]) / curvature;
        }
    }
}

fn restrict(matrix: &[f64], keep: &[usize], m: usize) -> Vec<f64> {
    keep.iter()
        .flat_map(|k| keep.iter().map(move |l| matrix[k * m + l]))
        .collect()
}

pub(super) fn multiply(matrix: &[f64], vector: &[f64], m: usize) -> Vec<f64> {
    matrix.chunks_exact(m).map(|row| dot(row, vector)).collect()
}

pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}
