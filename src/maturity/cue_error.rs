//! How reliable is a cue, and what does its measurement error do to a slope?
//!
//! A cue read off a fitted curve, W = X + U, carries the curve's error U. A slope on W
//! comes out as lambda times the slope on X, lambda = var(X) / (var(X) + var(U)): the
//! reliability. Regression calibration puts E(X | W) in place of W,
//!
//! X* = m + S (S + V)^-1 (W - m),
//!
//! m the mean of the bird's strain, S the covariance of the true cues within strains
//! (that of W minus the mean of V), V the bird's own error variances. Errors of different
//! cues are taken as independent; where several cues come from one curve they are not, and
//! S may then come out as no covariance at all, which is reported instead of a number.
//!
//! # Source
//! Carroll RJ, Ruppert D, Stefanski LA, Crainiceanu CM 2006, Measurement Error in
//! Nonlinear Models, 2nd ed., 3.2 (attenuation) and ch. 4 (regression calibration)
//! (from memory). For a time to event it is an approximation, good where the slope times
//! the error is small.

use nalgebra::{DMatrix, DVector};

use super::lay::{LayRecords, within_strain_sd};
use crate::stats::mean;

/// Below this reliability a calibration would mostly replace the cue by its mean.
const LEAST_RELIABILITY: f64 = 0.2;

/// How reliable a cue is among the birds of the models.
#[derive(Debug, Clone, PartialEq)]
pub struct Reliability {
    /// The cue.
    pub cue: String,
    /// Birds that have it, of all.
    pub known: usize,
    /// Birds in the models.
    pub n: usize,
    /// Mean over the birds in the models.
    pub mean: Option<f64>,
    /// Standard deviation within strains.
    pub sd: Option<f64>,
    /// Root mean square of the birds' standard errors; none where they are not known.
    pub std_error: Option<f64>,
    /// Share of the variance within strains that is not error; none where errors are not known.
    pub reliability: Option<f64>,
}

/// Reliability of each cue among the birds in `rows`.
pub(super) fn reliabilities(records: &LayRecords, rows: &[usize]) -> Vec<Reliability> {
    let strains: Vec<usize> = rows.iter().map(|row| records.birds[*row].strain).collect();
    let of_cue = |cue: usize| {
        let column = &records.cues[cue];
        let readings: Vec<_> = rows
            .iter()
            .filter_map(|row| column.readings[*row])
            .collect();
        let values: Vec<f64> = readings.iter().map(|reading| reading.value).collect();
        let errors: Option<Vec<f64>> = readings
            .iter()
            .map(|reading| reading.std_error.map(|error| error * error))
            .collect();
        let sd = within_strain_sd(&values, &strains).filter(|sd| *sd > 0.0);
        let error = errors.filter(|e| !e.is_empty()).map(|errors| mean(&errors));
        Reliability {
            cue: column.name.clone(),
            known: column.readings.iter().flatten().count(),
            n: rows.len(),
            mean: (!values.is_empty()).then(|| mean(&values)),
            sd,
            std_error: error.map(f64::sqrt),
            reliability: sd
                .zip(error)
                .map(|(sd, error)| (1.0 - error / (sd * sd)).max(0.0)),
        }
    };
    (0..records.cues.len()).map(of_cue).collect()
}

/// The best linear prediction of the true values of the cues in `places`, one column each.
///
/// Fails, in words, where a cue has no standard errors or is too unreliable.
pub(super) fn calibrated(
    records: &LayRecords,
    rows: &[usize],
    places: &[usize],
) -> Result<Vec<Vec<f64>>, String> {
    let all = reliabilities(records, rows);
    for reliability in places.iter().map(|place| &all[*place]) {
        let name = &reliability.cue;
        match reliability.reliability {
            None => {
                return Err(format!(
                    "{name}: the standard errors of its values are not known"
                ));
            }
            Some(share) if share < LEAST_RELIABILITY => {
                return Err(format!(
                    "{name}: only {:.0} % of its spread within strains is not error",
                    100.0 * share
                ));
            }
            Some(_) => {}
        }
    }
    let p = places.len();
    let reading = |cue: usize, row: usize| records.cues[places[cue]].readings[row];
    let value = |cue: usize, row: usize| reading(cue, row).map_or(0.0, |r| r.value);
    let variance = |cue: usize, row: usize| {
        let error = reading(cue, row).and_then(|r| r.std_error).unwrap_or(0.0);
        error * error
    };
    let means = |strain: usize| {
        let own: Vec<usize> = rows
            .iter()
            .copied()
            .filter(|row| records.birds[*row].strain == strain)
            .collect();
        DVector::from_fn(p, |cue, _| {
            mean(&own.iter().map(|row| value(cue, *row)).collect::<Vec<_>>())
        })
    };
    let means: Vec<DVector<f64>> = (0..records.strains.len()).map(means).collect();
    let centred = |row: usize| {
        DVector::from_fn(p, |cue, _| {
            value(cue, row) - means[records.birds[row].strain][cue]
        })
    };
    let strains = records.strains.len().min(rows.len().saturating_sub(1));
    let df = (rows.len() - strains) as f64;
    let mut spread = DMatrix::zeros(p, p);
    for row in rows {
        let off = centred(*row);
        spread.ger(1.0 / df, &off, &off, 1.0);
        for cue in 0..p {
            spread[(cue, cue)] -= variance(cue, *row) / rows.len() as f64;
        }
    }
    let not_positive = || {
        "the cues' errors leave no spread in some direction: calibrate fewer cues together (--cues)"
            .to_owned()
    };
    // The spread of the true cues must be one that cues can have.
    spread.clone().cholesky().ok_or_else(not_positive)?;
    let mut columns = vec![Vec::with_capacity(rows.len()); p];
    for row in rows {
        let mut whole = spread.clone();
        for cue in 0..p {
            whole[(cue, cue)] += variance(cue, *row);
        }
        let solved = whole
            .cholesky()
            .ok_or_else(not_positive)?
            .solve(&centred(*row));
        let predicted = &means[records.birds[*row].strain] + &spread * solved;
        for (column, value) in columns.iter_mut().zip(predicted.iter()) {
            column.push(*value);
        }
    }
    Ok(columns)
}
