//! Bringing each subject near its mode: the first half of an alternation.
//!
//! A subject stands at the least of |r|^2 + |u|^2 (whitened residuals r, spherical
//! random effects u, b = L u) by Gauss-Newton steps, the fixed effects held, and is
//! linearised there: its numbers are all that the second half needs.

use super::cholesky;
use super::problem::{Errors, Problem, Scratch};

/// Memory and spread of the fitted values of one chunk of subjects.
#[derive(Debug)]
pub(super) struct Task {
    scratch: Scratch,
    /// Fitted values that the spread is taken at, all observations of the chunk.
    pub(super) mu: Vec<f64>,
    effects: Vec<f64>,
    m: Vec<f64>,
    gradient: Vec<f64>,
    step: Vec<f64>,
    trial: Vec<f64>,
    start: Vec<f64>,
    pub(super) failed: bool,
    /// Whether a probe found a better mode.
    pub(super) moved: bool,
}

impl Task {
    /// For a chunk of this number of observations.
    pub(super) fn new(problem: &Problem<'_>, observations: usize) -> Self {
        let q = problem.q;
        Self {
            scratch: problem.scratch(),
            mu: vec![0.0; observations],
            effects: vec![0.0; q],
            m: vec![0.0; q * q],
            gradient: vec![0.0; q],
            step: vec![0.0; q],
            trial: vec![0.0; q],
            start: vec![0.0; q],
            failed: false,
            moved: false,
        }
    }
}

/// What a pass over the subjects does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Pass {
    /// First pass: spreads are taken at the values found.
    First,
    /// Settle each subject, spreads held from the pass before.
    Settle,
    /// Settle, and look for a better mode elsewhere.
    Probe,
    /// Only linearise again, at the present spreads' means and other error terms.
    Relinearise,
}

/// Settling of one subject at given fixed effects and factor.
pub(super) struct Settle<'s, 'a> {
    pub(super) problem: &'s Problem<'a>,
    pub(super) beta: &'s [f64],
    pub(super) factor: &'s [f64],
    /// Effects of the clusters, held.
    pub(super) cluster_effects: &'s [f64],
    pub(super) errors: Errors,
    pub(super) enough: f64,
    pub(super) sigma: f64,
    pub(super) limit: usize,
    pub(super) pass: Pass,
}

impl Settle<'_, '_> {
    /// Brings a subject near its mode and writes its numbers for the linearised
    /// model there; false where its curve has no finite value even at u = 0.
    pub(super) fn subject(
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
        let Some(objective) = self.descend(task, subject, offset, u, objective, numbers, None)
        else {
            return false;
        };
        if self.pass == Pass::Probe && !self.probe(task, subject, offset, u, objective, numbers) {
            return false;
        }
        if self.pass != Pass::Relinearise {
            let n = problem.starts[subject + 1] - problem.starts[subject];
            task.mu[offset..offset + n].copy_from_slice(&task.scratch.mu[..n]);
        }
        self.respond(problem.random, &task.effects, numbers);
        self.respond(problem.cluster, self.of_cluster(subject), numbers);
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
                    self.descend(
                        task,
                        subject,
                        offset,
                        &mut start,
                        objective,
                        numbers,
                        Some(u),
                    )
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

    /// Gauss-Newton steps towards the mode, halved until |r|^2 + |u|^2 falls; `None` too
    /// where it comes back to a mode that is known (to a twentieth of the SD between
    /// subjects), which is no other.
    #[expect(clippy::too_many_arguments, reason = "one subject's place and memory")]
    fn descend(
        &self,
        task: &mut Task,
        subject: usize,
        offset: usize,
        u: &mut [f64],
        mut objective: f64,
        numbers: &mut [f64],
        known: Option<&[f64]>,
    ) -> Option<f64> {
        for _ in 0..self.limit {
            if known.is_some_and(|known| {
                let squares = known.iter().zip(&*u).map(|(a, b)| (a - b) * (a - b));
                squares.sum::<f64>() < 0.0025 * self.sigma * self.sigma
            }) {
                return None;
            }
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
        for (term, effect) in problem.cluster.iter().zip(self.of_cluster(subject)) {
            scratch.eta[*term] += effect;
        }
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
        let (jacobian, residual) = (&scratch.jacobian[..n * p], &scratch.residual[..n]);
        match p {
            3 => products::<3>(p, jacobian, residual, numbers),
            6 => products::<6>(p, jacobian, residual, numbers),
            _ => products::<0>(p, jacobian, residual, numbers),
        }
        let rest = &mut numbers[p * p..];
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

    /// Effects of a subject's cluster.
    fn of_cluster(&self, subject: usize) -> &[f64] {
        self.problem.cluster_part(subject, self.cluster_effects)
    }

    /// Turns r into the linearised model's response w = r + Z b in a subject's
    /// numbers.
    fn respond(&self, terms: &[usize], effects: &[f64], numbers: &mut [f64]) {
        let p = self.problem.p;
        for (term, effect) in terms.iter().zip(effects) {
            // w'w grows by b_k (2 Z_k'r + Z_k'Z b), taken one effect at a time.
            numbers[p * p + p] +=
                effect * (2.0 * numbers[p * p + term] + effect * numbers[term * p + term]);
            for j in 0..p {
                numbers[p * p + j] += numbers[j * p + term] * effect;
            }
        }
    }
}

/// J'J, J'r and r'r of a subject, for `P` terms (0: for `p`): with the number known,
/// the loops over terms are unrolled.
fn products<const P: usize>(p: usize, jacobian: &[f64], residual: &[f64], numbers: &mut [f64]) {
    let p = if P == 0 { p } else { P };
    let (jj, rest) = numbers.split_at_mut(p * p);
    let rest = &mut rest[..=p];
    jj.fill(0.0);
    rest.fill(0.0);
    for (row, residual) in jacobian.chunks_exact(p).zip(residual) {
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
}
