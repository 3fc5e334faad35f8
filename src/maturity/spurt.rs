//! What do a bird's weighings show of the terms that its first egg goes with?
//!
//! The first egg follows the age of the pre-lay growth spurt, the inflection ti2 of a growth
//! curve with two phases, and may go with the other terms that differ between birds. A
//! [`Subject`] holds these terms at the bird's conditional mode as deviations from its group's,
//! ti2 in days, the others on the scale of their random effect, with the covariance that the
//! growth model gives them: wide where the bird was weighed but a few times before its spurt.

use crate::error::Result;
use crate::fit::mixed::{RandomScale, RandomTerm};
use crate::growth::Curve;
use crate::stats::measured_event::Subject;
use crate::study::Study;
use crate::trajectory::{BirdPopulation, KnownBirds, PopulationFit};

/// The term that is the age of the pre-lay growth spurt.
const SPURT: &str = "ti2";

/// The terms of a study's birds that their first eggs may follow.
#[derive(Debug, Clone)]
pub struct Spurts {
    /// Names of the groups that have separate typical terms.
    pub groups: Vec<String>,
    /// Names of the terms, the spurt's first.
    pub terms: Vec<String>,
    /// What is known of each bird by its weighings, in the study's order.
    pub birds: Vec<Option<Subject>>,
    /// A typical bird of each strain, where its birds are of one group.
    pub typical: Vec<Option<Subject>>,
}

/// A term that differs between birds: its place in the curve, and whether as a factor.
struct Differing {
    place: usize,
    factor: bool,
}

/// A bird of a growth model: its place in the study, its group's typical terms, the bird's terms and
/// their covariance.
struct Modelled<'a> {
    bird: usize,
    group: usize,
    typical: &'a [f64],
    own: &'a [f64],
    covariance: &'a [f64],
}

impl Spurts {
    /// By a growth model of the study's own birds; `None` where its curve has no spurt or it has
    /// no numbers that every part of the data supports.
    #[must_use]
    pub fn of_fit(study: &Study, fit: &PopulationFit) -> Option<Self> {
        let mixed = fit
            .outcome
            .fit()
            .filter(|_| fit.outcome.status() == "converged")?;
        let differing = differing(&*fit.curve, &fit.options.random)?;
        let groups = fit.cohort.groups.iter().map(|group| group.name.clone());
        let mut spurts = Self::none_yet(study, &*fit.curve, &differing, groups.collect());
        for (subject, bird) in fit.cohort.birds.iter().enumerate() {
            let group = mixed.subject_groups[subject];
            spurts.enter(
                &differing,
                &Modelled {
                    bird: *bird,
                    group,
                    typical: mixed.group(group),
                    own: mixed.subject(subject),
                    covariance: mixed.subject_covariance(subject),
                },
            );
        }
        spurts.typical_of_strains(study);
        Some(spurts)
    }

    /// By the population of an earlier flock and the study's weighings; `None` where the
    /// population's curve has no spurt or the study has no weighings of its trait.
    ///
    /// # Errors
    /// As [`BirdPopulation::groups_of`].
    pub fn of_saved(
        study: &Study,
        population: &BirdPopulation,
        taken_for: &[(String, String)],
    ) -> Result<Option<Self>> {
        let curve = &**population.population.curve();
        let random = &population.population.options().random;
        let mut traits = study.traits.iter();
        let records = traits.find(|records| records.name == population.origin.trait_name);
        let (Some(differing), Some(records)) = (differing(curve, random), records) else {
            return Ok(None);
        };
        let groups = population.groups_of(study, records, taken_for)?;
        let known = KnownBirds::of(study, records, population, &groups, |_| true);
        let found = population
            .population
            .forecast(&known.subjects()?, |_| &[])?;
        let names = population.groups.iter().map(|group| group.name.clone());
        let mut spurts = Self::none_yet(study, curve, &differing, names.collect());
        let typical: Vec<Vec<f64>> = (0..population.groups.len())
            .map(|group| population.population.group_terms(group))
            .collect();
        for (subject, bird) in known.birds.iter().enumerate() {
            if let (Some(own), Some(group)) = (found.terms(subject), groups[*bird]) {
                spurts.enter(
                    &differing,
                    &Modelled {
                        bird: *bird,
                        group,
                        typical: &typical[group],
                        own,
                        covariance: found.covariance(subject),
                    },
                );
            }
        }
        spurts.typical_of_strains(study);
        Ok(Some(spurts))
    }

    fn none_yet(
        study: &Study,
        curve: &dyn Curve,
        differing: &[Differing],
        groups: Vec<String>,
    ) -> Self {
        let name = |one: &Differing| curve.terms()[one.place].name.to_string();
        Self {
            groups,
            terms: differing.iter().map(name).collect(),
            birds: vec![None; study.birds.len()],
            typical: vec![None; study.strains.len()],
        }
    }

    fn enter(&mut self, differing: &[Differing], bird: &Modelled<'_>) {
        let p = bird.own.len();
        let (own, typical) = (bird.own, bird.typical);
        let deviation = |one: &Differing| match one.factor {
            true => (own[one.place] / typical[one.place]).ln(),
            false => own[one.place] - typical[one.place],
        };
        let scale = |one: &Differing| {
            if one.factor {
                1.0 / own[one.place]
            } else {
                1.0
            }
        };
        let covariance = differing.iter().flat_map(|a| {
            let row = differing.iter();
            row.map(|b| scale(a) * bird.covariance[a.place * p + b.place] * scale(b))
        });
        let subject = Subject {
            group: bird.group,
            offset: typical[differing[0].place],
            deviations: differing.iter().map(deviation).collect(),
            covariance: covariance.collect(),
        };
        let numbers = subject.deviations.iter().chain(&subject.covariance);
        if numbers
            .chain([&subject.offset])
            .all(|number| number.is_finite())
        {
            self.birds[bird.bird] = Some(subject);
        }
    }

    /// A bird of which no weighing is known: its strain's typical one, give or take the spread
    /// between its birds.
    fn typical_of_strains(&mut self, study: &Study) {
        let k = self.terms.len();
        for (strain, typical) in self.typical.iter_mut().enumerate() {
            let own: Vec<&Subject> = study
                .birds_of(strain)
                .filter_map(|bird| self.birds[bird].as_ref())
                .collect();
            let Some(first) = own.first() else { continue };
            if own.iter().any(|other| other.group != first.group) {
                continue;
            }
            let mean = |at: usize| {
                let squares = own.iter().map(|one| {
                    one.deviations[at / k] * one.deviations[at % k] + one.covariance[at]
                });
                squares.sum::<f64>() / own.len() as f64
            };
            *typical = Some(Subject {
                group: first.group,
                offset: first.offset,
                deviations: vec![0.0; k],
                covariance: (0..k * k).map(mean).collect(),
            });
        }
    }

    /// What is known of a bird of a strain.
    #[must_use]
    pub fn of(&self, bird: usize, strain: usize) -> Option<&Subject> {
        self.birds[bird].as_ref().or(self.typical[strain].as_ref())
    }
}

/// The spurt, then the other terms that differ between birds; `None` of a curve without one.
fn differing(curve: &dyn Curve, random: &[RandomTerm]) -> Option<Vec<Differing>> {
    let place = |name: &str| curve.terms().iter().position(|term| term.name == name);
    let mut all = vec![Differing {
        place: place(SPURT)?,
        factor: false,
    }];
    let others = random.iter().filter(|term| term.term != SPURT);
    all.extend(others.filter_map(|term| {
        Some(Differing {
            place: place(&term.term)?,
            factor: term.scale == RandomScale::Log,
        })
    }));
    Some(all)
}
