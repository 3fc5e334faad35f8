//! Does the design hold what its expected information promises?
//!
//! Studies of the design are simulated from the population, each with a random stream of
//! its own, and fitted with the real code from its own start, as a user's data would be.
//! What the fits tell is set beside the truth: the spread of the estimates (their
//! standard error in fact), their bias, how often the intervals hold the truth, how often
//! a difference of the stated size is seen, and how many fits fail.
//!
//! The power for a difference of a given size is read from the same studies: where the
//! true difference is something else, the estimates are moved by what it lacks. Their
//! errors hardly depend on so small a difference.

use rayon::prelude::*;

use super::power::factor;
use super::{Aim, Target, What, Wish};
use crate::error::Result;
use crate::fit::mixed::{MixedFit, MixedModel, Population, Subjects};
use crate::fit::profile::Quantity;
use crate::stats::resample::stream;

/// Studies that are simulated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Studies {
    /// How many.
    pub count: usize,
    /// Seed of all that is drawn.
    pub seed: u64,
    /// Level of the intervals.
    pub level: f64,
}

/// What simulated studies of a design gave.
#[derive(Debug, Clone, PartialEq)]
pub struct Confirmation {
    /// Studies simulated.
    pub studies: usize,
    /// Those whose fit failed.
    pub failed: usize,
    /// Those whose fit has a weakness; their numbers count.
    pub weak: usize,
    /// Target by target; none for what is not read from fits (cues, spreads) and where
    /// fewer than two fits have it.
    pub targets: Vec<Option<Simulated>>,
}

impl Confirmation {
    /// Share of the studies whose fit failed.
    #[must_use]
    pub fn failed_share(&self) -> f64 {
        share(self.failed, self.studies)
    }

    /// Share of the studies whose fit has a weakness.
    #[must_use]
    pub fn weak_share(&self) -> f64 {
        share(self.weak, self.studies)
    }
}

/// One target in simulated studies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Simulated {
    /// Studies that told it.
    pub n: usize,
    /// SD of the estimates.
    pub standard_error: f64,
    /// Standard error of that by simulation: SD / sqrt(2 (n - 1)) for normal estimates.
    pub standard_error_of_it: f64,
    /// Mean estimate less the truth.
    pub bias: f64,
    /// Share of the intervals that hold the truth.
    pub coverage: f64,
    /// Share of the studies that see a difference of the wished size.
    pub power: Option<f64>,
}

/// What one simulated study told.
struct OneFit {
    weak: bool,
    /// Estimate and standard error of each target.
    told: Vec<Option<(f64, f64)>>,
}

/// Simulates studies of `birds` birds a strain scanned at `ages_d` and fits them;
/// `done` is told, from any thread, of each.
///
/// # Errors
/// Ages that do not ascend.
pub fn confirm(
    population: &Population,
    (birds, ages_d): (usize, &[f64]),
    (targets, wishes): (&[Target], &[Wish]),
    studies: Studies,
    done: &(dyn Fn() + Sync),
) -> Result<Confirmation> {
    let (strains, model) = (population.groups(), population.model());
    let subjects = birds * strains;
    let starts: Vec<usize> = (0..=subjects).map(|at| at * ages_d.len()).collect();
    let ages: Vec<f64> = ages_d.repeat(subjects);
    let groups: Vec<usize> = (0..subjects).map(|at| at / birds).collect();
    let blank = vec![0.0; ages.len()];
    let design = Subjects::new(&starts, &ages, &blank, &groups)?;
    let one = |at: usize| -> Option<OneFit> {
        let mut random = stream(studies.seed, at as u64);
        let values = population.simulate(&design, &mut random);
        let study = design.with_values(values).ok();
        let outcome = study.map(|study| model.fit(&study));
        done();
        let outcome = outcome?;
        let fit = outcome.fit()?;
        let told = targets.iter().map(|target| estimate(fit, &model, target));
        Some(OneFit {
            weak: outcome.status() == "weak",
            told: told.collect(),
        })
    };
    let fitted: Vec<Option<OneFit>> = (0..studies.count).into_par_iter().map(one).collect();
    #[expect(clippy::cast_precision_loss, reason = "numbers of birds")]
    let df = (subjects.saturating_sub(strains)).max(1) as f64;
    let critical = factor(studies.level, df);
    let of_target = |(at, target): (usize, &Target)| {
        let told: Vec<(f64, f64)> = fitted
            .iter()
            .flatten()
            .filter_map(|fit| fit.told[at])
            .collect();
        let size = wishes.iter().find_map(|wish| match wish.aim {
            Aim::Detect { size, .. } if wish.is_about(target) => Some(size.of(target.value)),
            _ => None,
        });
        summary(&told, target.truth, size, critical)
    };
    Ok(Confirmation {
        studies: studies.count,
        failed: fitted.iter().filter(|one| one.is_none()).count(),
        weak: fitted.iter().flatten().filter(|fit| fit.weak).count(),
        targets: targets.iter().enumerate().map(of_target).collect(),
    })
}

/// Estimate and standard error of a target in one fit.
fn estimate(fit: &MixedFit, model: &MixedModel<'_>, target: &Target) -> Option<(f64, f64)> {
    let of_group = |group: usize, quantity: Quantity| {
        let terms = fit.group(group);
        let p = terms.len();
        let mut gradient = vec![0.0; p];
        let value = quantity.value(model.curve(), terms, &mut gradient)?;
        let covariance = fit.group_covariance(group);
        let mut variance = 0.0;
        for k in 0..p {
            for l in 0..p {
                variance += gradient[k] * covariance[k * p + l] * gradient[l];
            }
        }
        Some((value, variance))
    };
    let (value, variance) = match target.what {
        What::Value(quantity) => of_group(target.strains[0], quantity)?,
        What::Contrast(quantity) => {
            let (a, of_a) = of_group(target.strains[0], quantity)?;
            let (b, of_b) = of_group(target.strains[1], quantity)?;
            (a - b, of_a + of_b)
        }
        What::Cue(_) | What::Spread(_) => return None,
    };
    (value.is_finite() && variance > 0.0 && variance.is_finite()).then(|| (value, variance.sqrt()))
}

fn summary(told: &[(f64, f64)], truth: f64, size: Option<f64>, critical: f64) -> Option<Simulated> {
    if told.len() < 2 {
        return None;
    }
    #[expect(clippy::cast_precision_loss, reason = "a count of studies")]
    let n = told.len() as f64;
    let mean = told.iter().map(|(value, _)| value).sum::<f64>() / n;
    let squares: f64 = told.iter().map(|(value, _)| (value - mean).powi(2)).sum();
    let standard_error = (squares / (n - 1.0)).sqrt();
    let holds = |(value, error): &&(f64, f64)| (value - truth).abs() <= critical * error;
    let covered = told.iter().filter(holds).count();
    let power = size.map(|size| {
        let seen = |(value, error): &&(f64, f64)| (value - truth + size).abs() > critical * error;
        share(told.iter().filter(seen).count(), told.len())
    });
    Some(Simulated {
        n: told.len(),
        standard_error,
        standard_error_of_it: standard_error / (2.0 * (n - 1.0)).sqrt(),
        bias: mean - truth,
        coverage: share(covered, told.len()),
        power,
    })
}

#[expect(clippy::cast_precision_loss, reason = "counts of studies")]
fn share(part: usize, all: usize) -> f64 {
    part as f64 / all.max(1) as f64
}
