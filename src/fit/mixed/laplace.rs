//! Maximum of the marginal likelihood: Laplace or adaptive quadrature.
//!
//! The parameters (`likelihood.rs`) are moved by BFGS
//! (Nocedal and Wright 2006, ch. 6) from where the alternating method ended, in the
//! metric of the subjects' summed outer products of scores (Berndt, Hall, Hall and
//! Hausman 1974) where there are subjects enough, so that a handful of rounds
//! suffices. Near the maximum the Hessian by differences of the gradient, which the
//! standard errors and the certificate need anyway, ends the climb by Newton steps.
//!
//! # Nodes of the quadrature
//! Where their number is not given they are chosen by convergence: from Laplace's maximum
//! on, the likelihood is taken with more nodes and climbed again, until the greater number
//! changes the log-likelihood by less than [`SETTLED_VALUE`] and would move no estimate by
//! more than [`SETTLED_ERRORS`] standard errors.
//!
//! argmin's BFGS requires value and gradient apart, where ours come from one pass
//! over the subjects, and divides by the curvature of a step without looking at its
//! sign; so the loop is our own.

use super::alternating::State;
use super::cholesky;
use super::ending::Ending;
use super::likelihood::{Gather, Likelihood};
use super::model::{Estimator, MixedModel, Nodes};
use super::problem::Problem;
use super::result::Certificate;
use super::spread::least_eigenvalue;
use crate::fit::Weakness;

/// Ends when the expected gain of a full step is this small: 1e-5 standard errors.
const GAIN: f64 = 1e-10;
/// From here on (a hundredth of a standard error) Newton steps take over.
const NEAR: f64 = 1e-4;
const MOST_ROUNDS: usize = 200;
/// Steps of the differences that give the Hessian, in standard errors: one-sided, since
/// over so short a way the gradient is straight to 1e-4.
const DIFFERENCE: f64 = 1e-3;

/// A step whose fall of the gradient is nearer to a right angle than this saw no curvature.
const LEAST_COSINE: f64 = 1e-8;
/// Numbers of nodes that are tried one after the other; odd ones have a node at the mode.
const LADDER: [usize; 8] = [3, 5, 7, 9, 11, 15, 21, 27];
/// Most points a subject that are tried: what is not settled by then has subjects of
/// whom next to nothing is known, and would take minutes.
const MOST_TRIED: f64 = 4_000.0;
/// More nodes may change the log-likelihood by this much: nothing beside the 0.01 to which
/// criteria are compared.
const SETTLED_VALUE: f64 = 1e-3;
/// More nodes may move an estimate by this many standard errors.
const SETTLED_ERRORS: f64 = 1e-2;

/// A climb to the maximum.
pub(super) struct Ascent {
    pub(super) x: Vec<f64>,
    pub(super) value: f64,
    pub(super) slope: Vec<f64>,
    /// The BFGS approximation of the inverse of the curvature.
    pub(super) inverse: Vec<f64>,
    pub(super) rounds: usize,
}

/// The curvature at a point of the climb.
pub(super) struct ObservedInformation {
    /// Inverse of minus the Hessian, by a ridge where it has none.
    pub(super) covariance: Vec<f64>,
    /// Least eigenvalue of minus the Hessian scaled to unit diagonal.
    least_eigenvalue: f64,
    /// Whether minus the Hessian is positive definite.
    pub(super) definite: bool,
}

/// The maximum, and what was climbed.
pub(super) struct Maximum<'p, 'a> {
    pub(super) likelihood: Likelihood<'p, 'a>,
    pub(super) climb: Ascent,
    pub(super) curved: ObservedInformation,
    /// Nodes a random effect.
    pub(super) nodes: usize,
    /// What the last increase of the nodes still changed, in words, where that was too
    /// much and more cannot be had.
    unsettled: Option<String>,
}

/// Maximises from where the alternation ended; the reason in words where it fails.
pub(super) fn maximise(
    problem: &Problem<'_>,
    model: &MixedModel<'_>,
    estimator: Estimator,
    start: &State,
    beta_covariance: Option<&[f64]>,
) -> Result<Ending, String> {
    summit(problem, model, estimator, start, beta_covariance)?.finish(estimator)
}

/// Climbs to the maximum; the reason in words where there is none.
pub(super) fn summit<'p, 'a>(
    problem: &'p Problem<'a>,
    model: &MixedModel<'_>,
    estimator: Estimator,
    start: &State,
    beta_covariance: Option<&[f64]>,
) -> Result<Maximum<'p, 'a>, String> {
    let (nodes, chosen) = match estimator {
        Estimator::Quadrature {
            nodes: Nodes::Fixed(nodes),
        } => (nodes, false),
        Estimator::Quadrature {
            nodes: Nodes::Converged,
        } => (1, problem.q > 0),
        Estimator::Alternating | Estimator::Laplace => (1, false),
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
    let Some((value, slope)) = likelihood.evaluate(&x, gather) else {
        return Err(format!(
            "the marginal likelihood has no value where its search begins: {}; {ADVICE}",
            likelihood.lost()
        ));
    };
    let climb = Ascent {
        inverse: likelihood.metric(enough, beta_covariance, m),
        x,
        value,
        slope,
        rounds: 0,
    };
    let mut summit = Maximum {
        likelihood,
        climb,
        curved: ObservedInformation {
            covariance: Vec::new(),
            least_eigenvalue: 0.0,
            definite: false,
        },
        nodes,
        unsettled: None,
    };
    summit.reach(NEAR)?;
    if chosen {
        summit.choose_nodes()?;
    }
    Ok(summit)
}

/// What may help where the marginal likelihood has no value.
const ADVICE: &str = "try the alternating estimator, fewer random terms, or the log scale";

impl Maximum<'_, '_> {
    /// Climbs until the expected gain is below `near`, then by Newton steps to the top.
    fn reach(&mut self, near: f64) -> Result<(), String> {
        let (likelihood, climb) = (&mut self.likelihood, &mut self.climb);
        climb.rounds = 0;
        likelihood.climb(climb, near);
        let mut curved = likelihood.curved(climb)?;
        likelihood.newton(climb, &curved);
        if !(curved.definite && climb.gain(&curved.covariance) < 10.0 * GAIN) {
            likelihood.climb(climb, GAIN);
            curved = likelihood.curved(climb)?;
            likelihood.newton(climb, &curved);
        }
        if climb.rounds >= MOST_ROUNDS {
            return Err(format!(
                "the marginal likelihood was still rising after {MOST_ROUNDS} rounds; fewer random terms or a diagonal covariance may help"
            ));
        }
        self.curved = curved;
        Ok(())
    }

    /// Adds nodes until more of them change nothing that matters.
    fn choose_nodes(&mut self) -> Result<(), String> {
        let points = |nodes: usize| (nodes as f64).powf(self.likelihood.problem.q as f64);
        let tried = LADDER
            .into_iter()
            .filter(|nodes| points(*nodes) <= MOST_TRIED);
        let tried: Vec<usize> = tried.collect();
        if self.curved.definite {
            self.climb.inverse.clone_from(&self.curved.covariance);
        }
        for nodes in tried {
            let (likelihood, climb) = (&mut self.likelihood, &mut self.climb);
            likelihood.take_nodes(nodes);
            let Some((value, slope)) = likelihood.evaluate(&climb.x, Gather::Nothing) else {
                return Err(format!(
                    "the quadrature with {nodes} nodes a random effect has no value: {}; {ADVICE}",
                    likelihood.lost()
                ));
            };
            let change = (value - climb.value).abs();
            (climb.value, climb.slope) = (value, slope);
            let errors = climb.gain(&climb.inverse).abs().sqrt();
            self.nodes = nodes;
            if change < SETTLED_VALUE && errors < SETTLED_ERRORS {
                self.unsettled = None;
                break;
            }
            self.unsettled = Some(format!(
                "the quadrature is not settled: {nodes} nodes a random effect, the most that are tried, still change the log-likelihood by {change:.2} and the estimates by {errors:.2} standard errors; take fewer random terms"
            ));
            climb.rounds = 0;
            likelihood.climb(climb, GAIN);
        }
        self.reach(GAIN)
    }
}

impl Ascent {
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
    fn climb(&mut self, climb: &mut Ascent, least: f64) {
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
            // The step is a multiple of B g, so that s'B^-1 s = (s'g)^2 / g'B g.
            let length = dot(&step, &climb.slope).powi(2) / climb.gain(&climb.inverse);
            update(&mut climb.inverse, &step, &change, length, m);
            climb.go(&step, 1.0, value, slope);
        }
    }

    /// BFGS rounds until a step gains nothing.
    pub(super) fn climb_to_end(&mut self, climb: &mut Ascent) {
        self.climb(climb, GAIN);
    }

    /// Newton steps while they bring the maximum nearer.
    fn newton(&mut self, climb: &mut Ascent, curved: &ObservedInformation) {
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
    fn curvature(&mut self, climb: &Ascent) -> Option<Vec<f64>> {
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
            let mut beside = |width: f64| {
                let mut trial = x.clone();
                trial[k] = x[k] + width;
                let (_, there) = self.evaluate(&trial, Gather::Nothing)?;
                Some((width, there))
            };
            // At the end of the curve's range only one side may have a value.
            let (width, there) = beside(width).or_else(|| beside(-width))?;
            for l in 0..m {
                hessian[k * m + l] = (slope[l] - there[l]) / width;
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

    fn curved(&mut self, climb: &Ascent) -> Result<ObservedInformation, String> {
        let m = climb.x.len();
        let Some(mut hessian) = self.curvature(climb) else {
            return Err(self.lost_at_the_top());
        };
        let least_eigenvalue = least_eigenvalue(&hessian, m);
        let mut scales = vec![0.0; m];
        let ridge = cholesky::factor_scaled(&mut hessian, m, &mut scales);
        Ok(ObservedInformation {
            covariance: cholesky::inverse_of(&hessian, &scales, m),
            least_eigenvalue,
            definite: ridge == Some(0.0),
        })
    }

    fn lost_at_the_top(&self) -> String {
        format!(
            "the marginal likelihood has no value beside its maximum, so that nothing is known of its errors: {}; {ADVICE}",
            self.lost()
        )
    }
}

impl Maximum<'_, '_> {
    /// Standard errors, certificate, cautions.
    fn finish(self, estimator: Estimator) -> Result<Ending, String> {
        let Self {
            mut likelihood,
            climb,
            curved,
            ..
        } = self;
        let gradient = climb.gain(&curved.covariance).abs().sqrt();
        let Some((value, _)) = likelihood.evaluate(&climb.x, Gather::Information) else {
            return Err(likelihood.lost_at_the_top());
        };
        let mut weaknesses = Vec::new();
        let mut weak = |reason: String| weaknesses.push(Weakness { term: None, reason });
        if !(gradient < 1e-3) {
            weak(format!(
                "the maximum was not reached: the gradient is still {gradient:.1e} standard errors"
            ));
        }
        if let Some(reason) = self.unsettled {
            weak(reason);
        }
        let certificate = Certificate {
            gradient,
            least_eigenvalue: curved.least_eigenvalue,
            iterations: climb.rounds,
        };
        let undetermined = !(curved.definite && curved.least_eigenvalue > 1e-9);
        let ending = likelihood.ending(&climb.x, value, &curved.covariance, certificate);
        Ok(Ending {
            estimator: match estimator {
                Estimator::Quadrature { .. } => Estimator::Quadrature {
                    nodes: Nodes::Fixed(self.nodes),
                },
                other => other,
            },
            undetermined,
            weaknesses,
            ..ending
        })
    }
}

/// Parameters other than fixed effects are of size one: no more than 2 a round.
fn limit(step: &mut [f64], fixed: usize) {
    let longest = step[fixed..]
        .iter()
        .fold(0.0_f64, |most, step| most.max(step.abs()));
    if longest > 2.0 {
        step.iter_mut().for_each(|step| *step *= 2.0 / longest);
    }
}

/// BFGS update of the inverse curvature, left alone where the step saw none: `length` is
/// the squared length of the step in the metric of the curvature as it was known, `change`
/// the fall of the gradient along it.
fn update(inverse: &mut [f64], step: &[f64], change: &[f64], length: f64, m: usize) {
    let curvature = dot(step, change);
    let image = multiply(inverse, change, m);
    let through = dot(&image, change);
    // s'y is the cosine of the two in that metric times sqrt(s'B^-1 s y'B y).
    if !(curvature > LEAST_COSINE * (through * length).sqrt()) {
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

pub(super) fn multiply(matrix: &[f64], vector: &[f64], m: usize) -> Vec<f64> {
    matrix.chunks_exact(m).map(|row| dot(row, vector)).collect()
}

pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A step in other units gives the same update in other units; none where the
    /// gradient does not fall along the step.
    #[test]
    fn an_update_does_not_depend_on_the_units_of_the_parameters() {
        let (step, change) = ([0.3, -0.2], [0.5, 0.1]);
        let slope = [0.3, -0.4];
        // B = diag(1, 1/2), so that s = B g and s'B^-1 s = g'B g.
        let length = 0.3 * 0.3 + 0.5 * 0.4 * 0.4;
        assert!((dot(&step, &slope) - length).abs() < 1e-15);
        let mut plain = vec![1.0, 0.0, 0.0, 0.5];
        update(&mut plain, &step, &change, length, 2);
        let units = [1e9, 1e-9];
        let mut scaled = vec![1e18, 0.0, 0.0, 0.5e-18];
        let step_scaled: Vec<f64> = step.iter().zip(units).map(|(a, b)| a * b).collect();
        let change_scaled: Vec<f64> = change.iter().zip(units).map(|(a, b)| a / b).collect();
        update(&mut scaled, &step_scaled, &change_scaled, length, 2);
        for at in 0..4 {
            let back = scaled[at] / (units[at / 2] * units[at % 2]);
            // A few roundings of numbers of size one.
            assert!(
                (back - plain[at]).abs() < 1e-14,
                "{at}: {back} {}",
                plain[at]
            );
        }
        let before = plain.clone();
        update(&mut plain, &step, &[-0.5, 0.1], length, 2);
        assert_eq!(plain, before);
    }
}
