//! What the residuals say of the curve: runs, autocorrelation, and an asymptote
//! that is an extrapolation.
//!
//! These are notes beside a fit, not verdicts on it: a curve that misses a second
//! phase of growth can have perfectly determined terms.
//!
//! # Source
//! Wald A, Wolfowitz J (1940) On a test whether two samples are from the same
//! population, Ann Math Stat 11: 147-162 (number of runs). Cited from memory.

use statrs::distribution::{ContinuousCDF, Normal};

use super::{Estimates, Series, Variance};
use crate::growth::{Curve, Derived};

/// One observation beside the curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Residual {
    /// Age, d.
    pub age_d: f64,
    /// Observed value.
    pub value: f64,
    /// Fitted value.
    pub fitted: f64,
    /// Observed less fitted.
    pub residual: f64,
    /// Residual over its standard deviation under the variance model; 0 for exact data.
    pub standardised: f64,
}

/// Runs of residuals of one sign along age.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Runs {
    /// Number of runs seen.
    pub runs: usize,
    /// Residuals above zero.
    pub above: usize,
    /// Residuals below zero.
    pub below: usize,
    /// Number expected if the signs were in random order.
    pub expected: f64,
    /// Probability of so few runs or fewer, if the signs were in random order:
    /// exact for up to 40 residuals, normal with continuity correction beyond.
    pub p_value: f64,
}

/// The residuals of a fit in the series' order.
#[must_use]
pub fn residuals(curve: &dyn Curve, series: Series<'_>, estimates: &Estimates) -> Vec<Residual> {
    let one = |(age_d, value): (&f64, &f64)| {
        let fitted = curve.value(*age_d, &estimates.terms);
        let residual = value - fitted;
        let raw = match estimates.variance {
            Variance::LogNormal => (value / fitted).ln(),
            _ => residual / fitted.abs().powf(estimates.variance_power),
        };
        let standardised = if estimates.sigma > 0.0 {
            raw / estimates.sigma
        } else {
            0.0
        };
        Residual {
            age_d: *age_d,
            value: *value,
            fitted,
            residual,
            standardised,
        }
    };
    series.ages_d.iter().zip(series.values).map(one).collect()
}

/// The runs test; `None` where all residuals are on one side.
///
/// Residuals at one age (a pooled series) have no order and count as one, by their
/// sum. Zeros are left out.
#[must_use]
#[expect(
    clippy::cast_precision_loss,
    reason = "counts of observations are far below 2^52"
)]
pub fn runs_test(residuals: &[Residual]) -> Option<Runs> {
    let signs: Vec<bool> = residuals
        .chunk_by(|one, next| one.age_d >= next.age_d)
        .map(|at_age| at_age.iter().map(|r| r.residual).sum::<f64>())
        .filter(|residual| *residual != 0.0)
        .map(|residual| residual > 0.0)
        .collect();
    let above = signs.iter().filter(|up| **up).count();
    let below = signs.len() - above;
    if above == 0 || below == 0 {
        return None;
    }
    let runs = 1 + signs.windows(2).filter(|pair| pair[0] != pair[1]).count();
    let (a, b) = (above as f64, below as f64);
    let n = a + b;
    let expected = 1.0 + 2.0 * a * b / n;
    let p_value = if signs.len() <= 40 {
        let total = choose(above + below, above);
        (2..=runs)
            .map(|r| arrangements(r, above, below))
            .sum::<f64>()
            / total
    } else {
        let variance = (expected - 1.0) * (expected - 2.0) / (n - 1.0);
        let z = (runs as f64 + 0.5 - expected) / variance.sqrt();
        Normal::standard().cdf(z)
    };
    Some(Runs {
        runs,
        above,
        below,
        expected,
        p_value,
    })
}

/// Number of orders of `above` and `below` signs that make `runs` runs.
fn arrangements(runs: usize, above: usize, below: usize) -> f64 {
    let half = runs / 2;
    if runs.is_multiple_of(2) {
        2.0 * choose(above - 1, half - 1) * choose(below - 1, half - 1)
    } else {
        choose(above - 1, half) * choose(below - 1, half - 1)
            + choose(above - 1, half - 1) * choose(below - 1, half)
    }
}

/// Binomial coefficient, exact for the few dozen residuals that it is asked for.
#[expect(clippy::cast_precision_loss, reason = "at most 40")]
fn choose(n: usize, k: usize) -> f64 {
    if k > n {
        return 0.0;
    }
    (1..=k)
        .map(|i| (n - k + i) as f64 / i as f64)
        .product::<f64>()
        .round()
}

/// Lag-1 autocorrelation of the standardised residuals; `None` for exact data or
/// fewer than three.
#[must_use]
pub fn autocorrelation(residuals: &[Residual]) -> Option<f64> {
    let squares: f64 = residuals
        .iter()
        .map(|r| r.standardised * r.standardised)
        .sum();
    let products: f64 = residuals
        .windows(2)
        .map(|pair| pair[0].standardised * pair[1].standardised)
        .sum();
    (residuals.len() > 2 && squares > 0.0).then(|| products / squares)
}

/// What a reader of the fit should be told, in words: none for a fit without fault.
///
/// - The last value is under three quarters of the asymptote: the asymptote is an
///   extrapolation, even where its standard error is small (common practice, no
///   source for the limit).
/// - The residuals come in too few runs (one-sided p under 0.05): the curve misses
///   something, such as a second phase of growth.
#[must_use]
pub fn notes(curve: &dyn Curve, series: Series<'_>, estimates: &Estimates) -> Vec<String> {
    /// Least share of the asymptote that the last value should have reached.
    const REACHED: f64 = 0.75;
    let mut notes = Vec::new();
    let mut gradient = vec![0.0; estimates.terms.len()];
    let mature = curve.derived(Derived::Mature, &estimates.terms, &mut gradient);
    let last = series.ages_d.last().map(|age_d| mean_from(series, *age_d));
    if let (Some(mature), Some(last)) = (mature, last)
        && last < REACHED * mature
    {
        notes.push(format!(
            "the last value ({last:.0}) is {:.0}% of the asymptote ({mature:.0}): the asymptote is an extrapolation",
            100.0 * last / mature
        ));
    }
    if let Some(runs) = runs_test(&residuals(curve, series, estimates))
        && runs.p_value < 0.05
    {
        notes.push(format!(
            "the residuals come in {} runs where {:.1} are expected (p {:.3}): the curve misses a part of the growth, such as a second phase",
            runs.runs, runs.expected, runs.p_value
        ));
    }
    notes
}

/// Mean of the values from an age of the series on.
#[expect(
    clippy::cast_precision_loss,
    reason = "counts of observations are far below 2^52"
)]
fn mean_from(series: Series<'_>, age_d: f64) -> f64 {
    let from = series.ages_d.partition_point(|age| *age < age_d);
    let values = &series.values[from..];
    values.iter().sum::<f64>() / values.len() as f64
}
