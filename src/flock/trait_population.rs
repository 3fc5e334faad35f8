//! By which population is each trait of a flock forecast: a saved one, or the best fit of
//! all birds at once to the flock's own records.

use std::borrow::Cow;

use super::forecast::PopulationFrom;
use crate::error::{Error, Result};
use crate::study::{Records, Study};
use crate::trajectory::{BirdPopulation, Trajectories};

/// A trait and its population, or why it has none.
type TraitPopulation = (usize, std::result::Result<BirdPopulation, String>);

/// The population of each trait that has records.
pub(super) fn populations(known: &Study, from: PopulationFrom<'_>) -> Result<Vec<TraitPopulation>> {
    match from {
        PopulationFrom::Saved { population, .. } => {
            let name = &population.origin.trait_name;
            let mut traits = known.traits.iter();
            let Some(trait_index) = traits.position(|records| records.name == *name) else {
                let has: Vec<&str> = known.traits.iter().map(|records| &*records.name).collect();
                return Err(Error::input(format!(
                    "{}: found a population of {name}, expected one of the study's {}; give the population of that trait",
                    population.told(),
                    has.join(", ")
                )));
            };
            Ok(vec![(trait_index, Ok(population.clone()))])
        }
        PopulationFrom::Flock(request) => {
            let groups = request.population.as_ref().map(|wanted| &wanted.groups[..]);
            let of_trait = |trait_index: usize| {
                let only = only_trait(known, trait_index);
                let models = Trajectories::fit(&only, request, &|_| {}).models;
                let model = models
                    .into_iter()
                    .find(|own| own.trait_index == trait_index)?;
                let population = match model.fitted() {
                    Some(fit) => fit
                        .bird_population(known, groups.unwrap_or_default())
                        .map(|population| population.ok_or_else(String::new)),
                    None => Ok(Err(format!(
                        "{}; give a population that an earlier flock saved (--population)",
                        model.reasons().join("; ")
                    ))),
                };
                Some(population.map(|population| (trait_index, population)))
            };
            (0..known.traits.len()).filter_map(of_trait).collect()
        }
    }
}

/// The study with the records of one trait alone, in its place.
pub(super) fn only_trait(known: &Study, trait_index: usize) -> Cow<'_, Study> {
    let others = known.traits.iter().enumerate();
    if others
        .filter(|(at, _)| *at != trait_index)
        .all(|(_, records)| records.values.is_empty())
    {
        return Cow::Borrowed(known);
    }
    let mut only = known.clone();
    for (at, records) in only.traits.iter_mut().enumerate() {
        if at != trait_index {
            *records = Records {
                name: std::mem::take(&mut records.name),
                starts: vec![0; known.birds.len() + 1],
                ..Records::default()
            };
        }
    }
    Cow::Owned(only)
}
