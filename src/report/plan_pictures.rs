//! The figure of a plan: precision, or power, against the number of birds.

use super::pictures::{Drawn, Showing};
use super::tables::plan::{Planned, strain};
use crate::figure::{DesignPrecision, Precision, PrecisionPanel, Ranged};
use crate::plan::design::{Design, Kind};
use crate::plan::power::factor;
use crate::plan::{Aim, Needed, Requirement, Target, as_number};
use crate::stats::distribution::normal_quantile;

/// Most panels: two of a difference, one of another requirement.
const MOST_PANELS: usize = 4;
/// Numbers of birds along a line.
const POINTS: usize = 60;

/// `precision_by_birds`: how each requirement is approached as birds are added, by design;
/// none without a requirement about more than one bird.
pub fn plan_picture(planned: &Planned<'_>, showing: &Showing, drawn: &mut Drawn) {
    let requirements = planned.question.requirements.iter().enumerate();
    let panels: Vec<PrecisionPanel> = requirements
        .flat_map(|(at, requirement)| {
            let [one, other] =
                shown(requirement).map(|shown| panel(planned, at, requirement, shown?));
            one.into_iter().chain(other)
        })
        .take(MOST_PANELS)
        .collect();
    if panels.is_empty() {
        return;
    }
    let simulated = planned.plan.confirmation.as_ref().map(|(_, found)| {
        let studies = found.studies - found.failed;
        format!("{studies} simulated studies, bars: 95 % interval by simulation")
    });
    let figure = Precision {
        title: "Precision by number of birds".to_owned(),
        effort: if planned.population.groups() > 1 {
            "Birds a strain".to_owned()
        } else {
            "Birds".to_owned()
        },
        expected: "expected information".to_owned(),
        points: simulated.unwrap_or_default(),
        panels,
        frame: showing.frame.clone(),
    };
    drawn.add("precision_by_birds".to_owned(), &figure, showing);
}

/// Designs that are drawn: the chosen one, the best ages for as many scans, and serial
/// slaughter.
fn drawn<'a>(planned: &Planned<'a>) -> Vec<(bool, String, &'a Design)> {
    let plan = planned.plan;
    let chosen = plan.chosen();
    let scans = chosen.schedule.ages_d.len();
    let mut drawn = vec![(true, chosen)];
    if chosen.kind == Kind::Given {
        let best = plan
            .designs
            .iter()
            .find(|design| design.kind == Kind::Optimal && design.schedule.ages_d.len() == scans);
        drawn.extend(best.map(|best| (false, best)));
    } else {
        // What the fewest scans would do.
        let fewest = plan
            .designs
            .iter()
            .enumerate()
            .find(|(at, design)| design.kind == Kind::Optimal && *at != plan.chosen);
        drawn.extend(fewest.map(|(_, design)| (false, design)));
    }
    drawn.extend(plan.slaughter().map(|design| (false, design)));
    drawn
        .into_iter()
        .map(|(chosen, design)| {
            let scans = design.schedule.ages_d.len();
            let name = match design.kind {
                Kind::Given => format!("{scans} scans as requested"),
                Kind::Optimal => format!("{scans} scans, best ages"),
                Kind::SerialSlaughter => "Serial slaughter".to_owned(),
            };
            (chosen, name, design)
        })
        .collect()
}

/// What a panel shows of a requirement.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Shown {
    Power,
    HalfWidth,
}

/// The panels of a requirement; the precision of one bird does not depend on the others.
fn shown(requirement: &Requirement) -> [Option<Shown>; 2] {
    match requirement.aim {
        Aim::Within(_) => [Some(Shown::HalfWidth), None],
        Aim::Detect { .. } => [Some(Shown::Power), Some(Shown::HalfWidth)],
        Aim::Reliable(_) => [None, None],
    }
}

fn panel(
    planned: &Planned<'_>,
    at: usize,
    requirement: &Requirement,
    shown: Shown,
) -> Option<PrecisionPanel> {
    let plan = planned.plan;
    let needed = plan.chosen().needed.get(at)?.as_ref()?;
    let target = &plan.targets[needed.target];
    let strains = planned.population.groups();
    let level = planned.question.level;
    let allocation = planned.question.allocation;
    let last = last_number(planned, needed);
    let value = |variance: f64, birds: usize| match shown {
        Shown::Power => 100.0 * requirement.reached(target, variance, birds, (allocation, level)),
        Shown::HalfWidth => {
            let factor = factor(level, allocation.degrees_of_freedom(birds));
            factor * allocation.standard_error(target, variance, birds)
        }
    };
    let designs = drawn(planned).into_iter().map(|(chosen, name, design)| {
        let variance = design.expected.variance(planned.population, target);
        let expected = variance.map_or_else(Vec::new, |variance| {
            numbers(shown, last)
                .map(|birds| (as_number(birds), value(variance, birds)))
                .collect()
        });
        let simulated = chosen.then(|| simulated(planned, needed.target, shown));
        DesignPrecision {
            name,
            expected,
            points: simulated.flatten().into_iter().collect(),
        }
    });
    let quantity = target.name.replace('_', " ");
    let name = match target.strains.len() {
        2 => {
            let both = strain(target, planned.strains).replace(" - ", " against ");
            format!("{both}: {quantity}")
        }
        _ if strains > 1 => format!("{}: {quantity}", strain(target, planned.strains)),
        _ => quantity,
    };
    Some(PrecisionPanel {
        name,
        label: label(requirement, target, shown),
        wanted: match (requirement.aim, shown) {
            (Aim::Within(amount), Shown::HalfWidth) => Some(amount.of(target.value)),
            (Aim::Detect { power, .. }, Shown::Power) => Some(100.0 * power),
            _ => None,
        },
        designs: designs.collect(),
    })
}

/// Short enough to stand beside a panel's letter: the panel's name completes it.
fn label(requirement: &Requirement, target: &Target, shown: Shown) -> String {
    let unit = target.unit.as_str();
    match (requirement.aim, shown) {
        (Aim::Detect { size, .. }, Shown::Power) => {
            let size = super::words::three_digits(size.of(target.value));
            format!("Power for {size} {unit}").trim_end().to_owned() + " (%)"
        }
        _ if unit.is_empty() => "Half width".to_owned(),
        _ => format!("Half width ({unit})"),
    }
}

/// To twice what is needed, so that both sides of the answer are seen.
fn last_number(planned: &Planned<'_>, needed: &Needed) -> usize {
    let most = planned.question.most_birds;
    let wanted = needed.birds.map_or(most, |birds| 2 * birds);
    wanted.clamp(12, most.max(12))
}

/// Half widths from an eighth of the last on: those of very few birds dwarf all others.
fn numbers(shown: Shown, last: usize) -> impl Iterator<Item = usize> {
    let first = match shown {
        Shown::Power => 2,
        Shown::HalfWidth => (last / 8).max(3),
    };
    (first..=last).step_by((last / POINTS).max(1))
}

/// What simulated studies of the chosen design gave.
fn simulated(planned: &Planned<'_>, target: usize, shown: Shown) -> Option<(f64, Ranged)> {
    let (birds, found) = planned.plan.confirmation.as_ref()?;
    let simulated = found.targets[target]?;
    let z = normal_quantile(0.975);
    let (value, error) = match shown {
        Shown::Power => {
            let power = simulated.power?;
            let n = as_number(simulated.n);
            (100.0 * power, 100.0 * (power * (1.0 - power) / n).sqrt())
        }
        Shown::HalfWidth => {
            let df = planned.question.allocation.degrees_of_freedom(*birds);
            let factor = factor(planned.question.level, df);
            (
                factor * simulated.standard_error,
                factor * simulated.standard_error_of_it,
            )
        }
    };
    let ranged = Ranged {
        value,
        lower: value - z * error,
        upper: value + z * error,
    };
    Some((as_number(*birds), ranged))
}
