//! By which population is each trait of a flock forecast: a saved one, or the best fit of
//! all birds at once to the flock's own records.

use std::borrow::Cow;

use super::forecast::PopulationFrom;
use crate::error::{Error, Result};
use crate::fit::Variance;
use crate::fit::mixed::Covariance;
use crate::study::{AgeMatching, OccasionKey, Occasions, Records, Study};
use crate::trajectory::{
    BirdPopulation, Population, PopulationFit, Request, Trajectories, usual_variance,
};

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
                let enough = match with_enough_ages(known, trait_index, request)? {
                    Ok(enough) => enough,
                    Err(reason) => return Some(Ok((trait_index, Err(reason)))),
                };
                let all = own_population(known, trait_index, &enough)?;
                let population = match all.best() {
                    Some(best) => best
                        .bird_population(known, groups.unwrap_or_default())
                        .map(|population| population.ok_or_else(String::new)),
                    None => Ok(Err(failures(&all))),
                };
                Some(population.map(|population| (trait_index, population)))
            };
            (0..known.traits.len()).filter_map(of_trait).collect()
        }
    }
}

/// The request with those curves alone that have no more terms than a strain has ages, or
/// why there is none; nothing of a trait without records. Beyond that any curve goes through
/// the data, and a forecast by it is of its start values.
fn with_enough_ages(
    known: &Study,
    trait_index: usize,
    request: &Request,
) -> Option<std::result::Result<Request, String>> {
    let records = &known.traits[trait_index];
    let clock = Occasions::of(known, records, AgeMatching::default());
    let ages = |strain: usize| {
        let birds = known.birds_of(strain);
        let of_birds = birds.flat_map(|bird| clock.of_bird(records, bird));
        let mut days: Vec<f64> = of_birds.map(|key: &OccasionKey| key.day).collect();
        days.sort_by(f64::total_cmp);
        days.dedup();
        days.len()
    };
    let most = (0..known.strains.len()).map(ages).max()?;
    if most == 0 {
        return None;
    }
    let mut enough = request.clone();
    enough.curves.retain(|curve| curve.terms().len() <= most);
    if enough.curves.is_empty() {
        let fewest = request
            .curves
            .iter()
            .map(|curve| curve.terms().len())
            .min()?;
        return Some(Err(format!(
            "measured at {most} {} so far, and the curves have {fewest} terms or more; give a population that an earlier flock saved (--population)",
            if most == 1 { "age" } else { "ages" }
        )));
    }
    Some(Ok(enough))
}

/// All birds at once in one trait, each curve as it was asked for or, where that fails, by
/// the first easier request that succeeds.
///
/// Of a trait with a failed curve the others may be the wrong ones: a best among what is
/// left would forecast by a curve that the data speak against.
fn own_population(known: &Study, trait_index: usize, request: &Request) -> Option<Population> {
    let only = only_trait(known, trait_index);
    let fitted = |request: &Request| {
        let all = Trajectories::fit(&only, request, &|_| {}).populations;
        all.into_iter().find(|own| own.trait_index == trait_index)
    };
    let failed = |fit: &PopulationFit| fit.outcome.fit().is_none();
    let asked = as_asked(request, &known.traits[trait_index]);
    let mut all = fitted(&asked)?;
    for easier in easier(&asked) {
        if !all.fits.iter().any(failed) {
            break;
        }
        // One a curve, in the order of the request: the same in both.
        let again = fitted(&easier).into_iter().flat_map(|again| again.fits);
        for (fit, again) in all.fits.iter_mut().zip(again) {
            if failed(fit) && !failed(&again) {
                *fit = again;
            }
        }
    }
    Some(all)
}

/// The request for one trait: values whose error variances are known already say how their
/// spread grows with the mass. A power of the mean beside them would only take up what the
/// curve misses at the later ages, and let the fit pass them by.
fn as_asked(request: &Request, records: &Records) -> Request {
    let mut asked = request.clone();
    if usual_variance(&records.variances).is_some() {
        asked.settings.variance = Variance::Constant;
    }
    asked
}

/// What is asked of the curves that fail as first asked, one after the other: a spread that
/// follows the mean itself, since few records do not tell a power; then birds' terms that
/// are independent, since they tell correlations still less.
fn easier(asked: &Request) -> Vec<Request> {
    let mut requests = Vec::new();
    let mut easier = asked.clone();
    if easier.settings.variance == Variance::Power {
        easier.settings.variance = Variance::Proportional;
        requests.push(easier.clone());
    }
    if let Some(wanted) = &mut easier.population
        && wanted.covariance == Covariance::Full
    {
        wanted.covariance = Covariance::Diagonal;
        requests.push(easier);
    }
    requests
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

/// Why no curve could be fitted to all birds.
fn failures(all: &Population) -> String {
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
