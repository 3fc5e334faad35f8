//! Forecasts of birds and of means of birds from the model relative to the target.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use nalgebra::{DMatrix, DVector};

use super::RelativeModel;
use super::series::{Pattern, StrainSeries};
use crate::fit::mixed::Forecast;

/// What is to be expected of some birds at later ages.
///
/// As [`crate::fit::mixed::Forecasts`]: a bird's own error and that of its strain are kept
/// apart, so that a mean over birds has the error of both.
#[derive(Debug, Clone)]
pub struct RelativeForecasts {
    df: f64,
    weighing: f64,
    /// Covariance of each strain's path.
    covariances: Vec<DMatrix<f64>>,
    slopes: Vec<Slope>,
    /// First row of each bird, and the end.
    starts: Vec<usize>,
    rows: Vec<Option<Row>>,
    ages_d: Vec<f64>,
}

/// How the forecasts of birds of one pattern move with the path of their strain.
#[derive(Debug, Clone)]
struct Slope {
    path: usize,
    slope: DVector<f64>,
    /// Variance that the path's error gives, and the bird's own.
    shared: f64,
    own: f64,
}

#[derive(Debug, Clone, Copy)]
struct Row {
    slope: usize,
    /// Natural logarithm of the median weight, g.
    location: f64,
}

/// Where a bird stands in the model.
struct Place<'a> {
    strain: usize,
    /// Place of its pattern in the strain's.
    at: usize,
    pattern: &'a Pattern,
    member: usize,
}

pub(super) fn forecast<'w>(
    model: &RelativeModel,
    birds: &[usize],
    ages_d: impl Fn(usize) -> &'w [f64],
) -> RelativeForecasts {
    let places = places(model);
    let mut paths: BTreeMap<usize, usize> = BTreeMap::new();
    let mut forecasts = RelativeForecasts {
        df: model.variances.df as f64,
        weighing: model.variances.weighing(),
        covariances: Vec::new(),
        slopes: Vec::new(),
        starts: vec![0],
        rows: Vec::new(),
        ages_d: Vec::new(),
    };
    // Days ahead of each strain, to the day: paths of thousands of ages would cost their cube.
    let mut days: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    for (at, bird) in birds.iter().enumerate() {
        if let Some(place) = places.get(bird) {
            let own = ages_d(at).iter().map(|age_d| age_d.round());
            days.entry(place.strain).or_default().extend(own);
        }
    }
    let mut means = Vec::new();
    for (strain, days) in &mut days {
        days.sort_by(f64::total_cmp);
        days.dedup();
        let series = model.strains[*strain].as_ref();
        let path = series.and_then(|series| model.paths.path(*strain, series, days));
        if let Some(path) = path {
            paths.insert(*strain, forecasts.covariances.len());
            forecasts.covariances.push(path.covariance);
            means.push(path.mean);
        }
    }
    let mut slopes: BTreeMap<(usize, usize, usize), (usize, DVector<f64>)> = BTreeMap::new();
    for (at, bird) in birds.iter().enumerate() {
        for age_d in ages_d(at) {
            let row = places.get(bird).and_then(|place| {
                let series = model.strains[place.strain].as_ref()?;
                let path = *paths.get(&place.strain)?;
                let days = days.get(&place.strain)?;
                let day = days
                    .binary_search_by(|known| known.total_cmp(&age_d.round()))
                    .ok()?;
                let key = (place.strain, place.at, day);
                let (slope, gain) = match slopes.entry(key) {
                    Entry::Occupied(known) => known.into_mut(),
                    Entry::Vacant(new) => {
                        let ahead = (path, day, &days[..]);
                        let (slope, gain) = slope(model, series, place.pattern, ahead, &forecasts)?;
                        forecasts.slopes.push(slope);
                        new.insert((forecasts.slopes.len() - 1, gain))
                    }
                };
                let mean = &means[path];
                let own = place.pattern.of_bird(place.member);
                let mut location = series.log_target(*age_d)? + mean[series.ages_d.len() + day];
                for (i, y) in own.iter().enumerate() {
                    location += gain[i] * (y - mean[place.pattern.at[i]]);
                }
                location.is_finite().then_some(Row {
                    slope: *slope,
                    location,
                })
            });
            forecasts.rows.push(row);
            forecasts.ages_d.push(*age_d);
        }
        forecasts.starts.push(forecasts.rows.len());
    }
    forecasts
}

/// Where each bird of the model stands.
fn places(model: &RelativeModel) -> BTreeMap<usize, Place<'_>> {
    let mut places = BTreeMap::new();
    for (strain, series) in model.strains.iter().enumerate() {
        let patterns = series.iter().flat_map(|series| &series.patterns);
        for (at, pattern) in patterns.enumerate() {
            for (member, bird) in pattern.birds.iter().enumerate() {
                let place = Place {
                    strain,
                    at,
                    pattern,
                    member,
                };
                places.insert(*bird, place);
            }
        }
    }
    places
}

/// How a forecast `day` of `days` ahead moves with the path and, returned beside it, with the
/// bird's own deviations.
fn slope(
    model: &RelativeModel,
    series: &StrainSeries,
    pattern: &Pattern,
    (path, day, days): (usize, usize, &[f64]),
    forecasts: &RelativeForecasts,
) -> Option<(Slope, DVector<f64>)> {
    let seen_d: Vec<f64> = pattern.at.iter().map(|at| series.ages_d[*at]).collect();
    let (seen, seen_timing) = (series.days(&seen_d), series.timing(&seen_d));
    let (then, then_timing) = (
        series.days(&days[day..=day]),
        series.timing(&days[day..=day]),
    );
    let variances = &model.variances;
    let between = variances.covariance((&seen, &seen_timing), (&then, &then_timing));
    let alone = variances.covariance((&then, &then_timing), (&then, &then_timing));
    let cholesky = variances.of_pattern(&seen, &seen_timing).cholesky()?;
    let gain = cholesky.solve(&between);
    let own = (alone[(0, 0)] - gain.dot(&between)).max(0.0);
    let covariance = &forecasts.covariances[path];
    let mut slope = DVector::zeros(covariance.nrows());
    slope[series.ages_d.len() + day] = 1.0;
    for (i, at) in pattern.at.iter().enumerate() {
        slope[*at] -= gain[(i, 0)];
    }
    let shared = slope.dot(&(covariance * &slope)).max(0.0);
    let gain = gain.column(0).into_owned();
    Some((
        Slope {
            path,
            slope,
            shared,
            own,
        },
        gain,
    ))
}

impl RelativeForecasts {
    /// Birds of the forecast.
    #[must_use]
    pub fn len(&self) -> usize {
        self.starts.len() - 1
    }

    /// Whether no bird is forecast.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    fn row(&self, bird: usize, at: usize) -> Option<(Row, f64)> {
        let row = self.starts[bird] + at;
        Some((self.rows[row]?, self.ages_d[row]))
    }

    /// The forecast for a bird, by its place among those of the forecast, at the `at`-th age.
    ///
    /// # Panics
    /// Where there is no such bird or age.
    #[must_use]
    pub fn of(&self, bird: usize, at: usize) -> Option<Forecast> {
        let (row, age_d) = self.row(bird, at)?;
        let slope = &self.slopes[row.slope];
        let variance = slope.shared + slope.own;
        Some(Forecast {
            age_d,
            value: row.location.exp(),
            standard_error: variance.sqrt(),
            prediction_error: (variance + self.weighing).sqrt(),
            df: self.df,
            logarithmic: true,
        })
    }

    /// The forecast for the mean of some birds, each at one of its ages; `None` where one of
    /// them has none. The birds' own errors average out, that of their strain does not.
    ///
    /// # Panics
    /// Where there is no such bird or age.
    #[must_use]
    pub fn mean_of(&self, members: &[(usize, usize)]) -> Option<Forecast> {
        let (mut value, mut own, mut residual, mut sum_d) = (0.0, 0.0, 0.0, 0.0);
        let mut moves: BTreeMap<usize, DVector<f64>> = BTreeMap::new();
        for (bird, at) in members {
            let (row, age_d) = self.row(*bird, *at)?;
            let slope = &self.slopes[row.slope];
            // The mean of log-normal values is above their median.
            let expected = (row.location + 0.5 * (slope.own + self.weighing)).exp();
            value += expected;
            sum_d += age_d;
            own += expected * expected * slope.own;
            residual += expected * expected * self.weighing;
            moves
                .entry(slope.path)
                .or_insert_with(|| DVector::zeros(slope.slope.len()))
                .axpy(expected, &slope.slope, 1.0);
        }
        let shared: f64 = moves
            .iter()
            .map(|(path, moves)| moves.dot(&(&self.covariances[*path] * moves)))
            .sum();
        let n = members.len() as f64;
        let variance = (own + shared.max(0.0)) / (n * n);
        let forecast = Forecast {
            age_d: sum_d / n,
            value: value / n,
            standard_error: variance.sqrt(),
            prediction_error: (variance + residual / (n * n)).sqrt(),
            df: self.df,
            logarithmic: false,
        };
        (forecast.value.is_finite() && forecast.prediction_error.is_finite()).then_some(forecast)
    }
}
