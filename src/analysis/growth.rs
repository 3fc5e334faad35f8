//! How birds and groups grow: the fits, the models of the traits, and the requests to them.

use super::options::Options;
use super::scans::Scans;
use crate::error::Result;
use crate::study::Study;
use crate::trajectory::interval::{Intervals, Method, Validation};
use crate::trajectory::profiles::{self, TermProfile};
use crate::trajectory::redraw::ShareRow;
use crate::trajectory::sampled::SampledTrait;
use crate::trajectory::{
    self, PopulationFit, SecondPhase, Simulation, TraitModel, Trajectories, derived_quantities,
};

/// The fits of a study, and the requests behind them.
#[derive(Debug)]
pub struct Growth {
    /// The model of each trait, and the fits to single birds and to pooled strains.
    pub trajectories: Trajectories,
    /// The model of the birds that were weighed without names; `None` where there are none.
    pub sampled: Option<SampledTrait>,
    /// Intervals found otherwise than by standard errors.
    pub intervals: Intervals,
    /// What the curves predicted of hidden birds and weeks.
    pub validation: Validation,
    /// How precisely the terms of the pooled strains' curves are determined.
    pub profiles: Vec<TermProfile>,
    /// The equations' part in the uncertainty of the curves.
    pub shares: Vec<ShareRow>,
    /// Tests of the second phase; `None` where none was requested.
    pub second_phase: Option<Vec<SecondPhase>>,
}

impl Growth {
    /// Everything that is fitted.
    ///
    /// # Errors
    /// Terms that no curve has; a unit of comparison that the tables contradict; redraws of
    /// equations where there are none.
    pub(super) fn of(study: &Study, scans: &Scans, options: &Options) -> Result<Self> {
        let wanted = &options.growth;
        trajectory::check(&wanted.request)?;
        trajectory::check_unit(study, &wanted.request)?;
        let progress = &options.progress;
        let sampled = sampled(study, options);
        // Of unnamed birds alone there is no bird or pooled series to fit.
        let request = &match has_ringed(study) {
            true => wanted.request.clone(),
            false => trajectory::Request {
                birds: false,
                strains: false,
                population: None,
                ..wanted.request.clone()
            },
        };
        let subjects = study.traits.len()
            * (usize::from(request.birds) * study.birds.len()
                + usize::from(request.strains) * study.strains.len()
                + usize::from(request.population.is_some()));
        progress.begin("fitting", subjects);
        let trajectories = Trajectories::fit(study, request, &|done| progress.advance(done));
        progress.end();
        let (intervals, validation) = further(study, &trajectories, options);
        Ok(Self {
            intervals,
            validation,
            profiles: if wanted.profiles {
                profiles::of_strains(study, &trajectories, options.confidence)
            } else {
                Vec::new()
            },
            shares: scans.shares(study, &trajectories, options)?,
            second_phase: second_phase(study, &trajectories, options),
            trajectories,
            sampled,
        })
    }
}

/// Whether any ringed bird was weighed.
pub(super) fn has_ringed(study: &Study) -> bool {
    let mut traits = study.traits.iter();
    traits.any(|records| !records.values.is_empty() || !records.groups.is_empty())
}

/// The model of unnamed birds, with the curves and the groups of the models of the traits.
fn sampled(study: &Study, options: &Options) -> Option<SampledTrait> {
    let request = &options.growth.request;
    let population = request.population.as_ref();
    let by = population.map_or(&[][..], |population| &population.groups);
    SampledTrait::of(study, &request.curves, by)
}

/// Intervals by another method, and what the curves predict of what was hidden from them.
fn further(
    study: &Study,
    trajectories: &Trajectories,
    options: &Options,
) -> (Intervals, Validation) {
    let (wanted, progress) = (&options.growth, &options.progress);
    let done = |done| progress.advance(done);
    let mut intervals = Intervals::default();
    if wanted.intervals != Method::Wald {
        let derived = derived_quantities(&options.ages_d, &options.masses_g);
        let fits = trajectories.subjects.len() + trajectories.models.len();
        progress.begin(wanted.intervals.name(), fits);
        let asked = (&derived[..], wanted.intervals);
        intervals =
            trajectories.intervals(study, &wanted.request, asked, options.confidence, &done);
        progress.end();
    }
    let mut validation = Validation::default();
    if wanted.cross_validate {
        progress.begin("cross-validating", study.strains.len() * study.traits.len());
        validation = trajectories.validate(study, &wanted.request, &done);
        progress.end();
    }
    (intervals, validation)
}

/// Whether the models have a second phase at all; no test of a model without one.
fn second_phase(
    study: &Study,
    trajectories: &Trajectories,
    options: &Options,
) -> Option<Vec<SecondPhase>> {
    let simulation = Simulation {
        count: options.growth.second_phase_studies?,
        seed: options.seed,
    };
    let models = trajectories.models.iter();
    let fits: Vec<&PopulationFit> = models.filter_map(TraitModel::growth).collect();
    let progress = &options.progress;
    progress.begin(
        "simulating",
        trajectory::simulated_studies(study, &fits, simulation.count),
    );
    let tests = trajectory::second_phase(study, &fits, simulation, &|done| progress.advance(done));
    progress.end();
    Some(tests)
}
