//! A time that follows covariates which are known only with an error of known covariance:
//! the second factor of a joint model of repeated measurements and an event.
//!
//! Given a subject's measurements, its covariates u are normal with mean u^ and covariance V
//! (the posterior of its random effects by the model of the measurements). Its time is
//!
//! ```text
//! t = offset + lag + shift(group) + a' u + error,   error ~ N(0, sigma^2),
//! a_1 = 1 + effect_1 / sd_1,   a_k = effect_k / sd_k,
//! ```
//!
//! or later ([`Late`]). So t given the measurements is normal with mean offset + lag + shift +
//! a' u^ and variance sigma^2 + a' V a: the covariates' error widens it and does not draw the
//! effects towards zero, as it would were u^ taken for u. Times that are only known to lie
//! after, before or between looks enter by their probability. This is the likelihood of a joint
//! model, given the terms of the model of the measurements, which hardly learn from one time
//! more a subject.
//!
//! Effects are in units of the times for one standard deviation of a covariate, and have a
//! normal prior with mean 0 and standard deviation w: without evidence the time follows the first
//! covariate one to one and no other. w is unknown; the posterior is averaged over
//! [`WIDTHS`] by their marginal likelihoods (Laplace). Groups' shifts have a normal prior of
//! standard deviation [`GROUP_SPREAD`], so that a group without an event borrows from the
//! others. ln sigma has a wide prior, the lag a flat one. Draws are a Markov chain as in
//! [`time_posterior`](super::time_posterior).
//!
//! # Source
//! Wulfsohn MS, Tsiatis AA 1997, A joint model for survival and longitudinal data measured with
//! error, Biometrics 53:330-339; averaging over w: Tierney L, Kadane JB 1986, J Am Stat Assoc
//! 81:82-86 (Laplace; both from memory).

use nalgebra::{DMatrix, DVector};
use rand::Rng;
use rand_distr::{ChiSquared, Distribution, StandardNormal};

pub use super::event_terms::{EventTerms, Subject, draw_terms_about, log_likelihood, moments};
pub use super::late_component::Late;

use super::event_terms::{late, slopes};
use super::failure::Failure;
use super::late_component::Slopes;
use super::newton::{self, Evaluation};
use super::resample::{Purpose, stream};
use super::time_to_event::EventTime;

/// Prior standard deviations of the effects, in the unit of the times (d), alike likely.
pub const WIDTHS: [f64; 5] = [0.35, 0.7, 1.4, 2.8, 5.6];
/// Prior standard deviation of a group's shift, in the unit of the times (d).
pub const GROUP_SPREAD: f64 = 3.0;
/// Prior of ln sigma: 95 % between 0.4 and 22 d.
const LOG_SIGMA: (f64, f64) = (1.1, 1.0);
/// Prior of the late subjects: median share 8 %, 95 % between 1 and 46 %; median delay 25 d,
/// 95 % between 9 and 67 d.
const LOGIT_SHARE: (f64, f64) = (-2.5, 1.2);
const LOG_DELAY: (f64, f64) = (3.2, 0.5);
/// Step of the differences of the slopes.
const STEP: f64 = 1e-4;
/// Degrees of freedom of the proposals.
const PROPOSAL_DF: f64 = 5.0;
/// Steps before the first draw.
const SETTLING: usize = 50;
/// A width of less weight would have hardly a draw.
const LEAST_WEIGHT: f64 = 0.002;

/// The posterior, by draws.
#[derive(Debug, Clone, PartialEq)]
pub struct EventPosterior {
    /// Standard deviation of each covariate between subjects.
    pub spreads: Vec<f64>,
    /// Draws of the terms.
    pub draws: Vec<EventTerms>,
    /// Posterior weight of each of [`WIDTHS`].
    pub weights: Vec<f64>,
}

/// The posterior of the terms given the subjects' times.
///
/// # Errors
/// Where no subject has had its event, or the likelihood has no maximum.
pub fn event_posterior(
    subjects: &[Subject],
    times: &[EventTime],
    groups: usize,
    (draws, seed): (usize, u64),
) -> Result<EventPosterior, Failure> {
    let data = Data::of(subjects, times, groups);
    let mut start = data.start().ok_or(Failure::TooFew {
        what: "events",
        found: 0,
        needed: 1,
    })?;
    let mut modes = Vec::new();
    for width in WIDTHS {
        let found = newton::maximise(start.clone(), |point| data.evaluate(point, width));
        let Some(found) = found else { continue };
        // Each width begins where the last one ended.
        start = found.point.clone();
        if let Some(covariance) = found.covariance() {
            let log_determinant = covariance.determinant().ln();
            let evidence = found.value + 0.5 * log_determinant;
            modes.push((width, found.point, covariance, evidence));
        }
    }
    let greatest = modes
        .iter()
        .map(|mode| mode.3)
        .fold(f64::NEG_INFINITY, f64::max);
    if !greatest.is_finite() {
        return Err(Failure::NotConverged {
            iterations: WIDTHS.len(),
        });
    }
    let of = |evidence: f64| (evidence - greatest).exp();
    let total: f64 = modes.iter().map(|mode| of(mode.3)).sum();
    let weight = |evidence: f64| {
        let weight = of(evidence) / total;
        if weight < LEAST_WEIGHT { 0.0 } else { weight }
    };
    let kept: f64 = modes.iter().map(|mode| weight(mode.3)).sum();
    let mut posterior = EventPosterior {
        spreads: data.spreads.clone(),
        draws: Vec::with_capacity(draws),
        weights: vec![0.0; WIDTHS.len()],
    };
    let mut reached = 0.0;
    for (at, (width, point, covariance, evidence)) in modes.iter().enumerate() {
        let share = weight(*evidence) / kept;
        if let Some(place) = WIDTHS.iter().position(|one| one.total_cmp(width).is_eq()) {
            posterior.weights[place] = share;
        }
        reached += share;
        let up_to = counted(reached * draws as f64).min(draws);
        let own = up_to.saturating_sub(posterior.draws.len());
        let mut random = stream(seed, Purpose::Terms, at as u64);
        data.chain(
            (point, covariance, *width),
            own,
            &mut random,
            &mut posterior.draws,
        );
    }
    Ok(posterior)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a count of draws"
)]
fn counted(draws: f64) -> usize {
    draws.round() as usize
}

/// Subjects and times as the likelihood takes them.
struct Data<'a> {
    subjects: &'a [Subject],
    times: &'a [EventTime],
    groups: usize,
    spreads: Vec<f64>,
}

impl<'a> Data<'a> {
    fn of(subjects: &'a [Subject], times: &'a [EventTime], groups: usize) -> Self {
        let k = subjects.first().map_or(0, |one| one.deviations.len());
        let n = subjects.len().max(1) as f64;
        // Between subjects: the variance of their means and that of their errors.
        let spread = |at: usize| {
            let squares = subjects
                .iter()
                .map(|one| one.deviations[at].powi(2) + one.covariance[at * k + at].max(0.0));
            (squares.sum::<f64>() / n).sqrt()
        };
        Self {
            spreads: (0..k).map(spread).collect(),
            subjects,
            times,
            groups,
        }
    }

    /// lag, shifts, effects, ln sigma, logit share, ln delay.
    fn size(&self) -> usize {
        1 + self.groups + self.spreads.len() + 3
    }

    fn terms(&self, point: &DVector<f64>) -> EventTerms {
        let (groups, k) = (self.groups, self.spreads.len());
        let rest = 1 + groups + k;
        EventTerms {
            lags: (0..groups)
                .map(|group| point[0] + point[1 + group])
                .collect(),
            effects: (0..k).map(|at| point[1 + groups + at]).collect(),
            sigma: point[rest].exp(),
            late: late(point[rest + 1], point[rest + 2]),
        }
    }

    /// Median lag of the subjects that had their event, and their spread about it.
    fn start(&self) -> Option<DVector<f64>> {
        let differences = self
            .subjects
            .iter()
            .zip(self.times)
            .filter_map(|(one, time)| {
                let first = one.deviations.first().copied().unwrap_or(0.0);
                let at = match *time {
                    EventTime::Exact(t) | EventTime::Before(t) => t,
                    EventTime::Between(lower, upper) => f64::midpoint(lower, upper),
                    EventTime::After(_) => return None,
                };
                Some(at - one.offset - first)
            });
        let differences: Vec<f64> = differences.collect();
        if differences.is_empty() {
            return None;
        }
        let lag = super::median(&differences);
        let away: Vec<f64> = differences.iter().map(|one| (one - lag).abs()).collect();
        let mut start = DVector::zeros(self.size());
        let rest = self.size() - 3;
        start[0] = lag;
        // The median of |z| of a normal law is 0.67.
        start[rest] = (super::median(&away) / 0.67).max(1.0).ln();
        start[rest + 1] = LOGIT_SHARE.0;
        start[rest + 2] = LOG_DELAY.0;
        Some(start)
    }

    /// Log of likelihood times prior, with its slopes where they are wanted.
    fn log_posterior(
        &self,
        point: &DVector<f64>,
        width: f64,
        mut gradient: Option<&mut DVector<f64>>,
    ) -> f64 {
        let terms = self.terms(point);
        let slopes = slopes(&terms.effects, &self.spreads);
        let (groups, k, rest) = (self.groups, self.spreads.len(), self.size() - 3);
        let mut value = 0.0;
        if let Some(gradient) = gradient.as_deref_mut() {
            gradient.fill(0.0);
        }
        let mut moved = vec![0.0; k];
        for (one, time) in self.subjects.iter().zip(self.times) {
            for (row, moved) in moved.iter_mut().enumerate() {
                *moved = (0..k)
                    .map(|column| one.covariance[row * k + column] * slopes[column])
                    .sum();
            }
            let of_error: f64 = slopes.iter().zip(&moved).map(|(a, va)| a * va).sum();
            let along: f64 = slopes.iter().zip(&one.deviations).map(|(a, u)| a * u).sum();
            let mean = one.offset + terms.lags[one.group] + along;
            let spread = terms.sigma.hypot(of_error.max(0.0).sqrt());
            let found: Slopes = terms.late.log_likelihood(*time, mean, spread);
            value += found.value;
            if let Some(gradient) = gradient.as_deref_mut() {
                gradient[0] += found.mean;
                gradient[1 + one.group] += found.mean;
                for at in 0..k {
                    if self.spreads[at] > 0.0 {
                        let of_slope =
                            found.mean * one.deviations[at] + found.spread * moved[at] / spread;
                        gradient[1 + groups + at] += of_slope / self.spreads[at];
                    }
                }
                gradient[rest] += found.spread * terms.sigma.powi(2) / spread;
                gradient[rest + 1] += found.logit_share;
                gradient[rest + 2] += found.log_delay;
            }
        }
        let mut prior = |at: usize, (centre, spread): (f64, f64)| {
            let z = (point[at] - centre) / spread;
            value -= 0.5 * z * z + spread.ln();
            if let Some(gradient) = gradient.as_deref_mut() {
                gradient[at] -= z / spread;
            }
        };
        (0..groups).for_each(|group| prior(1 + group, (0.0, GROUP_SPREAD)));
        (0..k).for_each(|at| prior(1 + groups + at, (0.0, width)));
        prior(rest, LOG_SIGMA);
        prior(rest + 1, LOGIT_SHARE);
        prior(rest + 2, LOG_DELAY);
        value
    }

    fn evaluate(&self, point: &DVector<f64>, width: f64) -> Option<Evaluation> {
        let size = self.size();
        let mut all = Evaluation::zero(size);
        all.value = self.log_posterior(point, width, Some(&mut all.gradient));
        let (mut up, mut down) = (DVector::zeros(size), DVector::zeros(size));
        for at in 0..size {
            let mut there = point.clone();
            there[at] += STEP;
            self.log_posterior(&there, width, Some(&mut up));
            there[at] = point[at] - STEP;
            self.log_posterior(&there, width, Some(&mut down));
            let slope = (&up - &down) / (2.0 * STEP);
            for other in 0..size {
                all.hessian[(at, other)] += 0.5 * slope[other];
                all.hessian[(other, at)] += 0.5 * slope[other];
            }
        }
        all.value.is_finite().then_some(all)
    }

    /// Adds draws by an independence chain about a mode.
    fn chain(
        &self,
        (mode, covariance, width): (&DVector<f64>, &DMatrix<f64>, f64),
        draws: usize,
        random: &mut impl Rng,
        drawn: &mut Vec<EventTerms>,
    ) {
        let size = self.size();
        let (Some(root), Ok(chi_squared)) =
            (covariance.clone().cholesky(), ChiSquared::new(PROPOSAL_DF))
        else {
            drawn.extend(std::iter::repeat_n(self.terms(mode), draws));
            return;
        };
        let root = root.l();
        let mut here = mode.clone();
        let mut worth = self.log_posterior(&here, width, None);
        let steps = if draws > 0 { SETTLING + draws } else { 0 };
        for step in 0..steps {
            let z = DVector::from_fn(size, |_, _| random.sample::<f64, _>(StandardNormal));
            let stretch = (PROPOSAL_DF / chi_squared.sample(random)).sqrt();
            let order = 0.5 * (PROPOSAL_DF + size as f64);
            let log_density = -order * (z.norm_squared() * stretch * stretch / PROPOSAL_DF).ln_1p();
            let there = mode + &root * z * stretch;
            let its_worth = self.log_posterior(&there, width, None) - log_density;
            if random.random::<f64>().ln() < its_worth - worth {
                (here, worth) = (there, its_worth);
            }
            if step >= SETTLING {
                drawn.push(self.terms(&here));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::resample::Purpose;

    /// Birds whose term is measured with an error as large as its spread: plain regression of the
    /// times on the measured terms would halve the slope; the joint likelihood does not.
    #[test]
    fn the_covariates_error_does_not_attenuate() {
        let mut random = stream(1, Purpose::Simulation, 0);
        let mut normal = || -> f64 { random.sample(StandardNormal) };
        let (mut subjects, mut times) = (Vec::new(), Vec::new());
        for _ in 0..400 {
            // Conditional mean and variance of u given u + error, both of variance 16.
            let u = 4.0 * normal();
            let measured = 0.5 * (u + 4.0 * normal());
            subjects.push(Subject {
                group: 0,
                offset: 120.0,
                deviations: vec![measured],
                covariance: vec![8.0],
            });
            times.push(EventTime::Exact(120.0 + 17.0 + u + 2.0 * normal()));
        }
        let posterior = event_posterior(&subjects, &times, 1, (2000, 1)).unwrap();
        let (mean, covariance) = moments(&posterior.draws);
        let off = |at: usize, truth: f64| (mean[at] - truth).abs() / covariance[at * 5 + at].sqrt();
        // lag, effect, ln sigma: within four posterior SDs of the truth.
        assert!(off(0, 17.0) < 4.0 && off(1, 0.0) < 4.0, "{mean:?}");
        assert!(off(2, 2.0_f64.ln()) < 4.0, "{mean:?}");
        assert!((posterior.spreads[0] - 4.0).abs() < 0.4);
    }

    /// A tenth late by 30 d: share and delay are found, and the lag is that of the others.
    #[test]
    fn late_subjects_are_a_component_of_their_own() {
        let mut random = stream(2, Purpose::Simulation, 0);
        let (mut subjects, mut times) = (Vec::new(), Vec::new());
        for at in 0..500 {
            let z: f64 = random.sample(StandardNormal);
            let late = if at % 10 == 0 { 30.0 } else { 0.0 };
            subjects.push(Subject {
                group: at % 2,
                offset: 120.0,
                deviations: vec![0.0],
                covariance: vec![0.0],
            });
            let time = 120.0 + 17.0 + 3.0 * z + late;
            times.push(EventTime::right_censored(time.min(170.0), time < 170.0));
        }
        let posterior = event_posterior(&subjects, &times, 2, (2000, 1)).unwrap();
        let (mean, _) = moments(&posterior.draws);
        // Standard errors: 0.2 d of a lag, 0.013 of the share, 2 d of the delay.
        assert!(
            (mean[0] - 17.0).abs() < 0.8 && (mean[1] - 17.0).abs() < 0.8,
            "{mean:?}"
        );
        let first = EventTerms::of_numbers(&mean, 2).unwrap();
        assert!((first.late.share - 0.1).abs() < 0.05, "{first:?}");
        assert!((first.late.delay - 30.0).abs() < 6.0, "{first:?}");
        assert!((first.sigma - 3.0).abs() < 0.4, "{first:?}");
    }

    #[test]
    fn without_an_event_there_is_no_posterior() {
        let subjects = [Subject {
            group: 0,
            offset: 120.0,
            deviations: vec![1.0],
            covariance: vec![1.0],
        }];
        let found = event_posterior(&subjects, &[EventTime::After(130.0)], 1, (10, 1));
        assert!(matches!(found, Err(Failure::TooFew { .. })));
    }
}
