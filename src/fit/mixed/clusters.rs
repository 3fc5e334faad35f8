//! Clusters of subjects: the outer level of random effects.
//!
//! Subject i of cluster j has eta = fixed effects + c_j + b_i, with c_j normal, its parts
//! independent. With the subject's own effects integrated out, all that is left of it is
//! S_i = J'W^-1J, J'W^-1w, w'W^-1w and ln|M|, which add up over the subjects of a cluster:
//! a cluster is a unit of these sums, as a subject is a unit of its observations, and its
//! effects are integrated out by the same algebra (`woodbury.rs`). An evaluation stays
//! linear in the subjects.
//!
//! With V the covariance of a whole cluster and K = L M^-1 L' that of c given the data and
//! the fixed effects (over sigma^2), the subjects' part of the slope is that of
//! Z'V^-1Z = G - T K T' (T = Z'W^-1 Z_c) at terms moved by the fixed effects and by c.
//! Expected information 1/2 tr(V^-1 dV V^-1 dV), with A_i = T'(dPsi)T of a subject and
//! A = sum A_i: of two entries of the subjects' factor
//! 1/2 sum tr(Z'V^-1Z dPsi Z'V^-1Z dPsi') + 1/2 (tr(K A K A') - sum tr(K A_i K A_i')),
//! of one of theirs and a cluster's SD l: l (H'AH), H = I - K Z_c'W^-1Z_c, on the diagonal.

use rayon::prelude::*;

use super::cholesky;
use super::conditional::effects_of;
use super::ending::around_into;
use super::linear::{Factors, add};
use super::model::MixedModel;
use super::problem::{CHUNK, Problem};
use super::result::MixedFit;
use super::woodbury::{RandomLevel, Slope, Task, stride};

/// What a subject has of its cluster.
#[derive(Clone, Copy)]
pub(super) struct Within<'w> {
    terms: &'w [usize],
    effects: &'w [f64],
    /// K, cluster terms x cluster terms.
    posterior: &'w [f64],
    /// What the errors of the fixed effects add to K, p x p, where the likelihood is
    /// restricted.
    pub(super) restricted: Option<&'w [f64]>,
}

impl Within<'_> {
    pub(super) fn add_effects(&self, change: &mut [f64]) {
        for (term, effect) in self.terms.iter().zip(self.effects) {
            change[*term] += effect;
        }
    }

    /// G becomes Z'V^-1Z.
    pub(super) fn correct(&self, level: RandomLevel<'_>, task: &mut Task) {
        let (p, q, n) = (level.p, level.q(), self.terms.len());
        for k in 0..q {
            for l in 0..q {
                let mut sum = 0.0;
                for (c, term) in self.terms.iter().enumerate() {
                    for (c2, term2) in self.terms.iter().enumerate() {
                        sum += task.t[k * p + term]
                            * self.posterior[c * n + c2]
                            * task.t[l * p + term2];
                    }
                }
                task.g[k * q + l] -= sum;
            }
        }
    }

    /// Leaves A_i of each entry, and subtracts its part from the information.
    pub(super) fn add_information(
        &self,
        level: RandomLevel<'_>,
        slope: &Slope<'_>,
        task: &mut Task,
    ) {
        let (p, q, n) = (level.p, level.q(), self.terms.len());
        let count = slope.entries.len();
        let mut own = Vec::with_capacity(count * n * n);
        for (k, l) in slope.entries {
            let along = |term: usize| -> f64 {
                (*l..q)
                    .map(|m| slope.factor[m * q + l] * task.t[m * p + term])
                    .sum()
            };
            for term in self.terms {
                for term2 in self.terms {
                    own.push(
                        task.t[k * p + *term] * along(*term2)
                            + along(*term) * task.t[k * p + *term2],
                    );
                }
            }
        }
        let of = |at: usize| &own[at * n * n..(at + 1) * n * n];
        for at in 0..count {
            for at2 in 0..=at {
                task.information[at * count + at2] -=
                    0.5 * trace_of_products(self.posterior, of(at), of(at2), n);
            }
        }
        task.trails.extend_from_slice(&own);
    }
}

/// tr(K A K B) of symmetric n x n matrices.
fn trace_of_products(k: &[f64], a: &[f64], b: &[f64], n: usize) -> f64 {
    let product = |left: &[f64], row: usize, column: usize| -> f64 {
        (0..n).map(|m| k[row * n + m] * left[m * n + column]).sum()
    };
    (0..n * n)
        .map(|at| product(a, at / n, at % n) * product(b, at % n, at / n))
        .sum()
}

/// Clusters of the linearised model: numbers, effects and working memory.
#[derive(Debug)]
pub(super) struct Clusters {
    pub(super) tasks: Vec<Task>,
    /// What remains of each subject, subjects x [`stride`].
    condensed: Vec<f64>,
    /// Sums of that, clusters x [`stride`].
    pub(super) numbers: Vec<f64>,
    /// Cluster effects, over sigma.
    effects: Vec<f64>,
    /// K of each cluster.
    posteriors: Vec<f64>,
    /// What the fixed effects' errors add to it over all terms, clusters x p x p.
    restricted: Vec<f64>,
    entries: Vec<(usize, usize)>,
}

/// Sums over the clusters that a step needs.
pub(super) struct ClusterSlope {
    pub(super) score: Vec<f64>,
    /// Of the clusters' SDs, q x q.
    pub(super) information: Vec<f64>,
    pub(super) cross: Vec<f64>,
}

impl Clusters {
    /// Memory for the clusters; `None` where no term has a cluster effect.
    pub(super) fn new(problem: &Problem<'_>) -> Option<Self> {
        let level = problem.cluster_level();
        let (q, count) = (level.q(), level.groups.len());
        problem.clusters?;
        let task = Task::new(level, problem.fixed, q);
        Some(Self {
            tasks: vec![task; count.div_ceil(CHUNK)],
            condensed: vec![0.0; problem.subjects() * stride(problem.p)],
            numbers: vec![0.0; count * stride(problem.p)],
            effects: vec![0.0; count * q],
            posteriors: vec![0.0; count * q * q],
            restricted: vec![0.0; count * problem.p * problem.p],
            entries: (0..q).map(|c| problem.cluster_entry(c)).collect(),
        })
    }

    /// Integrates the subjects' own effects out and adds up what remains.
    pub(super) fn gather(
        &mut self,
        problem: &Problem<'_>,
        tasks: &mut [Task],
        numbers: &[f64],
        factor: &[f64],
    ) -> Option<()> {
        let width = stride(problem.p);
        tasks
            .par_iter_mut()
            .zip(numbers.par_chunks(CHUNK * width))
            .zip(self.condensed.par_chunks_mut(CHUNK * width))
            .for_each(|((task, numbers), condensed)| {
                task.failed = false;
                let of = numbers.chunks_exact(width);
                for (numbers, out) in of.zip(condensed.chunks_exact_mut(width)) {
                    task.pass_on(problem.level(), numbers, factor, out);
                }
            });
        if tasks.iter().any(|task| task.failed) {
            return None;
        }
        self.numbers.fill(0.0);
        let of = problem.clusters.map_or(&[][..], |clusters| &clusters.of);
        for (cluster, condensed) in of.iter().zip(self.condensed.chunks_exact(width)) {
            let sums = &mut self.numbers[cluster * width..(cluster + 1) * width];
            for (sum, part) in sums.iter_mut().zip(condensed) {
                *sum += part;
            }
        }
        Some(())
    }

    /// Score and information of the clusters' SDs, after [`Self::gather`]; writes the
    /// clusters' spherical effects, and keeps what their subjects need.
    pub(super) fn slope(
        &mut self,
        problem: &Problem<'_>,
        slope: &Slope<'_>,
        spherical: &mut [f64],
    ) -> Option<ClusterSlope> {
        let level = problem.cluster_level();
        let (p, q, width) = (problem.p, level.q(), stride(problem.p));
        let slope = Slope {
            entries: &self.entries,
            ..*slope
        };
        self.tasks
            .par_iter_mut()
            .zip(self.numbers.par_chunks(CHUNK * width))
            .zip(spherical.par_chunks_mut(CHUNK * q))
            .zip(self.effects.par_chunks_mut(CHUNK * q))
            .zip(self.posteriors.par_chunks_mut(CHUNK * q * q))
            .zip(self.restricted.par_chunks_mut(CHUNK * p * p))
            .enumerate()
            .for_each(
                |(chunk, (((((task, numbers), spherical), effects), posteriors), restricted))| {
                    task.score.fill(0.0);
                    task.information.fill(0.0);
                    task.cross.fill(0.0);
                    task.failed = false;
                    for (at, (((numbers, spherical), effects), (posterior, restricted))) in numbers
                        .chunks_exact(width)
                        .zip(spherical.chunks_exact_mut(q))
                        .zip(effects.chunks_exact_mut(q))
                        .zip(
                            posteriors
                                .chunks_exact_mut(q * q)
                                .zip(restricted.chunks_exact_mut(p * p)),
                        )
                        .enumerate()
                    {
                        let cluster = chunk * CHUNK + at;
                        task.add_slope(level, &slope, cluster, numbers, spherical, None);
                        effects_of(slope.factor, spherical, effects);
                        let inverse = slope.restricted;
                        task.posterior(
                            level,
                            cluster,
                            slope.factor,
                            posterior,
                            inverse,
                            restricted,
                        );
                    }
                },
            );
        let mut sums = ClusterSlope {
            score: vec![0.0; q * q],
            information: vec![0.0; q * q],
            cross: vec![0.0; q],
        };
        for task in &self.tasks {
            if task.failed {
                return None;
            }
            add(&mut sums.score, &task.score);
            add(&mut sums.information, &task.information);
            add(&mut sums.cross, &task.cross);
        }
        if problem.common_cluster {
            // All entries move as one.
            let triangle = (0..q).flat_map(|row| (0..=row).map(move |column| (row, column)));
            let all = triangle.map(|(row, column)| {
                let times = if row == column { 1.0 } else { 2.0 };
                times * sums.information[row * q + column]
            });
            sums.information = vec![all.sum()];
            sums.cross = vec![sums.cross.iter().sum()];
        }
        Some(sums)
    }

    /// What the subjects need of it, after [`Self::slope`].
    pub(super) fn view(&self) -> ClusterView<'_> {
        ClusterView {
            effects: &self.effects,
            posteriors: &self.posteriors,
            restricted: &self.restricted,
        }
    }

    /// Adds the information that subjects of one cluster share: of the subjects' entries
    /// (count x count), and of these and the clusters' SDs (count x q), after the pass over
    /// the subjects.
    pub(super) fn shared_information(
        &self,
        problem: &Problem<'_>,
        factor: &[f64],
        trails: &[f64],
        information: &mut [f64],
        count: usize,
    ) -> Vec<f64> {
        let level = problem.cluster_level();
        let (p, q, width) = (problem.p, level.q(), stride(problem.p));
        let size = count * q * q;
        let mut sums = vec![0.0; level.groups.len() * size];
        let of = problem.clusters.map_or(&[][..], |clusters| &clusters.of);
        if size > 0 {
            for (cluster, trail) in of.iter().zip(trails.chunks_exact(size)) {
                add(&mut sums[cluster * size..(cluster + 1) * size], trail);
            }
        }
        let spreads = problem.cluster_spreads();
        let mut beside = vec![0.0; count * spreads];
        let mut h = vec![0.0; q * q];
        for cluster in 0..level.groups.len() {
            let numbers = &self.numbers[cluster * width..];
            let k = &self.posteriors[cluster * q * q..(cluster + 1) * q * q];
            for at in 0..q * q {
                let (row, column) = (at / q, at % q);
                let taken: f64 = (0..q)
                    .map(|m| k[row * q + m] * numbers[level.random[m] * p + level.random[column]])
                    .sum();
                h[at] = f64::from(u8::from(row == column)) - taken;
            }
            let of = |at: usize| &sums[cluster * size + at * q * q..][..q * q];
            for at in 0..count {
                for at2 in 0..=at {
                    information[at * count + at2] += 0.5 * trace_of_products(k, of(at), of(at2), q);
                }
                let along = |c: usize, c2: usize| -> f64 {
                    let pairs = (0..q).flat_map(|m| (0..q).map(move |m2| (m, m2)));
                    pairs
                        .map(|(m, m2)| h[m * q + c] * of(at)[m * q + m2] * h[m2 * q + c2])
                        .sum()
                };
                if problem.common_cluster {
                    let pairs = (0..q).flat_map(|c| (0..q).map(move |c2| (c, c2)));
                    let sum: f64 = pairs.map(|(c, c2)| along(c, c2)).sum();
                    beside[at] += factor[0] * sum;
                } else {
                    for c in 0..q {
                        beside[at * q + c] += factor[c * q + c] * along(c, c);
                    }
                }
            }
        }
        beside
    }
}

/// What the clusters' pass leaves for their subjects.
#[derive(Clone, Copy)]
pub(super) struct ClusterView<'v> {
    effects: &'v [f64],
    posteriors: &'v [f64],
    restricted: &'v [f64],
}

impl<'v> ClusterView<'v> {
    pub(super) fn of(
        self,
        problem: &'v Problem<'_>,
        subject: usize,
        restricted: bool,
    ) -> Within<'v> {
        let (p, terms) = (problem.p, problem.cluster);
        let q = terms.len();
        let cluster = problem.clusters.map_or(0, |clusters| clusters.of[subject]);
        Within {
            terms,
            effects: &self.effects[cluster * q..(cluster + 1) * q],
            posterior: &self.posteriors[cluster * q * q..(cluster + 1) * q * q],
            restricted: restricted.then(|| &self.restricted[cluster * p * p..][..p * p]),
        }
    }
}

impl Task {
    /// K of a cluster whose numbers are condensed, and, with the inverse of X'V^-1X, what
    /// the fixed effects' errors add to it: T C^-1 T' over the terms, T = I - K Z'W^-1X.
    fn posterior(
        &mut self,
        level: RandomLevel<'_>,
        cluster: usize,
        factor: &[f64],
        posterior: &mut [f64],
        inverse: Option<&[f64]>,
        restricted: &mut [f64],
    ) {
        let (p, q) = (level.p, level.q());
        // Rows: (C^-1 L')' of each effect.
        let mut rows = vec![0.0; q * q];
        for (c, row) in rows.chunks_exact_mut(q).enumerate() {
            row.copy_from_slice(&factor[c * q..(c + 1) * q]);
            cholesky::forward(&self.m, q, row);
        }
        for at in 0..q * q {
            let (c, c2) = (at / q, at % q);
            posterior[at] = (0..q).map(|r| rows[c * q + r] * rows[c2 * q + r]).sum();
        }
        let Some(inverse) = inverse else {
            return;
        };
        let mut transfer = vec![0.0; p * p];
        for j in 0..p {
            transfer[j * p + j] = 1.0;
        }
        for (c, term) in level.random.iter().enumerate() {
            for j in 0..p {
                let taken: f64 = (0..q).map(|r| rows[c * q + r] * self.b[r * p + j]).sum();
                transfer[term * p + j] -= taken;
            }
        }
        let group = level.groups[cluster];
        let rows = level.blocks.rows_of(group, p);
        let of_group: Vec<f64> = (0..p * p)
            .map(|at| inverse[level.blocks.place(group, rows[at / p], rows[at % p])])
            .collect();
        let mut half = vec![0.0; p * p];
        around_into(&transfer, &of_group, p, &mut half, restricted);
    }
}

/// Covariance of (fixed effects + cluster effect) of each cluster given the data, clusters x
/// p x p, from that of the fixed effects, block after block, and sigma^2: what stands for the fixed effects' covariance in a subject's.
pub(super) fn covariances(
    problem: &Problem<'_>,
    numbers: &[f64],
    factors: Factors<'_>,
    inverse: &[f64],
    variance: f64,
) -> Vec<f64> {
    let level = problem.cluster_level();
    let (p, q, width) = (problem.p, level.q(), stride(problem.p));
    let Some(mut clusters) = Clusters::new(problem) else {
        return Vec::new();
    };
    let task = Task::new(problem.level(), problem.fixed, 0);
    let mut tasks = vec![task; problem.subjects().div_ceil(CHUNK)];
    if clusters
        .gather(problem, &mut tasks, numbers, factors.subjects)
        .is_none()
    {
        return vec![f64::NAN; level.groups.len() * p * p];
    }
    let mut all = vec![0.0; level.groups.len() * p * p];
    let mut task = Task::new(level, problem.fixed, 0);
    let mut posterior = vec![0.0; q * q];
    for (cluster, out) in all.chunks_exact_mut(p * p).enumerate() {
        let numbers = &clusters.numbers[cluster * width..(cluster + 1) * width];
        if !task.woodbury(level, numbers, factors.clusters) {
            out.fill(f64::NAN);
            continue;
        }
        task.posterior(
            level,
            cluster,
            factors.clusters,
            &mut posterior,
            Some(inverse),
            out,
        );
        for at in 0..q * q {
            out[level.random[at / q] * p + level.random[at % q]] += variance * posterior[at];
        }
    }
    all
}

impl MixedFit {
    /// Terms in which a subject of a new cluster differs from the typical one, and the
    /// covariance of these effects, the subject's and the cluster's together.
    pub(super) fn new_subject(&self, model: &MixedModel<'_>) -> (Vec<usize>, Vec<f64>) {
        let mut effects = model.random.clone();
        let own = effects.len();
        effects.extend(
            model
                .cluster
                .iter()
                .filter(|term| !model.random.contains(term)),
        );
        let q = effects.len();
        let mut covariance = vec![0.0; q * q];
        for row in 0..own {
            let from = &self.random_covariance[row * own..(row + 1) * own];
            covariance[row * q..][..own].copy_from_slice(from);
        }
        for effect in &self.cluster {
            let at = effects.iter().position(|term| *term == effect.term);
            let at = at.unwrap_or_default();
            covariance[at * q + at] += effect.standard_deviation.powi(2);
            if model.common_cluster {
                for other in self
                    .cluster
                    .iter()
                    .filter(|other| other.term != effect.term)
                {
                    let beside = effects.iter().position(|term| *term == other.term);
                    let both = effect.standard_deviation * other.standard_deviation;
                    covariance[at * q + beside.unwrap_or_default()] += both;
                }
            }
        }
        (effects, covariance)
    }
}
