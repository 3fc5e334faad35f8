//! Text of a plan.

use super::tables::plan::{Planned, strain};
use super::words::three_digits;
use crate::plan::confirm::{Confirmation, Simulated};
use crate::plan::design::{Design, Kind};
use crate::plan::{
    Aim, Allocation, Amount, Estimand, Needed, Pens, Requirement, Target, as_number,
};
use crate::study::BODY_WEIGHT;

/// Printed with every plan.
pub const CAUTION: &str = "The local animal-care body approves the number of birds, with reasons such as these; X-ray scans need trained, authorised operators under the local radiation rules. The program replaces neither.";

/// Share of failed fits that is reported: one study in fifty without an answer.
const MANY_FAILED: f64 = 0.02;

/// The answer: birds, ages, simulated studies, serial slaughter, cues, calibrations.
#[must_use]
pub fn plan(planned: &Planned<'_>) -> Vec<String> {
    let mut lines = Vec::new();
    lines.extend(answer(planned));
    lines.extend(ages(planned));
    lines.extend(simulated(planned));
    lines.extend(slaughter(planned));
    lines.extend(cues(planned));
    lines.extend(calibrations(planned));
    lines.push(format!("  {CAUTION}"));
    lines
}

/// `24 birds a strain (72 birds and 216 scans in all), weighed or scanned at 2, 6 and 10
/// weeks`.
fn size(planned: &Planned<'_>, design: &Design, birds: usize) -> String {
    let strains = planned.population.groups();
    let all = birds * strains;
    let scans = all * design.schedule.scans_per_bird();
    let whose = match strains {
        1 => format!("{birds} birds ({scans} scans)"),
        _ => format!("{birds} birds a strain ({all} birds and {scans} scans in all)"),
    };
    let kept = planned
        .question
        .allocation
        .pens
        .map_or_else(String::new, |pens| {
            format!(
                " in {} pens{}, with {:.1} % SD between pens",
                pens.per_group,
                if strains > 1 { " a strain" } else { "" },
                100.0 * pens.sd
            )
        });
    format!(
        "{whose}{kept}, weighed or scanned at {}",
        design.schedule.ages_in_words()
    )
}

/// The aim of one requirement, in words.
fn aim_in_words(
    requirement: &Requirement,
    target: &Target,
    strains: &[String],
    several: bool,
) -> String {
    let unit = |amount: f64| {
        let space = if target.unit.is_empty() { "" } else { " " };
        format!("{}{space}{}", three_digits(amount), target.unit)
    };
    let amount = |amount: Amount| match amount {
        Amount::Percent(percent) => {
            format!("{percent} % ({})", unit(amount.of(target.value)))
        }
        Amount::Units(units) => unit(units),
    };
    let name = &target.name;
    match requirement.aim {
        Aim::Within(within) => {
            let whose = if several { " of each strain" } else { "" };
            format!("estimate {name}{whose} to within {}", amount(within))
        }
        Aim::Detect { size, power } => format!(
            "detect a difference of {} in {name} between {} with {} % power",
            amount(size),
            strain(target, strains).replace(" - ", " and "),
            (100.0 * power).round()
        ),
        Aim::Reliable(share) => {
            format!("estimate a bird's own {name} with a reliability of {share}")
        }
    }
}

fn answer(planned: &Planned<'_>) -> Vec<String> {
    let design = planned.plan.chosen();
    let Some(birds) = design.birds else {
        let reasons = not_reached(planned).into_iter();
        return reasons.map(|reason| format!("  {reason}")).collect();
    };
    let aims = aims(planned).join(", and ");
    vec![format!("  {}, would {aims}.", size(planned, design, birds))]
}

/// The aims that the chosen design can be judged by, in words.
pub(super) fn aims(planned: &Planned<'_>) -> Vec<String> {
    let several = planned.population.groups() > 1;
    let requirements = planned.question.requirements.iter();
    let judged = requirements.zip(&planned.plan.chosen().needed);
    let aims = judged.filter_map(|(requirement, needed)| {
        let target = &planned.plan.targets[needed.as_ref()?.target];
        Some(aim_in_words(requirement, target, planned.strains, several))
    });
    aims.collect()
}

/// Why no number of birds within the limit meets the aims.
pub(super) fn not_reached(planned: &Planned<'_>) -> Vec<String> {
    let design = planned.plan.chosen();
    let requirements = planned.question.requirements.iter().zip(&design.needed);
    let unmet =
        requirements.filter(|(_, needed)| needed.as_ref().is_none_or(|n| n.birds.is_none()));
    unmet
        .map(|(requirement, needed)| match needed {
            Some(needed) => unreached(planned, requirement, needed),
            None => format!(
                "These ages carry no information on {}: at {}; take others.",
                requirement.name,
                design.schedule.ages_in_words()
            ),
        })
        .collect()
}

/// That no number within the limit will do, the best reached, and why.
fn unreached(planned: &Planned<'_>, requirement: &Requirement, needed: &Needed) -> String {
    let plan = planned.plan;
    let target = &plan.targets[needed.target];
    let most = planned.question.most_birds;
    let several = planned.population.groups() > 1;
    let aim = aim_in_words(requirement, target, planned.strains, several);
    let ages = plan.chosen().schedule.ages_in_words();
    if let Some(line) = pens_are_too_few(planned, requirement, target) {
        return line;
    }
    let (reached, why) = match requirement.aim {
        Aim::Reliable(_) => {
            return format!(
                "No number of birds would {aim} when scanned at {ages}: {:.3} is reached, and more birds do not help; a bird must be scanned more often, over more weeks, or more precisely.",
                needed.reached
            );
        }
        Aim::Within(_) => (
            format!("{} {}", three_digits(needed.reached), target.unit),
            "",
        ),
        Aim::Detect { .. } => (format!("{:.0} of 100 trials", 100.0 * needed.reached), ""),
    };
    // Half of the birds is what perfect scans may at most spare before birds themselves
    // are what limits.
    let cause = if needed.about_at_best > 0.5 * needed.about {
        format!(
            "birds differ so much that even birds known without error would have to be about {:.0} a strain",
            needed.about_at_best
        )
    } else {
        format!(
            "most of the uncertainty comes from too few, too noisy or too early scans: were each bird known without error, about {:.0} a strain would do",
            needed.about_at_best
        )
    };
    format!(
        "Up to {most} birds a strain, weighed or scanned at {ages}, would not {aim}: {most} reach {}{why}. It would take about {:.0} a strain; {cause}.",
        reached.trim_end(),
        needed.about
    )
}

/// That the pens, not the birds, are too few, with how many would do with the most birds.
fn pens_are_too_few(
    planned: &Planned<'_>,
    requirement: &Requirement,
    target: &Target,
) -> Option<String> {
    let question = planned.question;
    let pens = question.allocation.pens?;
    let variance = planned
        .plan
        .chosen()
        .expected
        .variance(planned.population, target)?;
    let met = |per_group: usize| {
        let allocation = Allocation {
            pens: Some(Pens { per_group, ..pens }),
            ..question.allocation
        };
        let birds = question.most_birds.max(2 * per_group);
        let reached = requirement.reached(target, variance, birds, (allocation, question.level));
        requirement.is_met(target, reached)
    };
    let enough = (pens.per_group + 1..=1000).find(|per_group| met(*per_group))?;
    let several = planned.population.groups() > 1;
    Some(format!(
        "{} pens a strain are too few to {}: pens differ (SD {:.1} %), and more birds in them do not help. At least {enough} pens a strain would be needed.",
        pens.per_group,
        aim_in_words(requirement, target, planned.strains, several),
        100.0 * pens.sd
    ))
}

fn ages(planned: &Planned<'_>) -> Option<String> {
    let plan = planned.plan;
    let chosen = plan.chosen();
    let share = 100.0 * chosen.efficiency?;
    let scans = chosen.schedule.ages_d.len();
    let mut others: Vec<&Design> = plan
        .designs
        .iter()
        .filter(|design| design.kind == Kind::Optimal && design.birds.is_some())
        .collect();
    others.sort_by_key(|design| design.schedule.ages_d.len());
    let numbers: Vec<String> = others
        .iter()
        .filter_map(|design| {
            Some(format!(
                "{} birds by {} scans ({})",
                design.birds?,
                design.schedule.ages_d.len(),
                design.schedule.ages_in_words()
            ))
        })
        .collect();
    let best = if numbers.is_empty() {
        String::new()
    } else {
        format!(" The best ages by number of scans: {}.", numbers.join("; "))
    };
    Some(match chosen.kind {
        Kind::Given => format!(
            "  These ages are worth {share:.0} % of the best ages for {scans} scans within the limits (D-efficiency: with the best, {share:.0} birds would estimate the terms together as well as 100).{best}"
        ),
        Kind::Optimal | Kind::SerialSlaughter => {
            format!("  The ages are the D-optimal ones for {scans} scans within the limits.{best}")
        }
    })
}

/// The targets that have a requirement, with the variance of one bird and what was simulated.
pub(super) fn simulated_aims<'a>(
    planned: &'a Planned<'_>,
    found: &'a Confirmation,
) -> impl Iterator<Item = (&'a Requirement, &'a Target, f64, Simulated)> {
    let (plan, chosen) = (planned.plan, planned.plan.chosen());
    let requirements = planned.question.requirements.iter().zip(&chosen.needed);
    requirements.filter_map(move |(requirement, needed)| {
        let at = needed.as_ref()?.target;
        let target = &plan.targets[at];
        let variance = chosen.expected.variance(planned.population, target)?;
        Some((requirement, target, variance, found.targets[at]?))
    })
}

fn simulated(planned: &Planned<'_>) -> Vec<String> {
    let Some((birds, found)) = &planned.plan.confirmation else {
        return Vec::new();
    };
    let pens = planned.question.allocation.pens;
    let pens = pens.map_or_else(String::new, |pens| format!(" in {} pens", pens.per_group));
    let mut lines = vec![format!(
        "  In {} simulated studies of {birds} birds a strain{pens}, {} fits failed and {} were weak.",
        found.studies, found.failed, found.weak
    )];
    for (requirement, target, variance, simulated) in simulated_aims(planned, found) {
        let power = match (simulated.power_of_true, simulated.power, requirement.aim) {
            (Some(power), _, Aim::Detect { .. }) => format!(
                ", and in as many studies of strains that truly differ by this amount the power was {:.0} %",
                100.0 * power
            ),
            (None, Some(power), Aim::Detect { .. }) => {
                format!(", and the power was {:.0} %", 100.0 * power)
            }
            _ => String::new(),
        };
        let allocation = planned.question.allocation;
        let kind = match target.what {
            Estimand::Contrast(_) => "difference in ",
            Estimand::Cue(_) => "a bird's own ",
            _ => "",
        };
        lines.push(format!(
            "    {kind}{} ({}): standard error {} {} beside {} expected, bias {} {}; the {:.0} % intervals covered the true value in {:.1} %{power}",
            target.name,
            strain(target, planned.strains),
            three_digits(simulated.standard_error),
            target.unit,
            three_digits(allocation.standard_error(target, variance, *birds)),
            three_digits(simulated.bias),
            target.unit,
            100.0 * planned.question.level,
            100.0 * simulated.coverage,
        ));
    }
    if found.failed_share() > MANY_FAILED {
        lines.push(format!(
            "    The expected precision does not allow for failed fits: scan each bird more often than the curve has terms ({}), or choose a curve with fewer.",
            planned.population.curve().terms().len()
        ));
    }
    lines
}

/// Birds that serial slaughter would kill beside those that the plan kills, its calibration's
/// carcasses. None for body weight: no bird need be killed to be weighed.
fn slaughter(planned: &Planned<'_>) -> Option<String> {
    if planned.trait_name == BODY_WEIGHT {
        return None;
    }
    let plan = planned.plan;
    let chosen = plan.chosen();
    let Some(slaughter) = plan.slaughter() else {
        return Some("  Serial slaughter, each bird analysed once, cannot estimate the curve's terms at these ages.".to_owned());
    };
    let birds = chosen.birds?;
    // Without the limit, so that the comparison stands where it is passed; cues apart.
    let about = slaughter
        .needed
        .iter()
        .flatten()
        .map(|needed| needed.birds.map_or(needed.about, as_number))
        .filter(|about| about.is_finite())
        .fold(0.0, f64::max);
    let strains = planned.population.groups();
    let slaughtered = about * as_number(strains);
    // One carcass serves the equations of all tissues.
    let requirements = planned.calibrations.iter();
    let carcasses = requirements
        .map(|(_, requirement)| requirement.birds())
        .try_fold(0, |most, birds| Some(most.max(birds?)));
    let followed = format!(
        "  Serial slaughter, each bird analysed once at one of the same ages and as precisely, would kill about {slaughtered:.0} birds in all. The {} birds that are followed are scanned {} times each and none of them is killed",
        birds * strains,
        chosen.schedule.ages_d.len()
    );
    Some(match carcasses {
        Some(0) => format!(
            "{followed}; the carcasses that calibrate the scanner are not counted here (plan them with --calibration-sd or --equation)."
        ),
        Some(killed) => {
            let fewer = slaughtered - as_number(killed);
            let saved = if fewer > 0.0 {
                format!("{fewer:.0} fewer")
            } else {
                "no fewer".to_owned()
            };
            format!(
                "{followed}; the calibration kills {killed}, {saved} than serial slaughter (reduction: Russell and Burch 1959)."
            )
        }
        None => format!("{followed}; the calibration cannot be made with the birds allowed."),
    })
}

fn cues(planned: &Planned<'_>) -> Vec<String> {
    let plan = planned.plan;
    let chosen = plan.chosen();
    let required: Vec<&str> = planned
        .question
        .requirements
        .iter()
        .map(|requirement| requirement.name.as_str())
        .collect();
    let cues = plan.targets.iter().filter_map(|target| {
        let cue = matches!(target.what, Estimand::Cue(_)) && target.strains == [0];
        if !(cue && required.contains(&target.name.as_str())) {
            return None;
        }
        let variance = chosen.expected.variance(planned.population, target)?;
        let reliability = 1.0 - variance / target.value.powi(2);
        Some(format!(
            "  As a cue, a bird's own {} would be estimated with an error SD of {} {} where birds differ by an SD of {}: reliability {reliability:.2}, the share of its slope that a regression on it keeps.",
            target.name,
            three_digits(variance.sqrt()),
            target.unit,
            three_digits(target.value),
        ))
    });
    cues.collect()
}

fn calibrations(planned: &Planned<'_>) -> Vec<String> {
    let strains = planned.population.groups();
    let lines = planned.calibrations.iter().map(|(name, requirement)| {
        let mut aims = Vec::new();
        if let Some(within) = requirement.mean_within {
            aims.push(format!("its mean prediction to within {} g", three_digits(within)));
        }
        if let Some(within) = requirement.coefficient_within {
            aims.push(format!("the reading's coefficient to within {within}"));
        }
        let aims = aims.join(" and ");
        match requirement.birds() {
            Some(birds) => format!(
                "  Calibration {name}: {birds} birds analysed chemically (residual SD {} g, {} coefficients) estimate {aims}; {} a strain, spread over the ages from first to last.",
                three_digits(requirement.residual_sd),
                requirement.coefficients,
                birds.div_ceil(strains)
            ),
            None => format!(
                "  Calibration {name}: {} birds do not reach {aims}: a residual SD of {} g is too large, or the readings too much alike.",
                requirement.most,
                three_digits(requirement.residual_sd)
            ),
        }
    });
    lines.collect()
}
