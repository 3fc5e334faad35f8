//! What will the pens, the houses and the whole flock of unnamed birds weigh?
//!
//! The birds themselves are not followed; the means of their pens are, relative to a course
//! (`course.rs`). A forecast is of the mean of all birds of a pen, house or flock as it would be
//! weighed on a day: what a day and an occasion add is part of its interval, the error of drawing
//! birds is not. Where there is neither a target nor a population, growth past the last weighing
//! is not forecast.

use super::backtest::backtest;
use super::course::{Course, StrainModel, courses};
use super::unit_day::{UnitDay, unit_days};
use super::units::Flock;
use super::{Part, birds_kept, parts, units_of};
use crate::error::Result;
use crate::fit::mixed::Forecast;
use crate::flock::backtest_rows::WeightBacktests;
use crate::flock::deviation::{FlockLevel, NoTarget, target_at};
use crate::flock::forecast_rows::{
    Flag, ForecastOptions, ForecastRow, TraitForecast, ages_of, chance_of, mean_target,
    not_foreseen,
};
use crate::flock::own_models::SavedPopulation;
use crate::flock::predictors::Predictor;
use crate::flock::relative::Member;
use crate::flock::target::{TargetCurve, TargetPoint, trajectories};
use crate::stats::distribution::t_two_sided_quantile;
use crate::study::{AgeMatching, Study};
use crate::trajectory::sampled::SampledTrait;

/// The forecasts of a study's unnamed birds, and how such forecasts would have come true.
///
/// # Errors
/// An input error where a target's table is faulty, or a saved population does not know a strain.
pub fn sampled_forecast(
    known: &Study,
    of: &SampledTrait,
    saved: Option<&SavedPopulation<'_>>,
    options: &ForecastOptions,
) -> Result<(TraitForecast, WeightBacktests)> {
    let name = &known.traits[of.trait_index].name;
    let targets = trajectories(known, name)?.unwrap_or_else(|| vec![None; known.strains.len()]);
    let mut strains: Vec<usize> = of.sampled.groups.iter().map(|group| group.strain).collect();
    strains.sort_unstable();
    strains.dedup();
    let courses = courses(known, name, &strains, saved)?;
    let days = unit_days(known, of, &targets, AgeMatching::default());
    let ages_d = ages_of(known, name, options);
    let mut ahead = Ahead {
        known,
        of,
        days: &days,
        targets: &targets,
        options,
        rows: Vec::new(),
    };
    let mut tested = WeightBacktests::default();
    let mut reasons = Vec::new();
    for strain in &strains {
        let flock = Flock::of(known, of, *strain, &days);
        match StrainModel::of(&courses[*strain], &flock.means(|_| true), flock.units.len()) {
            Ok(model) => {
                ahead.strain(&flock, &model, &ages_d);
                let hits = backtest(
                    &flock,
                    &courses[*strain],
                    of.trait_index,
                    options.confidence,
                );
                tested.append(hits);
            }
            Err(why) if courses[*strain].is_empty() => {
                drop(why);
                reasons.push(not_foreseen(flock.last_d()));
            }
            Err(why) => reasons.push(why),
        }
    }
    ahead.whole();
    let rows = ahead.rows;
    reasons.dedup();
    let reason = rows.iter().all(|row| row.forecast.is_none());
    let predictors = [Predictor::SavedPopulation, Predictor::RelativeToTarget];
    let mean_weight = |predictor: Predictor| {
        let used = rows.iter().filter(|row| row.forecast.is_some());
        let (mut sum, mut n) = (0.0, 0.0);
        for row in used {
            let own = row.predictors.iter().find(|part| part.0 == predictor);
            sum += own.map_or(0.0, |part| part.1);
            n += 1.0;
        }
        (predictor, if n > 0.0 { sum / n } else { 0.0 })
    };
    Ok((
        TraitForecast {
            trait_index: of.trait_index,
            unnamed: true,
            population: match saved {
                Some(saved) => Ok(saved.population.clone()),
                None => Err("no bird is followed by name".to_owned()),
            },
            predictors: predictors
                .map(mean_weight)
                .into_iter()
                .filter(|(_, weight)| *weight > 0.0)
                .collect(),
            timing_sd_d: timing(&courses),
            reason: reason.then(|| {
                if reasons.is_empty() {
                    not_foreseen(options.as_of_d)
                } else {
                    reasons.join("; ")
                }
            }),
            rows,
        },
        tested,
    ))
}

/// Standard deviation of the timing of the second phase, where a course has one.
fn timing(courses: &[Vec<Course>]) -> Option<f64> {
    courses.iter().flatten().find_map(Course::timing)
}

/// The rows while they are made.
struct Ahead<'a> {
    known: &'a Study,
    of: &'a SampledTrait,
    days: &'a [UnitDay],
    targets: &'a [Option<TargetCurve>],
    options: &'a ForecastOptions,
    rows: Vec<ForecastRow>,
}

impl Ahead<'_> {
    /// The rows of a strain, its houses and its pens.
    fn strain(&mut self, flock: &Flock, model: &StrainModel, ages_d: &[f64]) {
        let ahead = model.ahead(ages_d);
        for part in parts(self.known, self.of) {
            if part.strain != flock.strain {
                continue;
            }
            let units = units_of(self.known, self.of, part);
            let last: Vec<&UnitDay> = units
                .iter()
                .filter_map(|unit| flock.last_of(*unit))
                .collect();
            for age_d in ages_d {
                let members = units.iter().map(|unit| flock.member(*unit, *age_d, 0.0));
                let members: Option<Vec<Member>> = members.collect();
                let found = members.and_then(|members| ahead.forecast(&members, *age_d));
                self.rows.push(self.row(part, *age_d, found, &last));
            }
        }
    }

    fn row(
        &self,
        part: Part,
        age_d: f64,
        found: Option<(Forecast, Vec<(Predictor, f64)>)>,
        last: &[&UnitDay],
    ) -> ForecastRow {
        let target = self.targets[part.strain].as_ref();
        let target = target
            .ok_or(NoTarget::ForStrain)
            .and_then(|target| target_at(target, age_d));
        let (forecast, predictors) = match found {
            Some((forecast, predictors)) => (Some(forecast), predictors),
            None => (None, Vec::new()),
        };
        let last_d = last.iter().fold(0.0, |last: f64, day| day.age_d.max(last));
        let n = last.iter().map(|day| day.n).sum();
        let of_bird = forecast.and_then(|forecast| {
            let spread = between_birds(last)?;
            let error = forecast.prediction_error.powi(2) + spread;
            Some(Forecast {
                prediction_error: error.sqrt(),
                ..forecast
            })
        });
        let chance = |of: Option<Forecast>| chance_of(target.as_ref().ok()?, &of?);
        self.finished(ForecastRow {
            level: part.level,
            strain: Some(part.strain),
            house: part.house,
            pen: part.pen,
            bird: None,
            age_d: Some(age_d),
            n,
            interval_g: None,
            fan_g: None,
            chance: chance(forecast),
            birds_in_band: chance(of_bird),
            flags: if forecast.is_none() {
                vec![Flag::NotForeseen(last_d)]
            } else {
                Vec::new()
            },
            forecast,
            target,
            predictors,
        })
    }

    /// With intervals and what is to be said of its target.
    fn finished(&self, mut row: ForecastRow) -> ForecastRow {
        if let Some(forecast) = row.forecast {
            let interval = |level: f64| forecast.interval(t_two_sided_quantile(level, forecast.df));
            row.interval_g = Some(interval(self.options.confidence));
            row.fan_g = Some([interval(0.5), interval(0.8)]);
        }
        match &row.target {
            Ok(target) if !target.has_band() => row.flags.push(Flag::NoBand),
            Ok(_) => {}
            Err(reason) => row.flags.push(Flag::NoTarget(*reason)),
        }
        row
    }

    /// The whole flock, before its strains, where it has several: they differ independently.
    fn whole(&mut self) {
        let of_strains = self
            .rows
            .iter()
            .filter(|row| row.level == FlockLevel::Strain);
        let of_strains: Vec<ForecastRow> = of_strains.cloned().collect();
        let mut strains: Vec<Option<usize>> = of_strains.iter().map(|row| row.strain).collect();
        strains.dedup();
        if strains.len() < 2 {
            return;
        }
        let mut rows = Vec::new();
        let ages = of_strains.iter().filter(|row| row.strain == strains[0]);
        for age_d in ages.filter_map(|row| row.age_d) {
            let own = of_strains.iter().filter(|row| row.age_d == Some(age_d));
            rows.extend(self.of_strains(&own.collect::<Vec<_>>(), strains.len(), age_d));
        }
        self.rows.splice(0..0, rows);
    }

    fn of_strains(&self, own: &[&ForecastRow], strains: usize, age_d: f64) -> Option<ForecastRow> {
        let weights: Vec<f64> = own.iter().map(|row| self.birds(row)).collect();
        let total: f64 = weights.iter().sum();
        let (mut value, mut expected, mut weighed) = (0.0, 0.0, 0.0);
        let mut df = f64::INFINITY;
        let mut points: Vec<TargetPoint> = Vec::new();
        let mut predictors: Vec<(Predictor, f64)> = Vec::new();
        for (row, weight) in own.iter().zip(&weights) {
            let (forecast, share) = (row.forecast?, weight / total);
            value += share * forecast.value;
            expected += (share * forecast.value * forecast.standard_error).powi(2);
            weighed += (share * forecast.value * forecast.prediction_error).powi(2);
            df = df.min(forecast.df);
            points.extend(row.target.as_ref().ok());
            for (predictor, part) in &row.predictors {
                match predictors.iter_mut().find(|known| known.0 == *predictor) {
                    Some(known) => known.1 += share * part,
                    None => predictors.push((*predictor, share * part)),
                }
            }
        }
        let target = if own.len() == strains && points.len() == strains {
            Ok(mean_target(&points))
        } else {
            Err(NoTarget::ForStrain)
        };
        let forecast = Forecast {
            age_d,
            value,
            standard_error: expected.sqrt(),
            prediction_error: weighed.sqrt(),
            df,
            logarithmic: false,
        };
        (own.len() == strains).then(|| {
            self.finished(ForecastRow {
                level: FlockLevel::Flock,
                strain: None,
                house: None,
                pen: None,
                bird: None,
                age_d: Some(age_d),
                n: own.iter().map(|row| row.n).sum(),
                interval_g: None,
                fan_g: None,
                chance: target
                    .as_ref()
                    .ok()
                    .and_then(|target| chance_of(target, &forecast)),
                birds_in_band: None,
                flags: Vec::new(),
                forecast: Some(forecast),
                target,
                predictors,
            })
        })
    }

    /// Birds that a strain counts for: those kept, or else those weighed.
    fn birds(&self, row: &ForecastRow) -> f64 {
        let Some(strain) = row.strain else {
            return row.n as f64;
        };
        let units = units_of(self.known, self.of, Part::whole(strain));
        let kept = units
            .iter()
            .map(|unit| birds_kept(self.known, self.of, *unit));
        let kept: Option<f64> = kept.sum();
        let weighed = |unit: &usize| {
            let days = self.days.iter().filter(|day| day.unit == *unit);
            days.map(|day| day.n).next_back().unwrap_or(0)
        };
        kept.unwrap_or_else(|| units.iter().map(weighed).sum::<usize>() as f64)
    }
}

/// Variance between birds of their logarithms as last weighed, pens apart; none where no spread
/// is known.
fn between_birds(last: &[&UnitDay]) -> Option<f64> {
    let mut sum = 0.0;
    for day in last {
        sum += (day.spread?.variance_g2 / (day.mean_g * day.mean_g)).ln_1p();
    }
    (!last.is_empty()).then(|| sum / last.len() as f64)
}
