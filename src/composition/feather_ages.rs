//! Feathers by strain and age: how much of the bird they are, and what they add to
//! each reading.

use std::collections::BTreeMap;

use super::Tissue;
use super::chemistry::{age_at_analysis, masses};
use super::feathers::Paired;
use super::frame::Value;
use crate::error::{Error, Result};
use crate::stats::Interval;
use crate::stats::distribution::t_two_sided_quantile;
use crate::study::Study;

/// A mean, and its standard error where there are two values or more.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mean {
    /// Mean.
    pub value: f64,
    /// Its standard error.
    pub std_error: Option<f64>,
}

impl Mean {
    fn of(values: &[f64]) -> Option<Self> {
        let n = values.len() as f64;
        let value = values.iter().sum::<f64>() / n;
        let squares: f64 = values.iter().map(|one| (one - value).powi(2)).sum();
        (!values.is_empty()).then(|| Self {
            value,
            std_error: (values.len() > 1).then(|| (squares / (n - 1.0) / n).sqrt()),
        })
    }
}

/// Feathers at one age of one strain (`feathers`).
#[derive(Debug, Clone, PartialEq)]
pub struct FeatherAgeRow {
    /// Strain.
    pub strain: String,
    /// Age, d.
    pub age_d: f64,
    /// Birds whose feathers were analysed.
    pub n: usize,
    /// Feather mass, g.
    pub feathers_g: Option<Mean>,
    /// Feathers, percent of the whole bird.
    pub share_pct: Option<Mean>,
    /// The same of each bird.
    pub shares_pct: Vec<f64>,
    /// Carcasses scanned intact and plucked.
    pub pairs: usize,
    /// Intact minus plucked reading of fat, lean and bone, g.
    pub effects_g: [Option<Mean>; 3],
}

impl FeatherAgeRow {
    /// Interval of the mean share, percent, by Student's t; `None` of one bird.
    #[must_use]
    pub fn share_interval(&self, level: f64) -> Option<Interval> {
        let mean = self.share_pct?;
        let df = self.shares_pct.len() as f64 - 1.0;
        let error = mean.std_error?;
        Some(Interval::around(
            mean.value,
            t_two_sided_quantile(level, df) * error,
        ))
    }
}

#[derive(Default)]
struct Seen {
    feathers_g: Vec<f64>,
    share_pct: Vec<f64>,
    pairs: usize,
    effects_g: [Vec<f64>; 3],
}

/// Feathers by strain and age, from the laboratory and from plucked pairs.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) where a bird whose feathers were
/// analysed has no scan that gives its age.
pub fn by_age(study: &Study, paired: Option<&Paired>) -> Result<Vec<FeatherAgeRow>> {
    // Ages are not negative, so their bits are in their order.
    let mut seen: BTreeMap<(usize, u64), Seen> = BTreeMap::new();
    for bird in masses(study) {
        let (Some(feathers), Some(share_pct)) = (bird.feathers, bird.feather_share_pct()) else {
            continue;
        };
        let age_d = age_at_analysis(study, bird.bird).ok_or_else(|| {
            Error::input(format!(
                "{}, row {}, column bird: found bird {} without a scan, expected one that gives its age; add the scan or remove the analysis",
                study.chemistry.file, bird.row, study.birds[bird.bird].name
            ))
        })?;
        let strain = study.birds[bird.bird].strain;
        let at = seen.entry((strain, age_d.to_bits())).or_default();
        at.feathers_g.push(feathers.mass_g);
        at.share_pct.push(share_pct);
    }
    if let Some(paired) = paired {
        let frame = &paired.intact;
        for row in 0..frame.n() {
            let (Some(Value::Word(strain)), Some(Value::Number(age_d))) =
                (frame.value("strain", row), frame.value("age", row))
            else {
                continue;
            };
            let Some(strain) = study.strains.iter().position(|name| name == strain) else {
                continue;
            };
            let at = seen.entry((strain, age_d.to_bits())).or_default();
            at.pairs += 1;
            for (tissue, effects) in Tissue::ALL.iter().zip(&mut at.effects_g) {
                let name = format!("{}_effect", tissue.name());
                if let Some(Value::Number(effect)) = frame.value(&name, row) {
                    effects.push(effect);
                }
            }
        }
    }
    let rows = seen
        .into_iter()
        .map(|((strain, age_bits), seen)| FeatherAgeRow {
            strain: study.strains[strain].clone(),
            age_d: f64::from_bits(age_bits),
            n: seen.feathers_g.len(),
            feathers_g: Mean::of(&seen.feathers_g),
            share_pct: Mean::of(&seen.share_pct),
            shares_pct: seen.share_pct,
            pairs: seen.pairs,
            effects_g: seen.effects_g.map(|effects| Mean::of(&effects)),
        });
    Ok(rows.collect())
}
