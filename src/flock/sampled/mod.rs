//! Is a flock of unnamed birds on target: its pens, its houses, and the whole flock.
//!
//! A pen's mean is that of its sample. Its standard error has two parts: of the birds drawn, from
//! their spread, and of the occasion (how the birds were caught, the hour, the scale), from the
//! model of the trait, which compares each occasion with the pen's growth. A house and the flock
//! are means of their pens, weighted by the birds kept, or by the birds weighed where it is not
//! written down how many are kept; what all pens of a day have in common does not average out,
//! and pens that were not weighed add what pens differ by. Pens and houses weighed within a week
//! are one occasion of the flock, each compared with the target at the unit's age.

mod ahead;
mod backtest;
mod combined;
mod course;
mod gain_chart;
mod unit_day;
mod units;

use crate::error::Result;
use crate::flock::deviation::{Deviation, DeviationOptions, FlockLevel, Gain, Judged, gain};
use crate::flock::target::{TargetCurve, trajectories};
use crate::flock::uniformity::{FlockUniformity, UniformityOptions};
use crate::study::Study;
use crate::trajectory::sampled::SampledTrait;
pub use ahead::sampled_forecast;
use combined::Combined;
pub use gain_chart::{CONTROL_LIMIT, GainPoint, gain_chart};
use unit_day::{UnitDay, unit_days};

/// Rows of a flock of unnamed birds, as of ringed ones.
#[derive(Debug, Default)]
pub struct SampledVerdict {
    /// Of `deviation.csv`: strain by strain, the flock's rows first, then its houses', its pens'.
    pub deviations: Vec<Deviation>,
    /// Of `uniformity.csv`, in the same order.
    pub uniformities: Vec<FlockUniformity>,
}

/// A flock, a house or a pen of one strain.
#[derive(Debug, Clone, Copy)]
struct Part {
    level: FlockLevel,
    strain: usize,
    house: Option<usize>,
    pen: Option<usize>,
}

/// The rows of all strains that have unnamed birds; where there is no target, with the means
/// alone.
///
/// # Errors
/// An input error where a target's table is faulty.
pub fn sampled_verdict(
    study: &Study,
    of: &SampledTrait,
    options: (&DeviationOptions, &UniformityOptions),
) -> Result<SampledVerdict> {
    options.0.matching.check()?;
    let name = &study.traits[of.trait_index].name;
    let targets = trajectories(study, name)?.unwrap_or_else(|| vec![None; study.strains.len()]);
    let days = unit_days(study, of, &targets, options.0.matching);
    let mut verdict = SampledVerdict::default();
    for part in parts(study, of) {
        let own = days.iter().filter(|day| part.holds(study, of, day.unit));
        let mut own: Vec<&UnitDay> = own.collect();
        own.sort_by(|a, b| a.day.total_cmp(&b.day));
        let target = targets[part.strain].as_ref();
        let on = occasions(&own);
        let last = on.len();
        for (at, day) in on.into_iter().enumerate() {
            let among = units_of(study, of, part);
            let combined = Combined::of((study, of), day, &among, target);
            let row = part.deviation((of, target), &combined, at + 1 == last, options.0);
            verdict.deviations.push(row);
            verdict
                .uniformities
                .push(part.uniformity(of, &combined, options.1));
        }
    }
    Ok(verdict)
}

/// Days from the first unit of an occasion to its last: houses of a flock are weighed in turn,
/// within the week (common practice, no source).
const ONE_OCCASION_D: f64 = 6.0;

/// Units weighed within a week of one another, each once, by the days in ascending order.
fn occasions<'a>(own: &'a [&'a UnitDay]) -> Vec<&'a [&'a UnitDay]> {
    let mut occasions = Vec::new();
    let mut start = 0;
    for (at, day) in own.iter().enumerate() {
        let begun = &own[start..at];
        let again = begun.iter().any(|other| other.unit == day.unit);
        if again
            || begun
                .first()
                .is_some_and(|first| day.day > first.day + ONE_OCCASION_D)
        {
            occasions.push(begun);
            start = at;
        }
    }
    occasions.push(&own[start..]);
    occasions
}

/// Everything that has rows, strain by strain.
fn parts(study: &Study, of: &SampledTrait) -> Vec<Part> {
    let mut parts = Vec::new();
    for strain in 0..study.strains.len() {
        if of.sampled.groups.iter().all(|group| group.strain != strain) {
            continue;
        }
        let whole = Part::whole(strain);
        let units = units_of(study, of, whole);
        parts.push(whole);
        for house in 0..study.houses.len() {
            let own = units
                .iter()
                .filter(|unit| house_of(study, of, **unit) == Some(house));
            let pens = own
                .clone()
                .filter(|unit| of.sampled.units[**unit].pen.is_some())
                .count();
            // A house of one pen has that pen's row.
            if own.count() > usize::from(pens == 1) || (pens == 0 && units.len() > 1) {
                parts.push(Part {
                    level: FlockLevel::House,
                    strain,
                    house: Some(house),
                    pen: None,
                });
            }
        }
        for unit in units {
            if let Some(pen) = of.sampled.units[unit].pen {
                let house = house_of(study, of, unit);
                parts.push(Part {
                    level: FlockLevel::Pen,
                    strain,
                    house,
                    pen: Some(pen),
                });
            }
        }
    }
    // A house that holds no unit of a strain has no row of it.
    parts.retain(|part| !units_of(study, of, *part).is_empty());
    parts
}

/// Units of a flock, house or pen.
fn units_of(study: &Study, of: &SampledTrait, part: Part) -> Vec<usize> {
    (0..of.sampled.units.len())
        .filter(|unit| part.holds(study, of, *unit))
        .collect()
}

/// House of a unit: as sampled, or by the table of pens.
fn house_of(study: &Study, of: &SampledTrait, unit: usize) -> Option<usize> {
    let unit = of.sampled.units[unit];
    match unit.sampled {
        Some(at) => study.samples.units[at].house,
        None => kept(study, unit.pen)?.house,
    }
}

/// Birds kept in a unit, where that is written down.
fn birds_kept(study: &Study, of: &SampledTrait, unit: usize) -> Option<f64> {
    let unit = of.sampled.units[unit];
    match unit.sampled {
        Some(at) => study.samples.units[at].birds,
        None => kept(study, unit.pen)?.birds,
    }
}

fn kept(study: &Study, pen: Option<usize>) -> Option<&crate::study::Kept> {
    study
        .kept
        .iter()
        .find(|kept| pen.is_some() && kept.pen == pen)
}

impl Part {
    /// All units of a strain.
    fn whole(strain: usize) -> Self {
        Self {
            level: FlockLevel::Strain,
            strain,
            house: None,
            pen: None,
        }
    }

    fn holds(self, study: &Study, of: &SampledTrait, unit: usize) -> bool {
        let own = of.sampled.units[unit];
        of.sampled.groups[own.group].strain == self.strain
            && (self.pen.is_none() || own.pen == self.pen)
            && (self.house.is_none() || house_of(study, of, unit) == self.house)
    }

    fn deviation(
        self,
        (of, target): (&SampledTrait, Option<&TargetCurve>),
        combined: &Combined,
        last: bool,
        options: &DeviationOptions,
    ) -> Deviation {
        let against = combined.against(target, options.confidence);
        let back = options.back_on_target_by_d.zip(target);
        let gain = match back {
            Some((by_d, target)) if last && against.is_ok() => {
                let now = Judged {
                    age_d: combined.age_d,
                    observed_g: combined.mean_g,
                };
                gain(target, now, by_d)
            }
            _ => Gain::NotAsked,
        };
        let half_g = combined.half_width(options.confidence);
        Deviation {
            level: self.level,
            trait_index: of.trait_index,
            strain: self.strain,
            house: self.house,
            pen: self.pen,
            bird: None,
            age_d: combined.age_d,
            n: combined.n,
            observed_g: combined.mean_g,
            std_error_g: combined.variance_g2.map(f64::sqrt),
            mean_interval_g: half_g.map(|half| (combined.mean_g - half, combined.mean_g + half)),
            against,
            gain,
            caution: combined.caution.clone(),
        }
    }

    fn uniformity(
        self,
        of: &SampledTrait,
        combined: &Combined,
        options: &UniformityOptions,
    ) -> FlockUniformity {
        FlockUniformity {
            level: self.level,
            trait_index: of.trait_index,
            strain: self.strain,
            house: self.house,
            pen: self.pen,
            age_d: combined.age_d,
            uniformity: combined.uniformity(options),
            target_g: combined.target.map(|point| point.target_g),
            near_target: combined
                .target
                .and_then(|point| combined.share_within(point.target_g, options)),
            caution: combined.caution.clone(),
        }
    }
}
