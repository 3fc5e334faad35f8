//! Is one curve enough for all groups, and for each pair? Groups too many to be compared
//! in pairs ([`Against::MOST_IN_PAIRS`]) are tested all together only. Of strains that all have
//! all treatments: do treatments change each strain's curve by the same (no interaction)?
//!
//! Wald's test that all terms are the same, from the terms of the groups and their joint
//! covariance, so that it is robust where they are (pooled fits: the sandwich by bird) and
//! uses the model that everything else is read from. With q differences d (of all groups q =
//! (groups - 1) terms) and their covariance V,
//!
//! ```text
//! W = d' V^-1 d,   F = W l / q   on q and m degrees of freedom
//! ```
//!
//! Of pooled fits l and m are Hotelling's, and of a model whose errors are those between pens
//! where two groups (or one interaction) are tested; else of a model Kenward and Roger's from the errors of its
//! variance terms (`stats/few_units.rs`). With too few units for either there is no test.

use nalgebra::{DMatrix, DVector};

use super::grouping::Groups;
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
    /// P value of one curve for all.
    pub p_value: f64,
    /// The same, adjusted (Holm) for the number of pairs; that of all stands as it is.
    pub p_adjusted: f64,
}

/// The name of the test of all terms.
pub(super) const ALL_TERMS: &str = "Wald F of all terms";
/// The name of the test of the interaction.
const INTERACTION: &str = "Wald F of the interaction of strain and treatment";

/// Of a covariance brought to unit diagonal; below it is rounding.
const LEAST_EIGENVALUE: f64 = 1e-10;

impl CurveTest {
    /// Whether it is the test of one curve for all groups.
    #[must_use]
    pub fn is_of_all(&self) -> bool {
        self.test == ALL_TERMS && self.pair.is_none()
    }
}

/// The test of all groups, then of each pair, p values of the pairs adjusted, then of the
/// interaction.
pub(super) fn tests(joint: &Joint, groups: &Groups, adjust: Adjust) -> Vec<CurveTest> {
    let count = joint.groups.len();
    let from_last = (0..count - 1).map(|place| vec![(place, 1.0), (count - 1, -1.0)]);
    let of_all = test(joint, &from_last.collect::<Vec<_>>(), (ALL_TERMS, None));
    let mut tests: Vec<CurveTest> = of_all.into_iter().collect();
    let whole = tests.len();
    let in_pairs = if count > Against::MOST_IN_PAIRS {
        0
    } else {
        count
    };
    for (a, b) in pairs(in_pairs) {
        let pair = (joint.groups[a], joint.groups[b]);
        let difference = vec![(a, 1.0), (b, -1.0)];
        tests.extend(test(joint, &[difference], (ALL_TERMS, Some(pair))));
    }
    let of_pairs: Vec<f64> = tests[whole..].iter().map(|test| test.p_value).collect();
    if adjust != Adjust::None
        && let Ok(adjusted) = holm(&of_pairs)
    {
        for (test, p) in tests[whole..].iter_mut().zip(adjusted) {
            test.p_adjusted = p;
        }
    }
    let interactions = groups.interactions(&joint.groups);
    if !interactions.is_empty() {
        tests.extend(test(joint, &interactions, (INTERACTION, None)));
    }
    tests
}

/// Wald's test that combinations of the groups' terms are zero, each by the weights of places,
/// term by term; `None` where there are too few units for it, and of pooled fits where a curve
/// is held at a hatch weight.
fn test(
    joint: &Joint,
    combinations: &[Vec<(usize, f64)>],
    (name, pair): (&'static str, Option<(usize, usize)>),
) -> Option<CurveTest> {
    let mut places: Vec<usize> = combinations.iter().flatten().map(|part| part.0).collect();
    places.sort_unstable();
    places.dedup();
    let held = |place: &usize| joint.curves[*place].at_hatch_weight(1.0).is_some();
    if places.iter().any(held) && joint.source == super::Source::Pooled {
        return None;
    }
    let p = joint.terms[*places.first()?].len();
    let df1 = combinations.len() * p;
    let differences = DVector::from_fn(df1, |row, _| {
        let parts = combinations[row / p].iter();
        let weighted = parts.map(|(place, weight)| weight * joint.terms[*place][row % p]);
        weighted.sum()
    });
    let of_differences = |entry: &dyn Fn((usize, usize), (usize, usize)) -> f64| {
        DMatrix::from_fn(df1, df1, |row, column| {
            let mut sum = 0.0;
            for (a, weight) in &combinations[row / p] {
                for (b, other) in &combinations[column / p] {
                    sum += weight * other * entry((*a, row % p), (*b, column % p));
                }
            }
            sum
        })
    };
    let covariance = of_differences(&|a, b| joint.covariance[(a.0 * p + a.1, b.0 * p + b.1)]);
    // To unit diagonal, since terms have different scales.
    let scale = covariance.diagonal().map(|variance| variance.sqrt());
    if !scale.iter().all(|scale| *scale > 0.0 && scale.is_finite()) {
        return None;
    }
    let to_scale = |matrix: DMatrix<f64>| {
        DMatrix::from_fn(df1, df1, |row, column| {
            matrix[(row, column)] / scale[row] / scale[column]
        })
    };
    let scaled = to_scale(covariance);
    // As few pens as terms, or fewer, leave combinations without an error.
    if scaled.symmetric_eigenvalues().min() < LEAST_EIGENVALUE {
        return None;
    }
    let root = scaled.cholesky()?;
    let standardised = root
        .l()
        .solve_lower_triangular(&differences.component_div(&scale))?;
    let wald = standardised.norm_squared();
    let (factor, df2) = match &joint.df {
        DegreesOfFreedom::Common(df) => hotelling(*df, df1)?,
        DegreesOfFreedom::Each(each) => {
            hotelling(places.iter().map(|place| each[*place]).sum(), df1)?
        }
        DegreesOfFreedom::OfModel { error, .. }
            if combinations.len() == 1 && error.wishart_df().is_some() =>
        {
            hotelling(error.wishart_df()?, df1)?
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
        test: name,
        pair,
        statistic,
        df1,
        df2,
        p_value,
        p_adjusted: p_value,
    })
}
