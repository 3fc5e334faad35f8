//! The answer of a plan under a budget in ten lines.

use super::line::{Line, Role, flowing, wrapped};
use super::short_answer;
use crate::analysis::ScanBudget;
use crate::plan::budget::{Aim, ScanDesign};
use crate::report::budget_words::{GroupScans, group_scans, refused};
use crate::report::carcass_words::best_ages;
use crate::report::rounding::significant;
use crate::report::tables::carcasses::{PlannedCarcasses, basis};
use crate::report::text::count;

/// What no number can replace.
const CAUTION: &str = "Animal-care body: birds scanned and killed. X-rays: authorised operators.";

/// The cheapest scans, birds and carcasses, what they reach, what scans of several birds save
/// and lose; the best split of carcasses.
#[must_use]
pub fn budget(
    plan: Option<&ScanBudget>,
    carcasses: Option<PlannedCarcasses<'_>>,
    place: &str,
) -> Vec<Line> {
    let mut lines = Vec::new();
    if let Some(plan) = plan {
        lines.extend(designs(plan));
    }
    if let Some(planned) = carcasses {
        lines.extend(splits(planned, if plan.is_some() { 1 } else { 6 }));
    }
    short_answer(lines, CAUTION, place)
}

fn designs(plan: &ScanBudget) -> Vec<Line> {
    let offers = &plan.offers;
    let design = |at: usize| offers.offers[at].all.as_ref().ok().copied();
    let mut lines = Vec::new();
    match offers.chosen.and_then(design) {
        Some(design) => {
            lines.extend(shown("PLAN", Role::Good, plan, design));
            lines.extend(flowing("HALF WIDTHS", &reached(plan, design), 2));
        }
        None => {
            let text = match offers.cheapest.and_then(design) {
                Some(design) => {
                    let cost = plan.budget.cost(design, plan.extent);
                    let passed = plan.budget.passed(design, &cost).join(", ");
                    format!(
                        "the cheapest passes the limit of {passed}: {:.0} {}, {:.0} h",
                        cost.money, plan.budget.currency, cost.hours
                    )
                }
                None => "no design reaches the requirements, whatever it costs".to_owned(),
            };
            lines.extend(wrapped("NO PLAN", &text, 2));
            if let Some((design, _)) = offers.nearest {
                lines.extend(shown("NEAREST", Role::Uncertain, plan, design));
            }
        }
    }
    if let Some(GroupScans::Both { less, .. }) = group_scans(plan) {
        let text = format!("same strain means: {less}; no bird's curve, no spread, no regions");
        lines.extend(wrapped("GROUP SCANS", &text, 2));
    }
    let refused = refused(plan);
    if !refused.is_empty() {
        lines.extend(wrapped("NOT OFFERED", &refused.join("; "), 1));
    }
    lines
}

/// `fat mean 8.8 % (required 9)` of each requirement.
fn reached(plan: &ScanBudget, design: ScanDesign) -> Vec<String> {
    let birds = plan.budget.scans[design.way].birds;
    let scope = (plan.extent, plan.budget.level);
    let mut pieces = Vec::new();
    for (requirement, pilot) in plan.required() {
        for (aim, name) in [
            (Aim::StrainMean, "mean"),
            (Aim::BirdCurve, "bird"),
            (Aim::Calibration, "equation"),
        ] {
            let widest = pilot.widest_pct(aim, (design, birds), scope);
            if let (Some(required), Some(widest)) = (requirement.of(aim), widest) {
                let size = significant(widest, 2);
                pieces.push(format!(
                    "{} {name} {size} % ({required})",
                    requirement.trait_name
                ));
            }
        }
    }
    pieces
}

/// `tube: 16 birds a strain (68 in all), 164 scans, 20 carcasses` and what it costs.
fn shown(heading: &str, role: Role, plan: &ScanBudget, design: ScanDesign) -> Vec<Line> {
    let cost = plan.budget.cost(design, plan.extent);
    let repeats = match design.repeats {
        1 => String::new(),
        repeats => format!(" {repeats} times"),
    };
    let text = format!(
        "{}{repeats}: {} a strain, {}, {}",
        plan.budget.scans[design.way].way(),
        count(design.birds, "bird"),
        count(cost.scans, "scan"),
        match design.carcasses {
            1 => "1 new carcass".to_owned(),
            carcasses => format!("{carcasses} new carcasses"),
        },
    );
    let costs = format!(
        "{:.0} {}, {:.0} h of work, {}",
        cost.money,
        plan.budget.currency,
        cost.hours,
        count(cost.birds, "bird")
    );
    vec![
        Line::headed(heading, "").with(role, text),
        Line::headed("COSTS", costs),
    ]
}

fn splits(planned: PlannedCarcasses<'_>, most: usize) -> Vec<Line> {
    let plans = planned.plans.iter();
    let each = plans.flat_map(|plan| planned.birds.iter().map(move |birds| (plan, *birds)));
    let lines = each.filter_map(|(plan, birds)| {
        let best = plan.best(birds)?;
        let worth = plan.efficiency(&plan.as_in_pilot(birds), &best)?;
        let text = format!(
            "{} ({}): {}; pilot's split worth {:.0} %",
            count(birds, "bird"),
            basis(plan),
            best_ages(plan, &best),
            100.0 * worth
        );
        Some(wrapped("CARCASSES", &text, 2))
    });
    lines.take(most).flatten().collect()
}
