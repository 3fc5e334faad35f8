//! What a study holds of unnamed birds, and of the ringed birds beside them, as the model takes it.

use std::collections::BTreeMap;

use super::data::{Cell, Part, SampledData};
use crate::study::{FixedEffectOf, Records, SampleRow, Study};

/// Units that share a curve.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SampledGroup {
    /// Index into [`Study::strains`].
    pub strain: usize,
    /// Index into [`Study::treatments`], where treatments have separate curves.
    pub treatment: Option<usize>,
    /// Its name in the tables.
    pub name: String,
}

/// A pen, a house or a flock of which birds were weighed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unit {
    /// Index into the groups.
    pub group: usize,
    /// Index into the units of [`Samples`](crate::study::Samples); `None` where all its birds are
    /// ringed.
    pub sampled: Option<usize>,
    /// Index into [`Study::pens`].
    pub pen: Option<usize>,
}

/// The data with the names of its groups and units.
#[derive(Debug, Clone, Default)]
pub struct Sampled {
    /// Groups, in order of first appearance.
    pub groups: Vec<SampledGroup>,
    /// Units, in the order of [`SampledData::units`].
    pub units: Vec<Unit>,
    /// What the model is fitted to.
    pub data: SampledData,
    /// Unnamed birds weighed, at all occasions together, by group.
    pub unnamed: Vec<usize>,
    /// Ringed birds, by group.
    pub ringed: Vec<usize>,
    /// Unit of each ringed bird, by its index into [`Study::birds`].
    pub unit_of_bird: BTreeMap<usize, usize>,
}

/// What was weighed at one age of a unit, while it is put together.
#[derive(Default)]
struct Gathered {
    logs: Vec<f64>,
    bulks: Vec<(f64, f64, Option<f64>)>,
}

impl Sampled {
    /// All unnamed birds of a study, and the ringed birds of their groups.
    #[must_use]
    pub fn of(study: &Study, records: &Records, by: &[FixedEffectOf]) -> Self {
        let mut sampled = Self::default();
        let treated = by.contains(&FixedEffectOf::Treatment);
        for (index, unit) in study.samples.units.iter().enumerate() {
            let treatment = unit.treatment.filter(|_| treated);
            let group = sampled.group(study, unit.strain, treatment);
            sampled.units.push(Unit {
                group,
                sampled: Some(index),
                pen: unit.pen,
            });
        }
        let mut gathered: BTreeMap<(usize, u64), Gathered> = BTreeMap::new();
        for row in &study.samples.rows {
            let cell = gathered.entry((row.unit, row.age_d.to_bits())).or_default();
            cell.add(row);
        }
        // Ringed birds of the same groups, by unit.
        let mut birds: Vec<(usize, usize)> = Vec::new();
        for (index, bird) in study.birds.iter().enumerate() {
            let treatment = bird.treatment.filter(|_| treated);
            let same =
                |group: &SampledGroup| (group.strain, group.treatment) == (bird.strain, treatment);
            let Some(group) = sampled.groups.iter().position(same) else {
                continue;
            };
            let ages_d = records.of(index).0;
            if ages_d.is_empty() {
                continue;
            }
            let unit = sampled.unit_of(study, group, bird.pen);
            sampled.unit_of_bird.insert(index, unit);
            for age_d in ages_d {
                gathered.entry((unit, age_d.to_bits())).or_default();
            }
            birds.push((unit, index));
        }
        sampled.enter(study, records, &gathered, &birds);
        sampled
    }

    fn group(&mut self, study: &Study, strain: usize, treatment: Option<usize>) -> usize {
        let same = |group: &SampledGroup| (group.strain, group.treatment) == (strain, treatment);
        self.groups.iter().position(same).unwrap_or_else(|| {
            let strain_name = &study.strains[strain];
            self.groups.push(SampledGroup {
                strain,
                treatment,
                name: treatment.map_or(strain_name.clone(), |treatment| {
                    format!("{strain_name}/{}", study.treatments[treatment])
                }),
            });
            self.groups.len() - 1
        })
    }

    /// The unit of a ringed bird: that of its pen; without one, that of the whole flock, where
    /// there is one.
    fn unit_of(&mut self, study: &Study, group: usize, pen: Option<usize>) -> usize {
        let in_house = |unit: &Unit| {
            let house = unit.sampled.and_then(|at| study.samples.units[at].house);
            house.is_some() && study.houses.len() > 1
        };
        let same = |unit: &Unit| {
            unit.group == group && unit.pen == pen && (pen.is_some() || !in_house(unit))
        };
        self.units.iter().position(same).unwrap_or_else(|| {
            self.units.push(Unit {
                group,
                sampled: None,
                pen,
            });
            self.units.len() - 1
        })
    }

    fn enter(
        &mut self,
        study: &Study,
        records: &Records,
        gathered: &BTreeMap<(usize, u64), Gathered>,
        birds: &[(usize, usize)],
    ) {
        let hatch = |unit: &Unit| {
            let own = unit
                .sampled
                .and_then(|at| study.samples.units[at].hatch_date);
            own.map_or(0.0, |date| {
                date.signed_duration_since(chrono::NaiveDate::default())
                    .num_days() as f64
            })
        };
        let dated = self.units.iter().all(|unit| {
            unit.sampled
                .is_some_and(|at| study.samples.units[at].hatch_date.is_some())
        });
        let day_of = |unit: &Unit, age_d: f64| {
            let day = if dated { age_d + hatch(unit) } else { age_d };
            day.round()
        };
        let mut days: BTreeMap<(usize, i64), usize> = BTreeMap::new();
        for (unit, bits) in gathered.keys() {
            let unit = &self.units[*unit];
            #[expect(clippy::cast_possible_truncation, reason = "a day within the calendar")]
            let day = day_of(unit, f64::from_bits(*bits)) as i64;
            days.entry((unit.group, day)).or_default();
        }
        let mut next = vec![0_usize; self.groups.len()];
        for ((group, _), place) in &mut days {
            *place = next[*group];
            next[*group] += 1;
        }
        // Positive numbers sort as their bits do.
        let mut cells: BTreeMap<(usize, u64), usize> = BTreeMap::new();
        self.unnamed = vec![0; self.groups.len()];
        self.ringed = vec![0; self.groups.len()];
        for ((unit, bits), found) in gathered {
            let age_d = f64::from_bits(*bits);
            let of = self.units[*unit];
            #[expect(clippy::cast_possible_truncation, reason = "a day within the calendar")]
            let day = days[&(of.group, day_of(&of, age_d) as i64)];
            let cell = self.data.cells.len();
            cells.insert((*unit, *bits), cell);
            self.data.cells.push(Cell {
                unit: *unit,
                day,
                age_d,
            });
            self.unnamed[of.group] += found.birds();
            self.data.parts.extend(found.parts(cell));
        }
        for (unit, bird) in birds {
            let (ages_d, values) = records.of(*bird);
            let own: Vec<usize> = ages_d
                .iter()
                .map(|age| cells[&(*unit, age.to_bits())])
                .collect();
            self.ringed[self.units[*unit].group] += 1;
            self.data.parts.push(Part::Bird {
                cells: own,
                logs: values.iter().map(|value| value.ln()).collect(),
            });
        }
        self.data.units = self.units.iter().map(|unit| unit.group).collect();
    }
}

impl Gathered {
    fn add(&mut self, row: &SampleRow) {
        match row.together {
            None => self.logs.push(row.weight_g.ln()),
            Some(together) => self.bulks.push((
                f64::from(together.birds),
                row.weight_g.ln(),
                together.sd_g.map(|sd_g| sd_g / row.weight_g),
            )),
        }
    }

    fn birds(&self) -> usize {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "whole numbers of birds"
        )]
        let together = self.bulks.iter().map(|bulk| bulk.0).sum::<f64>() as usize;
        self.logs.len() + together
    }

    fn parts(&self, cell: usize) -> Vec<Part> {
        let mut parts = Vec::new();
        if !self.logs.is_empty() {
            let n = self.logs.len() as f64;
            let mean_log = self.logs.iter().sum::<f64>() / n;
            let squares = self.logs.iter().map(|log| (log - mean_log).powi(2)).sum();
            parts.push(Part::Sample {
                cell,
                n,
                mean_log,
                squares,
            });
        }
        let bulks = self.bulks.iter();
        parts.extend(bulks.map(|(n, log_mean, cv)| Part::Bulk {
            cell,
            n: *n,
            log_mean: *log_mean,
            cv: *cv,
        }));
        parts
    }
}
