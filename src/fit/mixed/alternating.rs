//! The alternating method: penalised least squares, then a linear mixed model.
//!
//! Lindstrom and Bates 1990 (Biometrics 46:673-687); Pinheiro and Bates 2000, ch. 7.
//! One alternation:
//! 1. every subject is put at the least of |r|^2 + |u|^2 (whitened residuals r,
//!    spherical random effects u, b = L u), the fixed effects held;
//! 2. the model is linearised there, and the linear mixed model's likelihood is
//!    maximised over the factor L (and the error terms), which also moves the
//!    fixed effects and predicts all random effects.
//!
//! The fixed point is that of the classical method, whose penalised step moves the
//! fixed effects too: at it, neither step moves anything. The log-likelihood given
//! is the linearised model's, as the classical software prints it. Near the fixed
//! point step 1 costs one evaluation of each subject's curve.

use rayon::prelude::*;

use super::anderson::Mixing;
use super::conditional::effects_of;
use super::conditional_mode::{Pass, Settle, Task};
use super::error_terms::{error_terms, logit, phi};
use super::linear::{FactorStep, Factors, Linear, Profile};
use super::model::MixedModel;
use super::problem::{CHUNK, Errors, Problem};
use super::woodbury::stride;

/// Everything that is estimated.
#[derive(Debug, Clone)]
pub(super) struct State {
    pub(super) beta: Vec<f64>,
    /// Lower-triangular factor of the random effects' covariance over sigma^2, q x q.
    pub(super) factor: Vec<f64>,
    /// The same of the cluster effects: a diagonal matrix.
    pub(super) cluster_factor: Vec<f64>,
    pub(super) variance: f64,
    pub(super) errors: Errors,
    /// Spherical random effects, subjects x q.
    pub(super) spherical: Vec<f64>,
    /// Spherical cluster effects, clusters x their number.
    pub(super) cluster_spherical: Vec<f64>,
}

impl State {
    pub(super) fn factors(&self) -> Factors<'_> {
        Factors {
            subjects: &self.factor,
            clusters: &self.cluster_factor,
        }
    }

    /// Effects of the clusters, clusters x their number.
    pub(super) fn cluster_effects(&self, q: usize) -> Vec<f64> {
        let mut effects = vec![0.0; self.cluster_spherical.len()];
        let each = effects.chunks_exact_mut(q.max(1));
        for (effects, spherical) in each.zip(self.cluster_spherical.chunks_exact(q.max(1))) {
            effects_of(&self.cluster_factor, spherical, effects);
        }
        effects
    }
}

/// The end of an alternation.
#[derive(Debug)]
pub(super) struct Alternated {
    pub(super) state: State,
    pub(super) profile: Profile,
    pub(super) step: FactorStep,
    /// Covariance of (power, logit phi), as far as they are estimated.
    pub(super) error_covariance: Vec<f64>,
    /// Distance to the next iterate in standard errors.
    pub(super) offset: f64,
    pub(super) iterations: usize,
    /// Subjects' numbers, [`stride`] each.
    pub(super) numbers: Vec<f64>,
}

/// A distance to the next iterate, in standard errors, that ends the alternation:
/// small beside any digit that is printed.
const OFFSET: f64 = 1e-5;
const MOST_ALTERNATIONS: usize = 300;
/// Settling steps go on while a subject is farther from its mode than this, in
/// posterior standard deviations squared.
const SETTLED: f64 = 0.04;

/// After this number of rounds an alternation that shrinks its steps by less than `SLOW` a
/// round is helped by [`Mixing`].
const PATIENCE: usize = 5;
const SLOW: f64 = 0.4;
/// Least SD of a cluster effect over sigma: beside it no digit of anything changes, and a
/// likelihood that takes more again still has a slope.
const LEAST_CLUSTER: f64 = 1e-14;

/// Alternation in progress.
pub(super) struct Alternation<'p, 'a> {
    pub(super) problem: &'p Problem<'a>,
    pub(super) state: State,
    tasks: Vec<Task>,
    linear: Linear,
    numbers: Vec<f64>,
    /// How near its mode a subject is settled, in posterior SDs squared.
    enough: f64,
}

impl<'p, 'a> Alternation<'p, 'a> {
    pub(super) fn new(problem: &'p Problem<'a>, model: &MixedModel<'_>, state: State) -> Self {
        let subjects = problem.subjects();
        let tasks = (0..subjects.div_ceil(CHUNK))
            .map(|chunk| {
                let first = problem.starts[chunk * CHUNK];
                let end = problem.starts[((chunk + 1) * CHUNK).min(subjects)];
                Task::new(problem, end - first)
            })
            .collect();
        let mut linear = Linear::new(problem, model.covariance, model.criterion);
        linear.off_zero = model.off_zero;
        Self {
            problem,
            state,
            tasks,
            linear,
            numbers: vec![0.0; subjects * stride(problem.p)],
            enough: SETTLED,
        }
    }

    /// Alternates to the fixed point; there, up to `probes` times, looks for better
    /// modes of the subjects and goes on from them.
    pub(super) fn run(
        mut self,
        settle_limit: usize,
        mut probes: usize,
    ) -> Result<Alternated, String> {
        let mut before = self.state.beta.clone();
        let mut halvings = 0;
        let mut error_covariance = Vec::new();
        let mut offset = f64::INFINITY;
        let mut mixing: Option<Mixing> = None;
        for iteration in 0..MOST_ALTERNATIONS {
            let last_offset = offset;
            let from = mixing.as_ref().map(|_| self.place());
            let pass = if iteration == 0 {
                Pass::First
            } else {
                Pass::Settle
            };
            let clusters_before = self.state.cluster_effects(self.problem.cluster.len());
            let improved = if self.pass(pass, self.state.errors, settle_limit) {
                self.improve(3)
            } else {
                None
            };
            let Some((mut profile, mut step, moved)) = improved else {
                halvings += 1;
                if halvings > 10 || iteration == 0 {
                    return Err("the curve has no finite value, or the linearised model no likelihood, near the start; try another curve, fewer random terms, or the log scale".to_owned());
                }
                for (value, before) in self.state.beta.iter_mut().zip(&before) {
                    *value = 0.5 * (*value + before);
                }
                self.state.spherical.fill(0.0);
                self.state.cluster_spherical.fill(0.0);
                continue;
            };
            offset = moved.max(profile.change_in_errors);
            before.clone_from(&self.state.beta);
            offset = offset.max(self.cluster_change(&clusters_before, &profile));
            if self.error_terms() > 0 {
                self.move_fixed_effects(&profile.change);
                let (distance, covariance) = self.improve_errors(&mut profile, &mut step)?;
                offset = offset.max(distance);
                error_covariance = covariance;
            }
            self.state.variance = profile.variance;
            if offset < OFFSET && probes > 0 && self.better_modes(settle_limit) {
                probes -= 1;
                mixing = None;
                offset = f64::INFINITY;
                continue;
            }
            if offset < OFFSET {
                return Ok(Alternated {
                    state: self.state,
                    profile,
                    step,
                    error_covariance,
                    offset,
                    iterations: iteration + 1,
                    numbers: self.numbers,
                });
            }
            self.move_fixed_effects(&profile.change);
            if let (Some(mixing), Some(from)) = (&mut mixing, from) {
                let to = mixing.next(&from, &self.place(), &self.sizes(&profile, &step));
                self.put(&to);
            } else if iteration >= PATIENCE && offset > SLOW * last_offset {
                self.enough = 1e-12;
                mixing = Some(Mixing::default());
            }
        }
        Err(format!(
            "the alternation did not settle in {MOST_ALTERNATIONS} rounds (last change {offset:.2} standard errors); fewer random terms or a diagonal covariance may help"
        ))
    }

    fn better_modes(&mut self, limit: usize) -> bool {
        self.problem.q > 0
            && self.pass(Pass::Probe, self.state.errors, limit)
            && self.tasks.iter().any(|task| task.moved)
    }

    /// Everything that the alternation moves, as one vector.
    fn place(&self) -> Vec<f64> {
        let (state, q) = (&self.state, self.problem.q);
        let mut place = state.beta.clone();
        place.extend(
            self.linear
                .entries
                .iter()
                .map(|(row, column)| state.factor[row * q + column]),
        );
        place.extend(self.problem.cluster_sds(&state.cluster_factor));
        place.push(state.errors.power);
        place.push(logit(state.errors.phi));
        place.extend(&state.cluster_spherical);
        place
    }

    /// Greatest change of a cluster's effect, in SDs between clusters, or in the errors
    /// of a cluster's mean where these are greater.
    fn cluster_change(&self, before: &[f64], profile: &Profile) -> f64 {
        let outer = self.problem.cluster.len();
        let sigma = profile.variance.sqrt();
        let after = self.state.cluster_effects(outer);
        let changes = after.iter().zip(before).enumerate().map(|(at, (a, b))| {
            let c = at % outer;
            let (row, column) = self.problem.cluster_entry(c);
            let sd = self.state.cluster_factor[row * outer + column];
            // An effect that is going to zero has no size to be compared with.
            let error = self.linear.cluster_error(self.problem, c);
            (a - b).abs() / (sd.max(error) * sigma)
        });
        changes.fold(0.0, f64::max)
    }

    fn put(&mut self, place: &[f64]) {
        let (state, q) = (&mut self.state, self.problem.q);
        let (beta, rest) = place.split_at(state.beta.len());
        state.beta.copy_from_slice(beta);
        for ((row, column), value) in self.linear.entries.iter().zip(rest) {
            state.factor[row * q + column] = *value;
        }
        make_diagonal_positive(&mut state.factor, q);
        let spreads = self.problem.cluster_spreads();
        let (clusters, errors) = rest[self.linear.entries.len()..].split_at(spreads);
        for (spread, value) in clusters.iter().enumerate() {
            let sd = value.abs().max(LEAST_CLUSTER);
            let factor = &mut state.cluster_factor;
            self.problem.set_cluster_sd(factor, spread, sd);
        }
        state.cluster_spherical.copy_from_slice(&errors[2..]);
        state.errors = Errors {
            power: errors[0],
            phi: phi(errors[1]),
        };
    }

    /// About one standard error of each part of [`Self::place`].
    fn sizes(&self, profile: &Profile, step: &FactorStep) -> Vec<f64> {
        let count = self.linear.entries.len() + self.problem.cluster_spreads();
        let mut sizes = self.problem.blocks.scales(&profile.information);
        let sigma = profile.variance.sqrt();
        sizes.iter_mut().for_each(|size| *size *= sigma);
        sizes.extend((0..count).map(|k| {
            let information = step.information[k * count + k];
            if information > 0.0 {
                1.0 / information.sqrt()
            } else {
                1.0
            }
        }));
        sizes.extend([0.1, 0.1]);
        sizes.extend(self.state.cluster_spherical.iter().map(|_| sigma));
        sizes
    }

    fn move_fixed_effects(&mut self, change: &[f64]) {
        for (value, change) in self.state.beta.iter_mut().zip(change) {
            *value += change;
        }
    }

    pub(super) fn error_terms(&self) -> usize {
        error_terms(self.problem)
    }

    /// One pass over all subjects; false where a curve has no finite value.
    pub(super) fn pass(&mut self, pass: Pass, errors: Errors, limit: usize) -> bool {
        let (problem, q) = (self.problem, self.problem.q);
        let width = stride(problem.p);
        let cluster_effects = self.state.cluster_effects(problem.cluster.len());
        let State {
            beta,
            factor,
            variance,
            spherical,
            ..
        } = &mut self.state;
        let settle = Settle {
            cluster_effects: &cluster_effects,
            problem,
            beta,
            factor,
            errors,
            enough: self.enough * *variance,
            sigma: variance.sqrt(),
            limit,
            pass,
        };
        // Without random effects the chunks of an empty slice would be none.
        let mut none = vec![0.0; if q == 0 { problem.subjects() } else { 0 }];
        let effects = if q == 0 { &mut none } else { spherical };
        self.tasks
            .par_iter_mut()
            .zip(self.numbers.par_chunks_mut(CHUNK * width))
            .zip(effects.par_chunks_mut(CHUNK * q.max(1)))
            .enumerate()
            .for_each(|(chunk, ((task, numbers), spherical))| {
                task.failed = false;
                task.moved = false;
                for (at, (numbers, spherical)) in numbers
                    .chunks_exact_mut(width)
                    .zip(spherical.chunks_exact_mut(q.max(1)))
                    .enumerate()
                {
                    let spherical = &mut spherical[..q];
                    if !settle.subject(task, chunk * CHUNK, chunk * CHUNK + at, spherical, numbers)
                    {
                        task.failed = true;
                    }
                }
            });
        self.tasks.iter().all(|task| !task.failed)
    }

    /// Scoring steps on the factor; writes the predicted random effects. Returns
    /// also the first step's length in standard errors.
    pub(super) fn improve(&mut self, steps: usize) -> Option<(Profile, FactorStep, f64)> {
        let problem = self.problem;
        let q = problem.q;
        let mut profile = self
            .linear
            .value(problem, &self.numbers, self.state.factors())?;
        let mut moved = None;
        let mut left = steps;
        loop {
            let State {
                factor,
                cluster_factor,
                spherical,
                cluster_spherical,
                ..
            } = &mut self.state;
            let factors = Factors {
                subjects: factor,
                clusters: cluster_factor,
            };
            let step = self.linear.step(
                problem,
                &self.numbers,
                factors,
                &profile,
                spherical,
                cluster_spherical,
            )?;
            let first = *moved.get_or_insert(step.in_errors);
            if left == 0 || step.in_errors < 0.1 * OFFSET {
                return Some((profile, step, first));
            }
            left -= 1;
            let mut share = 1.0;
            loop {
                let mut trial = self.state.factor.clone();
                for ((row, column), change) in self.linear.entries.iter().zip(&step.step) {
                    trial[row * q + column] += share * change;
                }
                make_diagonal_positive(&mut trial, q);
                let clusters = self.cluster_trial(&step.step, share);
                let factors = Factors {
                    subjects: &trial,
                    clusters: &clusters,
                };
                if let Some(next) = self.linear.value(problem, &self.numbers, factors)
                    && next.log_lik >= profile.log_lik - 1e-10 * profile.log_lik.abs()
                {
                    self.state.factor = trial;
                    self.state.cluster_factor = clusters;
                    profile = next;
                    break;
                }
                share *= 0.5;
                if share < 1e-4 {
                    return Some((profile, step, first));
                }
            }
        }
    }

    /// The clusters' factor after a share of a step. An SD that grows does so by the same
    /// step in its variance, which near zero is the straighter scale.
    fn cluster_trial(&self, step: &[f64], share: f64) -> Vec<f64> {
        let mut trial = self.state.cluster_factor.clone();
        let sds = self.problem.cluster_sds(&self.state.cluster_factor);
        let steps = &step[self.linear.entries.len()..];
        for (spread, (sd, step)) in sds.zip(steps).enumerate() {
            let change = share * step;
            let moved = if change > 0.0 {
                (sd * sd + 2.0 * sd * change).sqrt()
            } else {
                (sd + change).abs()
            };
            let sd = moved.max(LEAST_CLUSTER);
            self.problem.set_cluster_sd(&mut trial, spread, sd);
        }
        trial
    }
}

/// Turns the sign of columns whose diagonal entry is negative: L L' is the same.
fn make_diagonal_positive(factor: &mut [f64], q: usize) {
    for column in 0..q {
        if factor[column * q + column] < 0.0 {
            for row in column..q {
                factor[row * q + column] = -factor[row * q + column];
            }
        }
    }
}
