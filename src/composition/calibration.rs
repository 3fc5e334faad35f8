//! Which equation turns readings into chemistry, and how well does it predict a
//! bird that it has not seen?
//!
//! Each row is a scan of an analysed bird. The equation is fitted by least squares
//! (ordinary, weighted by a power of the mean, or robust); candidates are ranked
//! by the error of birds left out whole, beside AICc. Start at [`calibrate`];
//! the choice among candidates is in [`choice`](super::choice).

use super::PERCENTAGES;
use super::agreement::{AgreementRow, compare};
use super::complete::Complete;
use super::equation::Equation;
use super::formula::{Coding, Formula};
use super::frame::{Column, Frame};
use super::provenance::{Provenance, Range, Scale};
use super::regression::{Regression, Rows, regress};
use crate::error::{Error, Result};
use crate::stats::Failure;
use crate::stats::left_out::{CrossValidation, row_diagnostics};
use crate::study::Publication;

/// How the coefficients are found.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Weighting {
    /// All rows alike.
    #[default]
    Ordinary,
    /// Residual SD grows with a power of the prediction, estimated.
    PowerOfMean,
    /// Residual SD grows with a power of the column `feather_mass`, estimated: for
    /// effects of feathers, whose prediction may be negative.
    PowerOfFeatherMass,
    /// Rows far from the rest pull with a limited force (Huber).
    Robust,
}

/// The column that [`Weighting::PowerOfFeatherMass`] weights by.
const FEATHER_MASS: &str = "feather_mass";

impl Weighting {
    /// The word for it in saved equations.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Ordinary => "ordinary",
            Self::PowerOfMean => "power of the mean",
            Self::PowerOfFeatherMass => "power of the feather mass",
            Self::Robust => "robust",
        }
    }

    /// Columns that it needs beside those of the equation.
    pub(super) fn names(self) -> &'static [&'static str] {
        match self {
            Self::PowerOfFeatherMass => &[FEATHER_MASS],
            Self::Ordinary | Self::PowerOfMean | Self::Robust => &[],
        }
    }

    /// The same for these rows.
    pub(super) fn rows(self, frame: &Frame) -> Result<Rows<'_>> {
        Ok(match self {
            Self::Ordinary => Rows::Alike,
            Self::PowerOfMean => Rows::PowerOfMean,
            Self::PowerOfFeatherMass => Rows::PowerOf(frame.numbers(FEATHER_MASS)?),
            Self::Robust => Rows::Robust,
        })
    }
}

/// How an equation is fitted and judged.
#[derive(Debug, Clone)]
pub struct Settings {
    /// How the coefficients are found.
    pub weighting: Weighting,
    /// Column that names the bird; by default each row is a bird.
    pub bird: Option<String>,
    /// Column of readings that the chemistry is compared with before correction;
    /// `fat_scan` for the response `fat_chem` where left out and there.
    pub reading: Option<String>,
    /// Confidence of intervals.
    pub confidence: f64,
    /// Error variance of the prediction over that of the chemistry, for Deming's line.
    pub deming_ratio: f64,
    /// Scanner and its settings, in the user's words.
    pub scanner: String,
    /// Who made the equations, and how they may be used.
    pub publication: Publication,
    /// Digest of the input, for the saved equation.
    pub input_digest: String,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            weighting: Weighting::Ordinary,
            bird: None,
            reading: None,
            confidence: 0.95,
            deming_ratio: 1.0,
            scanner: String::new(),
            publication: Publication::default(),
            input_digest: String::new(),
        }
    }
}

/// A fitted equation and how good it is.
#[derive(Debug, Clone)]
pub struct Calibration {
    /// The equation, ready to be saved.
    pub equation: Equation,
    /// Its terms (`calibration_terms`).
    pub terms: Vec<TermRow>,
    /// Its rows (`calibration_rows`).
    pub rows: Vec<CalibrationRow>,
    /// Chemistry against reading before, against left-out prediction after.
    pub agreement: Vec<AgreementRow>,
    /// Errors of birds left out whole.
    pub cross_validation: CrossValidation,
    /// By how much the variances of the coefficients grew since several rows of one
    /// bird are alike; 1 where each bird has one row.
    pub cluster_correlation: f64,
    /// The regression behind it.
    pub(super) regression: Regression,
    /// Rows of the file that lack a value and were left out.
    pub incomplete: Vec<u32>,
    /// What should be known: one line each.
    pub warnings: Vec<String>,
}

impl Calibration {
    /// AICc of the equation on the rows it was fitted to; none for a robust fit, which has no
    /// likelihood.
    #[must_use]
    pub fn aicc(&self) -> Option<f64> {
        self.regression.aicc
    }
}

/// A term of an equation.
#[derive(Debug, Clone, PartialEq)]
pub struct TermRow {
    /// What the equation predicts.
    pub equation: String,
    /// The column, as [`Formula`] writes it.
    pub term: String,
    /// Coefficient.
    pub estimate: f64,
    /// Its standard error.
    pub std_error: f64,
    /// Lower end of its interval.
    pub lower: f64,
    /// Upper end.
    pub upper: f64,
    /// Variance inflation factor, where it exists.
    pub vif: Option<f64>,
}

/// An equation's unit as tables show it: `%` for `pct`.
#[must_use]
pub fn shown_unit(unit: &str) -> String {
    if unit == "pct" { "%" } else { unit }.to_owned()
}

/// A row that an equation was fitted to.
#[derive(Debug, Clone, PartialEq)]
pub struct CalibrationRow {
    /// What the equation predicts.
    pub equation: String,
    /// Row of the file.
    pub row: u32,
    /// Bird.
    pub bird: String,
    /// Chemistry.
    pub observed: f64,
    /// Prediction of the equation.
    pub fitted: f64,
    /// Leverage.
    pub leverage: f64,
    /// Cook's distance.
    pub cooks_distance: Option<f64>,
    /// Externally studentised residual.
    pub studentised: Option<f64>,
    /// Observed minus predicted by the equation without this bird.
    pub left_out_error: Option<f64>,
    /// Unit of observed, fitted and error: `g`, `%`, or that of a density.
    pub unit: String,
}

/// A regression that cannot be done, as an error.
pub(super) fn failed(file: &str, what: &str, failure: &Failure) -> Error {
    Error::input(format!("{file}, equation for {what}: {failure}"))
}

/// Fits an equation for `response` and assesses it.
///
/// `response` may be `log(NAME)`: the terms then add up on the logarithmic scale.
///
/// # Errors
/// [`ErrorKind::Call`](crate::ErrorKind::Call) for a name that is no column or a
/// formula that means nothing; [`ErrorKind::Input`](crate::ErrorKind::Input) for
/// too few birds, collinear terms (by name), and scans with and without feathers
/// mixed without a term for it.
pub fn calibrate(
    frame: &Frame,
    response: &str,
    formula: &Formula,
    settings: &Settings,
) -> Result<Calibration> {
    let mut names = formula.names();
    names.extend(settings.weighting.names());
    let complete = Complete::of(frame, response, &names, settings.bird.as_deref())?;
    let coding = formula.coding(&complete.frame)?;
    complete.check_birds(coding.columns.len())?;
    let design = complete.design(&coding.columns)?;
    let wrong = |failure: Failure| failed(&frame.file, response, &failure);
    let regression = regress(
        design,
        &complete.response,
        &complete.birds,
        settings.weighting.rows(&complete.frame)?,
    )
    .map_err(wrong)?;
    let equation = equation(&complete, coding, response, &regression, settings)?;
    let name = trait_of(response);
    let left_out = left_out_on_response(&complete, &regression);
    let cross_validation = CrossValidation::of(&left_out);
    let mut warnings = Vec::new();
    if equation.provenance.unit == "pct" {
        warnings.push(format!("{response}: {PERCENTAGES}"));
    }
    if cross_validation.unpredictable > 0 {
        warnings.push(format!(
            "{response}: {} of {} rows are of a bird without which the equation cannot be fitted; they have no left-out error",
            cross_validation.unpredictable,
            complete.frame.n()
        ));
    }
    let unit = shown_unit(&equation.provenance.unit);
    let terms = term_rows(&name, &regression, settings.confidence).map_err(wrong)?;
    warnings.extend(inflated(&name, &terms));
    Ok(Calibration {
        terms,
        rows: calibration_rows((&name, &unit), &complete, &regression, &left_out),
        agreement: agreement_rows((&name, &unit), response, &complete, &left_out, settings)?,
        cross_validation,
        cluster_correlation: regression.cluster_correlation,
        incomplete: complete.incomplete,
        equation: Equation {
            provenance: Provenance {
                cross_validated_rmse: cross_validation.rmse,
                ..equation.provenance
            },
            ..equation
        },
        regression,
        warnings,
    })
}

/// Left-out errors in the response's own unit.
pub(super) fn left_out_on_response(
    complete: &Complete,
    regression: &Regression,
) -> Vec<Option<f64>> {
    let half_variance = regression.sigma * regression.sigma / 2.0;
    let errors = regression.left_out.iter().enumerate().map(|(row, error)| {
        let error = (*error)?;
        Some(match complete.scale {
            Scale::Identity => error,
            Scale::Log => {
                complete.observed[row] - (complete.response[row] - error + half_variance).exp()
            }
        })
    });
    errors.collect()
}

/// The trait that a response is of: `fat` for `fat_chem`.
#[must_use]
pub fn trait_of(response: &str) -> String {
    let inside = response
        .strip_prefix("log(")
        .and_then(|rest| rest.strip_suffix(')'));
    let name = inside.unwrap_or(response);
    name.strip_suffix("_chem").unwrap_or(name).to_owned()
}

/// The equation of a regression, with what it holds for.
pub(super) fn equation(
    complete: &Complete,
    coding: Coding,
    response: &str,
    regression: &Regression,
    settings: &Settings,
) -> Result<Equation> {
    let frame = &complete.frame;
    let range = |name: &String| {
        let numbers = frame.numbers(name).unwrap_or_default();
        Range {
            name: name.clone(),
            least: numbers.iter().copied().fold(f64::INFINITY, f64::min),
            greatest: numbers.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        }
    };
    // Age and body weight bound what the equation holds for even where they are no term.
    let mut bounded = coding.numbers.clone();
    for name in ["age", "body_weight"] {
        let complete_column = frame
            .numbers(name)
            .is_ok_and(|numbers| numbers.iter().all(|number| number.is_finite()));
        if !bounded.iter().any(|known| known == name) && complete_column {
            bounded.push(name.to_owned());
        }
    }
    Ok(Equation {
        provenance: Provenance {
            response: trait_of(response),
            unit: frame.unit_of(response),
            scale: complete.scale,
            feathers: feathers(frame, &coding)?,
            part: only(frame, "part"),
            basis: only(frame, "basis"),
            method: settings.weighting.word().to_owned(),
            rows: frame.n(),
            birds: complete.bird_names.len(),
            strains: words(frame, "strain"),
            ways: ways(frame),
            residual_variance: Some(regression.sigma * regression.sigma),
            variance_power: regression.power,
            variance_of: settings
                .weighting
                .names()
                .first()
                .map(|name| (*name).to_owned()),
            residual_df: Some(regression.df),
            scanner: settings.scanner.clone(),
            publication: settings.publication.clone(),
            input_digest: settings.input_digest.clone(),
            factors: coding.factors,
            ranges: bounded.iter().map(range).collect(),
            ..Provenance::default()
        },
        columns: coding.columns,
        coefficients: regression.coefficients.clone(),
        covariance: Some(regression.covariance.clone()),
        companions: Vec::new(),
        file: String::new(),
    })
}

/// Distinct words of a column, sorted; none where there is no such column.
fn words(frame: &Frame, name: &str) -> Vec<String> {
    let mut words: Vec<String> = (0..frame.n()).map(|row| frame.label(name, row)).collect();
    words.retain(|word| !word.is_empty());
    words.sort();
    words.dedup();
    words
}

/// The one word of a column, in lower case; empty where there are several or none.
fn only(frame: &Frame, name: &str) -> String {
    match words(frame, name).as_slice() {
        [one] => one.to_lowercase(),
        _ => String::new(),
    }
}

/// Ways of scanning of the rows, the most frequent first; restraints where
/// the frame has nothing else.
fn ways(frame: &Frame) -> Vec<String> {
    let column = ["way", "restraint"]
        .into_iter()
        .find(|name| matches!(frame.columns.get(*name), Some(Column::Words(_))));
    let Some(column) = column else {
        return Vec::new();
    };
    let count = |way: &String| {
        let labels = (0..frame.n()).map(|row| frame.label(column, row));
        labels.filter(|label| label == way).count()
    };
    let mut ways = words(frame, column);
    ways.sort_by_key(|way| std::cmp::Reverse(count(way)));
    ways
}

/// Feathers on the birds that the rows are of.
fn feathers(frame: &Frame, coding: &Coding) -> Result<String> {
    if coding
        .factors
        .iter()
        .any(|levels| levels.name == "feathers")
    {
        return Ok("term".to_owned());
    }
    let states = match frame.columns.get("feathers") {
        Some(Column::Words(_)) => words(frame, "feathers"),
        _ => Vec::new(),
    };
    match states.as_slice() {
        [] => Ok("unknown".to_owned()),
        [one] => Ok(one.clone()),
        _ => Err(Error::input(format!(
            "{}, column feathers: found {} scans together, expected one kind; name feathers as a term or use one kind only",
            frame.file,
            states.join(" and ")
        ))),
    }
}

/// A variance inflation factor above this makes a coefficient unfit to be read by itself
/// (common practice: 10, Kutner et al. 2005, *Applied Linear Statistical Models*, 10.5).
pub(super) const GREAT_INFLATION: f64 = 10.0;

/// The terms whose variance the other terms inflate, in one line.
fn inflated(name: &str, terms: &[TermRow]) -> Option<String> {
    let terms: Vec<String> = terms
        .iter()
        .filter_map(|row| Some((row, row.vif.filter(|vif| *vif > GREAT_INFLATION)?)))
        .map(|(row, vif)| format!("{} ({vif:.0})", row.term))
        .collect();
    (!terms.is_empty()).then(|| {
        format!(
            "{name}: variance inflation factors above {GREAT_INFLATION:.0} ({}): these terms nearly repeat each other, so their coefficients cannot be interpreted one by one; predictions within the calibrated range are not affected",
            terms.join(", ")
        )
    })
}

fn term_rows(
    name: &str,
    regression: &Regression,
    confidence: f64,
) -> std::result::Result<Vec<TermRow>, Failure> {
    let intervals = regression.intervals(confidence)?;
    let inflation = regression.linear.variance_inflation();
    let rows = regression
        .linear
        .names
        .iter()
        .enumerate()
        .map(|(j, term)| TermRow {
            equation: name.to_owned(),
            term: term.clone(),
            estimate: regression.coefficients[j],
            std_error: regression.standard_errors[j],
            lower: intervals[j].lower,
            upper: intervals[j].upper,
            vif: inflation[j],
        });
    Ok(rows.collect())
}

fn calibration_rows(
    (name, unit): (&str, &str),
    complete: &Complete,
    regression: &Regression,
    left_out: &[Option<f64>],
) -> Vec<CalibrationRow> {
    let half_variance = regression.sigma * regression.sigma / 2.0;
    let diagnostics = row_diagnostics(&regression.linear);
    let rows = diagnostics.iter().enumerate().map(|(row, diagnostic)| {
        let fitted = complete.response[row] - regression.residuals[row];
        CalibrationRow {
            equation: name.to_owned(),
            row: complete.frame.rows[row],
            bird: complete.bird_names[complete.birds[row]].clone(),
            observed: complete.observed[row],
            fitted: match complete.scale {
                Scale::Identity => fitted,
                Scale::Log => (fitted + half_variance).exp(),
            },
            leverage: diagnostic.leverage,
            cooks_distance: diagnostic.cooks_distance,
            studentised: diagnostic.studentised_externally,
            left_out_error: left_out[row],
            unit: unit.to_owned(),
        }
    });
    rows.collect()
}

fn agreement_rows(
    (name, unit): (&str, &str),
    response: &str,
    complete: &Complete,
    left_out: &[Option<f64>],
    settings: &Settings,
) -> Result<Vec<AgreementRow>> {
    let mut rows = Vec::new();
    let usual = format!("{name}_scan");
    let reading = settings
        .reading
        .clone()
        .or_else(|| complete.frame.columns.contains_key(&usual).then_some(usual));
    let wrong = |failure: Failure| failed(&complete.frame.file, response, &failure);
    if let Some(reading) = reading {
        let readings = complete.frame.numbers(&reading)?;
        let pairs = complete
            .observed
            .iter()
            .zip(readings)
            .filter(|(_, reading)| reading.is_finite());
        let (chemistry, readings): (Vec<f64>, Vec<f64>) = pairs.unzip();
        if chemistry.len() > 1 {
            rows.push(
                compare(
                    name,
                    "before",
                    &chemistry,
                    &readings,
                    settings.deming_ratio,
                    settings.confidence,
                )
                .map_err(wrong)?,
            );
        }
    }
    let predicted = complete
        .observed
        .iter()
        .zip(left_out)
        .filter_map(|(observed, error)| Some((*observed, observed - (*error)?)));
    let (chemistry, predicted): (Vec<f64>, Vec<f64>) = predicted.unzip();
    if chemistry.len() > 1 {
        rows.push(
            compare(
                name,
                "after",
                &chemistry,
                &predicted,
                settings.deming_ratio,
                settings.confidence,
            )
            .map_err(wrong)?,
        );
    }
    for row in &mut rows {
        unit.clone_into(&mut row.unit);
    }
    Ok(rows)
}
