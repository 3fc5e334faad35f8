//! Whether scanning itself changes growth and the age at first egg.

use super::Sentence;
use super::words::{count, signed};
use crate::analysis::Scanning;
use crate::contrast::scanning_effect::{Effect, Finding, WeightEffect};
use crate::maturity::ScannedLay;
use crate::report::rounding::{p_equals, significant};
use crate::study::{Study, Unit};

/// What the comparison rests on.
const ALLOTMENT: &str =
    "This holds only where birds were allotted to scanning at random within strains.";

/// Body weight at the last age (the other ages stand in the table), age at first egg, and what
/// the comparison rests on.
#[must_use]
pub fn scanning_sentences(study: &Study, scanning: &Scanning) -> Vec<Sentence> {
    let mut of_all = scanning.weights.iter().filter(|row| row.strain.is_none());
    let mut all: Vec<Sentence> = of_all
        .next_back()
        .map(|row| weight(study, row))
        .into_iter()
        .collect();
    all.extend(
        scanning
            .lay
            .as_ref()
            .map(|(found, effect)| lay(study, found, effect)),
    );
    if let Some(last) = all.last_mut() {
        last.rest += " ";
        last.rest += ALLOTMENT;
    }
    all
}

fn weight(study: &Study, row: &WeightEffect) -> Sentence {
    let age = study.age_unit().show(row.age_d);
    let (scanned, unscanned) = row.birds;
    let effect = match &row.effect {
        Ok(effect) => effect,
        Err(reason) => {
            return Sentence {
                lead: "The effect of scanning on growth is not estimable".to_owned(),
                rest: format!(" at {age}: {reason}."),
            };
        }
    };
    let unit = match row.unit {
        Unit::Bird => "bird",
        Unit::Pen => "pen",
    };
    Sentence {
        lead: format!(
            "Scanned birds were {} than unscanned birds at {age}",
            direction(effect, "%", ["heavier", "lighter"])
        ),
        rest: format!(
            " ({} scanned, {unscanned} never scanned; unit: {unit}; {}): {}.",
            count(scanned, "bird"),
            numbers(effect, "%"),
            finding(effect, "%")
        ),
    }
}

fn lay(study: &Study, found: &ScannedLay, effect: &Result<Effect, String>) -> Sentence {
    let (scanned, unscanned) = found.birds;
    match effect {
        Ok(effect) => Sentence {
            lead: format!(
                "Scanned birds laid their first egg {}",
                direction(effect, "d", ["later", "earlier"])
            ),
            rest: format!(
                " ({} scanned by {}, {unscanned} never scanned; {}): {}.",
                count(scanned, "bird"),
                study.age_unit().show(found.landmark_d),
                numbers(effect, "d"),
                finding(effect, "d")
            ),
        },
        Err(reason) => Sentence {
            lead: "The effect of scanning on the age at first egg is not estimable".to_owned(),
            rest: format!(": {reason}."),
        },
    }
}

/// `0.4 % lighter`.
fn direction(effect: &Effect, unit: &str, [above, below]: [&str; 2]) -> String {
    format!(
        "{} {unit} {}",
        significant(effect.estimate.abs(), 2),
        if effect.estimate < 0.0 { below } else { above }
    )
}

fn numbers(effect: &Effect, unit: &str) -> String {
    format!(
        "interval {} to {} {unit}, {}",
        signed(effect.interval.lower, 1),
        signed(effect.interval.upper, 1),
        p_equals(effect.p_value)
    )
}

fn finding(effect: &Effect, unit: &str) -> String {
    let margin = format!("{} {unit}", significant(effect.margin, 2));
    let limits = &effect.equivalence.interval;
    let limits = format!(
        "90 % interval {} to {} {unit}",
        signed(limits.lower, 1),
        signed(limits.upper, 1)
    );
    match effect.finding() {
        Finding::WithinMargin => {
            format!("a difference of {margin} or more is excluded ({limits})")
        }
        Finding::Differs => {
            format!("the difference is not zero, and one of {margin} is not excluded ({limits})")
        }
        Finding::Undecided => {
            format!("the birds are too few to exclude a difference of {margin} ({limits})")
        }
    }
}
