//! Residual diagnostics of a curve: runs, correlation of neighbours, and an
//! asymptote that is an extrapolation.
//!
//! These are notes beside a fit, not verdicts on it: a curve that misses a second
//! phase of growth can have perfectly determined terms.
//!
//! # Source
//! Wald A, Wolfowitz J (1940) On a test whether two samples are from the same
//! population, Ann Math Stat 11: 147-162 (number of runs). Durbin J, Watson GS (1971)
//! Testing for serial correlation in least squares regression III, Biometrika 58:
//! 1-19 (beta approximation). Cited from memory.

use nalgebra::DMatrix;

use super::support::asymptote_weakness;
use super::{Estimates, Series, Variance};
use crate::growth::{Curve, Derived};
use crate::stats::distribution::{beta_lower, f_upper, normal_lower};

/// One observation beside the curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Residual {
    /// Age, d.
    pub age_d: f64,
    /// Observed value.
    pub value: f64,
    /// Fitted value.
    pub fitted: f64,
    /// Observed minus fitted.
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

/// The residuals of a fit in the series' order, one at a time: a strain's may be millions.
///
/// A series may hold, in front, records at hatch that the fit left out; they count with
/// weight 1.
pub fn residuals<'a>(
    curve: &'a dyn Curve,
    series: Series<'a>,
    estimates: &'a Estimates,
) -> impl Iterator<Item = Residual> + 'a {
    let left_out = series.values.len().saturating_sub(estimates.n);
    let one = move |(place, (age_d, value)): (usize, (&f64, &f64))| {
        let fitted = curve.value(*age_d, &estimates.terms);
        let residual = value - fitted;
        let raw = match estimates.variance {
            Variance::LogNormal => (value / fitted).ln(),
            _ => residual / fitted.abs().powf(estimates.variance_power),
        };
        let weights = estimates.weights.as_deref();
        let weight = weights
            .and_then(|weights| weights.get(place.checked_sub(left_out)?))
            .map_or(1.0, |weight| *weight);
        let standardised = if estimates.sigma > 0.0 {
            raw * weight.sqrt() / estimates.sigma
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
    let values = series.ages_d.iter().zip(series.values);
    values.enumerate().map(one)
}

/// The runs test; `None` where all residuals are on one side.
///
/// Residuals at one age (a pooled series) have no order and count as one, by their
/// sum. Zeros are left out.
#[must_use]
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
        normal_lower(z)
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

/// Binomial coefficient, exact for the few dozen residuals that it is used for.
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

/// How alike neighbouring residuals are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DurbinWatson {
    /// Sum of squared differences of neighbours over the sum of squares: 2 for
    /// independent errors, less where neighbours are alike.
    pub statistic: f64,
    /// Probability of so small a statistic or a smaller, if errors are independent.
    pub p_value: f64,
}

/// The Durbin-Watson test on the standardised residuals along age; `None` where two
/// are at one age (a pooled series has no order), or for exact data.
///
/// Fitted terms take the slow waves out of the residuals, so that even independent
/// errors leave them with more changes of sign than the runs test reckons with; this
/// test accounts for it. With A the matrix of squared differences, Q an orthonormal
/// base of the Jacobian's columns (n x p) and M = I - QQ', the mean and variance of
/// the statistic are
///
/// ```text
/// m = tr(MA) / f,   2 (tr(MAMA) - m tr(MA)) / (f (f + 2)),   f = n - p
/// ```
///
/// and a beta distribution on (0, 4) with these moments stands for it.
#[must_use]
pub fn durbin_watson(
    curve: &dyn Curve,
    series: Series<'_>,
    estimates: &Estimates,
) -> Option<DurbinWatson> {
    let residuals: Vec<_> = residuals(curve, series, estimates).collect();
    let squares: f64 = residuals.iter().map(|r| r.standardised.powi(2)).sum();
    if squares <= 0.0 || series.ages_d.windows(2).any(|pair| pair[0] >= pair[1]) {
        return None;
    }
    let differences = residuals
        .windows(2)
        .map(|pair| pair[1].standardised - pair[0].standardised);
    let statistic = differences.map(|d| d * d).sum::<f64>() / squares;

    let (n, p) = (residuals.len(), estimates.terms.len());
    let mut jacobian = DMatrix::zeros(n, p);
    let mut gradient = vec![0.0; p];
    for (i, residual) in residuals.iter().enumerate() {
        curve.value_and_gradient(residual.age_d, &estimates.terms, &mut gradient);
        let spread = residual.fitted.abs().powf(estimates.variance_power);
        for (j, slope) in gradient.iter().enumerate() {
            jacobian[(i, j)] = slope / spread;
        }
    }
    for mut column in jacobian.column_iter_mut() {
        let length = column.norm();
        column /= length;
    }
    let base = jacobian.qr().q();
    let moved = squared_differences(&base);
    let inner = base.transpose() * &moved;
    let trace = 2.0 * (n as f64 - 1.0) - inner.trace();
    let trace_of_square = 6.0 * n as f64 - 8.0 - 2.0 * moved.norm_squared() + inner.norm_squared();
    let free = (n - p) as f64;
    let mean = trace / free;
    let variance = 2.0 * (trace_of_square - mean * trace) / (free * (free + 2.0));
    // Moments of a beta on (0, 4).
    let (share, scatter) = (mean / 4.0, variance / 16.0);
    let weight = share * (1.0 - share) / scatter - 1.0;
    let (a, b) = (share * weight, (1.0 - share) * weight);
    (a > 0.0 && b > 0.0).then(|| DurbinWatson {
        statistic,
        p_value: beta_lower(statistic / 4.0, a, b),
    })
}

/// A M, where x'A x is the sum of squared differences of neighbours in x.
fn squared_differences(matrix: &DMatrix<f64>) -> DMatrix<f64> {
    let n = matrix.nrows();
    DMatrix::from_fn(n, matrix.ncols(), |i, j| {
        let below = if i > 0 {
            matrix[(i, j)] - matrix[(i - 1, j)]
        } else {
            0.0
        };
        let above = if i + 1 < n {
            matrix[(i, j)] - matrix[(i + 1, j)]
        } else {
            0.0
        };
        below + above
    })
}

/// Whether a curve fits as well as its replicates allow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LackOfFit {
    /// Mean square of what the curve misses over that of replicates about their mean.
    pub statistic: f64,
    /// Degrees of freedom of what the curve misses: ages minus terms.
    pub df_curve: usize,
    /// Degrees of freedom of the replicates: observations minus ages.
    pub df_replicates: usize,
    /// P value, if the curve is right and replicates are independent.
    pub p_value: f64,
}

/// The test of lack of fit against replicates, observations at one age; `None` where
/// no age has two, where there are no more ages than terms, or for exact data.
///
/// Residuals are on the scale of the variance model, on which all have one spread.
/// Weighings of one bird at many ages are alike, so that with the same birds at every
/// age the curve is judged too kindly.
///
/// # Source
/// Draper NR, Smith H (1998) Applied Regression Analysis, 3rd ed, 2.1 (from memory).
#[must_use]
pub fn lack_of_fit(residuals: &[Residual], terms: usize) -> Option<LackOfFit> {
    let (mut pure, mut total, mut ages) = (0.0, 0.0, 0_usize);
    for at_age in residuals.chunk_by(|one, next| one.age_d >= next.age_d) {
        let mean = at_age.iter().map(|r| r.standardised).sum::<f64>() / at_age.len() as f64;
        pure += at_age
            .iter()
            .map(|r| (r.standardised - mean).powi(2))
            .sum::<f64>();
        total += at_age.iter().map(|r| r.standardised.powi(2)).sum::<f64>();
        ages += 1;
    }
    let (df_curve, df_replicates) = (ages.checked_sub(terms)?, residuals.len() - ages);
    if df_curve == 0 || df_replicates == 0 || pure <= 1e-20 * total || pure <= 0.0 {
        return None;
    }
    let missed = (total - pure).max(0.0) / df_curve as f64;
    let statistic = missed / (pure / df_replicates as f64);
    Some(LackOfFit {
        statistic,
        df_curve,
        df_replicates,
        p_value: f_upper(statistic, df_curve as f64, df_replicates as f64),
    })
}

/// Least share of the asymptote that the last value should have reached for the
/// asymptote to be more than an extrapolation (common practice, no source).
const REACHED: f64 = 0.75;

/// Whether the data support the asymptote: the mean of the last values has reached
/// three quarters of it. `None` for a curve without one.
#[must_use]
pub fn asymptote_supported(
    curve: &dyn Curve,
    series: Series<'_>,
    estimates: &Estimates,
) -> Option<bool> {
    let mut gradient = vec![0.0; estimates.terms.len()];
    let mature = curve.derived(Derived::Mature, &estimates.terms, &mut gradient)?;
    let last = mean_from(series, *series.ages_d.last()?);
    Some(last >= REACHED * mature)
}

/// Warnings for a reader of the fit, in words; none for a fit without fault.
///
/// - The last value is under three quarters of the asymptote: the asymptote is an
///   extrapolation, even where its standard error is small (common practice, no
///   source for the limit).
/// - The residuals come in too few runs, or neighbours are too alike (Durbin-Watson;
///   p under 0.05): the curve misses something, such as a second phase of growth.
#[must_use]
pub fn notes(curve: &dyn Curve, series: Series<'_>, estimates: &Estimates) -> Vec<String> {
    /// P value of the residuals below which a curve is in doubt.
    const DOUBTFUL: f64 = 0.05;
    let mut notes = Vec::new();
    let mut gradient = vec![0.0; estimates.terms.len()];
    let mature = curve.derived(Derived::Mature, &estimates.terms, &mut gradient);
    let last = series.ages_d.last().map(|age_d| mean_from(series, *age_d));
    if let (Some(mature), Some(last)) = (mature, last)
        && last < REACHED * mature
    {
        // An asymptote that the data do not determine has no number.
        let mature_g = match asymptote_weakness(curve, &estimates.reach, &estimates.terms) {
            None => format!(
                "{:.0}% of the asymptote ({mature:.0})",
                100.0 * last / mature
            ),
            Some(_) => "less than half of the asymptote".to_owned(),
        };
        notes.push(format!(
            "the last value ({last:.0}) is {mature_g}: the asymptote is an extrapolation"
        ));
    }
    let runs = runs_test(&residuals(curve, series, estimates).collect::<Vec<_>>());
    let alike = durbin_watson(curve, series, estimates);
    let few = |runs: &Runs| runs.p_value < DOUBTFUL;
    if let Some(runs) = runs
        && (few(&runs) || alike.is_some_and(|alike| alike.p_value < DOUBTFUL))
    {
        let beside = alike.map_or_else(String::new, |alike| {
            format!(
                ", Durbin-Watson {:.2} (p {:.3})",
                alike.statistic, alike.p_value
            )
        });
        notes.push(format!(
            "the residuals come in {} runs, {:.1} are expected (p {:.3}){beside}: the curve misses a part of the growth, such as a second phase",
            runs.runs, runs.expected, runs.p_value
        ));
    }
    notes
}

/// Mean of the values from an age of the series on.
fn mean_from(series: Series<'_>, age_d: f64) -> f64 {
    let from = series.ages_d.partition_point(|age| *age < age_d);
    let values = &series.values[from..];
    values.iter().sum::<f64>() / values.len() as f64
}
