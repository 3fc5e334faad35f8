//! Single weights that are hard to believe: each against its bird's neighbours in time
//! and against its strain at that age, on the log scale.
//!
//! Let d be the log weight minus the median log weight of the bird's strain on that day.
//! A bird stays about as far from its flock as it was, so a weight is held against
//!
//! r = d - (the mean of d before and after, weighted by the days between),
//!
//! at the first and last weighing against the one neighbour. It is reported where
//! |r| > max([`LEAST_OFF`], [`SPREADS`] times the robust spread of r in its flock), and
//! where |d| > max(ln 2, [`SPREADS`] times the spread between birds). Where fewer than five
//! birds of a strain were weighed on the days in question no spread is known: there, a
//! weight is reported that lies off both neighbours, and a fall by `plausible.fall_share`.

use std::fmt;

use super::course::Course;
use super::{median, robust_spread};
use crate::study::columns::BODY_WEIGHT;
use crate::study::faults::Place;
use crate::study::{Records, Study};

/// Robust standard deviations beyond which a weight is reported.
pub(super) const SPREADS: f64 = 6.0;
/// A smaller distance from the neighbours on the log scale is never reported (28 percent): hungry,
/// full and sick birds are that far off.
const LEAST_OFF: f64 = 0.25;
/// A smaller distance from the flock on the log scale is never reported: half, or double.
pub(super) const LEAST_FROM_FLOCK: f64 = std::f64::consts::LN_2;
/// Without a flock, the part of the higher of two successive weights that the lower is at
/// most where one of them is reported.
const FALL_ALONE: f64 = 0.9;
/// Two successive distances from the flock this near on the log scale are alike (1.5) ...
const AS_FAR: f64 = 0.405;
/// ... unless they are as great as only another unit makes them (six times).
const ANOTHER_UNIT: f64 = 1.792;
/// Flocks with fewer differences than this are judged by the spread of all.
const DIFFERENCES_FOR_SPREAD: usize = 5;
/// How near to a factor of ten, hundred or thousand a slip must be.
const SLIP_NEARNESS: f64 = 1.35;

/// How a weight is hard to believe.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum JumpKind {
    /// Off the weighings before and after it, which agree with each other.
    OffAndBack,
    /// Off the weighing before it, and the next stays there.
    OffAndStays,
    /// The bird's first or last weighing, off the one beside it.
    AtEnd,
    /// Twice what its flock weighs, or half of it, and far outside its spread.
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
    pub suggested_g: f64,
}

impl Jump {
    /// The factor of 10, 100 or 1000 (or a part) that explains the jump.
    #[must_use]
    pub fn slip(&self) -> Option<f64> {
        let ratio = self.weight_g / self.suggested_g;
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
            suggested_g,
            kind,
        } = self;
        let side = if weight_g < suggested_g {
            "far below"
        } else {
            "far above"
        };
        write!(
            f,
            "{place}: bird {bird} at {age_d} d, {weight_g} g, {side} "
        )?;
        f.write_str(match kind {
            JumpKind::OffAndBack => "its neighbours; they suggest",
            JumpKind::OffAndStays => "the weighing before, and the next stays there; that suggests",
            JumpKind::AtEnd => "the weighing beside it; that suggests",
            JumpKind::FarFromFlock => "the other birds of its strain at that age; their median is",
        })?;
        write!(f, " about {suggested_g:.0} g")?;
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

/// All weights that are hard to believe, by bird and age, those of `odd` birds apart.
///
/// One wrong weight makes its neighbours look wrong too; of two in a row, only the one
/// further from what its bird weighs otherwise is reported.
pub(super) fn jumps(study: &Study, records: &Records, course: &Course, odd: &[bool]) -> Vec<Jump> {
    let spreads = Spreads::of(study, records, course);
    let mut jumps = Vec::new();
    for (bird, what) in study.birds.iter().enumerate() {
        let ages_d = records.of(bird).0;
        if odd[bird] || has_replicates(ages_d) {
            continue;
        }
        let series = Series::of(records, course, (bird, what.strain));
        let suspects: Vec<Option<Suspect>> = (0..ages_d.len())
            .map(|at| series.suspect(at, &spreads, study.settings.plausible.fall_share))
            .collect();
        for (at, suspect) in suspects.iter().enumerate() {
            let Some(suspect) = suspect else { continue };
            let mut beside = [at.checked_sub(1), Some(at + 1)]
                .into_iter()
                .filter_map(|beside| suspects.get(beside?)?.as_ref())
                .filter(|beside| beside.kind != JumpKind::FarFromFlock);
            let reported_beside = if suspect.kind == JumpKind::FarFromFlock {
                series.as_before(at, &suspects)
            } else {
                beside.any(|one| one.size > suspect.size)
            };
            if reported_beside {
                continue;
            }
            jumps.push(Jump {
                place: Place::row(&records.file, records.rows[series.first + at]),
                bird: what.name.clone(),
                age_d: ages_d[at],
                weight_g: records.values[series.first + at],
                kind: suspect.kind,
                suggested_g: suspect.suggested.exp(),
            });
        }
    }
    jumps
}

/// Whether a subject was weighed twice at an age: it is no single bird, and nothing in it
/// falls or returns.
fn has_replicates(ages_d: &[f64]) -> bool {
    ages_d.windows(2).any(|pair| pair[0] >= pair[1])
}

/// A weight that may be reported.
#[derive(Clone, Copy)]
struct Suspect {
    kind: JumpKind,
    /// Log weight that its neighbours or its flock suggest.
    suggested: f64,
    /// How far it is from what its bird weighs otherwise.
    size: f64,
}

/// One bird's log weights beside its flock's medians, where those are known.
struct Series<'a> {
    course: &'a Course,
    strain: usize,
    /// Its first record.
    first: usize,
    ages_d: &'a [f64],
    logs: &'a [f64],
    /// Log weights minus those of the flock.
    off: Vec<Option<f64>>,
    /// Median of those known.
    level: f64,
    body_weight: bool,
}

impl<'a> Series<'a> {
    fn of(records: &'a Records, course: &'a Course, (bird, strain): (usize, usize)) -> Self {
        let range = records.starts[bird]..records.starts[bird + 1];
        let off: Vec<Option<f64>> = range
            .clone()
            .map(|record| Some(course.logs[record] - course.centre(strain, record)?))
            .collect();
        let mut known: Vec<f64> = off.iter().copied().flatten().collect();
        Self {
            course,
            strain,
            first: range.start,
            ages_d: &records.ages_d[range.clone()],
            logs: &course.logs[range],
            level: median(&mut known).unwrap_or(0.0),
            off,
            body_weight: records.name == BODY_WEIGHT,
        }
    }

    fn suspect(&self, at: usize, spreads: &Spreads, fall_share: f64) -> Option<Suspect> {
        let off = self.off[at];
        let found = match off.and_then(|off| Some((off, self.residual(at)?))) {
            Some((off, residual)) => {
                let limit = spreads.limit(self.strain, self.course.flock(self.first + at), {
                    at > 0 && at + 1 < self.logs.len()
                });
                (residual.abs() > limit).then(|| Suspect {
                    kind: self.kind(at),
                    suggested: self.logs[at] - residual,
                    size: (off - self.level).abs(),
                })
            }
            None => self.alone(at, fall_share),
        };
        found.or_else(|| self.far_from_flock(at))
    }

    /// The log weight minus what the neighbours' distances from the flock suggest.
    fn residual(&self, at: usize) -> Option<f64> {
        let off = self.off[at]?;
        let before = at.checked_sub(1).map(|before| (before, self.off[before]));
        let after = self.off.get(at + 1).map(|off| (at + 1, *off));
        Some(match (before, after) {
            (Some((before, one)), Some((after, other))) => {
                off - self.between(at, (before, one?), (after, other?))
            }
            (Some((_, one)), None) | (None, Some((_, one))) => off - one?,
            (None, None) => return None,
        })
    }

    /// The value between two neighbours' at the age of a weighing.
    fn between(&self, at: usize, before: (usize, f64), after: (usize, f64)) -> f64 {
        let (from, to) = (self.ages_d[before.0], self.ages_d[after.0]);
        let part = (self.ages_d[at] - from) / (to - from);
        before.1 + part * (after.1 - before.1)
    }

    fn kind(&self, at: usize) -> JumpKind {
        let (Some(before), Some(after)) = (at.checked_sub(1), self.off.get(at + 1)) else {
            return JumpKind::AtEnd;
        };
        let ends = (self.off[before], self.off[at], *after);
        let (Some(before), Some(own), Some(after)) = ends else {
            return JumpKind::OffAndBack;
        };
        if (after - own).abs() < 0.5 * (own - before).abs() {
            JumpKind::OffAndStays
        } else {
            JumpKind::OffAndBack
        }
    }

    fn far_from_flock(&self, at: usize) -> Option<Suspect> {
        let off = self.off[at]?;
        let spread = self.course.spread(self.strain, self.first + at);
        (off.abs() > LEAST_FROM_FLOCK.max(SPREADS * spread)).then(|| Suspect {
            kind: JumpKind::FarFromFlock,
            suggested: self.logs[at] - off,
            size: off.abs(),
        })
    }

    /// Whether a weight is as far from the flock as the one before, which is reported: a bird
    /// that fell behind is reported once. In another unit every weight is reported.
    fn as_before(&self, at: usize, suspects: &[Option<Suspect>]) -> bool {
        let Some(before) = at
            .checked_sub(1)
            .filter(|before| suspects[*before].is_some())
        else {
            return false;
        };
        matches!(
            (self.off[before], self.off[at]),
            (Some(one), Some(own)) if (own - one).abs() < AS_FAR && own.abs() < ANOTHER_UNIT
        )
    }

    /// A weight against those before and after it where no flock is known.
    fn alone(&self, at: usize, fall_share: f64) -> Option<Suspect> {
        let before = at.checked_sub(1)?;
        let fall = |high: usize, low: usize| self.logs[low] - self.logs[high];
        let stays = |suggested: f64| Suspect {
            kind: if at + 1 == self.logs.len() {
                JumpKind::AtEnd
            } else {
                JumpKind::OffAndStays
            },
            suggested,
            size: (self.logs[at] - suggested).abs(),
        };
        let falls = fall(before, at) <= (1.0 - fall_share).ln();
        if at + 1 < self.logs.len() && self.body_weight {
            let after = at + 1;
            let suggested =
                self.between(at, (before, self.logs[before]), (after, self.logs[after]));
            let off = self.logs[at] - suggested;
            let enough = FALL_ALONE.ln();
            let above = off > LEAST_OFF && fall(at, after) <= enough;
            // A bird grows from the weight before to the one after: a dip is off both.
            let below = off < -LEAST_OFF && fall(before, at) <= enough && fall(after, at) <= enough;
            if above || below {
                return Some(Suspect {
                    kind: JumpKind::OffAndBack,
                    suggested,
                    size: off.abs(),
                });
            }
        }
        falls.then(|| stays(self.logs[before]))
    }
}

/// How far weights of each flock usually lie from what their neighbours suggest.
struct Spreads {
    /// By strain and flock: between two neighbours, and beside one.
    flocks: Vec<Vec<[f64; 2]>>,
}

impl Spreads {
    fn of(study: &Study, records: &Records, course: &Course) -> Self {
        let strains = 0..study.strains.len();
        let mut residuals: Vec<Vec<[Vec<f64>; 2]>> = strains
            .map(|strain| vec![Default::default(); course.flocks(strain)])
            .collect();
        for (bird, what) in study.birds.iter().enumerate() {
            let series = Series::of(records, course, (bird, what.strain));
            if has_replicates(series.ages_d) {
                continue;
            }
            for at in 0..series.logs.len() {
                let flock = course.flock(series.first + at);
                let of_flock = &mut residuals[what.strain][flock];
                let inside = at > 0 && at + 1 < series.logs.len();
                if inside && let Some(residual) = series.residual(at) {
                    of_flock[0].push(residual);
                }
                // The first and the last weighing have one neighbour; so that their spread
                // is known where few birds begin or end, all birds' steps count.
                let beside = if at > 0 { at - 1 } else { at + 1 };
                let step = series.off.get(beside).copied().flatten();
                if let (Some(own), Some(one)) = (series.off[at], step) {
                    of_flock[1].push(own - one);
                }
            }
        }
        let flocks = residuals.into_iter().map(|flocks| {
            let mut usual = [Vec::new(), Vec::new()];
            let mut own: Vec<[f64; 2]> = Vec::with_capacity(flocks.len());
            for mut of_flock in flocks {
                let mut spread = [0.0; 2];
                for (side, residuals) in of_flock.iter_mut().enumerate() {
                    if residuals.len() >= DIFFERENCES_FOR_SPREAD {
                        spread[side] = robust_spread(residuals).unwrap_or(0.0);
                        usual[side].push(spread[side]);
                    }
                }
                own.push(spread);
            }
            let usual = usual.map(|mut spreads| median(&mut spreads).unwrap_or(0.0));
            for spread in &mut own {
                *spread = [spread[0].max(usual[0]), spread[1].max(usual[1])];
            }
            own
        });
        Self {
            flocks: flocks.collect(),
        }
    }

    /// Distance on the log scale beyond which a weight is reported.
    fn limit(&self, strain: usize, flock: usize, inside: bool) -> f64 {
        let side = usize::from(!inside);
        LEAST_OFF.max(SPREADS * self.flocks[strain][flock][side])
    }
}
