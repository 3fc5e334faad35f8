//! Is there a second phase at all, and whose is it: two questions where scans
//! are few.
//!
//! **Is there one.** The two-phase curve holds the one-phase curve of its shape at a
//! second mass of zero, where the rate and the age of the second phase mean nothing:
//! the null hypothesis lies on the boundary, and twice the difference in
//! log-likelihood has no chi-squared law. Its law is therefore simulated: studies of
//! the same birds at the same ages are drawn from the one-phase fit, both curves are
//! fitted to each, and
//!
//! ```text
//! p = (1 + simulated differences at or above the observed one) / (1 + simulations)
//! ```
//!
//! which is a valid p-value whatever approximation of the likelihood is maximised,
//! since the observed and the simulated differences are made alike (Davison and
//! Hinkley 1997, Bootstrap Methods and their Application, 4.2, from memory).
//!
//! **Whose.** A bird's own share in a random effect is 1 - variance of the effect
//! given its data / variance between birds. Where it is near 0 the bird's second phase is its
//! strain's; near 1 the bird's weighings determine it.

use std::sync::Arc;

use rayon::prelude::*;

use super::cohort::Cohort;
use super::population::PopulationFit;
use crate::fit::mixed::{
    Correlation, Criterion, MixedFit, MixedModel, MixedOptions, RandomTerm, Subjects,
};
use crate::growth::{self, Curve};
use crate::stats::resample::{Purpose, stream};
use crate::study::Study;

/// The test of one two-phase curve against one phase.
#[derive(Debug, Clone)]
pub struct SecondPhase {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// The two-phase curve.
    pub curve: Arc<dyn Curve>,
    /// Index into [`Study::strains`]; `None` for the birds of all strains.
    pub strain: Option<usize>,
    /// What came of it, or why there is no test in words.
    pub test: Result<PhaseTest, String>,
}

/// A likelihood ratio and its simulated reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PhaseTest {
    /// Twice the difference in log-likelihood, two phases minus one.
    pub likelihood_ratio: f64,
    /// Share of the simulated differences at or above it, itself among them; `None`
    /// where no simulated study could be fitted.
    pub p_value: Option<f64>,
    /// Simulated studies that both curves could be fitted to.
    pub simulations: usize,
    /// Simulated studies that one of them could not be fitted to; they are left out.
    pub failed: usize,
}

/// How a simulated reference is made.
#[derive(Debug, Clone, Copy)]
pub struct Simulation {
    /// Number of simulated studies.
    pub count: usize,
    /// Seed of the draws; the answer depends on nothing else.
    pub seed: u64,
}

/// Tests every two-phase fit of the populations, over all birds and, of several
/// strains, over each; `done` is called, from any thread, after each simulated study.
#[must_use]
pub fn second_phase(
    study: &Study,
    fits: &[&PopulationFit],
    simulation: Simulation,
    done: &(dyn Fn(usize) + Sync),
) -> Vec<SecondPhase> {
    let mut tests = Vec::new();
    for fit in fits {
        let Some(one_phase) = one_phase_of(&*fit.curve) else {
            continue;
        };
        let test = |cohort: &Cohort, strain: Option<usize>| SecondPhase {
            trait_index: fit.cohort.trait_index,
            curve: fit.curve.clone(),
            strain,
            test: Pair::new(fit, &*one_phase).and_then(|pair| pair.test(cohort, simulation, done)),
        };
        tests.push(test(&fit.cohort, None));
        let strains: Vec<usize> = (0..study.strains.len())
            .filter(|strain| !fit.cohort.subjects_of(study, *strain).is_empty())
            .collect();
        if strains.len() > 1 {
            for strain in strains {
                let cohort = fit.cohort.only(&fit.cohort.subjects_of(study, strain));
                tests.push(test(&cohort, Some(strain)));
            }
        }
    }
    tests
}

/// How many simulated studies [`second_phase`] will draw: what a progress bar counts.
#[must_use]
pub fn simulated_studies(study: &Study, fits: &[&PopulationFit], count: usize) -> usize {
    let tests = |fit: &&PopulationFit| {
        let strains = (0..study.strains.len())
            .filter(|strain| !fit.cohort.subjects_of(study, *strain).is_empty())
            .count();
        let tested = one_phase_of(&*fit.curve).is_some();
        usize::from(tested) * if strains > 1 { strains + 1 } else { 1 }
    };
    count * fits.iter().map(tests).sum::<usize>()
}

/// The one-phase curve of a two-phase curve's shape.
fn one_phase_of(curve: &dyn Curve) -> Option<Arc<dyn Curve>> {
    growth::built_in(curve.name().strip_prefix("two-phase-")?)
}

/// Whether a term belongs to the second phase: there is one of its name for the first.
fn of_second_phase(curve: &dyn Curve, term: usize) -> bool {
    let Some(stem) = curve.terms()[term].name.strip_suffix('2') else {
        return false;
    };
    let first = format!("{stem}1");
    curve.terms().iter().any(|term| term.name == first)
}

/// The first phase's random terms, under the names of a curve of one.
fn of_first_phase(terms: &[RandomTerm]) -> Vec<RandomTerm> {
    let first = terms.iter().filter_map(|random| {
        let term = random.term.strip_suffix('1')?.to_owned();
        Some(RandomTerm {
            term,
            scale: random.scale,
        })
    });
    first.collect()
}

/// Both models.
struct Pair<'c> {
    two: MixedModel<'c>,
    one: MixedModel<'c>,
}

impl<'c> Pair<'c> {
    fn new(fit: &'c PopulationFit, one_phase: &'c dyn Curve) -> Result<Self, String> {
        // Likelihoods of different curves compare, restricted ones do not. A residual
        // correlation would take up in the one phase what it misses of the other.
        // Without a second phase its mass is zero, which a factor never reaches: effects are
        // amounts here.
        let random = fit.options.random.iter();
        let two = MixedOptions {
            random: random.map(|term| RandomTerm::natural(&term.term)).collect(),
            cluster: Vec::new(),
            criterion: Criterion::Likelihood,
            correlation: Correlation::None,
            ..fit.options.clone()
        };
        let options = MixedOptions {
            random: of_first_phase(&two.random),
            ordered: Vec::new(),
            ..two.clone()
        };
        let message = |error: crate::Error| error.to_string();
        Ok(Self {
            two: MixedModel::new(&*fit.curve, &two).map_err(message)?,
            one: MixedModel::new(one_phase, &options).map_err(message)?,
        })
    }

    fn test(
        &self,
        cohort: &Cohort,
        simulation: Simulation,
        done: &(dyn Fn(usize) + Sync),
    ) -> Result<PhaseTest, String> {
        let subjects = cohort.subjects().map_err(|error| error.to_string())?;
        let (one, likelihood_ratio) = self.difference(&subjects)?;
        let differences: Vec<Option<f64>> = (0..simulation.count)
            .into_par_iter()
            .map(|at| {
                let mut random = stream(simulation.seed, Purpose::Simulation, at as u64);
                let values = one.simulate(&self.one, &subjects, &mut random);
                let simulated = subjects.with_values(values).ok();
                let difference = simulated.and_then(|subjects| self.difference(&subjects).ok());
                done(1);
                difference.map(|(_, difference)| difference)
            })
            .collect();
        let valid = differences.iter().flatten();
        // Rounding must not make a difference of zero look like another.
        let least = likelihood_ratio - 1e-6 * likelihood_ratio.abs().max(1.0);
        let above = valid.clone().filter(|one| **one >= least).count();
        let simulations = valid.count();
        let p_value = (1 + above) as f64 / (1 + simulations) as f64;
        Ok(PhaseTest {
            likelihood_ratio,
            p_value: (simulations > 0).then_some(p_value),
            simulations,
            failed: differences.len() - simulations,
        })
    }

    /// The one-phase fit, and twice the difference in log-likelihood. Two phases hold
    /// one, so that a difference below zero is an optimum missed, and counts as none.
    fn difference(&self, subjects: &Subjects<'_>) -> Result<(Box<MixedFit>, f64), String> {
        let fitted = |model: &MixedModel<'_>, phases: &str| {
            let outcome = model.fit(subjects);
            let reasons = outcome.reasons().join("; ");
            let fit = outcome.into_fit();
            fit.ok_or_else(|| format!("{phases} could not be fitted: {reasons}"))
        };
        let one = fitted(&self.one, "one phase")?;
        let two = fitted(&self.two, "two phases")?;
        let difference = (2.0 * (two.log_lik - one.log_lik)).max(0.0);
        Ok((one, difference))
    }
}

/// Whose a bird's second phase is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SecondPhaseSource {
    /// The bird's weighings determine every second-phase term that differs between birds.
    Data,
    /// They determine some of them.
    Partly,
    /// They determine none: the second phase is its strain's.
    Borrowed,
}

impl SecondPhaseSource {
    /// Own share from which on a term is the bird's own: its weighings have taken away
    /// half of what is not known of it.
    pub const LEAST_SHARE: f64 = 0.5;

    /// The word in the table.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Data => "data",
            Self::Partly => "partly",
            Self::Borrowed => "borrowed",
        }
    }

    fn of(shares: &[(usize, f64)]) -> Self {
        let own = shares
            .iter()
            .filter(|(_, share)| *share >= Self::LEAST_SHARE)
            .count();
        match own {
            0 => Self::Borrowed,
            own if own == shares.len() => Self::Data,
            _ => Self::Partly,
        }
    }
}

/// The second phase of one bird.
#[derive(Debug, Clone)]
pub struct BirdSecondPhase {
    /// The subject in the fit's cohort.
    pub subject: usize,
    /// Own share in each second-phase term that differs between birds: index of the
    /// term and share. Empty where none differs: then every second phase is the strain's.
    pub shares: Vec<(usize, f64)>,
    /// Whose it is.
    pub from: SecondPhaseSource,
}

/// The bird_second_phases of all birds of a two-phase fit; none of another curve or a failed fit.
#[must_use]
pub fn bird_second_phases(fit: &PopulationFit) -> Vec<BirdSecondPhase> {
    let curve = &*fit.curve;
    let two_phases = (0..curve.terms().len()).any(|term| of_second_phase(curve, term));
    let Some(mixed) = fit.outcome.fit().filter(|_| two_phases) else {
        return Vec::new();
    };
    (0..fit.cohort.birds.len())
        .map(|subject| {
            let own = mixed.reliability(subject);
            let shares: Vec<(usize, f64)> = mixed
                .random
                .iter()
                .zip(own)
                .filter(|(effect, _)| of_second_phase(curve, effect.term))
                .map(|(effect, share)| (effect.term, *share))
                .collect();
            BirdSecondPhase {
                subject,
                from: SecondPhaseSource::of(&shares),
                shares,
            }
        })
        .collect()
}
