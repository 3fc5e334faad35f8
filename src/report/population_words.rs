//! How the birds grow as one population, in words.

use crate::fit::estimable::NotEstimable;
use crate::fit::interval;
use crate::fit::mixed::TermScale;
use crate::growth::Derived;
use crate::report::words::three_digits;
use crate::study::Study;
use crate::trajectory::{PopulationFit, SecondPhase, SpurtFrom, Trajectories, spurts};

/// The best mixed fit of each trait: its typical birds, how much birds differ, whose
/// the spurts are, and what to be careful about.
#[must_use]
pub fn population(study: &Study, trajectories: &Trajectories, confidence: f64) -> Vec<String> {
    let mut lines = Vec::new();
    for all in &trajectories.populations {
        let trait_name = study.traits[all.trait_index].name.replace('_', " ");
        let Some(best) = all.best() else {
            let reasons = all.fits.iter().map(|fit| {
                let reasons = fit.outcome.reasons().join("; ");
                format!(
                    "  all birds: no {} for their {trait_name} ({reasons})",
                    fit.curve.name()
                )
            });
            lines.extend(reasons);
            continue;
        };
        lines.push(format!(
            "  all {} birds at once, {trait_name} by {} (mixed model):",
            best.cohort.birds.len(),
            best.curve.name()
        ));
        lines.extend(typical(best, confidence));
        lines.extend(differences(best));
        lines.extend(whose_spurts(best));
        for reason in best.outcome.reasons() {
            lines.push(format!("    careful: {reason}"));
        }
    }
    lines
}

/// A line a group: the typical bird.
fn typical(fit: &PopulationFit, confidence: f64) -> Vec<String> {
    let Some(mixed) = fit.outcome.fit() else {
        return Vec::new();
    };
    let line = |(at, group): (usize, &crate::trajectory::Group)| {
        let estimates = mixed.group_estimates(at);
        let quantity = |words: &str, what: Derived, unit: &str| {
            let estimate = match interval::derived(&*fit.curve, &estimates, what, confidence) {
                Ok(estimate) => estimate,
                Err(NotEstimable::Absent) => return None,
                Err(NotEstimable::Undetermined(_)) => {
                    return Some(format!("{words} not estimable"));
                }
            };
            let limits = estimate.interval.map_or(String::new(), |limits| {
                format!(
                    " ({} to {})",
                    three_digits(limits.lower),
                    three_digits(limits.upper)
                )
            });
            Some(format!(
                "{words} {} {unit}{limits}",
                three_digits(estimate.value)
            ))
        };
        let told: Vec<String> = [
            quantity("mature", Derived::Mature, "g"),
            quantity("maximum growth rate", Derived::InflectionRate, "g/d"),
            quantity("at", Derived::InflectionAge, "d"),
            quantity("first peak of gain at", Derived::FirstPeakAge, "d"),
            quantity("second peak of gain at", Derived::SecondPeakAge, "d"),
        ]
        .into_iter()
        .flatten()
        .collect();
        format!(
            "    the typical bird of {}: {}",
            group.name,
            told.join(", ")
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
    let one = |effect: &crate::fit::mixed::RandomEffect| {
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
    let told: Vec<String> = mixed.random.iter().map(one).collect();
    Some(format!(
        "    birds differ (SD): {}; residual SD {}",
        told.join(", "),
        short(mixed.sigma)
    ))
}

/// How many birds' spurts are their own.
fn whose_spurts(fit: &PopulationFit) -> Option<String> {
    let spurts = spurts(fit);
    if spurts.is_empty() {
        return None;
    }
    let count = |from: SpurtFrom| spurts.iter().filter(|spurt| spurt.from == from).count();
    Some(format!(
        "    second phase: of {} birds {} show their own, {} in part, {} borrow it from the others of their strain",
        spurts.len(),
        count(SpurtFrom::Data),
        count(SpurtFrom::Partly),
        count(SpurtFrom::Borrowed)
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
