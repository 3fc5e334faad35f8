//! The predictors of a trait, and their forecasts put together.
//!
//! Up to three predictors forecast a weight: the flock's own model, a saved population, and
//! the target's shape carried on ([`super::relative`]). Each is used only at ages that it
//! describes. A growth curve describes the ages of its weighings, and later ones only if its
//! weighings saw the pre-lay growth spurt through: fitted before, it cannot foresee it.
//!
//! With weights w_k that sum to one, the mixture of forecasts m_k with errors s_k has the mean
//! sum w_k m_k and the variance sum w_k (s_k^2 + (m_k - mean)^2) on the scale of the
//! logarithm: the error between the predictors is part of the interval.

use std::fmt;
use std::sync::Arc;

use super::relative::{Options, PhasedTarget, RelativeForecasts, RelativeModel, TIMING_SD_D};
use crate::error::{Error, Result};
use crate::fit::mixed::{Forecast, Forecasts, RandomScale};
use crate::study::Study;
use crate::trajectory::{BirdPopulation, KnownBirds};

/// What forecasts a weight.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Predictor {
    /// The flock's own model.
    OwnModel,
    /// A saved population.
    SavedPopulation,
    /// The target's shape, carried on from the birds' deviations.
    RelativeToTarget,
    /// Allometry on the forecast of body weight.
    Allometry,
}

/// The predictors of weights, in the order of their weights.
pub(super) const OF_WEIGHT: [Predictor; 3] = [
    Predictor::OwnModel,
    Predictor::SavedPopulation,
    Predictor::RelativeToTarget,
];

impl fmt::Display for Predictor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::OwnModel => "own model",
            Self::SavedPopulation => "saved population",
            Self::RelativeToTarget => "relative to target",
            Self::Allometry => "allometry on forecast body weight",
        })
    }
}

/// Weights of the predictors, as [`OF_WEIGHT`].
pub(super) type Weights = [f64; 3];

/// A population, and whose birds' strains it takes for others.
#[derive(Debug, Clone, Copy)]
pub(super) struct Source<'a> {
    pub(super) predictor: Predictor,
    pub(super) population: &'a BirdPopulation,
    pub(super) taken_for: &'a [(String, String)],
}

/// The share of the second phase that weighings must have seen for a curve to describe what
/// comes after.
const SEEN_THROUGH: f64 = 0.75;
/// Days after the inflection, in units of 1/k, at which a Gompertz phase is done to that share
/// (a logistic one a little more).
const AFTER_INFLECTION: f64 = 1.25;
/// An age counts as within the weighings where it lies no more than this after the last, d.
const SAME_AGE_D: f64 = 0.5;

/// The forecasts of one predictor.
#[derive(Debug)]
struct Prediction {
    predictor: Predictor,
    /// Of each bird of the study its place among the subjects.
    places: Vec<Option<usize>>,
    /// Of each bird of the study the last age that the predictor describes.
    until_d: Vec<f64>,
    by: By,
}

#[derive(Debug)]
enum By {
    Population(Forecasts),
    Relative(RelativeForecasts),
}

impl Prediction {
    fn place(&self, bird: usize, age_d: f64) -> Option<usize> {
        self.places[bird].filter(|_| age_d <= self.until_d[bird] + SAME_AGE_D)
    }

    fn of(&self, bird: usize, (at, age_d): (usize, f64)) -> Option<Forecast> {
        let subject = self.place(bird, age_d)?;
        match &self.by {
            By::Population(forecasts) => forecasts.of(subject, at),
            By::Relative(forecasts) => forecasts.of(subject, at),
        }
    }

    fn mean_of(&self, members: &[(usize, usize, f64)]) -> Option<Forecast> {
        let place =
            |(bird, at, age_d): &(usize, usize, f64)| Some((self.place(*bird, *age_d)?, *at));
        let members: Vec<(usize, usize)> = members.iter().map(place).collect::<Option<_>>()?;
        match &self.by {
            By::Population(forecasts) => {
                let found = |(subject, _): &(usize, usize)| forecasts.terms(*subject).is_some();
                members
                    .iter()
                    .all(found)
                    .then(|| forecasts.mean_of(&members))?
            }
            By::Relative(forecasts) => forecasts.mean_of(&members),
        }
    }
}

/// The forecasts of all predictors of a trait for some birds.
#[derive(Debug, Default)]
pub(super) struct Ensemble {
    predictions: Vec<Prediction>,
    /// The relative model, or why there is none.
    pub(super) relative: Option<std::result::Result<RelativeModel, String>>,
}

/// A forecast and the predictors that it rests on, with their weights.
#[derive(Debug, Clone)]
pub(super) struct Combined {
    pub(super) forecast: Forecast,
    pub(super) shares: Vec<(Predictor, f64)>,
}

impl Ensemble {
    /// Every predictor at the ages `ages_d` of each of some birds.
    pub(super) fn of<'w>(
        known: &Study,
        (trait_index, targets): (usize, &[Option<Arc<PhasedTarget>>]),
        sources: &[Source<'_>],
        birds: &[usize],
        ages_d: &(dyn Fn(usize) -> &'w [f64] + Sync),
    ) -> Result<Self> {
        let mut all = Self::default();
        let records = &known.traits[trait_index];
        for source in sources {
            let population = source.population;
            let groups = population.groups_of(known, records, source.taken_for)?;
            let wanted = |bird: usize| birds.binary_search(&bird).is_ok();
            let subjects = KnownBirds::of(known, records, population, &groups, wanted);
            let forecasts = population
                .population
                .forecast(&subjects.subjects()?, |subject| {
                    ages_d(subjects.birds[subject])
                })
                .map_err(|error| Error::input(format!("{}: {error}", population.label())))?;
            let mut places = vec![None; known.birds.len()];
            for (subject, bird) in subjects.birds.iter().enumerate() {
                places[*bird] = Some(subject);
            }
            let until_d = groups.iter().enumerate().map(|(bird, group)| {
                let Some(group) = group else { return 0.0 };
                let strain = known.birds[bird].strain;
                describes_until_d(population, *group, targets[strain].as_deref())
            });
            all.predictions.push(Prediction {
                predictor: source.predictor,
                places,
                until_d: until_d.collect(),
                by: By::Population(forecasts),
            });
        }
        if targets.iter().any(Option::is_some) {
            let saved = sources
                .iter()
                .find(|source| source.predictor == Predictor::SavedPopulation);
            let timing_sd_d = saved.and_then(|saved| timing_sd_d(saved.population));
            let options = Options {
                timing_sd_d: timing_sd_d.unwrap_or(TIMING_SD_D),
            };
            let model = RelativeModel::to_targets(known, trait_index, targets, &options);
            if let Ok(model) = &model {
                let mut places = vec![None; known.birds.len()];
                for (place, bird) in birds.iter().enumerate() {
                    places[*bird] = Some(place);
                }
                all.predictions.push(Prediction {
                    predictor: Predictor::RelativeToTarget,
                    places,
                    until_d: vec![f64::INFINITY; known.birds.len()],
                    by: By::Relative(model.forecast(birds, |at| ages_d(birds[at]))),
                });
            }
            all.relative = Some(model);
        }
        Ok(all)
    }

    /// The forecasts of a bird at the `at`-th of its ages, by predictor.
    pub(super) fn each(&self, bird: usize, age: (usize, f64)) -> Vec<(Predictor, Forecast)> {
        let of = |one: &Prediction| Some((one.predictor, one.of(bird, age)?));
        self.predictions.iter().filter_map(of).collect()
    }

    /// The forecast of a bird at the `at`-th of its ages.
    pub(super) fn bird(
        &self,
        bird: usize,
        age: (usize, f64),
        weights: &Weights,
    ) -> Option<Combined> {
        combined(self.each(bird, age), weights)
    }

    /// The forecast of the mean of some birds, each with the place of its age and the age, by
    /// the predictors that forecast all of them.
    pub(super) fn mean(
        &self,
        members: &[(usize, usize, f64)],
        weights: &Weights,
    ) -> Option<Combined> {
        let of = |one: &Prediction| Some((one.predictor, one.mean_of(members)?));
        combined(self.predictions.iter().filter_map(of).collect(), weights)
    }

    /// Whether a predictor was used at all.
    pub(super) fn has(&self, predictor: Predictor) -> bool {
        self.predictions
            .iter()
            .any(|one| one.predictor == predictor)
    }
}

/// The mixture of forecasts; `None` of none.
fn combined(mut parts: Vec<(Predictor, Forecast)>, weights: &Weights) -> Option<Combined> {
    // A curve far from its data may go to nothing.
    parts.retain(|(_, forecast)| forecast.value > 0.0);
    let weight = |predictor: Predictor| {
        let place = OF_WEIGHT.iter().position(|own| *own == predictor);
        place.map_or(0.0, |place| weights[place])
    };
    let sum: f64 = parts.iter().map(|(predictor, _)| weight(*predictor)).sum();
    if sum.partial_cmp(&0.0) != Some(std::cmp::Ordering::Greater) {
        return None;
    }
    if let [(predictor, forecast)] = parts[..] {
        return Some(Combined {
            forecast,
            shares: vec![(predictor, 1.0)],
        });
    }
    let shares: Vec<(Predictor, f64)> = parts
        .iter()
        .map(|(predictor, _)| (*predictor, weight(*predictor) / sum))
        .collect();
    let on_log = |forecast: &Forecast| {
        let unit = if forecast.logarithmic {
            1.0
        } else {
            forecast.value
        };
        (
            forecast.value.ln(),
            forecast.standard_error / unit,
            forecast.prediction_error / unit,
        )
    };
    let (mut mean, mut df) = (0.0, f64::INFINITY);
    for ((_, forecast), (_, share)) in parts.iter().zip(&shares) {
        mean += share * on_log(forecast).0;
        df = df.min(forecast.df);
    }
    let (mut variance, mut of_prediction) = (0.0, 0.0);
    for ((_, forecast), (_, share)) in parts.iter().zip(&shares) {
        let (location, error, prediction) = on_log(forecast);
        let between = (location - mean).powi(2);
        variance += share * (error * error + between);
        of_prediction += share * (prediction * prediction + between);
    }
    let forecast = Forecast {
        age_d: parts[0].1.age_d,
        value: mean.exp(),
        standard_error: variance.sqrt(),
        prediction_error: of_prediction.sqrt(),
        df,
        logarithmic: true,
    };
    let sound = forecast.value.is_finite() && forecast.prediction_error.is_finite();
    sound.then_some(Combined { forecast, shares })
}

/// The last age that a population describes in a group: without end where its weighings saw
/// the second phase through.
///
/// Where the curve itself has one phase, the target shows whether a second is still to come.
pub(super) fn describes_until_d(
    population: &BirdPopulation,
    group: usize,
    target: Option<&PhasedTarget>,
) -> f64 {
    let (_, last_d) = population.age_span(group);
    if reaches_plateau(population, group, target, last_d) {
        f64::INFINITY
    } else {
        last_d
    }
}

/// Whether weighings to this age saw the second phase of a group through, and the fit was not
/// weak: terms that it could not determine carry no forecast.
fn reaches_plateau(
    population: &BirdPopulation,
    group: usize,
    target: Option<&PhasedTarget>,
    last_d: f64,
) -> bool {
    if population.origin.status == "weak" {
        return false;
    }
    let curve = population.population.curve();
    let terms = population.population.group_terms(group);
    let term = |name: &str| {
        let place = curve.terms().iter().position(|term| term.name == name)?;
        terms.get(place).copied()
    };
    match (term("k2"), term("ti2")) {
        (Some(k), Some(ti)) => last_d >= ti + AFTER_INFLECTION / k,
        _ => match target.map(|target| &target.second_phase) {
            Some(Some(phase)) => phase.done(last_d) >= SEEN_THROUGH,
            Some(None) => true,
            None => false,
        },
    }
}

/// Whether the flock's own model, fitted to what is known, could describe any age that comes,
/// judged by the model of the whole: otherwise fitting it is for nothing.
pub(super) fn may_describe(
    study: &Study,
    known: &Study,
    (trait_index, targets): (usize, &[Option<Arc<PhasedTarget>>]),
    whole: &BirdPopulation,
) -> Result<bool> {
    let (records, later) = (&known.traits[trait_index], &study.traits[trait_index]);
    let groups = whole.groups_of(study, later, &[])?;
    let mut last_d = vec![f64::NEG_INFINITY; whole.groups.len()];
    let mut next_d = vec![f64::INFINITY; whole.groups.len()];
    let mut strains = vec![0; whole.groups.len()];
    for (bird, group) in groups.iter().enumerate() {
        let Some(group) = *group else { continue };
        strains[group] = study.birds[bird].strain;
        let (known_d, all_d) = (records.of(bird).0, later.of(bird).0);
        if let Some(age_d) = known_d.last() {
            last_d[group] = last_d[group].max(*age_d);
        }
        if let Some(age_d) = all_d.get(known_d.len()) {
            next_d[group] = next_d[group].min(*age_d);
        }
    }
    Ok((0..whole.groups.len()).any(|group| {
        let target = targets[strains[group]].as_deref();
        next_d[group] <= last_d[group] + SAME_AGE_D
            || reaches_plateau(whole, group, target, last_d[group])
    }))
}

/// Standard deviation between birds of the age at the second inflection, d.
pub(super) fn timing_sd_d(population: &BirdPopulation) -> Option<f64> {
    let numbers = &population.population;
    let random = &numbers.options().random;
    let place = random.iter().position(|effect| effect.term == "ti2")?;
    let sd = numbers.random_covariance()[place * random.len() + place].sqrt();
    let days = match random[place].scale {
        RandomScale::Natural => sd,
        RandomScale::Log => {
            let curve = numbers.curve();
            let at = curve.terms().iter().position(|term| term.name == "ti2")?;
            sd * numbers.group_terms(0)[at]
        }
    };
    (days.is_finite() && days > 0.0).then_some(days)
}
