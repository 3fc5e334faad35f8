//! Draws of an accelerated failure time model's terms, for predictions that hold their error.
//!
//! The normal law about the maximum of the likelihood is too narrow where few events are
//! known: sigma comes out too small and its likelihood leans. Terms are drawn instead from
//! likelihood x prior, flat in (b, ln sigma), the prior under which predictions from
//! exact times are those of Student's t. The draws are a Markov chain: proposals from a t
//! about the maximum, each taken with the chance that makes up for its being a proposal.
//!
//! # Source
//! Prior and exact case: Gelman et al. 2013, Bayesian Data Analysis, 3rd ed., 3.2 and 14.2;
//! independence chain: Tierney L 1994, Ann. Statist. 22:1701-1762 (both from memory).

use nalgebra::{DMatrix, DVector};
use rand::Rng;
use rand_distr::{ChiSquared, Distribution, StandardNormal};

use super::linear::Design;
use super::parametric_survival::{AcceleratedFit, Family, LogTime};
use super::time_to_event::EventTime;

/// Degrees of freedom of the proposals: tails heavier than those of any posterior here.
const PROPOSAL_DF: f64 = 5.0;
/// Steps before the first draw. The chain starts at the maximum and takes most proposals.
const SETTLING: usize = 50;

/// Terms of a model, drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct DrawnTerms {
    /// Coefficients on ln time.
    pub coefficients: Vec<f64>,
    /// Sigma: spread of ln time.
    pub scale: f64,
}

/// Draws of the terms, given the times that `fit` was fitted to.
///
/// # Shapes
/// `design` and `times`: those of the fit.
pub fn draw_terms(
    fit: &AcceleratedFit,
    design: &Design,
    times: &[EventTime],
    draws: usize,
    random: &mut impl Rng,
) -> Vec<DrawnTerms> {
    let p = fit.coefficients.len();
    let size = fit.covariance.nrows();
    let mut centre = DVector::from_element(size, fit.scale.ln());
    centre.rows_mut(0, p).copy_from_slice(&fit.coefficients);
    let root = fit.covariance.clone().cholesky();
    // A covariance that is singular to rounding adds nothing to the terms.
    let root = root.map_or_else(|| DMatrix::zeros(size, size), |factored| factored.l());
    let terms = |point: &DVector<f64>| DrawnTerms {
        coefficients: point.rows(0, p).iter().copied().collect(),
        scale: if size > p { point[p].exp() } else { fit.scale },
    };
    let log_times: Vec<LogTime> = times.iter().map(log_time).collect();
    let log_likelihood =
        |point: &DVector<f64>| log_likelihood(fit.family, design, &log_times, &terms(point));
    let mut here = centre.clone();
    // Log likelihood minus log density of the proposals, which is 0 at their centre.
    let mut worth = log_likelihood(&here);
    let mut drawn = Vec::with_capacity(draws);
    let Ok(chi_squared) = ChiSquared::new(PROPOSAL_DF) else {
        return vec![terms(&centre); draws];
    };
    for step in 0..SETTLING + draws {
        let z = DVector::from_fn(size, |_, _| random.sample::<f64, _>(StandardNormal));
        let stretch = (PROPOSAL_DF / chi_squared.sample(random)).sqrt();
        let order = 0.5 * (PROPOSAL_DF + size as f64);
        let log_density = -order * (z.norm_squared() * stretch * stretch / PROPOSAL_DF).ln_1p();
        let there = &centre + &root * z * stretch;
        let its_worth = log_likelihood(&there) - log_density;
        // A likelihood that is no number (terms beyond what numbers hold) is never taken.
        if random.random::<f64>().ln() < its_worth - worth {
            (here, worth) = (there, its_worth);
        }
        if step >= SETTLING {
            drawn.push(terms(&here));
        }
    }
    drawn
}

fn log_time(time: &EventTime) -> LogTime {
    match *time {
        EventTime::Exact(t) => LogTime::Exact(t.ln()),
        EventTime::After(t) => LogTime::After(t.ln()),
        EventTime::Before(t) => LogTime::Before(t.ln()),
        EventTime::Between(lower, upper) => LogTime::Between(lower.ln(), upper.ln()),
    }
}

/// Log-likelihood of the logs of the times: its value alone, on the scale of the terms, where
/// the fit works with derivatives in an orthogonal basis.
fn log_likelihood(family: Family, design: &Design, times: &[LogTime], terms: &DrawnTerms) -> f64 {
    let scale = terms.scale;
    let matrix = design.matrix();
    let of_one = |(row, time): (usize, &LogTime)| {
        let coefficients = terms.coefficients.iter().enumerate();
        let centre: f64 = coefficients.map(|(j, b)| matrix[(row, j)] * b).sum();
        let z = |log_time: f64| (log_time - centre) / scale;
        match *time {
            LogTime::Exact(y) => family.log_density(z(y)) - scale.ln(),
            LogTime::After(y) => family.log_upper(z(y)),
            LogTime::Before(y) => family.log_lower(z(y)),
            LogTime::Between(a, b) => family.log_between(z(a), z(b)),
        }
    };
    times.iter().enumerate().map(of_one).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::distribution::t_two_sided_quantile;
    use crate::stats::parametric_survival::accelerated_failure;
    use crate::stats::resample::{Purpose, stream};

    /// The likelihood at the estimates is the fit's own (that of the times, not their logs).
    #[test]
    fn the_likelihood_is_that_of_the_fit() {
        let times = [
            EventTime::Exact(2.0),
            EventTime::After(3.0),
            EventTime::Before(4.0),
            EventTime::Between(2.5, 4.0),
            EventTime::Exact(5.0),
            EventTime::Exact(1.2),
        ];
        let cue = vec![0.3, 1.0, -0.5, 2.0, 1.5, 0.0];
        let design = Design::with_intercept(6, vec![("cue".to_owned(), cue)]).unwrap();
        for family in [Family::Weibull, Family::LogNormal, Family::LogLogistic] {
            let fit = accelerated_failure(&design, &times, family).unwrap();
            let logs: Vec<LogTime> = times.iter().map(log_time).collect();
            let terms = DrawnTerms {
                coefficients: fit.coefficients.clone(),
                scale: fit.scale,
            };
            let jacobian: f64 = [2.0_f64, 5.0, 1.2].iter().map(|t| t.ln()).sum();
            let found = log_likelihood(family, &design, &logs, &terms) - jacobian;
            // 1e-9: rounding alone.
            assert!((found - fit.log_lik).abs() < 1e-9, "{family:?}");
        }
    }

    /// With exact log-normal times the next ln time is Student's t on n - 1 degrees of
    /// freedom about the mean, spread s sqrt(1 + 1/n): the textbook's prediction interval.
    #[test]
    fn predictions_from_exact_times_are_those_of_student() {
        let logs: [f64; 8] = [3.1, 2.7, 3.4, 2.9, 3.0, 3.3, 2.4, 3.2];
        let times: Vec<EventTime> = logs.iter().map(|y| EventTime::Exact(y.exp())).collect();
        let design = Design::with_intercept(8, Vec::new()).unwrap();
        let fit = accelerated_failure(&design, &times, Family::LogNormal).unwrap();
        let mut random = stream(5, Purpose::Terms, 0);
        let terms = draw_terms(&fit, &design, &times, 60_000, &mut random);
        let next = |terms: &DrawnTerms| -> f64 {
            terms.coefficients[0] + terms.scale * random.sample::<f64, _>(StandardNormal)
        };
        let next: Vec<f64> = terms.iter().map(next).collect();
        let centre = crate::stats::mean(&logs);
        let s = (crate::stats::squares_about_mean(&logs) / 7.0).sqrt();
        for level in [0.5, 0.8, 0.95] {
            let half = t_two_sided_quantile(level, 7.0) * s * (1.0 + 1.0 / 8.0_f64).sqrt();
            let within = next.iter().filter(|y| (*y - centre).abs() < half).count();
            let share = within as f64 / next.len() as f64;
            // 0.008: four binomial errors of 60,000 draws, the chain's being some half
            // larger. The normal law about the maximum holds 0.90 for 0.95.
            assert!((share - level).abs() < 0.008, "{level}: {share}");
        }
    }
}
