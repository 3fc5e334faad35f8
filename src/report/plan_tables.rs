//! The table of a plan.

use super::Table;
use crate::fit::mixed::Population;
use crate::plan::calibration::CalibrationWish;
use crate::plan::confirm::{Confirmation, Simulated};
use crate::plan::design::{Design, Plan, Question};
use crate::plan::power::factor;
use crate::plan::{Aim, Sampling, Target, What};

/// A plan with what it was made of.
#[derive(Debug, Clone, Copy)]
pub struct Planned<'a> {
    /// What strains, birds and scans are taken to be like.
    pub population: &'a Population,
    /// What was asked.
    pub question: &'a Question,
    /// The answer.
    pub plan: &'a Plan,
    /// Names of the strains.
    pub strains: &'a [String],
    /// The trait that is planned for.
    pub trait_name: &'a str,
    /// Calibrations to be planned, each with its name.
    pub calibrations: &'a [(String, CalibrationWish)],
}

const HEADER: &[&str] = &[
    "design",
    "strain",
    "birds",
    "ages",
    "scans_per_bird",
    "kind",
    "quantity",
    "scale",
    "expected_se",
    "expected_rse_pct",
    "half_width",
    "reliability",
    "detect",
    "power",
    "simulated_se",
    "simulated_bias",
    "simulated_coverage",
    "simulated_power",
    "failed_share",
    "weak_share",
    "d_efficiency",
    "reaches",
    "differing_power",
    "status",
    "reason",
];

/// Columns after the one that says whether what is wanted is reached.
const AFTER_REACHES: usize = 3;

/// `designs.csv`: what each design would tell of each quantity, by number of birds.
#[must_use]
pub fn designs(planned: &Planned<'_>) -> Table {
    let mut table = Table::new("designs", HEADER);
    for (at, design) in planned.plan.designs.iter().enumerate() {
        let confirmation = planned.plan.confirmation.as_ref();
        let confirmed = confirmation.filter(|_| at == planned.plan.chosen);
        let mut birds = planned.question.birds.clone();
        birds.extend(design.birds);
        birds.extend(confirmed.map(|(birds, _)| *birds));
        birds.sort_unstable();
        birds.dedup();
        for (index, target) in planned.plan.targets.iter().enumerate() {
            let Some(variance) = design.told.variance(planned.population, target) else {
                not_estimable(&mut table, planned, design, target);
                continue;
            };
            let mut row = |birds: Option<usize>| {
                let confirmed = confirmed
                    .filter(|(number, _)| birds.is_none_or(|birds| *number == birds))
                    .map(|(_, found)| (found, found.targets[index]));
                let line = Line {
                    planned,
                    design,
                    target,
                    variance,
                    birds,
                };
                line.write(&mut table, confirmed);
            };
            match target.what {
                // How well one bird is told does not depend on the others.
                What::Cue(_) => row(None),
                _ => birds.iter().for_each(|birds| row(Some(*birds))),
            }
        }
    }
    for (name, wish) in planned.calibrations {
        calibration(name, wish, &planned.question.birds, &mut table);
    }
    table
}

/// One design, number of birds and quantity.
struct Line<'a> {
    planned: &'a Planned<'a>,
    design: &'a Design,
    target: &'a Target,
    variance: f64,
    birds: Option<usize>,
}

impl Line<'_> {
    fn write(&self, table: &mut Table, confirmed: Option<(&Confirmation, Option<Simulated>)>) {
        let (design, target, question) = (self.design, self.target, self.planned.question);
        let allocation = question.allocation;
        let error = allocation.standard_error(target, self.variance, self.birds.unwrap_or(1));
        let df = self
            .birds
            .map_or(f64::INFINITY, |birds| allocation.degrees_of_freedom(birds));
        let wishes = question.wishes.iter().filter(|wish| wish.is_about(target));
        let mut met: Option<bool> = None;
        let (mut size, mut power) = (None, None);
        for wish in wishes {
            let birds = self.birds.unwrap_or(1);
            let reached = wish.reached(target, self.variance, birds, (allocation, question.level));
            met = Some(met.unwrap_or(true) && wish.is_met(target, reached));
            if let Aim::Detect { size: wanted, .. } = wish.aim {
                (size, power) = (Some(wanted.of(target.value)), Some(reached));
            }
        }
        let simulated = confirmed.and_then(|(_, simulated)| simulated);
        let reliability =
            matches!(target.what, What::Cue(_)).then(|| 1.0 - self.variance / target.value.powi(2));
        table
            .row()
            .text(&design.name())
            .text(&strain(target, self.planned.strains))
            .whole(self.birds)
            .text(&ages(&design.schedule.ages_d))
            .whole(design.schedule.scans_per_bird())
            .text(target.what.kind())
            .text(&target.name)
            .text(&target.unit)
            .number(error)
            .number((target.value != 0.0).then(|| 100.0 * error / target.value.abs()))
            .number(factor(question.level, df) * error)
            .number(reliability)
            .number(size)
            .number(power)
            .number(simulated.map(|found| found.standard_error))
            .number(simulated.map(|found| found.bias))
            .number(simulated.map(|found| found.coverage))
            .number(simulated.and_then(|found| found.power))
            .number(confirmed.map(|(found, _)| found.failed_share()))
            .number(confirmed.map(|(found, _)| found.weak_share()))
            .number(match design.schedule.sampling {
                Sampling::Repeated => design.efficiency,
                Sampling::SerialSlaughter => None,
            })
            .text(met.map_or("", yes))
            .number(simulated.and_then(|found| found.power_of_true))
            .text("supported")
            .text("");
    }
}

/// A quantity of which a design tells nothing: no numbers, and why.
fn not_estimable(table: &mut Table, planned: &Planned<'_>, design: &Design, target: &Target) {
    let mut row = table.row();
    row.text(&design.name())
        .text(&strain(target, planned.strains))
        .whole(None)
        .text(&ages(&design.schedule.ages_d))
        .whole(design.schedule.scans_per_bird())
        .text(target.what.kind())
        .text(&target.name)
        .text(&target.unit);
    for _ in 8..HEADER.len() - 1 - AFTER_REACHES {
        row.number(None);
    }
    row.text("").number(None).text("not estimable").text(
        "the design does not determine it: with 100 birds its standard error would exceed it, or there is none",
    );
}

fn yes(met: bool) -> &'static str {
    if met { "yes" } else { "no" }
}

/// The strain of a target, the two of a contrast.
pub(super) fn strain(target: &Target, strains: &[String]) -> String {
    let names: Vec<&str> = target
        .strains
        .iter()
        .map(|strain| strains[*strain].as_str())
        .collect();
    names.join(" - ")
}

/// Ages in days, a space between.
fn ages(ages_d: &[f64]) -> String {
    let words: Vec<String> = ages_d.iter().map(|age_d| format!("{age_d}")).collect();
    words.join(" ")
}

fn calibration(name: &str, wish: &CalibrationWish, birds: &[usize], table: &mut Table) {
    let least = wish.coefficients + 1;
    let mut birds: Vec<usize> = birds
        .iter()
        .copied()
        .filter(|birds| *birds >= least)
        .collect();
    birds.extend(wish.birds());
    birds.sort_unstable();
    birds.dedup();
    for birds in birds {
        let told = wish.precision(birds);
        let mut row = |quantity: &str, scale: &str, error: f64, half_width: f64, wanted| {
            let met: Option<bool> = Option::map(wanted, |wanted: f64| half_width <= wanted);
            let mut row = table.row();
            row.text("calibration")
                .text("")
                .whole(birds)
                .text("")
                .whole(1)
                .text("calibration")
                .text(&format!("{name} {quantity}"))
                .text(scale)
                .number(error)
                .number(None)
                .number(half_width);
            for _ in 11..HEADER.len() - 1 - AFTER_REACHES {
                row.number(None);
            }
            row.text(met.map_or("", yes))
                .number(None)
                .text("supported")
                .text("");
        };
        let mean = (told.mean_error, told.mean_half_width);
        row("mean prediction", "g", mean.0, mean.1, wish.mean_within);
        if let (Some(error), Some(half_width)) =
            (told.coefficient_error, told.coefficient_half_width)
        {
            let wanted = wish.coefficient_within;
            row("reading coefficient", "", error, half_width, wanted);
        }
    }
}
