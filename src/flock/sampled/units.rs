//! The units of a strain with all that was weighed of them, and their shares of its flock.

use super::unit_day::UnitDay;
use super::{Part, birds_kept, units_of};
use crate::flock::relative::{Member, UnitMean};
use crate::study::Study;
use crate::trajectory::sampled::SampledTrait;

/// The units of a strain and what was weighed of them.
pub(super) struct Flock<'a> {
    pub(super) strain: usize,
    /// Indices of the units of the model's data; a unit's place here is its number in the model.
    pub(super) units: Vec<usize>,
    /// Birds kept in each, where all are written down.
    kept: Option<Vec<f64>>,
    /// Its days, ascending.
    pub(super) days: Vec<&'a UnitDay>,
}

impl<'a> Flock<'a> {
    pub(super) fn of(study: &Study, of: &SampledTrait, strain: usize, days: &'a [UnitDay]) -> Self {
        let units = units_of(study, of, Part::whole(strain));
        let own = days.iter().filter(|day| units.contains(&day.unit));
        let mut days: Vec<&UnitDay> = own.collect();
        days.sort_by(|a, b| a.day.total_cmp(&b.day));
        let kept = units.iter().map(|unit| birds_kept(study, of, *unit));
        Self {
            strain,
            kept: kept.collect(),
            units,
            days,
        }
    }

    /// The means of the days that are known.
    pub(super) fn means(&self, known: impl Fn(usize) -> bool) -> Vec<UnitMean> {
        let days = self.days.iter().enumerate();
        days.filter(|(at, _)| known(*at))
            .filter_map(|(_, day)| {
                Some(UnitMean {
                    unit: self.place(day.unit)?,
                    age_d: day.age_d,
                    mean_g: day.mean_g,
                    variance: drawing(day),
                })
            })
            .collect()
    }

    fn place(&self, unit: usize) -> Option<usize> {
        self.units.iter().position(|own| *own == unit)
    }

    /// A unit at an age, with its share of the flock: by the birds kept, or else by those weighed.
    pub(super) fn member(&self, unit: usize, age_d: f64, drawing: f64) -> Option<Member> {
        let place = self.place(unit)?;
        Some(Member {
            unit: place,
            age_d,
            share: match &self.kept {
                Some(kept) => kept[place],
                None => self.last_of(unit)?.n as f64,
            },
            drawing,
        })
    }

    pub(super) fn last_of(&self, unit: usize) -> Option<&UnitDay> {
        self.days.iter().rev().find(|day| day.unit == unit).copied()
    }

    pub(super) fn last_d(&self) -> f64 {
        self.days.iter().fold(0.0, |last, day| day.age_d.max(last))
    }
}

/// Variance of the logarithm of a day's mean by the birds drawn; 0 where no spread is known.
pub(super) fn drawing(day: &UnitDay) -> f64 {
    day.spread.map_or(0.0, |spread| {
        spread.variance_g2 / (day.n as f64 * day.mean_g * day.mean_g)
    })
}
