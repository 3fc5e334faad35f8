//! What is no fault but hard to believe: gaps, jumps, units in doubt.
//!
//! The rules are for the eye of whoever keeps the records: they point at rows
//! and take nothing out. Their thresholds are common practice, no source; those
//! that a study may want to move are in [`Plausible`](super::Plausible).
//!
//! *Flock* here means the birds of one strain on one day of age.

use std::collections::{BTreeMap, HashMap};
use std::fmt;

use super::columns::{BODY_WEIGHT, Values};
use super::faults::Place;
use super::{Records, Study};

/// Birds that a strain's median needs before one bird is held against it.
const BIRDS_FOR_MEDIAN: usize = 5;
/// A weight this many times the median of its flock, or this small a part of
/// it, is told: no pullet is six times another of its strain and age.
const FAR_FROM_FLOCK: f64 = 6.0;
/// A weight counts for a weighing day up to this many days away, and never
/// past the middle between two weighing days.
const WINDOW_D: f64 = 3.0;
/// How near to a factor of ten, hundred or thousand a slip must be.
const SLIP_NEARNESS: f64 = 1.35;

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

/// How a weight is hard to believe.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum JumpKind {
    /// It falls by the stated share below both neighbours.
    FallsAndReturns,
    /// Both neighbours lie below it by the stated share.
    RisesAndReturns,
    /// It falls by the stated share and the next does not return, or is not there.
    FallsAndStays,
    /// The last weight, above its neighbour by far more than its flock gained.
    RisesAtEnd,
    /// Six times its flock's median, or a sixth of it.
    FarFromFlock,
}

/// A weight that is hard to believe.
#[derive(Debug, Clone, PartialEq)]
pub struct Jump {
    /// Where it stands.
    pub place: Place,
    /// The bird.
    pub bird: String,
    /// Its age.
    pub age_d: f64,
    /// The weight in g.
    pub weight_g: f64,
    /// In what way.
    pub kind: JumpKind,
    /// The weight in g that the neighbours, or the flock, suggest.
    pub suggested_g: Option<f64>,
}

impl Jump {
    /// The factor of 10, 100 or 1000 (or a part) that explains the jump.
    #[must_use]
    pub fn slip(&self) -> Option<f64> {
        let ratio = self.weight_g / self.suggested_g?;
        [10.0, 100.0, 1000.0, 0.1, 0.01, 0.001]
            .into_iter()
            .find(|factor| (ratio / factor).ln().abs() < SLIP_NEARNESS.ln())
    }
}

impl fmt::Display for Jump {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            place,
            bird,
            age_d,
            weight_g,
            ..
        } = self;
        write!(f, "{place}: bird {bird} at {age_d} d, {weight_g} g, ")?;
        f.write_str(match self.kind {
            JumpKind::FallsAndReturns => "far below its neighbours",
            JumpKind::RisesAndReturns => "far above its neighbours",
            JumpKind::FallsAndStays => "far below the weighing before",
            JumpKind::RisesAtEnd => "far above the weighing before",
            JumpKind::FarFromFlock => "far from the other birds of its strain at that age",
        })?;
        if let Some(suggested_g) = self.suggested_g {
            let source = match self.kind {
                JumpKind::FarFromFlock => "their median is",
                JumpKind::RisesAtEnd => "the flock's gain suggests",
                _ => "they suggest",
            };
            write!(f, "; {source} about {suggested_g:.0} g")?;
        }
        match self.slip() {
            Some(factor) if factor > 1.0 => {
                write!(f, ", {factor} times less: a slipped decimal mark or unit")?
            }
            Some(factor) => write!(
                f,
                ", {:.0} times more: a slipped decimal mark or unit",
                1.0 / factor
            )?,
            None => {}
        }
        f.write_str("; compare with the record sheet")
    }
}

/// The day of age that a weighing is counted under.
#[expect(
    clippy::cast_possible_truncation,
    reason = "ages are at most ten years"
)]
fn day(age_d: f64) -> i32 {
    age_d.round() as i32
}

/// All gaps, by bird and age.
///
/// A weighing day of a strain is a day of age on which more than
/// `weighing_day_share` of its birds were weighed, of those between their first
/// and last weighing. More than half, so that a flock weighed on two days in
/// turn has only one of them as its day.
pub(crate) fn gaps(study: &Study, records: &Records) -> Vec<Gap> {
    let days = weighing_days(study, records);
    let mut gaps = Vec::new();
    for (bird, what) in study.birds.iter().enumerate() {
        let (ages_d, _) = records.of(bird);
        let (Some(first), Some(last)) = (ages_d.first(), ages_d.last()) else {
            continue;
        };
        let mut next = 0;
        for &(due_d, window_d) in &days[what.strain] {
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

/// Each strain's weighing days with the days on either side that count for them.
fn weighing_days(study: &Study, records: &Records) -> Vec<Vec<(f64, f64)>> {
    // At each day: birds weighed, and the change in birds between first and last weighing.
    let mut counts: Vec<BTreeMap<i32, (i64, i64)>> = vec![BTreeMap::new(); study.strains.len()];
    for (bird, what) in study.birds.iter().enumerate() {
        let (ages_d, _) = records.of(bird);
        let (Some(first), Some(last)) = (ages_d.first(), ages_d.last()) else {
            continue;
        };
        let counts = &mut counts[what.strain];
        let mut before = None;
        for day in ages_d.iter().map(|age_d| day(*age_d)) {
            if before.replace(day) != Some(day) {
                counts.entry(day).or_default().0 += 1;
            }
        }
        counts.entry(day(*first)).or_default().1 += 1;
        counts.entry(day(*last) + 1).or_default().1 -= 1;
    }
    let share = study.settings.plausible.weighing_day_share;
    counts
        .into_iter()
        .map(|counts| {
            let mut present = 0;
            let mut days = Vec::new();
            for (day, (weighed, change)) in counts {
                present += change;
                #[expect(clippy::cast_precision_loss, reason = "numbers of birds")]
                let enough = weighed as f64 > share * present as f64;
                if enough {
                    days.push(f64::from(day));
                }
            }
            with_windows(&days)
        })
        .collect()
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

/// All weights that are hard to believe, by bird and age.
///
/// One wrong weight makes its neighbours look wrong too; of two in a row, only
/// the one further from what its neighbours suggest is told. Those far from
/// their flock are all told: there, a whole bird may stand in another unit.
pub(crate) fn jumps(study: &Study, records: &Records) -> Vec<Jump> {
    if study.values == Values::AnyNumber {
        return Vec::new();
    }
    let medians = Medians::new(study, records);
    let left = 1.0 - study.settings.plausible.fall_share;
    let mut jumps = Vec::new();
    for (bird, what) in study.birds.iter().enumerate() {
        let (ages_d, weights_g) = records.of(bird);
        // Replicates at an age are of a subject that is no single bird: nothing there falls or returns.
        if ages_d.windows(2).any(|pair| pair[0] >= pair[1]) {
            continue;
        }
        let series = Series {
            ages_d,
            weights_g,
            medians_g: ages_d
                .iter()
                .map(|age_d| medians.of(what.strain, *age_d))
                .collect(),
            left,
        };
        let suspects: Vec<Option<Suspect>> =
            (0..ages_d.len()).map(|at| series.suspect(at)).collect();
        for (at, suspect) in suspects.iter().enumerate() {
            let Some(suspect) = suspect else { continue };
            let mut beside = [at.checked_sub(1), Some(at + 1)]
                .into_iter()
                .filter_map(|beside| suspects.get(beside?)?.as_ref());
            let far = |suspect: &Suspect| suspect.kind == JumpKind::FarFromFlock;
            if !far(suspect) && beside.any(|other| far(other) || other.size() > suspect.size()) {
                continue;
            }
            jumps.push(Jump {
                place: Place::row(&records.file, records.rows[records.starts[bird] + at]),
                bird: what.name.clone(),
                age_d: ages_d[at],
                weight_g: weights_g[at],
                kind: suspect.kind,
                suggested_g: suspect.suggested_g,
            });
        }
    }
    jumps
}

/// A weight that may be told.
struct Suspect {
    kind: JumpKind,
    weight_g: f64,
    suggested_g: Option<f64>,
}

impl Suspect {
    /// How far it is from what is suggested, as a logarithm; 0 without a suggestion.
    fn size(&self) -> f64 {
        self.suggested_g
            .map_or(0.0, |suggested_g| (self.weight_g / suggested_g).ln().abs())
    }
}

/// One bird's weights beside its flock's medians, where those are known.
struct Series<'a> {
    ages_d: &'a [f64],
    weights_g: &'a [f64],
    medians_g: Vec<Option<f64>>,
    /// The share of a weight that a fall worth telling leaves.
    left: f64,
}

impl Series<'_> {
    fn suspect(&self, at: usize) -> Option<Suspect> {
        let (kind, suggested_g) = self
            .far_from_flock(at)
            .or_else(|| self.beside_neighbours(at))
            .or_else(|| self.rises_at_end(at))?;
        Some(Suspect {
            kind,
            weight_g: self.weights_g[at],
            suggested_g,
        })
    }

    fn far_from_flock(&self, at: usize) -> Option<(JumpKind, Option<f64>)> {
        let (weight_g, median_g) = (self.weights_g[at], self.medians_g[at]?);
        let far = weight_g > median_g * FAR_FROM_FLOCK || weight_g * FAR_FROM_FLOCK < median_g;
        far.then_some((JumpKind::FarFromFlock, Some(median_g)))
    }

    /// A weight against those before and after it.
    fn beside_neighbours(&self, at: usize) -> Option<(JumpKind, Option<f64>)> {
        let (weights_g, ages_d) = (self.weights_g, self.ages_d);
        let before = at.checked_sub(1)?;
        let falls = self.falls(before, at);
        let stays = (JumpKind::FallsAndStays, None);
        let after = at + 1;
        if after == weights_g.len() {
            return falls.then_some(stays);
        }
        // Growth is nearer to a constant rate than to a constant gain: the mean of logarithms.
        let part = (ages_d[at] - ages_d[before]) / (ages_d[after] - ages_d[before]);
        let ratio = weights_g[after] / weights_g[before];
        let suggested_g = Some(weights_g[before] * ratio.powf(part));
        match (falls, self.falls(after, at)) {
            (true, true) => Some((JumpKind::FallsAndReturns, suggested_g)),
            (true, false) => Some(stays),
            _ if self.falls(at, before) && self.falls(at, after) => {
                Some((JumpKind::RisesAndReturns, suggested_g))
            }
            _ => None,
        }
    }

    /// Whether `low` lies below `high` by the stated share: in grams and, where
    /// the flock is known, beside it too, so that what growth or a bad day of
    /// the whole flock explains is not told.
    fn falls(&self, high: usize, low: usize) -> bool {
        let in_grams = self.weights_g[low] <= self.left * self.weights_g[high];
        let beside_flock = match (self.medians_g[high], self.medians_g[low]) {
            (Some(high_g), Some(low_g)) => {
                self.weights_g[low] / low_g <= self.left * self.weights_g[high] / high_g
            }
            _ => true,
        };
        in_grams && beside_flock
    }

    /// The last weight against what the flock gained since the one before.
    fn rises_at_end(&self, at: usize) -> Option<(JumpKind, Option<f64>)> {
        let before = at
            .checked_sub(1)
            .filter(|_| at + 1 == self.weights_g.len())?;
        let suggested_g = self.weights_g[before] * self.medians_g[at]? / self.medians_g[before]?;
        let rises = self.left * self.weights_g[at] >= suggested_g;
        rises.then_some((JumpKind::RisesAtEnd, Some(suggested_g)))
    }
}

/// Median weight by strain and day of age.
struct Medians(HashMap<(usize, i32), f64>);

impl Medians {
    fn new(study: &Study, records: &Records) -> Self {
        let mut flocks: HashMap<(usize, i32), Vec<f64>> = HashMap::new();
        for (bird, what) in study.birds.iter().enumerate() {
            let (ages_d, values) = records.of(bird);
            for (age_d, value) in ages_d.iter().zip(values) {
                flocks
                    .entry((what.strain, day(*age_d)))
                    .or_default()
                    .push(*value);
            }
        }
        let medians = flocks
            .into_iter()
            .filter(|(_, weights)| weights.len() >= BIRDS_FOR_MEDIAN)
            .map(|(flock, mut weights)| {
                let middle = weights.len() / 2;
                let even = weights.len().is_multiple_of(2);
                let (below, upper, _) = weights.select_nth_unstable_by(middle, f64::total_cmp);
                let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                let median = if even { (lower + *upper) / 2.0 } else { *upper };
                (flock, median)
            })
            .collect();
        Self(medians)
    }

    fn of(&self, strain: usize, age_d: f64) -> Option<f64> {
        self.0.get(&(strain, day(age_d))).copied()
    }
}

/// Units that the weights as a whole put in doubt: one line each.
///
/// A chick hatches with some 40 g, so body weights all below 20 g are hardly
/// grams; a pullet weighs less than half a kilogram at 30 d, so a median of 900 g
/// by then hardly comes with ages in days.
pub(crate) fn units_in_doubt(study: &Study, records: &Records) -> Vec<String> {
    if study.values == Values::AnyNumber || records.name != BODY_WEIGHT {
        return Vec::new();
    }
    let greatest = |values: &[f64]| values.iter().copied().fold(0.0, f64::max);
    let (oldest_d, heaviest_g) = (greatest(&records.ages_d), greatest(&records.values));
    let mut lines = Vec::new();
    if heaviest_g > 0.0 && heaviest_g < 20.0 {
        lines.push(format!(
            "{}: the heaviest bird weighs {heaviest_g} g; if these are kg or lb, say so",
            records.file
        ));
    }
    let mut last_g: Vec<f64> = records
        .ages_d
        .iter()
        .zip(&records.values)
        .filter(|(age_d, _)| day(**age_d) == day(oldest_d))
        .map(|(_, value)| *value)
        .collect();
    last_g.sort_by(f64::total_cmp);
    if let Some(median_g) = last_g.get(last_g.len() / 2)
        && oldest_d <= 30.0
        && *median_g >= 900.0
    {
        lines.push(format!(
            "{}: birds of {median_g} g at {oldest_d} d are heavy for pullets; if the ages are weeks, say so",
            records.file
        ));
    }
    lines
}
