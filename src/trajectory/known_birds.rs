//! The weighings so far of some birds, as a population takes them.

use super::bird_population::BirdPopulation;
use super::observed::usual_variance;
use crate::error::Result;
use crate::fit::mixed::Subjects;
use crate::study::{Records, Study};

/// Birds with their records so far, a subject each, in columns.
#[derive(Debug, Default)]
pub(crate) struct KnownBirds {
    /// Index into [`Study::birds`], a subject each.
    pub(crate) birds: Vec<usize>,
    starts: Vec<usize>,
    ages_d: Vec<f64>,
    values: Vec<f64>,
    groups: Vec<usize>,
    relative_variances: Vec<f64>,
    usual_variance: Option<f64>,
    /// Ages from which on records count: a curve held at the hatch weight leaves that out.
    after_hatch: bool,
}

impl KnownBirds {
    /// None yet; values are weighted by the population's variances.
    pub(crate) fn new(records: &Records, population: &BirdPopulation) -> Self {
        Self {
            starts: vec![0],
            usual_variance: population
                .origin
                .usual_variance_g2
                .or_else(|| usual_variance(&records.variances)),
            after_hatch: population.holds_hatch_weight(),
            ..Self::default()
        }
    }

    /// All birds with records of a group of the population and for which `kept`.
    pub(crate) fn of(
        study: &Study,
        records: &Records,
        population: &BirdPopulation,
        groups: &[Option<usize>],
        kept: impl Fn(usize) -> bool,
    ) -> Self {
        let mut known = Self::new(records, population);
        for (bird, group) in groups.iter().enumerate().take(study.birds.len()) {
            if let Some(group) = group
                && kept(bird)
            {
                known.push(records, bird, *group, usize::MAX);
            }
        }
        known
    }

    /// Adds a bird with its first records, `most` at most; none where it has none.
    pub(crate) fn push(&mut self, records: &Records, bird: usize, group: usize, most: usize) {
        let (ages_d, values) = records.of(bird);
        let variances = records.variances_of(bird);
        let before = self.values.len();
        for (at, (age_d, value)) in ages_d.iter().zip(values).enumerate().take(most) {
            if self.after_hatch && *age_d <= 0.0 {
                continue;
            }
            self.ages_d.push(*age_d);
            self.values.push(*value);
            if let (Some(usual), Some(own)) = (self.usual_variance, variances.get(at)) {
                self.relative_variances.push(own / usual);
            }
        }
        if self.values.len() > before {
            self.birds.push(bird);
            self.groups.push(group);
            self.starts.push(self.values.len());
        }
    }

    /// As the engine takes them.
    ///
    /// # Errors
    /// A value that is not finite, which a study does not hold.
    pub(crate) fn subjects(&self) -> Result<Subjects<'_>> {
        let subjects = Subjects::new(&self.starts, &self.ages_d, &self.values, &self.groups)?;
        if self.relative_variances.len() == self.values.len() && !self.values.is_empty() {
            return subjects.with_relative_variances(&self.relative_variances);
        }
        Ok(subjects)
    }
}
