//! All scans of a study put on the chemistry scale: each trait by its equation,
//! the parts added up, and what was not used, with its reason.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::Tissue;
use super::balance::{self, BalanceRow};
use super::changes::{self, ChangeRow};
use super::correction::{AllowedStrains, Corrections, correct};
use super::equation::Equation;
use super::provenance::LABORATORY;
use super::quality::{Kept, RejectedScan, rejected};
use crate::error::{Error, Result};
use crate::study::Study;

/// What the equation for the feather mass predicts: a part of the balance, no reading.
pub const FEATHER_MASS: &str = "feather_mass";

/// Corrected masses of a study.
#[derive(Debug, Clone)]
pub struct StudyMasses {
    /// One a trait: fat, lean and bone first, others in the order of the equations.
    pub corrections: Vec<Corrections>,
    /// The parts of each scan against its scale weight; empty where there is no balance.
    pub balance: Vec<BalanceRow>,
    /// Scans that were not used, with the equations concerned; none named for a
    /// scan that fell by the study's rules.
    pub not_used: Vec<(RejectedScan, String)>,
    /// Each bird's changes between successive scans.
    pub changes: Vec<ChangeRow>,
    /// What should be known: one line each.
    pub warnings: Vec<String>,
}

/// Corrects the kept scans by each equation.
///
/// An equation for [`FEATHER_MASS`] gives the feathers' part of the balance.
///
/// # Errors
/// As [`correct`]; two equations for one trait.
pub fn of_study(
    study: &Study,
    kept: &Kept,
    equations: &[Equation],
    allowed: &AllowedStrains,
) -> Result<StudyMasses> {
    let (feathers, readings): (Vec<&Equation>, Vec<&Equation>) = equations
        .iter()
        .partition(|equation| equation.provenance.response == FEATHER_MASS);
    let mut corrections: Vec<Corrections> = Vec::new();
    let mut warnings = Vec::new();
    let mut faults = Vec::new();
    for equation in readings {
        let name = &equation.provenance.response;
        if let Some(other) = corrections.iter().find(|other| other.trait_name == *name) {
            return Err(Error::call(format!(
                "{}: found a second equation for {name} beside {}, expected one a trait; leave one out",
                equation.label(),
                other.equation.label()
            )));
        }
        match correct(study, kept, equation, allowed) {
            Ok(corrected) => {
                warnings.extend(corrected.warnings.iter().cloned());
                corrections.push(corrected);
            }
            Err(error) => faults.extend(error.messages().iter().cloned()),
        }
    }
    if !faults.is_empty() {
        return Err(Error::faults(faults));
    }
    warnings.extend(ways_in_words(study, &corrections));
    corrections.sort_by_key(|corrected| {
        Tissue::ALL
            .iter()
            .position(|tissue| tissue.name() == corrected.trait_name)
            .unwrap_or(Tissue::ALL.len())
    });
    let parts: Option<Vec<&Corrections>> = Tissue::ALL
        .iter()
        .map(|tissue| {
            corrections
                .iter()
                .find(|part| part.trait_name == tissue.name())
        })
        .collect();
    let balance = match parts {
        Some(parts) => {
            balance::of_study(study, &parts, feathers.first().copied()).unwrap_or_else(|error| {
                warnings.push(format!("no balance: {error}"));
                Vec::new()
            })
        }
        None => Vec::new(),
    };
    Ok(StudyMasses {
        changes: changes::of_study(study, &corrections),
        not_used: not_used(study, kept, &corrections),
        corrections,
        balance,
        warnings,
    })
}

/// Ways of scanning that the equations do not cover: which scans were put on the
/// calibration's way, and which could not be, each way once with the traits concerned.
pub(super) fn ways_in_words(study: &Study, corrections: &[Corrections]) -> Vec<String> {
    let mut refused: BTreeMap<String, (BTreeSet<u32>, Vec<&str>, &str)> = BTreeMap::new();
    for corrected in corrections {
        let left_out = corrected.rejected.iter();
        let left_out = left_out.filter(|scan| corrected.is_refused(study, scan));
        let eggs = corrected.with_egg.iter().map(|(row, why)| (row.row, why));
        for (row, why) in left_out.map(|scan| (scan.row, &scan.reason)).chain(eggs) {
            // The reasons of several readings differ in their names alone.
            let way = why.split(": ").next().unwrap_or(why).to_owned();
            let entry = refused
                .entry(way)
                .or_insert((BTreeSet::new(), Vec::new(), why));
            entry.0.insert(row);
            if !entry.1.contains(&corrected.trait_name.as_str()) {
                entry.1.push(&corrected.trait_name);
            }
        }
    }
    let refused = refused.into_values().map(|(rows, traits, why)| {
        format!(
            "{}: {} scans have no corrected {}: {why}",
            study.scans.file,
            rows.len(),
            traits.join(", ")
        )
    });
    let several = corrections.iter().filter_map(|corrected| {
        let ways = &corrected.equation.provenance.ways;
        let found: BTreeSet<String> = corrected.rows.iter().map(|row| row.way.label()).collect();
        (ways.is_empty() && found.len() > 1).then(|| {
            format!(
                "{}: the equation does not state in which ways its birds were scanned, so scans of different ways ({}) were corrected alike",
                corrected.equation.label(),
                found.into_iter().collect::<Vec<_>>().join("; ")
            )
        })
    });
    refused
        .chain(several)
        .chain(laboratories_in_words(study, corrections))
        .collect()
}

/// Laboratories that the equations do not have, and those that they do not distinguish.
fn laboratories_in_words(study: &Study, corrections: &[Corrections]) -> Vec<String> {
    let mut others: BTreeMap<&str, BTreeSet<u32>> = BTreeMap::new();
    let mut alike: BTreeSet<&str> = BTreeSet::new();
    let mut labels = Vec::new();
    for corrected in corrections {
        let of = &corrected.equation.provenance;
        let term = of.factors.iter().any(|levels| levels.name == LABORATORY);
        let scans = corrected.rows.iter();
        let scans = scans.map(|row| (row.row, study.scans.rows[row.index].laboratory.as_str()));
        if term {
            for (row, name) in
                scans.filter(|(_, name)| !of.laboratories.iter().any(|own| own == name))
            {
                others.entry(name).or_default().insert(row);
            }
        } else if of.laboratories.is_empty() {
            let before = alike.len();
            alike.extend(scans.map(|(_, name)| name).filter(|name| !name.is_empty()));
            if alike.len() > before {
                labels.push(corrected.equation.label());
            }
        }
    }
    let others = others.into_iter().map(|(name, rows)| {
        let name = if name.is_empty() { "not stated" } else { name };
        format!(
            "{}: {} scans of a laboratory that the equations do not have ({name}) are corrected with the error of a new laboratory; analyse birds scanned there",
            study.scans.file,
            rows.len()
        )
    });
    let alike = (alike.len() > 1).then(|| {
        format!(
            "{}: the equations do not say in which laboratory their birds were scanned, so scans of different ones ({}) were corrected alike",
            labels.join(", "),
            alike.into_iter().collect::<Vec<_>>().join(", ")
        )
    });
    others.chain(alike).collect()
}

/// Scans that fell by the rules, then those that an equation is not for, each once.
pub(super) fn not_used(
    study: &Study,
    kept: &Kept,
    corrections: &[Corrections],
) -> Vec<(RejectedScan, String)> {
    let mut rows: Vec<(RejectedScan, String)> = kept
        .rejected
        .iter()
        .map(|row| (row.clone(), String::new()))
        .collect();
    let mut eggs: BTreeMap<(u32, &str), (RejectedScan, Vec<&str>)> = BTreeMap::new();
    let mut by_equation: BTreeMap<(u32, &str), (&RejectedScan, Vec<&str>)> = BTreeMap::new();
    for corrected in corrections {
        for row in &corrected.rejected {
            by_equation
                .entry((row.row, &row.reason))
                .or_insert_with(|| (row, Vec::new()))
                .1
                .push(&corrected.trait_name);
        }
    }
    for corrected in corrections {
        for (row, reason) in &corrected.with_egg {
            let scan = &study.scans.rows[row.index];
            eggs.entry((row.row, reason))
                .or_insert_with(|| (rejected(study, scan, reason.clone()), Vec::new()))
                .1
                .push(&corrected.trait_name);
        }
    }
    rows.extend(
        eggs.into_values()
            .map(|(row, traits)| (row, traits.join(", "))),
    );
    rows.extend(
        by_equation
            .into_values()
            .map(|(row, traits)| (row.clone(), traits.join(", "))),
    );
    rows
}

/// Reads saved equations: files, or folders of `.toml` files in their alphabetical order.
///
/// # Errors
/// As [`Equation::read`], all files' faults at once; a folder without equations.
pub fn read_equations(paths: &[impl AsRef<Path>]) -> Result<Vec<Equation>> {
    let mut equations = Vec::new();
    let mut faults = Vec::new();
    for path in paths {
        let path = path.as_ref();
        let mut files = vec![path.to_owned()];
        if path.is_dir() {
            let entries =
                std::fs::read_dir(path).map_err(|source| Error::unreadable(path, source))?;
            files = entries.flatten().map(|entry| entry.path()).collect();
            files.retain(|file| file.extension().is_some_and(|end| end == "toml"));
            files.sort();
            if files.is_empty() {
                faults.push(format!(
                    "{}: found a folder without equations, expected files such as fat.toml; calibrate and save some",
                    path.display()
                ));
            }
        }
        for file in files {
            match Equation::read(&file) {
                Ok(equation) => equations.push(equation),
                Err(error) => faults.extend(error.messages().iter().cloned()),
            }
        }
    }
    if faults.is_empty() {
        Ok(equations)
    } else {
        Err(Error::faults(faults))
    }
}
