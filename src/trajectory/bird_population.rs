//! What is known of birds of these strains before a bird is weighed: the population of a
//! mixed fit with the names of its groups and where it comes from.

use serde::{Deserialize, Serialize};

use super::cohort::named;
use super::observed::usual_variance;
use super::population::PopulationFit;
use crate::error::{Error, Result};
use crate::fit::mixed::{MixedModel, Population};
use crate::growth;
use crate::study::{Fingerprint, FixedEffectOf, Records, Study};

/// A population of birds in one trait: of this study's own mixed fit, or a saved one.
#[derive(Debug, Clone)]
pub struct BirdPopulation {
    /// The population in numbers.
    pub population: Population,
    /// Its groups, in the population's order.
    pub groups: Vec<KnownGroup>,
    /// Where it comes from and what it holds for.
    pub origin: Origin,
    /// The model of the first eggs of its birds; `None` where they were not recorded or too few.
    pub first_egg: Option<SavedFirstEgg>,
    /// The file that it was read from; empty for one just fitted.
    pub file: String,
}

/// How first eggs follow the growth of a population's birds, in plain numbers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SavedFirstEgg {
    /// Terms that first eggs may go with, the age of the pre-lay growth spurt first.
    pub terms: Vec<String>,
    /// Standard deviation of each between birds: the spurt's in days, the others on the scale
    /// of their random effect.
    pub spreads: Vec<f64>,
    /// Posterior mean: days from the spurt to the first egg by group, in the order of the groups;
    /// effect of one standard deviation of each term, d; ln of the standard deviation of the
    /// error, d; logit of the share of late birds; ln of their mean delay, d.
    pub mean: Vec<f64>,
    /// Covariance of these numbers, row-major.
    pub covariance: Vec<f64>,
    /// Birds that it was estimated from.
    pub birds: usize,
    /// Those that had laid.
    pub laid: usize,
}

impl SavedFirstEgg {
    /// That the numbers are as many as they must be, and finite.
    pub(super) fn check(&self, groups: usize, curve_terms: &[&str]) -> Result<()> {
        let (k, n) = (self.terms.len(), groups + self.terms.len() + 3);
        let counts = [
            ("spreads", self.spreads.len(), k),
            ("mean", self.mean.len(), n),
            ("covariance", self.covariance.len(), n * n),
        ];
        for (what, found, expected) in counts {
            if found != expected {
                return Err(Error::input(format!(
                    "first_egg: {what}: found {found} numbers, expected {expected}"
                )));
            }
        }
        let mut terms = self.terms.iter();
        if let Some(unknown) = terms.find(|term| !curve_terms.contains(&term.as_str())) {
            return Err(Error::input(format!(
                "first_egg: terms: found {unknown}, expected terms of the curve: {}",
                curve_terms.join(", ")
            )));
        }
        let mut numbers = self
            .spreads
            .iter()
            .chain(&self.mean)
            .chain(&self.covariance);
        let variances = (0..n).map(|at| self.covariance[at * n + at]);
        if !numbers.all(|number| number.is_finite())
            || self.spreads.iter().any(|spread| *spread < 0.0)
            || variances.clone().any(|variance| variance < 0.0)
        {
            return Err(Error::input(
                "first_egg: found a number that is not finite or a variance below 0",
            ));
        }
        Ok(())
    }
}

/// A group of birds that share their fixed effects.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KnownGroup {
    /// Its name: the strain's, and treatment or pen behind a slash.
    pub name: String,
    /// Birds that it was estimated from.
    pub birds: usize,
    /// First and last age of their records, d.
    pub first_age_d: f64,
    /// Last age of their records, d.
    pub last_age_d: f64,
}

/// Where a population comes from and what it holds for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Origin {
    /// The trait, `body_weight` or a corrected mass.
    #[serde(rename = "trait")]
    pub trait_name: String,
    /// Unit of the values: always `g`.
    pub unit: String,
    /// What set its groups.
    pub fixed_by: Vec<FixedEffectOf>,
    /// How the fit ended: `converged` or `weak`.
    pub status: String,
    /// What is weak about it, in words.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub reasons: Vec<String>,
    /// Error variance of a usual value, g^2, where values had known error variances: a
    /// value of another variance weighs accordingly.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub usual_variance_g2: Option<f64>,
    /// The study that it was fitted to.
    #[serde(default)]
    pub study: String,
    /// What else a reader needs to know.
    #[serde(default)]
    pub note: String,
    /// SHA-256 of the table that its values came from; empty where it is not known.
    #[serde(default)]
    pub input_digest: String,
    /// By which its records are recognised among a study's; empty where it is not known.
    #[serde(skip_serializing_if = "Fingerprint::is_empty", default)]
    pub fingerprint: Fingerprint,
    /// The program and version that saved it; empty where it was not saved.
    #[serde(default)]
    pub saved_by: String,
}

impl PopulationFit {
    /// The population that this fit estimates; `None` of a failed one.
    ///
    /// # Errors
    /// As [`MixedModel::new`], which made the fit.
    pub fn bird_population(
        &self,
        study: &Study,
        fixed_by: &[FixedEffectOf],
    ) -> Result<Option<BirdPopulation>> {
        let Some(fit) = self.outcome.fit() else {
            return Ok(None);
        };
        let model = MixedModel::new(&*self.curve, &self.options)?;
        let records = &study.traits[self.cohort.trait_index];
        let birds_of = |group| {
            let of = fit.subject_groups.iter().filter(|own| **own == group);
            of.count()
        };
        let groups = self.cohort.groups.iter().enumerate();
        let groups = groups.map(|(at, group)| {
            let (first_age_d, last_age_d) = self.cohort.age_span(at);
            KnownGroup {
                name: group.name.clone(),
                birds: birds_of(at),
                first_age_d,
                last_age_d,
            }
        });
        Ok(Some(BirdPopulation {
            population: fit.population(&model, &self.curve),
            groups: groups.collect(),
            origin: Origin {
                trait_name: records.name.clone(),
                unit: "g".to_owned(),
                fixed_by: fixed_by.to_vec(),
                status: self.outcome.status().to_owned(),
                reasons: self
                    .outcome
                    .reasons()
                    .into_iter()
                    .map(str::to_owned)
                    .collect(),
                usual_variance_g2: usual_variance(&records.variances),
                study: study.name.clone(),
                note: String::new(),
                input_digest: String::new(),
                fingerprint: Fingerprint::of(study, records),
                saved_by: String::new(),
            },
            first_egg: None,
            file: String::new(),
        }))
    }
}

impl BirdPopulation {
    /// The group of each bird of a study, an index into the population's groups; `taken_for`
    /// holds strains that the population does not have and which of its strains each is taken
    /// for.
    ///
    /// # Errors
    /// [`ErrorKind::Input`](crate::ErrorKind::Input) where a bird with records is of a group
    /// that the population does not know; the known ones are named.
    pub fn groups_of(
        &self,
        study: &Study,
        records: &Records,
        taken_for: &[(String, String)],
    ) -> Result<Vec<Option<usize>>> {
        let mut groups = Vec::with_capacity(study.birds.len());
        for bird in 0..study.birds.len() {
            if records.of(bird).0.is_empty() {
                groups.push(None);
                continue;
            }
            let own = named(study, bird, &self.origin.fixed_by).name;
            groups.push(Some(self.group_named(&own, taken_for)?));
        }
        Ok(groups)
    }

    /// The group of a name, or of the one that it is taken for.
    ///
    /// # Errors
    /// As [`Self::groups_of`].
    pub fn group_named(&self, own: &str, taken_for: &[(String, String)]) -> Result<usize> {
        let found = self.named(own).or_else(|| {
            let (_, known) = taken_for.iter().find(|(strain, _)| strain == own)?;
            self.named(known)
        });
        found.ok_or_else(|| {
            let known: Vec<&str> = self.groups.iter().map(|group| &*group.name).collect();
            Error::input(format!(
                "{}: found no strain {own} in the population, expected one of {}; name the one it is taken for by --map-strain \"{own}=KNOWN\", or leave --population out",
                self.label(),
                known.join(", ")
            ))
        })
    }

    fn named(&self, name: &str) -> Option<usize> {
        self.groups.iter().position(|group| group.name == name)
    }

    /// Its file, or what it is.
    #[must_use]
    pub fn label(&self) -> &str {
        if self.file.is_empty() {
            "population"
        } else {
            &self.file
        }
    }

    /// Whether its curve is held at a known weight at hatch, so that a weighing at hatch
    /// is empty.
    #[must_use]
    pub fn holds_hatch_weight(&self) -> bool {
        let curve = self.population.curve();
        growth::built_in(curve.name()).map_or_else(
            || curve.at_hatch_weight(1.0).is_some(),
            |plain| plain.needs_hatch_weight(),
        )
    }

    /// First and last age of a group's records, d.
    ///
    /// # Panics
    /// Where there is no such group.
    #[must_use]
    pub fn age_span(&self, group: usize) -> (f64, f64) {
        (
            self.groups[group].first_age_d,
            self.groups[group].last_age_d,
        )
    }
}
