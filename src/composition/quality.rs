//! Which scans are kept: the study's rules, applied with a stated reason.

use std::collections::HashMap;

pub use crate::study::{RegionRow, bird_names, regions};
use crate::study::{Scan, Study, WHOLE, position};

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

/// Applies the rules of `[scans]` in the study's settings.
///
/// [`ScanSettings::rejection`](crate::study::ScanSettings::rejection) decides which fall;
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

/// The row of a scan that was not used, with the reason.
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
