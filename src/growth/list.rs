//! The one list of built-in curves, and how a curve is found by its name.

use std::path::Path;
use std::sync::Arc;

use super::Curve;
use super::anchored::Anchored;
use super::bertalanffy::Bertalanffy;
use super::card::Card;
use super::gompertz::Gompertz;
use super::logistic::Logistic;
use super::monomolecular::Monomolecular;
use super::richards::Richards;
use super::sigmoid::OnePhase;
use super::two_phase::TwoPhase;
use super::weibull::Weibull;
use crate::error::{Error, Result};

/// How a built-in curve is made.
type Make = fn() -> Arc<dyn Curve>;

/// Name and maker of each built-in curve, in the order in which they are listed for a user.
const BUILT_IN: &[(&str, Make)] = &[
    ("gompertz", || Arc::new(OnePhase::<Gompertz>::new())),
    ("logistic", || Arc::new(OnePhase::<Logistic>::new())),
    ("richards", || Arc::new(OnePhase::<Richards>::new())),
    ("bertalanffy", || Arc::new(OnePhase::<Bertalanffy>::new())),
    ("monomolecular", || {
        Arc::new(OnePhase::<Monomolecular>::new())
    }),
    ("weibull", || Arc::new(Weibull)),
    ("two-phase-gompertz", || {
        Arc::new(TwoPhase::<Gompertz>::new())
    }),
    ("two-phase-logistic", || {
        Arc::new(TwoPhase::<Logistic>::new())
    }),
    (
        "anchored-gompertz",
        || Arc::new(Anchored::<Gompertz>::new()),
    ),
    (
        "anchored-logistic",
        || Arc::new(Anchored::<Logistic>::new()),
    ),
];

/// The built-in curve of a name.
#[must_use]
pub fn built_in(name: &str) -> Option<Arc<dyn Curve>> {
    BUILT_IN
        .iter()
        .find(|(known, _)| *known == name)
        .map(|(_, make)| make())
}

/// Names of the built-in curves.
pub fn names() -> impl Iterator<Item = &'static str> {
    BUILT_IN.iter().map(|(name, _)| *name)
}

/// The curve of a name, among the built-in ones and those of cards.
///
/// # Errors
/// [`crate::ErrorKind::Call`] for a name that is neither: with the names known and
/// the nearest of them.
pub fn find(name: &str, cards: &[Arc<dyn Curve>]) -> Result<Arc<dyn Curve>> {
    let card = || cards.iter().find(|card| card.name() == name).cloned();
    built_in(name).or_else(card).ok_or_else(|| {
        let of_cards = cards.iter().map(|card| card.name().to_owned());
        let known: Vec<String> = names().map(str::to_owned).chain(of_cards).collect();
        let nearest = known
            .iter()
            .map(|known| (edits(&name.to_lowercase(), known), known))
            .min()
            // More than half of the name wrong is another name.
            .filter(|(edits, known)| 2 * edits <= known.chars().count())
            .map_or(String::new(), |(_, known)| {
                format!("; did you mean {known}")
            });
        Error::call(format!(
            "unknown curve \"{name}\", expected one of {}{nearest}",
            known.join(", ")
        ))
    })
}

/// Reads every card (`*.toml`) of a folder, in order of the files' names.
///
/// A card of a built-in curve's name is passed over where it describes what that curve
/// is (the cards that come with the program do), and a fault where it does not.
///
/// # Errors
/// [`crate::ErrorKind::Input`]: the folder cannot be read or holds no card, or any of the
/// faults of [`Card::read`]; a name used twice. The faults of all cards are reported at once.
pub fn read_cards(folder: &Path) -> Result<Vec<Arc<dyn Curve>>> {
    let unreadable = |source| Error::unreadable(folder, source);
    let mut paths = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(unreadable)? {
        let path = entry.map_err(unreadable)?.path();
        if path.extension().is_some_and(|ending| ending == "toml") {
            paths.push(path);
        }
    }
    if paths.is_empty() {
        return Err(Error::input(format!(
            "{}: found no curve card, expected files that end in .toml",
            folder.display()
        )));
    }
    paths.sort();
    let mut cards: Vec<Arc<dyn Curve>> = Vec::new();
    let mut faults = Vec::new();
    for path in &paths {
        let card = match Card::read(path) {
            Ok(card) => card,
            Err(error) => {
                faults.extend_from_slice(error.messages());
                continue;
            }
        };
        let name = card.name();
        let fault = match built_in(name) {
            Some(curve) if agree(&card, &*curve) => continue,
            Some(_) => "the name of a built-in curve that has another equation",
            None if cards.iter().any(|other| other.name() == name) => "a name used twice",
            None => {
                cards.push(Arc::new(card));
                continue;
            }
        };
        faults.push(format!(
            "{}: name: found \"{name}\", {fault}; choose another name",
            path.display()
        ));
    }
    if faults.is_empty() {
        Ok(cards)
    } else {
        Err(Error::faults(faults))
    }
}

/// Whether a card and a built-in curve have the same terms and the same values on
/// the way from 40 g to 1.8 kg.
fn agree(card: &Card, curve: &dyn Curve) -> bool {
    const HATCH_WEIGHT_G: f64 = 40.0;
    let names = |curve: &dyn Curve| -> Vec<String> {
        let terms = curve.terms().iter();
        terms.map(|term| term.name.to_string()).collect()
    };
    if names(card) != names(curve) || card.needs_hatch_weight() != curve.needs_hatch_weight() {
        return false;
    }
    let made = (
        card.at_hatch_weight(HATCH_WEIGHT_G),
        curve.at_hatch_weight(HATCH_WEIGHT_G),
    );
    let (card, curve): (&dyn Curve, &dyn Curve) = match &made {
        (Some(card), Some(curve)) => (&**card, &**curve),
        _ => (card, curve),
    };
    let ages_d = [1.0, 28.0, 56.0, 84.0, 112.0, 140.0, 168.0];
    let values = [40.0, 260.0, 650.0, 1050.0, 1380.0, 1600.0, 1800.0];
    let mut terms = vec![f64::NAN; curve.terms().len()];
    // Any start will do: a card may have no value at the first (richards at m = 1).
    let mut attempt = 0;
    while curve.start(attempt, &ages_d, &values, &mut terms) {
        let same = ages_d.iter().all(|age_d| {
            let (ours, theirs) = (curve.value(*age_d, &terms), card.value(*age_d, &terms));
            (ours - theirs).abs() <= 1e-9 * ours.abs()
        });
        if same {
            return true;
        }
        attempt += 1;
    }
    false
}

/// Levenshtein distance: letters put in, left out or changed.
fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, to) in b.iter().enumerate() {
            let changed = diagonal + usize::from(from != *to);
            diagonal = row[j + 1];
            row[j + 1] = changed.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}
