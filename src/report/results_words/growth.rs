//! How the strains grew, pooled and as typical birds.

use crate::fit::estimable::NotEstimable;
use crate::fit::interval::{self, Estimate};
use crate::fit::{Estimates, Outcome};
use crate::growth::{Curve, Derived};
use crate::report::methods::in_words;
use crate::report::pictures::file_name;
use crate::report::prose::count;
use crate::report::rounding;
use crate::report::told::Told;
use crate::trajectory::{Level, SubjectFits};

pub(super) fn growth(told: &Told<'_>) -> Vec<String> {
    let study = told.study;
    let mut all = Vec::new();
    for trait_index in 0..study.traits.len() {
        let strains: Vec<&SubjectFits> = told.trajectories.of(Level::Strain, trait_index).collect();
        let name = &study.traits[trait_index].name;
        // One question, one model: pooled strains answer where no model does.
        if let Some(model) = told.trajectories.model(trait_index)
            && model.status() != "failed"
        {
            all.extend(typical(told, trait_index));
            continue;
        }
        let Some(best) = told.trajectories.best_of_strains(trait_index) else {
            if let Some(text) = no_fit(told, &strains) {
                all.push(text);
            }
            all.extend(typical(told, trait_index));
            continue;
        };
        let pointer = told.see("paper_terms", &format!("growth_{}", file_name(name)));
        let mut sentences = vec![match told.trajectories.curves.len() {
            1 => format!(
                "The {} curve was fitted to the {} of each strain {pointer}.",
                best.name(),
                in_words(name)
            ),
            n => format!(
                "Of {n} curves, {} was the one by which the strains' {} was compared {pointer}; curve_choice.csv has the rank of each.",
                best.name(),
                in_words(name)
            ),
        }];
        for fits in strains {
            let fit = fits.fits.iter().find(|fit| fit.curve.name() == best.name());
            if let Some(fit) = fit {
                let strain = &study.strains[fits.subject.strain];
                sentences.push(strain_sentence(told, strain, &*fit.curve, &fit.outcome));
            }
        }
        sentences.push("[What the curve says of these birds, and whether the data reach the ages that it is used for.]".to_owned());
        all.push(sentences.join(" "));
        all.extend(typical(told, trait_index));
    }
    all
}

fn no_fit(told: &Told<'_>, strains: &[&SubjectFits]) -> Option<String> {
    let first = strains.first()?;
    let reason = first.fits.first().map(|fit| fit.outcome.reason())?;
    Some(format!(
        "No curve could be fitted to the {} of any strain ({reason}; curve_fits.csv).",
        in_words(&told.study.traits[first.subject.trait_index].name)
    ))
}

/// The terms of a curve, and the greatest gain, in one sentence.
fn strain_sentence(told: &Told<'_>, strain: &str, curve: &dyn Curve, outcome: &Outcome) -> String {
    let estimates = match outcome {
        Outcome::Failed(_) => return format!("{strain} had no fit ({}).", outcome.reason()),
        Outcome::Weak(estimates, _) | Outcome::Converged(estimates) => estimates,
    };
    let quantities = quantities(told, curve, estimates);
    match outcome {
        Outcome::Weak(..) => format!(
            "The fit of {strain} was weak ({}): {}.",
            outcome.reason(),
            quantities
        ),
        _ => format!("{strain} (n = {} records): {quantities}.", outcome.n()),
    }
}

fn quantities(told: &Told<'_>, curve: &dyn Curve, estimates: &Estimates) -> String {
    let level = told.wishes.confidence;
    let told_as = |name: &str, unit: &str, estimate: Result<Estimate, NotEstimable>| {
        let estimate = match estimate {
            Ok(estimate) => estimate,
            Err(NotEstimable::Absent) => return None,
            Err(NotEstimable::Undetermined(_)) => return Some(format!("{name} not estimable")),
        };
        let unit = if unit.is_empty() {
            String::new()
        } else {
            format!(" {unit}")
        };
        Some(format!(
            "{name} {}{unit}",
            rounding::estimate_and_error(estimate.value, estimate.standard_error)
        ))
    };
    let mut all: Vec<String> = curve
        .terms()
        .iter()
        .enumerate()
        .filter_map(|(place, term)| {
            let estimate = interval::term(curve, estimates, place, level);
            told_as(&term.name, &term.unit, estimate)
        })
        .collect();
    for (what, name) in [
        (Derived::InflectionRate, "maximum growth rate"),
        (Derived::FirstPeakAge, "first peak of gain at"),
        (Derived::SecondPeakAge, "second peak of gain at"),
    ] {
        let estimate = interval::derived(curve, estimates, what, level);
        all.extend(told_as(name, what.unit(), estimate));
    }
    all.join(", ")
}

/// The typical birds of the best mixed model of a trait.
fn typical(told: &Told<'_>, trait_index: usize) -> Vec<String> {
    let name = &told.study.traits[trait_index].name;
    let mut all = Vec::new();
    if let Some(model) = told.trajectories.model(trait_index) {
        if model.status() == "failed" {
            all.push(format!(
                "No mixed model could be fitted to the {} of all birds ({}; model_choice.csv).",
                in_words(name),
                model.reasons().join("; ")
            ));
            return all;
        }
        let curve = model.curve();
        let cohort = model.cohort();
        let mut text = format!(
            "By the mixed model of all {} ({}, n = {} records) the typical birds had the following terms {}.",
            count(cohort.birds.len(), "bird"),
            curve.name(),
            cohort.records(),
            told.see("paper_terms", &format!("population_{}", file_name(name)))
        );
        for (at, group) in model.groups().iter().enumerate() {
            if let Some(estimates) = model.typical(at) {
                text += &format!(
                    " {}: {}.",
                    group.name,
                    quantities(told, &*curve, &estimates)
                );
            }
        }
        if model.status() == "weak" {
            text += &format!(" This fit was weak ({}).", model.reasons().join("; "));
        }
        all.push(text);
    }
    all
}
