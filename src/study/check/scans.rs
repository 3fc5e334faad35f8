//! What a study holds of scans and analyses, in words.

use super::{count, list_first};
use crate::study::{Part, Place, Study, WHOLE};

/// What a study holds of scans; empty where it has none.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ScanSummary {
    /// Positionings: a whole body and its regions count as one.
    pub scans: usize,
    /// Different birds.
    pub birds: usize,
    /// The ages at which any bird was scanned, ascending, in days.
    pub ages_d: Vec<f64>,
    /// Scans of several birds at once.
    pub of_several: usize,
    /// Second and further scans of a bird on one day, after repositioning.
    pub repeats: usize,
    /// Scans of plucked birds.
    pub plucked: usize,
    /// Readings of a region.
    pub regions: usize,
    /// Scans that the study's rules reject.
    pub rejected: Vec<Rejection>,
    /// Which columns and regions of the table were taken for what, and which were not read.
    pub mapped: Vec<String>,
}

/// A scan that the study's rules reject.
#[derive(Debug, Clone, PartialEq)]
pub struct Rejection {
    /// Where it stands.
    pub place: Place,
    /// Its name.
    pub scan: String,
    /// Why, in words.
    pub reason: String,
}

/// What a study holds of analyses; empty where it has none.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ChemistrySummary {
    /// Different birds.
    pub birds: usize,
    /// Analysed parts: whole, body, feathers.
    pub parts: [usize; 3],
    /// The least and the greatest sum of water, protein, fat and ash, in percent
    /// of the part.
    pub sums_pct: Option<(f64, f64)>,
}

impl std::fmt::Display for Rejection {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self {
            place,
            scan,
            reason,
        } = self;
        write!(f, "{place}: scan {scan}, {reason}")
    }
}

impl ScanSummary {
    /// Sums the scans of a study up.
    #[must_use]
    pub fn of(study: &Study) -> Self {
        let mut summary = Self::default();
        let mut seen = vec![false; study.birds.len()];
        for scan in &study.scans.rows {
            for bird in &scan.birds {
                seen[*bird] = true;
            }
            summary.ages_d.push(scan.age_d);
            if scan.region != WHOLE {
                summary.regions += 1;
                continue;
            }
            summary.scans += 1;
            summary.of_several += usize::from(scan.birds_in_scan() > 1);
            summary.repeats += usize::from(scan.repeat > 1);
            summary.plucked += usize::from(scan.feathers == crate::study::Feathers::Plucked);
            if let Some(reason) = study.settings.scans.rejection(scan) {
                summary.rejected.push(Rejection {
                    place: Place::row(&study.scans.file, scan.row),
                    scan: scan.name.clone(),
                    reason,
                });
            }
        }
        let scans = &study.scans;
        summary.mapped = scans.mapped.lines(&scans.file);
        summary.birds = seen.into_iter().filter(|seen| *seen).count();
        summary.ages_d.sort_by(f64::total_cmp);
        summary.ages_d.dedup();
        summary
    }

    pub(super) fn describe(&self, lines: &mut Vec<String>) {
        let (Some(first), Some(last)) = (self.ages_d.first(), self.ages_d.last()) else {
            return;
        };
        let mut line = format!(
            "{} of {} at {}",
            count(self.scans, "scan"),
            count(self.birds, "bird"),
            count(self.ages_d.len(), "age")
        );
        line += &if self.ages_d.len() > 1 {
            format!(" from {first} to {last} d")
        } else {
            format!(", {first} d")
        };
        let parts = [
            (self.plucked, "of plucked birds"),
            (self.repeats, "repeated after repositioning"),
            (self.of_several, "of several birds at once"),
        ];
        let pieces: Vec<String> = parts
            .iter()
            .filter(|(number, _)| *number > 0)
            .map(|(number, what)| format!("{number} {what}"))
            .collect();
        if !pieces.is_empty() {
            line += &format!(", of which {}", pieces.join(", "));
        }
        if self.regions > 0 {
            line += &format!("; {} of a region", count(self.regions, "reading"));
        }
        lines.push(line);
        lines.extend(self.mapped.iter().cloned());
        if !self.rejected.is_empty() {
            lines.push(format!(
                "{} rejected by the study's rules for scans:",
                count(self.rejected.len(), "scan")
            ));
            list_first(&self.rejected, lines);
        }
    }
}

/// What the log of the phantom holds; `None` without one.
pub(super) fn phantom_line(study: &Study) -> Option<String> {
    let log = &study.phantom;
    let (first, last) = log.span()?;
    let readings = log.readings.iter().map(|reading| reading.name.as_str());
    let readings: Vec<&str> = readings.collect();
    let scanners = match log.scanners.len() {
        1 => String::new(),
        n => format!(" of {n} scanners"),
    };
    Some(format!(
        "{} of the phantom{scanners} from {first} to {last} ({})",
        count(log.rows.len(), "measurement"),
        readings.join(", ")
    ))
}

impl ChemistrySummary {
    /// Sums the analyses of a study up.
    #[must_use]
    pub fn of(study: &Study) -> Self {
        let mut summary = Self::default();
        let mut seen = vec![false; study.birds.len()];
        for analysis in &study.chemistry.rows {
            seen[analysis.bird] = true;
            let part = match analysis.part {
                Part::Whole => 0,
                Part::Body => 1,
                Part::Feathers => 2,
            };
            summary.parts[part] += 1;
            let sum_pct = analysis.sum_pct();
            let (least, greatest) = summary.sums_pct.unwrap_or((sum_pct, sum_pct));
            summary.sums_pct = Some((least.min(sum_pct), greatest.max(sum_pct)));
        }
        summary.birds = seen.into_iter().filter(|seen| *seen).count();
        summary
    }

    pub(super) fn describe(&self, lines: &mut Vec<String>) {
        let Some((least, greatest)) = self.sums_pct else {
            return;
        };
        let names = [Part::Whole, Part::Body, Part::Feathers].map(Part::word);
        let parts: Vec<String> = self
            .parts
            .iter()
            .zip(names)
            .filter(|(number, _)| **number > 0)
            .map(|(number, name)| format!("{number} {name}"))
            .collect();
        lines.push(format!(
            "chemistry of {} ({}): water, protein, fat and ash add to {least:.1} to {greatest:.1} percent",
            count(self.birds, "bird"),
            parts.join(", ")
        ));
    }
}
