//! How the birds grow as one population, in words.

use crate::age::AgeUnit;
use crate::fit::interval;
use crate::fit::mixed::{RandomEffect, TermScale};
use crate::growth::Derived;
use crate::report::text::trait_words;
use crate::report::words::{curve_words, three_digits};
use crate::study::Study;
use crate::trajectory::allometric::AllometricFit;
use crate::trajectory::{
    Because, Design, PopulationFit, SecondPhase, SecondPhaseSource, TraitModel, Trajectories,
    bird_second_phases,
};

/// The best mixed fit of each trait: its typical birds, how much birds differ, whose
/// the bird_second_phases are, and what to be careful about.
#[must_use]
pub fn population(study: &Study, trajectories: &Trajectories, confidence: f64) -> Vec<String> {
    let mut lines = Vec::new();
    for model in &trajectories.models {
        let trait_name = trait_words(study, &study.traits[model.trait_index].name);
        if let Some(fit) = model.allometry() {
            lines.push(format!("  {}", model.note));
            lines.extend(masses((model, fit), confidence, study.age_unit()));
            continue;
        }
        let Some(best) = model.fitted() else {
            lines.push(format!(
                "  all birds: no model of their {trait_name} ({})",
                model.reasons().join("; ")
            ));
            continue;
        };
        if !model.note.is_empty() {
            lines.push(format!("    note: {}", model.note));
        }
        lines.push(format!(
            "  all {} birds at once, {trait_name} by {} (mixed model):",
            best.cohort.birds.len(),
            best.curve.name()
        ));
        lines.extend(design(model.design.as_ref(), best));
        lines.extend(typical(study, best, confidence));
        lines.extend(differences(best));
        lines.extend(whose_second_phases(best));
        for reason in best.outcome.reasons() {
            lines.push(format!("    careful: {reason}"));
        }
    }
    lines
}

/// A line a group: its typical mass at the last age at which it was measured.
fn masses(
    (model, fit): (&TraitModel, &AllometricFit),
    confidence: f64,
    ages: AgeUnit,
) -> Vec<String> {
    let curve = model.curve();
    let groups = model.groups().iter().enumerate();
    let line = |(at, group): (usize, &crate::trajectory::Group)| {
        let (Some(estimates), Some((_, last_d))) = (model.typical(at), model.age_span(at)) else {
            return format!(
                "    the typical bird of {}: not estimable, no scan of it",
                group.name
            );
        };
        let mass = interval::derived(&*curve, &estimates, Derived::ValueAt(last_d), confidence);
        match mass {
            Ok(mass) => {
                let limits = mass.interval.map_or(String::new(), |limits| {
                    format!(
                        " ({} to {})",
                        three_digits(limits.lower),
                        three_digits(limits.upper)
                    )
                });
                format!(
                    "    the typical bird of {}: {} g{limits} at {}",
                    group.name,
                    three_digits(mass.value),
                    ages.show(last_d)
                )
            }
            Err(reason) => format!(
                "    the typical bird of {}: not estimable, {reason}",
                group.name
            ),
        }
    };
    let mut lines: Vec<String> = groups.map(line).collect();
    let sd = fit.bird_sd.map(|sd| 100.0 * sd.value);
    if let Some(sd) = sd {
        lines.push(format!(
            "    birds differ (SD) by {} % at one weight",
            short(sd)
        ));
    }
    lines
}

/// The unit of comparison, where pens are or could be one.
fn design(design: Option<&Design>, fit: &PopulationFit) -> Vec<String> {
    let Some(design) = design.filter(|design| design.because != Because::NoPens) else {
        return Vec::new();
    };
    let mut lines = vec![format!("    {}", design.words())];
    if design.has_pen_effects() && fit.options.cluster.is_empty() {
        lines.push("    careful: this fit has no pen effects, so that differences between groups look better known than they are; the alternating estimator has them".to_owned());
    }
    lines
}

/// A line a group: the typical bird.
fn typical(study: &Study, fit: &PopulationFit, confidence: f64) -> Vec<String> {
    let Some(mixed) = fit.outcome.fit() else {
        return Vec::new();
    };
    let line = |(at, group): (usize, &crate::trajectory::Group)| {
        let estimates = mixed.group_estimates(at);
        let pieces = curve_words(study, &*fit.curve, (&estimates, confidence));
        format!(
            "    the typical bird of {}: {}",
            group.name,
            pieces.join(", ")
        )
    };
    fit.cohort.groups.iter().enumerate().map(line).collect()
}

/// How much birds differ in each term.
fn differences(fit: &PopulationFit) -> Option<String> {
    let mixed = fit.outcome.fit()?;
    if mixed.random.is_empty() {
        return None;
    }
    let terms = fit.curve.terms();
    let one = |effect: &RandomEffect| {
        let term = &terms[effect.term];
        let sd = match effect.spread() {
            Ok(spread) => spread.value,
            Err(_) => return format!("{} by an amount that is not estimable", term.name),
        };
        match effect.scale {
            TermScale::Natural => {
                let unit = if term.unit.is_empty() {
                    String::new()
                } else {
                    format!(" {}", term.unit)
                };
                format!("{} by {}{unit}", term.name, short(sd))
            }
            TermScale::Log => format!("{} by {} %", term.name, short(100.0 * sd)),
            TermScale::Above(other) => format!(
                "{} - {} by {} %",
                term.name,
                terms[other].name,
                short(100.0 * sd)
            ),
        }
    };
    let all = |effects: &[RandomEffect]| -> String {
        let pieces: Vec<String> = effects.iter().map(one).collect();
        pieces.join(", ")
    };
    let pens = if mixed.cluster.is_empty() {
        String::new()
    } else {
        format!("; pens differ (SD): {}", all(&mixed.cluster))
    };
    Some(format!(
        "    birds differ (SD): {}{pens}; residual SD {}",
        all(&mixed.random),
        short(mixed.sigma)
    ))
}

/// How many birds have a second phase estimated from their data.
fn whose_second_phases(fit: &PopulationFit) -> Option<String> {
    let phases = bird_second_phases(fit);
    if phases.is_empty() {
        return None;
    }
    let count = |from: SecondPhaseSource| phases.iter().filter(|phase| phase.from == from).count();
    Some(format!(
        "    second phase: of {} birds {} have it estimated from their weighings, {} partly, {} from the others of their strain",
        phases.len(),
        count(SecondPhaseSource::Data),
        count(SecondPhaseSource::Partly),
        count(SecondPhaseSource::Borrowed)
    ))
}

/// Whether there is a second phase, a line a test.
#[must_use]
pub fn second_phase(study: &Study, tests: &[SecondPhase]) -> Vec<String> {
    let line = |one: &SecondPhase| {
        let who = one
            .strain
            .map_or("all birds", |strain| &study.strains[strain]);
        let what = format!(
            "{}, {}",
            study.traits[one.trait_index].name.replace('_', " "),
            one.curve.name()
        );
        let test = match &one.test {
            Ok(test) => test,
            Err(reason) => return format!("  {who} ({what}): no test of a second phase: {reason}"),
        };
        let Some(p_value) = test.p_value else {
            return format!(
                "  {who} ({what}): no test of a second phase: none of the simulated studies could be fitted"
            );
        };
        let verdict = if p_value <= 0.05 {
            "there is a second phase"
        } else {
            "a second phase is not shown: one phase could look like this"
        };
        format!(
            "  {who} ({what}): {verdict} (likelihood ratio {}, p {p_value:.3} by {} simulated studies of one phase)",
            short(test.likelihood_ratio),
            test.simulations
        )
    };
    std::iter::once("Is there a second phase?".to_owned())
        .chain(tests.iter().map(line))
        .collect()
}

/// Three significant digits, however small.
fn short(value: f64) -> String {
    if value != 0.0 && value.abs() < 0.01 {
        format!("{value:.2e}")
    } else {
        three_digits(value)
    }
}
