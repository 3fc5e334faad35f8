//! The wide table of fits: a row a subject and curve, a column a term or derived quantity.

use std::borrow::Cow;
use std::collections::BTreeSet;
use std::sync::{Arc, Mutex, PoisonError};

use super::Columns;
use super::column::{Column, Value, about, columns, unit_or_one};
use super::fits::{FitTables, Whose, with_models};
use crate::fit::interval;
use crate::growth::Curve;
use crate::report::Table;
use crate::study::Study;
use crate::trajectory::{CurveFit, SubjectFits, Trajectories, derived_quantities};

/// A curve of a subject.
struct WideRow<'a> {
    whose: Whose<'a>,
    curve: Cow<'a, str>,
    status: &'static str,
    reason: String,
    n: usize,
    sigma: Option<f64>,
    /// Terms, their standard errors, derived quantities, as the columns.
    numbers: Vec<f64>,
}

/// `terms_wide.csv`: a row a bird (or pooled strain) and curve, whatever became of the fit.
///
/// A column a term of any of the curves, one for its standard error, and one a derived quantity;
/// what the data do not determine is empty (`curve_terms.csv` has the reason and the limits).
#[must_use]
pub fn terms_wide(study: &Study, trajectories: &Trajectories, wanted: &FitTables<'_>) -> Table {
    let terms = terms_of(&trajectories.curves);
    let derived = derived_quantities(wanted.ages_d, wanted.weights_g);
    let mut columns = columns!("terms_wide", |row: WideRow<'_>| {
        bird => row.whose.bird,
        strain => row.whose.strain,
        trait => row.whose.trait_name,
        curve => &*row.curve,
        fit_status => row.status,
        fit_reason => &*row.reason,
        n("1", "observations") => row.n,
        sigma("1", "residual standard deviation: g where it is constant, else relative") => row.sigma,
    });
    let numbers = terms
        .iter()
        .flat_map(|(name, unit)| {
            let error = format!("{name}_se");
            [
                (name.clone(), unit.clone(), "term of the curve"),
                (error, unit.clone(), "standard error of the term"),
            ]
        })
        .chain(derived.iter().map(|what| {
            let meaning = "quantity derived from the curve's terms";
            (what.name().into_owned(), what.unit().to_owned(), meaning)
        }));
    for (place, (name, unit, meaning)) in numbers.enumerate() {
        let column = Column {
            name: interned(&name),
            unit: interned(unit_or_one(&unit)),
            meaning,
        };
        columns = columns.column(column, move |row: &WideRow<'_>, cells| {
            row.numbers[place].write(cells);
        });
    }
    let (terms, derived) = (&terms, &derived);
    with_models(
        &columns,
        trajectories,
        |subjects| subjects.iter().map(|subject| subject.fits.len()).sum(),
        |SubjectFits { subject, fits }, add| {
            for CurveFit { curve, outcome } in fits {
                let mut numbers = vec![f64::NAN; 2 * terms.len() + derived.len()];
                if let Some(estimates) = outcome.estimates() {
                    for (index, term) in curve.terms().iter().enumerate() {
                        let place = terms.iter().position(|(name, _)| *name == term.name);
                        let estimate =
                            interval::term(&**curve, estimates, index, wanted.confidence);
                        if let (Some(place), Ok(estimate)) = (place, estimate) {
                            numbers[2 * place] = estimate.value;
                            numbers[2 * place + 1] = estimate.standard_error.unwrap_or(f64::NAN);
                        }
                    }
                    for (number, what) in numbers[2 * terms.len()..].iter_mut().zip(derived) {
                        let level = wanted.confidence;
                        if let Ok(found) = interval::derived(&**curve, estimates, *what, level) {
                            *number = found.value;
                        }
                    }
                }
                add(WideRow {
                    whose: Whose::of(study, *subject),
                    curve: curve.name().to_owned().into(),
                    status: outcome.status(),
                    reason: outcome.reason(),
                    n: outcome.n(),
                    sigma: outcome.estimates().map(|fit| fit.sigma),
                    numbers,
                });
            }
        },
        |_, _| {},
    )
}

/// The terms of all curves with their units, each name once; a unit that differs between curves
/// is empty.
fn terms_of(curves: &[Arc<dyn Curve>]) -> Vec<(String, String)> {
    let mut terms: Vec<(String, String)> = Vec::new();
    for term in curves.iter().flat_map(|curve| curve.terms()) {
        match terms.iter_mut().find(|(name, _)| *name == term.name) {
            Some((_, unit)) if *unit == term.unit => {}
            Some((_, unit)) => unit.clear(),
            None => terms.push((term.name.to_string(), term.unit.to_string())),
        }
    }
    terms
}

/// A name of a column that is only known with the curves: kept as long as the program runs,
/// once each.
fn interned(name: &str) -> &'static str {
    static NAMES: Mutex<BTreeSet<&'static str>> = Mutex::new(BTreeSet::new());
    let mut names = NAMES.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(known) = names.get(name) {
        return known;
    }
    let kept: &'static str = Box::leak(name.to_owned().into_boxed_str());
    names.insert(kept);
    kept
}
