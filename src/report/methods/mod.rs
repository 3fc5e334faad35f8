//! The methods section of a paper, built from what was run: every sentence stands for a
//! step that was done, and every method has its published source.

mod composition;
mod flock;
mod growth;
mod inference;

use composition::{calibration, correction, scans};
use flock::{onset, targets, weights_to_come};
use growth::{curves, endings, mixed};
use inference::{comparison, inference};

use crate::report::prose::{Prose, count, listed, was};
use crate::report::sources::{References, Source};
use crate::report::told::Told;
use crate::study::{Records, Values};

/// Before the text is used.
const PREFACE: &str = "Written by the program from what this run did. Square brackets mark what only the author knows; read every sentence against the experiment before it is used.";

/// The methods in sections: what was recorded, how it was corrected, fitted, compared
/// and told; what was left out and why; the sources, numbered as they are cited.
#[must_use]
pub fn methods(told: &Told<'_>) -> Prose {
    let mut cited = References::default();
    let sections = [
        ("Birds and records", birds(told)),
        ("Scans", scans(told, &mut cited)),
        ("Scanner calibration", calibration(told, &mut cited)),
        ("Corrected masses", correction(told)),
        ("Growth curves", curves(told, &mut cited)),
        ("Mixed models", mixed(told, &mut cited)),
        ("Intervals and choice of curve", inference(told, &mut cited)),
        ("Comparison of strains", comparison(told, &mut cited)),
        ("Targets and uniformity", targets(told, &mut cited)),
        ("Weights to come", weights_to_come(told, &mut cited)),
        ("Onset of lay", onset(told, &mut cited)),
        ("Fits that were weak or failed", endings(told)),
        ("Computations", computations(told, &mut cited)),
    ];
    Prose::new("Methods", PREFACE.to_owned(), sections, cited.list())
}

/// A column's or a trait's name in words.
pub(super) fn in_words(name: &str) -> String {
    name.replace('_', " ")
}

/// An age without needless decimals.
pub(super) fn days(age_d: f64) -> String {
    format!("{}", (age_d * 10.0).round() / 10.0)
}

fn birds(told: &Told<'_>) -> Vec<String> {
    let study = told.study;
    if study.birds.is_empty() {
        return Vec::new();
    }
    let strains: Vec<String> = study
        .strains
        .iter()
        .enumerate()
        .map(|(strain, name)| format!("{} of {name}", study.birds_of(strain).count()))
        .collect();
    let mut text = match study.strains.as_slice() {
        [one] => format!("{} of one strain ({one})", count(study.birds.len(), "bird")),
        _ => format!(
            "{} of {} strains ({})",
            count(study.birds.len(), "bird"),
            study.strains.len(),
            listed(&strains)
        ),
    };
    text += &format!(" {} in the study", was(study.birds.len()));
    for (places, what) in [
        (study.treatments.len(), "treatment"),
        (study.pens.len(), "pen"),
    ] {
        if places > 0 {
            text += &format!(", in {}", count(places, what));
        }
    }
    text +=
        ". [Housing, light, feed, allocation to groups, the experimental unit, ethical approval.]";
    let mut all = vec![text];
    all.extend(
        study
            .traits
            .iter()
            .filter_map(|records| measured(told, records)),
    );
    all
}

/// What was recorded of one trait.
fn measured(told: &Told<'_>, records: &Records) -> Option<String> {
    let n = records.values.len();
    let ages = records
        .ages_d
        .iter()
        .chain(records.groups.iter().map(|group| &group.age_d));
    let (first, last) = ages.fold((f64::INFINITY, f64::NEG_INFINITY), |span, age_d| {
        (span.0.min(*age_d), span.1.max(*age_d))
    });
    if n + records.groups.len() == 0 {
        return None;
    }
    let birds = (0..told.study.birds.len())
        .filter(|bird| !records.of(*bird).1.is_empty())
        .count();
    let unit = match told.study.values {
        Values::BirdMasses => " (g)",
        Values::AnyNumber => "",
    };
    let name = in_words(&records.name);
    let span = if first < last {
        format!("at {} to {} d of age", days(first), days(last))
    } else {
        format!("at {} d of age", days(first))
    };
    let mut text = format!(
        "There {} {} of {name}{unit} from {} {span}",
        was(n),
        count(n, "record"),
        count(birds, "bird"),
    );
    if !records.groups.is_empty() {
        text += &format!(
            ", and {} over several birds at once, which entered the strains' curves only",
            count(records.groups.len(), "mean")
        );
    }
    text.push('.');
    if records.missing > 0 {
        text += &format!(
            " {} without a value {} left out.",
            count(records.missing, "row"),
            was(records.missing)
        );
    }
    Some(text)
}

fn computations(told: &Told<'_>, cited: &mut References) -> Vec<String> {
    let mut text = format!("Computations: {}.", told.software);
    let mut drawn = Vec::new();
    if let Some(redraws) = told.methods.get("redraws") {
        drawn.push(format!("{redraws} redraws of the calibration equations"));
    }
    if told
        .methods
        .get("cue error")
        .is_some_and(|how| how == "calibrated")
    {
        drawn.push("the bootstrap of the onset models".to_owned());
    }
    if !drawn.is_empty() {
        text += &format!(
            " The seed of everything drawn at random was {} ({}).",
            told.seed,
            listed(&drawn)
        );
    }
    let paper = told.table("paper_terms").is_some() || told.table("paper_contrasts").is_some();
    if paper {
        text += &format!(
            " In the paper's tables standard errors have two significant digits, and estimates and intervals the same decimals {}.",
            cited.cite(Source::Gum)
        );
    }
    vec![text]
}
