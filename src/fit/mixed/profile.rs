//! Profile likelihood of a mixed fit: which values of a group's term, or of what follows
//! from a group's terms, do the data allow?
//!
//! With l(c) the greatest log-likelihood among all parameters for which the quantity q
//! has the value c, and l the greatest of all, the interval holds the c with
//!
//! ```text
//! tau(c) = sqrt(2 (l - l(c))) <= quantile
//! ```
//!
//! # On the way there
//! The quantity is not held but drawn: the parameters that maximise
//!
//! ```text
//! l(x) - (q(x) - target)^2 / (2 width^2)
//! ```
//!
//! maximise l among all that have their q too, so that they lie on the profile, and the
//! climb to the maximum needs no constraint. With the standard error as width the sum is
//! better rounded than the likelihood itself, and a target twice as far as the limit ends
//! at the limit where the likelihood is quadratic; from there false position finds it.
//!
//! The likelihood is the marginal one (Laplace, or quadrature where the model requires
//! it). The alternating method maximises another function, which has no profile of its
//! own: of such a model the profile is that by Laplace.
//!
//! # Source
//! Pinheiro JC, Bates DM (2000) Mixed-Effects Models in S and S-PLUS, 2.4 and 7.2 (from
//! memory); checked against lme4's `confint(method = "profile")` on a model that is linear
//! in its terms, where Laplace is exact.

use super::laplace::{Ascent, dot, multiply, summit};
use super::likelihood::{Gather, Likelihood};
use super::model::MixedModel;
use super::problem::Problem;
use super::result::MixedFit;
use super::scale;
use super::subjects::Subjects;
use crate::fit::profile::Quantity;
use crate::stats::Interval;

/// A limit is found when tau differs from the quantile by no more than this share.
const NEAR: f64 = 1e-3;
/// Targets tried on a side.
const MOST_TARGETS: usize = 12;
/// A side is open where the quantity is farther from its estimate than this many times
/// what the standard error promises.
const FAR: f64 = 50.0;

/// Draws a quantity of a group towards a target.
#[derive(Debug, Clone, Copy)]
pub(super) struct ProfilePenalty {
    group: usize,
    quantity: Quantity,
    target: f64,
    width: f64,
}

impl ProfilePenalty {
    /// Adds the pull to a log-likelihood and its gradient; `None` where the curve has no
    /// such quantity.
    pub(super) fn add(
        &self,
        problem: &Problem<'_>,
        x: &[f64],
        value: &mut f64,
        slope: &mut [f64],
    ) -> Option<()> {
        let mut gradient = vec![0.0; slope.len()];
        let quantity = measure(problem, (self.group, self.quantity), x, &mut gradient)?;
        let off = (quantity - self.target) / self.width;
        *value -= 0.5 * off * off;
        for (slope, gradient) in slope.iter_mut().zip(&gradient) {
            *slope -= off / self.width * gradient;
        }
        Some(())
    }
}

/// A group's quantity and its gradient in the free parameters, which is zero on entry.
fn measure(
    problem: &Problem<'_>,
    (group, quantity): (usize, Quantity),
    x: &[f64],
    gradient: &mut [f64],
) -> Option<f64> {
    let p = problem.p;
    let columns = &problem.columns[group * p..(group + 1) * p];
    let eta: Vec<f64> = columns.iter().map(|column| x[*column]).collect();
    let (mut terms, mut own) = (vec![0.0; p], vec![0.0; p]);
    scale::to_terms(problem.scales, &eta, &mut terms);
    let value = quantity.value(problem.curve, &terms, &mut own)?;
    scale::chain(problem.scales, &terms, &mut own);
    for (column, own) in columns.iter().zip(&own) {
        gradient[*column] += own;
    }
    value.is_finite().then_some(value)
}

impl MixedModel<'_> {
    /// Profile intervals of quantities of groups, between the places where tau reaches
    /// `quantile`; a side on which it does not is infinite, and `None` stands for a
    /// quantity that the curve has not at these terms or whose profile has no end that
    /// could be found.
    ///
    /// # Errors
    /// In words: a marginal likelihood without a certified maximum.
    pub fn profile(
        &self,
        subjects: &Subjects<'_>,
        fit: &MixedFit,
        wanted: &[(usize, Quantity)],
        quantile: f64,
    ) -> Result<Vec<Option<Interval>>, String> {
        if !fit.cluster.is_empty() {
            return Err("with effects of clusters there is no profile: take Wald intervals or the bootstrap".to_owned());
        }
        let problem = Problem::new(self, subjects)?;
        let from = (&fit.state, Some(&*fit.beta_covariance));
        let top = summit(&problem, self, fit.estimator, from.0, from.1)?;
        if !top.curved.definite {
            return Err(
                "the Hessian is not positive definite at the maximum, so that there is nothing to profile".to_owned(),
            );
        }
        let mut walk = Walk {
            likelihood: top.likelihood,
            best: top.climb,
            covariance: top.curved.covariance,
            quantile,
        };
        Ok(wanted.iter().map(|one| walk.interval(*one)).collect())
    }
}

struct Walk<'p, 'a> {
    likelihood: Likelihood<'p, 'a>,
    best: Ascent,
    covariance: Vec<f64>,
    quantile: f64,
}

/// The estimate of a quantity, and where it moves.
struct Here {
    what: (usize, Quantity),
    value: f64,
    error: f64,
    /// Covariance of the parameters with the quantity.
    along: Vec<f64>,
}

impl Walk<'_, '_> {
    fn interval(&mut self, what: (usize, Quantity)) -> Option<Interval> {
        let m = self.best.x.len();
        let mut gradient = vec![0.0; m];
        let value = measure(self.likelihood.problem, what, &self.best.x, &mut gradient)?;
        let along = multiply(&self.covariance, &gradient, m);
        let error = dot(&along, &gradient).sqrt();
        if !(error > 0.0 && error.is_finite()) {
            return None;
        }
        let here = Here {
            what,
            value,
            error,
            along,
        };
        let modes = self.likelihood.modes.clone();
        let mut side = |sign: f64| {
            self.likelihood.modes.clone_from(&modes);
            self.limit(&here, sign)
        };
        let (lower, upper) = (side(-1.0), side(1.0));
        self.likelihood.modes.clone_from(&modes);
        self.likelihood.pull = None;
        Some(Interval {
            lower: lower?,
            upper: upper?,
        })
    }

    /// Where tau reaches the quantile on one side; infinite where it does not.
    fn limit(&mut self, here: &Here, sign: f64) -> Option<f64> {
        let (quantile, m) = (self.quantile, self.best.x.len());
        // What the pull adds to the information, by the formula of Sherman and Morrison.
        let mut inverse = self.covariance.clone();
        for k in 0..m {
            for l in 0..m {
                inverse[k * m + l] -= here.along[k] * here.along[l] / (2.0 * here.error.powi(2));
            }
        }
        let mut x = self.best.x.clone();
        for (x, along) in x.iter_mut().zip(&here.along) {
            *x += sign * quantile / here.error * along;
        }
        // How far the target is, in quantiles times standard errors; and the points of the
        // profile found so far, as (tau, value of the quantity, distance of the target).
        let mut distance = 2.0;
        let mut inside = (0.0, here.value, 0.0);
        let mut outside: Option<(f64, f64, f64)> = None;
        for _ in 0..MOST_TARGETS {
            let (tau, value, end) = self.drawn(here, sign * distance, (&x, &inverse))?;
            if (tau / quantile - 1.0).abs() < NEAR {
                // The profile is straight over so short a way.
                let along = (quantile - inside.0) / (tau - inside.0);
                return Some(inside.1 + along * (value - inside.1));
            }
            x = end;
            if tau < quantile {
                if (value - here.value).abs() > FAR * quantile * here.error {
                    return Some(sign * f64::INFINITY);
                }
                inside = (tau, value, distance);
            } else {
                outside = Some((tau, value, distance));
            }
            distance = match outside {
                None => distance * (quantile / tau.max(0.25 * quantile)).max(1.02),
                Some((far, _, beyond)) => {
                    let share = (quantile - inside.0) / (far - inside.0);
                    inside.2 + share.clamp(0.05, 0.95) * (beyond - inside.2)
                }
            };
        }
        // Points on both sides of the quantile, or a side that nearly is open.
        let (far, value, _) = outside?;
        Some(inside.1 + (quantile - inside.0) / (far - inside.0) * (value - inside.1))
    }

    /// The point of the profile that a target `distance` away ends at: tau, the value of
    /// the quantity, the parameters.
    fn drawn(
        &mut self,
        here: &Here,
        distance: f64,
        (from, inverse): (&[f64], &[f64]),
    ) -> Option<(f64, f64, Vec<f64>)> {
        self.likelihood.pull = Some(ProfilePenalty {
            group: here.what.0,
            quantity: here.what.1,
            target: here.value + distance * self.quantile * here.error,
            width: here.error,
        });
        let begun = self.likelihood.evaluate(from, Gather::Nothing);
        // So far away the likelihood may have no value: begin at the maximum then.
        let (x, (value, slope)) = match begun {
            Some(begun) => (from.to_vec(), begun),
            None => (
                self.best.x.clone(),
                self.likelihood.evaluate(&self.best.x, Gather::Nothing)?,
            ),
        };
        let mut climb = Ascent {
            x,
            value,
            slope,
            inverse: inverse.to_vec(),
            rounds: 0,
        };
        self.likelihood.climb_to_end(&mut climb);
        self.likelihood.pull = None;
        let (value, _) = self.likelihood.evaluate(&climb.x, Gather::Nothing)?;
        let drop = self.best.value - value;
        // A better maximum than the one that is profiled: the fit has not ended.
        if drop < -1e-6 {
            return None;
        }
        let mut gradient = vec![0.0; climb.x.len()];
        let quantity = measure(self.likelihood.problem, here.what, &climb.x, &mut gradient)?;
        Some(((2.0 * drop.max(0.0)).sqrt(), quantity, climb.x))
    }
}
