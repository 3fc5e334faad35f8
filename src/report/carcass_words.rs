//! Text of a plan of a next calibration.

use std::collections::BTreeMap;

use super::tables::carcasses::{PlannedCarcasses, basis};
use super::words::three_digits;
use crate::plan::carcasses::{CarcassPrecision, Carcasses};

/// How precise equations would be, and which birds to analyse.
#[must_use]
pub fn carcasses(planned: PlannedCarcasses<'_>) -> Vec<String> {
    let mut lines = vec!["How many birds must be analysed, of which ages?".to_owned()];
    for plan in planned.plans {
        for birds in planned.birds {
            lines.extend(one(plan, *birds));
        }
    }
    lines.push("  The best split takes the form of the equations for true. Birds of two ages only cannot show that a relation is curved: keep some between.".to_owned());
    lines.push(format!("  {}", crate::composition::CAUTION));
    lines
}

fn one(plan: &Carcasses, birds: usize) -> Vec<String> {
    let (pilot, best) = (plan.as_in_pilot(birds), plan.best(birds));
    let Some(best) = best else {
        return vec![format!(
            "  {birds} birds, {}: so few do not separate the terms of the equations.",
            basis(plan)
        )];
    };
    let widest = |at: usize, split: &[usize]| {
        let found = plan.precision(at, split)?;
        let widths = found
            .iter()
            .map(|one: &CarcassPrecision| one.half_width_pct);
        Some(three_digits(widths.fold(0.0, f64::max)))
    };
    let of_traits: Vec<String> = plan
        .traits
        .iter()
        .enumerate()
        .filter_map(|(at, of)| {
            let by_pilot = match widest(at, &pilot) {
                Some(width) => format!("{width} %"),
                None => "not estimable".to_owned(),
            };
            Some(format!(
                "{} {by_pilot} and {} %",
                of.name,
                widest(at, &best)?
            ))
        })
        .collect();
    let efficiency = plan
        .efficiency(&pilot, &best)
        .map_or_else(String::new, |share| {
            format!("; the pilot's split is worth {:.0} % of it", 100.0 * share)
        });
    vec![format!(
        "  {birds} birds, {}: greatest half width of the equations' error in strain means with the pilot's split over strains and ages and with the best, {}. Best split: {}{efficiency}.",
        basis(plan),
        of_traits.join("; "),
        best_ages(plan, &best)
    )]
}

/// `9 at 21 d and 12 at 147 d`, all strains together.
pub(super) fn best_ages(plan: &Carcasses, split: &[usize]) -> String {
    let mut by_age: BTreeMap<i64, usize> = BTreeMap::new();
    for (kind, n) in plan.kinds.iter().zip(split).filter(|(_, n)| **n > 0) {
        *by_age.entry(in_days(kind.age_d)).or_default() += n;
    }
    let ages: Vec<String> = by_age
        .iter()
        .map(|(age, n)| format!("{n} at {age} d"))
        .collect();
    super::prose::listed(&ages)
}

#[expect(clippy::cast_possible_truncation, reason = "an age in days")]
fn in_days(age_d: f64) -> i64 {
    age_d.round() as i64
}
