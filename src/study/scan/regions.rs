//! Readings by region against that of the whole body.

use std::collections::HashMap;

use super::super::Study;
use super::{Scan, Tissue, WHOLE};

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

/// What the regions of one positioning share with their whole.
pub(crate) type Position = (Vec<usize>, u64, u32, String, &'static str);

/// The positioning that a scan is of.
pub(crate) fn position(scan: &Scan) -> Position {
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
    /// Regions that other scans of the study have and this one lacks.
    pub missing: Vec<String>,
    /// The whole's reading, g.
    pub whole_g: f64,
    /// The regions' sum, g.
    pub sum_g: f64,
    /// The sum, percent of the whole.
    pub sum_pct: f64,
    /// Whether it is within the study's tolerance of 100 percent, and no region is
    /// missing.
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
        let lacks = |name: &&&str| parts.iter().all(|part| part.region != **name);
        let missing: Vec<String> = names
            .iter()
            .filter(lacks)
            .map(ToString::to_string)
            .collect();
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
                missing: missing.clone(),
                whole_g,
                sum_g,
                sum_pct,
                within: (sum_pct - 100.0).abs() <= tolerance && missing.is_empty(),
                row: whole.row,
            });
        }
    }
    rows
}
