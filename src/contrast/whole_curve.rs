//! Is one curve enough for all groups, and for each pair? Groups too many to be compared
//! in pairs ([`Against::MOST_IN_PAIRS`]) are tested all together only.
//!
//! Wald's test that all terms are the same, from the terms of the groups and their joint
//! covariance, so that it is robust where they are (pooled fits: the sandwich by bird) and
//! asks the model that everything else is read from. With q differences d, q = (groups - 1)
//! terms, and their covariance V,
//!
//! ```text
//! W = d' V^-1 d,   F = W l / q   on q and m degrees of freedom
//! ```
//!
//! Of pooled fits l and m are Hotelling's, of a model Kenward and Roger's from the errors of its
//! variance terms (`stats/few_units.rs`). With too few units for either there is no test.

use nalgebra::{DMatrix, DVector};

use super::joint::{DegreesOfFreedom, Joint};
use super::pairs::pairs;
use super::{Adjust, Against};
use crate::stats::distribution::f_upper;
use crate::stats::few_units::{hotelling, kenward_roger};
use crate::stats::multiple::holm;

/// A test of one curve for several groups.
#[derive(Debug, Clone, PartialEq)]
pub struct CurveTest {
    /// What is tested, and how.
    pub test: &'static str,
    /// The two groups; `None` for all together.
    pub pair: Option<(usize, usize)>,
    /// F.
    pub statistic: f64,
    /// Terms that are tested: (groups - 1) times those of the curve.
    pub df1: usize,
    /// Degrees of freedom of the denominator.
    pub df2: f64,
    /// Chance of so great a statistic where one curve serves all.
    pub p_value: f64,
    /// The same, adjusted (Holm) for the number of pairs; that of all stands as it is.
    pub p_adjusted: f64,
}

/// The test of all groups, then of each pair, p values of the pairs adjusted.
pub(super) fn tests(joint: &Joint, adjust: Adjust) -> Vec<CurveTest> {
    let all: Vec<usize> = (0..joint.groups.len()).collect();
    let mut tests: Vec<CurveTest> = test(joint, &all, None).into_iter().collect();
    let whole = tests.len();
    let in_pairs = if all.len() > Against::MOST_IN_PAIRS {
        0
    } else {
        all.len()
    };
    for (a, b) in pairs(in_pairs) {
        let pair = (joint.groups[a], joint.groups[b]);
        tests.extend(test(joint, &[a, b], Some(pair)));
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

/// The groups at these places; `None` where the units are too few, or a curve is held at
/// each group's own hatch weight, which is no special case of one curve.
#[expect(clippy::cast_precision_loss, reason = "a count of terms")]
fn test(joint: &Joint, places: &[usize], pair: Option<(usize, usize)>) -> Option<CurveTest> {
    let (last, others) = places.split_last()?;
    let held = |place: &usize| joint.curves[*place].at_hatch_weight(1.0).is_some();
    if places.iter().any(held) && joint.source == super::Source::Pooled {
        return None;
    }
    let p = joint.terms[*last].len();
    let df1 = others.len() * p;
    let difference =
        |row: usize| joint.terms[others[row / p]][row % p] - joint.terms[*last][row % p];
    let differences = DVector::from_fn(df1, |row, _| difference(row));
    let of_differences = |entry: &dyn Fn((usize, usize), (usize, usize)) -> f64| {
        DMatrix::from_fn(df1, df1, |row, column| {
            let (a, i) = (others[row / p], row % p);
            let (b, j) = (others[column / p], column % p);
            entry((a, i), (b, j)) - entry((a, i), (*last, j)) - entry((*last, i), (b, j))
                + entry((*last, i), (*last, j))
        })
    };
    let covariance = of_differences(&|a, b| joint.covariance[(a.0 * p + a.1, b.0 * p + b.1)]);
    // To unit diagonal, since terms have scales of their own.
    let scale = covariance.diagonal().map(|variance| variance.sqrt());
    if !scale.iter().all(|scale| *scale > 0.0 && scale.is_finite()) {
        return None;
    }
    let to_scale = |matrix: DMatrix<f64>| {
        DMatrix::from_fn(df1, df1, |row, column| {
            matrix[(row, column)] / scale[row] / scale[column]
        })
    };
    let root = to_scale(covariance).cholesky()?;
    let standardised = root
        .l()
        .solve_lower_triangular(&differences.component_div(&scale))?;
    let wald = standardised.norm_squared();
    let (factor, df2) = match &joint.df {
        DegreesOfFreedom::Common(df) => hotelling(*df, df1)?,
        DegreesOfFreedom::Each(each) => {
            hotelling(places.iter().map(|place| each[*place]).sum(), df1)?
        }
        DegreesOfFreedom::OfModel { error, groups } => {
            let changes = (0..error.directions()).map(|direction| {
                let entry = |a: (usize, usize), b: (usize, usize)| {
                    let block = error.block(direction, groups[a.0], groups[b.0]);
                    block.map_or(0.0, |block| block[a.1 * p + b.1])
                };
                let half = root
                    .l()
                    .solve_lower_triangular(&to_scale(of_differences(&entry)))?;
                root.l().solve_lower_triangular(&half.transpose())
            });
            kenward_roger(&changes.collect::<Option<Vec<_>>>()?, df1)?
        }
    };
    let statistic = wald * factor / df1 as f64;
    if !statistic.is_finite() {
        return None;
    }
    let p_value = f_upper(statistic, df1 as f64, df2);
    Some(CurveTest {
        test: "Wald F of all terms",
        pair,
        statistic,
        df1,
        df2,
        p_value,
        p_adjusted: p_value,
    })
}
