//! The table of a plan.

use super::Columns;
use super::column::{Column, about, columns};
use crate::fit::mixed::Population;
use crate::plan::calibration::CalibrationRequirement;
use crate::plan::confirm::{Confirmation, Simulated};
use crate::plan::design::{Design, Plan, Question};
use crate::plan::power::factor;
use crate::plan::{Aim, Estimand, Sampling, Target};
use crate::report::Table;

/// A plan with what it was made of.
#[derive(Debug, Clone, Copy)]
pub struct Planned<'a> {
    /// What strains, birds and scans are taken to be like.
    pub population: &'a Population,
    /// The request.
    pub question: &'a Question,
    /// The answer.
    pub plan: &'a Plan,
    /// Names of the strains.
    pub strains: &'a [String],
    /// The trait that is planned for.
    pub trait_name: &'a str,
    /// Calibrations to be planned, each with its name.
    pub calibrations: &'a [(String, CalibrationRequirement)],
}

/// One design, number of birds and quantity; what does not apply is empty.
#[derive(Default)]
struct Line {
    design: String,
    strain: String,
    birds: Option<usize>,
    ages: String,
    scans_per_bird: usize,
    kind: &'static str,
    quantity: String,
    scale: String,
    /// Standard error, that in percent of the value, half width of the interval.
    expected: (Option<f64>, Option<f64>, Option<f64>),
    reliability: Option<f64>,
    detect: Option<f64>,
    power: Option<f64>,
    simulated: Option<Simulated>,
    failed_share: Option<f64>,
    weak_share: Option<f64>,
    d_efficiency: Option<f64>,
    reaches: Option<bool>,
    reason: &'static str,
}

/// `designs.csv`: how precisely each design estimates each quantity, by number of birds.
#[must_use]
pub fn designs(planned: &Planned<'_>) -> Table {
    let columns = columns!("designs", |line: Line| {
        design("", "asked (the call's own ages), optimal N scans (the D-optimal ages for N scans a bird), serial slaughter (each bird analysed once, at one of the chosen design's ages), calibration") => &*line.design,
        strain("", "strain; of a contrast the two, with ' - ' between; empty for what all strains share") => &*line.strain,
        birds("1", "birds a strain; of a calibration birds analysed in all; empty for a cue, which does not depend on it") => line.birds,
        ages("", "ages at which birds are weighed or scanned, d, with a space between") => &*line.ages,
        scans_per_bird("1", "how often one bird is weighed or scanned") => line.scans_per_bird,
        kind("", "term or derived (of a strain), contrast (difference of two strains), cue (of one bird, from its scans), spread (between birds and of residuals), calibration") => line.kind,
        quantity("", "term, derived quantity, sd(term), cor(term,term), sigma; of a calibration its mean prediction or the coefficient of its reading") => &*line.quantity,
        scale("", "unit of the standard errors and half widths; empty where there is none") => &*line.scale,
        expected_se("1", "standard error by expected information to first order, in the unit of scale; of a cue the SD of the error of one bird's own value") => line.expected.0,
        expected_rse_pct("%", "that in percent of the value; of a contrast of the second strain's value, of a cue of the SD between birds") => line.expected.1,
        half_width("1", "half width of the interval, in the unit of scale: t on birds minus strains degrees of freedom, for a cue the normal") => line.expected.2,
        reliability("1", "of a cue: 1 - (expected_se / SD between birds)^2, the share of its slope that a regression on the cue keeps") => line.reliability,
        detect("1", "difference that is to be detected, in the unit of scale, where one is requested") => line.detect,
        power("1", "power of a two-sided test of it, by expected information") => line.power,
        simulated_se("1", "SD of the estimates in simulated studies, in the unit of scale; of a cue the root mean square of birds' values minus their true ones") => line.simulated.map(|found| found.standard_error),
        simulated_bias("1", "mean estimate in simulated studies minus the true value, in the unit of scale") => line.simulated.map(|found| found.bias),
        simulated_coverage("1", "share of the simulated studies whose interval covers the true value") => line.simulated.map(|found| found.coverage),
        simulated_power("1", "share of the simulated studies that detect the difference, their estimates moved by what the true difference lacks") => line.simulated.and_then(|found| found.power),
        failed_share("1", "share of the simulated studies whose fit failed") => line.failed_share,
        weak_share("1", "share of the simulated studies whose fit is weak; their estimates count") => line.weak_share,
        d_efficiency("1", "D-efficiency against the best ages for as many scans within the limits: (ratio of the determinants of the terms' information)^(1/terms), mean over strains") => line.d_efficiency,
        reaches("", "whether the row meets the requirements about its quantity; empty where there is none") => line.reaches,
        differing_power("1", "share of simulated studies of strains that truly differ by detect that detect it, for the pair that decides the design") => line.simulated.and_then(|found| found.power_of_true),
        status => if line.reason.is_empty() { "supported" } else { "not estimable" },
        reason => line.reason,
    });
    columns.filled(0, |add| {
        for (at, design) in planned.plan.designs.iter().enumerate() {
            let confirmation = planned.plan.confirmation.as_ref();
            let confirmed = confirmation.filter(|_| at == planned.plan.chosen);
            let mut birds = planned.question.birds.clone();
            birds.extend(design.birds);
            birds.extend(confirmed.map(|(birds, _)| *birds));
            birds.sort_unstable();
            birds.dedup();
            for (index, target) in planned.plan.targets.iter().enumerate() {
                let line = of(planned, design, target);
                let Some(variance) = design.expected.variance(planned.population, target) else {
                    add(Line {
                        reason: "the design does not determine it: with 100 birds its standard error would exceed it, or there is none",
                        ..line()
                    });
                    continue;
                };
                // How well one bird is estimated does not depend on the others.
                let numbers: Vec<Option<usize>> = match target.what {
                    Estimand::Cue(_) => vec![None],
                    _ => birds.iter().copied().map(Some).collect(),
                };
                for birds in numbers {
                    let confirmed = confirmed
                        .filter(|(number, _)| birds.is_none_or(|birds| *number == birds))
                        .map(|(_, found)| (found, found.targets[index]));
                    let mut line = Line { birds, ..line() };
                    line.expect(planned.question, (target, variance));
                    line.confirm(confirmed);
                    add(line);
                }
            }
        }
        for (name, requirement) in planned.calibrations {
            calibration(name, requirement, &planned.question.birds, add);
        }
    })
}

/// Lines of a design and a quantity, without numbers.
fn of<'a>(planned: &'a Planned<'_>, design: &'a Design, target: &'a Target) -> impl Fn() -> Line {
    move || Line {
        design: design.name(),
        strain: strain(target, planned.strains),
        ages: ages(&design.schedule.ages_d),
        scans_per_bird: design.schedule.scans_per_bird(),
        kind: target.what.kind(),
        quantity: target.name.clone(),
        scale: target.unit.clone(),
        d_efficiency: match design.schedule.sampling {
            Sampling::Repeated => design.efficiency,
            Sampling::SerialSlaughter => None,
        },
        ..Line::default()
    }
}

impl Line {
    /// What is expected of the quantity, and whether it meets the requirements.
    fn expect(&mut self, question: &Question, (target, variance): (&Target, f64)) {
        let allocation = question.allocation;
        let birds = self.birds.unwrap_or(1);
        let error = allocation.standard_error(target, variance, birds);
        let of_birds = |birds| allocation.degrees_of_freedom(birds);
        let df = self.birds.map_or(f64::INFINITY, of_birds);
        for requirement in question
            .requirements
            .iter()
            .filter(|requirement| requirement.is_about(target))
        {
            let reached =
                requirement.reached(target, variance, birds, (allocation, question.level));
            self.reaches =
                Some(self.reaches.unwrap_or(true) && requirement.is_met(target, reached));
            if let Aim::Detect { size, .. } = requirement.aim {
                (self.detect, self.power) = (Some(size.of(target.value)), Some(reached));
            }
        }
        let relative = (target.value != 0.0).then(|| 100.0 * error / target.value.abs());
        let half_width = factor(question.level, df) * error;
        self.expected = (Some(error), relative, Some(half_width));
        self.reliability =
            matches!(target.what, Estimand::Cue(_)).then(|| 1.0 - variance / target.value.powi(2));
    }

    /// What simulated studies gave.
    fn confirm(&mut self, confirmed: Option<(&Confirmation, Option<Simulated>)>) {
        self.simulated = confirmed.and_then(|(_, simulated)| simulated);
        self.failed_share = confirmed.map(|(found, _)| found.failed_share());
        self.weak_share = confirmed.map(|(found, _)| found.weak_share());
    }
}

/// The strain of a target, the two of a contrast.
pub(in crate::report) fn strain(target: &Target, strains: &[String]) -> String {
    let names = target
        .strains
        .iter()
        .map(|strain| strains[*strain].as_str());
    names.collect::<Vec<_>>().join(" - ")
}

/// Ages in days, a space between.
fn ages(ages_d: &[f64]) -> String {
    let words = ages_d.iter().map(ToString::to_string);
    words.collect::<Vec<_>>().join(" ")
}

fn calibration(
    name: &str,
    requirement: &CalibrationRequirement,
    birds: &[usize],
    add: &mut dyn FnMut(Line),
) {
    let least = requirement.coefficients + 1;
    let enough = |birds: &usize| *birds >= least;
    let mut birds: Vec<usize> = birds.iter().copied().filter(enough).collect();
    birds.extend(requirement.birds());
    birds.sort_unstable();
    birds.dedup();
    for birds in birds {
        let precision = requirement.precision(birds);
        let mut row = |quantity: &str, scale: &str, error, half_width: f64, wanted| {
            add(Line {
                design: "calibration".to_owned(),
                birds: Some(birds),
                scans_per_bird: 1,
                kind: "calibration",
                quantity: format!("{name} {quantity}"),
                scale: scale.to_owned(),
                expected: (Some(error), None, Some(half_width)),
                reaches: Option::map(wanted, |wanted: f64| half_width <= wanted),
                ..Line::default()
            });
        };
        let mean = (precision.mean_error, precision.mean_half_width);
        row(
            "mean prediction",
            "g",
            mean.0,
            mean.1,
            requirement.mean_within,
        );
        if let (Some(error), Some(half_width)) = (
            precision.coefficient_error,
            precision.coefficient_half_width,
        ) {
            let wanted = requirement.coefficient_within;
            row("reading coefficient", "", error, half_width, wanted);
        }
    }
}
