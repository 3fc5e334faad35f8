//! Is the flock on target, and where does it go?

use super::options::{FlockOptions, Forecasting, Options};
use crate::error::{Error, Result};
use crate::flock::{
    self, Deviation, DeviationOptions, DriftWatch, FlockUniformity, ForecastOptions,
    ForetoldWeight, GainsSeen, PopulationFrom, TraitForecast, UniformityOptions, WeightBacktest,
    WeightBacktests,
};
use crate::study::{FixedEffectOf, Records, Study};
use crate::trajectory::{self, PopulationRequest};

/// Ages of each trait as of which the backtest forecasts.
const BACKTEST_AGES: u8 = 4;

/// The verdict on a flock, and where it goes.
#[derive(Debug, Default)]
pub struct Verdict {
    /// Weighings against the target; none without targets.
    pub deviations: Vec<Deviation>,
    /// What the birds gained where that is known, an entry a deviation.
    pub gains: Vec<Option<GainsSeen>>,
    /// How alike the birds are.
    pub uniformities: Vec<FlockUniformity>,
    /// What they will weigh.
    pub ahead: Option<Ahead>,
    /// Half width of the range that counts as uniform, percent.
    pub within_pct: f64,
}

/// The forecasts, and as of which age.
#[derive(Debug)]
pub struct Ahead {
    /// Age as of which they are made, d.
    pub as_of_d: f64,
    /// Ages that a reader is shown first, d: those asked for, or those that the study names.
    pub shown_ages_d: Vec<f64>,
    /// One a trait.
    pub traits: Vec<TraitForecast>,
    /// How such forecasts would have come true.
    pub backtest: Vec<WeightBacktest>,
    /// Weights as the backtest predicted them, and as they came.
    pub backtest_weights: Vec<ForetoldWeight>,
    /// Share of a saved population's records that are among these weighings, where that is
    /// why there is no backtest.
    pub in_sample: Option<f64>,
    /// Birds that left their own course, an entry a trait.
    pub drifting: Vec<DriftWatch>,
}

impl Verdict {
    /// The flock judged from what is known.
    ///
    /// # Errors
    /// As the steps of [`flock`].
    pub(super) fn of(known: &Study, (options, wanted): (&Options, &FlockOptions)) -> Result<Self> {
        let deviations = flock::deviations(
            known,
            &DeviationOptions {
                matching: wanted.matching,
                back_on_target_by_d: wanted.back_by_d,
                confidence: options.confidence,
            },
        )?;
        let uniformities = flock::uniformities(
            known,
            &UniformityOptions {
                matching: wanted.matching,
                within_pct: wanted.within_pct,
                confidence: options.confidence,
            },
        )?;
        Ok(Self {
            gains: flock::gains_seen(known, &deviations, wanted.back_by_d),
            deviations,
            uniformities,
            ahead: ahead(known, (options, wanted))?,
            within_pct: wanted.within_pct,
        })
    }
}

fn ahead(known: &Study, (options, wanted): (&Options, &FlockOptions)) -> Result<Option<Ahead>> {
    let only;
    let known = match wanted.forecast {
        Forecasting::Nothing => return Ok(None),
        Forecasting::All => known,
        Forecasting::WithTarget => {
            only = of_target(known);
            &only
        }
    };
    let Some(last_d) = last_age_d(known) else {
        return Ok(None);
    };
    let taken_for = options.scans.allowed(known).into_iter().collect::<Vec<_>>();
    // The model of all birds, chosen by likelihood.
    let request = trajectory::Request {
        birds: false,
        strains: false,
        population: Some(PopulationRequest::chosen(vec![FixedEffectOf::Strain])),
        ..options.growth.request.clone()
    };
    let from = match &wanted.population {
        Some(population) => PopulationFrom::Saved {
            population,
            taken_for: &taken_for,
        },
        None => PopulationFrom::Flock(&request),
    };
    let asked = ForecastOptions {
        as_of_d: options.as_of_d.unwrap_or(last_d),
        ages_d: wanted.ages_d.clone(),
        named_ages_d: wanted.named_ages_d.clone(),
        confidence: options.confidence,
    };
    let mut traits = flock::forecast(known, from, &asked)?;
    let progress = &options.progress;
    progress.begin(
        "backtesting",
        known.traits.len() * usize::from(BACKTEST_AGES),
    );
    let done = || progress.advance(1);
    let ages = (last_d, BACKTEST_AGES);
    let WeightBacktests {
        rows: backtest,
        weights: backtest_weights,
        in_sample,
    } = flock::weight_backtest(known, from, ages, options.confidence, &done)?;
    progress.end();
    for one in &mut traits {
        one.flag_by(&backtest, options.confidence);
    }
    let watch = |one: &TraitForecast| {
        let population = one.population.as_ref();
        let taken_for = match from {
            PopulationFrom::Saved { taken_for, .. } => taken_for,
            PopulationFrom::Flock(_) => &[],
        };
        let of = one.trait_index;
        flock::drifting_by(known, of, population, taken_for, wanted.false_alarms)
    };
    let drifting = traits.iter().map(watch).collect::<Result<Vec<_>>>()?;
    Ok(Some(Ahead {
        as_of_d: asked.as_of_d,
        shown_ages_d: if wanted.ages_d.is_empty() {
            asked.named_ages_d
        } else {
            asked.ages_d
        },
        traits,
        backtest,
        backtest_weights,
        in_sample,
        drifting,
    }))
}

/// The study with the records of those traits alone that have a target, each in its place.
fn of_target(study: &Study) -> Study {
    let mut only = study.clone();
    for records in &mut only.traits {
        let mut targets = study.targets.iter();
        if !targets.any(|target| target.trait_name == records.name) {
            *records = Records {
                name: std::mem::take(&mut records.name),
                starts: vec![0; study.birds.len() + 1],
                ..Records::default()
            };
        }
    }
    only
}

/// Age of the last record of any trait, d.
fn last_age_d(study: &Study) -> Option<f64> {
    let ages_d = study.traits.iter().flat_map(|records| &records.ages_d);
    ages_d.copied().max_by(f64::total_cmp)
}

/// The study as of an age, d.
///
/// # Errors
/// A call error where the age is no age, or nothing was weighed by then.
pub(super) fn as_of(study: &Study, as_of_d: f64) -> Result<Study> {
    if !(as_of_d.is_finite() && as_of_d >= 0.0) {
        return Err(Error::call(format!(
            "--as-of {as_of_d}: expected an age in days, 0 or above"
        )));
    }
    let known = study.as_of(as_of_d);
    if last_age_d(&known).is_none() && last_age_d(study).is_some() {
        let ages_d = study.traits.iter().flat_map(|records| &records.ages_d);
        let first_d = ages_d.copied().fold(f64::INFINITY, f64::min);
        return Err(Error::call(format!(
            "--as-of {as_of_d}: found no weighing by that age, expected an age from {first_d} d on, when the first was weighed"
        )));
    }
    Ok(known)
}
