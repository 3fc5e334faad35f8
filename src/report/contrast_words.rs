//! Text of the comparison of groups.

use super::rounding::p_equals;
use crate::age::AgeUnit;
use crate::contrast::allometry::Allometry;
use crate::contrast::fat_share::FatShare;
use crate::contrast::{Compared, Comparison, Groups, PairByAge};
use crate::study::Study;

/// Below this an adjusted P value is reported as a difference.
const SIGNIFICANT: f64 = 0.05;

/// Whether the groups differ, in which terms, and from which day, a few lines a curve.
#[must_use]
pub fn differences(study: &Study, comparison: &Comparison) -> Vec<String> {
    let mut lines = Vec::new();
    for compared in &comparison.compared {
        let trait_name = study.traits[compared.trait_index].name.replace('_', " ");
        let head = format!("{trait_name}, {}", compared.curve);
        let Some(joint) = &compared.joint else {
            lines.push(format!("  {head}: not compared, {}", last(&compared.notes)));
            continue;
        };
        let by_what = match joint.source {
            crate::contrast::Source::Mixed => "one mixed fit",
            crate::contrast::Source::Pooled => "pooled fits",
        };
        let of_all = compared.tests.iter().find(|test| test.is_of_all());
        lines.push(match of_all {
            Some(test) => format!(
                "  {head} ({by_what}): one curve for all {} ({}, {})",
                if test.p_value < SIGNIFICANT {
                    "is not enough"
                } else {
                    "is not ruled out"
                },
                test.test,
                p_equals(test.p_value)
            ),
            None => format!("  {head} ({by_what}): no test of one curve for all"),
        });
        let shown = compared.clearest(MOST_SHOWN);
        for pair in &shown {
            lines.push(format!(
                "    {}",
                pair_sentence((comparison, study.age_unit()), compared, pair)
            ));
        }
        if let Some(others) = others(compared, shown.len()) {
            lines.push(format!("    {others}"));
        }
    }
    lines
}

/// Groups written out where all are compared with the mean of all: those that differ most
/// clearly from it at the last age. The figures draw them in colour, and the tables have all.
pub(super) const MOST_SHOWN: usize = 12;

/// That there are more comparisons than those written out; `None` where there are not.
pub(super) fn others(compared: &Compared, shown: usize) -> Option<String> {
    let others = compared.by_age.len() - shown;
    (others > 0).then(|| {
        let differ = compared.by_age.iter().filter(|one| !one.spans().is_empty());
        format!(
            "the {shown} groups above differ most clearly from the mean of all at the last age; \
             at some age {} of all {} differ from it (difference_by_age.csv)",
            differ.count(),
            compared.by_age.len()
        )
    })
}

fn last(notes: &[String]) -> &str {
    notes.last().map_or("no fit", String::as_str)
}

fn pair_sentence(
    (comparison, ages): (&Comparison, AgeUnit),
    compared: &Compared,
    pair: &PairByAge,
) -> String {
    let names = &comparison.groups.names;
    let (a, b) = (&names[pair.a], pair.b.name(names));
    let last_d = pair.ages.last().map_or(0.0, |at| at.age_d);
    let spans = pair.spans();
    let along = if pair.factor.is_none() {
        "no band of the difference".to_owned()
    } else if spans.is_empty() {
        "no age at which they differ".to_owned()
    } else {
        let pieces = spans.iter().map(|(from_d, to_d, heavier)| {
            let which = if *heavier { "heavier" } else { "lighter" };
            if *to_d >= last_d {
                format!("{a} {which} from {}", ages.show(from_d.round()))
            } else {
                format!(
                    "{a} {which} from {}",
                    ages.show_span(from_d.round(), to_d.round())
                )
            }
        });
        pieces.collect::<Vec<_>>().join(", ")
    };
    let differing: Vec<String> = compared
        .contrasts
        .iter()
        .filter(|contrast| (contrast.a, contrast.b) == (pair.a, pair.b))
        .filter(|contrast| contrast.p_adjusted.is_some_and(|p| p < SIGNIFICANT))
        // Already given by the term A.
        .filter(|contrast| contrast.term != "mature_weight")
        .take(4)
        .map(|contrast| {
            let percent = contrast
                .percent
                .map_or_else(String::new, |percent| format!(", {percent:+.1} %"));
            let unit = if contrast.unit.is_empty() {
                String::new()
            } else {
                format!(" {}", contrast.unit)
            };
            format!(
                "{} {}{unit}{percent} ({})",
                contrast.term,
                signed(contrast.difference),
                p_equals(contrast.p_adjusted.unwrap_or(1.0))
            )
        })
        .collect();
    let terms = if differing.is_empty() {
        "no term differs".to_owned()
    } else {
        differing.join("; ")
    };
    format!("{a} \u{2212} {b}: {along}; {terms}")
}

/// How the traits grow with each other, a line a trait.
#[must_use]
pub fn allometries(study: &Study, groups: &Groups, allometries: &[Allometry]) -> Vec<String> {
    let mut lines = Vec::new();
    for allometry in allometries {
        let Ok(answer) = &allometry.answer else {
            continue;
        };
        let exponents: Vec<String> = answer
            .groups
            .iter()
            .map(|group| {
                let interval = group
                    .exponent
                    .interval
                    .map_or_else(String::new, |interval| {
                        format!(" ({:.3} to {:.3})", interval.lower, interval.upper)
                    });
                format!(
                    "{} {:.3}{interval}",
                    groups.names[group.group], group.exponent.value
                )
            })
            .collect();
        let test = answer
            .equal_exponents
            .map_or_else(String::new, |(_, _, p)| {
                format!("; equal exponents {}", p_equals(p))
            });
        lines.push(format!(
            "  {} grows as {} to the power of {}{test}",
            study.traits[allometry.trait_index].name,
            study.traits[allometry.on].name,
            exponents.join(", ")
        ));
    }
    lines
}

/// What was done otherwise than requested.
#[must_use]
pub fn warnings(
    study: &Study,
    comparison: &Comparison,
    allometries: &[Allometry],
    shares: &[FatShare],
) -> Vec<String> {
    let mut all = Vec::new();
    for compared in &comparison.compared {
        let trait_name = &study.traits[compared.trait_index].name;
        for note in &compared.notes {
            all.push(format!("{trait_name}, {}: {note}", compared.curve));
        }
    }
    for allometry in allometries {
        let (of, on) = (
            &study.traits[allometry.trait_index].name,
            &study.traits[allometry.on].name,
        );
        if let Err(reason) = &allometry.answer {
            all.push(format!("allometry of {of} on {on}: {reason}"));
        }
    }
    for share in shares {
        if let Err(reason) = &share.shares {
            all.push(format!(
                "share of fat, {}, {}: {reason}",
                comparison.groups.names[share.group], share.curve
            ));
        }
    }
    all
}

/// A signed number with three significant digits.
fn signed(value: f64) -> String {
    let magnitude = value.abs();
    let digits = if magnitude >= 100.0 {
        0
    } else if magnitude >= 10.0 {
        1
    } else if magnitude >= 1.0 {
        2
    } else if magnitude >= 0.1 {
        3
    } else {
        5
    };
    format!("{value:+.digits$}")
}
