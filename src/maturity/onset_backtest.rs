//! How well would the forecasts of first eggs have come true?
//!
//! As of each week after the landmark, all that came later is hidden, the forecast made,
//! and set against what came: each waiting bird's first egg, and the share in lay one to
//! three weeks ahead.

use rayon::prelude::*;

use super::lay::LayRecords;
use super::lay_ahead::OnsetForecast;
use crate::stats::time_to_event::EventTime;
use crate::stats::{Interval, mean};

/// First eggs from which a forecast is tried.
const LEAST_LAID: usize = 10;
/// Birds still waiting for which one is tried.
const LEAST_WAITING: usize = 3;
/// Days ahead at which the share in lay is set against what came.
const HORIZONS_D: [f64; 3] = [7.0, 14.0, 21.0];

/// What a backtest is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// A bird's age at first egg, d.
    FirstEggAge,
    /// The share of a strain's birds in lay, percent.
    ShareInLay,
}

/// Errors of forecasts of one kind.
#[derive(Debug, Clone, PartialEq)]
pub struct Backtest {
    /// What was forecast.
    pub quantity: Quantity,
    /// Age of the forecast, d; none for all ages together.
    pub as_of_d: Option<f64>,
    /// Days ahead; none for first eggs.
    pub horizon_d: Option<f64>,
    /// Forecasts whose error is known.
    pub n: usize,
    /// Mean of forecast minus observed.
    pub bias: Option<f64>,
    /// Root mean square error.
    pub rmse: Option<f64>,
    /// Mean absolute error.
    pub mean_absolute: Option<f64>,
    /// Percent of intervals that held what came.
    pub coverage_pct: Option<f64>,
    /// Birds that had not laid when last seen: they have no error, and count in the
    /// coverage only where they were seen beyond the interval.
    pub not_laid: usize,
}

/// How the forecasts of first eggs would have come true.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Backtests {
    /// Their errors: a row an age, and of all together.
    pub rows: Vec<Backtest>,
    /// Each forecast of a bird whose first egg is known.
    pub eggs: Vec<FirstEggPrediction>,
}

/// A bird's first egg as it was forecast, and as it came.
#[derive(Debug, Clone, PartialEq)]
pub struct FirstEggPrediction {
    /// The bird's name.
    pub bird: String,
    /// Index into [`LayRecords::strains`].
    pub strain: usize,
    /// Age of the forecast, d.
    pub as_of_d: f64,
    /// Forecast median, d.
    pub median_d: f64,
    /// Prediction interval, d.
    pub interval_d: Interval,
    /// Age at first egg, d.
    pub egg_d: f64,
}

/// One forecast against what came: its error, where known, and whether the interval held it.
#[derive(Debug, Clone, Copy)]
struct Hit {
    error: Option<f64>,
    held: Option<bool>,
}

/// Backtests as of each of these ages ([`backtest_ages_d`]), and of all together.
///
/// `forecast`: what would have been forecast as of an age from what was known then. Ages at
/// which it has no answer (too few first eggs yet) are left out.
#[must_use]
pub fn backtest(
    ages_d: &[f64],
    forecast: &(dyn Fn(f64) -> Option<OnsetForecast> + Sync),
) -> Backtests {
    let mut rows = Vec::new();
    let mut predictions = Vec::new();
    let mut eggs: Vec<Hit> = Vec::new();
    let mut shares: Vec<Vec<Hit>> = vec![Vec::new(); HORIZONS_D.len()];
    let forecasts: Vec<Option<OnsetForecast>> = ages_d
        .par_iter()
        .map(|as_of_d| forecast(*as_of_d))
        .collect();
    for forecast in forecasts.into_iter().flatten() {
        let of_week = egg_hits(&forecast);
        let as_of_d = Some(forecast.as_of_d);
        rows.push(summed(Quantity::FirstEggAge, as_of_d, None, &of_week));
        eggs.extend(of_week);
        predictions.extend(first_egg_predictions(&forecast));
        for (hits, horizon_d) in shares.iter_mut().zip(HORIZONS_D) {
            hits.extend(share_hits(&forecast, horizon_d));
        }
    }
    if !eggs.is_empty() {
        rows.push(summed(Quantity::FirstEggAge, None, None, &eggs));
        for (hits, horizon_d) in shares.iter().zip(HORIZONS_D) {
            rows.push(summed(Quantity::ShareInLay, None, Some(horizon_d), hits));
        }
    }
    Backtests {
        rows,
        eggs: predictions,
    }
}

/// The backtest of one forecast.
#[must_use]
pub fn backtest_of(forecast: &OnsetForecast) -> Backtests {
    let as_of_d = Some(forecast.as_of_d);
    let mut rows = vec![summed(
        Quantity::FirstEggAge,
        as_of_d,
        None,
        &egg_hits(forecast),
    )];
    rows.extend(HORIZONS_D.map(|horizon_d| {
        let hits = share_hits(forecast, horizon_d);
        summed(Quantity::ShareInLay, as_of_d, Some(horizon_d), &hits)
    }));
    rows.retain(|row| row.n + row.not_laid > 0);
    Backtests {
        rows,
        eggs: first_egg_predictions(forecast),
    }
}

/// Ages of a backtest, a week apart from the landmark on, with enough first eggs behind them
/// and birds before them.
#[must_use]
pub fn backtest_ages_d(at_landmark: &LayRecords) -> Vec<f64> {
    let last = at_landmark
        .birds
        .iter()
        .map(|bird| bird.first_egg.range().0);
    let last = last.fold(0.0, f64::max);
    let mut weeks = Vec::new();
    let mut age_d = at_landmark.counted_from_d + 7.0;
    while age_d < at_landmark.counted_from_d + last {
        let known = at_landmark.as_of(age_d);
        let hidden = at_landmark.laid() - known.laid();
        if known.laid() >= LEAST_LAID && hidden >= LEAST_WAITING {
            weeks.push(age_d);
        }
        age_d += 7.0;
    }
    weeks
}

fn first_egg_predictions(forecast: &OnsetForecast) -> Vec<FirstEggPrediction> {
    let eggs = forecast.birds.iter().filter_map(|bird| match bird.came {
        Some(EventTime::Exact(egg_d)) => Some(FirstEggPrediction {
            bird: bird.bird.clone(),
            strain: bird.strain,
            as_of_d: forecast.as_of_d,
            median_d: bird.median_d?,
            interval_d: bird.interval_d,
            egg_d,
        }),
        _ => None,
    });
    eggs.collect()
}

fn egg_hits(forecast: &OnsetForecast) -> Vec<Hit> {
    let hits = forecast.birds.iter().filter_map(|bird| match bird.came? {
        EventTime::Exact(egg_d) => Some(Hit {
            error: bird.median_d.map(|median_d| median_d - egg_d),
            held: Some(bird.interval_d.contains(egg_d)),
        }),
        EventTime::After(seen_d) => Some(Hit {
            error: None,
            held: (seen_d > bird.interval_d.upper).then_some(false),
        }),
        EventTime::Before(_) | EventTime::Between(..) => None,
    });
    hits.collect()
}

/// Strains only: all birds together would count each twice.
fn share_hits(forecast: &OnsetForecast, horizon_d: f64) -> Vec<Hit> {
    let strains = forecast
        .curves
        .iter()
        .filter(|curve| curve.strain.is_some() || forecast.curves.len() == 1);
    let hits = strains.filter_map(|curve| {
        let age_d = forecast.as_of_d + horizon_d;
        let mut points = curve.points.iter();
        let point = points.find(|point| (point.age_d - age_d).abs() < 1e-9)?;
        let came = point.came?;
        Some(Hit {
            error: Some(100.0 * (point.share - came)),
            held: Some(point.interval.contains(came)),
        })
    });
    hits.collect()
}

fn summed(
    quantity: Quantity,
    as_of_d: Option<f64>,
    horizon_d: Option<f64>,
    hits: &[Hit],
) -> Backtest {
    let errors: Vec<f64> = hits.iter().filter_map(|hit| hit.error).collect();
    let held: Vec<f64> = hits
        .iter()
        .filter_map(|hit| hit.held.map(|held| f64::from(u8::from(held))))
        .collect();
    let some = |values: &[f64]| (!values.is_empty()).then(|| mean(values));
    let squares: Vec<f64> = errors.iter().map(|error| error * error).collect();
    let sizes: Vec<f64> = errors.iter().map(|error| error.abs()).collect();
    Backtest {
        quantity,
        as_of_d,
        horizon_d,
        n: errors.len(),
        bias: some(&errors),
        rmse: some(&squares).map(f64::sqrt),
        mean_absolute: some(&sizes),
        coverage_pct: some(&held).map(|share| 100.0 * share),
        not_laid: hits.iter().filter(|hit| hit.error.is_none()).count(),
    }
}
