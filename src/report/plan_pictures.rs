//! The figure of a plan: precision, or power, against the number of birds.

use super::pictures::{Named, Showing};
use super::plan_tables::{Planned, strain};
use crate::error::Result;
use crate::figure::{DesignPrecision, PrecisionByBirds, PrecisionPanel, Ranged};
use crate::plan::design::{Design, Kind};
use crate::plan::{Aim, Needed, Target, What, Wish, as_number};
use crate::stats::distribution::normal_quantile;

/// Most panels: a wish each.
const MOST_PANELS: usize = 4;
/// Numbers of birds along a line.
const POINTS: usize = 60;

/// `precision_by_birds`: how each wish is approached as birds are added, by design;
/// none without a wish about more than one bird.
///
/// # Errors
/// A size that leaves no room for the panels.
pub fn plan_picture(planned: &Planned<'_>, showing: &Showing) -> Result<Option<Named>> {
    let wishes = planned.question.wishes.iter().enumerate();
    let panels: Vec<PrecisionPanel> = wishes
        .filter_map(|(at, wish)| panel(planned, at, wish))
        .take(MOST_PANELS)
        .collect();
    if panels.is_empty() {
        return Ok(None);
    }
    let simulated = planned.plan.confirmation.as_ref().map(|(_, found)| {
        let studies = found.studies - found.failed;
        format!("{studies} simulated studies, 95 % interval by simulation")
    });
    let figure = PrecisionByBirds {
        expected: "expected information".to_owned(),
        simulated: simulated.unwrap_or_default(),
        panels,
        letter: showing.letter,
    };
    let size = showing.sized(figure.size(showing.width_mm)?)?;
    Ok(Some(Named {
        name: "precision_by_birds".to_owned(),
        picture: figure.draw(size)?,
    }))
}

/// Designs that are drawn: the chosen one, the best ages for as many scans, and serial
/// slaughter.
fn drawn<'a>(planned: &Planned<'a>) -> Vec<(bool, String, &'a Design)> {
    let plan = planned.plan;
    let chosen = plan.chosen();
    let scans = chosen.schedule.ages_d.len();
    let mut drawn = vec![(true, chosen)];
    if chosen.kind == Kind::Asked {
        let best = plan.designs.iter().find(|design| {
            design.kind == Kind::Optimal && design.schedule.ages_d.len() == scans
        });
        drawn.extend(best.map(|best| (false, best)));
    } else {
        // What the fewest scans would do.
        let fewest = plan.designs.iter().enumerate().find(|(at, design)| {
            design.kind == Kind::Optimal && *at != plan.chosen
        });
        drawn.extend(fewest.map(|(_, design)| (false, design)));
    }
    drawn.extend(plan.slaughter().map(|design| (false, design)));
    drawn
        .into_iter()
        .map(|(chosen, design)| {
            let scans = design.schedule.ages_d.len();
            let name = match design.kind {
                Kind::Asked => format!("{scans} scans as asked"),
                Kind::Optimal => format!("{scans} scans, best ages"),
                Kind::SerialSlaughter => "Serial slaughter".to_owned(),
            };
            (chosen, name, design)
        })
        .collect()
}

fn panel(planned: &Planned<'_>, at: usize, wish: &Wish) -> Option<PrecisionPanel> {
    if matches!(wish.aim, Aim::Reliable(_)) {
        return None;
    }
    let plan = planned.plan;
    let needed = plan.chosen().needed.get(at)?.as_ref()?;
    let target = &plan.targets[needed.target];
    let strains = planned.population.groups();
    let level = planned.question.level;
    // To twice what is needed, so that both sides of the answer are seen.
    let last = last_number(planned, needed);
    let percent = if matches!(wish.aim, Aim::Detect { .. }) { 100.0 } else { 1.0 };
    let designs = drawn(planned).into_iter().map(|(chosen, name, design)| {
        let variance = design.told.variance(planned.population, target);
        let expected = variance.map_or_else(Vec::new, |variance| {
            numbers(last)
                .map(|birds| {
                    let reached = wish.reached(target, variance, birds, (strains, level));
                    (as_number(birds), percent * reached)
                })
                .collect()
        });
        DesignPrecision {
            name,
            expected,
            simulated: if chosen {
                simulated(planned, wish, needed.target).into_iter().collect()
            } else {
                Vec::new()
            },
        }
    });
    let whose = match target.strains.len() {
        2 => strain(target, planned.strains).replace(" - ", " against "),
        _ if strains > 1 => strain(target, planned.strains),
        _ => String::new(),
    };
    Some(PrecisionPanel {
        name: whose,
        label: label(wish, target),
        wanted: Some(match wish.aim {
            Aim::Within(amount) => amount.of(target.value),
            Aim::Detect { power, .. } => 100.0 * power,
            Aim::Reliable(share) => share,
        }),
        designs: designs.collect(),
    })
}

fn label(wish: &Wish, target: &Target) -> String {
    let name = in_words(&target.name);
    let unit = if target.unit.is_empty() {
        String::new()
    } else {
        format!(" ({})", target.unit)
    };
    match wish.aim {
        Aim::Detect { size, .. } => {
            let size = super::words::three_digits(size.of(target.value));
            format!("Power for {size} {} of {name} (%)", target.unit)
        }
        Aim::Within(_) | Aim::Reliable(_) => format!("Half width of {name}{unit}"),
    }
}

/// `mature weight`: of a term its letter as it stands.
fn in_words(name: &str) -> String {
    name.replace('_', " ")
}

fn last_number(planned: &Planned<'_>, needed: &Needed) -> usize {
    let most = planned.question.most_birds;
    let wanted = match needed.birds {
        Some(birds) => 2 * birds,
        None => most,
    };
    wanted.clamp(12, most.max(12))
}

fn numbers(last: usize) -> impl Iterator<Item = usize> {
    let step = (last / POINTS).max(1);
    (2..=last).step_by(step)
}

/// What simulated studies of the chosen design gave of a wish.
fn simulated(planned: &Planned<'_>, wish: &Wish, target: usize) -> Option<(f64, Ranged)> {
    let (birds, found) = planned.plan.confirmation.as_ref()?;
    let told = found.targets[target]?;
    let z = normal_quantile(0.975);
    let what = planned.plan.targets[target].what;
    let (value, error) = match (wish.aim, what) {
        (Aim::Detect { .. }, What::Contrast(_)) => {
            let power = told.power?;
            let n = as_number(told.n);
            (100.0 * power, 100.0 * (power * (1.0 - power) / n).sqrt())
        }
        _ => {
            let df = crate::plan::freedom(planned.population.groups(), *birds);
            let factor = crate::plan::power::factor(planned.question.level, df);
            (
                factor * told.standard_error,
                factor * told.standard_error_of_it,
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
