//! Does an equation apply to this scan, and what is unusual about the corrected value?

use std::collections::{BTreeMap, BTreeSet};

use super::equation::Equation;
use super::formula::Gap;
use super::frame::Value;
use super::pairs::strain_of;
use super::provenance::{ANOTHER, FEWEST_BIRDS, FEWEST_LABORATORIES, LABORATORY};
use crate::study::{Feathers, Scan, Study};

/// Strains that an equation does not know, by name, each with the strain of the
/// equation that it is to be taken for. The second name does not matter for an
/// equation without a term for strain.
pub type AllowedStrains = BTreeMap<String, String>;

pub(super) enum FeathersFit {
    Yes,
    LeaveOut(String),
    Refuse,
}

/// A plucked carcass is simply not what an equation for live birds is for; a
/// feathered bird under an equation for plucked ones would be misread in silence.
pub(super) fn feathers_fit(equation: &Equation, scan: &Scan) -> FeathersFit {
    match (equation.provenance.feathers.as_str(), scan.feathers) {
        ("plucked", Feathers::Plucked) => FeathersFit::Yes,
        ("plucked", _) => FeathersFit::Refuse,
        ("intact", Feathers::Plucked) => {
            FeathersFit::LeaveOut("a plucked bird, and the equation is for intact ones".to_owned())
        }
        _ => FeathersFit::Yes,
    }
}

pub(super) enum Stop {
    Fault(String),
    LeaveOut(String),
}

/// The strain of the equation that the scan's birds are taken for.
pub(super) fn strain_under<'a>(
    study: &'a Study,
    scan: &Scan,
    equation: &Equation,
    allowed: &'a AllowedStrains,
    flags: &mut Vec<String>,
) -> std::result::Result<Option<&'a str>, Stop> {
    let term = equation
        .provenance
        .factors
        .iter()
        .find(|levels| levels.name == "strain");
    let Some(strain) = strain_of(study, scan) else {
        return match term {
            Some(_) => Err(Stop::LeaveOut(
                "birds of several strains, and the equation has a term for strain".to_owned(),
            )),
            None => Ok(None),
        };
    };
    let strains = &equation.provenance.strains;
    let known = |name: &str| match term {
        Some(levels) => levels.levels.iter().any(|level| level == name),
        // An equation that states no strains cannot refuse one.
        None => strains.is_empty() || strains.iter().any(|level| level == name),
    };
    if known(strain) {
        return Ok(Some(strain));
    }
    let list = term.map_or(strains, |levels| &levels.levels).join(", ");
    match (allowed.get(strain), term) {
        (Some(taken_for), Some(_)) if known(taken_for) => {
            flags.push(format!(
                "strain {strain} is not in the equation, taken for {taken_for}"
            ));
            Ok(Some(taken_for))
        }
        (Some(_), None) => {
            flags.push(format!("strain {strain} is not in the equation"));
            Ok(Some(strain))
        }
        (Some(taken_for), Some(_)) => Err(Stop::Fault(format!(
            "column bird: found strain {strain} allowed as \"{taken_for}\", expected a strain of {} ({list}); correct the name",
            equation.label()
        ))),
        (None, _) => Err(Stop::Fault(format!(
            "column bird: found strain {strain}, expected one of {} ({list}); calibrate with birds of that strain, or allow it by name",
            equation.label()
        ))),
    }
}

/// The laboratory of a scan as an equation with a term for it takes it, or why the scan is left
/// out; none for an equation without such a term.
pub(super) fn laboratory_under<'a>(
    equation: &'a Equation,
    laboratory: &'a str,
    flags: &mut Vec<String>,
) -> std::result::Result<Option<&'a str>, String> {
    let of = &equation.provenance;
    let levels = of.factors.iter().find(|levels| levels.name == LABORATORY);
    let known = match levels {
        Some(levels) => &levels.levels,
        None => &of.laboratories,
    };
    if known.iter().any(|name| name == laboratory) {
        return Ok(levels.map(|_| laboratory));
    }
    let name = match laboratory {
        "" => "laboratory not stated".to_owned(),
        name => format!("{LABORATORY} {name}"),
    };
    match levels {
        Some(levels) if levels.levels.iter().any(|name| name == ANOTHER) => {
            flags.push(format!(
                "{name}: not in the equation, taken for another one"
            ));
            Ok(Some(ANOTHER))
        }
        // An equation for a new laboratory, or one that does not say where it is from.
        None if of.laboratories.len() != 1 || laboratory.is_empty() => Ok(None),
        _ => Err(format!(
            "{name}: the equation was calibrated on scans of others ({}), which carry no information on it; analyse birds scanned there, at least {FEWEST_BIRDS}, or of {FEWEST_LABORATORIES} laboratories for an equation that holds in another one",
            known.join(", ")
        )),
    }
}

/// A value that a scan lacks: a gap of the scan leaves the scan out, a gap of the study is a fault.
pub(super) fn missing(equation: &Equation, gap: &Gap) -> Stop {
    let name = match gap {
        Gap::Missing(name) | Gap::NotPositive(name) => name,
    };
    let of_scan = [
        "age",
        "body_weight",
        "strain",
        "feathers",
        "restraint",
        LABORATORY,
    ]
    .contains(&name.as_str())
        || name.ends_with("_scan");
    if of_scan {
        return Stop::LeaveOut(match gap {
            Gap::Missing(_) => format!("no value of {name}, which the equation needs"),
            Gap::NotPositive(_) => {
                format!("{name} is not above 0, and the equation takes its logarithm")
            }
        });
    }
    Stop::Fault(format!(
        "column {name}: found no such value in the study, expected it as {} needs it; use an equation of readings, body_weight, age, strain and feathers",
        equation.label()
    ))
}

/// What is unusual about a corrected value, in words.
pub(super) fn unusual<'a>(
    equation: &Equation,
    scan: &Scan,
    corrected: f64,
    name_of: &impl Fn(&str) -> Option<Value<'a>>,
    flags: &mut Vec<String>,
) {
    for range in &equation.provenance.ranges {
        let Some(Value::Number(value)) = name_of(&range.name) else {
            continue;
        };
        let beyond = if value < range.least {
            "below"
        } else {
            "above"
        };
        if value < range.least || value > range.greatest {
            flags.push(format!(
                "{} {value:.4} is {beyond} the calibrated range {:.4} to {:.4}",
                range.name, range.least, range.greatest
            ));
        }
    }
    if corrected < 0.0 {
        flags.push("negative after correction".to_owned());
    }
    if equation.provenance.feathers == "intact" && scan.feathers == Feathers::Unknown {
        flags.push("feathers not stated, taken for intact".to_owned());
    }
}

/// Each different fault at its first row, with the number of rows that share it.
pub(super) fn fault_lines(file: &str, faults: &BTreeSet<(u32, String)>) -> Vec<String> {
    let mut rows: BTreeMap<&str, (u32, usize)> = BTreeMap::new();
    for (row, text) in faults {
        rows.entry(text).or_insert((*row, 0)).1 += 1;
    }
    let mut lines: Vec<(u32, String)> = rows
        .into_iter()
        .map(|(text, (row, count))| {
            let more = if count > 1 {
                format!(" (and {} more rows)", count - 1)
            } else {
                String::new()
            };
            (row, format!("{file}, row {row}{more}, {text}"))
        })
        .collect();
    lines.sort();
    lines.into_iter().map(|(_, line)| line).collect()
}
