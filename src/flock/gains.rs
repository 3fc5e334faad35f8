//! Have birds of this strain ever gained as fast as is required of them?
//!
//! A needed gain is set against the gains of the strain's birds between two weighings in
//! this study, where both are like it: begun at a weight within a quarter of the present
//! one, over at least half as many days (a fortnight is enough). What was gained is as
//! weighed, errors of weighing included, so the fastest of many is somewhat flattered.

use crate::flock::deviation::{Deviation, FlockLevel, Gain};
use crate::study::{AgeMatching, Occasions, Study};

/// A gain that is needed, beside the gains that the strain has shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GainsSeen {
    /// Gains compared with; their number.
    pub n: usize,
    /// The fastest of them, g/d.
    pub fastest_g_per_d: f64,
    /// Percent of them as fast as needed.
    pub as_fast_pct: f64,
}

/// How near the weight at the start must be, as a share of the present one.
const LIKE: f64 = 0.25;
/// Days between weighings that are enough.
const ENOUGH_D: f64 = 14.0;

/// For each deviation with a gain requested, the gains that its strain's birds (of a bird
/// or a group alike) have shown; `None` for the others and where no gain compares.
#[must_use]
pub fn gains_seen(
    study: &Study,
    deviations: &[Deviation],
    back_by_d: Option<f64>,
) -> Vec<Option<GainsSeen>> {
    deviations
        .iter()
        .map(|row| {
            let Gain::PerDay { needed_g_per_d, .. } = row.gain else {
                return None;
            };
            let window_d = back_by_d? - row.age_d;
            let least_d = (0.5 * window_d).clamp(1.0, ENOUGH_D);
            let mut gains = like(study, row, least_d);
            if gains.is_empty() {
                gains = of_samples(deviations, row, least_d);
            }
            let share = |count: usize| 100.0 * count as f64 / gains.len() as f64;
            let as_fast = gains.iter().filter(|gain| **gain >= needed_g_per_d).count();
            (!gains.is_empty()).then(|| GainsSeen {
                n: gains.len(),
                fastest_g_per_d: gains.iter().copied().fold(f64::NEG_INFINITY, f64::max),
                as_fast_pct: share(as_fast),
            })
        })
        .collect()
}

/// Gains like that of a flock, house or pen of unnamed birds: of the unit's means between two
/// occasions.
fn of_samples(deviations: &[Deviation], row: &Deviation, least_d: f64) -> Vec<f64> {
    let subject = |row: &Deviation| (row.level, row.trait_index, row.strain, row.house, row.pen);
    if row.level == FlockLevel::Bird {
        return Vec::new();
    }
    let own: Vec<&Deviation> = deviations
        .iter()
        .filter(|other| subject(other) == subject(row))
        .collect();
    let begun = own
        .iter()
        .filter(|then| (then.observed_g - row.observed_g).abs() <= LIKE * row.observed_g);
    begun
        .filter_map(|begun| {
            let later = own
                .iter()
                .find(|then| then.age_d - begun.age_d >= least_d)?;
            Some((later.observed_g - begun.observed_g) / (later.age_d - begun.age_d))
        })
        .collect()
}

/// Gains like a row's: of its strain's birds, or for a group of their means.
fn like(study: &Study, row: &Deviation, least_d: f64) -> Vec<f64> {
    let records = &study.traits[row.trait_index];
    let mut gains = Vec::new();
    // For a group: gains begun on one occasion, put together.
    let mut begun: Vec<(f64, f64)> = Vec::new();
    let clock = Occasions::of(study, records, AgeMatching::default());
    for bird in study.birds_of(row.strain) {
        let (ages_d, values) = records.of(bird);
        for (at, (age_d, value)) in ages_d.iter().zip(values).enumerate() {
            let elsewhere = row.level == FlockLevel::Pen && study.pen_at(bird, *age_d) != row.pen;
            if row.pen.is_some() && elsewhere {
                continue;
            }
            let is_like = (value - row.observed_g).abs() <= LIKE * row.observed_g;
            let later = (at + 1..ages_d.len()).find(|then| ages_d[*then] - age_d >= least_d);
            if let (true, Some(then)) = (is_like, later) {
                let gain = (values[then] - value) / (ages_d[then] - age_d);
                gains.push(gain);
                begun.push((clock.of_bird(records, bird)[at].day, gain));
            }
        }
    }
    if row.level == FlockLevel::Bird {
        return gains;
    }
    begun.sort_by(|a, b| a.0.total_cmp(&b.0));
    let groups = begun.chunk_by(|a, b| a.0.total_cmp(&b.0).is_eq());
    groups
        .map(|together| {
            let n = together.len() as f64;
            together.iter().map(|(_, gain)| gain).sum::<f64>() / n
        })
        .collect()
}
