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

use super::cholesky;
use super::linear::{FactorStep, Linear, Profile, stride};
use super::mixing::Mixing;
use super::model::{Correlation, MixedModel};
use super::problem::{CHUNK, Errors, Problem, Scratch};
use crate::fit::Variance;

/// Everything that is estimated.
#[derive(Debug, Clone)]
pub(super) struct State {
    pub(super) beta: Vec<f64>,
    /// Lower-triangular factor of the random effects' covariance over sigma^2, q x q.
    pub(super) factor: Vec<f64>,
    pub(super) variance: f64,
    pub(super) errors: Errors,
    /// Spherical random effects, subjects x q.
    pub(super) spherical: Vec<f64>,
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

/// Memory and spread of the fitted values of one chunk of subjects.
#[derive(Debug)]
struct Task {
    scratch: Scratch,
    /// Fitted values that the spread is taken at, all observations of the chunk.
    mu: Vec<f64>,
    effects: Vec<f64>,
    m: Vec<f64>,
    gradient: Vec<f64>,
    step: Vec<f64>,
    trial: Vec<f64>,
    start: Vec<f64>,
    failed: bool,
    /// Whether a probe found a better mode.
    moved: bool,
}

/// What a pass over the subjects does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Pass {
    /// First pass: spreads are taken at the values found.
    First,
    /// Settle each subject, spreads held from the pass before.
    Settle,
    /// Settle, and look for a better mode elsewhere.
    Probe,
    /// Only linearise again, at the present spreads' means and other error terms.
    Relinearise,
}

/// A distance to the next iterate, in standard errors, that ends the alternation:
/// small beside any digit that is printed.
const OFFSET: f64 = 1e-5;
const MOST_ALTERNATIONS: usize = 300;
/// Settling steps go on while a subject is farther from its mode than this, in
/// posterior standard deviations squared.
const SETTLED: f64 = 0.04;

/// After so many rounds an alternation that shrinks its steps by less than `SLOW` a
/// round is helped by [`Mixing`].
const PATIENCE: usize = 5;
const SLOW: f64 = 0.4;

/// Alternation in progress.
pub(super) struct Alternation<'p, 'a> {
    problem: &'p Problem<'a>,
    state: State,
    tasks: Vec<Task>,
    linear: Linear,
    numbers: Vec<f64>,
    /// How near its mode a subject is settled, in posterior SDs squared.
    enough: f64,
}

impl<'p, 'a> Alternation<'p, 'a> {
    pub(super) fn new(problem: &'p Problem<'a>, model: &MixedModel<'_>, state: State) -> Self {
        let subjects = problem.subjects();
        let q = problem.q;
        let tasks = (0..subjects.div_ceil(CHUNK))
            .map(|chunk| {
                let first = problem.starts[chunk * CHUNK];
                let end = problem.starts[((chunk + 1) * CHUNK).min(subjects)];
                Task {
                    scratch: problem.scratch(),
                    mu: vec![0.0; end - first],
                    effects: vec![0.0; q],
                    m: vec![0.0; q * q],
                    gradient: vec![0.0; q],
                    step: vec![0.0; q],
                    trial: vec![0.0; q],
                    start: vec![0.0; q],
                    failed: false,
                    moved: false,
                }
            })
            .collect();
        Self {
            problem,
            state,
            tasks,
            linear: Linear::new(problem, model.covariance, model.criterion),
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
                continue;
            };
            offset = moved.max(profile.change_in_errors);
            before.clone_from(&self.state.beta);
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
        place.push(state.errors.power);
        place.push(logit(state.errors.phi));
        place
    }

    fn put(&mut self, place: &[f64]) {
        let (state, q) = (&mut self.state, self.problem.q);
        let (beta, rest) = place.split_at(state.beta.len());
        state.beta.copy_from_slice(beta);
        for ((row, column), value) in self.linear.entries.iter().zip(rest) {
            state.factor[row * q + column] = *value;
        }
        make_diagonal_positive(&mut state.factor, q);
        let errors = &rest[self.linear.entries.len()..];
        state.errors = Errors {
            power: errors[0],
            phi: phi(errors[1]),
        };
    }

    /// About one standard error of each part of [`Self::place`].
    fn sizes(&self, profile: &Profile, step: &FactorStep) -> Vec<f64> {
        let fixed = self.problem.fixed;
        let count = self.linear.entries.len();
        let mut sizes: Vec<f64> = (0..fixed)
            .map(|k| profile.scales[k] * profile.variance.sqrt())
            .collect();
        sizes.extend((0..count).map(|k| {
            let information = step.information[k * count + k];
            if information > 0.0 {
                1.0 / information.sqrt()
            } else {
                1.0
            }
        }));
        sizes.extend([0.1, 0.1]);
        sizes
    }

    fn move_fixed_effects(&mut self, change: &[f64]) {
        for (value, change) in self.state.beta.iter_mut().zip(change) {
            *value += change;
        }
    }

    fn error_terms(&self) -> usize {
        error_terms(self.problem)
    }

    /// One pass over all subjects; false where a curve has no finite value.
    fn pass(&mut self, pass: Pass, errors: Errors, limit: usize) -> bool {
        let (problem, q) = (self.problem, self.problem.q);
        let width = stride(problem.p);
        let State {
            beta,
            factor,
            variance,
            spherical,
            ..
        } = &mut self.state;
        let settle = Settle {
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
    fn improve(&mut self, steps: usize) -> Option<(Profile, FactorStep, f64)> {
        let problem = self.problem;
        let q = problem.q;
        let mut profile = self
            .linear
            .value(problem, &self.numbers, &self.state.factor)?;
        let mut moved = None;
        let mut left = steps;
        loop {
            let step = self.linear.step(
                problem,
                &self.numbers,
                &self.state.factor,
                &profile,
                &mut self.state.spherical,
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
                if let Some(next) = self.linear.value(problem, &self.numbers, &trial)
                    && next.log_lik >= profile.log_lik - 1e-10 * profile.log_lik.abs()
                {
                    self.state.factor = trial;
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

    fn errors_at(&self, base: Errors, change: &[f64]) -> Errors {
        let mut change = change.iter();
        let mut errors = base;
        if self.problem.variance == Variance::Power {
            errors.power += change.next().copied().unwrap_or(0.0);
        }
        if self.problem.correlation == Correlation::Ar1 {
            errors.phi = phi(logit(base.phi) + change.next().copied().unwrap_or(0.0));
        }
        errors
    }

    /// Likelihood at other error terms, maximised over the factor.
    fn likelihood_at(&mut self, errors: Errors) -> Option<(Profile, FactorStep)> {
        if !self.pass(Pass::Relinearise, errors, 0) {
            return None;
        }
        self.improve(6).map(|(profile, step, _)| (profile, step))
    }

    fn return_to(&mut self, (factor, spherical): &(Vec<f64>, Vec<f64>)) {
        self.state.factor.clone_from(factor);
        self.state.spherical.clone_from(spherical);
    }

    /// A Newton step in (power, logit phi) on the likelihood that is maximised over
    /// all else; derivatives by central differences of that smooth function.
    /// Returns its length in standard errors and the terms' covariance.
    fn improve_errors(
        &mut self,
        profile: &mut Profile,
        step: &mut FactorStep,
    ) -> Result<(f64, Vec<f64>), String> {
        /// Differences this wide leave 1e-8 in the gradient, relative, and see the
        /// curvature through rounding.
        const WIDTH: f64 = 1e-4;
        let count = self.error_terms();
        let base = self.state.errors;
        // Every evaluation linearises at the same random effects L u.
        let settled = (self.state.factor.clone(), self.state.spherical.clone());
        let fail = || "the error terms have no likelihood near their present values".to_owned();
        let at = |alternation: &mut Self, change: &[f64]| -> Result<f64, String> {
            alternation.return_to(&settled);
            let errors = alternation.errors_at(base, change);
            let (profile, _) = alternation.likelihood_at(errors).ok_or_else(fail)?;
            Ok(profile.log_lik)
        };
        let zero = vec![0.0; count];
        let centre = at(self, &zero)?;
        let mut gradient = vec![0.0; count];
        let mut curvature = vec![0.0; count * count];
        let mut ups = vec![0.0; count];
        for k in 0..count {
            let mut change = zero.clone();
            change[k] = WIDTH;
            ups[k] = at(self, &change)?;
            change[k] = -WIDTH;
            let down = at(self, &change)?;
            gradient[k] = (ups[k] - down) / (2.0 * WIDTH);
            curvature[k * count + k] = (2.0 * centre - ups[k] - down) / (WIDTH * WIDTH);
        }
        if count == 2 {
            let both = at(self, &[WIDTH, WIDTH])?;
            let cross = -(both - ups[0] - ups[1] + centre) / (WIDTH * WIDTH);
            curvature[1] = cross;
            curvature[2] = cross;
        }
        let mut factor = curvature;
        for k in 0..count {
            // Far from the maximum the curvature may be of either sign.
            let diagonal = &mut factor[k * count + k];
            *diagonal = diagonal.abs().max(1e-3);
        }
        let mut scales = vec![0.0; count];
        cholesky::factor_scaled(&mut factor, count, &mut scales).ok_or_else(fail)?;
        let mut newton = gradient.clone();
        cholesky::solve_scaled(&factor, count, &scales, &mut newton);
        let decrement: f64 = newton.iter().zip(&gradient).map(|(d, g)| d * g).sum();
        let longest = newton
            .iter()
            .fold(0.0_f64, |most, step| most.max(step.abs()));
        let mut share = (1.0 / longest).min(1.0);
        loop {
            let change: Vec<f64> = newton.iter().map(|step| share * step).collect();
            let errors = self.errors_at(base, &change);
            self.return_to(&settled);
            let found = self.likelihood_at(errors);
            let least = centre - 1e-9 * centre.abs();
            if let Some((next, last)) = found.filter(|(next, _)| next.log_lik >= least) {
                *profile = next;
                *step = last;
                self.state.errors = errors;
                break;
            }
            share *= 0.5;
            if share < 1e-6 {
                self.return_to(&settled);
                (*profile, *step) = self.likelihood_at(base).ok_or_else(fail)?;
                break;
            }
        }
        let covariance = super::linear::inverse_of(&factor, &scales, count);
        Ok((decrement.max(0.0).sqrt(), covariance))
    }
}

pub(super) fn logit(phi: f64) -> f64 {
    (phi / (1.0 - phi)).ln()
}

pub(super) fn phi(logit: f64) -> f64 {
    // Beyond this the correlation is 0 or 1 to all digits that matter.
    1.0 / (1.0 + (-logit.clamp(-18.0, 18.0)).exp())
}

/// Number of error terms that are estimated, sigma apart.
pub(super) fn error_terms(problem: &Problem<'_>) -> usize {
    usize::from(problem.variance == Variance::Power)
        + usize::from(problem.correlation == Correlation::Ar1)
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

/// Settling of one subject at given fixed effects and factor.
struct Settle<'s, 'a> {
    problem: &'s Problem<'a>,
    beta: &'s [f64],
    factor: &'s [f64],
    errors: Errors,
    enough: f64,
    sigma: f64,
    limit: usize,
    pass: Pass,
}

impl Settle<'_, '_> {
    /// Brings a subject near its mode and writes its numbers for the linearised
    /// model there; false where its curve has no finite value even at u = 0.
    fn subject(
        &self,
        task: &mut Task,
        chunk_first: usize,
        subject: usize,
        u: &mut [f64],
        numbers: &mut [f64],
    ) -> bool {
        let problem = self.problem;
        let offset = problem.starts[subject] - problem.starts[chunk_first];
        let mut objective = self.measure(task, subject, offset, u, numbers);
        let mut tries = 0;
        while objective.is_none() {
            if self.pass == Pass::Relinearise || tries > 8 {
                return false;
            }
            let shrink = if tries == 8 { 0.0 } else { 0.5 };
            u.iter_mut().for_each(|u| *u *= shrink);
            objective = self.measure(task, subject, offset, u, numbers);
            tries += 1;
        }
        let Some(objective) = objective else {
            return false;
        };
        let Some(objective) = self.descend(task, subject, offset, u, objective, numbers) else {
            return false;
        };
        if self.pass == Pass::Probe && !self.probe(task, subject, offset, u, objective, numbers) {
            return false;
        }
        if self.pass != Pass::Relinearise {
            let n = problem.starts[subject + 1] - problem.starts[subject];
            task.mu[offset..offset + n].copy_from_slice(&task.scratch.mu[..n]);
        }
        self.respond(&task.effects, numbers);
        true
    }

    /// Starts again from 1.5 SDs to either side along each spherical effect, and
    /// keeps the best mode: a logistic seen over a short span of ages fits some
    /// subjects in two ways.
    fn probe(
        &self,
        task: &mut Task,
        subject: usize,
        offset: usize,
        u: &mut [f64],
        mut best: f64,
        numbers: &mut [f64],
    ) -> bool {
        let mut start = std::mem::take(&mut task.start);
        for at in 0..2 * u.len() {
            start.fill(0.0);
            start[at / 2] = if at % 2 == 0 { 1.5 } else { -1.5 } * self.sigma;
            let found = self
                .measure(task, subject, offset, &start, numbers)
                .and_then(|objective| {
                    self.descend(task, subject, offset, &mut start, objective, numbers)
                });
            // Better by more than the mode search leaves undone.
            if let Some(found) = found
                && found < best - 0.1 * self.sigma * self.sigma
            {
                best = found;
                u.copy_from_slice(&start);
                task.moved = true;
            }
        }
        task.start = start;
        self.measure(task, subject, offset, u, numbers).is_some()
    }

    /// Gauss-Newton steps towards the mode, halved until |r|^2 + |u|^2 falls.
    fn descend(
        &self,
        task: &mut Task,
        subject: usize,
        offset: usize,
        u: &mut [f64],
        mut objective: f64,
        numbers: &mut [f64],
    ) -> Option<f64> {
        for _ in 0..self.limit {
            let decrement = self.newton(task, u, numbers);
            if !(decrement > self.enough) {
                break;
            }
            std::mem::swap(&mut task.step, &mut task.gradient);
            let mut share = 1.0;
            let accepted = loop {
                for ((trial, u), step) in task.trial.iter_mut().zip(&*u).zip(&task.step) {
                    *trial = u + share * step;
                }
                let trial = std::mem::take(&mut task.trial);
                let next = self.measure(task, subject, offset, &trial, numbers);
                task.trial = trial;
                if let Some(next) = next
                    && next < objective
                {
                    objective = next;
                    break true;
                }
                share *= 0.5;
                if share < 0.01 {
                    break false;
                }
            };
            if accepted {
                u.copy_from_slice(&task.trial);
            } else {
                self.measure(task, subject, offset, u, numbers)?;
                break;
            }
        }
        Some(objective)
    }

    /// |r|^2 + |u|^2 at u, and the subject's numbers.
    fn measure(
        &self,
        task: &mut Task,
        subject: usize,
        offset: usize,
        u: &[f64],
        numbers: &mut [f64],
    ) -> Option<f64> {
        let problem = self.problem;
        let (p, q) = (problem.p, problem.q);
        for row in 0..q {
            task.effects[row] = (0..=row).map(|l| self.factor[row * q + l] * u[l]).sum();
        }
        let Task {
            scratch,
            mu,
            effects,
            ..
        } = task;
        problem.place(subject, self.beta, effects, &mut scratch.eta);
        if !problem.evaluate(subject, scratch) {
            return None;
        }
        let n = problem.starts[subject + 1] - problem.starts[subject];
        let log_v = if problem.needs_whitening() {
            if self.pass == Pass::First {
                mu[offset..offset + n].copy_from_slice(&scratch.mu[..n]);
            }
            problem.whiten(subject, &mu[offset..offset + n], self.errors, scratch)
        } else {
            0.0
        };
        let (jj, rest) = numbers.split_at_mut(p * p);
        jj.fill(0.0);
        rest.fill(0.0);
        for (row, residual) in scratch.jacobian[..n * p]
            .chunks_exact(p)
            .zip(&scratch.residual)
        {
            for j in 0..p {
                let slope = row[j];
                for k in 0..=j {
                    jj[j * p + k] += slope * row[k];
                }
                rest[j] += slope * residual;
            }
            rest[p] += residual * residual;
        }
        for j in 0..p {
            for k in 0..j {
                jj[k * p + j] = jj[j * p + k];
            }
        }
        rest[p + 1] = log_v;
        let objective = rest[p] + u.iter().map(|u| u * u).sum::<f64>();
        objective.is_finite().then_some(objective)
    }

    /// Writes the Gauss-Newton step for u into `task.gradient`; returns its
    /// decrement, the squared distance to the mode in units of sigma^2.
    fn newton(&self, task: &mut Task, u: &[f64], numbers: &[f64]) -> f64 {
        let (p, q) = (self.problem.p, self.problem.q);
        let (random, factor) = (self.problem.random, self.factor);
        let mut decrement = 0.0;
        for row in 0..q {
            let mut sum = -u[row];
            for l in row..q {
                sum += factor[l * q + row] * numbers[p * p + random[l]];
            }
            task.gradient[row] = sum;
            for column in 0..=row {
                let mut sum = 0.0;
                for l in row..q {
                    for m in column..q {
                        sum += factor[l * q + row]
                            * numbers[random[l] * p + random[m]]
                            * factor[m * q + column];
                    }
                }
                task.m[row * q + column] = sum;
            }
            task.m[row * q + row] += 1.0;
        }
        if !cholesky::factor(&mut task.m, q) {
            return 0.0;
        }
        cholesky::forward(&task.m, q, &mut task.gradient);
        for value in &task.gradient {
            decrement += value * value;
        }
        cholesky::backward(&task.m, q, &mut task.gradient);
        decrement
    }

    /// Turns r into the linearised model's response w = r + Z b in a subject's
    /// numbers.
    fn respond(&self, effects: &[f64], numbers: &mut [f64]) {
        let p = self.problem.p;
        for (term, effect) in self.problem.random.iter().zip(effects) {
            // w'w grows by b_k (2 Z_k'r + Z_k'Z b), taken one effect at a time.
            numbers[p * p + p] +=
                effect * (2.0 * numbers[p * p + term] + effect * numbers[term * p + term]);
            for j in 0..p {
                numbers[p * p + j] += numbers[j * p + term] * effect;
            }
        }
    }
}
