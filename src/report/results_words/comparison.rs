//! In what the strains differed, and from which age.

use crate::contrast::{Compared, Comparison, PairByAge};
use crate::fit::profile::Quantity;
use crate::report::contrast_words;
use crate::report::methods::{days, in_words};
use crate::report::pictures::file_name;
use crate::report::prose::listed;
use crate::report::rounding;
use crate::report::told::Told;

/// Below this an adjusted p value is told as a difference.
const TOLD: f64 = 0.05;

pub(super) fn comparison(told: &Told<'_>) -> Vec<String> {
    let Some(comparison) = told.comparison else {
        return Vec::new();
    };
    let mut all = Vec::new();
    for compared in &comparison.compared {
        let name = &told.study.traits[compared.trait_index].name;
        if compared.joint.is_none() {
            all.push(format!(
                "The strains' {} could not be compared by {} ({}).",
                in_words(name),
                compared.curve,
                compared.notes.join("; ")
            ));
            continue;
        }
        all.push(compared_words(told, comparison, compared, name));
    }
    if !all.is_empty() {
        all.push("[Which of these differences matter to the birds and to the farm.]".to_owned());
    }
    all
}

fn compared_words(
    told: &Told<'_>,
    comparison: &Comparison,
    compared: &Compared,
    name: &str,
) -> String {
    // As its figure is called: a trait's only curve needs no name.
    let alone = file_name(name);
    let with_curve = file_name(&format!("{name}_{}", compared.curve));
    let figures = [alone, with_curve].map(|whose| format!("contrasts_{whose}"));
    let figure = figures.iter().find(|name| told.has_figure(name));
    let mut sentences = Vec::new();
    let whole = compared.tests.iter().find(|test| test.is_of_all());
    let head = format!("{} by {}", in_words(name), compared.curve);
    sentences.push(match whole {
        Some(test) => format!(
            "In {head}, one curve for all strains {} ({}, {}; curve_tests.csv).",
            if test.p_value < TOLD {
                "was not enough"
            } else {
                "was not ruled out"
            },
            test.test,
            rounding::p_equals(test.p_value)
        ),
        None => format!("In {head}, whole curves were not tested."),
    });
    let shown = compared.clearest(contrast_words::MOST_SHOWN);
    for pair in &shown {
        sentences.push(pair_words(comparison, compared, pair));
    }
    if let Some(others) = contrast_words::others(compared, shown.len()) {
        sentences.push(format!("{}.", super::super::pictures::capital(&others)));
    }
    sentences.push(told.see("paper_contrasts", figure.map_or("", String::as_str)));
    if !compared.notes.is_empty() {
        sentences.push(format!(
            "To be careful about: {}.",
            compared.notes.join("; ")
        ));
    }
    sentences.join(" ")
}

fn pair_words(comparison: &Comparison, compared: &Compared, pair: &PairByAge) -> String {
    let names = &comparison.groups.names;
    let (a, b) = (&names[pair.a], pair.b.name(names));
    let along = if pair.factor.is_none() {
        "their difference along age had no band".to_owned()
    } else {
        let spans: Vec<String> = pair
            .spans()
            .iter()
            .map(|(from_d, to_d, heavier)| {
                format!(
                    "{a} was {} from {} to {} d",
                    if *heavier { "greater" } else { "smaller" },
                    days(*from_d),
                    days(*to_d)
                )
            })
            .collect();
        if spans.is_empty() {
            "no age was shown at which the curves differed".to_owned()
        } else {
            spans.join(", ")
        }
    };
    let differing: Vec<String> = compared
        .contrasts
        .iter()
        .filter(|contrast| (contrast.a, contrast.b) == (pair.a, pair.b))
        .filter(|contrast| matches!(contrast.quantity, Quantity::Term(_)))
        .filter_map(|contrast| {
            let p_value = contrast.p_adjusted.filter(|p| *p < TOLD)?;
            let unit = if contrast.unit.is_empty() {
                String::new()
            } else {
                format!(" {}", contrast.unit)
            };
            Some(format!(
                "{} by {}{unit} ({})",
                contrast.term,
                rounding::estimate_and_error(contrast.difference, contrast.standard_error),
                rounding::p_equals(p_value)
            ))
        })
        .collect();
    let terms = if differing.is_empty() {
        "no term was shown to differ".to_owned()
    } else {
        format!("they differed in {}", listed(&differing))
    };
    format!("{a} less {b}: {along}; {terms}.")
}
