//! By which population is each trait of a flock forecast: a saved one, or the best fit of
//! all birds at once to the flock's own records.

use super::forecast::PopulationFrom;
use crate::error::{Error, Result};
use crate::fit::Variance;
use crate::fit::mixed::Covariance;
use crate::study::{Records, Study};
use crate::trajectory::{BirdPopulation, PopulationFit, Request, Trajectories};

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
            let mut fitted = Trajectories::fit(known, request, &|_| {});
            for easier in easier(request) {
                again(known, &easier, &mut fitted);
            }
            let of_trait = |all: &crate::trajectory::Population| {
                let population = match all.best() {
                    Some(best) => best
                        .bird_population(known, groups.unwrap_or_default())?
                        .ok_or_else(String::new),
                    None => Err(failures(all)),
                };
                Ok((all.trait_index, population))
            };
            fitted.populations.iter().map(of_trait).collect()
        }
    }
}

/// What is asked of the curves that fail as first asked, one after the other: a spread that
/// follows the mean itself, since few records do not tell a power; then birds' terms that
/// are independent, since they tell correlations still less.
fn easier(request: &Request) -> Vec<Request> {
    let mut proportional = request.clone();
    if proportional.settings.variance == Variance::Power {
        proportional.settings.variance = Variance::Proportional;
    }
    let mut independent = proportional.clone();
    if let Some(wanted) = &mut independent.population {
        wanted.covariance = Covariance::Diagonal;
    }
    vec![proportional, independent]
}

/// Fits the failed curves of each trait again; those that succeed take the failed ones' place.
///
/// Of a trait with a failed curve the others may be the wrong ones: a best among what is
/// left would forecast by a curve that the data speak against.
fn again(known: &Study, easier: &Request, fitted: &mut Trajectories) {
    for all in &mut fitted.populations {
        let failed = |fit: &PopulationFit| fit.outcome.fit().is_none();
        if !all.fits.iter().any(failed) {
            continue;
        }
        let only = only_trait(known, all.trait_index);
        let retried = Trajectories::fit(&only, easier, &|_| {});
        let retried = retried.populations.into_iter();
        let Some(retried) = retried
            .into_iter()
            .find(|own| own.trait_index == all.trait_index)
        else {
            continue;
        };
        // One a curve, in the order of the request: the same in both.
        for (fit, retried) in all.fits.iter_mut().zip(retried.fits) {
            if fit.outcome.fit().is_none() && retried.outcome.fit().is_some() {
                *fit = retried;
            }
        }
    }
}

/// The study with the records of one trait alone, in its place.
fn only_trait(known: &Study, trait_index: usize) -> Study {
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
    only
}

/// Why no curve could be fitted to all birds.
fn failures(all: &crate::trajectory::Population) -> String {
    let mut reasons: Vec<String> = Vec::new();
    for fit in &all.fits {
        let reason = fit.outcome.reasons().join("; ");
        let told = format!("{}: {reason}", fit.curve.name());
        // Data that carry no curve say the same of each.
        match reasons.iter_mut().find(|known| known.ends_with(&reason)) {
            Some(known) if !reason.is_empty() => {
                *known = format!("{}, {}", fit.curve.name(), known);
            }
            _ => reasons.push(told),
        }
    }
    reasons.join("; ")
}
