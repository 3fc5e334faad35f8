//! One curve, many subjects: nonlinear mixed effects.
//!
//! Subject i has y_ij = f(age_ij, phi_i) + e_ij, where each curve term is
//! phi = fixed effect of its group + random effect of the subject (or times
//! exp(random effect)), random effects are normal with mean 0, and the residuals
//! have a variance model and perhaps a correlation that fades with the days apart.
//! A subject with three weighings borrows from the others what it does not determine; one
//! that died early is no special case.
//!
//! Start reading here: [`MixedModel::new`] checks the options, [`MixedModel::fit`]
//! fits [`Subjects`] and ends in a [`MixedOutcome`]. `problem.rs` lays the model
//! over the data. The classical method is `alternating.rs` with `conditional_mode.rs` (subjects to
//! their modes), `linear.rs` with `woodbury.rs` (the linear mixed model) and
//! `error_terms.rs`; effects of clusters of subjects are `clusters.rs`; what is not known of the
//! variance terms is carried into degrees of freedom and modes by `covariance_error.rs`. The marginal likelihood (Laplace, or quadrature) is `laplace.rs` over
//! `likelihood.rs` (all subjects) over `marginal.rs` with `mode.rs`, `nodes.rs` and
//! `follow.rs` (one subject) over `contribution.rs` (its data). `ending.rs` makes the result, with
//! `conditional.rs` (subjects' own curves), `vanished.rs` (spread that went to zero) and
//! `caution.rs`. A [`Population`] is what a fit
//! leaves for new subjects (`population.rs`): it draws them (`simulate.rs`) and forecasts
//! them from their first values (`forecast.rs`). Without random terms the same code
//! fits a marginal model (generalised nonlinear least squares).
//!
//! The two estimators maximise different functions. The alternating method
//! maximises the likelihood of a model linearised around the modes, the others an
//! approximation of the true marginal likelihood, which for quadrature tends to it
//! as nodes are added. They agree as random effects grow small beside the curve's
//! bending, or as observations a subject grow many. Compare log-likelihoods only
//! between fits of one estimator.
//!
//! Time and memory are linear in the subjects, and results do not depend on the
//! number of threads. This module is independent of birds and files.
#![allow(
    clippy::neg_cmp_op_on_partial_ord,
    reason = "a comparison with NaN must end in doubt, not in success"
)]
#![allow(
    clippy::needless_range_loop,
    reason = "triangles are read by row and column, as the formulas are written"
)]

mod alternating;
mod anderson;
mod between_clusters;
mod blocks;
mod caution;
mod cholesky;
mod clusters;
mod conditional;
mod conditional_mode;
mod contribution;
mod covariance_error;
mod ending;
mod error_terms;
mod estimates;
mod expected;
mod follow;
mod forecast;
mod group_shift;
mod laplace;
mod laplace_ending;
mod likelihood;
mod linear;
mod marginal;
mod mode;
mod model;
mod nodes;
mod population;
mod problem;
mod profile;
mod quadrature;
mod residual;
mod result;
mod scale;
mod simulate;
mod spherical;
mod spread;
mod start;
mod subjects;
mod unseen;
mod unsupported;
mod vanished;
mod variance_error;
mod woodbury;

use std::collections::BTreeSet;

use alternating::{Alternated, Alternation, State};
use between_clusters::{BetweenClusters, ByModel};
use ending::Ending;
use problem::{Errors, Problem};
use variance_error::VarianceError;
use woodbury::stride;

pub use covariance_error::CovarianceError;
pub use expected::{SpreadParameter, SubjectInformation};
pub use forecast::{Forecast, Forecasts};
pub use model::{
    Correlation, Covariance, Criterion, Estimator, GroupedTerms, MixedModel, MixedOptions, Nodes,
    RandomScale, RandomTerm,
};
pub use population::{Population, PopulationNumbers};
pub use residual::MixedResidual;
pub use result::{Certificate, Estimated, FixedEffect, MixedFit, MixedOutcome, RandomEffect};
pub use scale::TermScale;
pub use simulate::Simulation;
pub use subjects::Subjects;
pub use vanished::Vanished;

use crate::fit::{Failure, Variance, Weakness};

/// Settling steps a subject may take in one alternation.
const SETTLE_LIMIT: usize = 12;

impl MixedModel<'_> {
    /// Fits the model from its default start.
    ///
    /// Data that cannot carry the model end in [`MixedOutcome::Failed`] with the
    /// reason: that is an answer, not an error.
    #[must_use]
    pub fn fit(&self, subjects: &Subjects<'_>) -> MixedOutcome {
        self.allowing_for_unsupported(self.outcome(subjects, None), subjects)
    }

    /// Fits the model from where another fit of it ended, with as many nodes as that one
    /// took: what a bootstrap by subject calls again and again.
    #[must_use]
    pub fn fit_from(&self, subjects: &Subjects<'_>, start: &MixedFit) -> MixedOutcome {
        self.outcome(subjects, Some(start))
    }

    fn outcome(&self, subjects: &Subjects<'_>, start: Option<&MixedFit>) -> MixedOutcome {
        match self.ending(subjects, start) {
            Ok((fit, weaknesses)) if weaknesses.is_empty() => {
                MixedOutcome::Converged(Box::new(fit))
            }
            Ok((fit, weaknesses)) => MixedOutcome::Weak(Box::new(fit), weaknesses),
            Err(reason) => MixedOutcome::Failed(Failure {
                reason,
                n: subjects.observations(),
                tried: true,
            }),
        }
    }

    fn ending(
        &self,
        subjects: &Subjects<'_>,
        start: Option<&MixedFit>,
    ) -> Result<(MixedFit, Vec<Weakness>), String> {
        self.carries(subjects)?;
        let problem = Problem::new(self, subjects)?;
        let state = match start {
            Some(fit) if fit.state.beta.len() == problem.fixed => {
                let mut state = fit.state.clone();
                state.spherical = vec![0.0; subjects.len() * problem.q];
                self.start_clusters(&problem, &mut state);
                state
            }
            _ => self.start(subjects, &problem)?,
        };
        let estimator = start.map_or(self.estimator, |fit| fit.estimator);
        // A start from another fit has its modes already.
        let probes = if start.is_some() { 0 } else { 3 };
        let mut state = state;
        let mut alternated =
            Alternation::new(&problem, self, state.clone()).run(SETTLE_LIMIT, probes);
        // A spread that follows a poor start leads astray: the curves of constant spread
        // are a better one.
        if alternated.is_err()
            && problem.variance == Variance::Power
            && let Some(even) = self.of_constant_spread(subjects, &state)
        {
            alternated = Alternation::new(&problem, self, even.clone()).run(SETTLE_LIMIT, probes);
            state = even;
        }
        let ending = match (estimator, alternated) {
            (Estimator::Alternating, alternated) => {
                // A bootstrap requires estimates alone.
                let reported = start.is_none() && self.criterion == Criterion::RestrictedLikelihood;
                end_alternation(&problem, self, alternated?, reported)
            }
            (_, Ok(alternated)) => {
                let begun = end_alternation(&problem, self, alternated, false);
                laplace::maximise(
                    &problem,
                    self,
                    estimator,
                    &begun.state,
                    Some(&begun.beta_covariance),
                )?
            }
            // The marginal likelihood may have a maximum where the linearised one
            // does not settle.
            (_, Err(_)) => laplace::maximise(&problem, self, estimator, &state, None)?,
        };
        Ok(ending.result(&problem, self, subjects))
    }

    /// The state at which the same model with a constant residual spread ends.
    fn of_constant_spread(&self, subjects: &Subjects<'_>, state: &State) -> Option<State> {
        let model = Self {
            variance: Variance::Constant,
            ..self.clone()
        };
        let problem = Problem::new(&model, subjects).ok()?;
        let mut start = state.clone();
        start.errors.power = 0.0;
        let ended = Alternation::new(&problem, &model, start).run(SETTLE_LIMIT, 0);
        ended.ok().map(|ended| ended.state)
    }

    /// Whether data carry the model at all; the reason in words where not.
    fn carries(&self, subjects: &Subjects<'_>) -> Result<(), String> {
        if subjects.is_empty() {
            return Err("no subjects".to_owned());
        }
        let q = self.random.len();
        if q > 0 && subjects.len() < 2 {
            return Err(
                "one subject only: a spread between subjects needs at least two; fit its own curve"
                    .to_owned(),
            );
        }
        let longest = subjects
            .starts
            .windows(2)
            .map(|bounds| bounds[1] - bounds[0])
            .max()
            .unwrap_or(0);
        if q > 0 && longest < 2 {
            return Err("every subject has one observation: differences between subjects cannot be separated from residuals; fit a curve without random terms".to_owned());
        }
        if !self.cluster.is_empty() {
            let (Some(_), count) = (&subjects.clusters, subjects.cluster_count()) else {
                return Err("cluster effects, and no clusters of the subjects".to_owned());
            };
            let groups: BTreeSet<usize> = subjects.groups.iter().copied().collect();
            if count <= groups.len() {
                return Err(format!(
                    "{count} clusters in {} groups: a spread between clusters needs a group with at least two; leave the cluster effects out",
                    groups.len()
                ));
            }
        }
        let count = self.grouped.iter().fold(0, |sum, grouped| {
            sum + if *grouped { subjects.group_count() } else { 1 }
        });
        if subjects.observations() <= count + q {
            return Err(format!(
                "{} observations for {count} fixed effects and {q} random SDs; more observations are needed",
                subjects.observations()
            ));
        }
        Ok(())
    }

    /// Start from the mean curves of the groups.
    fn start(&self, subjects: &Subjects<'_>, problem: &Problem<'_>) -> Result<State, String> {
        let p = problem.p;
        let groups = subjects.group_count();
        let unfit = || {
            format!(
                "the curve {} has no start for the mean of these subjects; try another curve",
                self.curve.name()
            )
        };
        let all = start::mean_curve(self.curve, subjects, None).ok_or_else(unfit)?;
        let mut group_terms = vec![all.clone(); groups];
        if self.grouped.contains(&true) && groups > 1 {
            for (group, terms) in group_terms.iter_mut().enumerate() {
                if let Some(own) = start::mean_curve(self.curve, subjects, Some(group)) {
                    for term in (0..p).filter(|term| self.grouped[*term]) {
                        terms[term] = own[term];
                    }
                }
            }
        }
        let mut beta = vec![0.0; problem.fixed];
        let mut eta = vec![0.0; p];
        for (group, terms) in group_terms.iter().enumerate() {
            if !scale::from_terms(&self.scales, terms, &mut eta) {
                return Err(
                    "the mean curve has a term at or below zero, or out of order, that was to vary on the log scale; take the natural scale"
                        .to_owned(),
                );
            }
            for (value, column) in eta.iter().zip(&problem.columns[group * p..]) {
                beta[*column] = *value;
            }
        }
        let spread = start::mean_square(self.curve, subjects, &group_terms);
        let size = spread.sqrt();
        // Rounding leaves some 1e-13 of the values where birds lie on one curve.
        let greatest = subjects
            .values
            .iter()
            .fold(0.0, |greatest: f64, value| greatest.max(value.abs()));
        if !(size > 1e-11 * greatest && size.is_finite()) {
            return Err(
                "all values lie exactly on one curve: there is no residual to estimate from"
                    .to_owned(),
            );
        }
        let power = if problem.spread_follows_mean() {
            1.0
        } else {
            0.0
        };
        // Half of the spread around the mean curve is the residuals' to begin with;
        // log-normal and proportional errors are relative to the mean value.
        let relative = match problem.variance {
            Variance::LogNormal => 0.5 * size / problem.reference.exp(),
            _ => 0.5 * size,
        };
        let q = problem.q;
        let mut factor = vec![0.0; q * q];
        for (k, term) in self.random.iter().enumerate() {
            let deviation = match self.scales[*term] {
                scale::TermScale::Natural => 0.15 * all[*term].abs().max(1e-6),
                _ => 0.15,
            };
            factor[k * q + k] = deviation / relative;
        }
        let mut state = State {
            beta,
            factor,
            variance: relative * relative,
            errors: Errors {
                power,
                phi: start_phi(subjects),
            },
            spherical: vec![0.0; subjects.len() * q],
            cluster_factor: Vec::new(),
            cluster_spherical: Vec::new(),
        };
        self.start_clusters(problem, &mut state);
        Ok(state)
    }

    /// Clusters begin at no effect, and a spread of a third of the subjects' start.
    fn start_clusters(&self, problem: &Problem<'_>, state: &mut State) {
        let (p, q) = (problem.p, problem.cluster.len());
        if state.cluster_factor.len() != q * q {
            state.cluster_factor = vec![0.0; q * q];
            for (c, term) in problem.cluster.iter().enumerate() {
                let size = match self.scales[*term] {
                    scale::TermScale::Natural => {
                        let values = problem.columns.iter().skip(*term).step_by(p);
                        let sizes = values.map(|at| state.beta[*at].abs());
                        sizes.fold(1e-6, f64::max)
                    }
                    _ => 1.0,
                };
                let (row, column) = problem.cluster_entry(c);
                state.cluster_factor[row * q + column] = 0.05 * size / state.variance.sqrt();
            }
        }
        state.cluster_spherical = vec![0.0; problem.cluster_level().groups.len() * q];
    }
}

/// A correlation of 0.3 between neighbouring observations, as one a day.
fn start_phi(subjects: &Subjects<'_>) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for bounds in subjects.starts.windows(2) {
        let ages = &subjects.ages_d[bounds[0]..bounds[1]];
        for pair in ages.windows(2) {
            sum += pair[1] - pair[0];
            count += 1.0;
        }
    }
    let gap = if sum > 0.0 { sum / count } else { 1.0 };
    0.3_f64.powf(1.0 / gap)
}

/// How well the variance terms are known, and, where groups are compared by the variation
/// between clusters, the covariance of the fixed effects by that.
fn errors(
    problem: &Problem<'_>,
    model: &MixedModel<'_>,
    (state, numbers): (&State, &[f64]),
    by_model: ByModel<'_>,
) -> (Option<VarianceError>, Option<Vec<f64>>) {
    let of_model = VarianceError::of(problem, model.covariance, state, numbers, by_model.variance);
    let between = model
        .between_clusters
        .then(|| BetweenClusters::of(problem, numbers, state.factors(), by_model))
        .flatten();
    let Some(between) = between else {
        return (of_model, None);
    };
    let none = || vec![0.0; problem.subjects() * problem.p * problem.p];
    let errors = VarianceError {
        covariance: between.directions,
        wishart_df: Some(between.df),
        modes: of_model.map_or_else(none, |error| error.modes),
    };
    (
        Some(errors),
        Some(problem.blocks.whole(&between.covariance)),
    )
}

/// The end of an alternation as an ending; with the error of the variance terms where the fit
/// is one to be reported.
fn end_alternation(
    problem: &Problem<'_>,
    model: &MixedModel<'_>,
    alternated: Alternated,
    reported: bool,
) -> Ending {
    let (p, q, outer) = (problem.p, problem.q, problem.cluster_spreads());
    let Alternated {
        state,
        profile,
        step,
        error_covariance,
        offset,
        iterations,
        numbers,
    } = alternated;
    let mut weaknesses = Vec::new();
    if profile.information.ridge > 0.0 {
        weaknesses.push(Weakness {
            term: None,
            reason: "some fixed effects cannot be separated with these data: their information is singular".to_owned(),
        });
    }
    let mut inverse = problem.blocks.inverse(&profile.information);
    inverse
        .iter_mut()
        .for_each(|value| *value *= profile.variance);
    let beta_covariance = problem.blocks.whole(&inverse);
    // With the inverse already times sigma^2, the rest of it has to be too.
    let cluster_covariances = clusters::covariances(
        problem,
        &numbers,
        state.factors(),
        &inverse,
        profile.variance,
    );
    let (variance_error, group_covariance) = if reported {
        let by_model = ByModel {
            covariance: &inverse,
            variance: profile.variance,
            change: &profile.change,
        };
        errors(problem, model, (&state, &numbers), by_model)
    } else {
        (None, None)
    };
    let information = numbers
        .chunks_exact(stride(p))
        .flat_map(|numbers| {
            numbers[..p * p]
                .iter()
                .map(|value| value / profile.variance)
        })
        .collect();
    let entries = problem.free_entries(step.step.len() > q + outer);
    let mut spread = spread::spread_errors(problem, &state, &entries, &step);
    let mut cluster_log_sd_errors = spread.log_sds.split_off(q);
    if problem.common_cluster {
        let common = cluster_log_sd_errors.first().copied().flatten();
        cluster_log_sd_errors = vec![common; problem.cluster.len()];
    }
    let mut error_variances = (0..error_terms::error_terms(problem))
        .map(|k| error_covariance[k * error_terms::error_terms(problem) + k]);
    let power_error = (problem.variance == Variance::Power)
        .then(|| error_variances.next())
        .flatten()
        .map(f64::sqrt);
    let logit_phi_error = (problem.correlation == Correlation::Ar1)
        .then(|| error_variances.next())
        .flatten()
        .map(f64::sqrt);
    Ending {
        estimator: Estimator::Alternating,
        undetermined: false,
        state,
        beta_covariance,
        group_covariance,
        information,
        log_sd_errors: spread.log_sds,
        cluster_covariances,
        variance_error,
        cluster_log_sd_errors,
        // With a power beside it sigma has no separate error here.
        log_sigma_error: power_error.is_none().then_some(spread.log_sigma).flatten(),
        correlation_errors: spread.correlations,
        power_error,
        logit_phi_error,
        log_lik: profile.log_lik,
        certificate: Certificate {
            gradient: offset,
            least_eigenvalue: spread.least_eigenvalue,
            iterations,
        },
        weaknesses,
    }
}
