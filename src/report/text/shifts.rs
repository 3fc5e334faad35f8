//! What treatments that start at an age do from there on.

use super::Sentence;
use super::words::{count, signed, trait_words};
use crate::age::AgeUnit;
use crate::analysis::Analysis;
use crate::contrast::treatment_start::{Shift, ShiftRow, Shifts};
use crate::report::rounding;
use crate::study::Unit;

/// A sentence a trait and treatment; none where treatments start at hatch.
#[must_use]
pub fn shift_sentences(analysis: &Analysis, ages: AgeUnit) -> Vec<Sentence> {
    let study = &analysis.study;
    let Some(from_d) = study.settings.design.treatments_from_d else {
        return Vec::new();
    };
    let mut all = Vec::new();
    for (of_trait, records) in analysis.shifts.iter().zip(&study.traits) {
        let name = trait_words(study, &records.name);
        if let Some(reason) = &of_trait.reason {
            all.push(Sentence::plain(format!(
                "What the treatments did to {name} from {} on is not estimable: {reason}.",
                ages.show(from_d)
            )));
        }
        for row in of_trait.rows.iter().filter(|row| row.shift == Shift::Rate) {
            let level = of_trait
                .rows
                .iter()
                .find(|other| other.shift == Shift::Level && other.treatment == row.treatment);
            all.push(Sentence {
                lead: format!(
                    "From {} on, {name} of {} relative to {} changed by {} a week",
                    ages.show(from_d),
                    study.treatments[row.treatment],
                    study.treatments[row.reference],
                    words(row)
                ),
                rest: format!(
                    "{}; experimental unit: {}.",
                    level.map_or(String::new(), |level| format!(
                        ", and was {} on average afterwards",
                        words(level)
                    )),
                    units(of_trait, row)
                ),
            });
        }
    }
    all
}

/// `-0.34 % (-1.01 to 0.34, P = 0.27)`.
fn words(row: &ShiftRow) -> String {
    format!(
        "{} % ({} to {}, {})",
        signed(row.estimate, 2),
        signed(row.interval.lower, 2),
        signed(row.interval.upper, 2),
        rounding::p_equals(row.p_adjusted)
    )
}

fn units(of_trait: &Shifts, row: &ShiftRow) -> String {
    let unit = match of_trait.unit {
        Unit::Bird => "bird",
        Unit::Pen => "pen",
    };
    format!(
        "the {unit} ({} and {})",
        count(row.units.0, unit),
        row.units.1
    )
}
