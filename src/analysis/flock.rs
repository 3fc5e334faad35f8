//! Is the flock on target, and where does it go?

use super::growth::Growth;
use super::options::{FlockOptions, Forecasting, Options};
use crate::error::{Error, Result};
use crate::fit::interval;
use crate::flock::{
    self, AmongEarlier, DepartureWatch, Deviation, DeviationOptions, FlockForecasts, FlockLevel,
    FlockUniformity, ForecastFrom, ForecastOptions, GainPoint, GainsSeen, SampledVerdict,
    SavedPopulation, TraitForecast, TypicalWeight, UniformityOptions, WeightBacktest,
    WeightPrediction,
};
use crate::growth::Derived;
use crate::stats::Interval;
use crate::stats::distribution::t_two_sided_quantile;
use crate::study::{BODY_WEIGHT, FixedEffectOf, Study};
use crate::trajectory::sampled::SampledTrait;
use crate::trajectory::{self, PopulationRequest, TraitModel};

/// The verdict on a flock, and where it goes.
#[derive(Debug, Default)]
pub struct Verdict {
    /// Weighings against the target; none without targets.
    pub deviations: Vec<Deviation>,
    /// What the birds gained where that is known, an entry a deviation.
    pub gains: Vec<Option<GainsSeen>>,
    /// How alike the birds are.
    pub uniformities: Vec<FlockUniformity>,
    /// Gains of unnamed birds from weighing to weighing, with their control limits.
    pub gain_chart: Vec<GainPoint>,
    /// What they will weigh.
    pub ahead: Option<Ahead>,
    /// Strains among earlier flocks; none where no earlier flock was named.
    pub among_earlier: Vec<AmongEarlier>,
    /// Half width of the range that counts as uniform, percent.
    pub within_pct: f64,
}

/// The forecasts, and as of which age.
#[derive(Debug)]
pub struct Ahead {
    /// Age as of which they are made, d.
    pub as_of_d: f64,
    /// Ages that a reader is shown first, d: those requested, or those that the study names.
    pub shown_ages_d: Vec<f64>,
    /// One a trait, and one of the unnamed birds.
    pub traits: Vec<TraitForecast>,
    /// How such forecasts would have come true.
    pub backtest: Vec<WeightBacktest>,
    /// Weights as the backtest predicted them, and as they came.
    pub backtest_weights: Vec<WeightPrediction>,
    /// Share of a saved population's records that are among these weighings, where that is
    /// why there is no backtest.
    pub in_sample: Option<f64>,
    /// Birds that departed from their predicted growth, an entry a trait.
    pub departures: Vec<DepartureWatch>,
}

impl Verdict {
    /// The flock judged from what is known.
    ///
    /// # Errors
    /// As the steps of [`flock`].
    pub(super) fn of(
        known: &Study,
        growth: &Growth,
        (options, wanted): (&Options, &FlockOptions),
    ) -> Result<Self> {
        let of_deviation = DeviationOptions {
            matching: wanted.matching,
            back_on_target_by_d: wanted.back_by_d,
            confidence: options.confidence,
        };
        let of_uniformity = UniformityOptions {
            matching: wanted.matching,
            within_pct: wanted.within_pct,
            confidence: options.confidence,
        };
        let mut deviations = flock::deviations(known, &of_deviation)?;
        let mut uniformities = flock::uniformities(known, &of_uniformity)?;
        if let Some(sampled) = &growth.sampled {
            let options = (&of_deviation, &of_uniformity);
            let verdict = flock::sampled_verdict(known, sampled, options)?;
            enter_sampled(sampled, verdict, (&mut deviations, &mut uniformities));
        }
        Ok(Self {
            gain_chart: growth
                .sampled
                .as_ref()
                .map_or_else(Vec::new, |of| flock::gain_chart(of, &deviations)),
            gains: flock::gains_seen(known, &deviations, wanted.back_by_d),
            deviations,
            uniformities,
            ahead: ahead(known, growth, (options, wanted))?,
            among_earlier: match wanted.earlier.as_slice() {
                [] => Vec::new(),
                earlier => {
                    let own = typical_weights(known, growth, options.confidence)?;
                    flock::among_earlier(known, &own, earlier)
                }
            },
            within_pct: wanted.within_pct,
        })
    }
}

/// The typical weight of each strain at its last weighing, by the model of body weight; of strains
/// with unnamed birds by that of all their weighings.
fn typical_weights(known: &Study, growth: &Growth, confidence: f64) -> Result<Vec<TypicalWeight>> {
    let targets = flock::target_trajectories(known, BODY_WEIGHT)?.unwrap_or_default();
    let target_g = |strain: usize, age_d: f64| -> Option<f64> {
        let curve = targets.get(strain)?.as_ref()?;
        Some(curve.at(age_d)?.target_g)
    };
    let mut found: Vec<TypicalWeight> = Vec::new();
    if let Some(sampled) = &growth.sampled
        && let Ok(model) = &sampled.model
    {
        for (group, named) in sampled.sampled.groups.iter().enumerate() {
            if named.treatment.is_some() {
                continue;
            }
            let (_, age_d) = sampled.age_span(group);
            let log = model.typical(group, age_d);
            let reach = t_two_sided_quantile(confidence, log.df) * log.std_error;
            found.push(TypicalWeight {
                strain: named.strain,
                age_d,
                value_g: log.value.exp(),
                interval: Interval {
                    lower: (log.value - reach).exp(),
                    upper: (log.value + reach).exp(),
                },
                target_g: target_g(named.strain, age_d),
            });
        }
    }
    let models = growth.trajectories.models.iter();
    let of_weight = |model: &&TraitModel| known.traits[model.trait_index].name == BODY_WEIGHT;
    for model in models.filter(of_weight) {
        for (group, named) in model.groups().iter().enumerate() {
            let (Some(strain), None, None) = (named.strain, named.treatment, named.pen) else {
                continue;
            };
            if found.iter().any(|one| one.strain == strain) {
                continue;
            }
            let (Some((_, age_d)), Some(estimates)) = (model.age_span(group), model.typical(group))
            else {
                continue;
            };
            let at = Derived::ValueAt(age_d);
            let value = interval::derived(&*model.curve(), &estimates, at, confidence);
            if let Ok(value) = value
                && let Some(interval) = value.interval
            {
                found.push(TypicalWeight {
                    strain,
                    age_d,
                    value_g: value.value,
                    interval,
                    target_g: target_g(strain, age_d),
                });
            }
        }
    }
    Ok(found)
}

/// Puts the rows of unnamed birds, in which the ringed birds of their strains count, in the place
/// of those of the ringed birds alone.
fn enter_sampled(
    sampled: &SampledTrait,
    verdict: SampledVerdict,
    (deviations, uniformities): (&mut Vec<Deviation>, &mut Vec<FlockUniformity>),
) {
    let of_sampled = |trait_index: usize, strain: usize, level: FlockLevel| {
        let groups = &sampled.sampled.groups;
        trait_index == sampled.trait_index
            && level != FlockLevel::Bird
            && groups.iter().any(|group| group.strain == strain)
    };
    let place = |level: FlockLevel| match level {
        FlockLevel::Flock => 0,
        FlockLevel::Strain => 1,
        FlockLevel::House => 2,
        FlockLevel::Pen => 3,
        FlockLevel::Bird => 4,
    };
    deviations.retain(|row| !of_sampled(row.trait_index, row.strain, row.level));
    deviations.extend(verdict.deviations);
    deviations.sort_by_key(|row| (row.trait_index, row.strain, place(row.level)));
    uniformities.retain(|row| !of_sampled(row.trait_index, row.strain, row.level));
    uniformities.extend(verdict.uniformities);
    uniformities.sort_by_key(|row| (row.trait_index, place(row.level), row.strain));
}

fn ahead(
    known: &Study,
    growth: &Growth,
    (options, wanted): (&Options, &FlockOptions),
) -> Result<Option<Ahead>> {
    let last_d = match wanted.forecast {
        Forecasting::Nothing => None,
        Forecasting::All => last_age_d(known),
    };
    let Some(last_d) = last_d else {
        return Ok(None);
    };
    let taken_for = options.scans.allowed(known).into_iter().collect::<Vec<_>>();
    let fits = &options.growth.request;
    // Where no model of all birds was requested, it is chosen by likelihood.
    let chosen = || PopulationRequest::chosen(vec![FixedEffectOf::Strain]);
    let request = trajectory::Request {
        birds: false,
        strains: false,
        population: Some(fits.population.clone().unwrap_or_else(chosen)),
        ..fits.clone()
    };
    let saved = wanted
        .population
        .as_ref()
        .map(|population| SavedPopulation {
            population,
            taken_for: &taken_for,
        });
    let from = ForecastFrom {
        request: &request,
        models: &growth.trajectories.models,
        saved,
    };
    let asked = ForecastOptions {
        as_of_d: options.as_of_d.unwrap_or(last_d),
        ages_d: wanted.ages_d.clone(),
        named_ages_d: wanted.named_ages_d.clone(),
        confidence: options.confidence,
    };
    let progress = &options.progress;
    progress.begin("backtesting", known.traits.len());
    let done = || progress.advance(1);
    let FlockForecasts {
        mut traits,
        mut backtests,
    } = flock::forecast(known, &from, &asked, &done)?;
    if let Some(sampled) = &growth.sampled {
        let (unnamed, tested) = flock::sampled_forecast(known, sampled, saved.as_ref(), &asked)?;
        enter_unnamed(sampled, unnamed, &mut traits);
        backtests.append(tested);
    }
    progress.end();
    let mut departures = Vec::new();
    for one in &traits {
        // Of traits that follow body weight it is its courses that are watched.
        let watched = one.population.is_ok() || Some(one.trait_index) == known.main_trait();
        if watched && !one.unnamed {
            departures.push(flock::departures(
                known,
                one.trait_index,
                one.population.as_ref(),
                &taken_for,
                wanted.false_alarms,
            )?);
        }
    }
    Ok(Some(Ahead {
        as_of_d: asked.as_of_d,
        shown_ages_d: if wanted.ages_d.is_empty() {
            asked.named_ages_d
        } else {
            asked.ages_d
        },
        traits,
        backtest: backtests.rows,
        backtest_weights: backtests.weights,
        in_sample: backtests.in_sample,
        departures,
    }))
}

/// Puts the forecasts of unnamed birds, in whose pens the ringed birds of their strains count,
/// before those of ringed birds, whose groups they replace.
fn enter_unnamed(sampled: &SampledTrait, unnamed: TraitForecast, traits: &mut Vec<TraitForecast>) {
    let mut place = traits.len();
    for (at, one) in traits.iter_mut().enumerate() {
        if one.trait_index != unnamed.trait_index {
            continue;
        }
        place = at;
        one.rows.retain(|row| {
            row.level == FlockLevel::Bird
                || row
                    .strain
                    .is_some_and(|strain| sampled.group_of(strain).is_none())
        });
    }
    traits.insert(place, unnamed);
}

/// Age of the last weighing or scan, d.
fn last_age_d(study: &Study) -> Option<f64> {
    let ages_d = study.traits.iter().flat_map(|records| &records.ages_d);
    let sampled = study.samples.rows.iter().map(|row| row.age_d);
    ages_d.copied().chain(sampled).max_by(f64::total_cmp)
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
    let known = study.as_of_occasion(as_of_d);
    if last_age_d(&known).is_none() && last_age_d(study).is_some() {
        let ages_d = study.traits.iter().flat_map(|records| &records.ages_d);
        let sampled = study.samples.rows.iter().map(|row| row.age_d);
        let first_d = ages_d.copied().chain(sampled).fold(f64::INFINITY, f64::min);
        return Err(Error::call(format!(
            "--as-of {as_of_d}: found no weighing by that age, expected an age from {first_d} d on, when the first was weighed"
        )));
    }
    Ok(known)
}
