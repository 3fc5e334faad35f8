//! Steps about a single scan: its weight, the rules by which it is rejected, its regions.

use std::collections::{BTreeMap, BTreeSet};

use super::share;
use crate::analysis::Scans;
use crate::study::{Scan, Study, WHOLE};

pub(super) fn weighing(scans: &[Scan]) -> Vec<String> {
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

pub(super) fn rules(study: &Study, found: &Scans) -> Vec<String> {
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

pub(super) fn regions(study: &Study, found: &Scans) -> Vec<String> {
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
