//! How much does a reading change when a bird is put back in the same way?
//!
//! Repeats of one bird (or group) on one day in one way, region by region: their SD is
//! constant, or a share of the reading, whichever is likelier, for each reading and way.

use std::collections::BTreeMap;

use super::quality::Kept;
use crate::stats::precision::{Precision, precision};
use crate::study::{Feathers, Study, Way};

/// Precision by the name of a reading (`fat_scan`) and way.
#[derive(Debug, Clone, Default)]
pub struct WayPrecisions {
    found: BTreeMap<(String, Way), Precision>,
}

impl WayPrecisions {
    /// From all kept scans that were repeated.
    #[must_use]
    pub fn of_study(study: &Study, kept: &Kept) -> Self {
        type Subject<'a> = (&'a [usize], u64, Feathers);
        let mut repeats: BTreeMap<(String, Way), BTreeMap<Subject<'_>, Vec<f64>>> = BTreeMap::new();
        if !study.scans.has_repeats() {
            return Self::default();
        }
        let scans = kept.scans.iter().map(|index| &study.scans.rows[*index]);
        for scan in scans {
            for (name, value, _) in study.scans.readings(scan) {
                if value.is_finite() {
                    let name = format!("{name}_scan");
                    let subject = (scan.birds.as_slice(), scan.age_d.to_bits(), scan.feathers);
                    let of_way = repeats.entry((name, Way::of(scan))).or_default();
                    of_way.entry(subject).or_default().push(value);
                }
            }
        }
        let found = repeats.into_iter().filter_map(|(key, subjects)| {
            let values: Vec<Vec<f64>> = subjects.into_values().collect();
            Some((key, precision(&values, 0.95).ok()?))
        });
        Self {
            found: found.collect(),
        }
    }

    /// Precision of a reading in a way, where it was repeated.
    #[must_use]
    pub fn of(&self, name: &str, way: &Way) -> Option<&Precision> {
        self.found.get(&(name.to_owned(), way.clone()))
    }

    /// Variance of a reading of this size in this way, g^2.
    #[must_use]
    pub fn variance(&self, name: &str, way: &Way, reading_g: f64) -> Option<f64> {
        Some(self.of(name, way)?.sd_at(reading_g).powi(2))
    }
}
