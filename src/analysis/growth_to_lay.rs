//! From growth to lay: the joint model of a study's weighings and first eggs, or that of an
//! earlier flock laid over its weighings.

use super::options::{LayOptions, Options};
use crate::error::Result;
use crate::maturity::{FirstEggModel, ForecastOptions, LayRecords, OnsetForecast, Spurts};
use crate::study::{BODY_WEIGHT, FixedEffectOf, Study};
use crate::trajectory::{BirdPopulation, PopulationFit, TraitModel, Trajectories};

/// Draws of lag and effects: the ends of a 95 percent interval then stand on 50 draws each.
const DRAWS: usize = 2000;
/// Fewer for a flock so large that the posterior is narrow: a draw evaluates every bird.
const LOOKS: usize = 2_000_000;
const LEAST_DRAWS: usize = 200;

/// The growth model that first eggs are forecast from.
#[derive(Debug)]
pub(super) struct GrowthToLay<'a> {
    study: &'a Study,
    /// The age that its growth model is as of, d; none where that is all that is known.
    as_of_d: Option<f64>,
    by: Growing<'a>,
}

#[derive(Debug)]
enum Growing<'a> {
    /// By the study's own birds.
    Own(&'a PopulationFit, Vec<FixedEffectOf>),
    /// By an earlier flock.
    Earlier(&'a BirdPopulation, Vec<(String, String)>),
}

impl<'a> GrowthToLay<'a> {
    /// `None` where no model of body weight has a pre-lay growth spurt.
    pub(super) fn of(
        (study, known): (&'a Study, &'a Study),
        trajectories: &'a Trajectories,
        (options, wanted): (&'a Options, &'a LayOptions),
    ) -> Option<Self> {
        let by = match &wanted.population {
            Some(population) if population.first_egg.is_some() => {
                let taken_for = options.scans.allowed(known).into_iter().collect();
                Growing::Earlier(population, taken_for)
            }
            _ => {
                let models = trajectories.models.iter();
                let mut of_weight =
                    models.filter(|model| known.traits[model.trait_index].name == BODY_WEIGHT);
                let fit = of_weight.find_map(TraitModel::growth)?;
                let groups = options.growth.request.population.as_ref()?.groups.clone();
                Spurts::of_fit(known, fit)?;
                Growing::Own(fit, groups)
            }
        };
        Some(Self {
            study,
            as_of_d: options.as_of_d,
            by,
        })
    }

    /// The forecast as of an age; `None` where the birds' growth and first eggs until then do
    /// not carry the model.
    pub(super) fn forecast(
        &self,
        everyone: &LayRecords,
        as_of_d: f64,
        (confidence, seed): (f64, u64),
    ) -> Option<OnsetForecast> {
        let known = self.study.as_of(as_of_d);
        let whole = everyone.birds.len();
        let draws = ((LOOKS / whole.max(1)).clamp(LEAST_DRAWS, DRAWS), seed);
        let (spurts, model) = match &self.by {
            Growing::Earlier(population, taken_for) => {
                let spurts = Spurts::of_saved(&known, population, taken_for).ok()??;
                let saved = population.first_egg.as_ref()?;
                let model = FirstEggModel::of_saved(saved, &spurts.groups, draws);
                (spurts, model)
            }
            Growing::Own(fit, groups) => {
                let values = |study: &Study| study.traits[fit.cohort.trait_index].values.len();
                let is_its_own = self.as_of_d.map_or_else(
                    || values(&known) == values(self.study),
                    |own_d| own_d.total_cmp(&as_of_d).is_eq(),
                );
                let spurts = if is_its_own {
                    Spurts::of_fit(&known, fit)?
                } else {
                    Spurts::of_fit(&known, &fit.again(&known, groups))?
                };
                let model = FirstEggModel::of(&known, &everyone.as_of(as_of_d), &spurts, draws)?;
                (spurts, model)
            }
        };
        let wanted = ForecastOptions {
            as_of_d,
            confidence,
            seed,
        };
        model.forecast(&known, everyone, &spurts, &wanted).ok()
    }
}

/// The population of a growth fit with the model of its birds' first eggs, ready to be saved.
///
/// # Errors
/// As [`PopulationFit::bird_population`].
pub fn population_to_save(
    study: &Study,
    fit: &PopulationFit,
    (groups, seed): (&[FixedEffectOf], u64),
) -> Result<Option<BirdPopulation>> {
    let Some(mut population) = fit.bird_population(study, groups)? else {
        return Ok(None);
    };
    if study.traits[fit.cohort.trait_index].name == BODY_WEIGHT {
        let records = LayRecords::of(study);
        let draws = (LOOKS / records.birds.len().max(1)).clamp(LEAST_DRAWS, DRAWS);
        let model = Spurts::of_fit(study, fit)
            .and_then(|spurts| FirstEggModel::of(study, &records, &spurts, (draws, seed)));
        population.first_egg = model.map(|model| model.saved());
    }
    Ok(Some(population))
}
