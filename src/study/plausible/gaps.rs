//! Weighing days that a bird missed.

use std::collections::BTreeMap;
use std::fmt;

use crate::study::columns::Values;
use crate::study::faults::Place;
use crate::study::occasion::{AgeMatching, OccasionKey, Occasions};
use crate::study::{Records, Study};

/// A weight counts for a weighing day up to this many days away, and never
/// past the middle between two weighing days.
const WINDOW_D: f64 = 3.0;

/// A weighing day of its strain on which a bird was not weighed, between its
/// first and its last weighing. A bird that is gone after its last weighing has
/// no gap.
#[derive(Debug, Clone, PartialEq)]
pub struct Gap {
    /// The bird.
    pub bird: String,
    /// The weighing day's age.
    pub age_d: f64,
    /// The bird's last row before the gap.
    pub place: Place,
}

impl fmt::Display for Gap {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { bird, age_d, place } = self;
        write!(
            f,
            "{place}: bird {bird} is next due at {age_d} d and was not weighed then, but later"
        )
    }
}

/// All gaps, by bird and age.
///
/// A weighing day of a strain is an occasion on which more than
/// `weighing_day_share` of its birds were weighed, of those between their first
/// and last weighing. More than half, so that a flock weighed on two days in
/// turn has only one of them as its day. None where ages may be any numbers, which are
/// no days of a flock.
pub(crate) fn gaps(study: &Study, records: &Records) -> Vec<Gap> {
    if study.values == Values::AnyNumber {
        return Vec::new();
    }
    let clock = Occasions::of(study, records, AgeMatching::default());
    let days = weighing_days(study, records, &clock);
    let mut gaps = Vec::new();
    for (bird, what) in study.birds.iter().enumerate() {
        let (ages_d, _) = records.of(bird);
        let (Some(first), Some(last)) = (ages_d.first(), ages_d.last()) else {
            continue;
        };
        let mut next = 0;
        for &(due_day, window_d) in days
            .get(&(what.strain, clock.batch(bird)))
            .into_iter()
            .flatten()
        {
            let due_d = due_day - clock.hatch_day(bird);
            if due_d <= *first || due_d >= *last {
                continue;
            }
            while ages_d
                .get(next)
                .is_some_and(|age_d| *age_d < due_d - window_d)
            {
                next += 1;
            }
            // The last weighing lies past the due day, so `next` is in range.
            if ages_d
                .get(next)
                .is_some_and(|age_d| *age_d > due_d + window_d)
            {
                let row = records.rows[records.starts[bird] + next.saturating_sub(1)];
                gaps.push(Gap {
                    bird: what.name.clone(),
                    age_d: due_d,
                    place: Place::row(&records.file, row),
                });
            }
        }
    }
    gaps
}

/// Weighing days of each strain and batch, with the days on either side that count for them.
type WeighingDays = BTreeMap<(usize, usize), Vec<(f64, f64)>>;

fn weighing_days(study: &Study, records: &Records, clock: &Occasions) -> WeighingDays {
    // On each day: birds weighed, and the change in birds between first and last weighing.
    let mut counts: BTreeMap<(usize, usize), BTreeMap<i64, (i64, i64)>> = BTreeMap::new();
    for (bird, what) in study.birds.iter().enumerate() {
        let keys = clock.of_bird(records, bird);
        let (Some(first), Some(last)) = (keys.first(), keys.last()) else {
            continue;
        };
        let counts = counts.entry((what.strain, clock.batch(bird))).or_default();
        let mut before = None;
        for day in keys.iter().map(day) {
            if before.replace(day) != Some(day) {
                counts.entry(day).or_default().0 += 1;
            }
        }
        counts.entry(day(first)).or_default().1 += 1;
        counts.entry(day(last) + 1).or_default().1 -= 1;
    }
    let share = study.settings.plausible.weighing_day_share;
    let days_of = |counts: BTreeMap<i64, (i64, i64)>| {
        let mut present = 0;
        let mut days = Vec::new();
        for (day, (weighed, change)) in counts {
            present += change;
            if weighed as f64 > share * present as f64 {
                days.push(day as f64);
            }
        }
        with_windows(&days)
    };
    let all = counts.into_iter();
    all.map(|(batch, counts)| (batch, days_of(counts)))
        .collect()
}

/// The day of an occasion, a whole number with the default matching.
#[expect(clippy::cast_possible_truncation, reason = "days of a calendar")]
fn day(key: &OccasionKey) -> i64 {
    key.day as i64
}

/// Half the distance to the nearer neighbour, at most three days.
fn with_windows(days: &[f64]) -> Vec<(f64, f64)> {
    let half = |one: Option<&f64>, other: Option<&f64>| match (one, other) {
        (Some(one), Some(other)) => (other - one) / 2.0,
        _ => WINDOW_D,
    };
    (0..days.len())
        .map(|at| {
            let before = half(at.checked_sub(1).and_then(|at| days.get(at)), days.get(at));
            let after = half(days.get(at), days.get(at + 1));
            (days[at], WINDOW_D.min(before).min(after))
        })
        .collect()
}
