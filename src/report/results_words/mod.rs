//! A skeleton of a paper's results: the numbers in place, in plain past tense, each with
//! the table and the figure that it is from. What a number means is left to the author,
//! in square brackets; nothing is claimed that no table holds.

mod comparison;
mod composition;
mod flock;
mod growth;

use comparison::comparison;
use composition::{calibration, scanner};
use flock::{cues, onset, target, uniformity, weights_to_come};
use growth::growth;

use crate::report::prose::{Prose, count, was};
use crate::report::rounding;
use crate::report::told::{ReadRow, Told};

const PREFACE: &str = "Written by the program from the tables of this run. Square brackets are for the author; nothing here says why.";

/// The results in sections, as far as there are any.
#[must_use]
pub fn results(told: &Told<'_>) -> Prose {
    let sections = [
        ("Scanner", scanner(told)),
        ("Calibration", calibration(told)),
        ("Growth", growth(told)),
        ("Comparison of strains", comparison(told)),
        ("Target", target(told)),
        ("Uniformity", uniformity(told)),
        ("Weights to come", weights_to_come(told)),
        ("Timing cues", cues(told)),
        ("Onset of lay", onset(told)),
        ("Records and fits left out", left_out(told)),
    ];
    Prose::new("Results", PREFACE.to_owned(), sections, Vec::new())
}

/// Three significant digits, with a true minus.
fn short(value: f64) -> String {
    rounding::significant(value, 3)
}

fn signed(value: f64) -> String {
    if value > 0.0 {
        format!("+{}", short(value))
    } else {
        short(value)
    }
}

/// ` (95 % interval a to b)`, or nothing.
fn interval_words(told: &Told<'_>, limits: Option<(f64, f64)>) -> String {
    limits.map_or_else(String::new, |(lower, upper)| {
        format!(
            " ({} % interval {} to {})",
            told.percent(),
            short(lower),
            short(upper)
        )
    })
}

fn limits(row: ReadRow<'_>, lower: &str, upper: &str) -> Option<(f64, f64)> {
    Some((row.number(lower)?, row.number(upper)?))
}

fn left_out(told: &Told<'_>) -> Vec<String> {
    let mut sentences = Vec::new();
    if let Some(table) = told.table("rejected_scans") {
        let n = table.rows().count();
        sentences.push(format!(
            "{} {} not used (rejected_scans.csv).",
            count(n, "scan reading"),
            was(n)
        ));
    }
    let ended = |status: &str| told.trajectories.count(status);
    let (weak, failed) = (ended("weak"), ended("failed"));
    let all = weak + failed + ended("converged");
    if all > 0 {
        sentences.push(format!(
            "Of {} {weak} {} weak and {failed} failed (curve_fits.csv).",
            count(all, "fit"),
            was(weak)
        ));
    }
    let missing: usize = told
        .study
        .traits
        .iter()
        .map(|records| records.missing)
        .sum();
    if missing > 0 {
        sentences.push(format!("{} had no value.", count(missing, "row")));
    }
    if sentences.is_empty() {
        return Vec::new();
    }
    sentences.push("[Birds that died or were removed, and why.]".to_owned());
    vec![sentences.join(" ")]
}
