//! What in scans and analyses is no fault but hard to believe.
//!
//! Like the rules for weighings, these point at rows and take nothing out. Their
//! thresholds are common practice, no source, except those that the study states.

use std::collections::{HashMap, HashSet};
use std::fmt;

use super::columns::BODY_WEIGHT;
use super::faults::Place;
use super::scan::{Feathers, Scan, WHOLE, regions};
use super::{Part, Study};

/// A weighing this near to a scan is held against its scale weight, in days; a
/// chick gains some ten percent a day, so not further.
const SAME_DAYS_D: f64 = 1.0;
/// The two weights may differ by this share.
const WEIGHTS_APART: f64 = 0.25;
/// Body and feathers may miss the scale weight by this, in percent: blood and
/// feathers are lost in plucking.
const PARTS_APART_PCT: f64 = 5.0;

/// A row of scans or chemistry that is hard to believe.
#[derive(Debug, Clone, PartialEq)]
pub struct Doubt {
    /// Where it stands.
    pub place: Place,
    /// What is odd about it, and what to do.
    pub words: String,
}

impl fmt::Display for Doubt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.place, self.words)
    }
}

/// All doubts about scans, then those about analyses, each in the order of its table.
pub(crate) fn doubts(study: &Study) -> Vec<Doubt> {
    let mut doubts = Vec::new();
    about_scans(study, &mut doubts);
    about_regions(study, &mut doubts);
    about_chemistry(study, &mut doubts);
    doubts
}

fn about_scans(study: &Study, doubts: &mut Vec<Doubt>) {
    let last_seen: HashMap<usize, f64> = study
        .onset
        .iter()
        .filter_map(|onset| Some((onset.bird, onset.last_seen_age_d?)))
        .collect();
    let key = |bird: usize, scan: &Scan| (bird, scan.age_d.to_bits());
    let intact: HashSet<(usize, u64)> = singles(study)
        .filter(|(_, scan)| scan.feathers == Feathers::Intact)
        .map(|(bird, scan)| key(bird, scan))
        .collect();
    let analysed: HashSet<usize> = study
        .chemistry
        .rows
        .iter()
        .map(|analysis| study.birds[analysis.bird].strain)
        .collect();
    let mut without_chemistry = HashSet::new();
    for (bird, scan) in singles(study) {
        let place = || Place::row(&study.scans.file, scan.row);
        let name = &study.birds[bird].name;
        let (strain, age_d) = (study.birds[bird].strain, scan.age_d);
        if let Some(last_d) = last_seen.get(&bird).filter(|last_d| age_d > **last_d) {
            doubts.push(Doubt {
                place: place(),
                words: format!(
                    "bird {name} scanned at {age_d} d, and last seen at {last_d} d; correct the bird or its age"
                ),
            });
        }
        if let Some(weighed_g) = weighed_g(study, bird, age_d)
            && (scan.scale_weight_g / weighed_g - 1.0).abs() > WEIGHTS_APART
        {
            doubts.push(Doubt {
                place: place(),
                words: format!(
                    "bird {name} at {age_d} d, {} g beside the scanner and {weighed_g} g among the weighings; look for another bird's weight or a slip",
                    scan.scale_weight_g
                ),
            });
        }
        if scan.feathers == Feathers::Plucked && !intact.contains(&key(bird, scan)) {
            doubts.push(Doubt {
                place: place(),
                words: format!(
                    "a plucked scan of bird {name} at {age_d} d without its intact scan: no feather effect follows from it; add the intact scan"
                ),
            });
        }
        if !analysed.is_empty() && !analysed.contains(&strain) && without_chemistry.insert(strain) {
            doubts.push(Doubt {
                place: place(),
                words: format!(
                    "a scan of strain {}, of which no bird was analysed: no equation is known to hold for it; analyse some, or allow the strain by name",
                    study.strains[strain]
                ),
            });
        }
    }
}

/// Regions that do not add up to the whole body of the same positioning.
fn about_regions(study: &Study, doubts: &mut Vec<Doubt>) {
    let tolerance_pct = study.settings.scans.region_tolerance_pct;
    let mut lacking = HashSet::new();
    for row in regions(study).iter().filter(|row| !row.within) {
        let parts = row.regions.join(" + ");
        let words = if row.missing.is_empty() {
            format!(
                "{} of bird {} at {} d: {parts} add to {:.1} g, the whole body is {:.1} g, {:+.1} percent off where at most {tolerance_pct} are expected; look the readings up again",
                row.tissue.name(),
                row.bird,
                row.age_d,
                row.sum_g,
                row.whole_g,
                row.sum_pct - 100.0
            )
        } else if lacking.insert(row.row) {
            format!(
                "bird {} at {} d has readings of {parts} and none of {}, which other scans have; add the missing rows",
                row.bird,
                row.age_d,
                row.missing.join(", ")
            )
        } else {
            // Reported once for all tissues.
            continue;
        };
        doubts.push(Doubt {
            place: Place::row(&study.scans.file, row.row),
            words,
        });
    }
}

fn about_chemistry(study: &Study, doubts: &mut Vec<Doubt>) {
    let tolerance_pct = study.settings.chemistry.closure_tolerance_pct;
    let mut parts: HashMap<usize, [Option<f64>; 3]> = HashMap::new();
    for analysis in &study.chemistry.rows {
        let place = || Place::row(&study.chemistry.file, analysis.row);
        let name = &study.birds[analysis.bird].name;
        let sum_pct = analysis.sum_pct();
        if (sum_pct - 100.0).abs() > tolerance_pct {
            doubts.push(Doubt {
                place: place(),
                words: format!(
                    "{} of bird {name}: water, protein, fat and ash add to {sum_pct:.1} percent, further from 100 than {tolerance_pct}; look the percentages up again",
                    analysis.part.word()
                ),
            });
        }
        let first = !parts.contains_key(&analysis.bird);
        let parts = parts.entry(analysis.bird).or_default();
        match analysis.part {
            Part::Whole => parts[0] = Some(analysis.mass_g),
            Part::Body => parts[1] = Some(analysis.mass_g),
            Part::Feathers => parts[2] = Some(analysis.mass_g),
        }
        let Some(last) = last_intact(study, analysis.bird) else {
            if first {
                doubts.push(Doubt {
                    place: place(),
                    words: format!(
                        "bird {name} was analysed and has no intact scan: it is used in no equation; add the scan"
                    ),
                });
            }
            continue;
        };
        let together_g = match *parts {
            [Some(whole_g), _, _] if analysis.part == Part::Whole => whole_g,
            [_, Some(body_g), Some(feathers_g)] if analysis.part != Part::Whole => {
                body_g + feathers_g
            }
            _ => continue,
        };
        let off_pct = 100.0 * (together_g / last.scale_weight_g - 1.0);
        if off_pct.abs() > PARTS_APART_PCT {
            doubts.push(Doubt {
                place: place(),
                words: format!(
                    "bird {name} weighs {together_g:.1} g in the laboratory and {} g at its last intact scan ({off_pct:+.1} percent); compare the two sheets",
                    last.scale_weight_g
                ),
            });
        }
    }
}

/// Whole-body scans of single birds.
fn singles(study: &Study) -> impl Iterator<Item = (usize, &Scan)> {
    let scans = study.scans.rows.iter();
    scans.filter_map(|scan| match scan.birds[..] {
        [bird] if scan.region == WHOLE => Some((bird, scan)),
        _ => None,
    })
}

fn last_intact(study: &Study, bird: usize) -> Option<&Scan> {
    singles(study)
        .filter(|(own, scan)| *own == bird && scan.feathers != Feathers::Plucked)
        .map(|(_, scan)| scan)
        .max_by(|a, b| a.age_d.total_cmp(&b.age_d))
}

/// The body weight nearest to an age, where one is near enough.
fn weighed_g(study: &Study, bird: usize, age_d: f64) -> Option<f64> {
    let mut traits = study.traits.iter();
    let weights = traits.find(|records| records.name == BODY_WEIGHT)?;
    let (ages_d, weights_g) = weights.of(bird);
    let weighings = ages_d.iter().zip(weights_g);
    weighings
        .map(|(own_d, weight_g)| ((own_d - age_d).abs(), *weight_g))
        .filter(|(apart_d, _)| *apart_d <= SAME_DAYS_D)
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, weight_g)| weight_g)
}
