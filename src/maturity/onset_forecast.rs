//! When will the birds that are not laying yet lay, as of an age?
//!
//! The accelerated failure time models with enough first eggs for their terms are fitted
//! to what was known at that age, and each draw of a forecast is made by one of them, as
//! often as its Akaike weight. Each draw has separate terms
//! ([`draw_terms`]); with them, each bird draws its first egg from the law of its cues,
//! given that it had not laid when last seen:
//!
//! S(t | cues) / S(seen | cues).
//!
//! Medians and percentiles over the draws therefore hold the spread between birds, the
//! error of the terms and that of not knowing the model.

use rand::Rng;
use rayon::prelude::*;

use super::lay::{LayBird, LayRecords};
use super::lay_ahead::{Ahead, FARTHEST_D, ForecastOptions, OnsetForecast, draws_for, waiting};
use super::onset_candidates::{Candidate, candidates};
use super::onset_model::{CueSet, with_intercept};
use super::onset_subjects::Subjects;
use crate::stats::linear::Design;
use crate::stats::parametric_survival::Family;
use crate::stats::resample::{Purpose, stream};
use crate::stats::time_posterior::{DrawnTerms, draw_terms};

/// Forecasts the first eggs of the birds not laying at an age from what was known then. A strain
/// of which no bird has laid has no mean yet; the others are forecast without it.
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
    let has_laid = |strain: usize| {
        let mut birds = known.birds.iter();
        birds.any(|bird| bird.strain == strain && bird.first_egg.happened())
    };
    let without_first_egg: Vec<(usize, usize)> = known
        .strains_present()
        .into_iter()
        .filter(|strain| known.laid() > 0 && !has_laid(*strain))
        .map(|strain| {
            let rows = waiting(&known, as_of_d).0.into_iter();
            let own = rows.filter(|row| known.birds[*row].strain == strain);
            (strain, own.count())
        })
        .collect();
    if !without_first_egg.is_empty() {
        let none = |bird: &LayBird| without_first_egg.iter().any(|one| one.0 == bird.strain);
        let others = (
            all.only(|bird| !none(bird)),
            at_landmark.only(|bird| !none(bird)),
        );
        let forecast = forecast_onset(&others.0, &others.1, options)?;
        return Ok(OnsetForecast {
            without_first_egg,
            ..forecast
        });
    }
    let (waiting, gone) = waiting(&known, as_of_d);
    if waiting.is_empty() {
        return Err(format!("no bird was seen and not laying at {as_of_d} d"));
    }
    if known.laid() == 0 {
        return Err(format!(
            "no bird had laid between the landmark, {landmark_d} d, and {as_of_d} d: these birds do \
             not show yet how long it takes"
        ));
    }
    let (rows, _) = known.complete();
    let draws = draws_for(waiting.len());
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
    let ahead = Ahead {
        all,
        at_landmark,
        waiting: &waiting,
        drawn: &drawn,
        late: &[],
        options,
    };
    Ok(OnsetForecast {
        as_of_d,
        models: with_cues.models,
        first_egg: None,
        curves: ahead.curves(),
        birds: ahead.birds(|row| !lacking(&row))?,
        gone,
        without_cue,
        without_first_egg,
    })
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
