//! The linearised mixed model: its likelihood in the random-effects factor.
//!
//! Around the current fixed effects and random effects, subject i obeys
//! w_i = X_i d + Z_i b + e with b ~ N(0, sigma^2 L L'), e ~ N(0, sigma^2 I), where d
//! is the change of the fixed effects and Z_i, X_i are columns of one whitened
//! Jacobian J_i. Everything below needs of a subject only J'J, J'w and w'w (a
//! [`stride`] of numbers), so that an evaluation costs the same for 5 observations
//! as for 500.
//!
//! With M = I + L'Z'Z L (Henderson's mixed-model equations, spherical effects):
//! -2 l = n (1 + ln 2 pi s^2) + sum ln|M_i| + sum ln|V_i|,
//! s^2 = sum(w'w - |C^-1 L'Z'w|^2) - reduction by d, all over n, C C' = M
//! (Pinheiro and Bates 2000, ch. 2; the spherical form is that of Bates et al. 2015).
//!
//! The factor is improved by Fisher scoring: with G = Z'W^-1 Z and u = Z'W^-1 e,
//! W = I + Z L L'Z', the gradient in Psi = LL' is 1/2 sum(u u'/s^2 - G) and the
//! expected information 1/2 sum G (x) G. The chain to the entries of L adds the
//! second-order part where it makes the step shorter, which is what lets an SD go
//! to zero in a few steps.

use nalgebra::{DMatrix, SymmetricEigen};
use rayon::prelude::*;

use super::cholesky;
use super::model::{Covariance, Criterion};
use super::problem::{CHUNK, Problem};

/// Numbers kept of a subject: J'J (p x p), J'w (p), w'w, ln|V|.
pub(super) fn stride(p: usize) -> usize {
    p * p + p + 2
}

/// Sums over subjects, and working memory, of one task.
#[derive(Debug, Clone)]
struct Task {
    m: Vec<f64>,
    /// C^-1 L'Z'X, q x p.
    b: Vec<f64>,
    a: Vec<f64>,
    g: Vec<f64>,
    f: Vec<f64>,
    k: Vec<f64>,
    u: Vec<f64>,
    xx: Vec<f64>,
    xy: Vec<f64>,
    yy: f64,
    log_m: f64,
    log_v: f64,
    score: Vec<f64>,
    information: Vec<f64>,
    cross: Vec<f64>,
    failed: bool,
}

impl Task {
    fn new(problem: &Problem<'_>, entries: usize) -> Self {
        let (p, q, fixed) = (problem.p, problem.q, problem.fixed);
        Self {
            m: vec![0.0; q * q],
            b: vec![0.0; q * p],
            a: vec![0.0; q],
            g: vec![0.0; q * q],
            f: vec![0.0; q * q],
            k: vec![0.0; q * q],
            u: vec![0.0; q],
            xx: vec![0.0; fixed * fixed],
            xy: vec![0.0; fixed],
            yy: 0.0,
            log_m: 0.0,
            log_v: 0.0,
            score: vec![0.0; q * q],
            information: vec![0.0; entries * entries],
            cross: vec![0.0; entries],
            failed: false,
        }
    }

    /// C, C^-1 L'Z'X and C^-1 L'Z'w of one subject; false where C does not exist.
    fn condense(&mut self, problem: &Problem<'_>, numbers: &[f64], factor: &[f64]) -> bool {
        let (p, q) = (problem.p, problem.q);
        let random = problem.random;
        let (jj, jw) = (&numbers[..p * p], &numbers[p * p..p * p + p]);
        for row in 0..q {
            let target = &mut self.b[row * p..(row + 1) * p];
            let first = factor[row * q + row];
            let from = random[row] * p;
            for (target, value) in target.iter_mut().zip(&jj[from..from + p]) {
                *target = first * value;
            }
            self.a[row] = first * jw[random[row]];
            for other in row + 1..q {
                let weight = factor[other * q + row];
                if weight != 0.0 {
                    let from = random[other] * p;
                    for (target, value) in target.iter_mut().zip(&jj[from..from + p]) {
                        *target += weight * value;
                    }
                    self.a[row] += weight * jw[random[other]];
                }
            }
        }
        for row in 0..q {
            for column in 0..=row {
                let mut sum = self.b[row * p + random[column]] * factor[column * q + column];
                for other in column + 1..q {
                    sum += self.b[row * p + random[other]] * factor[other * q + column];
                }
                self.m[row * q + column] = sum;
            }
            self.m[row * q + row] += 1.0;
        }
        if !cholesky::factor(&mut self.m, q) {
            return false;
        }
        for row in 0..q {
            for other in 0..row {
                let weight = self.m[row * q + other];
                let (before, target) = self.b.split_at_mut(row * p);
                for (target, value) in target[..p].iter_mut().zip(&before[other * p..]) {
                    *target -= weight * value;
                }
                self.a[row] -= weight * self.a[other];
            }
            let inverse = 1.0 / self.m[row * q + row];
            self.b[row * p..(row + 1) * p]
                .iter_mut()
                .for_each(|value| *value *= inverse);
            self.a[row] *= inverse;
        }
        true
    }

    fn add_value(
        &mut self,
        problem: &Problem<'_>,
        subject: usize,
        numbers: &[f64],
        factor: &[f64],
    ) {
        if !self.condense(problem, numbers, factor) {
            self.failed = true;
            return;
        }
        let (p, q, fixed) = (problem.p, problem.q, problem.fixed);
        let columns = problem.columns_of(subject);
        for j in 0..p {
            let row = columns[j] * fixed;
            for k in 0..=j {
                let mut sum = numbers[j * p + k];
                for l in 0..q {
                    sum -= self.b[l * p + j] * self.b[l * p + k];
                }
                self.xx[row + columns[k]] += sum;
            }
            let mut sum = numbers[p * p + j];
            for l in 0..q {
                sum -= self.b[l * p + j] * self.a[l];
            }
            self.xy[columns[j]] += sum;
        }
        let mut product = 1.0;
        let mut sum = numbers[p * p + p];
        for l in 0..q {
            sum -= self.a[l] * self.a[l];
            product *= self.m[l * q + l];
        }
        self.yy += sum;
        self.log_m += 2.0 * product.ln();
        self.log_v += numbers[p * p + p + 1];
    }

    /// Adds a subject's score and information in the factor, and writes its
    /// spherical random effects.
    fn add_slope(
        &mut self,
        problem: &Problem<'_>,
        slope: &Slope<'_>,
        subject: usize,
        numbers: &[f64],
        spherical: &mut [f64],
    ) {
        if !self.condense(problem, numbers, slope.factor) {
            self.failed = true;
            return;
        }
        let (p, q) = (problem.p, problem.q);
        let columns = problem.columns_of(subject);
        for l in 0..q {
            let moved: f64 = (0..p)
                .map(|j| self.b[l * p + j] * slope.change[columns[j]])
                .sum();
            spherical[l] = self.a[l] - moved;
        }
        // u = Z'e - Z'X... - B[:,z]' a_e, before the effects are solved for.
        for k in 0..q {
            let term = problem.random[k];
            let mut sum = numbers[p * p + term];
            for j in 0..p {
                sum -= numbers[term * p + j] * slope.change[columns[j]];
            }
            for l in 0..q {
                sum -= self.b[l * p + term] * spherical[l];
            }
            self.u[k] = sum;
            for k2 in 0..q {
                let term2 = problem.random[k2];
                let mut sum = numbers[term * p + term2];
                for l in 0..q {
                    sum -= self.b[l * p + term] * self.b[l * p + term2];
                }
                self.g[k * q + k2] = sum;
            }
        }
        cholesky::backward(&self.m, q, spherical);
        let factor = slope.factor;
        for k in 0..q {
            for l in 0..q {
                self.score[k * q + l] +=
                    self.u[k] * self.u[l] * slope.precision - self.g[k * q + l];
                let mut sum = 0.0;
                for other in l..q {
                    sum += self.g[k * q + other] * factor[other * q + l];
                }
                self.f[k * q + l] = sum;
            }
        }
        for k in 0..q {
            for l in 0..q {
                let mut sum = 0.0;
                for other in k..q {
                    sum += factor[other * q + k] * self.f[other * q + l];
                }
                self.k[k * q + l] = sum;
            }
        }
        let count = slope.entries.len();
        for (at, (k, l)) in slope.entries.iter().enumerate() {
            self.cross[at] += self.f[k * q + l];
            for (at2, (k2, l2)) in slope.entries[..=at].iter().enumerate() {
                self.information[at * count + at2] += self.f[k2 * q + l] * self.f[k * q + l2]
                    + self.k[l * q + l2] * self.g[k * q + k2];
            }
        }
        if let Some(inverse) = slope.restricted {
            self.restrict(problem, inverse, subject, numbers);
        }
    }

    /// The part of the restricted likelihood's score: + Z'W^-1X C^-1 X'W^-1Z.
    fn restrict(
        &mut self,
        problem: &Problem<'_>,
        inverse: &[f64],
        subject: usize,
        numbers: &[f64],
    ) {
        let (p, q, fixed) = (problem.p, problem.q, problem.fixed);
        let columns = problem.columns_of(subject);
        let through = |task: &Self, k: usize, j: usize| -> f64 {
            let term = problem.random[k];
            let removed: f64 = (0..q)
                .map(|l| task.b[l * p + term] * task.b[l * p + j])
                .sum();
            numbers[term * p + j] - removed
        };
        for k in 0..q {
            for l in 0..q {
                let mut sum = 0.0;
                for j in 0..p {
                    for j2 in 0..p {
                        sum += through(self, k, j)
                            * inverse[columns[j] * fixed + columns[j2]]
                            * through(self, l, j2);
                    }
                }
                self.score[k * q + l] += sum;
            }
        }
    }
}

/// What the slope pass needs beyond the subjects' numbers.
struct Slope<'s> {
    factor: &'s [f64],
    change: &'s [f64],
    precision: f64,
    entries: &'s [(usize, usize)],
    restricted: Option<&'s [f64]>,
}

/// The linearised likelihood at one factor.
#[derive(Debug, Clone)]
pub(super) struct Profile {
    pub(super) log_lik: f64,
    pub(super) variance: f64,
    /// Best change of the fixed effects.
    pub(super) change: Vec<f64>,
    /// Cholesky factor and scales of X'W^-1X.
    pub(super) xx: Vec<f64>,
    pub(super) scales: Vec<f64>,
    /// Ridge that X'W^-1X needed (0 where it is positive definite).
    pub(super) ridge: f64,
    /// |change| in standard errors.
    pub(super) change_in_errors: f64,
}

/// A step towards the best factor.
#[derive(Debug, Clone)]
pub(super) struct FactorStep {
    /// Step of each free entry.
    pub(super) step: Vec<f64>,
    /// Its length in standard errors.
    pub(super) in_errors: f64,
    /// Information of the entries, sigma and fixed effects profiled: count x count.
    pub(super) information: Vec<f64>,
    /// Information shared by the entries and ln sigma^2.
    pub(super) cross: Vec<f64>,
}

/// Evaluates the linearised likelihood; holds the memory for it.
#[derive(Debug)]
pub(super) struct Linear {
    tasks: Vec<Task>,
    pub(super) entries: Vec<(usize, usize)>,
    covariance: Covariance,
    criterion: Criterion,
}

impl Linear {
    pub(super) fn new(problem: &Problem<'_>, covariance: Covariance, criterion: Criterion) -> Self {
        let entries = problem.free_entries(covariance == Covariance::Full);
        let tasks = problem.subjects().div_ceil(CHUNK);
        Self {
            tasks: vec![Task::new(problem, entries.len()); tasks],
            entries,
            covariance,
            criterion,
        }
    }

    /// Log-likelihood, variance and change of the fixed effects at a factor.
    pub(super) fn value(
        &mut self,
        problem: &Problem<'_>,
        numbers: &[f64],
        factor: &[f64],
    ) -> Option<Profile> {
        let (width, fixed) = (stride(problem.p), problem.fixed);
        self.tasks
            .par_iter_mut()
            .zip(numbers.par_chunks(CHUNK * width))
            .enumerate()
            .for_each(|(chunk, (task, numbers))| {
                task.xx.fill(0.0);
                task.xy.fill(0.0);
                (task.yy, task.log_m, task.log_v, task.failed) = (0.0, 0.0, 0.0, false);
                for (at, numbers) in numbers.chunks_exact(width).enumerate() {
                    task.add_value(problem, chunk * CHUNK + at, numbers, factor);
                }
            });
        let (mut xx, mut xy) = (vec![0.0; fixed * fixed], vec![0.0; fixed]);
        let (mut yy, mut logs) = (0.0, 0.0);
        for task in &self.tasks {
            if task.failed {
                return None;
            }
            add(&mut xx, &task.xx);
            add(&mut xy, &task.xy);
            yy += task.yy;
            logs += task.log_m + task.log_v;
        }
        let mut scales = vec![0.0; fixed];
        let ridge = cholesky::factor_scaled(&mut xx, fixed, &mut scales)?;
        let mut change = xy.clone();
        cholesky::solve_scaled(&xx, fixed, &scales, &mut change);
        let reduction: f64 = change.iter().zip(&xy).map(|(d, y)| d * y).sum();
        let mut freedom = problem.observations();
        if self.criterion == Criterion::RestrictedLikelihood {
            #[expect(clippy::cast_precision_loss, reason = "a handful of fixed effects")]
            let count = fixed as f64;
            freedom -= count;
            logs += (0..fixed)
                .map(|k| 2.0 * (xx[k * fixed + k] / scales[k]).ln())
                .sum::<f64>();
        }
        let variance = (yy - reduction) / freedom;
        if !(variance > 0.0 && variance.is_finite() && logs.is_finite()) {
            return None;
        }
        let tau = 2.0 * std::f64::consts::PI;
        Some(Profile {
            log_lik: -0.5 * (freedom * (1.0 + (tau * variance).ln()) + logs) + problem.log_jacobian,
            variance,
            change_in_errors: (reduction.max(0.0) / variance).sqrt(),
            change,
            xx,
            scales,
            ridge,
        })
    }

    /// The scoring step at a factor whose profile is known; writes the subjects'
    /// spherical random effects (subjects x max(q, 1)).
    pub(super) fn step(
        &mut self,
        problem: &Problem<'_>,
        numbers: &[f64],
        factor: &[f64],
        profile: &Profile,
        spherical: &mut [f64],
    ) -> Option<FactorStep> {
        let (width, q, count) = (stride(problem.p), problem.q, self.entries.len());
        if q == 0 {
            return Some(FactorStep {
                step: Vec::new(),
                in_errors: 0.0,
                information: Vec::new(),
                cross: Vec::new(),
            });
        }
        let inverse = (self.criterion == Criterion::RestrictedLikelihood)
            .then(|| inverse_of(&profile.xx, &profile.scales, problem.fixed));
        let slope = Slope {
            factor,
            change: &profile.change,
            precision: 1.0 / profile.variance,
            entries: &self.entries,
            restricted: inverse.as_deref(),
        };
        self.tasks
            .par_iter_mut()
            .zip(numbers.par_chunks(CHUNK * width))
            .zip(spherical.par_chunks_mut(CHUNK * q))
            .enumerate()
            .for_each(|(chunk, ((task, numbers), spherical))| {
                task.score.fill(0.0);
                task.information.fill(0.0);
                task.cross.fill(0.0);
                task.failed = false;
                for (at, (numbers, spherical)) in numbers
                    .chunks_exact(width)
                    .zip(spherical.chunks_exact_mut(q))
                    .enumerate()
                {
                    task.add_slope(problem, &slope, chunk * CHUNK + at, numbers, spherical);
                }
            });
        let mut score = vec![0.0; q * q];
        let mut information = vec![0.0; count * count];
        let mut cross = vec![0.0; count];
        for task in &self.tasks {
            if task.failed {
                return None;
            }
            add(&mut score, &task.score);
            add(&mut information, &task.information);
            add(&mut cross, &task.cross);
        }
        self.solve(problem, factor, &mut score, information, cross)
    }

    /// Score and information in Psi to a step in the entries of the factor.
    fn solve(
        &self,
        problem: &Problem<'_>,
        factor: &[f64],
        score: &mut [f64],
        mut information: Vec<f64>,
        cross: Vec<f64>,
    ) -> Option<FactorStep> {
        let (q, count) = (problem.q, self.entries.len());
        score.iter_mut().for_each(|value| *value *= 0.5);
        let mut gradient: Vec<f64> = self
            .entries
            .iter()
            .map(|(k, l)| {
                let sum: f64 = (0..q).map(|m| score[k * q + m] * factor[m * q + l]).sum();
                2.0 * sum
            })
            .collect();
        let freedom = problem.observations();
        for at in 0..count {
            for at2 in 0..=at {
                information[at * count + at2] -= 2.0 * cross[at] * cross[at2] / freedom;
                information[at2 * count + at] = information[at * count + at2];
            }
        }
        let mut curvature = information.clone();
        let shrinking = self.shrinking_part(score, q);
        for (at, (k, l)) in self.entries.iter().enumerate() {
            for (at2, (k2, l2)) in self.entries.iter().enumerate() {
                if l == l2 {
                    curvature[at * count + at2] += 2.0 * shrinking[k * q + k2];
                }
            }
        }
        let mut scales = vec![0.0; count];
        cholesky::factor_scaled(&mut curvature, count, &mut scales)?;
        let slope = gradient.clone();
        cholesky::solve_scaled(&curvature, count, &scales, &mut gradient);
        let decrement: f64 = gradient.iter().zip(&slope).map(|(d, g)| d * g).sum();
        Some(FactorStep {
            step: gradient,
            in_errors: decrement.max(0.0).sqrt(),
            information,
            cross,
        })
    }

    /// The part of the score that asks for less variance, as a curvature.
    fn shrinking_part(&self, score: &[f64], q: usize) -> Vec<f64> {
        if self.covariance == Covariance::Diagonal {
            let mut part = vec![0.0; q * q];
            for k in 0..q {
                part[k * q + k] = (-score[k * q + k]).max(0.0);
            }
            return part;
        }
        // Scaled so that no unit dominates the decomposition; any scaling keeps it
        // positive semidefinite, which is all that is needed.
        let size: Vec<f64> = (0..q)
            .map(|k| score[k * q + k].abs().sqrt().max(f64::MIN_POSITIVE))
            .collect();
        let scaled = DMatrix::from_fn(q, q, |k, l| score[k * q + l] / (size[k] * size[l]));
        let eigen = SymmetricEigen::new(scaled);
        let mut part = vec![0.0; q * q];
        for (m, value) in eigen.eigenvalues.iter().enumerate() {
            if *value < 0.0 {
                for k in 0..q {
                    for l in 0..q {
                        part[k * q + l] -= value
                            * eigen.eigenvectors[(k, m)]
                            * eigen.eigenvectors[(l, m)]
                            * size[k]
                            * size[l];
                    }
                }
            }
        }
        part
    }
}

fn add(to: &mut [f64], from: &[f64]) {
    for (to, from) in to.iter_mut().zip(from) {
        *to += from;
    }
}

/// Inverse from a scaled Cholesky factor, n x n.
pub(super) fn inverse_of(factor: &[f64], scales: &[f64], n: usize) -> Vec<f64> {
    let mut inverse = vec![0.0; n * n];
    cholesky::invert(factor, n, &mut inverse);
    for row in 0..n {
        for column in 0..n {
            inverse[row * n + column] *= scales[row] * scales[column];
        }
    }
    inverse
}

/// Standard errors of the random effects' spread.
#[derive(Debug)]
pub(super) struct SpreadErrors {
    /// Of ln(random SD).
    pub(super) log_sds: Vec<Option<f64>>,
    /// Of ln sigma.
    pub(super) log_sigma: Option<f64>,
    /// Of the correlations, q x q.
    pub(super) correlations: Vec<Option<f64>>,
    /// Least eigenvalue of the entries' information scaled to unit diagonal (1 where
    /// there are no random effects).
    pub(super) least_eigenvalue: f64,
}

/// Standard errors of random SDs, their correlations and sigma.
///
/// ln SD_k = 1/2 ln sigma^2 + 1/2 ln sum_l L_kl^2, with the joint information of
/// the entries and ln sigma^2; a correlation depends on the entries alone.
pub(super) fn spread_errors(
    problem: &Problem<'_>,
    factor: &[f64],
    entries: &[(usize, usize)],
    step: &FactorStep,
) -> SpreadErrors {
    let (q, count) = (problem.q, entries.len());
    let freedom = problem.observations();
    let mut errors = SpreadErrors {
        log_sds: vec![None; q],
        log_sigma: Some((0.5 / freedom).sqrt()),
        correlations: vec![None; q * q],
        least_eigenvalue: least_eigenvalue(&step.information, count),
    };
    let mut scaled = step.information.clone();
    let mut scales = vec![0.0; count];
    if q == 0 {
        return errors;
    }
    if cholesky::factor_scaled(&mut scaled, count, &mut scales) != Some(0.0) {
        errors.log_sigma = None;
        return errors;
    }
    let variance_of = |slope: &[f64]| {
        let mut solved = slope.to_vec();
        cholesky::solve_scaled(&scaled, count, &scales, &mut solved);
        slope.iter().zip(&solved).map(|(a, b)| a * b).sum::<f64>()
    };
    let root = |variance: f64| (variance > 0.0 && variance.is_finite()).then(|| variance.sqrt());
    let mut shared = step.cross.clone();
    cholesky::solve_scaled(&scaled, count, &scales, &mut shared);
    let through: f64 = shared.iter().zip(&step.cross).map(|(a, b)| a * b).sum();
    let log_variance = 2.0 / freedom + (2.0 / freedom).powi(2) * through;
    errors.log_sigma = root(0.25 * log_variance);
    for k in 0..q {
        let size: f64 = (0..=k).map(|l| factor[k * q + l].powi(2)).sum();
        let slope: Vec<f64> = entries
            .iter()
            .map(|(row, l)| {
                if *row == k {
                    factor[k * q + l] / size
                } else {
                    0.0
                }
            })
            .collect();
        let joint: f64 = slope.iter().zip(&shared).map(|(a, b)| a * b).sum();
        errors.log_sds[k] = root(variance_of(&slope) - 2.0 / freedom * joint + 0.25 * log_variance);
        for other in 0..k {
            let slope = correlation_slope(factor, q, entries, (k, other));
            let error = root(variance_of(&slope));
            errors.correlations[k * q + other] = error;
            errors.correlations[other * q + k] = error;
        }
    }
    errors
}

/// Gradient of a correlation in the factor's entries: with rows a and b of the
/// factor, r = a.b / (|a| |b|), dr/da = (b / |b| - r a / |a|) / |a|.
pub(super) fn correlation_slope(
    factor: &[f64],
    q: usize,
    entries: &[(usize, usize)],
    (one, other): (usize, usize),
) -> Vec<f64> {
    let row = |k: usize| &factor[k * q..(k + 1) * q];
    let size = |k: usize| row(k).iter().map(|x| x * x).sum::<f64>().sqrt();
    let dot: f64 = row(one).iter().zip(row(other)).map(|(a, b)| a * b).sum();
    let correlation = dot / (size(one) * size(other));
    let along = |k: usize, beside: usize, l: usize| {
        (row(beside)[l] / size(beside) - correlation * row(k)[l] / size(k)) / size(k)
    };
    entries
        .iter()
        .map(|(k, l)| match *k {
            k if k == one => along(one, other, *l),
            k if k == other => along(other, one, *l),
            _ => 0.0,
        })
        .collect()
}

/// Least eigenvalue of a symmetric matrix scaled to unit diagonal; 0 where the
/// diagonal is not positive.
pub(super) fn least_eigenvalue(matrix: &[f64], n: usize) -> f64 {
    if n == 0 {
        return 1.0;
    }
    if (0..n).any(|k| !(matrix[k * n + k] > 0.0)) {
        return 0.0;
    }
    let scaled = DMatrix::from_fn(n, n, |k, l| {
        matrix[k * n + l] / (matrix[k * n + k] * matrix[l * n + l]).sqrt()
    });
    SymmetricEigen::new(scaled).eigenvalues.min()
}
