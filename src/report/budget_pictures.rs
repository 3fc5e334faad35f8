//! The figure of a plan under a budget: what half width money buys, by way of scanning.

use super::pictures::{Drawn, Showing};
use crate::analysis::ScanBudget;
use crate::figure::{DesignPrecision, Precision, PrecisionPanel, Ranged};
use crate::plan::budget::{Aim, Offer, ScanDesign, least_half_widths};

/// Most panels.
const MOST_PANELS: usize = 6;

/// `precision_by_cost`: each requirement about strain means and birds' curves; none without one.
pub fn budget_picture(plan: &ScanBudget, showing: &Showing, drawn: &mut Drawn) {
    let offers = shown(plan);
    let mut panels = Vec::new();
    for aim in [Aim::StrainMean, Aim::BirdCurve] {
        for at in 0..plan.pilots.len() {
            panels.extend(panel(plan, aim, at, &offers));
        }
    }
    panels.truncate(MOST_PANELS);
    if panels.is_empty() {
        return;
    }
    let reached = offers.iter().any(|offer| design(offer).is_some());
    let points = if reached {
        "cheapest design that reaches all requirements"
    } else {
        ""
    };
    let figure = Precision {
        title: "Precision by cost".to_owned(),
        effort: format!("Cost ({})", plan.budget.currency),
        expected: "least half width for the cost".to_owned(),
        points: points.to_owned(),
        panels,
        frame: showing.frame.clone(),
    };
    drawn.add("precision_by_cost".to_owned(), &figure, showing);
}

/// Of each way the number of repeats with the cheapest design.
fn shown(plan: &ScanBudget) -> Vec<&Offer> {
    let money = |offer: &Offer| {
        let design = design(offer)?;
        Some(plan.budget.cost(design, plan.extent).money)
    };
    let mut shown: Vec<&Offer> = Vec::new();
    for way in 0..plan.budget.scans.len() {
        let offers = plan.offers.offers.iter().filter(|offer| offer.way == way);
        let priced = offers.filter_map(|offer| Some((money(offer)?, offer)));
        let cheapest = priced.min_by(|a, b| a.0.total_cmp(&b.0));
        shown.extend(cheapest.map(|(_, offer)| offer));
    }
    shown
}

fn design(offer: &Offer) -> Option<ScanDesign> {
    offer.all.as_ref().ok().copied().or(offer.means)
}

fn panel(plan: &ScanBudget, aim: Aim, at: usize, offers: &[&Offer]) -> Option<PrecisionPanel> {
    let (budget, pilot) = (&plan.budget, &plan.pilots[at]);
    let requirements = budget.requirements.iter();
    let mut of_trait = requirements.filter(|requirement| requirement.trait_name == pilot.name);
    let wanted = of_trait.find_map(|requirement| requirement.of(aim))?;
    // To twice what the dearest of the designs costs.
    let dearest = offers.iter().filter_map(|offer| design(offer));
    let dearest = dearest.map(|design| budget.cost(design, plan.extent).money);
    let last = 2.0 * dearest.fold(0.0, f64::max);
    let ways = offers.iter().map(|offer| {
        let scope = (offer.way, offer.repeats, aim);
        let mut least = least_half_widths((budget, pilot), plan.extent, scope);
        // The first few birds dwarf all others.
        least.retain(|(money, width)| *money <= last && *width <= 3.0 * wanted);
        let birds = budget.scans[offer.way].birds;
        let reached = design(offer).and_then(|design| {
            let scope = (plan.extent, budget.level);
            let width = pilot.widest_pct(aim, (design, birds), scope)?;
            let half_width = Ranged {
                value: width,
                ..Ranged::NONE
            };
            Some((budget.cost(design, plan.extent).money, half_width))
        });
        DesignPrecision {
            name: match offer.repeats {
                1 => budget.scans[offer.way].way(),
                repeats => format!("{}, {repeats} scans each", budget.scans[offer.way].way()),
            },
            expected: least,
            points: reached.into_iter().collect(),
        }
    });
    let mut name = format!("{}: {}", pilot.name, aim.word());
    if let Some(first) = name.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    Some(PrecisionPanel {
        name,
        label: "Half width (%)".to_owned(),
        wanted: Some(wanted),
        designs: ways.collect(),
    })
}
