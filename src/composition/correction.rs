//! What does a saved equation say of every scan of a study, and how sure is it?
//!
//! Each corrected value carries two errors: its own (a new bird about the
//! equation; for a scan of k birds the mean of k) and the shared one that comes
//! from the equation, x'Vx. Two scans i and j have the covariance `x_i' V x_j` in
//! common ([`Corrections::shared_covariance`]), since an error in the equation
//! moves all birds together; [`Corrections::redraw`] draws it anew for all scans at once.

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::DMatrix;

use super::PERCENTAGES;
use super::equation::Equation;
use super::formula::Gap;
use super::frame::Value;
use super::pairs::{lookup, regions, strain_of};
use super::quality::{Kept, RejectedScan, bird_names, rejected};
use crate::error::{Error, Result};
use crate::stats::Interval;
use crate::stats::distribution::{normal_quantile, t_two_sided_quantile};
use crate::study::{Feathers, Scan, Study, WHOLE, position};

/// One corrected scan (`corrected`).
#[derive(Debug, Clone, PartialEq)]
pub struct Corrected {
    /// Index into [`Study::scans`].
    pub index: usize,
    /// Scan's name.
    pub scan: String,
    /// Its birds, joined by `+`.
    pub bird: String,
    /// Their strain; empty where they are of several.
    pub strain: String,
    /// Age, d.
    pub age_d: f64,
    /// Birds in the scan: the weight of this mean in a strain's curve.
    pub birds_in_scan: usize,
    /// The scanner's reading of the trait, g per bird, where it has one.
    pub reading: Option<f64>,
    /// Corrected value, g per bird; not cut at zero.
    pub corrected: f64,
    /// Standard error for a new bird: own and shared together; none where the
    /// equation's residual variance is not known.
    pub std_error: Option<f64>,
    /// The bird's own part of it.
    pub own_error: Option<f64>,
    /// The part that comes from the equation and is shared by all scans; none
    /// where the equation's covariance is not known.
    pub shared_error: Option<f64>,
    /// Corrected value, percent of the scale weight (which is taken as exact).
    pub percent: Option<f64>,
    /// Standard error of that.
    pub percent_std_error: Option<f64>,
    /// What is unusual about this value, in words.
    pub flags: Vec<String>,
    /// Row of the scans table.
    pub row: u32,
    /// The equation's columns for this scan.
    pub design: Vec<f64>,
}

/// All scans of a study corrected by one equation.
#[derive(Debug, Clone)]
pub struct Corrections {
    /// The trait that was corrected.
    pub trait_name: String,
    /// The equation.
    pub equation: Equation,
    /// Corrected scans, in the order of the table.
    pub rows: Vec<Corrected>,
    /// Scans that the equation is not for, each with its reason.
    pub rejected: Vec<RejectedScan>,
    /// What should be known: one line each.
    pub warnings: Vec<String>,
}

/// What turns a scan into chemistry: an equation, or equations in a row.
pub trait Corrector {
    /// What it holds for, its coefficients and their covariance.
    fn equation(&self) -> &Equation;

    /// What it says of a scan, given what stands under each name.
    ///
    /// # Errors
    /// [`Gap`] with the name that has no value.
    fn predict<'a>(
        &self,
        lookup: impl Fn(&str) -> Option<Value<'a>>,
    ) -> std::result::Result<Prediction, Gap>;
}

/// What a corrector says of one scan.
#[derive(Debug, Clone, PartialEq)]
pub struct Prediction {
    /// Corrected value.
    pub value: f64,
    /// Variance of one bird about it; none where it is not known.
    pub own_variance: Option<f64>,
    /// The row x of the corrector's columns, of which value is x'b.
    pub design: Vec<f64>,
}

impl Corrector for Equation {
    fn equation(&self) -> &Equation {
        self
    }

    fn predict<'a>(
        &self,
        lookup: impl Fn(&str) -> Option<Value<'a>>,
    ) -> std::result::Result<Prediction, Gap> {
        let design = self.row(lookup)?;
        let value = self.value(&design);
        Ok(Prediction {
            value,
            own_variance: self.own_variance(value),
            design,
        })
    }
}

/// Strains that an equation does not know, by name, each with the strain of the
/// equation that it is to be taken for. The second name does not matter for an
/// equation without a term for strain.
pub type AllowedStrains = BTreeMap<String, String>;

/// Applies an equation to the kept scans of the whole body.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) with file and row where the
/// equation reads something that the study lacks, is for plucked birds and a scan
/// is not of one, or does not know a strain that is not allowed by name. All
/// faults are told at once; nothing is corrected then.
pub fn correct(
    study: &Study,
    kept: &Kept,
    corrector: &impl Corrector,
    allowed: &AllowedStrains,
) -> Result<Corrections> {
    let equation = corrector.equation();
    let mut corrections = Corrections {
        trait_name: equation.provenance.response.clone(),
        equation: equation.clone(),
        rows: Vec::new(),
        rejected: Vec::new(),
        warnings: warnings(equation),
    };
    let regions = regions(study, kept);
    let mut faults = BTreeSet::new();
    for &index in &kept.scans {
        let scan = &study.scans.rows[index];
        if scan.region != WHOLE {
            continue;
        }
        match feathers_fit(equation, scan) {
            FeathersFit::Yes => {}
            FeathersFit::LeaveOut(reason) => {
                corrections.rejected.push(rejected(study, scan, reason));
                continue;
            }
            FeathersFit::Refuse => {
                faults.insert((
                    scan.row,
                    format!(
                        "column feathers: found a scan {}, expected plucked birds as {} needs; use an equation for intact birds",
                        match scan.feathers {
                            Feathers::Intact => "with feathers",
                            _ => "that does not say whether the bird was plucked",
                        },
                        equation.label()
                    ),
                ));
                continue;
            }
        }
        let parts = regions.get(&position(scan)).map_or(&[][..], Vec::as_slice);
        match one(study, index, corrector, allowed, parts) {
            Ok(row) => corrections.rows.push(row),
            Err(Stop::Fault(text)) => {
                faults.insert((scan.row, text));
            }
            Err(Stop::LeaveOut(reason)) => corrections.rejected.push(rejected(study, scan, reason)),
        }
    }
    if !faults.is_empty() {
        return Err(Error::faults(told(&study.scans.file, &faults)));
    }
    if let ([], [first, ..]) = (corrections.rows.as_slice(), corrections.rejected.as_slice()) {
        return Err(Error::input(format!(
            "{}, row {}: found no scan that {} can be applied to ({}), expected at least one; check the columns of the table and the equation's terms ({})",
            study.scans.file,
            first.row,
            equation.label(),
            first.reason,
            equation.names().join(", ")
        )));
    }
    Ok(corrections)
}

/// Each different fault at its first row, with the number of rows that share it.
fn told(file: &str, faults: &BTreeSet<(u32, String)>) -> Vec<String> {
    let mut rows: BTreeMap<&str, (u32, usize)> = BTreeMap::new();
    for (row, text) in faults {
        rows.entry(text).or_insert((*row, 0)).1 += 1;
    }
    let mut lines: Vec<(u32, String)> = rows
        .into_iter()
        .map(|(text, (row, count))| {
            let more = if count > 1 {
                format!(" (and {} more rows)", count - 1)
            } else {
                String::new()
            };
            (row, format!("{file}, row {row}{more}, {text}"))
        })
        .collect();
    lines.sort();
    lines.into_iter().map(|(_, line)| line).collect()
}

fn warnings(equation: &Equation) -> Vec<String> {
    let label = equation.label();
    let mut warnings = Vec::new();
    if equation.provenance.unit == "pct" {
        warnings.push(format!("{label}: {PERCENTAGES}"));
    }
    if equation.covariance.is_none() {
        warnings.push(format!(
            "{label}: the covariance of its coefficients is not known, so the standard errors lack the part that all birds share"
        ));
    }
    if equation.provenance.residual_variance.is_none() {
        warnings.push(format!(
            "{label}: its residual variance is not known, so there are no standard errors"
        ));
    }
    warnings
}

enum FeathersFit {
    Yes,
    LeaveOut(String),
    Refuse,
}

/// A plucked carcass is simply not what an equation for live birds is for; a
/// feathered bird under an equation for plucked ones would be misread in silence.
fn feathers_fit(equation: &Equation, scan: &Scan) -> FeathersFit {
    match (equation.provenance.feathers.as_str(), scan.feathers) {
        ("plucked", Feathers::Plucked) => FeathersFit::Yes,
        ("plucked", _) => FeathersFit::Refuse,
        ("intact", Feathers::Plucked) => {
            FeathersFit::LeaveOut("a plucked bird, and the equation is for intact ones".to_owned())
        }
        _ => FeathersFit::Yes,
    }
}

enum Stop {
    Fault(String),
    LeaveOut(String),
}

fn one(
    study: &Study,
    index: usize,
    corrector: &impl Corrector,
    allowed: &AllowedStrains,
    parts: &[&Scan],
) -> std::result::Result<Corrected, Stop> {
    let scan = &study.scans.rows[index];
    let equation = corrector.equation();
    let mut flags = Vec::new();
    let strain = strain_under(study, scan, equation, allowed, &mut flags)?;
    let name_of = |name: &str| match name {
        "strain" => strain.map(Value::Word),
        _ => lookup(study, scan, parts, name),
    };
    let Prediction {
        value: corrected,
        own_variance,
        design,
    } = corrector
        .predict(name_of)
        .map_err(|gap| missing(equation, &gap))?;
    if !corrected.is_finite() {
        return Err(Stop::Fault(format!(
            "found a corrected value that is no number, expected one; check the readings and {}",
            equation.label()
        )));
    }
    unusual(equation, scan, corrected, &name_of, &mut flags);
    let birds = scan.birds_in_scan() as f64;
    let own = own_variance.map(|variance| variance / birds);
    let shared = equation.shared_covariance(&design, &design);
    // Rounding may leave a variance of -1e-20.
    let root = |variance: f64| variance.max(0.0).sqrt();
    let std_error = own.map(|own| root(own + shared.unwrap_or(0.0)));
    let grams = equation.provenance.unit == "g" && scan.scale_weight_g > 0.0;
    let percent = |value: f64| grams.then(|| 100.0 * value / scan.scale_weight_g);
    let reading = match name_of(&format!("{}_scan", equation.provenance.response)) {
        Some(Value::Number(reading)) => Some(reading),
        _ => None,
    };
    Ok(Corrected {
        index,
        scan: scan.name.clone(),
        bird: bird_names(study, scan),
        strain: strain_of(study, scan).unwrap_or_default().to_owned(),
        age_d: scan.age_d,
        birds_in_scan: scan.birds_in_scan(),
        reading,
        corrected,
        std_error,
        own_error: own.map(root),
        shared_error: shared.map(root),
        percent: percent(corrected),
        percent_std_error: std_error.and_then(percent),
        flags,
        row: scan.row,
        design,
    })
}

/// The strain under which the equation knows the scan's birds.
fn strain_under<'a>(
    study: &'a Study,
    scan: &Scan,
    equation: &Equation,
    allowed: &'a AllowedStrains,
    flags: &mut Vec<String>,
) -> std::result::Result<Option<&'a str>, Stop> {
    let term = equation
        .provenance
        .factors
        .iter()
        .find(|levels| levels.name == "strain");
    let Some(strain) = strain_of(study, scan) else {
        return match term {
            Some(_) => Err(Stop::LeaveOut(
                "birds of several strains, and the equation has a term for strain".to_owned(),
            )),
            None => Ok(None),
        };
    };
    let strains = &equation.provenance.strains;
    let known = |name: &str| match term {
        Some(levels) => levels.levels.iter().any(|level| level == name),
        // An equation that does not say of which strains it is cannot refuse one.
        None => strains.is_empty() || strains.iter().any(|level| level == name),
    };
    if known(strain) {
        return Ok(Some(strain));
    }
    let list = term.map_or(strains, |levels| &levels.levels).join(", ");
    match (allowed.get(strain), term) {
        (Some(taken_for), Some(_)) if known(taken_for) => {
            flags.push(format!(
                "strain {strain} is not in the equation, taken for {taken_for}"
            ));
            Ok(Some(taken_for))
        }
        (Some(_), None) => {
            flags.push(format!("strain {strain} is not in the equation"));
            Ok(Some(strain))
        }
        (Some(taken_for), Some(_)) => Err(Stop::Fault(format!(
            "column bird: found strain {strain} allowed as \"{taken_for}\", expected a strain of {} ({list}); correct the name",
            equation.label()
        ))),
        (None, _) => Err(Stop::Fault(format!(
            "column bird: found strain {strain}, expected one of {} ({list}); calibrate with birds of that strain, or allow it by name",
            equation.label()
        ))),
    }
}

/// A value that a scan lacks: its own gap leaves it out, a gap of the study is a fault.
fn missing(equation: &Equation, gap: &Gap) -> Stop {
    let name = match gap {
        Gap::Missing(name) | Gap::NotPositive(name) => name,
    };
    let of_scan = ["age", "body_weight", "strain", "feathers", "restraint"]
        .contains(&name.as_str())
        || name.ends_with("_scan");
    if of_scan {
        return Stop::LeaveOut(match gap {
            Gap::Missing(_) => format!("no value of {name}, which the equation needs"),
            Gap::NotPositive(_) => {
                format!("{name} is not above 0, and the equation takes its logarithm")
            }
        });
    }
    Stop::Fault(format!(
        "column {name}: found no such value in the study, expected it as {} needs it; use an equation of readings, body_weight, age, strain and feathers",
        equation.label()
    ))
}

/// What is unusual about a corrected value, in words.
fn unusual<'a>(
    equation: &Equation,
    scan: &Scan,
    corrected: f64,
    name_of: &impl Fn(&str) -> Option<Value<'a>>,
    flags: &mut Vec<String>,
) {
    for range in &equation.provenance.ranges {
        let Some(Value::Number(value)) = name_of(&range.name) else {
            continue;
        };
        let beyond = if value < range.least {
            "below"
        } else {
            "above"
        };
        if value < range.least || value > range.greatest {
            flags.push(format!(
                "{} {value:.4} is {beyond} the calibrated range {:.4} to {:.4}",
                range.name, range.least, range.greatest
            ));
        }
    }
    if corrected < 0.0 {
        flags.push("negative after correction".to_owned());
    }
    if equation.provenance.feathers == "intact" && scan.feathers == Feathers::Unknown {
        flags.push("feathers not stated, taken for intact".to_owned());
    }
    let egg = scan.marks.iter().any(|mark| mark == "egg");
    if egg && ["lean", "bone"].contains(&equation.provenance.response.as_str()) {
        flags.push("a shelled egg in the oviduct adds to bone and lean".to_owned());
    }
}

impl Corrections {
    /// The range that a corrected value is believed to lie in: t on the equation's
    /// residual degrees of freedom (normal where these are not known); none without
    /// a standard error.
    #[must_use]
    pub fn interval(&self, row: &Corrected, confidence: f64) -> Option<Interval> {
        let quantile = match self.equation.provenance.residual_df {
            Some(df) => t_two_sided_quantile(confidence, df as f64),
            None => normal_quantile(0.5 + confidence / 2.0),
        };
        row.std_error
            .map(|error| Interval::around(row.corrected, quantile * error))
    }

    /// Covariance of two corrected scans that comes from the equation, g^2; `None`
    /// where the equation's covariance is not known.
    #[must_use]
    pub fn shared_covariance(&self, i: usize, j: usize) -> Option<f64> {
        self.equation
            .shared_covariance(&self.rows[i].design, &self.rows[j].design)
    }

    /// The whole shared covariance, n x n, g^2.
    #[must_use]
    pub fn shared_covariances(&self) -> Option<DMatrix<f64>> {
        self.equation.covariance.as_ref()?;
        let n = self.rows.len();
        Some(DMatrix::from_fn(n, n, |i, j| {
            self.shared_covariance(i, j).unwrap_or(0.0)
        }))
    }

    /// Corrected values under coefficients drawn anew from their covariance.
    ///
    /// The same seed and replicate give the same values. Refitting the curves to
    /// many replicates carries the calibration's uncertainty into them.
    ///
    /// # Shapes
    /// n values, in the order of `rows`.
    /// # Errors
    /// [`ErrorKind::Input`](crate::ErrorKind::Input) where the covariance is not known.
    pub fn redraw(&self, seed: u64, replicate: u64) -> Result<Vec<f64>> {
        redraw(&self.equation, &self.rows, seed, replicate)
    }
}

/// Corrected values of some scans under an equation's coefficients drawn anew.
///
/// # Errors
/// As [`Corrections::redraw`].
pub fn redraw(
    equation: &Equation,
    rows: &[Corrected],
    seed: u64,
    replicate: u64,
) -> Result<Vec<f64>> {
    let coefficients = equation.redraw(seed, replicate)?;
    Ok(rows
        .iter()
        .map(|row| equation.value_with(&row.design, &coefficients))
        .collect())
}
