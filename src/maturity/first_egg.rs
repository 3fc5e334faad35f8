//! When will a bird lay its first egg, given every weighing so far: growth and first egg as
//! responses of one bird.
//!
//! The first egg follows the bird's pre-lay growth spurt by a lag and by effects of its other
//! terms ([`measured_event`](crate::stats::measured_event)); the posterior of these
//! terms given the weighings is in [`Spurts`]. A bird that has not laid when last seen lays by the
//! law of its time beyond that age. Birds that are late for a reason that no weight shows are a
//! component of that law.
//!
//! Lag and effects come from the birds of the flock that have laid, or from an earlier flock:
//! its saved population has their posterior.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::first_egg_summary::{FirstEggSummary, Term};
use super::lay::LayRecords;
use super::lay_ahead::{Ahead, ForecastOptions, OnsetForecast, draws_for, waiting};
use super::spurt::Spurts;
use crate::stats::measured_event::{
    EventPosterior, EventTerms, Subject, draw_terms_about, event_posterior, moments,
};
use crate::stats::resample::{Purpose, stream};
use crate::study::Study;
use crate::trajectory::SavedFirstEgg;

/// First eggs from which lag and effects are learned (common practice: ten events for a mean
/// and its spread).
pub const LEAST_LAID: usize = 10;

/// What is known of lag and effects.
#[derive(Debug, Clone)]
pub struct FirstEggModel {
    /// Names of the terms, the spurt's first.
    terms: Vec<String>,
    groups: Vec<String>,
    posterior: EventPosterior,
    summary: FirstEggSummary,
}

impl FirstEggModel {
    /// Lag and effects from the birds with a record; `None` with fewer than [`LEAST_LAID`] first
    /// eggs, or where they have no maximum.
    #[must_use]
    pub fn of(
        study: &Study,
        known: &LayRecords,
        spurts: &Spurts,
        (draws, seed): (usize, u64),
    ) -> Option<Self> {
        if known.laid() < LEAST_LAID {
            return None;
        }
        let places = places(study);
        let (mut subjects, mut times) = (Vec::new(), Vec::new());
        for bird in &known.birds {
            let place = places.get(bird.name.as_str())?;
            if let Some(subject) = &spurts.birds[*place] {
                subjects.push(subject.clone());
                times.push(bird.first_egg);
            }
        }
        let posterior =
            event_posterior(&subjects, &times, spurts.groups.len(), (draws, seed)).ok()?;
        let laid = times.iter().filter(|time| time.happened()).count();
        Some(Self::with(
            spurts.terms.clone(),
            spurts.groups.clone(),
            posterior,
            (times.len(), laid),
            false,
        ))
    }

    /// Lag and effects of an earlier flock.
    #[must_use]
    pub fn of_saved(saved: &SavedFirstEgg, groups: &[String], (draws, seed): (usize, u64)) -> Self {
        let mut random = stream(seed, Purpose::Terms, 0);
        let numbers = (&saved.mean[..], &saved.covariance[..]);
        let posterior = EventPosterior {
            spreads: saved.spreads.clone(),
            draws: draw_terms_about(numbers, groups.len(), draws, &mut random),
            weights: Vec::new(),
        };
        Self::with(
            saved.terms.clone(),
            groups.to_vec(),
            posterior,
            (saved.birds, saved.laid),
            true,
        )
    }

    fn with(
        terms: Vec<String>,
        groups: Vec<String>,
        posterior: EventPosterior,
        (birds, laid): (usize, usize),
        earlier_flock: bool,
    ) -> Self {
        let of = |value: &dyn Fn(&EventTerms) -> f64| {
            let values: Vec<f64> = posterior.draws.iter().map(value).collect();
            let squares = crate::stats::squares_about_mean(&values);
            Term {
                estimate: crate::stats::median(&values),
                std_error: (squares / (values.len() as f64 - 1.0).max(1.0)).sqrt(),
            }
        };
        let named = |names: &[String], value: &dyn Fn(&EventTerms, usize) -> f64| {
            let each = names.iter().enumerate();
            each.map(|(at, name)| (name.clone(), of(&|terms| value(terms, at))))
                .collect()
        };
        let summary = FirstEggSummary {
            lags_d: named(&groups, &|terms, at| terms.lags[at]),
            effects_d: named(&terms, &|terms, at| terms.effects[at]),
            sigma_d: of(&|terms| terms.sigma),
            late_share: of(&|terms| terms.late.share),
            delay_d: of(&|terms| terms.late.delay),
            birds,
            laid,
            earlier_flock,
        };
        Self {
            terms,
            groups,
            posterior,
            summary,
        }
    }

    /// Lag, effects and what is left over.
    #[must_use]
    pub fn summary(&self) -> &FirstEggSummary {
        &self.summary
    }

    /// As a saved population keeps it.
    #[must_use]
    pub fn saved(&self) -> SavedFirstEgg {
        let (mean, covariance) = moments(&self.posterior.draws);
        SavedFirstEgg {
            terms: self.terms.clone(),
            spreads: self.posterior.spreads.clone(),
            mean,
            covariance,
            birds: self.summary.birds,
            laid: self.summary.laid,
        }
    }

    /// Forecasts the first eggs of the birds not laying at an age.
    ///
    /// `all`: every bird's record, times as ages, also what came later; `spurts`: by what was
    /// weighed up to the age.
    ///
    /// # Errors
    /// In words: no bird was left to lay.
    pub fn forecast(
        &self,
        study: &Study,
        all: &LayRecords,
        spurts: &Spurts,
        options: &ForecastOptions,
    ) -> Result<OnsetForecast, String> {
        let as_of_d = options.as_of_d;
        let known = all.as_of(as_of_d);
        let (waiting, gone) = waiting(&known, as_of_d);
        let places = places(study);
        let subject = |row: usize| {
            let bird = &known.birds[row];
            let place = places.get(bird.name.as_str())?;
            spurts.of(*place, bird.strain)
        };
        let weighed = |row: usize| {
            let place = places.get(known.birds[row].name.as_str());
            place.is_some_and(|place| spurts.birds[*place].is_some())
        };
        let waiting: Vec<usize> = waiting
            .into_iter()
            .filter(|row| subject(*row).is_some())
            .collect();
        if waiting.is_empty() {
            return Err(format!("no bird was seen and not laying at {as_of_d} d"));
        }
        let draws = draws_for(waiting.len());
        let drawn: Vec<Vec<(f64, bool)>> = waiting
            .par_iter()
            .map(|row| {
                let seen = known.birds[*row].first_egg.range().0;
                let mut random = stream(options.seed, Purpose::FirstEggs, *row as u64);
                let eggs = subject(*row).into_iter().flat_map(|subject: &Subject| {
                    let terms = self.posterior.draws.iter().cycle().take(draws);
                    terms.map(move |terms| (subject, terms))
                });
                let eggs = eggs.map(|(subject, terms)| {
                    let (mean, spread) = terms.expect(&self.posterior.spreads, subject);
                    terms.late.draw_after(seen, mean, spread, &mut random)
                });
                eggs.collect()
            })
            .collect();
        let (drawn, late): (Vec<Vec<f64>>, Vec<Vec<bool>>) = drawn
            .into_iter()
            .map(|eggs| eggs.into_iter().unzip())
            .unzip();
        let ahead = Ahead {
            all,
            at_landmark: all,
            waiting: &waiting,
            drawn: &drawn,
            late: &late,
            options,
        };
        Ok(OnsetForecast {
            as_of_d,
            models: vec![(self.name().to_owned(), 1.0)],
            first_egg: Some(self.summary.clone()),
            curves: ahead.curves(),
            birds: ahead.birds(weighed)?,
            gone,
            without_cue: waiting.iter().filter(|row| !weighed(**row)).count(),
            without_first_egg: Vec::new(),
        })
    }

    /// Its name in the tables.
    #[must_use]
    pub fn name(&self) -> &'static str {
        if self.summary.earlier_flock {
            "joint_model:earlier_flock"
        } else {
            "joint_model"
        }
    }

    /// Groups with a separate lag.
    #[must_use]
    pub fn groups(&self) -> &[String] {
        &self.groups
    }
}

/// Place of each bird of a study, by its name.
fn places(study: &Study) -> BTreeMap<&str, usize> {
    let birds = study.birds.iter().enumerate();
    birds.map(|(at, bird)| (bird.name.as_str(), at)).collect()
}
