//! What options take by name: each list once, with what it stands for in the library.

use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};

use crate::composition::calibration::Weighting;
use crate::composition::recalibration::Change;
use crate::contrast::{Adjust, Source};
use crate::figure::Theme;
use crate::fit::Variance;
use crate::fit::mixed::{Correlation, Covariance, Criterion, Estimator, Nodes, RandomScale};
use crate::report::batches::FitTable;
use crate::report::equation_files::Form;
use crate::study::FixedEffectOf;

/// Names, their descriptions in the help, and values.
type Choices<T> = &'static [(&'static str, &'static str, T)];

pub(in crate::cli) const CORRELATIONS: Choices<Correlation> = &[
    ("none", "", Correlation::None),
    ("ar1", "", Correlation::Ar1),
];

pub(in crate::cli) const COVARIANCES: Choices<Covariance> = &[
    ("diagonal", "", Covariance::Diagonal),
    ("full", "", Covariance::Full),
];

pub(in crate::cli) const SCALES: Choices<RandomScale> = &[
    ("natural", "", RandomScale::Natural),
    ("log", "", RandomScale::Log),
];

pub(in crate::cli) const VARIANCES: Choices<Variance> = &[
    ("constant", "", Variance::Constant),
    ("proportional", "", Variance::Proportional),
    ("power", "", Variance::Power),
    ("lognormal", "", Variance::LogNormal),
];

pub(in crate::cli) const ESTIMATORS: Choices<Estimator> = &[
    ("alternating", "", Estimator::Alternating),
    ("laplace", "", Estimator::Laplace),
    (
        "quadrature",
        "",
        Estimator::Quadrature {
            nodes: Nodes::Converged,
        },
    ),
];

pub(in crate::cli) const CRITERIA: Choices<Criterion> = &[
    ("ml", "", Criterion::Likelihood),
    ("reml", "", Criterion::RestrictedLikelihood),
];

pub(in crate::cli) const FIT_TABLES: Choices<FitTable> = &[
    ("curve_terms", "", FitTable::CurveTerms),
    ("curve_fits", "", FitTable::CurveFits),
    ("curve_choice", "", FitTable::CurveChoice),
    ("curves", "", FitTable::Curves),
    ("residuals", "", FitTable::Residuals),
    ("terms_wide", "", FitTable::TermsWide),
];

pub(in crate::cli) const GROUPINGS: Choices<FixedEffectOf> = &[
    ("strain", "", FixedEffectOf::Strain),
    ("treatment", "", FixedEffectOf::Treatment),
    ("pen", "", FixedEffectOf::Pen),
];

pub(in crate::cli) const SOURCES: Choices<Source> = &[
    ("strain", "", Source::Pooled),
    ("population", "", Source::Mixed),
];

pub(in crate::cli) const ADJUSTMENTS: Choices<Adjust> = &[
    (
        "max-t",
        "By the greatest t of all terms of a trait and all pairs",
        Adjust::MaxT,
    ),
    ("holm", "Holm's method, within a term", Adjust::Holm),
    ("tukey", "Tukey's method, within a term", Adjust::Tukey),
    ("none", "Not at all", Adjust::None),
];

pub(in crate::cli) const WEIGHTINGS: Choices<Weighting> = &[
    (
        "ordinary",
        "All rows have the same weight",
        Weighting::Ordinary,
    ),
    (
        "power",
        "The residual SD grows with a power of the prediction",
        Weighting::PowerOfMean,
    ),
    (
        "huber",
        "Rows far from the others have a limited weight",
        Weighting::Robust,
    ),
];

pub(in crate::cli) const CHANGES: Choices<Change> = &[
    ("intercept", "The intercept", Change::Intercept),
    (
        "slope",
        "Intercept and slope: all coefficients in proportion",
        Change::Slope,
    ),
    ("full", "Every coefficient", Change::Full),
];

pub(in crate::cli) const FORMS: Choices<Form> = &[
    ("markdown", "Formula and tables in Markdown", Form::Markdown),
    ("latex", "The same in LaTeX", Form::Latex),
    ("r", "A function of R", Form::R),
    ("python", "A function of Python", Form::Python),
    (
        "spreadsheet",
        "A CSV table with formulas",
        Form::Spreadsheet,
    ),
];

pub(in crate::cli) const THEMES: Choices<Theme> = &[
    ("plain", "", Theme::Plain),
    ("grayscale", "", Theme::Grayscale),
];

/// Reads one of these names.
pub(in crate::cli) fn one_of<T: Clone + Send + Sync>(
    choices: Choices<T>,
) -> impl TypedValueParser<Value = T> {
    let values = choices.iter().map(|(name, help, _)| {
        let value = PossibleValue::new(*name);
        if help.is_empty() {
            value
        } else {
            value.help(*help)
        }
    });
    PossibleValuesParser::new(values).map(move |found| {
        let place = choices.iter().position(|(name, ..)| *name == found);
        choices[place.unwrap_or_default()].2.clone()
    })
}
