//! Where a saved equation comes from, what it holds for, and what it has been through since.

use serde::{Deserialize, Serialize};

use super::formula::Levels;
use crate::study::Publication;

/// The column, and the term of an equation, that names the laboratory (or scanner).
pub const LABORATORY: &str = "laboratory";
/// The level of that term for a laboratory that the equation was not fitted to.
pub const ANOTHER: &str = "another laboratory";
/// Fewest birds of a laboratory that has a line of its own.
pub const FEWEST_BIRDS: usize = 3;
/// Fewest laboratories that say anything of another one.
pub const FEWEST_LABORATORIES: usize = 3;

/// Where an equation comes from and what it holds for.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Provenance {
    /// What it predicts: a trait, or the column that it was fitted to.
    pub response: String,
    /// The response's unit: `g`, or `pct` for a percentage.
    pub unit: String,
    /// The scale on which the terms add up.
    #[serde(default)]
    pub scale: Scale,
    /// Feathers on the birds whose scans it was fitted to: `intact`, `plucked`,
    /// `unknown`, or `term` where the equation itself has a term for it.
    pub feathers: String,
    /// The part of the carcass whose chemistry it was fitted to: `whole`, `body`; empty where
    /// not known.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub part: String,
    /// Basis of that chemistry: `as-is` for masses of the fresh part; empty where not known.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub basis: String,
    /// How it was fitted: `ordinary`, `power of the mean`, `robust`, `published`.
    pub method: String,
    /// Rows that it was fitted to.
    pub rows: usize,
    /// Birds that the rows are of.
    pub birds: usize,
    /// Strains of those birds.
    pub strains: Vec<String>,
    /// Ways in which they were scanned, the most frequent first; none where not known.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub ways: Vec<String>,
    /// Laboratories that they are from. Several without a term for them: an equation for a new
    /// one, whose covariance contains what laboratories differ in; one: it holds for that one
    /// alone. None where not known.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub laboratories: Vec<String>,
    /// Residual variance of a row whose prediction is 1 where `variance_power` is
    /// not 0, of any row where it is; none where it was not published.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub residual_variance: Option<f64>,
    /// The residual variance grows with |prediction|^(2 x this), or with that power
    /// of what `variance_of` names.
    #[serde(default)]
    pub variance_power: f64,
    /// The column that the residual variance grows with; none where it is the prediction.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub variance_of: Option<String>,
    /// Degrees of freedom of the residual variance.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub residual_df: Option<usize>,
    /// Root mean square error of birds left out of the fit, in the response's unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cross_validated_rmse: Option<f64>,
    /// Scanner and its settings, in the user's words.
    #[serde(default)]
    pub scanner: String,
    /// Species, authors, page: anything that a reader needs.
    #[serde(default)]
    pub source: String,
    /// SHA-256 of the table that it was fitted to; empty where there was none.
    #[serde(default)]
    pub input_digest: String,
    /// Who made it, when, and how it may be used, as far as the study states.
    #[serde(default, skip_serializing_if = "Publication::is_blank")]
    pub publication: Publication,
    /// Levels of each column of words, the reference first.
    #[serde(default, rename = "factor")]
    pub factors: Vec<Levels>,
    /// Least and greatest value of each number in the rows.
    #[serde(default, rename = "range")]
    pub ranges: Vec<Range>,
    /// What it was recalibrated on since, the first time first.
    #[serde(
        default,
        skip_serializing_if = "Vec::is_empty",
        rename = "recalibration"
    )]
    pub recalibrations: Vec<Recalibration>,
    /// Other birds that it was tested on since, the first time first.
    #[serde(default, skip_serializing_if = "Vec::is_empty", rename = "validation")]
    pub validations: Vec<ValidationRecord>,
}

/// What a saved equation was tested on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ValidationRecord {
    /// The verdict, in words.
    pub verdict: String,
    /// Birds that it was tested on.
    pub birds: usize,
    /// Their strains.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub strains: Vec<String>,
    /// Least and greatest age of these birds, d.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ages_d: Option<[f64; 2]>,
    /// Least and greatest mass of these birds by chemistry.
    pub masses: [f64; 2],
    /// Mean of predicted minus observed, in the unit of the response.
    pub bias: f64,
    /// Its confidence interval.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bias_interval: Option<[f64; 2]>,
    /// Confidence of that interval.
    pub confidence: f64,
    /// Root mean square error.
    pub rmse: f64,
    /// The error of the mean that was acceptable.
    pub acceptable_error: f64,
    /// Digest of the text of the equation that was tested.
    pub equation_digest: String,
    /// Digest of the table of these birds.
    pub input_digest: String,
}

/// What a saved equation was recalibrated on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recalibration {
    /// What was changed: `intercept`, `intercept and slope`, `all coefficients`.
    pub changed: String,
    /// Birds that it was recalibrated on.
    pub birds: usize,
    /// Their strains.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub strains: Vec<String>,
    /// Least and greatest age of these birds, d.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ages_d: Option<[f64; 2]>,
    /// Least and greatest mass of these birds by chemistry.
    pub masses: [f64; 2],
    /// How much of the birds' own recalibration was taken: 0 keeps the saved equation, 1 is
    /// least squares.
    pub share_taken: f64,
    /// Root mean square error of the equation before, on these birds.
    pub rmse_before: f64,
    /// That of birds left out, after.
    pub cross_validated_rmse: f64,
    /// Digest of the saved equation's text.
    pub equation_digest: String,
    /// Digest of the table of these birds.
    pub input_digest: String,
}

/// The scale on which the terms of an equation add up.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Scale {
    /// That of the response.
    #[default]
    Identity,
    /// Its natural logarithm; predictions are means, exp(x'b + s^2 / 2).
    Log,
}

/// Least and greatest value of a number in the rows that made the equation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Range {
    /// Name of the column.
    pub name: String,
    /// Its least value.
    pub least: f64,
    /// Its greatest value.
    pub greatest: f64,
}
