//! When will the birds that are not laying yet lay, as of an age?
//!
//! The accelerated failure time models with enough first eggs for their terms are fitted
//! to what was known at that age, and each draw of a forecast is made by one of them, as
//! often as its Akaike weight says. Each draw has terms of its own
//! ([`draw_terms`]); with them, each bird draws its first egg from the law of its cues,
//! given that it had not laid when last seen:
//!
//! S(t | cues) / S(seen | cues).
//!
//! Medians and percentiles over the draws therefore hold the spread between birds, the
//! error of the terms and that of not knowing the model. The flock's lay curve counts the
//! drawn eggs, so that its interval holds the chance of so few birds too.

use rand::Rng;
use rayon::prelude::*;

use super::lay::{LayBird, LayRecords};
use super::onset_candidates::{Candidate, candidates};
use super::onset_model::{CueSet, with_intercept};
use super::onset_subjects::Subjects;
use crate::stats::Interval;
use crate::stats::linear::Design;
use crate::stats::parametric_survival::Family;
use crate::stats::resample::{Purpose, percentile_interval, stream};
use crate::stats::time_posterior::{DrawnTerms, draw_terms};
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
/// Days ahead that the flock's lay curve is forecast.
const AHEAD_D: u32 = 56;

/// A forecast as of an age.
#[derive(Debug, Clone)]
pub struct OnsetForecast {
    /// The age of the forecast, d.
    pub as_of_d: f64,
    /// Models that it averages over, each with its Akaike weight, the heaviest first.
    pub models: Vec<(String, f64)>,
    /// Birds not laying yet.
    pub birds: Vec<BirdForecast>,
    /// Lay curves of the strains and of all birds.
    pub curves: Vec<LayForecast>,
    /// Birds not laying and not seen any more.
    pub gone: usize,
    /// Birds that lack a cue, forecast from their strain alone.
    pub without_cue: usize,
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
    /// Whether its cues were known.
    pub by_cues: bool,
    /// What came of it, where the records go on: an age, d.
    pub came: Option<EventTime>,
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

/// Forecasts the first eggs of the birds not laying at an age from what was known then.
///
/// `all`: every bird's record, times as ages. `at_landmark`: those that a landmark at or
/// before the age leaves, with their cues. Both may hold what came later: it is hidden
/// from the model and reported beside the forecast.
///
/// # Errors
/// In words: no bird was left to lay, or none had laid from which to learn.
pub fn forecast_onset(
    all: &LayRecords,
    at_landmark: &LayRecords,
    options: &ForecastOptions,
) -> Result<OnsetForecast, String> {
    let as_of_d = options.as_of_d;
    let landmark_d = at_landmark.counted_from_d;
    let known = at_landmark.as_of(as_of_d);
    let (waiting, gone) = waiting(&known, as_of_d);
    if waiting.is_empty() {
        return Err(format!("no bird was seen and not laying at {as_of_d} d"));
    }
    if known.laid() == 0 {
        return Err(format!(
            "no bird had laid between the landmark, {landmark_d} d, and {as_of_d} d: these birds do \
             not say yet how long it takes"
        ));
    }
    let (rows, _) = known.complete();
    let draws = (EGGS / waiting.len()).clamp(LEAST_DRAWS, DRAWS);
    let with_cues = Fitted::of(&known, rows, draws, options.seed)?;
    let every_row = (0..known.birds.len()).collect();
    let no_cue = LayRecords {
        cues: Vec::new(),
        ..known.clone()
    };
    let lacking = |row: &usize| known.cues.iter().any(|cue| cue.readings[*row].is_none());
    let without_cue = waiting.iter().filter(|row| lacking(row)).count();
    let by_strain = if without_cue > 0 {
        Some(Fitted::of(&no_cue, every_row, draws, options.seed)?)
    } else {
        None
    };
    let drawn: Vec<Vec<f64>> = waiting
        .par_iter()
        .map(|row| {
            let (fitted, records) = match &by_strain {
                Some(fitted) if lacking(row) => (fitted, &no_cue),
                _ => (&with_cues, &known),
            };
            fitted.draws(records, *row, landmark_d, options.seed)
        })
        .collect();
    let birds = waiting.iter().zip(&drawn).map(|(row, ages_d)| {
        let interval = percentile_interval(ages_d, options.confidence)
            .map_err(|failure| failure.to_string())?;
        Ok(BirdForecast {
            bird: known.birds[*row].name.clone(),
            strain: known.birds[*row].strain,
            median_d: reached(as_of_d, crate::stats::median(ages_d)),
            interval_d: opened(as_of_d, interval),
            by_cues: !lacking(row),
            came: came(&at_landmark.birds[*row], as_of_d, landmark_d),
        })
    });
    let birds: Vec<BirdForecast> = birds.collect::<Result<_, String>>()?;
    let crowd = Crowd {
        all,
        at_landmark,
        waiting: &waiting,
        drawn: &drawn,
        options,
    };
    Ok(OnsetForecast {
        as_of_d,
        models: with_cues.models,
        curves: crowd.curves(),
        birds,
        gone,
        without_cue,
    })
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

/// Places of the birds still looked at and not laying, and how many are looked at no more.
fn waiting(known: &LayRecords, as_of_d: f64) -> (Vec<usize>, usize) {
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

/// What the whole record says of a bird, as an age; none where it ends with the forecast.
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

/// Fitted models with draws of their terms.
struct Fitted {
    models: Vec<(String, f64)>,
    subjects: Subjects,
    draws: Vec<Draw>,
}

/// One draw: the model that makes it, with its terms.
struct Draw {
    set: CueSet,
    family: Family,
    terms: DrawnTerms,
}

impl Fitted {
    fn of(known: &LayRecords, rows: Vec<usize>, draws: usize, seed: u64) -> Result<Self, String> {
        let subjects = Subjects::of(known, rows);
        let candidates = candidates(&subjects)?;
        let shares = shared_out(draws, &candidates);
        let of_model = |(at, (model, share)): (usize, (&Candidate, usize))| {
            // Every fit rests on a design, so this one has an answer.
            let everyone: Vec<usize> = (0..subjects.times.len()).collect();
            let columns = subjects.design_columns(model.set, &everyone);
            let design = Design::with_intercept(everyone.len(), columns);
            let design = design.map_err(|failure| failure.to_string())?;
            let mut random = stream(seed, Purpose::Terms, at as u64);
            let terms = draw_terms(&model.fit, &design, &subjects.times, share, &mut random);
            let drawn = terms.into_iter().map(|terms| Draw {
                set: model.set,
                family: model.fit.family,
                terms,
            });
            Ok(drawn.collect())
        };
        let drawn: Vec<(usize, (&Candidate, usize))> =
            candidates.iter().zip(shares).enumerate().collect();
        let drawn: Result<Vec<Vec<Draw>>, String> = drawn.into_par_iter().map(of_model).collect();
        let name = |one: &Candidate| (subjects.model_name(one.law, one.set), one.weight);
        Ok(Self {
            models: candidates.iter().map(name).collect(),
            draws: drawn?.into_iter().flatten().collect(),
            subjects,
        })
    }

    /// Ages at first egg of one bird, one a draw.
    fn draws(&self, records: &LayRecords, row: usize, landmark_d: f64, seed: u64) -> Vec<f64> {
        let seen = records.birds[row].first_egg.range().0;
        let mut random = stream(seed, Purpose::FirstEggs, row as u64);
        let mut rows: Vec<(CueSet, Vec<f64>)> = Vec::new();
        let age = |draw: &Draw| {
            // Draws of one model follow each other.
            if rows.last().is_none_or(|(set, _)| *set != draw.set) {
                let row = with_intercept(&self.subjects.row_of(records, row, draw.set));
                rows.push((draw.set, row));
            }
            let cues = rows.last().map_or(&[][..], |(_, row)| row);
            let DrawnTerms {
                coefficients,
                scale,
            } = &draw.terms;
            let centre: f64 = cues.iter().zip(coefficients).map(|(x, b)| x * b).sum();
            let left = draw.family.log_upper((seen.ln() - centre) / scale).exp();
            let chance: f64 = random.random();
            // Where the law has no bird left, the bird is due at once.
            let share = (1.0 - left * (1.0 - chance)).clamp(f64::MIN_POSITIVE, 1.0 - 1e-15);
            let time = (centre + scale * draw.family.quantile(share)).exp();
            landmark_d + time.max(seen).min(FARTHEST_D)
        };
        self.draws.iter().map(age).collect()
    }
}

/// How many draws each model makes.
fn shared_out(draws: usize, candidates: &[Candidate]) -> Vec<usize> {
    let mut total = 0.0;
    let mut before = 0;
    let of_one = |one: &Candidate| {
        total += one.weight * draws as f64;
        // The running sum, rounded: so the shares come to all draws.
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a count of draws, not above all of them"
        )]
        let up_to = (total.round() as usize).min(draws);
        let own = up_to - before;
        before = up_to;
        own
    };
    candidates.iter().map(of_one).collect()
}

/// The longest wait that a draw may say, d: few first eggs may leave sigma so open that a
/// draw is beyond what numbers hold.
const FARTHEST_D: f64 = 1e6;

/// The birds that a lay curve counts.
struct Crowd<'a> {
    all: &'a LayRecords,
    at_landmark: &'a LayRecords,
    waiting: &'a [usize],
    drawn: &'a [Vec<f64>],
    options: &'a ForecastOptions,
}

impl Crowd<'_> {
    fn curves(&self) -> Vec<LayForecast> {
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
