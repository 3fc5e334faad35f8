//! Which scans are kept: the study's rules, applied with a stated reason.

use std::collections::HashMap;

use super::Tissue;
use crate::study::{Scan, Study, WHOLE};

/// A scan that was not used, and why.
#[derive(Debug, Clone, PartialEq)]
pub struct RejectedScan {
    /// Its name.
    pub scan: String,
    /// Its birds, joined by `+`.
    pub bird: String,
    /// Age, d.
    pub age_d: f64,
    /// Region read.
    pub region: String,
    /// How the bird was held.
    pub restraint: String,
    /// Row of the scans table.
    pub row: u32,
    /// Why, in words.
    pub reason: String,
}

/// The scans that passed, as indices into [`Study::scans`], and the others.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Kept {
    /// Indices of the scans that passed, in the order of the table.
    pub scans: Vec<usize>,
    /// The others, each with its reason.
    pub rejected: Vec<RejectedScan>,
}

/// Names of a scan's birds, joined by `+`.
#[must_use]
pub fn bird_names(study: &Study, scan: &Scan) -> String {
    let names: Vec<&str> = scan
        .birds
        .iter()
        .map(|bird| study.birds[*bird].name.as_str())
        .collect();
    names.join("+")
}

/// Applies the rules of `[scans]` in the study's settings.
///
/// [`ScanWishes::rejection`](crate::study::ScanWishes::rejection) says which fall;
/// the regions of a scan fall with its whole.
#[must_use]
pub fn keep(study: &Study) -> Kept {
    let rules = &study.settings.scans;
    let mut kept = Kept::default();
    let mut fallen = HashMap::new();
    for scan in &study.scans.rows {
        if let Some(reason) = rules.rejection(scan)
            && scan.region == WHOLE
        {
            fallen.insert(position(scan), reason);
        }
    }
    for (index, scan) in study.scans.rows.iter().enumerate() {
        let reason = rules.rejection(scan).or_else(|| {
            let whole = fallen.get(&position(scan))?;
            (scan.region != WHOLE).then(|| format!("its whole body was rejected: {whole}"))
        });
        match reason {
            None => kept.scans.push(index),
            Some(reason) => kept.rejected.push(rejected(study, scan, reason)),
        }
    }
    kept
}

/// The row that says a scan was not used, and why.
#[must_use]
pub fn rejected(study: &Study, scan: &Scan, reason: String) -> RejectedScan {
    RejectedScan {
        scan: scan.name.clone(),
        bird: bird_names(study, scan),
        age_d: scan.age_d,
        region: scan.region.clone(),
        restraint: scan.restraint.clone(),
        row: scan.row,
        reason,
    }
}

/// What the regions of one positioning share with their whole.
pub(super) fn position(scan: &Scan) -> (Vec<usize>, u64, u32, String, &'static str) {
    (
        scan.birds.clone(),
        scan.age_d.to_bits(),
        scan.repeat,
        scan.restraint.clone(),
        scan.feathers.word(),
    )
}

/// Whether the regions of a scan add up to its whole.
#[derive(Debug, Clone, PartialEq)]
pub struct RegionRow {
    /// Name of the whole's scan.
    pub scan: String,
    /// Bird's name.
    pub bird: String,
    /// Age, d.
    pub age_d: f64,
    /// Which tissue.
    pub tissue: Tissue,
    /// Regions that were added.
    pub regions: Vec<String>,
    /// The whole's reading, g.
    pub whole_g: f64,
    /// The regions' sum, g.
    pub sum_g: f64,
    /// The sum, percent of the whole.
    pub sum_pct: f64,
    /// Whether it is within the study's tolerance of 100 percent, and no region is
    /// missing that other scans of the study have.
    pub within: bool,
    /// Row of the whole in the scans table.
    pub row: u32,
}

/// Adds the regions of each positioning and compares them with the whole.
#[must_use]
pub fn regions(study: &Study) -> Vec<RegionRow> {
    let mut parts: HashMap<_, Vec<&Scan>> = HashMap::new();
    let mut names: Vec<&str> = Vec::new();
    for scan in study.scans.rows.iter().filter(|scan| scan.region != WHOLE) {
        parts.entry(position(scan)).or_default().push(scan);
        if !names.contains(&scan.region.as_str()) {
            names.push(&scan.region);
        }
    }
    let mut rows = Vec::new();
    for whole in study.scans.rows.iter().filter(|scan| scan.region == WHOLE) {
        let Some(parts) = parts.get(&position(whole)) else {
            continue;
        };
        for tissue in Tissue::ALL {
            let whole_g = tissue.reading(whole);
            let sum_g: f64 = parts.iter().map(|part| tissue.reading(part)).sum();
            if !whole_g.is_finite() || !sum_g.is_finite() {
                continue;
            }
            // Of nothing, only nothing is a hundred percent.
            let sum_pct = if whole_g > 0.0 {
                100.0 * sum_g / whole_g
            } else {
                100.0 + sum_g
            };
            let tolerance = study.settings.scans.region_tolerance_pct;
            rows.push(RegionRow {
                scan: whole.name.clone(),
                bird: bird_names(study, whole),
                age_d: whole.age_d,
                tissue,
                regions: parts.iter().map(|part| part.region.clone()).collect(),
                whole_g,
                sum_g,
                sum_pct,
                within: (sum_pct - 100.0).abs() <= tolerance && parts.len() == names.len(),
                row: whole.row,
            });
        }
    }
    rows
}
