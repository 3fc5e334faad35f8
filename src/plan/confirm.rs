//! Is the precision of simulated studies that of the expected information?
//!
//! Studies of the design are simulated from the population, each with a separate
//! random stream, and fitted with the real code from the default start, as a user's data would be.
//! The estimates of the fits are compared with the truth: the spread of the estimates (their
//! standard error in fact), their bias, how often the intervals cover the truth, how often
//! a difference of the stated size is detected, and how many fits fail.
//!
//! The power for a difference of a given size is estimated twice. From the same studies, for
//! every pair of strains: where the true difference is something else, the estimates are
//! moved by what it lacks. And, for the pair that decides the design, from studies of
//! strains that differ by just that size ([`detect_difference`]), with the errors of those studies.
//!
//! A cue is a bird's own value: it is set beside the bird's truth.
//!
//! Where pens are allotted, the birds of a pen share a factor of their asymptotes that is drawn
//! for each pen, and a study is fitted and compared as one with pens is (`between_clusters`).

use rayon::prelude::*;

use super::allocation::options_with_pens;
use super::power::factor;
use super::{Aim, Allocation, Estimand, Requirement, Target};
use crate::error::Result;
use crate::fit::estimable::Fitted;
use crate::fit::mixed::{MixedFit, MixedModel, Population, Simulation, Subjects};
use crate::fit::profile::Quantity;
use crate::growth;
use crate::stats::resample::{Purpose, stream};

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

/// The design that is simulated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Layout<'d> {
    /// Birds, or pens of birds, as the units.
    pub allocation: Allocation,
    /// Birds a strain.
    pub birds: usize,
    /// Ages at which each is weighed or scanned, d.
    pub ages_d: &'d [f64],
}

impl Layout<'_> {
    fn critical(&self, level: f64) -> f64 {
        factor(level, self.allocation.degrees_of_freedom(self.birds))
    }
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
    /// Target by target, from the fits whose data determine it; none for what is not read
    /// from fits (spreads) and where fewer than two, or fewer than half of the fits, do.
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
    /// Studies that determine it.
    pub n: usize,
    /// SD of the estimates; of a cue the root mean square of birds' values minus their true values.
    pub standard_error: f64,
    /// Standard error of that by simulation: SD / sqrt(2 (n - 1)) for normal estimates.
    pub standard_error_of_it: f64,
    /// Mean estimate minus the truth; of a cue the mean over birds.
    pub bias: f64,
    /// Share of the intervals that cover the truth.
    pub coverage: f64,
    /// Share of the studies that would detect a difference of the required size, their
    /// estimates moved by what the true difference lacks.
    pub power: Option<f64>,
    /// Share that detects it among studies of strains that truly differ by this size, where these were simulated.
    pub power_of_true: Option<f64>,
}

/// The estimates of one simulated study.
struct OneFit {
    weak: bool,
    /// Estimate and standard error of each target.
    estimates: Vec<Option<(f64, f64)>>,
    /// Of each target that is a cue, the errors of its birds.
    cues: Vec<Option<OwnValues>>,
}

/// The errors of the birds of a strain in one study.
#[derive(Debug, Clone, Copy, Default)]
struct OwnValues {
    birds: f64,
    /// Sums over birds of the error and its square.
    errors: f64,
    squares: f64,
    /// Birds whose interval covers the truth.
    held: f64,
}

/// Simulates studies of a design and fits them; `done` is called, from any thread, after each.
///
/// # Errors
/// Ages that do not ascend.
pub fn confirm(
    population: &Population,
    layout: Layout<'_>,
    (targets, requirements): (&[Target], &[Requirement]),
    studies: Studies,
    done: &(dyn Fn() + Sync),
) -> Result<Confirmation> {
    let fitted = fitted(population, layout, targets, studies, done)?;
    let critical = layout.critical(studies.level);
    let fits = fitted.iter().flatten().count();
    // A quantity that most studies do not determine is not judged by the rest.
    let enough = |count: usize| 2 * count >= fits;
    let of_target = |(at, target): (usize, &Target)| {
        let estimates: Vec<(f64, f64)> = fitted
            .iter()
            .flatten()
            .filter_map(|fit| fit.estimates[at])
            .collect();
        if let Estimand::Cue(_) = target.what {
            let cues = fitted.iter().flatten().filter_map(|fit| fit.cues[at]);
            let cues: Vec<OwnValues> = cues.collect();
            return enough(cues.len()).then(|| summary_of_cue(&cues)).flatten();
        }
        let size = requirements
            .iter()
            .find_map(|requirement| match requirement.aim {
                Aim::Detect { size, .. } if requirement.is_about(target) => {
                    Some(size.of(target.value))
                }
                _ => None,
            });
        enough(estimates.len())
            .then(|| summary(&estimates, target.truth, size, critical))
            .flatten()
    };
    Ok(Confirmation {
        studies: studies.count,
        failed: fitted.iter().filter(|one| one.is_none()).count(),
        weak: fitted.iter().flatten().filter(|fit| fit.weak).count(),
        targets: targets.iter().enumerate().map(of_target).collect(),
    })
}

/// Share of simulated studies that detect a difference of `size` in a contrast, the strains
/// differing by just that; `None` where the target is no contrast, where strains cannot be
/// made to differ so, and where every fit failed.
///
/// # Errors
/// Ages that do not ascend.
pub fn detect_difference(
    population: &Population,
    layout: Layout<'_>,
    (target, size): (&Target, f64),
    studies: Studies,
    done: &(dyn Fn() + Sync),
) -> Result<Option<f64>> {
    let Estimand::Contrast(quantity) = target.what else {
        return Ok(None);
    };
    // The contrast's 100 percent are the second strain's value.
    let required = target.value + size;
    let Some(differing) = population.with_group_at(target.strains[0], quantity, required) else {
        return Ok(None);
    };
    let only = std::slice::from_ref(target);
    let fitted = fitted(&differing, layout, only, studies, done)?;
    let critical = layout.critical(studies.level);
    let estimates: Vec<(f64, f64)> = fitted
        .iter()
        .flatten()
        .filter_map(|fit| fit.estimates[0])
        .collect();
    let seen = estimates
        .iter()
        .filter(|(value, error)| value.abs() > critical * error);
    Ok((!estimates.is_empty()).then(|| share(seen.count(), estimates.len())))
}

/// Studies drawn from the population and fitted; none where the fit failed.
fn fitted(
    population: &Population,
    layout: Layout<'_>,
    targets: &[Target],
    studies: Studies,
    done: &(dyn Fn() + Sync),
) -> Result<Vec<Option<OneFit>>> {
    let Layout {
        allocation,
        birds,
        ages_d,
    } = layout;
    let curve = &**population.curve();
    let strains = population.groups();
    let (model, shared) = match allocation.pens {
        Some(pens) => (
            MixedModel::new(curve, &options_with_pens(population))?,
            (growth::asymptotes(curve), pens.sd),
        ),
        None => (population.model(), (Vec::new(), 0.0)),
    };
    let subjects = birds * strains;
    let starts: Vec<usize> = (0..=subjects).map(|at| at * ages_d.len()).collect();
    let ages: Vec<f64> = ages_d.repeat(subjects);
    let groups: Vec<usize> = (0..subjects).map(|at| at / birds).collect();
    let blank = vec![0.0; ages.len()];
    let mut design = Subjects::new(&starts, &ages, &blank, &groups)?;
    if let Some(pens) = allocation.pen_of_birds(birds) {
        design = design.with_clusters(pens)?;
    }
    let z = factor(studies.level, f64::INFINITY);
    let one = |at: usize| -> Option<OneFit> {
        let mut random = stream(studies.seed, Purpose::Simulation, at as u64);
        let effects = (&shared.0[..], shared.1);
        let Simulation { values, terms } =
            population.simulate_in_clusters(&design, effects, &mut random);
        let study = design.with_values(values).ok();
        let outcome = study.map(|study| model.fit(&study));
        done();
        let outcome = outcome?;
        let fit = outcome.fit()?;
        let estimates = targets.iter().map(|target| estimate(fit, &model, target));
        let cues = targets.iter().map(|target| match target.what {
            Estimand::Cue(quantity) => {
                of_strain(fit, &model, target.strains[0], quantity)?;
                let own = target.strains[0] * birds..(target.strains[0] + 1) * birds;
                own_values(fit, &model, (quantity, own), &terms, z)
            }
            _ => None,
        });
        Some(OneFit {
            weak: outcome.status() == "weak",
            estimates: estimates.collect(),
            cues: cues.collect(),
        })
    };
    Ok((0..studies.count).into_par_iter().map(one).collect())
}

/// The errors of the birds' own values of a quantity in a fit, whose true terms are known.
fn own_values(
    fit: &MixedFit,
    model: &MixedModel<'_>,
    (quantity, birds): (Quantity, std::ops::Range<usize>),
    terms: &[f64],
    z: f64,
) -> Option<OwnValues> {
    let p = model.curve().terms().len();
    let mut gradient = vec![0.0; p];
    let mut all = OwnValues::default();
    for bird in birds {
        let own = &terms[bird * p..(bird + 1) * p];
        let truth = quantity.value(model.curve(), own, &mut gradient)?;
        let estimates = quantity.value(model.curve(), fit.subject(bird), &mut gradient)?;
        let variance = quadratic(&gradient, fit.subject_covariance(bird));
        let error = estimates - truth;
        if !error.is_finite() {
            return None;
        }
        all.birds += 1.0;
        all.errors += error;
        all.squares += error * error;
        all.held += f64::from(u8::from(error.abs() <= z * variance.max(0.0).sqrt()));
    }
    Some(all)
}

/// g' V g, V p x p.
fn quadratic(gradient: &[f64], covariance: &[f64]) -> f64 {
    let rows = covariance.chunks_exact(gradient.len());
    let of_row = |(row, own): (&[f64], &f64)| -> f64 {
        own * row.iter().zip(gradient).map(|(v, g)| v * g).sum::<f64>()
    };
    rows.zip(gradient).map(of_row).sum()
}

/// Birds of one study share its estimates, so that studies are what varies independently.
fn summary_of_cue(studies: &[OwnValues]) -> Option<Simulated> {
    if studies.len() < 2 {
        return None;
    }
    let n = studies.len() as f64;
    let sum = |of: fn(&OwnValues) -> f64| studies.iter().map(of).sum::<f64>();
    let birds = sum(|own| own.birds);
    let mean_square = sum(|own| own.squares) / birds;
    let off = studies
        .iter()
        .map(|own| (own.squares / own.birds - mean_square).powi(2))
        .sum::<f64>();
    let error_of_mean_square = (off / (n * (n - 1.0))).sqrt();
    let standard_error = mean_square.sqrt();
    (standard_error > 0.0).then(|| Simulated {
        n: studies.len(),
        standard_error,
        // The derivative of the root.
        standard_error_of_it: 0.5 * error_of_mean_square / standard_error,
        bias: sum(|own| own.errors) / birds,
        coverage: sum(|own| own.held) / birds,
        power: None,
        power_of_true: None,
    })
}

/// Estimate and variance of a strain's quantity in one fit; `None` where the study's data
/// do not determine it.
fn of_strain(
    fit: &MixedFit,
    model: &MixedModel<'_>,
    strain: usize,
    quantity: Quantity,
) -> Option<(f64, f64)> {
    let estimates = fit.group_estimates(strain);
    let fitted = Fitted::of(model.curve(), &estimates);
    // The level sets an interval that nobody reads.
    let found = match quantity {
        Quantity::Term(index) => fitted.term(index, 0.95),
        Quantity::Derived(what) => fitted.derived(what, 0.95),
    };
    let found = found.ok()?;
    Some((found.value, found.standard_error?.powi(2)))
}

/// Estimate and standard error of a target in one fit.
fn estimate(fit: &MixedFit, model: &MixedModel<'_>, target: &Target) -> Option<(f64, f64)> {
    let of = |at: usize, quantity| of_strain(fit, model, target.strains[at], quantity);
    let (value, variance) = match target.what {
        Estimand::Value(quantity) => of(0, quantity)?,
        Estimand::Contrast(quantity) => {
            let ((a, of_a), (b, of_b)) = (of(0, quantity)?, of(1, quantity)?);
            (a - b, of_a + of_b)
        }
        Estimand::Cue(_) | Estimand::Spread(_) => return None,
    };
    (value.is_finite() && variance > 0.0 && variance.is_finite()).then(|| (value, variance.sqrt()))
}

fn summary(
    estimates: &[(f64, f64)],
    truth: f64,
    size: Option<f64>,
    critical: f64,
) -> Option<Simulated> {
    if estimates.len() < 2 {
        return None;
    }
    let n = estimates.len() as f64;
    let mean = estimates.iter().map(|(value, _)| value).sum::<f64>() / n;
    let squares: f64 = estimates
        .iter()
        .map(|(value, _)| (value - mean).powi(2))
        .sum();
    let standard_error = (squares / (n - 1.0)).sqrt();
    let holds = |(value, error): &&(f64, f64)| (value - truth).abs() <= critical * error;
    let covered = estimates.iter().filter(holds).count();
    let power = size.map(|size| {
        let seen = |(value, error): &&(f64, f64)| (value - truth + size).abs() > critical * error;
        share(estimates.iter().filter(seen).count(), estimates.len())
    });
    Some(Simulated {
        n: estimates.len(),
        standard_error,
        standard_error_of_it: standard_error / (2.0 * (n - 1.0)).sqrt(),
        bias: mean - truth,
        coverage: share(covered, estimates.len()),
        power,
        power_of_true: None,
    })
}

fn share(part: usize, all: usize) -> f64 {
    part as f64 / all.max(1) as f64
}
