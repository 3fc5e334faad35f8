//! Did a bird change between two scans by more than repositioning it does?
//!
//! The change of a corrected mass between two successive scans of one bird in one way,
//! repeats averaged, against the least significant change at its masses:
//! 1.96 sqrt(s1^2 / n1 + s2^2 / n2), where s is what repositioning does to the corrected
//! value and n the number of repeats.
//!
//! # Source
//! Glueer, C.-C. et al. (1995), Osteoporos. Int. 5:262-270, with the precision error at
//! each of the two masses.

use std::collections::BTreeMap;

use super::correction::{Corrected, Corrections};
use crate::stats::distribution::normal_quantile;
use crate::study::{Study, Way};

/// One bird's change between two successive scans (`changes`).
#[derive(Debug, Clone, PartialEq)]
pub struct ChangeRow {
    /// Bird's name.
    pub bird: String,
    /// Its strain.
    pub strain: String,
    /// Trait.
    pub trait_name: String,
    /// Way of both scans.
    pub way: String,
    /// Age at the first, d.
    pub from_age_d: f64,
    /// Age at the second, d.
    pub to_age_d: f64,
    /// Change of the corrected mass, g.
    pub change_g: f64,
    /// Least significant change (95 percent), g; none where scans of this way were not
    /// repeated.
    pub lsc_g: Option<f64>,
}

impl ChangeRow {
    /// Whether the change exceeds the least significant one.
    #[must_use]
    pub fn exceeds(&self) -> Option<bool> {
        self.lsc_g.map(|least| self.change_g.abs() > least)
    }
}

/// Changes of the masses of all birds that were scanned singly at two ages in one way.
#[must_use]
pub fn of_study(study: &Study, corrections: &[Corrections]) -> Vec<ChangeRow> {
    let factor = normal_quantile(0.975);
    let mut changes = Vec::new();
    let masses = corrections
        .iter()
        .filter(|one| one.equation.provenance.unit == "g");
    for corrected in masses {
        let mut series: BTreeMap<(usize, &Way), Vec<&Corrected>> = BTreeMap::new();
        for row in &corrected.rows {
            if let [bird] = study.scans.rows[row.index].birds.as_slice() {
                series.entry((*bird, &row.way)).or_default().push(row);
            }
        }
        for ((bird, way), mut rows) in series {
            rows.sort_by(|a, b| a.age_d.total_cmp(&b.age_d));
            let days: Vec<&[&Corrected]> = rows
                .chunk_by(|a, b| a.age_d.total_cmp(&b.age_d).is_eq())
                .collect();
            for pair in days.windows(2) {
                let (first, second) = (pair[0], pair[1]);
                let variances = variance_of_mean(first).zip(variance_of_mean(second));
                changes.push(ChangeRow {
                    bird: study.birds[bird].name.clone(),
                    strain: first[0].strain.clone(),
                    trait_name: corrected.trait_name.clone(),
                    way: way.label(),
                    from_age_d: first[0].age_d,
                    to_age_d: second[0].age_d,
                    change_g: mean(second) - mean(first),
                    lsc_g: variances.map(|(a, b)| factor * (a + b).sqrt()),
                });
            }
        }
    }
    changes
}

fn mean(rows: &[&Corrected]) -> f64 {
    rows.iter().map(|row| row.corrected).sum::<f64>() / rows.len() as f64
}

fn variance_of_mean(rows: &[&Corrected]) -> Option<f64> {
    let variances: Option<f64> = rows.iter().map(|row| Some(row.repeat_sd?.powi(2))).sum();
    Some(variances? / (rows.len() * rows.len()) as f64)
}
