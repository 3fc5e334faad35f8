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

use super::blocks::Factored;
use super::cholesky;
use super::clusters::Clusters;
use super::model::{Covariance, Criterion};
use super::problem::{CHUNK, Problem};
use super::woodbury::{RandomLevel, Slope, Task, stride};

/// The linearised likelihood at one factor.
#[derive(Debug, Clone)]
pub(super) struct Profile {
    pub(super) log_lik: f64,
    pub(super) variance: f64,
    /// Best change of the fixed effects.
    pub(super) change: Vec<f64>,
    /// X'W^-1X, factored.
    pub(super) information: Factored,
    /// |change| in standard errors.
    pub(super) change_in_errors: f64,
}

/// A step towards the best factor.
#[derive(Debug, Clone)]
pub(super) struct FactorStep {
    /// Step of each free entry, then of the clusters' SDs.
    pub(super) step: Vec<f64>,
    /// Its length in standard errors.
    pub(super) in_errors: f64,
    /// Information of the entries, sigma and fixed effects profiled: count x count.
    pub(super) information: Vec<f64>,
    /// Information shared by the entries and ln sigma^2.
    pub(super) cross: Vec<f64>,
}

/// Sums over all units at given factors.
#[derive(Debug)]
pub(super) struct Sums {
    /// In the covariance of the subjects' effects over sigma^2, q x q, then in that of the
    /// clusters' effects.
    pub(super) score: Vec<f64>,
    /// Of the free entries, then of the clusters' SDs: count x count.
    information: Vec<f64>,
    /// Shared by these and ln sigma^2.
    cross: Vec<f64>,
}

/// Lower-triangular factors of the random effects' covariance over sigma^2.
#[derive(Debug, Clone, Copy)]
pub(super) struct Factors<'f> {
    /// Of subjects, q x q.
    pub(super) subjects: &'f [f64],
    /// Of clusters, diagonal.
    pub(super) clusters: &'f [f64],
}

/// Evaluates the linearised likelihood; holds the memory for it.
#[derive(Debug)]
pub(super) struct Linear {
    tasks: Vec<Task>,
    clusters: Option<Clusters>,
    pub(super) entries: Vec<(usize, usize)>,
    covariance: Covariance,
    criterion: Criterion,
    /// Whether ln L_kk of each effect is added to the likelihood (`unsupported.rs`).
    pub(super) off_zero: bool,
}

impl Linear {
    pub(super) fn new(problem: &Problem<'_>, covariance: Covariance, criterion: Criterion) -> Self {
        let entries = problem.free_entries(covariance == Covariance::Full);
        let tasks = problem.subjects().div_ceil(CHUNK);
        Self {
            tasks: vec![Task::new(problem.level(), problem.fixed, entries.len()); tasks],
            clusters: Clusters::new(problem),
            entries,
            covariance,
            criterion,
            off_zero: false,
        }
    }

    /// Log-likelihood, variance and change of the fixed effects at the factors of the
    /// subjects and of the clusters.
    pub(super) fn value(
        &mut self,
        problem: &Problem<'_>,
        numbers: &[f64],
        factors: Factors<'_>,
    ) -> Option<Profile> {
        let fixed = problem.fixed;
        let tasks = if let Some(clusters) = &mut self.clusters {
            clusters.gather(problem, &mut self.tasks, numbers, factors.subjects)?;
            let level = problem.cluster_level();
            add_values(
                &mut clusters.tasks,
                level,
                &clusters.numbers,
                factors.clusters,
            );
            &clusters.tasks
        } else {
            add_values(&mut self.tasks, problem.level(), numbers, factors.subjects);
            &self.tasks
        };
        let (mut xx, mut xy) = (vec![0.0; problem.blocks.len()], vec![0.0; fixed]);
        let (mut yy, mut logs) = (0.0, 0.0);
        for task in tasks {
            if task.failed {
                return None;
            }
            add(&mut xx, &task.xx);
            add(&mut xy, &task.xy);
            yy += task.yy;
            logs += task.log_m + task.log_v;
        }
        let information = problem.blocks.factor(xx)?;
        let change = problem.blocks.solve(&information, &xy);
        let reduction: f64 = change.iter().zip(&xy).map(|(d, y)| d * y).sum();
        let mut degrees_of_freedom = problem.observations();
        if self.criterion == Criterion::RestrictedLikelihood {
            let count = fixed as f64;
            degrees_of_freedom -= count;
            logs += problem.blocks.log_determinant(&information);
        }
        let variance = (yy - reduction) / degrees_of_freedom;
        if !(variance > 0.0 && variance.is_finite() && logs.is_finite()) {
            return None;
        }
        let tau = 2.0 * std::f64::consts::PI;
        let prior = if self.off_zero {
            diagonal(factors.subjects, problem.q).map(f64::ln).sum()
        } else {
            0.0
        };
        Some(Profile {
            log_lik: -0.5 * (degrees_of_freedom * (1.0 + (tau * variance).ln()) + logs)
                + problem.log_jacobian
                + prior,
            variance,
            change_in_errors: (reduction.max(0.0) / variance).sqrt(),
            change,
            information,
        })
    }

    /// The scoring step at factors whose profile is known; writes the spherical random
    /// effects of subjects and clusters.
    pub(super) fn step(
        &mut self,
        problem: &Problem<'_>,
        numbers: &[f64],
        factors: Factors<'_>,
        profile: &Profile,
        spherical: &mut [f64],
        cluster_spherical: &mut [f64],
    ) -> Option<FactorStep> {
        if problem.q == 0 && self.clusters.is_none() {
            return Some(FactorStep {
                step: Vec::new(),
                in_errors: 0.0,
                information: Vec::new(),
                cross: Vec::new(),
            });
        }
        let precision = 1.0 / profile.variance;
        let effects = (spherical, cluster_spherical);
        let mut sums = self.sums(problem, numbers, factors, (profile, precision), effects)?;
        self.solve(
            problem,
            factors,
            &mut sums.score,
            sums.information,
            sums.cross,
        )
    }

    /// Score in the covariances of subjects' and clusters' effects, and information in the
    /// entries of their factors; writes the spherical random effects of both. The squares of
    /// the residuals enter the score with this precision; with none it is minus the slope of
    /// the likelihood's determinants.
    pub(super) fn sums(
        &mut self,
        problem: &Problem<'_>,
        numbers: &[f64],
        factors: Factors<'_>,
        (profile, precision): (&Profile, f64),
        (spherical, cluster_spherical): (&mut [f64], &mut [f64]),
    ) -> Option<Sums> {
        let (width, q, count) = (stride(problem.p), problem.q, self.entries.len());
        let inverse = (self.criterion == Criterion::RestrictedLikelihood)
            .then(|| problem.blocks.inverse(&profile.information));
        let slope = Slope {
            factor: factors.subjects,
            change: &profile.change,
            precision,
            entries: &self.entries,
            restricted: inverse.as_deref(),
        };
        let mut above = None;
        if let Some(clusters) = &mut self.clusters {
            clusters.gather(problem, &mut self.tasks, numbers, factors.subjects)?;
            let slope = Slope {
                factor: factors.clusters,
                ..slope
            };
            above = Some(clusters.slope(problem, &slope, cluster_spherical)?);
        }
        let within = self.clusters.as_ref().map(Clusters::view);
        // Without random effects the chunks of an empty slice would be none.
        let mut none = vec![0.0; if q == 0 { problem.subjects() } else { 0 }];
        let spherical = if q == 0 { &mut none } else { spherical };
        self.tasks
            .par_iter_mut()
            .zip(numbers.par_chunks(CHUNK * width))
            .zip(spherical.par_chunks_mut(CHUNK * q.max(1)))
            .enumerate()
            .for_each(|(chunk, ((task, numbers), spherical))| {
                task.score.fill(0.0);
                task.information.fill(0.0);
                task.cross.fill(0.0);
                task.trails.clear();
                task.failed = false;
                for (at, (numbers, spherical)) in numbers
                    .chunks_exact(width)
                    .zip(spherical.chunks_exact_mut(q.max(1)))
                    .enumerate()
                {
                    let (subject, spherical) = (chunk * CHUNK + at, &mut spherical[..q]);
                    let level = problem.level();
                    let within = within
                        .map(|within| within.of(problem, subject, slope.restricted.is_some()));
                    task.add_slope(level, &slope, subject, numbers, spherical, within.as_ref());
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
        let Some((clusters, above)) = self.clusters.as_ref().zip(above) else {
            return Some(Sums {
                score,
                information,
                cross,
            });
        };
        let trails = self.tasks.iter().flat_map(|task| &task.trails);
        let trails: Vec<f64> = trails.copied().collect();
        let beside = clusters.shared_information(
            problem,
            factors.clusters,
            &trails,
            &mut information,
            count,
        );
        cross.extend(&above.cross);
        let information = bordered(&information, &beside, &above.information, count);
        score.extend(&above.score);
        Some(Sums {
            score,
            information,
            cross,
        })
    }

    /// Error of the mean of a middling cluster in the c-th cluster term, over sigma.
    pub(super) fn cluster_error(&self, problem: &Problem<'_>, c: usize) -> f64 {
        let (p, term) = (problem.p, problem.cluster[c]);
        let numbers = self.clusters.as_ref().map_or(&[][..], |all| &all.numbers);
        let (mut sum, mut count) = (0.0, 0.0);
        for numbers in numbers.chunks_exact(stride(p)) {
            sum += numbers[term * p + term];
            count += 1.0;
        }
        (count / sum).sqrt()
    }

    /// Score and information in Psi to a step in the entries of the factor.
    fn solve(
        &self,
        problem: &Problem<'_>,
        factors: Factors<'_>,
        score: &mut [f64],
        mut information: Vec<f64>,
        cross: Vec<f64>,
    ) -> Option<FactorStep> {
        let (q, count) = (problem.q, cross.len());
        let factor = factors.subjects;
        score.iter_mut().for_each(|value| *value *= 0.5);
        let (score, above) = score.split_at(q * q);
        let above = spread_scores(problem, above);
        let mut gradient: Vec<f64> = self
            .entries
            .iter()
            .map(|(k, l)| {
                let sum: f64 = (0..q).map(|m| score[k * q + m] * factor[m * q + l]).sum();
                2.0 * sum
            })
            .collect();
        if self.off_zero {
            let diagonals = (0..).zip(&self.entries).filter(|(_, (k, l))| k == l);
            for ((at, _), sd) in diagonals.zip(diagonal(factor, q)) {
                gradient[at] += 1.0 / sd;
                information[at * count + at] += 1.0 / (sd * sd);
            }
        }
        let sds = problem.cluster_sds(factors.clusters);
        gradient.extend(above.iter().zip(sds).map(|(score, sd)| 2.0 * score * sd));
        let degrees_of_freedom = problem.observations();
        for at in 0..count {
            for at2 in 0..=at {
                information[at * count + at2] -= 2.0 * cross[at] * cross[at2] / degrees_of_freedom;
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
        for (c, score) in above.iter().enumerate() {
            let place = self.entries.len() + c;
            curvature[place * count + place] += 2.0 * (-score).max(0.0);
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

    /// The part of the score that requires less variance, as a curvature.
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

/// The diagonal of a factor, q x q.
fn diagonal(factor: &[f64], q: usize) -> impl Iterator<Item = f64> + '_ {
    factor.iter().step_by(q + 1).copied()
}

/// Score in the variance of each free spread of the clusters, from that in the covariance of
/// their effects: of one common effect, whose variance is every entry, the sum of all.
pub(super) fn spread_scores(problem: &Problem<'_>, score: &[f64]) -> Vec<f64> {
    let q = problem.cluster.len();
    if problem.common_cluster {
        vec![score.iter().sum()]
    } else {
        (0..q).map(|c| score[c * q + c]).collect()
    }
}

/// What the units add to the likelihood at a factor.
fn add_values(tasks: &mut [Task], level: RandomLevel<'_>, numbers: &[f64], factor: &[f64]) {
    let width = stride(level.p);
    tasks
        .par_iter_mut()
        .zip(numbers.par_chunks(CHUNK * width))
        .enumerate()
        .for_each(|(chunk, (task, numbers))| {
            task.xx.fill(0.0);
            task.xy.fill(0.0);
            (task.yy, task.log_m, task.log_v, task.failed) = (0.0, 0.0, 0.0, false);
            for (at, numbers) in numbers.chunks_exact(width).enumerate() {
                task.add_value(level, chunk * CHUNK + at, numbers, factor);
            }
        });
}

/// The information of n entries (its lower triangle), of these and m others (n x m), and
/// of the others, as one matrix.
fn bordered(own: &[f64], beside: &[f64], others: &[f64], n: usize) -> Vec<f64> {
    let m = others.len().isqrt();
    let size = n + m;
    let mut whole = vec![0.0; size * size];
    for row in 0..size {
        for column in 0..=row {
            whole[row * size + column] = match (row.checked_sub(n), column.checked_sub(n)) {
                (None, _) => own[row * n + column],
                (Some(row), None) => beside[column * m + row],
                (Some(row), Some(column)) => others[row * m + column],
            };
        }
    }
    whole
}

pub(super) fn add(to: &mut [f64], from: &[f64]) {
    for (to, from) in to.iter_mut().zip(from) {
        *to += from;
    }
}
