//! How each strain grows, on the log scale: what a single weighing is held against.

use super::{day, median, robust_spread};
use crate::study::{Records, Study};

/// Birds that a strain's median needs before one bird is held against it.
const BIRDS_FOR_MEDIAN: usize = 5;
/// A strain's spread on one day counts up to this (a coefficient of variation of 50
/// percent): where it is wider, half of the birds stand in another unit.
const WIDEST_SPREAD: f64 = 0.4;

/// The birds of one strain on one day of age.
#[derive(Debug, Clone, Default)]
struct Flock {
    day: i32,
    /// Indices into the records, while they are gathered.
    members: Vec<usize>,
    /// Median log weight, where there are enough birds.
    centre: Option<f64>,
    /// Robust spread of log weights between birds.
    spread: f64,
}

/// The course of each strain and how far each record lies from it.
#[derive(Debug)]
pub(super) struct Course {
    /// Flocks of each strain, by day.
    strains: Vec<Vec<Flock>>,
    /// Flock of each record: its place among those of its strain.
    flock: Vec<u32>,
    /// Median spread of each strain's flocks.
    usual: Vec<f64>,
    /// ln of each value.
    pub(super) logs: Vec<f64>,
}

impl Course {
    pub(super) fn of(study: &Study, records: &Records) -> Self {
        let logs: Vec<f64> = records.values.iter().map(|value| value.ln()).collect();
        let mut strains: Vec<Vec<Flock>> = vec![Vec::new(); study.strains.len()];
        let mut flock = vec![0; logs.len()];
        // Place of each day's flock among those of its strain, plus one.
        let mut places: Vec<Vec<u32>> = vec![Vec::new(); study.strains.len()];
        for (bird, what) in study.birds.iter().enumerate() {
            let (flocks, places) = (&mut strains[what.strain], &mut places[what.strain]);
            let range = records.starts[bird]..records.starts[bird + 1];
            for (record, flock) in range.clone().zip(&mut flock[range]) {
                let day = day(records.ages_d[record]);
                let at = usize::try_from(day).unwrap_or(0);
                if places.len() <= at {
                    places.resize(at + 1, 0);
                }
                if places[at] == 0 {
                    flocks.push(Flock {
                        day,
                        ..Flock::default()
                    });
                    places[at] = u32::try_from(flocks.len()).unwrap_or(u32::MAX);
                }
                *flock = places[at] - 1;
                flocks[places[at] as usize - 1].members.push(record);
            }
        }
        let usual = strains.iter_mut().map(|flocks| settle(flocks, &logs));
        let usual = usual.collect();
        Self {
            strains,
            flock,
            usual,
            logs,
        }
    }

    /// Median log weight of the birds of a strain on the day of a record.
    pub(super) fn centre(&self, strain: usize, record: usize) -> Option<f64> {
        self.strains[strain][self.flock[record] as usize].centre
    }

    /// Number of the flock of a record, among those of its strain.
    pub(super) fn flock(&self, record: usize) -> usize {
        self.flock[record] as usize
    }

    /// How many flocks a strain has.
    pub(super) fn flocks(&self, strain: usize) -> usize {
        self.strains[strain].len()
    }

    /// Spread of log weights between birds of a strain on the day of a record.
    pub(super) fn spread(&self, strain: usize, record: usize) -> f64 {
        let flock = &self.strains[strain][self.flock[record] as usize];
        let own = if flock.centre.is_some() {
            flock.spread
        } else {
            0.0
        };
        own.max(self.usual[strain])
    }

    /// How far a log weight lies outside the medians of a strain's flocks around a day of
    /// age; 0 where it is between them, `None` where no flock is large enough.
    pub(super) fn off(&self, strain: usize, age_d: f64, log: f64) -> Option<f64> {
        let age = day(age_d);
        // Day and median of the nearest flocks on both sides.
        let mut before: Option<(i32, f64)> = None;
        let mut after: Option<(i32, f64)> = None;
        for flock in &self.strains[strain] {
            let Some(centre) = flock.centre else { continue };
            if flock.day <= age && before.is_none_or(|(day, _)| flock.day > day) {
                before = Some((flock.day, centre));
            }
            if flock.day >= age && after.is_none_or(|(day, _)| flock.day < day) {
                after = Some((flock.day, centre));
            }
        }
        // A bird older than all of its strain weighs at least what those weigh.
        let (low, high) = match (before, after) {
            (Some((_, one)), Some((_, other))) => (one.min(other), one.max(other)),
            (Some((_, oldest)), None) => (oldest, f64::INFINITY),
            (None, Some((_, youngest))) => (f64::NEG_INFINITY, youngest),
            (None, None) => return None,
        };
        Some(if log < low {
            log - low
        } else {
            (log - high).max(0.0)
        })
    }
}

/// Median and spread of each flock that is large enough; the median of the spreads.
fn settle(flocks: &mut [Flock], logs: &[f64]) -> f64 {
    let mut spreads = Vec::new();
    for flock in flocks.iter_mut() {
        let members = std::mem::take(&mut flock.members);
        if members.len() < BIRDS_FOR_MEDIAN {
            continue;
        }
        let mut own: Vec<f64> = members.into_iter().map(|record| logs[record]).collect();
        flock.centre = median(&mut own);
        flock.spread = robust_spread(&mut own).unwrap_or(0.0).min(WIDEST_SPREAD);
        spreads.push(flock.spread);
    }
    median(&mut spreads).unwrap_or(0.0)
}
