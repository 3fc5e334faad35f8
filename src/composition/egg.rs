//! Takes an egg in the body off corrected masses, by an offset that was estimated from what
//! the birds' weights and other scans predict.
//!
//! A value that still holds the egg becomes `value - d`. Its individual error gains the variance
//! of eggs between birds; the offset's error and the equation's are shared by all scans with
//! an egg, and since an error of the equation moves the offset too, only their difference
//! counts.

use std::collections::BTreeMap;

use nalgebra::DMatrix;

use super::correction::{Corrected, Corrections};
use super::quality::Kept;
use super::study_masses::{StudyMasses, not_used, ways_in_words};
use crate::study::Study;

/// What an egg adds to a corrected mass.
#[derive(Debug, Clone, PartialEq)]
pub struct EggOffset {
    /// The offset, g.
    pub value_g: f64,
    /// Its error variance without the equation's part, g^2.
    pub variance_g2: f64,
    /// How the standard normal errors that all corrected values share move it, g; empty
    /// where that is not known.
    pub shared: Vec<f64>,
    /// Variance of eggs between birds, g^2.
    pub between_birds_g2: f64,
    /// Degrees of freedom of the offset.
    pub df: usize,
    /// Scans that it was estimated from.
    pub scans: usize,
    /// What an egg adds to the scale weight, g, where that is known.
    pub weight_g: Option<f64>,
}

impl StudyMasses {
    /// Takes the egg off by the offset of each trait; where there is none, its reason joins
    /// that of the refusal.
    pub fn take_off_eggs(
        &mut self,
        study: &Study,
        kept: &Kept,
        offsets: &BTreeMap<&str, Result<EggOffset, String>>,
    ) {
        let before = ways_in_words(study, &self.corrections);
        for corrections in &mut self.corrections {
            match offsets.get(corrections.trait_name.as_str()) {
                Some(Ok(offset)) => corrections.take_off_eggs(study, offset),
                Some(Err(reason)) => {
                    for (_, why) in &mut corrections.with_egg {
                        *why += &format!(
                            "; nor is the egg known by allometry on body weight ({reason})"
                        );
                    }
                }
                None => {}
            }
        }
        self.not_used = not_used(study, kept, &self.corrections);
        self.warnings.retain(|warning| !before.contains(warning));
        self.warnings
            .extend(ways_in_words(study, &self.corrections));
    }
}

impl Corrections {
    fn take_off_eggs(&mut self, study: &Study, offset: &EggOffset) {
        let with_egg = std::mem::take(&mut self.with_egg);
        let roots = self.shared_root(with_egg.iter().map(|(row, _)| row));
        let of_equation = self.equation.provenance.residual_df;
        let df = of_equation.map_or(f64::INFINITY, |df| df as f64);
        for (at, (row, _)) in with_egg.into_iter().enumerate() {
            let scale_g = study.scans.rows[row.index].scale_weight_g;
            let shared = shared_variance(roots.as_ref(), at, &row, offset);
            let without = off(row, offset, shared, (df, scale_g));
            self.egg_taken_off.push(without);
        }
        self.egg_offset = Some(offset.clone());
    }
}

/// What the equation's error leaves in a value minus the offset, g^2.
fn shared_variance(
    roots: Option<&DMatrix<f64>>,
    at: usize,
    row: &Corrected,
    offset: &EggOffset,
) -> f64 {
    match roots {
        Some(roots) if roots.ncols() == offset.shared.len() => {
            let own = roots.row(at);
            let both = own.iter().zip(&offset.shared);
            both.map(|(own, of_egg)| (own - of_egg).powi(2))
                .sum::<f64>()
        }
        _ => row.shared_error.unwrap_or(0.0).powi(2),
    }
}

fn off(row: Corrected, offset: &EggOffset, shared: f64, (df, scale_g): (f64, f64)) -> Corrected {
    let corrected = row.corrected - offset.value_g;
    let own = row.own_error.map(|own| own * own + offset.between_birds_g2);
    let of_rest = own.unwrap_or(0.0) + shared;
    let of_egg = offset.variance_g2.powi(2) / offset.df.max(1) as f64;
    let std_error = own.map(|own| (own + shared + offset.variance_g2).sqrt());
    let weight_g = offset.weight_g.map(|egg_g| scale_g - egg_g);
    let weight_g = weight_g.filter(|weight_g| *weight_g > 0.0);
    let percent = |value: f64| weight_g.map(|weight_g| 100.0 * value / weight_g);
    let mut flags = row.flags;
    flags.push(format!(
        "an egg of {:.2} g (standard error {:.2} g) was taken off, estimated from {} scans by allometry on body weight",
        offset.value_g,
        offset.variance_g2.sqrt(),
        offset.scans
    ));
    Corrected {
        corrected,
        std_error,
        own_error: own.map(f64::sqrt),
        shared_error: row
            .shared_error
            .map(|_| (shared + offset.variance_g2).sqrt()),
        percent: percent(corrected),
        percent_std_error: std_error.and_then(percent),
        df: Some((of_rest + offset.variance_g2).powi(2) / (of_rest.powi(2) / df + of_egg)),
        flags,
        ..row
    }
}
