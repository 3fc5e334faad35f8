//! Fat, lean and bone to come: the allometry of the trait at the forecast body weight.
//!
//! With m the mass, W the body weight and f the allometry of the bird (the bird's effect and the
//! coefficients of its group), ln m = f(ln W, t) + residual. To first order
//!
//! ```text
//! var(ln m) = f'^2 var(ln W) + g' C g,   new scan: + residual variance + own error
//! ```
//!
//! C is the covariance of the bird's coefficients, g their gradient. In a mean over birds the
//! error of the mean weight and that of the group's coefficients are common, the birds' own
//! effects and residuals average out. The weight's error and that of the coefficients come
//! from separate data and are taken as independent.

use std::collections::BTreeMap;

use nalgebra::DVector;

use crate::error::Result;
use crate::fit::mixed::Forecast;
use crate::flock::deviation::{FlockLevel, NoTarget, target_at};
use crate::flock::forecast_rows::{
    Flag, ForecastOptions, ForecastRow, TraitForecast, chance_of, groups_of, mean_target,
    still_there,
};
use crate::flock::predictors::Predictor;
use crate::flock::target::{TargetCurve, TargetPoint, trajectories};
use crate::stats::distribution::t_two_sided_quantile;
use crate::study::{Records, Study};
use crate::trajectory::allometric::AllometricFit;

/// Greatest mean distance of weight curves from the last weighings at which masses are
/// forecast: that of a weighing from its bird's curve is about 2 % (the demo's; no source).
const GREATEST_MISS: f64 = 0.02;
/// Step of a difference in log weight: f'' errs by its square.
const STEP: f64 = 1e-4;

/// Log mass of a bird at its forecast weight.
struct LogMass {
    group: usize,
    location: f64,
    /// Derivative by log weight.
    slope: f64,
    /// Relative standard error of the forecast weight.
    weight_error: f64,
    /// Variance from the bird's coefficients, and what of it the group's give.
    of_coefficients: f64,
    shared: f64,
    /// Gradient in the group's terms.
    gradient: Vec<f64>,
    df: f64,
}

struct Ahead<'a> {
    known: &'a Study,
    fit: &'a AllometricFit,
    targets: Vec<Option<TargetCurve>>,
    /// Residual variance of a new scan, its measurement error included.
    residual: f64,
    birds: BTreeMap<(usize, u64), LogMass>,
    confidence: f64,
    quantiles: BTreeMap<u64, [f64; 3]>,
}

/// Forecasts of a trait that follows body weight, from those of body weight.
pub(super) fn of_trait(
    known: &Study,
    trait_index: usize,
    fit: &AllometricFit,
    weight: Option<&TraitForecast>,
    options: &ForecastOptions,
) -> Result<TraitForecast> {
    let records = &known.traits[trait_index];
    let mut one = TraitForecast {
        unnamed: false,
        trait_index,
        population: Err("it follows body weight, whose courses are watched".to_owned()),
        predictors: Vec::new(),
        timing_sd_d: None,
        reason: None,
        rows: Vec::new(),
    };
    let Some(weight) = weight.filter(|weight| !weight.predictors.is_empty()) else {
        let why = weight.and_then(|weight| weight.reason.as_deref());
        one.reason = Some(format!(
            "it follows body weight, which has no forecast: {}",
            why.unwrap_or("no bird was weighed")
        ));
        return Ok(one);
    };
    if let Some(miss) = miss_of_last_weights(known, fit).filter(|miss| *miss > GREATEST_MISS) {
        one.reason = Some(format!(
            "it follows the birds' curves of body weight, which miss their last weighings by {:.1} % on average: no curve describes the growth so far, as in the middle of the pre-lay growth spurt",
            100.0 * miss
        ));
        return Ok(one);
    }
    let targets = trajectories(known, &records.name)?;
    let mut ahead = Ahead {
        known,
        fit,
        targets: targets.unwrap_or_else(|| vec![None; known.strains.len()]),
        residual: fit.residual_sd.value.powi(2) + own_error(records),
        birds: BTreeMap::new(),
        confidence: options.confidence,
        quantiles: BTreeMap::new(),
    };
    let places: BTreeMap<usize, usize> = fit.weight_cohort.birds.iter().copied().zip(0..).collect();
    for row in &weight.rows {
        if let (FlockLevel::Bird, Some(bird), Some(age_d), Some(forecast)) =
            (row.level, row.bird, row.age_d, row.forecast)
            && let Some(place) = places.get(&bird)
            && let Some(mass) = log_mass(fit, *place, age_d, &forecast)
        {
            ahead.birds.insert((bird, age_d.to_bits()), mass);
        }
    }
    let there = still_there(known, options.as_of_d);
    let birds: Vec<usize> = (0..known.birds.len()).filter(|bird| there[*bird]).collect();
    let members: BTreeMap<_, Vec<usize>> = groups_of(known, &birds)
        .into_iter()
        .map(|(_, place, birds)| (place, birds))
        .collect();
    for row in &weight.rows {
        let made = match row.level {
            FlockLevel::Bird => ahead.bird(row, records),
            FlockLevel::Flock | FlockLevel::Strain | FlockLevel::House | FlockLevel::Pen => members
                .get(&(row.strain, row.pen))
                .and_then(|birds| ahead.group(row, birds)),
        };
        one.rows.extend(made);
    }
    if one.rows.iter().any(|row| row.forecast.is_some()) {
        one.predictors.push((Predictor::Allometry, 1.0));
    } else {
        one.reason = Some("no bird has a forecast of body weight".to_owned());
    }
    Ok(one)
}

/// How far the birds' curves of body weight are from their last weighings, as a share: the
/// mean over the birds with an allometric curve, whatever its sign. An allometry takes up in
/// its terms what its weight curve misses, and carries it on.
fn miss_of_last_weights(known: &Study, fit: &AllometricFit) -> Option<f64> {
    let weights = &known.traits[known.main_trait()?];
    let curve = fit.curve.weight();
    let of_birds = fit.weight_cohort.birds.iter().zip(&fit.birds);
    let misses = of_birds.filter_map(|(bird, curves)| {
        let (ages_d, values) = weights.of(*bird);
        let (age_d, weighed) = (ages_d.last()?, values.last()?);
        let terms = &curves.as_ref()?.terms[..fit.curve.weight_terms()];
        Some((weighed / curve.value(*age_d, terms)).ln())
    });
    let misses: Vec<f64> = misses.filter(|miss| miss.is_finite()).collect();
    (!misses.is_empty()).then(|| crate::stats::mean(&misses).abs())
}

/// The usual variance of the own errors of the logarithms of masses.
fn own_error(records: &Records) -> f64 {
    let own = records.variances.iter().zip(&records.values);
    let mut relative: Vec<f64> = own
        .map(|(variance, value)| variance / (value * value))
        .filter(|relative| relative.is_finite())
        .collect();
    relative.sort_by(f64::total_cmp);
    relative.get(relative.len() / 2).copied().unwrap_or(0.0)
}

fn log_mass(fit: &AllometricFit, place: usize, age_d: f64, weight: &Forecast) -> Option<LogMass> {
    let bird = fit.birds.get(place)?.as_ref()?;
    let allometry = fit.allometry();
    let (own, k) = (fit.curve.weight_terms(), allometry.len());
    let p = own + k;
    let u = allometry.log_ratio(weight.value);
    let gradient_at = |terms: &[f64]| {
        let mut gradient = vec![0.0; k];
        let location = allometry.log_mass(u, age_d, &terms[own..], &mut gradient);
        // The first coefficient stands as a mass, not as its logarithm.
        gradient[0] /= terms[own];
        (location, gradient)
    };
    let (location, gradient) = gradient_at(&bird.terms);
    let mut scratch = vec![0.0; k];
    let mut at = |u: f64| allometry.log_mass(u, age_d, &bird.terms[own..], &mut scratch);
    let slope = (at(u + STEP) - at(u - STEP)) / (2.0 * STEP);
    let quadratic = |gradient: &[f64], covariance: &[f64]| {
        let mut sum = 0.0;
        for i in 0..k {
            for j in 0..k {
                sum += gradient[i] * covariance[(own + i) * p + own + j] * gradient[j];
            }
        }
        sum.max(0.0)
    };
    let of_coefficients = quadratic(&gradient, &bird.covariance);
    let (_, gradient) = gradient_at(fit.group_terms.get(bird.group)?.as_ref()?);
    let shared = quadratic(&gradient, &fit.group_covariance(bird.group));
    let unit = if weight.logarithmic {
        1.0
    } else {
        weight.value
    };
    let df = (fit.df as f64).min(weight.df);
    Some(LogMass {
        group: bird.group,
        location,
        slope,
        weight_error: weight.standard_error / unit,
        of_coefficients,
        shared,
        gradient,
        df,
    })
    .filter(|mass| mass.location.is_finite() && mass.of_coefficients.is_finite())
}

/// A forecast whose interval reaches beyond this many times its value is not determined (our
/// choice, no source).
const MOST_TIMES: f64 = 10.0;

impl Ahead<'_> {
    fn quantiles(&mut self, df: f64) -> [f64; 3] {
        let levels = [self.confidence, 0.5, 0.8];
        *self
            .quantiles
            .entry(df.to_bits())
            .or_insert_with(|| levels.map(|level| t_two_sided_quantile(level, df)))
    }

    fn target(&self, bird: usize, age_d: f64) -> std::result::Result<TargetPoint, NoTarget> {
        let strain = self.known.birds[bird].strain;
        let trajectory = self.targets[strain].as_ref().ok_or(NoTarget::ForStrain)?;
        target_at(trajectory, age_d)
    }

    fn bird(&mut self, weight: &ForecastRow, records: &Records) -> Option<ForecastRow> {
        let (bird, age_d) = (weight.bird?, weight.age_d?);
        let mass = self.birds.get(&(bird, age_d.to_bits()))?;
        let variance = (mass.slope * mass.weight_error).powi(2) + mass.of_coefficients;
        let forecast = Forecast {
            age_d,
            value: mass.location.exp(),
            standard_error: variance.sqrt(),
            prediction_error: (variance + self.residual).sqrt(),
            df: mass.df,
            logarithmic: true,
        };
        let target = self.target(bird, age_d);
        let n = records.of(bird).0.len();
        self.row(weight, n, forecast, target)
    }

    fn group(&mut self, weight: &ForecastRow, birds: &[usize]) -> Option<ForecastRow> {
        let age_d = weight.age_d?;
        let forecast = weight.forecast?;
        let unit = if forecast.logarithmic {
            1.0
        } else {
            forecast.value
        };
        let common_error = forecast.standard_error / unit;
        let p = self.fit.curve.weight_terms() + self.fit.allometry().len();
        let mut coefficients = DVector::zeros(self.fit.joint_covariance.nrows());
        let (mut sum, mut sloped, mut own, mut residual) = (0.0, 0.0, 0.0, 0.0);
        let (mut members, mut df) = (Vec::new(), f64::INFINITY);
        for bird in birds {
            let Some(mass) = self.birds.get(&(*bird, age_d.to_bits())) else {
                continue;
            };
            let effects = (mass.of_coefficients - mass.shared).max(0.0);
            let of_weight = (mass.weight_error.powi(2) - common_error.powi(2)).max(0.0);
            let spread = effects + self.residual + mass.slope.powi(2) * of_weight;
            // The mean of log-normal masses is above their median.
            let expected = (mass.location + 0.5 * spread).exp();
            sum += expected;
            sloped += expected * mass.slope;
            own += expected * expected * effects;
            residual += expected * expected * self.residual;
            let first = mass.group * p + self.fit.curve.weight_terms();
            for (at, gradient) in mass.gradient.iter().enumerate() {
                coefficients[first + at] += expected * gradient;
            }
            members.push(*bird);
            df = df.min(mass.df);
        }
        if members.is_empty() {
            return None;
        }
        let of_coefficients = coefficients.dot(&(&self.fit.joint_covariance * &coefficients));
        let variance = (sloped * common_error).powi(2) + of_coefficients.max(0.0) + own;
        let n = members.len() as f64;
        let forecast = Forecast {
            age_d,
            value: sum / n,
            standard_error: variance.sqrt() / n,
            prediction_error: (variance + residual).sqrt() / n,
            df,
            logarithmic: false,
        };
        let targets = members.iter().map(|bird| self.target(*bird, age_d));
        let target = targets
            .collect::<std::result::Result<Vec<_>, _>>()
            .map(|points| mean_target(&points));
        let [_, half, most] = self.quantiles(df);
        let mut row = self.row(weight, members.len(), forecast, target)?;
        row.fan_g = Some([half, most].map(|quantile| forecast.interval(quantile)));
        Some(row)
    }

    /// `None` where the interval reaches beyond [`MOST_TIMES`] the forecast: it is then of no use.
    fn row(
        &mut self,
        weight: &ForecastRow,
        n: usize,
        forecast: Forecast,
        target: std::result::Result<TargetPoint, NoTarget>,
    ) -> Option<ForecastRow> {
        let interval_g = forecast.interval(self.quantiles(forecast.df)[0]);
        if interval_g.1 > MOST_TIMES * forecast.value {
            return None;
        }
        let chance = target.as_ref().ok();
        let chance = chance.and_then(|target| chance_of(target, &forecast));
        let flags = match &target {
            Ok(target) if !target.has_band() => vec![Flag::NoBand],
            Ok(_) => Vec::new(),
            Err(reason) => vec![Flag::NoTarget(*reason)],
        };
        Some(ForecastRow {
            house: None,
            level: weight.level,
            strain: weight.strain,
            pen: weight.pen,
            bird: weight.bird,
            age_d: weight.age_d,
            n,
            interval_g: Some(interval_g),
            fan_g: None,
            forecast: Some(forecast),
            target,
            chance,
            birds_in_band: None,
            predictors: vec![(Predictor::Allometry, 1.0)],
            flags,
        })
    }
}
