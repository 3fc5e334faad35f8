//! Which of several equations predicts best the birds that it has not seen?

use rayon::prelude::*;

use super::calibration::{GREAT_INFLATION, Settings, failed, left_out_on_response, shown_unit};
use super::complete::Complete;
use super::formula::Formula;
use super::frame::Frame;
use super::regression::regress;
use crate::error::{Error, Result};
use crate::stats::left_out::CrossValidation;

/// A candidate equation among others.
#[derive(Debug, Clone, PartialEq)]
pub struct ChoiceRow {
    /// Its terms.
    pub candidate: String,
    /// Rows, the same for all candidates.
    pub n: usize,
    /// Coefficients.
    pub coefficients: Option<usize>,
    /// Residual SD of the rows that it was fitted to, in the unit of the prediction (of its
    /// logarithm where that is predicted).
    pub rmse: Option<f64>,
    /// Root mean square error of birds left out whole.
    pub cross_validated_rmse: Option<f64>,
    /// AICc; none for a robust fit, which has no likelihood.
    pub aicc: Option<f64>,
    /// Greatest variance inflation factor of its terms.
    pub greatest_vif: Option<f64>,
    /// Unit of the errors: `g`, `%`, or that of a density.
    pub unit: String,
    /// Why there are no numbers, or which birds could not be left out.
    pub note: String,
}

impl ChoiceRow {
    /// Whether its terms nearly repeat each other; none where that is not known.
    #[must_use]
    pub fn is_collinear(&self) -> Option<bool> {
        self.greatest_vif.map(|vif| vif > GREAT_INFLATION)
    }
}

/// The candidates and which one predicts best.
#[derive(Debug, Clone)]
pub struct Choice {
    /// All candidates, best prediction first.
    pub rows: Vec<ChoiceRow>,
    /// The formula that predicts left-out birds best.
    pub best: Formula,
    /// Where AICc prefers another: one line on it.
    pub remark: Option<String>,
}

/// Fits every candidate to the same rows and ranks them by the error of birds left
/// out whole.
///
/// # Errors
/// As [`calibrate`](super::calibration::calibrate) where not even one candidate can be fitted.
pub fn choose(
    frame: &Frame,
    response: &str,
    candidates: &[Formula],
    settings: &Settings,
) -> Result<Choice> {
    let mut names: Vec<&str> = candidates.iter().flat_map(Formula::names).collect();
    names.extend(settings.weighting.names());
    names.sort_unstable();
    names.dedup();
    let complete = Complete::of(frame, response, &names, settings.bird.as_deref())?;
    let mut tried: Vec<(Formula, ChoiceRow)> = Vec::new();
    // Of several errors that of the shortest formula: it requires the least.
    let mut least_error: Option<(usize, Error)> = None;
    let found: Vec<Result<ChoiceRow>> = candidates
        .par_iter()
        .map(|formula| candidate(&complete, response, formula, settings))
        .collect();
    for (formula, row) in candidates.iter().zip(found) {
        let row = row.unwrap_or_else(|error| {
            let note = error.to_string();
            let terms = formula.names().len();
            if least_error.as_ref().is_none_or(|(least, _)| terms < *least) {
                least_error = Some((terms, error));
            }
            ChoiceRow {
                candidate: formula.to_string(),
                n: complete.frame.n(),
                coefficients: None,
                rmse: None,
                cross_validated_rmse: None,
                aicc: None,
                greatest_vif: None,
                unit: shown_unit(&complete.frame.unit_of(response)),
                note,
            }
        });
        tried.push((formula.clone(), row));
    }
    // A candidate that cannot predict every bird is not ranked before one that can.
    let key = |row: &ChoiceRow| {
        (
            !row.note.is_empty(),
            row.cross_validated_rmse.unwrap_or(f64::INFINITY),
        )
    };
    tried.sort_by(|a, b| {
        let (a, b) = (key(&a.1), key(&b.1));
        a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
    });
    let by_aicc = tried
        .iter()
        .filter(|(_, row)| row.aicc.is_some())
        .min_by(|a, b| {
            a.1.aicc
                .unwrap_or(f64::INFINITY)
                .total_cmp(&b.1.aicc.unwrap_or(f64::INFINITY))
        });
    let best = tried
        .iter()
        .find(|(_, row)| row.cross_validated_rmse.is_some());
    let Some((best, _)) = best else {
        return Err(least_error.map(|(_, error)| error).unwrap_or_else(|| {
            Error::call(format!(
                "{response}: found no candidate equation, expected at least one; name its terms"
            ))
        }));
    };
    let best = best.clone();
    let remark = by_aicc
        .filter(|(formula, _)| *formula != best)
        .map(|(formula, _)| {
            format!(
                "{response}: {best} predicts left-out birds best, {formula} has the lowest AICc"
            )
        });
    Ok(Choice {
        rows: tried.into_iter().map(|(_, row)| row).collect(),
        best,
        remark,
    })
}

fn candidate(
    complete: &Complete,
    response: &str,
    formula: &Formula,
    settings: &Settings,
) -> Result<ChoiceRow> {
    let coding = formula.coding(&complete.frame)?;
    complete.check_birds(coding.columns.len())?;
    let design = complete.design(&coding.columns)?;
    let regression = regress(
        design,
        &complete.response,
        &complete.birds,
        settings.weighting.rows(&complete.frame)?,
    )
    .map_err(|failure| failed(&complete.frame.file, response, &failure))?;
    let left_out = left_out_on_response(complete, &regression);
    let cross_validation = CrossValidation::of(&left_out);
    Ok(ChoiceRow {
        unit: shown_unit(&complete.frame.unit_of(response)),
        candidate: formula.to_string(),
        n: complete.frame.n(),
        coefficients: Some(coding.columns.len()),
        rmse: Some(regression.residual_sd()),
        cross_validated_rmse: cross_validation.rmse,
        aicc: regression.aicc,
        greatest_vif: regression
            .linear
            .variance_inflation()
            .iter()
            .flatten()
            .copied()
            .max_by(f64::total_cmp),
        note: match cross_validation.unpredictable {
            0 => String::new(),
            n => format!("{n} rows are of a bird without which it cannot be fitted"),
        },
    })
}
