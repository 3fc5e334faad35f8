//! Settings under `[calibration]` in `study.toml`.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::chemistry::Part;

/// How `calibrate` finds the correction equations of a study.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CalibrationSettings {
    /// Candidate equations of each response (`fat_chem`, ...): lists of terms as
    /// `fat_scan,lean_scan,age`. The usual candidates where none is named.
    pub terms: BTreeMap<String, Vec<String>>,
    /// Traits to be calibrated where no terms are named: those that the scanner reads and the
    /// chemistry has (fat, lean and bone as a rule) where left out; `water` and `protein` need
    /// no reading of their own.
    pub traits: Vec<String>,
    /// How rows are weighted.
    pub weighting: RowWeighting,
    /// The part whose masses the readings are to predict: the body without feathers
    /// where it was analysed, else the whole bird.
    pub part: Option<Part>,
    /// Strains that may be scanned without chemistry, each with the strain that it
    /// is taken for.
    pub allowed_strains: BTreeMap<String, String>,
    /// Ways of scanning (`sling`, `crate of 3 birds`) whose readings are to be corrected
    /// as if the calibration scans had been made so.
    pub allowed_ways: Vec<String>,
    /// Scanner and its settings, in the user's words, for the saved equations.
    pub scanner: String,
    /// Who made the equations, when, and how they may be used, for the saved equations.
    pub publication: Publication,
}

/// The origin of a saved equation beside the birds; blank where not given.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Publication {
    /// Who made it.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub authors: String,
    /// When the birds were scanned and analysed, or the equation was published.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub date: String,
    /// Version of the scanner's software.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub scanner_software: String,
    /// How the carcasses were analysed.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub chemistry_method: String,
    /// Licence under which it may be used.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub licence: String,
    /// DOI of the publication.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub doi: String,
}

impl Publication {
    /// Whether nothing is given.
    #[must_use]
    pub fn is_blank(&self) -> bool {
        *self == Self::default()
    }
}

/// How the rows of a calibration are weighted.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum RowWeighting {
    /// All alike.
    #[default]
    Ordinary,
    /// Residual SD grows with a power of the prediction.
    Power,
    /// Rows far from the rest pull with a limited force.
    Huber,
}
