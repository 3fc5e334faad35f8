//! Does a saved equation hold for birds that it was not fitted to: those of another
//! laboratory, strain or trial?
//!
//! Each bird was scanned and analysed. The errors of the predictions (predicted minus observed)
//! give bias, limits of agreement, concordance, the calibration line and the share of birds
//! outside the equation's own prediction intervals; [`verdict`] judges by equivalence whether the
//! bias is small enough, and [`ranges`] for which masses and ages that is shown. A bird with
//! several scans counts once, by the mean of its scans. The equation is taken as it is: the error
//! of its coefficients is part of the bias that is judged.
//!
//! # Source
//! Steyerberg EW (2019) Clinical Prediction Models, 2nd edition, chapters 15 and 20 (validation
//! and updating); Bland JM, Altman DG (1999) Measuring agreement in method comparison studies,
//! Statistical Methods in Medical Research 8:135-160; Lin LI (1989) A concordance correlation
//! coefficient to evaluate reproducibility, Biometrics 45:255-268; Schuirmann DJ (1987), see
//! [`equivalence`](crate::stats::equivalence).

mod groups;
mod input;
mod quantities;
pub mod ranges;
pub mod verdict;

use std::collections::BTreeMap;

pub use groups::{GroupRow, GroupVerdict};
pub use quantities::{QuantityRow, Standing};
pub use ranges::HeldRange;
pub use verdict::{Recalibrated, Verdict};

use super::correction::AllowedStrains;
use super::equation::Equation;
use super::frame::Frame;
use super::pairs::{RowSelection, frame};
use super::provenance::ValidationRecord;
use super::quality::Kept;
use super::saved::digest;
use crate::error::{Error, ErrorKind, Result};
use crate::stats::mean;
use crate::study::{Feathers, Part, Study};

/// The error of the mean that is acceptable.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Acceptable {
    /// In the unit of the response.
    Absolute(f64),
    /// Percent of the mass.
    Percent(f64),
}

/// How an equation is tested.
#[derive(Debug, Clone, Default)]
pub struct ValidationOptions {
    /// Confidence of the intervals, such as 0.95.
    pub confidence: f64,
    /// The acceptable error by trait; that under the empty name is for all others. Where there
    /// is none, the equation's own error on birds left out.
    pub acceptable: BTreeMap<String, Acceptable>,
    /// Strains that the equation does not know, each with the strain that it is taken for.
    pub strains: AllowedStrains,
    /// Ways of scanning that the equation does not cover, to be judged as if it did.
    pub ways: Vec<String>,
}

/// One scan of an analysed bird (`validation_pairs`).
#[derive(Debug, Clone, PartialEq)]
pub struct PairRow {
    /// Row of the file.
    pub row: u32,
    /// Bird.
    pub bird: String,
    /// Strain; empty where not known.
    pub strain: String,
    /// Laboratory; empty where the table has no such column.
    pub laboratory: String,
    /// Age, d.
    pub age_d: Option<f64>,
    /// Scale weight, g.
    pub body_weight_g: Option<f64>,
    /// What chemistry found.
    pub observed: f64,
    /// What the equation predicts.
    pub predicted: f64,
    /// Standard error of the prediction for a new bird, own and equation's part together.
    pub std_error: Option<f64>,
    /// Lower end of the prediction interval.
    pub lower: Option<f64>,
    /// Upper end.
    pub upper: Option<f64>,
    /// What is unusual, in words.
    pub flags: Vec<String>,
    /// The equation's columns for this scan.
    pub design: Vec<f64>,
}

impl PairRow {
    /// Predicted minus observed.
    #[must_use]
    pub fn error(&self) -> f64 {
        self.predicted - self.observed
    }

    /// Whether the observed value lies outside the prediction interval.
    #[must_use]
    pub fn is_outside(&self) -> Option<bool> {
        Some(self.observed < self.lower? || self.observed > self.upper?)
    }
}

/// One bird: the mean of its scans.
#[derive(Debug, Clone, PartialEq)]
pub struct Tested {
    /// Bird.
    pub bird: String,
    /// Strain; empty where not known.
    pub strain: String,
    /// Laboratory; empty where the table has no such column.
    pub laboratory: String,
    /// Age, d; none where not known.
    pub age_d: Option<f64>,
    /// Scale weight, g.
    pub body_weight_g: Option<f64>,
    /// Observed.
    pub observed: f64,
    /// Predicted.
    pub predicted: f64,
    /// Standard error of the prediction of a new bird.
    pub std_error: Option<f64>,
    /// Whether the observed value lies outside the (mean) prediction interval.
    pub outside: Option<bool>,
    /// The equation's columns, means over the scans.
    pub design: Vec<f64>,
}

impl Tested {
    /// Predicted minus observed.
    #[must_use]
    pub fn error(&self) -> f64 {
        self.predicted - self.observed
    }
}

/// An equation tested on other birds.
#[derive(Debug, Clone)]
pub struct Validation {
    /// What the equation predicts.
    pub trait_name: String,
    /// Its unit: `g`, or `%`.
    pub unit: &'static str,
    /// The equation's name: its file.
    pub equation: String,
    /// The acceptable error at the mean mass of these birds, in the unit.
    pub acceptable: f64,
    /// Where the acceptable error comes from, in words.
    pub acceptable_from: String,
    /// Row by row.
    pub pairs: Vec<PairRow>,
    /// Bird by bird.
    pub birds: Vec<Tested>,
    /// The figures (`validation`).
    pub quantities: Vec<QuantityRow>,
    /// Errors by strain, age and mass (`validation_groups`).
    pub groups: Vec<GroupRow>,
    /// The verdict.
    pub verdict: Verdict,
    /// Why, in a sentence.
    pub reason: String,
    /// For which masses and ages it is shown.
    pub ranges: Vec<HeldRange>,
    /// Confidence of the intervals.
    pub confidence: f64,
    /// What should be known: one line each.
    pub warnings: Vec<String>,
}

impl Validation {
    /// The entry of this test in the equation's history; `input_digest` is that of its table.
    ///
    /// # Errors
    /// As [`Equation::to_toml`].
    pub fn record(&self, equation: &Equation, input_digest: &str) -> Result<ValidationRecord> {
        let ends = |values: &[f64]| {
            [
                values.iter().copied().fold(f64::INFINITY, f64::min),
                values.iter().copied().fold(f64::NEG_INFINITY, f64::max),
            ]
        };
        let observed: Vec<f64> = self.birds.iter().map(|bird| bird.observed).collect();
        let errors: Vec<f64> = self.birds.iter().map(Tested::error).collect();
        let squares: Vec<f64> = errors.iter().map(|error| error * error).collect();
        let ages: Option<Vec<f64>> = self.birds.iter().map(|bird| bird.age_d).collect();
        let mut strains: Vec<String> = self.birds.iter().map(|bird| bird.strain.clone()).collect();
        strains.retain(|strain| !strain.is_empty());
        strains.sort();
        strains.dedup();
        let bias = self.quantities.iter().find(|row| row.quantity == "bias");
        let interval = bias.and_then(|bias| bias.interval);
        Ok(ValidationRecord {
            verdict: self.verdict.words().to_owned(),
            birds: self.birds.len(),
            strains,
            ages_d: ages.map(|ages| ends(&ages)),
            masses: ends(&observed),
            bias: mean(&errors),
            bias_interval: interval.map(|interval| [interval.lower, interval.upper]),
            confidence: self.confidence,
            rmse: mean(&squares).sqrt(),
            acceptable_error: self.acceptable,
            equation_digest: digest(equation.to_toml()?.as_bytes()),
            input_digest: input_digest.to_owned(),
        })
    }
}

/// Tests an equation on a table of pairs: a row a scan of an analysed bird.
///
/// The table has a column for each name that the equation reads, the chemistry in `fat_chem` for
/// an equation of `fat`, and may have `laboratory`, `bird`, `strain`, `age`, `body_weight`, `feathers`, `part`,
/// `basis`, `way` and `restraint`.
///
/// # Errors
/// [`ErrorKind::Input`] with file, row and column for a column that the
/// equation needs and the table lacks, chemistry of another part or basis, masses in another
/// unit, a strain or way of scanning that the equation does not cover and that is not mapped,
/// and fewer than 3 birds; [`ErrorKind::Call`] where there is no
/// acceptable error.
pub fn validate(
    frame: &Frame,
    equation: &Equation,
    options: &ValidationOptions,
) -> Result<Validation> {
    let unit = &equation.provenance.unit;
    if !["g", "pct"].contains(&unit.as_str()) {
        return Err(Error::input(format!(
            "{}: found an equation in {unit}, expected one for a mass or a percentage: a density is tested by calibrate, by the error of birds left out",
            equation.label()
        )));
    }
    let read = input::read(frame, equation, options)?;
    let birds = input::by_bird(&read.pairs);
    if birds.len() < 3 {
        return Err(Error::input(format!(
            "{}: found {} with scan and {} chemistry, expected at least 3 to judge {} by; add birds",
            frame.file,
            match birds.len() {
                1 => "1 bird".to_owned(),
                n => format!("{n} birds"),
            },
            equation.provenance.response,
            equation.label(),
        )));
    }
    let limit = verdict::Limit::of(equation, options)?;
    let mut warnings = read.warnings;
    let judged = verdict::judge(&birds, &limit, options.confidence);
    let ranges = ranges::held(&birds, &limit, &judged.verdict);
    let groups = groups::groups(&birds, &limit, options.confidence);
    let quantities = quantities::quantities(&birds, &limit, &judged, options.confidence);
    warnings.extend(ranges::cautions(&birds, equation.label()));
    warnings.extend(groups::cautions(&groups, &judged.verdict, equation.label()));
    Ok(Validation {
        trait_name: equation.provenance.response.clone(),
        unit: if equation.provenance.unit == "pct" {
            "%"
        } else {
            "g"
        },
        equation: equation.label().to_owned(),
        acceptable: limit.at_mean(&birds),
        acceptable_from: limit.source,
        pairs: read.pairs,
        quantities,
        groups,
        verdict: judged.verdict,
        reason: judged.reason,
        ranges,
        confidence: options.confidence,
        warnings,
        birds,
    })
}

/// The birds that equations are tested on.
#[derive(Debug, Clone, Copy)]
pub enum Birds<'a> {
    /// A table of pairs, as [`validate`] takes it.
    Table(&'a Frame),
    /// The scanned and analysed birds of a study, by the scans that its rules keep.
    Study(&'a Study, &'a Kept),
}

/// Several equations tested on other birds.
#[derive(Debug, Clone)]
pub struct Validations {
    /// Each equation's test, in the order of the equations.
    pub tested: Vec<Validation>,
    /// Equations for something that was not analysed, a line each.
    pub skipped: Vec<String>,
}

/// Tests each equation on the same birds; of several equations, those for something that was
/// not analysed are skipped.
///
/// # Errors
/// As [`validate`], the faults of all equations at once; a study without scans or chemistry; no
/// equation that can be tested.
pub fn validate_all(
    birds: Birds<'_>,
    equations: &[Equation],
    options: &ValidationOptions,
) -> Result<Validations> {
    let mut all = Validations {
        tested: Vec::new(),
        skipped: Vec::new(),
    };
    let mut faults = Vec::new();
    for equation in equations {
        let own;
        let pairs = match birds {
            Birds::Table(frame) => frame,
            Birds::Study(study, kept) => {
                own = frame(study, kept, &wanted(study, equation))?;
                &own
            }
        };
        let response = input::response_column(pairs, equation);
        if equations.len() > 1 && !pairs.columns.contains_key(&response) {
            all.skipped.push(format!(
                "{}: not tested, since {} has no column {response}",
                equation.label(),
                pairs.file
            ));
            continue;
        }
        match validate(pairs, equation, options) {
            Ok(validation) => all.tested.push(validation),
            Err(error) if error.kind() == ErrorKind::Input => {
                faults.extend(error.messages().iter().cloned());
            }
            Err(error) => return Err(error),
        }
    }
    if !faults.is_empty() {
        return Err(Error::faults(faults));
    }
    if all.tested.is_empty() {
        return Err(Error::input(all.skipped.join("; ")));
    }
    Ok(all)
}

/// Rows of a study as the equation needs them.
fn wanted(study: &Study, equation: &Equation) -> RowSelection {
    let of = &equation.provenance;
    let mut parts = [Part::Whole, Part::Body, Part::Feathers].into_iter();
    RowSelection {
        feathers: match of.feathers.as_str() {
            "plucked" => Some(Feathers::Plucked),
            "term" => None,
            _ => Some(Feathers::Intact),
        },
        part: parts
            .find(|part| part.word() == of.part)
            .unwrap_or(Part::Body),
        allowed_strains: study.strains.clone(),
    }
}
