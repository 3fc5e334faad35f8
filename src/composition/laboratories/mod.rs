//! One equation for several laboratories (or scanners), and what it is worth in another.
//!
//! Laboratories differ in scanner, software, handling and chemistry. With y the chemistry of a
//! bird and x its reading about the mean c,
//!
//! ```text
//! y = terms + u_laboratory + v_laboratory x + error
//! ```
//!
//! where level u and slope v of a laboratory are random and may be correlated
//! ([`cluster_lines`](crate::stats::cluster_lines), by restricted likelihood; errors of the
//! coefficients by Kenward and Roger). How far laboratories differ, and where another one will
//! lie, is judged from the laboratories' own lines by exact distributions
//! ([`new_cluster`](crate::stats::new_cluster)), since five laboratories carry little
//! information on a variance and a restricted likelihood often ends at 0. Each laboratory is left
//! out in turn.
//!
//! The saved equation is that of a new laboratory: the covariance of its coefficients contains what
//! laboratories differ in, which is an error that all birds of one laboratory share. It is widened
//! to the exact prediction interval at the mean of the birds.
//!
//! A bird is one unit, by the mean of its scans. A laboratory without a separate line (fewer than
//! 3 birds, or readings that do not vary) is left out by name. Two laboratories show their
//! difference and nothing of a third.
//!
//! A study whose scans are of several laboratories has one equation for these themselves
//! (`of_study`): each laboratory's level and slope, shrunken, beside those of [`ANOTHER`].

mod fitted;
mod own;
mod rows;

pub use rows::{LaboratoryRow, LeftOutRow, NewLaboratoryRow};

use super::calibration::{Settings, TermRow, Weighting};
use super::complete::Complete;
use super::equation::Equation;
use super::formula::Formula;
use super::frame::Frame;
pub use super::provenance::{ANOTHER, FEWEST_BIRDS, FEWEST_LABORATORIES, LABORATORY};
use super::validation::QuantityRow;
use crate::error::{Error, Result};
use fitted::Fitted;

/// One equation for several laboratories.
#[derive(Debug, Clone)]
pub struct Laboratories {
    /// What it predicts.
    pub trait_name: String,
    /// The equation for a new laboratory; none from two laboratories.
    pub equation: Option<Equation>,
    /// Its terms.
    pub terms: Vec<TermRow>,
    /// The terms, as written.
    pub formula: Formula,
    /// Column of readings by whose slope laboratories differ, and its mean; none where the
    /// equation has no such term, and laboratories differ in level alone.
    pub reading: Option<(String, f64)>,
    /// Each laboratory.
    pub laboratories: Vec<LaboratoryRow>,
    /// How far they differ.
    pub variation: Vec<QuantityRow>,
    /// What is predicted for a new laboratory.
    pub new: Vec<NewLaboratoryRow>,
    /// Each bird, predicted without its laboratory.
    pub left_out: Vec<LeftOutRow>,
    /// Root mean square error of birds of laboratories left out.
    pub left_out_rmse: Option<f64>,
    /// Confidence of the intervals.
    pub confidence: f64,
    /// What should be known: one line each.
    pub warnings: Vec<String>,
}

impl Laboratories {
    /// How far laboratories differ in one quantity (`sd_between_laboratories`).
    #[must_use]
    pub fn quantity(&self, name: &str) -> Option<&QuantityRow> {
        self.variation.iter().find(|row| row.quantity == name)
    }

    /// What is predicted for a new laboratory at the bird of the middle prediction.
    #[must_use]
    pub fn middle(&self) -> Option<&NewLaboratoryRow> {
        self.new.get(self.new.len() / 2)
    }
}

/// Names in a column of laboratories, in the order of the table.
#[must_use]
pub fn names(frame: &Frame, column: &str) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for row in 0..frame.n() {
        let name = frame.label(column, row);
        if !name.is_empty() && !names.contains(&name) {
            names.push(name);
        }
    }
    names
}

/// Fits each candidate to the laboratories, and keeps the one by which birds of laboratories left
/// out are predicted best.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) for fewer than 2 laboratories of at least 3
/// birds, and for terms that repeat each other or the laboratories;
/// [`ErrorKind::Call`](crate::ErrorKind::Call) for a column that there is not, the logarithm of
/// chemistry, an equation through 0 and robust weighting.
pub fn calibrate_laboratories(
    frame: &Frame,
    (response, candidates): (&str, &[Formula]),
    column: &str,
    settings: &Settings,
) -> Result<Laboratories> {
    let mut best: Option<Laboratories> = None;
    let mut first_error = None;
    for formula in candidates {
        match one(frame, response, formula, column, settings) {
            Ok(found) => {
                let error = |of: &Laboratories| of.left_out_rmse.unwrap_or(f64::INFINITY);
                if best.as_ref().is_none_or(|best| error(&found) < error(best)) {
                    best = Some(found);
                }
            }
            Err(error) => {
                first_error.get_or_insert(error);
            }
        }
    }
    best.ok_or_else(|| {
        first_error.unwrap_or_else(|| {
            Error::call(format!(
                "{response}: found no candidate equation, expected at least one; name its terms"
            ))
        })
    })
}

/// One candidate.
fn one(
    frame: &Frame,
    response: &str,
    formula: &Formula,
    column: &str,
    settings: &Settings,
) -> Result<Laboratories> {
    let mut names = formula.names();
    names.push(column);
    let all = Complete::of(frame, response, &names, settings.bird.as_deref())?;
    check(response, formula, settings)?;
    let reading = reading(response, formula, settings);
    let Usable {
        rows,
        names: usable,
        mut warnings,
    } = with_own_lines(&all.frame, column, reading.as_deref(), settings)?;
    if usable.len() < 2 {
        return Err(too_few(&frame.file, column, &usable, &warnings));
    }
    if usable.len() < FEWEST_LABORATORIES {
        warnings.push(format!(
            "{}: two laboratories show how these two differ, and nothing of another one: no equation is saved; pairs of at least {FEWEST_LABORATORIES} laboratories are needed",
            super::calibration::trait_of(response)
        ));
    }
    let complete = Complete::of(
        &all.frame.select(&rows),
        response,
        &names,
        settings.bird.as_deref(),
    )?;
    if !all.incomplete.is_empty() {
        warnings.push(format!(
            "{}: {} rows without all values of {response} and its terms are left out",
            frame.file,
            all.incomplete.len()
        ));
    }
    warnings.extend(alike_in_age(&complete, column, formula));
    let fitted = Fitted::of(&complete, (response, formula), column, reading, settings)?;
    rows::laboratories(&fitted, formula, warnings)
}

fn check(response: &str, formula: &Formula, settings: &Settings) -> Result<()> {
    let refuse = |found: &str, expected: &str| {
        Err(Error::call(format!(
            "{response}, several laboratories: found {found}, expected {expected}; change it, or calibrate without laboratories (--laboratory none; in a study without the column {LABORATORY})"
        )))
    };
    if response.starts_with("log(") {
        return refuse(
            "the logarithm of the chemistry (the level of a new laboratory follows Student's t, whose exponential has no mean)",
            "chemistry as it stands, with the weighting \"power\" where errors grow with the mass",
        );
    }
    if formula.through_zero() {
        return refuse("an equation through 0", "one with an intercept");
    }
    match settings.weighting {
        Weighting::Ordinary | Weighting::PowerOfMean => Ok(()),
        other => refuse(
            &format!("the weighting \"{}\"", other.word()),
            "ordinary or power",
        ),
    }
}

/// The readings by whose slope laboratories differ: those of the tissue, where they are a term.
fn reading(response: &str, formula: &Formula, settings: &Settings) -> Option<String> {
    let usual = format!("{}_scan", super::calibration::trait_of(response));
    let reading = settings.reading.clone().unwrap_or(usual);
    formula.has_term(&reading).then_some(reading)
}

/// Laboratories that have a line of their own.
struct Usable {
    /// Their rows.
    rows: Vec<usize>,
    names: Vec<String>,
    /// Which has none, and why.
    warnings: Vec<String>,
}

fn too_few(file: &str, column: &str, usable: &[String], warnings: &[String]) -> Error {
    Error::input(format!(
        "{file}, column {column}: found {} with at least {FEWEST_BIRDS} birds of different readings, expected at least {FEWEST_LABORATORIES} to estimate how laboratories differ{}; add birds, or calibrate without laboratories (--laboratory none)",
        match usable.len() {
            1 => "1 laboratory".to_owned(),
            n => format!("{n} laboratories"),
        },
        match warnings.is_empty() {
            true => String::new(),
            false => format!(" ({})", warnings.join("; ")),
        }
    ))
}

fn with_own_lines(
    frame: &Frame,
    column: &str,
    reading: Option<&str>,
    settings: &Settings,
) -> Result<Usable> {
    let label = |row: usize| frame.label(column, row);
    let mut warnings = Vec::new();
    let mut fit: Vec<String> = Vec::new();
    for name in names(frame, column) {
        let rows: Vec<usize> = (0..frame.n()).filter(|row| label(*row) == name).collect();
        let mut birds: Vec<String> = rows
            .iter()
            .map(|row| match &settings.bird {
                Some(bird) => frame.label(bird, *row),
                None => row.to_string(),
            })
            .collect();
        birds.sort();
        birds.dedup();
        let varies = match reading {
            None => true,
            Some(reading) => {
                let numbers = frame.numbers(reading)?;
                rows.iter()
                    .any(|row| numbers[*row].total_cmp(&numbers[rows[0]]).is_ne())
            }
        };
        if birds.len() < FEWEST_BIRDS {
            warnings.push(format!(
                "{}, column {column}: {name} is left out, since it has {}, and at least {FEWEST_BIRDS} are needed for a separate line",
                frame.file,
                match birds.len() {
                    1 => "1 bird".to_owned(),
                    n => format!("{n} birds"),
                }
            ));
        } else if varies {
            fit.push(name);
        } else {
            warnings.push(format!(
                "{}, column {column}: {name} is left out, since all its readings are the same",
                frame.file
            ));
        }
    }
    let rows = (0..frame.n()).filter(|row| fit.contains(&label(*row)));
    Ok(Usable {
        rows: rows.collect(),
        names: fit,
        warnings,
    })
}

/// Rows of a study by which laboratories are calibrated.
pub(super) struct StudyRows {
    /// Those of laboratories with a line of their own.
    pub(super) frame: Frame,
    /// These laboratories.
    pub(super) names: Vec<String>,
    /// Which has none, and why.
    pub(super) warnings: Vec<String>,
}

/// The rows of a study's laboratories that have a line of their own.
///
/// # Errors
/// No laboratory has; terms that name the laboratory.
pub(super) fn study_rows(
    frame: &Frame,
    (response, candidates): (&str, &[Formula]),
    settings: &Settings,
) -> Result<StudyRows> {
    let named = |formula: &&Formula| formula.names().contains(&LABORATORY);
    if let Some(formula) = candidates.iter().find(named) {
        return Err(Error::call(format!(
            "terms of {response}: found {formula}, expected terms without {LABORATORY}, which enters by itself where scans are of several; leave it out"
        )));
    }
    let reading = candidates
        .iter()
        .find_map(|formula| reading(response, formula, settings));
    let known = |row: &usize| frame.value(&chemistry_of(response), *row).is_some();
    let analysed = frame.select(&(0..frame.n()).filter(known).collect::<Vec<_>>());
    let usable = with_own_lines(&analysed, LABORATORY, reading.as_deref(), settings)?;
    if usable.names.is_empty() {
        return Err(too_few(&frame.file, LABORATORY, &[], &usable.warnings));
    }
    Ok(StudyRows {
        frame: analysed.select(&usable.rows),
        names: usable.names,
        warnings: usable.warnings,
    })
}

/// The column of chemistry in a response.
fn chemistry_of(response: &str) -> String {
    let inside = response.strip_prefix("log(");
    let inside = inside.and_then(|rest| rest.strip_suffix(')'));
    inside.unwrap_or(response).to_owned()
}

/// The same terms with a level, and a slope of the reading where it is a term, by laboratory.
///
/// # Errors
/// [`ErrorKind::Call`](crate::ErrorKind::Call) for the logarithm of chemistry, an equation
/// through 0 and robust weighting.
pub(super) fn by_laboratory(
    response: &str,
    formula: &Formula,
    settings: &Settings,
) -> Result<Formula> {
    check(response, formula, settings)?;
    let mut text = format!("{formula},{LABORATORY}");
    if let Some(reading) = reading(response, formula, settings) {
        text += &format!(",{reading}*{LABORATORY}");
    }
    text.parse()
}

/// The equation for the laboratories of a study, and its terms.
pub(super) struct StudyEquation {
    pub(super) equation: Equation,
    pub(super) terms: Vec<TermRow>,
}

/// How the laboratories of a study differ, and the equation for their own scans and those of
/// another laboratory; none from two.
///
/// # Errors
/// As [`calibrate_laboratories`].
pub(super) fn of_study(
    rows: &StudyRows,
    (response, formula): (&str, &Formula),
    settings: &Settings,
) -> Result<(Laboratories, Option<StudyEquation>)> {
    let mut names = formula.names();
    names.push(LABORATORY);
    let complete = Complete::of(&rows.frame, response, &names, settings.bird.as_deref())?;
    let reading = reading(response, formula, settings);
    let fitted = Fitted::of(
        &complete,
        (response, formula),
        LABORATORY,
        reading,
        settings,
    )?;
    let mut warnings = rows.warnings.clone();
    warnings.extend(alike_in_age(&complete, LABORATORY, formula));
    let found = rows::laboratories(&fitted, formula, warnings)?;
    let equation = match &fitted.lines {
        None => None,
        Some(lines) => {
            let equation = own::of_these(&fitted, lines)?;
            let terms = own::terms(&equation, fitted.confidence);
            Some(StudyEquation { equation, terms })
        }
    };
    Ok((found, equation))
}

/// Laboratories that each have birds of one age differ in age too.
fn alike_in_age(complete: &Complete, column: &str, formula: &Formula) -> Option<String> {
    let frame = &complete.frame;
    if formula.names().contains(&"age") {
        return None;
    }
    let ages = frame.numbers("age").ok()?;
    let of = |name: &String| -> Vec<f64> {
        let rows = (0..frame.n()).filter(|row| frame.label(column, *row) == *name);
        rows.map(|row| ages[row]).collect()
    };
    let alike = |ages: &[f64]| {
        ages.windows(2)
            .all(|pair| pair[0].total_cmp(&pair[1]).is_eq())
    };
    let by_laboratory: Vec<Vec<f64>> = names(frame, column).iter().map(of).collect();
    if !by_laboratory.iter().all(|ages| alike(ages)) {
        return None;
    }
    Some(if alike(ages) {
        format!(
            "{}: all birds are {} d old, so that the equation holds for that age alone; analyse birds of other ages",
            frame.file, ages[0]
        )
    } else {
        format!(
            "{}: each laboratory has birds of one age, so that differences between laboratories are differences between ages as well; analyse birds of several ages in each",
            frame.file
        )
    })
}
