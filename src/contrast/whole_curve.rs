//! Is one curve enough for all groups, and for each pair? Groups too many to be compared
//! in pairs ([`Against::MOST_IN_PAIRS`]) are tested all together only.
//!
//! Pooled fits of constant variance: the extra sum of squares that one curve leaves
//! over a curve for each group,
//!
//! ```text
//! F = ((S0 - S1) / d) / (S1 / (n - g p)),   d = (g - 1) p
//! ```
//!
//! (on the log scale for the log-normal model). It takes all weighings as independent,
//! which those of one bird are not, so with repeated weighings its p value is too
//! small. Where the spread follows the mean, the groups' likelihoods are compared
//! instead, curve and spread together: 2 (l1 - l0) against chi-squared.
//!
//! Mixed fits: the likelihood ratio of the model with fixed effects by group against
//! the one without, by maximum likelihood, random effects the same: 2 (l1 - l0)
//! against chi-squared on (g - 1) p degrees of freedom. With few birds its p value is
//! somewhat too small.
//!
//! # Source
//! Bates DM, Watts DG (1988), 3.10 (extra sum of squares); Pinheiro JC, Bates DM
//! (2000) Mixed-Effects Models in S and S-PLUS, 2.4 (likelihood ratio). From memory.

use std::sync::Arc;

use super::grouping::Sample;
use super::joint::{self, PooledFit, PopulationFit};
use super::pairs::pairs;
use super::{Adjust, Against, Request};
use crate::error::Result;
use crate::fit::mixed::{GroupedTerms, MixedModel, MixedOptions};
use crate::fit::{Variance, Workspace};
use crate::growth::Curve;
use crate::stats::distribution::{chi_squared_upper, f_upper};
use crate::stats::multiple::holm;

/// A test of one curve for several groups.
#[derive(Debug, Clone, PartialEq)]
pub struct CurveTest {
    /// What is tested, and how.
    pub test: &'static str,
    /// The two groups; `None` for all together.
    pub pair: Option<(usize, usize)>,
    /// F, or twice the difference in log-likelihood.
    pub statistic: f64,
    /// Degrees of freedom of the difference.
    pub df1: usize,
    /// Degrees of freedom of the residuals, for F.
    pub df2: Option<usize>,
    /// Chance of so great a statistic where one curve serves all.
    pub p_value: f64,
    /// The same, adjusted (Holm) for the number of pairs; that of all stands as it is.
    pub p_adjusted: f64,
    /// Log-likelihood with one curve, and with one a group, of the model that the test is of.
    pub log_lik: (f64, f64),
}

/// The tests of pooled fits; `fits` in the order of the sample's groups `of`.
pub(super) fn pooled(
    sample_of: &dyn Fn(&[usize]) -> Sample,
    groups: &[usize],
    fits: &[PooledFit],
    curve: &Arc<dyn Curve>,
    request: &Request,
) -> Vec<CurveTest> {
    let mut workspace = Workspace::new();
    let mut test = |places: &[usize], pair: Option<(usize, usize)>| {
        let kept: Vec<usize> = places.iter().map(|place| groups[*place]).collect();
        let one =
            joint::pooled_fit(&sample_of(&kept), None, curve, request, &mut workspace).ok()?;
        let each: Vec<&PooledFit> = places.iter().map(|place| &fits[*place]).collect();
        pooled_test(&one, &each, request.settings.variance, pair)
    };
    all_and_pairs(groups, request.adjust, &mut test)
}

#[expect(clippy::cast_precision_loss, reason = "counts of weighings and terms")]
fn pooled_test(
    one: &PooledFit,
    each: &[&PooledFit],
    variance: Variance,
    pair: Option<(usize, usize)>,
) -> Option<CurveTest> {
    let n: usize = each.iter().map(|fit| fit.estimates.n).sum();
    // A curve held at each group's own hatch weight is no special case of one at all's.
    if n != one.estimates.n || one.curve.at_hatch_weight(1.0).is_some() {
        return None;
    }
    let p = one.estimates.terms.len();
    let (test, statistic, df1, df2, p_value, of_each) = match variance {
        Variance::Constant | Variance::LogNormal => {
            let rss: f64 = each.iter().map(|fit| fit.estimates.rss).sum();
            let (df1, df2) = ((each.len() - 1) * p, n.checked_sub(each.len() * p)?);
            if df2 == 0 || rss <= 1e-20 * one.estimates.rss || rss <= 0.0 {
                return None;
            }
            let extra = (one.estimates.rss - rss).max(0.0) / df1 as f64;
            let statistic = extra / (rss / df2 as f64);
            let p_value = f_upper(statistic, df1 as f64, df2 as f64);
            // The F test has one spread for all groups, and so has its likelihood: with the
            // curves' sum of squares S1 for S0 it is higher by (n / 2) ln(S0 / S1).
            let of_each = one.estimates.log_lik + 0.5 * n as f64 * (one.estimates.rss / rss).ln();
            (
                "extra sum of squares F",
                statistic,
                df1,
                Some(df2),
                p_value,
                of_each,
            )
        }
        Variance::Proportional | Variance::Power => {
            let parameters: usize = each.iter().map(|fit| fit.estimates.parameters).sum();
            let df1 = parameters.checked_sub(one.estimates.parameters)?;
            let of_each: f64 = each.iter().map(|fit| fit.estimates.log_lik).sum();
            let statistic = (2.0 * (of_each - one.estimates.log_lik)).max(0.0);
            let p_value = chi_squared_upper(statistic, df1 as f64);
            (
                "likelihood ratio (curve and spread)",
                statistic,
                df1,
                None,
                p_value,
                of_each,
            )
        }
    };
    Some(CurveTest {
        test,
        pair,
        statistic,
        df1,
        df2,
        p_value,
        p_adjusted: p_value,
        log_lik: (one.estimates.log_lik, of_each),
    })
}

/// The tests of mixed fits.
pub(super) fn population(
    sample_of: &dyn Fn(&[usize]) -> Sample,
    groups: &[usize],
    all: &PopulationFit,
    curve: &dyn Curve,
    request: &Request,
) -> Result<Vec<CurveTest>> {
    let mut failed = None;
    let mut test = |places: &[usize], pair: Option<(usize, usize)>| {
        let kept: Vec<usize> = places.iter().map(|place| groups[*place]).collect();
        let whole = places.len() == groups.len();
        let found = ratio(&sample_of(&kept), whole.then_some(all), &all.options, curve);
        found
            .unwrap_or_else(|error| {
                failed = Some(error);
                None
            })
            .map(|(log_lik, df1)| likelihood_ratio(log_lik, df1, pair))
    };
    let tests = all_and_pairs(groups, request.adjust, &mut test);
    failed.map_or(Ok(tests), Err)
}

/// Log-likelihoods without and with effects by group, and how many effects that is.
fn ratio(
    sample: &Sample,
    with: Option<&PopulationFit>,
    options: &MixedOptions,
    curve: &dyn Curve,
) -> Result<Option<((f64, f64), usize)>> {
    let subjects = sample.subjects()?;
    let without = MixedOptions {
        grouped: GroupedTerms::None,
        ..options.clone()
    };
    let without = MixedModel::new(curve, &without)?.fit(&subjects);
    let with = match with {
        Some(known) => Some((known.fit.log_lik, known.fit.parameters)),
        None => {
            let outcome = MixedModel::new(curve, options)?.fit(&subjects);
            outcome.fit().map(|fit| (fit.log_lik, fit.parameters))
        }
    };
    let found = without
        .fit()
        .zip(with)
        .and_then(|(fit, with)| Some(((fit.log_lik, with.0), with.1.checked_sub(fit.parameters)?)));
    Ok(found.filter(|(log_lik, df)| *df > 0 && (log_lik.1 - log_lik.0).is_finite()))
}

#[expect(clippy::cast_precision_loss, reason = "a count of terms")]
fn likelihood_ratio(log_lik: (f64, f64), df1: usize, pair: Option<(usize, usize)>) -> CurveTest {
    let statistic = (2.0 * (log_lik.1 - log_lik.0)).max(0.0);
    let p_value = chi_squared_upper(statistic, df1 as f64);
    CurveTest {
        test: "likelihood ratio",
        pair,
        statistic,
        df1,
        df2: None,
        p_value,
        p_adjusted: p_value,
        log_lik,
    }
}

/// A test of the groups at these places; the pair's names where it is one.
type Test<'a> = dyn FnMut(&[usize], Option<(usize, usize)>) -> Option<CurveTest> + 'a;

/// The test of all groups, then of each pair, p values of the pairs adjusted.
fn all_and_pairs(groups: &[usize], adjust: Adjust, test: &mut Test<'_>) -> Vec<CurveTest> {
    let places: Vec<usize> = (0..groups.len()).collect();
    let mut tests: Vec<CurveTest> = test(&places, None).into_iter().collect();
    let whole = tests.len();
    let in_pairs = if groups.len() > Against::MOST_IN_PAIRS {
        0
    } else {
        groups.len()
    };
    for (a, b) in pairs(in_pairs) {
        tests.extend(test(&[a, b], Some((groups[a], groups[b]))));
    }
    let of_pairs: Vec<f64> = tests[whole..].iter().map(|test| test.p_value).collect();
    if adjust != Adjust::None
        && let Ok(adjusted) = holm(&of_pairs)
    {
        for (test, p) in tests[whole..].iter_mut().zip(adjusted) {
            test.p_adjusted = p;
        }
    }
    tests
}
