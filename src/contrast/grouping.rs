//! Who is compared with whom: birds by strain, treatment or pen.

use std::collections::BTreeSet;

use crate::error::{Error, Result};
use crate::study::{FixedEffectOf, Records, Study};
use crate::trajectory::{Pooled, group_of};

/// The groups that are compared.
#[derive(Debug, Clone, PartialEq)]
pub struct Groups {
    /// What sets them apart, together.
    pub by: Vec<FixedEffectOf>,
    /// Their names.
    pub names: Vec<String>,
    /// Strain and treatment of each group, where birds are of it.
    cells: Vec<Option<(Option<usize>, Option<usize>)>>,
    /// The group of each bird of the study; `None` for a bird without one.
    pub of_bird: Vec<Option<usize>>,
}

impl Groups {
    /// The birds of a study by strain, treatment or pen, or by these together, named as the
    /// groups of a trait's model are.
    #[must_use]
    pub fn of(study: &Study, by: &[FixedEffectOf]) -> Self {
        let mut names: Vec<String> = match by {
            [FixedEffectOf::Strain] => study.strains.clone(),
            [FixedEffectOf::Treatment] => study.treatments.clone(),
            [FixedEffectOf::Pen] => study.pens.clone(),
            _ => Vec::new(),
        };
        let mut cells = vec![None; names.len()];
        let of_bird = (0..study.birds.len()).map(|bird| {
            let group = group_of(study, bird, by)?;
            let known = names.iter().position(|known| *known == group.name);
            let place = known.unwrap_or_else(|| {
                names.push(group.name);
                cells.push(None);
                names.len() - 1
            });
            cells[place] = Some((group.strain, group.treatment));
            Some(place)
        });
        let of_bird = of_bird.collect();
        Self {
            by: by.to_vec(),
            names,
            cells,
            of_bird,
        }
    }

    /// Whether strains differ in what treatments do, as differences of differences: of some
    /// groups, by their places in `groups`, the weights of each that are zero without an
    /// interaction. None unless every strain among them has every treatment, and there are two
    /// of each.
    pub(super) fn interactions(&self, groups: &[usize]) -> Vec<Vec<(usize, f64)>> {
        let cell = |group: &usize| -> Option<(usize, usize)> {
            let (strain, treatment) = self.cells[*group]?;
            strain.zip(treatment)
        };
        let Some(cells) = groups.iter().map(cell).collect::<Option<Vec<_>>>() else {
            return Vec::new();
        };
        let strains: BTreeSet<usize> = cells.iter().map(|cell| cell.0).collect();
        let treatments: BTreeSet<usize> = cells.iter().map(|cell| cell.1).collect();
        if cells.len() != strains.len() * treatments.len() {
            return Vec::new();
        }
        let place = |strain: usize, treatment: usize| {
            cells.iter().position(|cell| *cell == (strain, treatment))
        };
        let mut all = Vec::new();
        let (first, base) = (strains.first(), treatments.first());
        for strain in strains.iter().skip(1) {
            for treatment in treatments.iter().skip(1) {
                let corners = [
                    (Some(strain), Some(treatment), 1.0),
                    (first, Some(treatment), -1.0),
                    (Some(strain), base, -1.0),
                    (first, base, 1.0),
                ];
                let weights = corners.into_iter().map(|(strain, treatment, weight)| {
                    Some((place(*strain?, *treatment?)?, weight))
                });
                all.extend(weights.collect::<Option<Vec<_>>>());
            }
        }
        all
    }

    /// What sets them apart, in words: `strain and treatment`.
    #[must_use]
    pub fn by_name(&self) -> String {
        let names: Vec<&str> = self.by.iter().map(|by| by.name()).collect();
        names.join(" and ")
    }

    /// An error unless there are two groups to compare.
    pub(super) fn at_least_two(&self) -> Result<()> {
        let by = self.by_name();
        match self.names.as_slice() {
            [] => Err(Error::call(format!(
                "--by {by}: no bird has a {by}, expected at least two to compare; name the column that holds it, or compare by another"
            ))),
            [only] => Err(Error::call(format!(
                "--by {by}: found one {by} ({only}), expected at least two to compare; name the column that sets the birds apart with --group, or compare by another"
            ))),
            _ => Ok(()),
        }
    }
}

/// The records of one trait by bird, birds without a group or a record left out.
#[derive(Debug, Clone, Default)]
pub(super) struct Sample {
    /// Index of each bird in the study.
    pub(super) birds: Vec<usize>,
    pub(super) starts: Vec<usize>,
    pub(super) ages_d: Vec<f64>,
    pub(super) values: Vec<f64>,
    /// Group of each bird, numbered from 0 in the order of `kept`.
    pub(super) groups: Vec<usize>,
    /// The group of the study that each group here is.
    pub(super) kept: Vec<usize>,
    /// Unit of each bird, numbered from 0: itself, or its pen.
    pub(super) units: Vec<usize>,
}

impl Sample {
    /// The records of the birds in these groups.
    pub(super) fn of(records: &Records, groups: &Groups, kept: &[usize]) -> Self {
        let mut sample = Self {
            starts: vec![0],
            kept: kept.to_vec(),
            ..Self::default()
        };
        for (bird, group) in groups.of_bird.iter().enumerate() {
            let place = group.and_then(|group| kept.iter().position(|kept| *kept == group));
            let (ages_d, values) = records.of(bird);
            if let Some(place) = place
                && !values.is_empty()
            {
                sample.units.push(sample.birds.len());
                sample.birds.push(bird);
                sample.ages_d.extend_from_slice(ages_d);
                sample.values.extend_from_slice(values);
                sample.groups.push(place);
                sample.starts.push(sample.values.len());
            }
        }
        sample
    }

    /// How many birds a group has here.
    pub(super) fn birds_in(&self, group: usize) -> usize {
        self.groups.iter().filter(|place| **place == group).count()
    }

    /// Takes the pens of the study's birds as units.
    pub(super) fn in_pens(mut self, study: &Study) -> Self {
        let mut known: Vec<Option<usize>> = Vec::new();
        for (unit, bird) in self.units.iter_mut().zip(&self.birds) {
            let pen = study.birds[*bird].pen;
            *unit = known.iter().position(|one| *one == pen).unwrap_or_else(|| {
                known.push(pen);
                known.len() - 1
            });
        }
        self
    }

    /// How many units a group has here.
    pub(super) fn units_in(&self, group: usize) -> usize {
        let of_group = self.units.iter().zip(&self.groups);
        let own = of_group.filter(|(_, place)| **place == group);
        own.map(|(unit, _)| *unit).collect::<BTreeSet<_>>().len()
    }

    /// All records of one group, or of all, ascending in age; `birds` counts within
    /// this sample.
    pub(super) fn pooled(&self, group: Option<usize>) -> Pooled {
        let mut rows: Vec<(f64, f64, usize)> = Vec::new();
        for (place, bounds) in self.starts.windows(2).enumerate() {
            if group.is_none_or(|group| group == self.groups[place]) {
                let range = bounds[0]..bounds[1];
                rows.extend(range.map(|row| (self.ages_d[row], self.values[row], place)));
            }
        }
        rows.sort_by(|a, b| a.0.total_cmp(&b.0));
        Pooled {
            ages_d: rows.iter().map(|row| row.0).collect(),
            values: rows.iter().map(|row| row.1).collect(),
            birds: rows.iter().map(|row| row.2).collect(),
            variances: Vec::new(),
        }
    }

    /// First and last age of a group.
    pub(super) fn age_span(&self, group: usize) -> (f64, f64) {
        let pooled = self.pooled(Some(group));
        match (pooled.ages_d.first(), pooled.ages_d.last()) {
            (Some(first_d), Some(last_d)) => (*first_d, *last_d),
            _ => (f64::INFINITY, f64::NEG_INFINITY),
        }
    }
}
