//! On what are the forecasts of each trait to rest: the flock's own model and a saved
//! population.

use std::borrow::Cow;
use std::sync::Arc;

use super::predictors::{Predictor, Source};
use super::relative::{PhasedTarget, targets};
use crate::error::{Error, Result};
use crate::study::{FixedEffectOf, Study};
use crate::trajectory::{BirdPopulation, Request, TraitModel, Trajectories};

/// What the forecasts may rest on.
#[derive(Debug, Clone, Copy)]
pub struct ForecastFrom<'a> {
    /// How the flock's own models are chosen.
    pub request: &'a Request,
    /// The models of the study's traits, where they have been chosen from all that is known;
    /// otherwise they are chosen.
    pub models: &'a [TraitModel],
    /// A saved population.
    pub saved: Option<SavedPopulation<'a>>,
}

/// A population that an earlier flock saved.
#[derive(Debug, Clone, Copy)]
pub struct SavedPopulation<'a> {
    /// The population.
    pub population: &'a BirdPopulation,
    /// Strains that it does not have, and which of its strains each is taken for.
    pub taken_for: &'a [(String, String)],
}

/// What the forecasts of one trait may rest on.
pub(super) struct Sources<'a> {
    pub(super) trait_index: usize,
    /// The flock's own model.
    pub(super) model: Option<&'a TraitModel>,
    /// What set its groups.
    pub(super) groups: &'a [FixedEffectOf],
    /// Its population, or why it has none.
    pub(super) own: std::result::Result<BirdPopulation, String>,
    /// A saved population, and which strains are taken for which of its strains.
    pub(super) saved: Option<Source<'a>>,
    /// Target of each strain; none of each where there is no target of the trait.
    pub(super) targets: Vec<Option<Arc<PhasedTarget>>>,
}

impl Sources<'_> {
    /// The populations that are there.
    pub(super) fn list(&self) -> Vec<Source<'_>> {
        let own = self.own.as_ref().ok().map(own_source);
        own.into_iter().chain(self.saved).collect()
    }

    /// The population by which the birds' courses are judged.
    pub(super) fn judged_by(&self) -> std::result::Result<BirdPopulation, String> {
        match self.saved {
            Some(saved) => Ok(saved.population.clone()),
            None => self.own.clone(),
        }
    }
}

/// The flock's own population as a source.
pub(super) fn own_source(population: &BirdPopulation) -> Source<'_> {
    Source {
        predictor: Predictor::OwnModel,
        population,
        taken_for: &[],
    }
}

/// The flock's own models of all traits: those given, or else chosen.
pub(super) fn of<'a>(known: &Study, from: &ForecastFrom<'a>) -> Cow<'a, [TraitModel]> {
    if from.models.is_empty() {
        Cow::Owned(Trajectories::fit(known, from.request, &|_| {}).models)
    } else {
        Cow::Borrowed(from.models)
    }
}

/// The sources of each trait that has records.
pub(super) fn sources<'a>(
    known: &Study,
    from: &ForecastFrom<'a>,
    models: &'a [TraitModel],
) -> Result<Vec<Sources<'a>>> {
    if let Some(saved) = &from.saved {
        let name = &saved.population.origin.trait_name;
        if !known.traits.iter().any(|records| records.name == *name) {
            let has: Vec<&str> = known.traits.iter().map(|records| &*records.name).collect();
            return Err(Error::input(format!(
                "{}: found a population of {name}, expected one of the study's {}; give the population of that trait",
                saved.population.label(),
                has.join(", ")
            )));
        }
    }
    let groups = from.request.population.as_ref();
    let groups = groups.map_or(&[][..], |wanted| &wanted.groups[..]);
    let mut all = Vec::new();
    for (trait_index, records) in known.traits.iter().enumerate() {
        if records.values.is_empty() {
            continue;
        }
        let model = models.iter().find(|own| own.trait_index == trait_index);
        let own = match model.map(|model| (model, model.fitted())) {
            Some((_, Some(fit))) => fit
                .bird_population(known, groups)?
                .ok_or_else(|| "it was not estimated".to_owned()),
            Some((model, None)) => Err(format!(
                "{}; give a population that an earlier flock saved (--population)",
                model.reasons().join("; ")
            )),
            None => Err("no bird has an individual record".to_owned()),
        };
        let of_trait = |saved: &SavedPopulation<'a>| Source {
            predictor: Predictor::SavedPopulation,
            population: saved.population,
            taken_for: saved.taken_for,
        };
        let saved = from.saved.as_ref();
        let saved = saved.filter(|saved| saved.population.origin.trait_name == records.name);
        all.push(Sources {
            trait_index,
            model,
            groups,
            own,
            saved: saved.map(of_trait),
            targets: targets(known, &records.name)?
                .unwrap_or_else(|| vec![None; known.strains.len()]),
        });
    }
    Ok(all)
}
