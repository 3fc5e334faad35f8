//! The answer of a plan in ten lines.

use super::line::{Line, Role, wrapped};
use super::short_answer;
use crate::plan::Aim;
use crate::report::paper::words::{curve, spaced};
use crate::report::plan_words::{aims, not_reached, simulated_aims};
use crate::report::tables::plan::Planned;
use crate::report::text::count;

/// What every plan needs besides numbers.
const CAUTION: &str = "The local animal-care body approves the number of birds.";

/// How many birds, scanned at which ages, meet the aims; what simulated studies gave; what it
/// is planned from.
#[must_use]
pub fn plan(planned: &Planned<'_>, place: &str) -> Vec<Line> {
    let (plan, population) = (planned.plan, planned.population);
    let chosen = plan.chosen();
    let strains = population.groups();
    let mut lines = Vec::new();
    if let Some(birds) = chosen.birds {
        let all = birds * strains;
        let scans = all * chosen.schedule.scans_per_bird();
        let whose = match strains {
            1 => String::new(),
            _ => format!(" a strain ({all} in all)"),
        };
        let pens = planned.question.allocation.pens;
        let pens = pens.map_or(String::new(), |pens| {
            format!(" in {}", count(pens.per_group, "pen"))
        });
        let text = format!("{birds} birds{whose}{pens}, {scans} scans");
        lines.push(Line::headed("PLAN", "").with(Role::Good, text));
    } else {
        let reasons = not_reached(planned).join(" ");
        lines.extend(wrapped("NO PLAN", &reasons, 4));
    }
    lines.extend(wrapped("AT", &chosen.schedule.ages_in_words(), 1));
    if chosen.birds.is_some() {
        let aims = aims(planned).join(", and to ");
        lines.extend(wrapped("TO", &spaced(&aims), 2));
    }
    lines.extend(simulations(planned));
    let calibrations = planned.calibrations.iter();
    let carcasses = calibrations.filter_map(|(name, requirement)| {
        Some(format!(
            "{} for {}",
            count(requirement.birds()?, "bird"),
            spaced(name)
        ))
    });
    let carcasses: Vec<String> = carcasses.collect();
    if !carcasses.is_empty() {
        let text = format!("chemistry of {}", carcasses.join(", "));
        lines.extend(wrapped("CALIBRATION", &text, 1));
    }
    let from = format!(
        "{} of {}, {}",
        curve(population.curve().name()),
        spaced(planned.trait_name),
        count(population.subjects(), "bird")
    );
    lines.push(Line::headed("BASED ON", from));
    short_answer(lines, CAUTION, place)
}

/// Power and coverage in simulated studies, for the first aim.
fn simulations(planned: &Planned<'_>) -> Vec<Line> {
    let Some((_, found)) = &planned.plan.confirmation else {
        return Vec::new();
    };
    let first = simulated_aims(planned, found).next();
    let shown = first.map(|(requirement, _, _, simulated)| {
        let power = simulated.power_of_true.or(simulated.power);
        let power = power.filter(|_| matches!(requirement.aim, Aim::Detect { .. }));
        let power = power.map_or(String::new(), |power| {
            format!("power {:.0} %, ", 100.0 * power)
        });
        format!("{power}coverage {:.1} %; ", 100.0 * simulated.coverage)
    });
    let text = format!(
        "{} studies: {}{:.1} % of the fits failed",
        found.studies,
        shown.unwrap_or_default(),
        100.0 * found.failed_share()
    );
    vec![Line::headed("SIMULATED", text)]
}
