//! Steps about what is taken off or corrected: feathers, an egg in the body, the equations.

use super::grams;
use crate::analysis::Scans;
use crate::composition::Equation;
use crate::composition::calibration::Calibration;
use crate::composition::correction::Corrections;
use crate::report::prose::listed;
use crate::report::rounding::significant;
use crate::report::text::count;
use crate::stats::Interval;
use crate::study::{Feathers, Scan, Way};

pub(super) fn feathers(scans: &[Scan], found: &Scans) -> Vec<String> {
    let equations = found.equations.as_ref();
    let plucked = equations.and_then(|found| found.plucked.as_ref());
    let intact = scans.iter();
    let intact = intact
        .filter(|scan| scan.feathers == Feathers::Intact)
        .count();
    let mut lines = vec![if intact > 0 {
        format!(
            "Scan live birds with their feathers; record the state of feathers with each scan ({} scans of intact birds; scans). The equations of step 11 are for the state of feathers that each names.",
            intact
        )
    } else {
        "[Feathers: the scans do not record whether birds were intact.]".to_owned()
    }];
    let Some(plucked) = plucked else {
        lines.push(
            "[Effect of feathers on the readings: no carcass was scanned intact and then plucked.]"
                .to_owned(),
        );
        return lines;
    };
    for (tissue, effect) in &plucked.effects {
        if let Some(slope) = effect.terms.iter().find(|term| term.term == "feather_mass") {
            lines.push(format!(
                "{}: {} g of reading for each g of feathers ({} to {}; {} carcasses scanned intact and plucked; feathers.csv).",
                tissue.name(),
                significant(slope.estimate, 2),
                significant(slope.lower, 2),
                significant(slope.upper, 2),
                plucked.pairs
            ));
        }
    }
    lines
}

pub(super) fn eggs(scans: &[Scan], found: &Scans) -> Vec<String> {
    let with = scans.iter().filter(|scan| Way::of(scan).egg).count();
    if with == 0 {
        return vec!["[Shelled egg in the body: no scan of this study has one. State how it is recognised and recorded.]".to_owned()];
    }
    let mut lines = vec![format!(
        "Mark a scan in which the body holds a shelled egg; {with} scans of this study have one (scans, corrected.csv)."
    )];
    for one in corrections(found) {
        if let Some(egg) = &one.egg_offset {
            lines.push(format!(
                "{}: an egg adds {} (standard error {}; {} scans), which is taken off (corrected.csv).",
                one.trait_name,
                grams(egg.value_g),
                grams(egg.variance_g2.sqrt()),
                egg.scans
            ));
        } else if !one.with_egg.is_empty() {
            lines.push(format!(
                "{}: {} scans with an egg have no corrected mass, since its offset is not known: scan the bird again after it has laid (corrected.csv).",
                one.trait_name,
                one.with_egg.len()
            ));
        }
    }
    lines
}

fn corrections(found: &Scans) -> &[Corrections] {
    let masses = found.masses.as_ref();
    masses.map_or(&[], |masses| &masses.corrections)
}

pub(super) fn equations(found: &Scans) -> Vec<String> {
    let fitted = found.equations.as_ref();
    let fitted: Vec<&Equation> = fitted.map_or(Vec::new(), |found| {
        let calibrations = found.chosen.iter().map(|one| &one.calibration);
        calibrations
            .map(|one: &Calibration| &one.equation)
            .collect()
    });
    let saved = corrections(found).iter().map(|one| &one.equation);
    let all: Vec<&Equation> = match fitted.is_empty() {
        true => saved.collect(),
        false => fitted,
    };
    if all.is_empty() {
        return vec!["[Equations: the study has neither analysed birds nor a saved equation, so that the readings are uncorrected.]".to_owned()];
    }
    let mut lines: Vec<String> = all.iter().map(|equation| one_equation(equation)).collect();
    lines.push("On another scanner, strain or age, test the equations on scanned and analysed birds first (command validate).".to_owned());
    lines
}

fn one_equation(equation: &Equation) -> String {
    let of = &equation.provenance;
    let terms: Vec<String> = equation
        .columns
        .iter()
        .zip(&equation.coefficients)
        .map(|(column, coefficient)| format!("{} {column}", significant(*coefficient, 4)))
        .collect();
    let range = |name: &str, unit: &str| {
        let mut ranges = of.ranges.iter();
        let range = ranges.find(|range| range.name == name)?;
        let ends = Interval {
            lower: range.least,
            upper: range.greatest,
        };
        Some(format!(
            "{} {} to {} {unit}",
            name.replace('_', " "),
            significant(ends.lower, 3),
            significant(ends.upper, 3)
        ))
    };
    let holds: Vec<String> = [range("age", "d"), range("body_weight", "g")]
        .into_iter()
        .flatten()
        .collect();
    let words = |words: &[String]| match words {
        [] => "[not recorded]".to_owned(),
        words => listed(words),
    };
    let error = of.cross_validated_rmse.map_or(String::new(), |error| {
        format!(", error on birds left out {}", grams(error))
    });
    format!(
        "{} = {} ({}{error}; for {}; strains {}; ways of scanning {}; feathers {}; calibration_terms.csv).",
        of.response,
        terms.join(" + ").replace("+ \u{2212}", "\u{2212} "),
        count(of.birds, "analysed bird"),
        match holds.is_empty() {
            true => "[range not recorded]".to_owned(),
            false => holds.join(", "),
        },
        words(&of.strains),
        words(&of.ways),
        of.feathers
    )
}
