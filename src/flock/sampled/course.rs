//! The courses that a strain's pens are forecast by: its target, and what an earlier flock grew.
//!
//! Each course has a model of the pens about it (`relative/pens.rs`). Where there are both, they
//! are weighted by the likelihood of the last weeks' means under each (Bayesian model averaging;
//! Hoeting JA and others 1999, Statistical Science 14:382-417, from memory).

use std::sync::Arc;

use crate::error::Result;
use crate::fit::mixed::Forecast;
use crate::flock::own_models::SavedPopulation;
use crate::flock::predictors::{Predictor, timing_sd_d};
use crate::flock::relative::{
    Member, PenModel, PensAhead, PhasedTarget, TIMING_SD_D, UnitMean, mixture, targets,
};
use crate::flock::target::TargetCurve;
use crate::study::{Study, Target};

/// Days between the ages at which a population's curve is taken for a course.
const STEP_D: f64 = 7.0;

/// What a strain's pens may be forecast by.
#[derive(Debug, Clone)]
pub(super) struct Course {
    pub(super) predictor: Predictor,
    target: Arc<PhasedTarget>,
    /// Standard deviation of the timing of the second phase, d.
    timing_sd_d: f64,
}

impl Course {
    /// Standard deviation of the timing of its second phase, d; none where it has none.
    pub(super) fn timing(&self) -> Option<f64> {
        self.target.second_phase.as_ref().map(|_| self.timing_sd_d)
    }
}

/// The courses of each strain of a study.
pub(super) fn courses(
    study: &Study,
    trait_name: &str,
    strains: &[usize],
    saved: Option<&SavedPopulation<'_>>,
) -> Result<Vec<Vec<Course>>> {
    let saved = saved.filter(|saved| saved.population.origin.trait_name == trait_name);
    let timing = saved.and_then(|saved| timing_sd_d(saved.population));
    let timing_sd_d = timing.unwrap_or(TIMING_SD_D);
    let of_targets = targets(study, trait_name)?;
    let mut all = vec![Vec::new(); study.strains.len()];
    for strain in strains {
        let own = &mut all[*strain];
        let target = of_targets.as_ref().and_then(|all| all[*strain].clone());
        own.extend(target.map(|target| Course {
            predictor: Predictor::RelativeToTarget,
            target,
            timing_sd_d,
        }));
        if let Some(saved) = saved {
            own.push(Course {
                predictor: Predictor::SavedPopulation,
                target: of_population(study, *strain, saved)?,
                timing_sd_d,
            });
        }
    }
    Ok(all)
}

/// The typical curve of a population's strain, within the ages of its weighings.
fn of_population(
    study: &Study,
    strain: usize,
    saved: &SavedPopulation<'_>,
) -> Result<Arc<PhasedTarget>> {
    let population = saved.population;
    let group = population.group_named(&study.strains[strain], saved.taken_for)?;
    let (first_d, last_d) = population.age_span(group);
    let terms = population.population.group_terms(group);
    let mut ages_d = vec![first_d];
    while ages_d[ages_d.len() - 1] + STEP_D < last_d {
        ages_d.push(ages_d[ages_d.len() - 1] + STEP_D);
    }
    ages_d.push(last_d);
    ages_d.dedup_by(|a, b| *a <= *b);
    let curve = population.population.curve();
    let target_g = ages_d.iter().map(|age_d| curve.value(*age_d, &terms));
    let edge = vec![f64::NAN; ages_d.len()];
    let course = TargetCurve::new(&Target {
        strain: Some(strain),
        trait_name: population.origin.trait_name.clone(),
        target_g: target_g.collect(),
        lower_g: edge.clone(),
        upper_g: edge,
        ages_d,
    })?;
    Ok(Arc::new(PhasedTarget::of(course)))
}

/// A strain's pens about its courses.
#[derive(Debug)]
pub(super) struct StrainModel {
    models: Vec<(Predictor, PenModel)>,
}

impl StrainModel {
    /// The model of each course, on the means that all courses have.
    ///
    /// # Errors
    /// Why there is none, in words.
    pub(super) fn of(
        courses: &[Course],
        means: &[UnitMean],
        units: usize,
    ) -> std::result::Result<Self, String> {
        let shared: Vec<UnitMean> = means
            .iter()
            .filter(|one| courses.iter().all(|course| course.target.has(one.age_d)))
            .copied()
            .collect();
        let mut models = Vec::new();
        let mut reason = "there is neither a target nor a population".to_owned();
        for course in courses {
            match PenModel::of(&course.target, course.timing_sd_d, &shared, units) {
                Ok(model) => models.push((course.predictor, model)),
                Err(why) => reason = why,
            }
        }
        if models.is_empty() {
            return Err(reason);
        }
        Ok(Self { models })
    }

    /// What is to be expected at these ages.
    pub(super) fn ahead(&self, ages_d: &[f64]) -> StrainAhead<'_> {
        let most = self.models.iter().map(|(_, model)| model.evidence());
        let most = most.fold(f64::NEG_INFINITY, f64::max);
        let models = self.models.iter();
        StrainAhead {
            by: models
                .filter_map(|(predictor, model)| {
                    let weight = (model.evidence() - most).exp();
                    Some((*predictor, weight, model.ahead(ages_d)?))
                })
                .collect(),
        }
    }
}

/// A strain's pens at later ages, by course.
#[derive(Debug)]
pub(super) struct StrainAhead<'a> {
    by: Vec<(Predictor, f64, PensAhead<'a>)>,
}

impl StrainAhead<'_> {
    /// The mean over some units, and the courses that it rests on with their weights; none where
    /// no course has the ages.
    pub(super) fn forecast(
        &self,
        members: &[Member],
        age_d: f64,
    ) -> Option<(Forecast, Vec<(Predictor, f64)>)> {
        let mut parts = Vec::new();
        let mut weights = Vec::new();
        for (predictor, weight, ahead) in &self.by {
            let Some(mut own) = ahead.parts(members) else {
                continue;
            };
            for part in &mut own {
                part.weight *= weight;
            }
            parts.extend(own);
            weights.push((*predictor, *weight));
        }
        let sum: f64 = weights.iter().map(|(_, weight)| weight).sum();
        for (_, weight) in &mut weights {
            *weight /= sum;
        }
        Some((mixture(&parts, age_d)?, weights))
    }
}
