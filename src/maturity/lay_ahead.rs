//! Summary of a forecast of first eggs, by any model: from eggs drawn for each bird
//! that is waiting to the bird's median and interval, and to the lay curve ahead.
//!
//! The flock's lay curve counts the drawn eggs, so that its interval holds the chance of so few
//! birds too.

use super::first_egg_summary::FirstEggSummary;
use super::lay::{LayBird, LayRecords};
use crate::stats::Interval;
use crate::stats::resample::{percentile_interval, shortest_interval};
use crate::stats::time_to_event::EventTime;

/// Draws: the ends of a 95 percent interval then stand on 50 draws each.
const DRAWS: usize = 2000;
/// Eggs drawn at most, all birds together: fewer draws for a flock so large that its lay
/// curve hangs little on them.
const EGGS: usize = 8_000_000;
const LEAST_DRAWS: usize = 200;
/// A bird last seen longer ago than this is taken as gone, d: birds are looked at weekly.
const GONE_AFTER_D: f64 = 7.0;
/// A first egg is forecast up to this multiple of the age of the forecast: birds are followed
/// from hatch to that age, and further ahead than that no record reaches.
const REACH: f64 = 2.0;
/// The longest wait that a draw may give, d: few first eggs may leave sigma so open that a
/// draw is beyond what numbers hold.
pub(super) const FARTHEST_D: f64 = 1e6;
/// Of fewer draws of eggs on time there is no interval of them: the bird is taken for late.
const LEAST_ON_TIME: usize = 100;
/// Days ahead that the flock's lay curve is forecast.
const AHEAD_D: u32 = 56;

/// A forecast as of an age.
#[derive(Debug, Clone)]
pub struct OnsetForecast {
    /// The age of the forecast, d.
    pub as_of_d: f64,
    /// Models that it averages over, each with its Akaike weight, the heaviest first.
    pub models: Vec<(String, f64)>,
    /// Summary of the joint model of growth and first egg; `None` where the forecast is by
    /// cues or by strain alone.
    pub first_egg: Option<FirstEggSummary>,
    /// Birds not laying yet.
    pub birds: Vec<BirdForecast>,
    /// Lay curves of the strains and of all birds.
    pub curves: Vec<LayForecast>,
    /// Birds not laying and not seen any more.
    pub gone: usize,
    /// Birds that lack a cue, forecast from their strain alone.
    pub without_cue: usize,
    /// Strains of which no bird had laid, so that theirs are not forecast: index into
    /// [`LayRecords::strains`] and birds waiting.
    pub without_first_egg: Vec<(usize, usize)>,
}

impl OnsetForecast {
    /// Name of the model of most weight.
    #[must_use]
    pub fn model(&self) -> &str {
        self.models.first().map_or("", |(name, _)| name)
    }
}

/// The forecast first egg of a bird.
#[derive(Debug, Clone, PartialEq)]
pub struct BirdForecast {
    /// Its name.
    pub bird: String,
    /// Index into [`LayRecords::strains`].
    pub strain: usize,
    /// Median age at first egg, d; none where it lies beyond twice the age of the
    /// forecast, where no record reaches (common practice, no source).
    pub median_d: Option<f64>,
    /// Prediction interval, d; a limit beyond that is open: infinite.
    pub interval_d: Interval,
    /// By the joint model: the chance that it is one of the late birds, and when it lays if not.
    pub on_time: Option<OnTime>,
    /// Whether its cues were known.
    pub by_cues: bool,
    /// What came of it, where the records go on: an age, d.
    pub came: Option<EventTime>,
}

/// A first egg if the bird is not one of the late ones.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OnTime {
    /// Chance that the bird is late for a reason that no weight shows, since it is still waiting.
    pub late: f64,
    /// Median age at first egg and the shortest prediction interval if it is on time, d; `None`
    /// where it hardly can be.
    pub egg_d: Option<(f64, Interval)>,
}

/// The forecast lay curve of a strain, or of all birds.
#[derive(Debug, Clone, PartialEq)]
pub struct LayForecast {
    /// Index into [`LayRecords::strains`]; none for all birds together.
    pub strain: Option<usize>,
    /// Birds: laying, or seen and not laying.
    pub n: usize,
    /// One a day from the age of the forecast on.
    pub points: Vec<ForecastPoint>,
    /// Age by which half are in lay, d, with its interval, a limit beyond twice the age of
    /// the forecast open; none where half were already, or are not within the days forecast.
    pub half_d: Option<(f64, Interval)>,
}

/// The share in lay at an age ahead.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ForecastPoint {
    /// Age, d.
    pub age_d: f64,
    /// Expected share.
    pub share: f64,
    /// Prediction interval.
    pub interval: Interval,
    /// The share that came, where every bird was looked at to that age.
    pub came: Option<f64>,
}

/// Options of a forecast.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ForecastOptions {
    /// The age as of which it is made, d.
    pub as_of_d: f64,
    /// Confidence of the prediction intervals.
    pub confidence: f64,
    /// Seed of the draws.
    pub seed: u64,
}

/// An age that records reach as of an age; none beyond.
fn reached(as_of_d: f64, age_d: f64) -> Option<f64> {
    Some(age_d).filter(|age_d| *age_d <= REACH * as_of_d)
}

/// An interval with the limits that records do not reach open: infinite.
fn opened(as_of_d: f64, interval: Interval) -> Interval {
    let limit = |age_d: f64| reached(as_of_d, age_d).unwrap_or(f64::INFINITY);
    Interval {
        lower: limit(interval.lower),
        upper: limit(interval.upper),
    }
}

/// Draws for a forecast of this many birds.
pub(super) fn draws_for(waiting: usize) -> usize {
    (EGGS / waiting.max(1)).clamp(LEAST_DRAWS, DRAWS)
}

/// Places of the birds still looked at and not laying, and how many are looked at no more.
pub(super) fn waiting(known: &LayRecords, as_of_d: f64) -> (Vec<usize>, usize) {
    let now = as_of_d - known.counted_from_d;
    let (mut waiting, mut gone) = (Vec::new(), 0);
    for (row, bird) in known.birds.iter().enumerate() {
        match bird.first_egg {
            EventTime::After(seen) if seen >= now - GONE_AFTER_D => waiting.push(row),
            EventTime::After(_) => gone += 1,
            _ => {}
        }
    }
    (waiting, gone)
}

/// What the whole record shows of a bird, as an age; none where it ends with the forecast.
fn came(bird: &LayBird, as_of_d: f64, landmark_d: f64) -> Option<EventTime> {
    let later = match bird.first_egg {
        EventTime::Exact(t) => EventTime::Exact(t + landmark_d),
        EventTime::After(t) => EventTime::After(t + landmark_d),
        EventTime::Before(t) => EventTime::Before(t + landmark_d),
        EventTime::Between(a, b) => EventTime::Between(a + landmark_d, b + landmark_d),
    };
    match later {
        EventTime::After(t) if t <= as_of_d => None,
        _ => Some(later),
    }
}

/// Eggs drawn for the birds that are waiting.
pub(super) struct Ahead<'a> {
    /// Every bird's record, times as ages.
    pub(super) all: &'a LayRecords,
    /// The records that the places of `waiting` are of.
    pub(super) at_landmark: &'a LayRecords,
    /// Places of the birds that are waiting.
    pub(super) waiting: &'a [usize],
    /// Ages at first egg of each, d, one a draw.
    pub(super) drawn: &'a [Vec<f64>],
    /// Whether each of these is of a late bird; empty where the model has no late birds.
    pub(super) late: &'a [Vec<bool>],
    pub(super) options: &'a ForecastOptions,
}

impl Ahead<'_> {
    /// Median and interval of each bird; `by_cues`: whether what its forecast rests on was
    /// known of the bird at a place.
    pub(super) fn birds(
        &self,
        by_cues: impl Fn(usize) -> bool,
    ) -> Result<Vec<BirdForecast>, String> {
        let as_of_d = self.options.as_of_d;
        let birds = self.waiting.iter().zip(self.drawn).enumerate();
        let birds = birds.map(|(at, (row, ages_d))| {
            let interval = percentile_interval(ages_d, self.options.confidence)
                .map_err(|failure| failure.to_string())?;
            let bird = &self.at_landmark.birds[*row];
            Ok(BirdForecast {
                bird: bird.name.clone(),
                strain: bird.strain,
                median_d: reached(as_of_d, crate::stats::median(ages_d)),
                interval_d: opened(as_of_d, interval),
                on_time: self.late.get(at).map(|late| self.on_time(ages_d, late)),
                by_cues: by_cues(*row),
                came: came(bird, as_of_d, self.at_landmark.counted_from_d),
            })
        });
        birds.collect()
    }

    fn on_time(&self, ages_d: &[f64], late: &[bool]) -> OnTime {
        let pairs = ages_d.iter().zip(late);
        let on_time: Vec<f64> = pairs
            .filter_map(|(age_d, late)| (!late).then_some(*age_d))
            .collect();
        let share = 1.0 - on_time.len() as f64 / ages_d.len().max(1) as f64;
        let interval = shortest_interval(&on_time, self.options.confidence).ok();
        let enough = on_time.len() >= LEAST_ON_TIME;
        OnTime {
            late: share,
            egg_d: interval
                .filter(|_| enough)
                .map(|interval| (crate::stats::median(&on_time), interval)),
        }
    }

    pub(super) fn curves(&self) -> Vec<LayForecast> {
        let strains = self.all.strains_present();
        let mut groups: Vec<Option<usize>> = strains.iter().map(|strain| Some(*strain)).collect();
        if strains.len() > 1 {
            groups.push(None);
        }
        groups
            .into_iter()
            .filter_map(|strain| self.curve(strain))
            .collect()
    }

    fn curve(&self, strain: Option<usize>) -> Option<LayForecast> {
        let as_of_d = self.options.as_of_d;
        let own = |bird: &LayBird| strain.is_none_or(|strain| bird.strain == strain);
        let laying = self.all.as_of(as_of_d);
        let laying = laying
            .birds
            .iter()
            .filter(|b| own(b) && b.first_egg.happened());
        let laying = laying.count();
        let members: Vec<usize> = (0..self.waiting.len())
            .filter(|k| own(&self.at_landmark.birds[self.waiting[*k]]))
            .collect();
        let n = laying + members.len();
        if n == 0 {
            return None;
        }
        // Ages of each draw in order, so that a share is a count of those up to an age.
        let draws = self.drawn.first().map_or(0, Vec::len);
        let mut eggs: Vec<Vec<f64>> = (0..draws)
            .map(|draw| members.iter().map(|k| self.drawn[*k][draw]).collect())
            .collect();
        for eggs in &mut eggs {
            eggs.sort_by(f64::total_cmp);
        }
        let share = |eggs: &Vec<f64>, age_d: f64| {
            let laid = laying + eggs.partition_point(|egg_d| *egg_d <= age_d);
            laid as f64 / n as f64
        };
        let points = (0..=AHEAD_D).map(|days| {
            let age_d = as_of_d + f64::from(days);
            let shares: Vec<f64> = eggs.iter().map(|eggs| share(eggs, age_d)).collect();
            let share = crate::stats::mean(&shares);
            let unknown = Interval {
                lower: 0.0,
                upper: 1.0,
            };
            let interval = percentile_interval(&shares, self.options.confidence);
            ForecastPoint {
                age_d,
                share,
                interval: interval.unwrap_or(unknown).including(share),
                came: self.share_that_came(laying, &members, age_d),
            }
        });
        let points: Vec<ForecastPoint> = points.collect();
        let half_d = self.half(laying, n, &eggs, &points);
        Some(LayForecast {
            strain,
            n,
            points,
            half_d,
        })
    }

    /// The age by which half of the birds are in lay, over the draws.
    fn half(
        &self,
        laying: usize,
        n: usize,
        eggs: &[Vec<f64>],
        points: &[ForecastPoint],
    ) -> Option<(f64, Interval)> {
        let missing = n
            .div_ceil(2)
            .checked_sub(laying)
            .filter(|missing| *missing > 0)?;
        let ages: Option<Vec<f64>> = eggs
            .iter()
            .map(|eggs| eggs.get(missing - 1).copied())
            .collect();
        let ages = ages?;
        let as_of_d = self.options.as_of_d;
        let median = reached(as_of_d, crate::stats::median(&ages))?;
        let last = points.last()?.age_d;
        let interval = percentile_interval(&ages, self.options.confidence).ok()?;
        (median <= last).then(|| (median, opened(as_of_d, interval)))
    }

    /// The share in lay at `age_d` in the whole record; none unless every bird of the curve
    /// had laid or was seen by then.
    fn share_that_came(&self, laying: usize, members: &[usize], age_d: f64) -> Option<f64> {
        let mut laid = laying;
        let time = age_d - self.at_landmark.counted_from_d;
        for member in members {
            match self.at_landmark.birds[self.waiting[*member]].first_egg {
                EventTime::Exact(egg) => laid += usize::from(egg <= time),
                EventTime::Between(_, upper) | EventTime::Before(upper) if upper <= time => {
                    laid += 1;
                }
                EventTime::After(seen) | EventTime::Between(seen, _) if seen >= time => {}
                _ => return None,
            }
        }
        Some(laid as f64 / (laying + members.len()) as f64)
    }
}
