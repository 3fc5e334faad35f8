//! Densities and shares that the scanner reads, such as bone mineral density: followed with body
//! weight and compared between groups like masses, in the unit of the reading.
//!
//! They are no traits of the study, whose values are grams: no sum, share of body weight, target
//! or cue is made of them. One with a reference in the chemistry table is calibrated; another is
//! followed as the scanner gives it, which is stated.

use std::collections::BTreeSet;

use super::growth::Growth;
use super::growth_answers::{DIFFER, GROWTH, ages_up_to_last};
use super::options::Options;
use super::scans::Scans;
use super::{Analysis, Answer, Status};
use crate::composition::as_read::as_read;
use crate::composition::series::records;
use crate::contrast::{self, Comparison, Source, of_quantity};
use crate::error::Result;
use crate::fit::estimable::NotEstimable;
use crate::fit::interval::{self, Estimate};
use crate::fit::profile::Quantity;
use crate::growth::Derived;
use crate::study::Study;
use crate::trajectory::TraitModel;

/// The densities of a study, each with its model.
#[derive(Debug)]
pub struct Densities {
    /// The study with a trait for each density behind its own.
    pub study: Study,
    /// Each density.
    pub followed: Vec<Density>,
    /// The models of those that could be fitted, as curves in age.
    pub models: Vec<TraitModel>,
    /// The groups compared; `None` where there is one.
    pub comparison: Option<Comparison>,
}

/// A density or share.
#[derive(Debug, Clone)]
pub struct Density {
    /// Its name, as `[scans.readings]` declares it.
    pub name: String,
    /// Its unit.
    pub unit: String,
    /// Birds that it was calibrated on; `None` where the readings are as the scanner gives them.
    pub calibrated_on: Option<usize>,
    /// Its place among the traits of [`Densities::study`]; `None` without a usable reading.
    pub trait_index: Option<usize>,
    /// Why it is not followed; empty where it is.
    pub reason: String,
    /// What to be careful about; may be empty.
    pub caution: String,
}

/// What is stated wherever a reading was not calibrated.
pub const NOT_CALIBRATED: &str = "readings of the scanner, not calibrated by chemistry";

impl Densities {
    /// The values that can be followed; `None` where the scanner reads no density.
    pub(super) fn read(study: &Study, scans: &Scans) -> Option<Self> {
        let readings = study.scans.further.iter();
        let readings: Vec<_> = readings.filter(|one| one.unit != "g").collect();
        if readings.is_empty() {
            return None;
        }
        let mut densities = Self {
            study: study.clone(),
            followed: Vec::new(),
            models: Vec::new(),
            comparison: None,
        };
        let corrected = scans.masses.iter().flat_map(|masses| &masses.corrections);
        let corrected: Vec<_> = corrected.collect();
        let laboratories = study.scans.rows.iter().map(|scan| &*scan.laboratory);
        let laboratories: BTreeSet<&str> = laboratories.filter(|name| !name.is_empty()).collect();
        for reading in readings {
            let mut density = Density {
                name: reading.name.clone(),
                unit: reading.unit.clone(),
                calibrated_on: None,
                trait_index: None,
                reason: String::new(),
                caution: String::new(),
            };
            let calibrated = corrected.iter().find(|one| one.trait_name == reading.name);
            let values = match calibrated {
                Some(one) => {
                    density.calibrated_on = Some(one.equation.provenance.birds);
                    Ok((*one).clone())
                }
                None => {
                    NOT_CALIBRATED.clone_into(&mut density.caution);
                    if laboratories.len() > 1 {
                        density.caution +=
                            "; of several scanners, whose differences are not taken into account";
                    }
                    as_read(study, &scans.kept, reading)
                }
            };
            match values {
                Ok(values) => {
                    let numbers: Vec<f64> = values.rows.iter().map(|row| row.corrected).collect();
                    density.trait_index = Some(densities.study.traits.len());
                    let of_birds = records(study, &values, &numbers);
                    densities.study.traits.push(of_birds);
                }
                Err(error) => density.reason = error.to_string(),
            }
            densities.followed.push(density);
        }
        Some(densities)
    }

    /// Fits the models by allometry on the birds' weight curves, and compares the groups.
    ///
    /// # Errors
    /// As [`contrast::compare`].
    pub(super) fn fit(&mut self, growth: &Growth, options: &Options) -> Result<()> {
        let models = &growth.trajectories.models;
        let body_weight = |model: &&TraitModel| {
            self.study.traits[model.trait_index].name == crate::study::BODY_WEIGHT
        };
        let weight = models.iter().find(body_weight);
        let population = options.growth.request.population.as_ref();
        for density in &mut self.followed {
            let Some(trait_index) = density.trait_index else {
                continue;
            };
            let (Some(weight), Some(population)) = (weight, population) else {
                "there is no model of body weight that it could follow"
                    .clone_into(&mut density.reason);
                continue;
            };
            match TraitModel::by_allometry(&self.study, (trait_index, weight), population) {
                Ok(model) => self.models.push(model),
                Err(outcome) => {
                    density.reason = outcome.map_or_else(
                        || "no bird has a reading and a weight curve".to_owned(),
                        |outcome| outcome.reason,
                    );
                }
            }
        }
        if let Some(wanted) = &options.comparison
            && wanted.has_groups(&self.study)
            && !self.models.is_empty()
        {
            let request = contrast::Request {
                source: Source::Mixed,
                terms: Vec::new(),
                masses_g: Vec::new(),
                replicates: 0,
                ..options.contrast(wanted)
            };
            let compared = contrast::compare(&self.study, &self.models, &request, &|_| ())?;
            self.comparison = Some(compared);
        }
        Ok(())
    }

    /// The density of a model.
    #[must_use]
    pub fn of_model(&self, model: &TraitModel) -> Option<&Density> {
        let mut all = self.followed.iter();
        all.find(|density| density.trait_index == Some(model.trait_index))
    }

    /// The typical value of a group at an age, or why there is none.
    ///
    /// # Errors
    /// The reason where the model determines no value there.
    pub fn typical(
        &self,
        model: &TraitModel,
        (group, age_d): (usize, f64),
        confidence: f64,
    ) -> std::result::Result<Estimate, NotEstimable> {
        let Some(estimates) = model.typical(group) else {
            let reason = "no bird of the group has a reading and a weight curve".to_owned();
            return Err(NotEstimable::Undetermined(reason));
        };
        interval::derived(
            &*model.curve(),
            &estimates,
            Derived::ValueAt(age_d),
            confidence,
        )
    }
}

impl Analysis {
    /// Typical densities of the groups and their differences at the named ages.
    pub(super) fn of_densities(&self, answers: &mut Vec<Answer>) {
        let Some(densities) = &self.densities else {
            return;
        };
        for density in densities
            .followed
            .iter()
            .filter(|one| !one.reason.is_empty())
        {
            answers.push(Answer {
                question: GROWTH,
                trait_name: density.name.clone(),
                quantity: "typical_density",
                unit: density.unit.clone().into(),
                status: Status::NotEstimable,
                caution: density.reason.clone(),
                ..Answer::default()
            });
        }
        for model in &densities.models {
            let Some(density) = densities.of_model(model) else {
                continue;
            };
            let curve = model.curve();
            let answer = |question, quantity| Answer {
                question,
                trait_name: density.name.clone(),
                quantity,
                unit: density.unit.clone().into(),
                model: curve.name().to_owned(),
                caution: density.caution.clone(),
                ..Answer::default()
            };
            let ages_d = ages_up_to_last(&self.ages_d, &densities.study.traits[model.trait_index]);
            for (group, named) in model.groups().iter().enumerate() {
                for &age_d in &ages_d {
                    let of_group = Answer {
                        age_d: Some(age_d),
                        n: Some(model.counts(group).0),
                        ..answer(GROWTH, "typical_density")
                    };
                    let typical = densities.typical(model, (group, age_d), self.confidence);
                    answers.push(of_group.of(&self.study, named).estimated(typical));
                }
            }
            let Some(comparison) = &densities.comparison else {
                continue;
            };
            let compared = comparison.compared.iter();
            for compared in compared.filter(|one| one.trait_index == model.trait_index) {
                let Some(joint) = &compared.joint else {
                    continue;
                };
                for &age_d in &ages_d {
                    let value = Derived::ValueAt(age_d);
                    let asked = (&*value.name(), value.unit(), Quantity::Derived(value));
                    let by = (&comparison.request, compared.law.as_ref());
                    let difference = || Answer {
                        age_d: Some(age_d),
                        ..answer(DIFFER, "difference_of_typical_density")
                    };
                    let contrasts = of_quantity(joint, asked, by);
                    let names = &comparison.groups.names;
                    answers.extend(self.pairs(contrasts, model, names, &difference));
                }
            }
        }
    }
}
