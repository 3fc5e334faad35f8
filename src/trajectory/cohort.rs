//! The birds of one trait as a mixed model takes them: their groups, pens, blocks and records.

use std::borrow::Cow;
use std::collections::BTreeMap;

use crate::error::Result;
use crate::fit::mixed::Subjects;
use crate::study::{FixedEffectOf, Records, Study};

/// Birds that share their fixed effects.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Group {
    /// Index into [`Study::strains`]; `None` where strains share their fixed effects.
    pub strain: Option<usize>,
    /// Index into [`Study::treatments`]; `None` where treatments share them, or there is none.
    pub treatment: Option<usize>,
    /// Index into [`Study::pens`]; `None` where pens share them, or there is none.
    pub pen: Option<usize>,
    /// Its name in the tables: the strain's, and treatment or pen behind a slash.
    pub name: String,
}

/// How the pens of a cohort stand in blocks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Blocks {
    /// There are none.
    None,
    /// Each has as many pens of every group as every other: block of each pen, both in order of
    /// first appearance.
    Complete(Vec<usize>),
    /// They differ in what they hold, or a pen is in two, or in none.
    Incomplete,
}

/// The birds of one trait as a mixed model takes them.
#[derive(Debug, Clone)]
pub struct Cohort {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// Index into [`Study::birds`], a subject each.
    pub birds: Vec<usize>,
    /// Groups, in order of first appearance.
    pub groups: Vec<Group>,
    starts: Vec<usize>,
    pub(super) ages_d: Vec<f64>,
    values: Vec<f64>,
    group_of: Vec<usize>,
    /// Pen of each subject, index into [`Study::pens`].
    pens: Vec<Option<usize>>,
    /// Block of each subject, index into [`Study::blocks`].
    blocks: Vec<Option<usize>>,
    /// Whether pens set the groups apart.
    by_pen: bool,
    /// Error variance of each value as far as it is known, relative to the others;
    /// empty where all are alike.
    relative_variances: Vec<f64>,
}

impl Cohort {
    /// All birds with a record in a trait at an age that is kept, and those records.
    #[must_use]
    pub fn of(
        study: &Study,
        records: &Records,
        trait_index: usize,
        by: &[FixedEffectOf],
        kept: impl Fn(f64) -> bool,
    ) -> Self {
        let mut cohort = Self {
            trait_index,
            birds: Vec::new(),
            groups: Vec::new(),
            starts: vec![0],
            ages_d: Vec::new(),
            values: Vec::new(),
            group_of: Vec::new(),
            pens: Vec::new(),
            blocks: Vec::new(),
            by_pen: by.contains(&FixedEffectOf::Pen),
            relative_variances: Vec::new(),
        };
        let mut variances = Vec::new();
        let mut keys: Vec<Vec<Option<usize>>> = Vec::new();
        for bird in 0..study.birds.len() {
            let (ages_d, values) = records.of(bird);
            let before = cohort.values.len();
            let own = records.variances_of(bird);
            for (place, (age_d, value)) in ages_d.iter().zip(values).enumerate() {
                if kept(*age_d) {
                    cohort.ages_d.push(*age_d);
                    cohort.values.push(*value);
                    variances.extend(own.get(place));
                }
            }
            if cohort.values.len() == before {
                continue;
            }
            let key: Vec<Option<usize>> = by.iter().map(|by| part(study, bird, *by)).collect();
            let group = keys.iter().position(|known| *known == key);
            let group = group.unwrap_or_else(|| {
                cohort.groups.push(named(study, bird, by));
                keys.push(key);
                keys.len() - 1
            });
            cohort.birds.push(bird);
            cohort.pens.push(study.birds[bird].pen);
            cohort.blocks.push(study.birds[bird].block);
            cohort.group_of.push(group);
            cohort.starts.push(cohort.values.len());
        }
        if variances.len() == cohort.values.len()
            && let Some(weights) = super::weights(&variances)
        {
            cohort.relative_variances = weights.iter().map(|weight| 1.0 / weight).collect();
        }
        cohort
    }

    /// As the engine takes them.
    ///
    /// A trait whose values carry a known error variance (masses after a correction)
    /// hands it on.
    ///
    /// # Errors
    /// A value that is not finite, which a study does not hold.
    pub fn subjects(&self) -> Result<Subjects<'_>> {
        let names = self.groups.iter().map(|group| group.name.clone());
        let mut subjects = Subjects::new(&self.starts, &self.ages_d, &self.values, &self.group_of)?
            .with_group_names(names.collect())?;
        if let Some(clusters) = self.clusters() {
            let blocks = self.blocks_of(&clusters);
            subjects = subjects.with_clusters(clusters)?;
            if let Blocks::Complete(blocks) = blocks {
                subjects = subjects.with_blocks(blocks)?;
            }
        }
        match self.relative_variances.as_slice() {
            [] => Ok(subjects),
            known => subjects.with_relative_variances(known),
        }
    }

    /// Pen of a subject, index into [`Study::pens`].
    #[must_use]
    pub fn pen_of(&self, subject: usize) -> Option<usize> {
        self.pens[subject]
    }

    /// Whether its groups are pens.
    #[must_use]
    pub fn is_by_pen(&self) -> bool {
        self.by_pen
    }

    /// Pen of each subject, numbered from 0 in order of first appearance; `None` where a
    /// subject has none, or a pen houses subjects of two groups.
    fn clusters(&self) -> Option<Vec<usize>> {
        let mut known: BTreeMap<usize, (usize, usize)> = BTreeMap::new();
        let each = self.pens.iter().zip(&self.group_of);
        each.map(|(pen, group)| {
            let next = known.len();
            let (number, of) = known.entry((*pen)?).or_insert((next, *group));
            (of == group).then_some(*number)
        })
        .collect()
    }

    /// How the pens stand in blocks.
    #[must_use]
    pub fn blocks(&self) -> Blocks {
        self.clusters()
            .map_or(Blocks::None, |clusters| self.blocks_of(&clusters))
    }

    fn blocks_of(&self, clusters: &[usize]) -> Blocks {
        if self.blocks.iter().all(Option::is_none) {
            return Blocks::None;
        }
        let mut of: BTreeMap<usize, (Option<usize>, usize)> = BTreeMap::new();
        let mut places: BTreeMap<usize, usize> = BTreeMap::new();
        for ((cluster, block), group) in clusters.iter().zip(&self.blocks).zip(&self.group_of) {
            let next = places.len();
            let place = block.map(|block| *places.entry(block).or_insert(next));
            let (known, _) = of.entry(*cluster).or_insert((place, *group));
            if *known != place {
                return Blocks::Incomplete;
            }
        }
        let (count, groups) = (places.len(), self.groups.len());
        let mut members = vec![0_usize; count * groups];
        for (place, group) in of.values() {
            match place {
                Some(place) => members[place * groups + group] += 1,
                None => return Blocks::Incomplete,
            }
        }
        let complete = members.iter().all(|own| *own > 0 && *own == members[0]);
        match (count, complete) {
            (0 | 1, _) => Blocks::None,
            (_, true) => {
                Blocks::Complete(of.into_values().filter_map(|(place, _)| place).collect())
            }
            (_, false) => Blocks::Incomplete,
        }
    }

    /// The units of each group that are drawn again as a whole: a pen's subjects where pens
    /// have effects, else each subject.
    #[must_use]
    pub fn units(&self, by_pen: bool) -> Vec<Vec<Vec<usize>>> {
        let clusters = self.clusters().filter(|_| by_pen);
        let units = self.by_group().into_iter().map(|members| {
            let mut units: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
            for subject in members {
                let unit = clusters.as_ref().map_or(subject, |of| of[subject]);
                units.entry(unit).or_default().push(subject);
            }
            units.into_values().collect()
        });
        units.collect()
    }

    /// Subjects of one strain, by their number.
    #[must_use]
    pub fn subjects_of(&self, study: &Study, strain: usize) -> Vec<usize> {
        let birds = self.birds.iter().enumerate();
        birds
            .filter(|(_, bird)| study.birds[**bird].strain == strain)
            .map(|(subject, _)| subject)
            .collect()
    }

    /// Some of its subjects, with the groups that they are of.
    #[must_use]
    pub fn only(&self, subjects: &[usize]) -> Self {
        let mut cohort = Self {
            birds: Vec::new(),
            groups: Vec::new(),
            starts: vec![0],
            ages_d: Vec::new(),
            values: Vec::new(),
            group_of: Vec::new(),
            pens: Vec::new(),
            blocks: Vec::new(),
            relative_variances: Vec::new(),
            ..*self
        };
        for subject in subjects {
            let range = self.starts[*subject]..self.starts[subject + 1];
            cohort.ages_d.extend_from_slice(&self.ages_d[range.clone()]);
            cohort.values.extend_from_slice(&self.values[range.clone()]);
            let known = self.relative_variances.get(range).unwrap_or_default();
            cohort.relative_variances.extend_from_slice(known);
            let group = &self.groups[self.group_of[*subject]];
            let known = cohort.groups.iter().position(|known| known == group);
            cohort.group_of.push(known.unwrap_or(cohort.groups.len()));
            if known.is_none() {
                cohort.groups.push(group.clone());
            }
            cohort.birds.push(self.birds[*subject]);
            cohort.pens.push(self.pens[*subject]);
            cohort.blocks.push(self.blocks[*subject]);
            cohort.starts.push(cohort.values.len());
        }
        cohort
    }

    /// Whether each value carries a known error variance.
    #[must_use]
    pub fn has_known_variances(&self) -> bool {
        !self.relative_variances.is_empty()
    }

    /// Mean of the values at hatch; `None` where there are none.
    #[must_use]
    pub fn mean_at_hatch(&self) -> Option<f64> {
        let (mut sum, mut count) = (0.0, 0.0);
        for (age_d, value) in self.ages_d.iter().zip(&self.values) {
            if *age_d <= 0.0 {
                sum += value;
                count += 1.0;
            }
        }
        (count > 0.0).then(|| sum / count)
    }

    /// At how many ages, to the day, the group with most of them has values.
    #[must_use]
    pub fn most_ages(&self) -> usize {
        let ages = |birds: &Vec<usize>| {
            let ages_d = birds.iter().flat_map(|subject| self.ages_of(*subject));
            let mut days: Vec<f64> = ages_d.map(|age_d| age_d.round()).collect();
            days.sort_by(f64::total_cmp);
            days.dedup();
            days.len()
        };
        self.by_group().iter().map(ages).max().unwrap_or_default()
    }

    /// Number of records.
    #[must_use]
    pub fn records(&self) -> usize {
        self.values.len()
    }

    /// First and last age of a group's records, d.
    #[must_use]
    pub fn age_span(&self, group: usize) -> (f64, f64) {
        let mut span = (f64::INFINITY, f64::NEG_INFINITY);
        for (subject, own) in self.group_of.iter().enumerate() {
            if *own == group {
                let ages_d = self.ages_of(subject);
                for age_d in [ages_d.first(), ages_d.last()].into_iter().flatten() {
                    span = (span.0.min(*age_d), span.1.max(*age_d));
                }
            }
        }
        span
    }

    /// Birds and records of a group.
    #[must_use]
    pub fn counts(&self, group: usize) -> (usize, usize) {
        let own = (0..self.birds.len()).filter(|subject| self.group_of[*subject] == group);
        own.fold((0, 0), |(birds, records), subject| {
            (birds + 1, records + self.ages_of(subject).len())
        })
    }

    /// The subjects of each group.
    #[must_use]
    pub fn by_group(&self) -> Vec<Vec<usize>> {
        let mut birds = vec![Vec::new(); self.groups.len()];
        for (subject, group) in self.group_of.iter().enumerate() {
            birds[*group].push(subject);
        }
        birds
    }

    /// Ages of one subject's records, d.
    #[must_use]
    pub fn ages_of(&self, subject: usize) -> &[f64] {
        &self.ages_d[self.starts[subject]..self.starts[subject + 1]]
    }
}

/// What a bird has of one thing that sets groups.
fn part(study: &Study, bird: usize, by: FixedEffectOf) -> Option<usize> {
    let bird = &study.birds[bird];
    match by {
        FixedEffectOf::Strain => Some(bird.strain),
        FixedEffectOf::Treatment => bird.treatment,
        FixedEffectOf::Pen => bird.pen,
    }
}

/// The group of a bird; `None` of a bird without what alone would set its group.
#[must_use]
pub fn group_of(study: &Study, bird: usize, by: &[FixedEffectOf]) -> Option<Group> {
    if let [only] = by
        && part(study, bird, *only).is_none()
    {
        return None;
    }
    Some(named(study, bird, by))
}

pub(super) fn named(study: &Study, bird: usize, by: &[FixedEffectOf]) -> Group {
    let word = |by: &FixedEffectOf| -> Cow<'_, str> {
        let known = part(study, bird, *by);
        match (by, known) {
            (FixedEffectOf::Strain, Some(at)) => study.strains[at].as_str().into(),
            (FixedEffectOf::Treatment, Some(at)) => study.treatments[at].as_str().into(),
            (FixedEffectOf::Treatment, None) => "no treatment".into(),
            (FixedEffectOf::Pen, Some(at)) => study.pens[at].as_str().into(),
            (FixedEffectOf::Strain | FixedEffectOf::Pen, None) => "no pen".into(),
        }
    };
    let words: Vec<Cow<'_, str>> = by.iter().map(word).collect();
    let own = |of: FixedEffectOf| by.contains(&of).then(|| part(study, bird, of)).flatten();
    Group {
        strain: own(FixedEffectOf::Strain),
        treatment: own(FixedEffectOf::Treatment),
        pen: own(FixedEffectOf::Pen),
        name: if words.is_empty() {
            "all".to_owned()
        } else {
            words.join(" / ")
        },
    }
}
