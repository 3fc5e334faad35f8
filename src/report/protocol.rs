//! A scanning protocol in numbered steps, written from a study's own evidence: every number has
//! its n and its table, and what the study has no evidence for is a bracketed prompt.

use std::collections::{BTreeMap, BTreeSet};

use crate::analysis::Scans;
use crate::composition::calibration::Calibration;
use crate::composition::correction::Corrections;
use crate::composition::repeatability::{MethodRow, ProtocolRow, Repeatability, RepeatabilityRow};
use crate::composition::{CAUTION, Equation};
use crate::report::prose::listed;
use crate::report::rounding::{p_equals, significant};
use crate::report::text::count;
use crate::stats::Interval;
use crate::study::{Feathers, Scan, Study, WHOLE, Way};

/// Before the text is used.
const PREFACE: &str = "Written by the program from this study's scans. Each number has its n and \
the table that it stands in. Square brackets mark what the study has no evidence for, or what only \
the laboratory can supply: complete them before the protocol is used, and have it approved by the local \
animal-care body and the radiation protection officer.";

/// The tissue by which methods are compared first: the sum of all parts, or else the first there is.
const LEADING: [&str; 4] = ["total", "fat", "lean", "bone"];

/// The protocol as Markdown; none for a study without scans.
#[must_use]
pub fn protocol(study: &Study, found: &Scans) -> Option<String> {
    let scans = &study.scans.rows;
    if scans.is_empty() {
        return None;
    }
    let precision = found.precision.iter().flatten().next();
    let steps: [(&str, Vec<String>); 12] = [
        ("Before the first bird", before()),
        ("Weigh the bird", weighing(scans)),
        ("Restraint", restraint(precision)),
        ("Position", vec!["[Position of the bird, and of head, wings and legs in the field: the study does not compare positions.]".to_owned()]),
        ("One bird or several in a scan", together(precision, scans)),
        ("Feathers", feathers(scans, found)),
        ("Egg in the body", eggs(scans, found)),
        ("Check the scan", rules(study, found)),
        ("Repeat scans", repeats(precision)),
        ("Body regions", regions(study, found)),
        ("Correct the readings", equations(found)),
        ("Record", records(scans)),
    ];
    let mut text = format!(
        "# Scanning protocol\n\n{PREFACE}\n\nCautions: {CAUTION} [Longest time in restraint, and signs at which a bird is released.]\n"
    );
    for (place, (title, lines)) in steps.iter().enumerate() {
        text += &format!("\n## {}. {title}\n\n", place + 1);
        for line in lines {
            text += &format!("- {line}\n");
        }
    }
    Some(text)
}

fn before() -> Vec<String> {
    vec![
        "[Scanner, software version, scan mode, field, settings.]".to_owned(),
        "[Daily phantom: which one, how often, limits of its control chart, and what is done where a reading lies outside: the study has no phantom log.]".to_owned(),
        "[Fasting and water before the scan: the study does not compare them.]".to_owned(),
    ]
}

fn share(k: usize, n: usize) -> String {
    format!(
        "{k} of {n} ({} %)",
        significant(100.0 * k as f64 / n.max(1) as f64, 2)
    )
}

fn weighing(scans: &[Scan]) -> Vec<String> {
    let whole = || scans.iter().filter(|scan| scan.region == WHOLE);
    let weighed = whole()
        .filter(|scan| scan.scale_weight_g.is_finite())
        .count();
    vec![if weighed > 0 {
        format!(
            "Weigh the bird on a scale directly before or after the scan; the weight checks the scan (step 8). {} scans of the whole body have a scale weight (corrected.csv, protocol.csv).",
            share(weighed, whole().count())
        )
    } else {
        "[Weigh each bird with its scan: no scan of this study has a scale weight.]".to_owned()
    }]
}

/// Rows of the leading tissue whose method names this part of a way.
fn of_part<'a>(precision: &'a Repeatability, part: &str) -> Vec<&'a ProtocolRow> {
    let tissue = LEADING.into_iter().find(|tissue| {
        let mut rows = precision.protocol.iter();
        rows.any(|row| row.trait_name == *tissue && row.method.starts_with(part))
    });
    let rows = precision.protocol.iter();
    rows.filter(|row| Some(row.trait_name.as_str()) == tissue && row.method.starts_with(part))
        .collect()
}

/// `restraint=tube` as `tube`.
fn plain(method: &str) -> &str {
    method.split_once('=').map_or(method, |(_, name)| name)
}

fn grams(value: f64) -> String {
    format!("{} g", significant(value, 2))
}

fn precise(row: &ProtocolRow, precision: &RepeatabilityRow) -> String {
    format!(
        "{}: SD of a repositioned scan of {} {} ({} to {}; {} birds scanned {} times, df {}), {} rejected",
        plain(&row.method),
        row.trait_name,
        grams(precision.rms_sd),
        significant(precision.lower, 2),
        grams(precision.upper),
        precision.subjects,
        precision.scans,
        precision.df,
        share(row.rejected, row.scans),
    )
}

fn restraint(precision: Option<&Repeatability>) -> Vec<String> {
    let none = "[Method of restraint or sedation, and who may do it: the study did not scan birds again in two methods.]";
    let Some(precision) = precision else {
        return vec![none.to_owned()];
    };
    let rows = of_part(precision, "restraint=");
    let mut known: Vec<(&ProtocolRow, &RepeatabilityRow)> = rows
        .iter()
        .filter_map(|row| Some((*row, row.precision.as_ref()?)))
        .collect();
    known.sort_by(|a, b| a.1.rms_sd.total_cmp(&b.1.rms_sd));
    let figures = |known: &[(&ProtocolRow, &RepeatabilityRow)]| -> Vec<String> {
        known.iter().map(|(row, of)| precise(row, of)).collect()
    };
    let Some(((best, of_best), others)) = known.split_first() else {
        return vec![none.to_owned()];
    };
    let mut lines = Vec::new();
    if others.is_empty() {
        lines.push(format!(
            "Restrain the bird as in this study: {} (protocol.csv). [Other methods were not repeated, so the study cannot show whether they are better.]",
            precise(best, of_best)
        ));
    } else {
        let separated = others.iter().all(|(other, _)| {
            ratio(precision, &best.trait_name, &best.method, &other.method)
                .is_some_and(|row| row.p_value < 0.05)
        });
        let often = others
            .iter()
            .find(|(other, _)| rejected_more_often(best, other));
        let tests: Vec<String> = others
            .iter()
            .filter_map(|(other, _)| {
                let row = ratio(precision, &best.trait_name, &best.method, &other.method)?;
                Some(format!(
                    "error variances of {} and {} differ by the factor {} ({})",
                    plain(&row.method_a),
                    plain(&row.method_b),
                    significant(row.variance_ratio, 2),
                    p_equals(row.p_value)
                ))
            })
            .collect();
        let advice = match (separated, often) {
            (true, None) => format!(
                "Use: {}. It repeats best, and there is no evidence that it is rejected more often.",
                plain(&best.method)
            ),
            (true, Some((other, _))) => format!(
                "[Choose: {} repeats best, but its scans are rejected more often than those of {}.]",
                plain(&best.method),
                plain(&other.method)
            ),
            (false, _) => format!(
                "[Choose: {} has the smallest SD, which the study does not separate from the others.]",
                plain(&best.method)
            ),
        };
        lines.push(format!(
            "{advice} {} (protocol.csv, method_ratios.csv{}).",
            figures(&known).join("; "),
            match tests.is_empty() {
                true => String::new(),
                false => format!(": {}", tests.join("; ")),
            }
        ));
    }
    let without: Vec<&str> = rows
        .iter()
        .filter(|row| row.precision.is_none())
        .map(|row| plain(&row.method))
        .collect();
    if !without.is_empty() {
        lines.push(format!(
            "[{}: scanned, but not repeated in one way, so that its precision is not known.]",
            listed(
                &without
                    .iter()
                    .map(|name| (*name).to_owned())
                    .collect::<Vec<_>>()
            )
        ));
    }
    lines
}

fn ratio<'a>(
    precision: &'a Repeatability,
    tissue: &str,
    a: &str,
    b: &str,
) -> Option<&'a MethodRow> {
    let mut rows = precision.methods.iter();
    rows.find(|row| {
        let pair = (row.method_a.as_str(), row.method_b.as_str());
        row.trait_name == tissue && (pair == (a, b) || pair == (b, a))
    })
}

/// Whether the shares rejected differ by more than twice their standard error.
fn rejected_more_often(one: &ProtocolRow, other: &ProtocolRow) -> bool {
    let of = |row: &ProtocolRow| {
        let n = row.scans.max(1) as f64;
        // Agresti and Caffo (2000): one success and one failure added to each.
        let p = (row.rejected as f64 + 1.0) / (n + 2.0);
        (p, p * (1.0 - p) / (n + 2.0))
    };
    let ((p, v), (q, w)) = (of(one), of(other));
    p - q > 1.96 * (v + w).sqrt()
}

fn together(precision: Option<&Repeatability>, scans: &[Scan]) -> Vec<String> {
    let groups = precision.map_or(&[][..], |precision| &precision.groups);
    if groups.is_empty() {
        let several = scans.iter().filter(|scan| scan.birds.len() > 1).count();
        return vec![if several == 0 {
            "Scan one bird at a time, as in this study: it has no scan of several birds (scans). [Group scans were not compared.]".to_owned()
        } else {
            "[Single or group scans: the study has no birds scanned both ways.]".to_owned()
        }];
    }
    let figures: Vec<String> = groups
        .iter()
        .map(|row| {
            format!(
                "{}: bias {} ({} to {}), limits of agreement {} to {}, n {}",
                row.trait_name,
                grams(row.bias),
                significant(row.bias_interval.lower, 2),
                significant(row.bias_interval.upper, 2),
                significant(row.lower_limit, 2),
                grams(row.upper_limit),
                row.n
            )
        })
        .collect();
    let differs = groups
        .iter()
        .filter(|row| !row.bias_interval.contains(0.0))
        .map(|row| row.trait_name.clone());
    let differs: Vec<String> = differs.collect();
    let advice = if differs.is_empty() {
        "A scan of several birds gave the mean of the same birds scanned singly within its limits of agreement; it gives no curve of a single bird and no regions".to_owned()
    } else {
        format!(
            "Scan birds singly: scans of several birds misread {} per bird against the same birds scanned singly",
            listed(&differs)
        )
    };
    vec![format!("{advice}. {} (agreement.csv).", figures.join("; "))]
}

fn feathers(scans: &[Scan], found: &Scans) -> Vec<String> {
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

fn eggs(scans: &[Scan], found: &Scans) -> Vec<String> {
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

fn rules(study: &Study, found: &Scans) -> Vec<String> {
    let rules = &study.settings.scans;
    let rejected = &found.kept.rejected;
    let n = study.scans.rows.len();
    let mut lines = vec![format!(
        "Reject a scan whose fat, lean and bone differ from the scale weight by more than {} % of it.",
        rules.mass_tolerance_pct
    )];
    if study.scans.rows.iter().any(|scan| scan.region != WHOLE) {
        lines.push(format!(
            "Reject a scan whose regions miss the whole by more than {} %.",
            rules.region_tolerance_pct
        ));
    }
    if !rules.reject.is_empty() {
        lines.push(format!(
            "Reject a scan marked {}.",
            rules.reject.join(" or ")
        ));
    }
    let mut kinds: BTreeMap<&str, usize> = BTreeMap::new();
    for row in rejected {
        let kind = if row.reason.contains("off the scale weight") {
            "off the scale weight"
        } else if row.reason.contains("marked") {
            row.reason.as_str()
        } else if row.reason.contains("region") {
            "regions against the whole"
        } else {
            "other reasons"
        };
        *kinds.entry(kind).or_default() += 1;
    }
    let kinds: Vec<String> = kinds
        .iter()
        .map(|(kind, n)| format!("{kind} {n}"))
        .collect();
    lines.push(format!(
        "By these rules {} readings were rejected{} (rejected_scans.csv).",
        share(rejected.len(), n),
        match kinds.is_empty() {
            true => String::new(),
            false => format!(": {}", kinds.join(", ")),
        }
    ));
    lines.push(repeated_after(study, found));
    lines
}

/// How many rejected scans were made again on the same day.
fn repeated_after(study: &Study, found: &Scans) -> String {
    let rows = &study.scans.rows;
    let kept: Vec<&Scan> = found.kept.scans.iter().map(|index| &rows[*index]).collect();
    let rejected: BTreeSet<u32> = found
        .kept
        .rejected
        .iter()
        .filter(|row| row.region == WHOLE)
        .map(|row| row.row)
        .collect();
    if rejected.is_empty() {
        return "[When a scan is repeated: none of this study was rejected.]".to_owned();
    }
    let again = rows.iter().filter(|scan| rejected.contains(&scan.row));
    let again = again.filter(|scan| {
        kept.iter().any(|other| {
            other.birds == scan.birds
                && other.region == scan.region
                && other.age_d.total_cmp(&scan.age_d).is_eq()
        })
    });
    format!(
        "A rejected scan gives no mass: repeat it, or the bird has no value that day. {} rejected scans of the whole body have another that was kept, of the same bird on the same day (rejected_scans.csv). [How often a scan is repeated before the bird is released.]",
        share(again.count(), rejected.len())
    )
}

fn repeats(precision: Option<&Repeatability>) -> Vec<String> {
    let Some(precision) = precision else {
        return vec!["[Number of repeats: no bird of this study was scanned twice at one age, so that the precision of a scan is not known.]".to_owned()];
    };
    let mut lines = vec![
        "Reposition the bird between scans. A change of a bird is real (95 %) where it exceeds the least significant change: that of two single scans, or of two means of 2 or 3 scans (repeatability.csv, where the sets and scans of each row stand).".to_owned(),
    ];
    for row in &precision.rows {
        let unit = &row.unit;
        let reading = |mass: f64| match unit.as_str() {
            "g" => grams(mass),
            unit => format!("{} {unit}", significant(mass, 3)),
        };
        let of_means = |mass: f64, change: f64| {
            let at = |scans: f64| significant(change / scans.sqrt(), 2);
            format!(
                "{} {unit} for single scans, {} {unit} for means of 2, {} {unit} for means of 3, at {}",
                at(1.0),
                at(2.0),
                at(3.0),
                reading(mass)
            )
        };
        let least = of_means(row.at_least.mass, row.at_least.lsc);
        let greatest = of_means(row.at_greatest.mass, row.at_greatest.lsc);
        let both = if (row.at_least.lsc - row.at_greatest.lsc).abs() < 1e-9 * row.at_least.lsc {
            of_means(row.at_least.mass, row.at_least.lsc)
                + &format!(" to {}", reading(row.at_greatest.mass))
        } else {
            format!("{least}; {greatest}")
        };
        lines.push(format!(
            "{}, {}: {both} ({} birds, {} scans, df {}).",
            row.trait_name,
            plain(&row.method),
            row.subjects,
            row.scans,
            row.df
        ));
    }
    lines.push(
        "[Number of scans of each bird: choose by the smallest change that the study must find.]"
            .to_owned(),
    );
    lines
}

fn regions(study: &Study, found: &Scans) -> Vec<String> {
    let rows = &found.regions;
    if rows.is_empty() {
        return vec!["[Body regions: none were read in this study.]".to_owned()];
    }
    let within = rows.iter().filter(|row| row.within).count();
    let names: BTreeSet<String> = rows.iter().map(|row| row.regions.join(", ")).collect();
    vec![format!(
        "Draw the regions {} and compare their sum with the whole: {} sums were within {} % (regions.csv). [Where their borders run.]",
        names.into_iter().collect::<Vec<_>>().join("; or "),
        share(within, rows.len()),
        study.settings.scans.region_tolerance_pct
    )]
}

fn equations(found: &Scans) -> Vec<String> {
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

fn records(scans: &[Scan]) -> Vec<String> {
    let any = |is: &dyn Fn(&Scan) -> bool| scans.iter().any(is);
    let fields: Vec<&str> = [
        ("scan number", true),
        ("bird or birds", true),
        ("age or date", true),
        ("repeat", any(&|scan| scan.repeat > 1)),
        ("region", any(&|scan| scan.region != WHOLE)),
        ("restraint", any(&|scan| !scan.restraint.is_empty())),
        ("birds in the scan", any(&|scan| scan.birds.len() > 1)),
        ("feathers", any(&|scan| scan.feathers != Feathers::Unknown)),
        ("scale weight", any(&|scan| scan.scale_weight_g.is_finite())),
        ("marks (movement, egg)", any(&|scan| !scan.marks.is_empty())),
    ]
    .into_iter()
    .filter_map(|(field, used)| used.then_some(field))
    .collect();
    vec![
        format!(
            "Record for each scan, as this study does: {}, fat, lean and bone ({} readings; scans).",
            fields.join(", "),
            scans.len()
        ),
        "[Operator, scanner and software version, phantom reading of the day, time in restraint, and anything unusual: the study has no columns for them.]".to_owned(),
        "[Growth and age at first egg of scanned against unscanned birds: not compared in this run. Scanning itself must not change them.]".to_owned(),
    ]
}
