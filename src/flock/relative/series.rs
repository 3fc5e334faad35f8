//! The weighings of a flock as log ratios to their targets, by strain and occasion.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::second_phase::{PhasedTarget, SecondPhase};
use super::{TIMING_SD_D, WINDOW_D};
use crate::flock::target::TargetCurve;
use crate::study::{AgeMatching, OccasionKey, Occasions, Records, Study};

/// Weighings closer together than this count as one occasion, of which a bird's last counts, d.
const APART_D: f64 = 3.5;
/// Occasions that are taken even where they lie before the window.
const USUAL_OCCASIONS: usize = 4;
/// Occasions below which a strain has no course to carry on.
pub(super) const LEAST_OCCASIONS: usize = 3;

/// How the model is made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Standard deviation of the timing of the second phase, d.
    pub timing_sd_d: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            timing_sd_d: TIMING_SD_D,
        }
    }
}

/// Birds of a strain weighed on the same occasions.
#[derive(Debug, Clone)]
pub(super) struct Pattern {
    /// Their occasions, ascending.
    pub(super) at: Vec<usize>,
    /// Index into [`Study::birds`].
    pub(super) birds: Vec<usize>,
    /// Log ratios, birds x occasions row-major.
    pub(super) y: Vec<f64>,
}

impl Pattern {
    pub(super) fn of_bird(&self, member: usize) -> &[f64] {
        let n = self.at.len();
        &self.y[member * n..(member + 1) * n]
    }
}

/// A strain's weighings in the window.
#[derive(Debug, Clone)]
pub(super) struct StrainSeries {
    pub(super) target: Arc<PhasedTarget>,
    /// Age of each occasion, d, ascending.
    pub(super) ages_d: Vec<f64>,
    pub(super) patterns: Vec<Pattern>,
    /// SD of the timing of the second phase, d.
    pub(super) timing_sd_d: f64,
}

impl StrainSeries {
    pub(super) fn second_phase(&self) -> Option<&SecondPhase> {
        self.target.second_phase.as_ref()
    }

    /// Days since the first occasion.
    pub(super) fn days(&self, ages_d: &[f64]) -> Vec<f64> {
        ages_d.iter().map(|age_d| age_d - self.ages_d[0]).collect()
    }

    /// What one standard deviation of a bird's own timing does to its log ratio at these ages.
    pub(super) fn timing(&self, ages_d: &[f64]) -> Vec<f64> {
        let effect = |age_d: &f64| {
            let phase = self.second_phase();
            phase.map_or(0.0, |phase| -self.timing_sd_d * phase.relative_rate(*age_d))
        };
        ages_d.iter().map(effect).collect()
    }

    /// The target at an age of a bird, with a few days past the ends of its table.
    pub(super) fn log_target(&self, age_d: f64) -> Option<f64> {
        log_target(&self.target.trajectory, age_d)
    }
}

fn log_target(target: &TargetCurve, age_d: f64) -> Option<f64> {
    let point = target.at(age_d).or_else(|| target.near(age_d))?;
    Some(point.target_g.ln())
}

/// The series of each strain; none where it has no target or too few occasions that have one.
pub(super) fn of_strains(
    known: &Study,
    records: &Records,
    targets: &[Option<Arc<PhasedTarget>>],
    options: &Options,
) -> Vec<Option<StrainSeries>> {
    let clock = Occasions::of(known, records, AgeMatching::default());
    let strains = targets.iter().enumerate();
    strains
        .map(|(strain, target)| {
            let target = target.as_ref()?;
            of_strain(known, records, &clock, (strain, target), options)
        })
        .collect()
}

/// A weighing: its occasion, the bird's age, the log ratio.
struct Weighing {
    bird: usize,
    occasion: OccasionKey,
    age_d: f64,
    y: f64,
}

fn of_strain(
    known: &Study,
    records: &Records,
    clock: &Occasions,
    (strain, target): (usize, &Arc<PhasedTarget>),
    options: &Options,
) -> Option<StrainSeries> {
    let mut weighings = Vec::new();
    for bird in known.birds_of(strain) {
        let (ages_d, values) = records.of(bird);
        let occasions = clock.of_bird(records, bird);
        for ((age_d, value), occasion) in ages_d.iter().zip(values).zip(occasions) {
            if let (true, Some(log)) = (*value > 0.0, log_target(&target.trajectory, *age_d)) {
                weighings.push(Weighing {
                    bird,
                    occasion: *occasion,
                    age_d: *age_d,
                    y: value.ln() - log,
                });
            }
        }
    }
    let ages_d = occasions_of(&mut weighings);
    if ages_d.len() < LEAST_OCCASIONS {
        return None;
    }
    let &last_d = ages_d.last()?;
    let in_window = ages_d.partition_point(|age_d| *age_d < last_d - WINDOW_D);
    let first = in_window.min(ages_d.len().saturating_sub(USUAL_OCCASIONS));
    let ages_d = &ages_d[first..];
    // Of each bird the last weighing of each occasion.
    let mut of_birds: BTreeMap<usize, BTreeMap<usize, (f64, f64)>> = BTreeMap::new();
    for weighing in &weighings {
        let place = place_of(ages_d, weighing.occasion.day);
        let Some(place) = place else { continue };
        let own = of_birds.entry(weighing.bird).or_default();
        let entry = own.entry(place).or_insert((weighing.age_d, weighing.y));
        if entry.0 <= weighing.age_d {
            *entry = (weighing.age_d, weighing.y);
        }
    }
    let mut patterns: BTreeMap<Vec<usize>, (Vec<usize>, Vec<f64>)> = BTreeMap::new();
    for (bird, own) in of_birds {
        let at: Vec<usize> = own.keys().copied().collect();
        let (birds, y) = patterns.entry(at).or_default();
        birds.push(bird);
        y.extend(own.values().map(|(_, y)| *y));
    }
    let patterns = patterns.into_iter();
    Some(StrainSeries {
        target: target.clone(),
        ages_d: ages_d.to_vec(),
        patterns: patterns
            .map(|(at, (birds, y))| Pattern { at, birds, y })
            .collect(),
        timing_sd_d: options.timing_sd_d,
    })
}

/// Ages of the occasions, ascending: those of one day and batch are one, at the mean age of
/// their birds, and those closer together than [`APART_D`] count as the latest of them. Writes
/// the age into each weighing's occasion.
fn occasions_of(weighings: &mut [Weighing]) -> Vec<f64> {
    weighings.sort_by(|a, b| {
        let days = a.occasion.day.total_cmp(&b.occasion.day);
        days.then(a.occasion.batch.cmp(&b.occasion.batch))
    });
    for together in weighings.chunk_by_mut(|a, b| a.occasion == b.occasion) {
        let n = together.len() as f64;
        let mean_d = together.iter().map(|one| one.age_d).sum::<f64>() / n;
        for one in together {
            one.occasion.day = mean_d;
        }
    }
    weighings.sort_by(|a, b| b.occasion.day.total_cmp(&a.occasion.day));
    let mut ages_d: Vec<f64> = Vec::new();
    for one in weighings.iter_mut() {
        match ages_d.last() {
            Some(latest_d) if latest_d - one.occasion.day < APART_D => {
                one.occasion.day = *latest_d;
            }
            _ => ages_d.push(one.occasion.day),
        }
    }
    ages_d.reverse();
    ages_d
}

fn place_of(ages_d: &[f64], age_d: f64) -> Option<usize> {
    ages_d
        .binary_search_by(|known| known.total_cmp(&age_d))
        .ok()
}
