//! Text of a plan under a budget.

use super::plan_words::CAUTION;
use super::words::three_digits;
use crate::analysis::{PilotScans, ScanBudget};
use crate::plan::budget::{Aim, Cost, Offer, ScanDesign};

/// The answer: the cheapest design, what it reaches and rests on, what scans of several birds
/// save and lose, and what is not offered.
#[must_use]
pub fn budget(pilot: &PilotScans, plan: &ScanBudget) -> Vec<String> {
    let mut lines = vec!["What is the cheapest study of the required precision?".to_owned()];
    lines.push(format!(
        "  {} strains, each bird scanned at {} d; every figure rests on the pilot's own scans and equations (scan_components).",
        plan.extent.strains,
        listed(pilot.ages_d.iter().map(|age_d| format!("{age_d}")))
    ));
    lines.extend(answer(plan));
    lines.extend(components(pilot));
    lines.extend(several_birds(plan));
    lines.extend(
        refused(plan)
            .into_iter()
            .map(|one| format!("  Not offered: {one}.")),
    );
    lines.push(format!("  {CAUTION}"));
    lines
}

fn listed(items: impl Iterator<Item = String>) -> String {
    let items: Vec<String> = items.collect();
    super::prose::listed(&items)
}

/// `tube, 2 scans on each occasion, 12 birds a strain (36 birds, 216 scans) and 20 carcasses
/// beside the pilot's: 8450 EUR and 92.0 h`.
fn in_words(plan: &ScanBudget, design: ScanDesign) -> String {
    let cost = plan.budget.cost(design, plan.extent);
    let repeats = match design.repeats {
        1 => "one scan".to_owned(),
        repeats => format!("{repeats} scans"),
    };
    let carcasses = match design.carcasses {
        0 => "no further carcass".to_owned(),
        1 => "1 carcass beside the pilot's".to_owned(),
        carcasses => format!("{carcasses} carcasses beside the pilot's"),
    };
    format!(
        "{}, {repeats} on each occasion, {} birds a strain ({} birds in all, {} scans) and {carcasses}: {}",
        plan.budget.scans[design.way].way(),
        design.birds,
        cost.birds,
        cost.scans,
        price(plan, &cost)
    )
}

fn price(plan: &ScanBudget, cost: &Cost) -> String {
    format!(
        "{:.0} {} and {:.0} h of work",
        cost.money, plan.budget.currency, cost.hours
    )
}

/// `strain mean of fat 4.8 % (required 5 %)`, of each requirement.
fn reached(plan: &ScanBudget, design: ScanDesign) -> String {
    let birds = plan.budget.scans[design.way].birds;
    let mut parts = Vec::new();
    for (requirement, pilot) in plan.required() {
        for aim in Aim::ALL {
            let Some(required) = requirement.of(aim) else {
                continue;
            };
            let scope = (plan.extent, plan.budget.level);
            if let Some(widest) = pilot.widest_pct(aim, (design, birds), scope) {
                parts.push(format!(
                    "{} of {} {} % (required {required} %)",
                    aim.word(),
                    requirement.trait_name,
                    three_digits(widest)
                ));
            }
        }
    }
    listed(parts.into_iter())
}

fn answer(plan: &ScanBudget) -> Vec<String> {
    let offers = &plan.offers;
    let design = |at: usize| offers.offers[at].all.as_ref().ok().copied();
    let mut lines = Vec::new();
    if let Some(design) = offers.chosen.and_then(design) {
        lines.push(format!("  Cheapest: {}.", in_words(plan, design)));
        lines.push(format!(
            "  Greatest half width of the {:.0} % intervals over strains and ages: {}.",
            100.0 * plan.budget.level,
            reached(plan, design)
        ));
        if let Some(careful) = plan.careful_birds(design) {
            let df = plan.pilots.iter().map(|pilot| pilot.birds_df).min();
            lines.push(format!(
                "  The pilot estimates the variance between birds with {} degrees of freedom; at its upper 80 % limit {careful} birds a strain are needed.",
                df.unwrap_or(0)
            ));
        }
        return lines;
    }
    match offers.cheapest.and_then(design) {
        Some(design) => {
            let cost = plan.budget.cost(design, plan.extent);
            let passed = plan.budget.passed(design, &cost);
            lines.push(format!(
                "  No design within the limits reaches the requirements. The cheapest that does passes the limit of {}: {}.",
                super::prose::listed(&passed),
                in_words(plan, design)
            ));
        }
        None => lines.push("  No design reaches the requirements, whatever it costs.".to_owned()),
    }
    if let Some((design, _)) = offers.nearest {
        lines.push(format!(
            "  Nearest within the limits: {}. Half widths: {}.",
            in_words(plan, design),
            reached(plan, design)
        ));
    }
    lines
}

fn components(pilot: &PilotScans) -> Vec<String> {
    let sd = |variance: f64| format!("{} %", three_digits(100.0 * variance.max(0.0).sqrt()));
    let of_trait = pilot.components.iter().map(|own| {
        let kept = match own.bird_variance {
            Some(bird) if bird > 0.0 => format!(", of which {} stays with a bird at all ages", sd(bird)),
            Some(_) => ", of which the pilot shows nothing that stays with a bird".to_owned(),
            None => String::new(),
        };
        format!(
            "  Pilot, {}: birds of a strain differ at one age by an SD of {}{kept} ({} birds); the equation rests on {} birds.",
            own.trait_name,
            sd(own.between_variance),
            own.birds,
            own.equation_birds
        )
    });
    of_trait.collect()
}

/// What scans of several birds do for the same strain means and calibration.
pub(super) enum GroupScans {
    /// They and single birds reach them.
    Both {
        group: ScanDesign,
        single: ScanDesign,
        /// What the group scans cost less or more.
        less: String,
    },
    /// Only they do.
    OnlyGroup(ScanDesign),
    /// They do not.
    None,
}

/// Scans of several birds against single ones; none where the budget has no such scans, or
/// requires no strain means.
pub(super) fn group_scans(plan: &ScanBudget) -> Option<GroupScans> {
    let scans = &plan.budget.scans;
    let mut requirements = plan.budget.requirements.iter();
    let required = requirements.any(|requirement| requirement.mean_pct.is_some());
    if !required || scans.iter().all(|scan| scan.birds == 1) {
        return None;
    }
    let cost = |design: ScanDesign| plan.budget.cost(design, plan.extent);
    let cheapest = |several: bool| {
        let offers = plan.offers.offers.iter();
        let of_kind = offers.filter(|offer| (scans[offer.way].birds > 1) == several);
        let designs = of_kind.filter_map(|offer: &Offer| offer.means);
        designs.min_by(|a, b| cost(*a).money.total_cmp(&cost(*b).money))
    };
    Some(match (cheapest(true), cheapest(false)) {
        (Some(group), Some(single)) => {
            let less = |a: f64, b: f64, unit: &str| match a - b {
                more if more >= 0.0 => format!("{more:.0} {unit} less"),
                more => format!("{:.0} {unit} more", -more),
            };
            let (of_group, of_single) = (cost(group), cost(single));
            GroupScans::Both {
                group,
                single,
                less: format!(
                    "{} and {}",
                    less(of_single.money, of_group.money, &plan.budget.currency),
                    less(of_single.hours, of_group.hours, "h")
                ),
            }
        }
        (Some(group), None) => GroupScans::OnlyGroup(group),
        (None, _) => GroupScans::None,
    })
}

/// What scans of several birds save and lose, for the same precision of the strains' means.
fn several_birds(plan: &ScanBudget) -> Option<String> {
    let loses = "They give no curve of a single bird, no spread between birds and so no uniformity, and no body regions.";
    Some(match group_scans(plan)? {
        GroupScans::Both {
            group,
            single,
            less,
        } => {
            let offsets = plan.pilots.iter().filter_map(|pilot| {
                let errors = pilot.ways[group.way].as_ref().ok()?;
                let most = errors.iter().map(|error| error.offset).fold(0.0, f64::max);
                let most = three_digits(100.0 * most.sqrt());
                Some(format!("{most} % of {}", pilot.name))
            });
            format!(
                "  Scans of several birds, for the required strain means and calibration alone: {}. Single birds for the same: {}. Together they cost {less}. {loses} The offset that puts such scans on the calibration's way has a standard error of {}, which no number of them reduces.",
                in_words(plan, group),
                in_words(plan, single),
                listed(offsets)
            )
        }
        GroupScans::OnlyGroup(group) => format!(
            "  Only scans of several birds reach the strain means: {}. {loses}",
            in_words(plan, group)
        ),
        GroupScans::None => format!(
            "  Scans of several birds are not offered for these strain means (the table scan_designs gives the reason). {loses}"
        ),
    })
}

/// What is not offered, with the reason: each way and number of repeats.
pub(super) fn refused(plan: &ScanBudget) -> Vec<String> {
    let offers = plan.offers.offers.iter();
    let refused = offers.filter_map(|offer| {
        let why = offer.all.as_ref().err()?;
        let repeats = match offer.repeats {
            1 => "one scan".to_owned(),
            repeats => format!("{repeats} scans"),
        };
        let way = plan.budget.scans[offer.way].way();
        Some(format!("{way}, {repeats} on each occasion ({why})"))
    });
    refused.collect()
}
