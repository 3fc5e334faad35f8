//! Corrected masses as curves take them: by bird, or by strain.
//!
//! A scan of several birds is a mean over them. A strain's curve may use it with
//! their number as weight; a bird's curve may not.

use nalgebra::DMatrix;

use super::correction::Corrections;
use crate::error::{Error, Result};
use crate::study::{EggValue, GroupMean, Records, Study};

/// Corrected values of one bird or strain, by age.
///
/// # Shapes
/// All columns have one entry a value.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Series {
    /// Index of the bird or the strain.
    pub subject: usize,
    /// Ages in days, ascending.
    pub ages_d: Vec<f64>,
    /// Corrected values, g; repeats of one bird at one age are averaged.
    pub values_g: Vec<f64>,
    /// Each value's own error variance, g^2; the shared part is not in it.
    pub own_variances: Vec<f64>,
    /// Birds behind each value.
    pub weights: Vec<f64>,
    /// Row of the scans table behind each value, of repeats the first.
    pub rows: Vec<u32>,
    /// How each value depends on what all share: rows of
    /// [`Corrections::shared_root`], of repeats the mean, so that the shared covariance
    /// of two values is their product; empty where the equation's covariance is not known.
    pub shared: Vec<Vec<f64>>,
}

/// Series of each bird, from its scans alone; and the scans of several birds that
/// were left out, by name.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) where all scans are of several birds.
pub fn of_birds(study: &Study, corrections: &Corrections) -> Result<(Vec<Series>, Vec<String>)> {
    let mut single: Vec<(usize, usize)> = Vec::new();
    let mut groups = Vec::new();
    for (row, corrected) in corrections.rows.iter().enumerate() {
        match study.scans.rows[corrected.index].birds.as_slice() {
            [bird] => single.push((*bird, row)),
            _ => groups.push(corrected.scan.clone()),
        }
    }
    if single.is_empty() && !groups.is_empty() {
        return Err(Error::input(format!(
            "{}: found scans of several birds only, expected scans of single birds for curves of birds; fit by strain",
            study.scans.file
        )));
    }
    Ok((
        series(corrections, &corrected_values(corrections), single),
        groups,
    ))
}

/// Corrected values as a trait of the study, beside its weighings: `values` in the
/// place of the corrected ones, in the order of the rows, such as redrawn ones.
///
/// Scans of several birds are its groups; those of several strains are left out.
#[must_use]
pub fn records(study: &Study, corrections: &Corrections, values: &[f64]) -> Records {
    let birds_of = |row: usize| {
        study.scans.rows[corrections.rows[row].index]
            .birds
            .as_slice()
    };
    let subject = |row: usize| Some((*birds_of(row).first()?, row));
    let rows = |single: bool| {
        (0..corrections.rows.len())
            .filter(|row| (birds_of(*row).len() == 1) == single)
            .filter_map(subject)
            .collect::<Vec<_>>()
    };
    let mut records = Records {
        name: corrections.trait_name.clone(),
        file: study.scans.file.clone(),
        starts: vec![0],
        ..Records::default()
    };
    let single = series(corrections, values, rows(true));
    let mut next = single.into_iter().peekable();
    for bird in 0..study.birds.len() {
        if let Some(own) = next.next_if(|series| series.subject == bird) {
            records.ages_d.extend(own.ages_d);
            records.values.extend(own.values_g);
            records.variances.extend(own.own_variances);
            records.rows.extend(own.rows);
            records.shared.extend(own.shared);
        }
        records.starts.push(records.ages_d.len());
    }
    let root = corrections.shared_root(corrections.rows.iter());
    let shared = |root: &Option<DMatrix<f64>>, row: usize| {
        let row = root.as_ref().map(|root| root.row(row));
        row.map_or_else(Vec::new, |row| row.iter().copied().collect())
    };
    for &(first, row) in &rows(false) {
        let corrected = &corrections.rows[row];
        if !corrected.strain.is_empty() {
            records.groups.push(GroupMean {
                birds: birds_of(row).to_vec(),
                strain: study.birds[first].strain,
                age_d: corrected.age_d,
                value: values[row],
                variance: corrected.own_error.map_or(f64::NAN, |error| error * error),
                shared: shared(&root, row),
            });
        }
    }
    let eggs = corrections.shared_root(corrections.with_egg.iter().map(|(row, _)| row));
    for (place, (corrected, _)) in corrections.with_egg.iter().enumerate() {
        let scan = &study.scans.rows[corrected.index];
        records.with_egg.push(EggValue {
            bird: scan.birds[0],
            age_d: corrected.age_d,
            value: corrected.corrected,
            scale_weight_g: scan.scale_weight_g,
            variance: corrected.own_error.map_or(f64::NAN, |error| error * error),
            shared: shared(&eggs, place),
        });
    }
    if records
        .variances
        .iter()
        .any(|variance| !variance.is_finite())
    {
        records.variances.clear();
    }
    records
}

fn corrected_values(corrections: &Corrections) -> Vec<f64> {
    corrections.rows.iter().map(|row| row.corrected).collect()
}

/// Series of each strain, from all scans of its birds.
#[must_use]
pub fn of_strains(study: &Study, corrections: &Corrections) -> Vec<Series> {
    let strain =
        |row: usize| study.birds[study.scans.rows[corrections.rows[row].index].birds[0]].strain;
    let rows = (0..corrections.rows.len()).filter(|row| !corrections.rows[*row].strain.is_empty());
    let rows = rows.map(|row| (strain(row), row)).collect();
    series(corrections, &corrected_values(corrections), rows)
}

/// Series of the subjects that stand before each row.
fn series(corrections: &Corrections, values: &[f64], mut rows: Vec<(usize, usize)>) -> Vec<Series> {
    let of = |row: usize| &corrections.rows[row];
    rows.sort_by(|a, b| {
        let (x, y) = (of(a.1), of(b.1));
        a.0.cmp(&b.0)
            .then(x.age_d.total_cmp(&y.age_d))
            .then(x.bird.cmp(&y.bird))
            .then(a.1.cmp(&b.1))
    });
    let root = corrections.shared_root(corrections.rows.iter());
    let mut all: Vec<Series> = Vec::new();
    let repeats = rows.chunk_by(|a, b| {
        let (x, y) = (of(a.1), of(b.1));
        a.0 == b.0 && x.bird == y.bird && x.age_d.total_cmp(&y.age_d).is_eq()
    });
    for repeats in repeats {
        let (subject, first) = (repeats[0].0, of(repeats[0].1));
        if all.last().is_none_or(|series| series.subject != subject) {
            all.push(Series {
                subject,
                ..Series::default()
            });
        }
        let n = repeats.len() as f64;
        let mean = |value: &dyn Fn(usize) -> f64| {
            repeats.iter().map(|(_, row)| value(*row)).sum::<f64>() / n
        };
        if let Some(series) = all.last_mut() {
            series.ages_d.push(first.age_d);
            series.values_g.push(mean(&|row| values[row]));
            series.rows.push(first.row);
            // A bird's own deviation stays the same over its repeats: averaging them
            // takes away only the repeatability's part, which is left in to be safe.
            series.own_variances.push(mean(&|row| {
                of(row).own_error.map_or(f64::NAN, |error| error * error)
            }));
            series.weights.push(first.birds_in_scan as f64);
            if let Some(root) = &root {
                let mean = |j| mean(&|row| root[(row, j)]);
                series.shared.push((0..root.ncols()).map(mean).collect());
            }
        }
    }
    all
}
