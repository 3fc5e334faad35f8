//! How well the terms of groups are known where groups are given to whole clusters: by how far
//! the clusters of a group differ, in whatever they differ.
//!
//! A cluster's effect in the model acts on few terms, and along one direction. What real
//! clusters differ in is not known; a covariance of the groups' terms that rests on the model
//! alone is too small for everything else. To first order a group's terms are a mean over its
//! clusters. With H_j the information that cluster j has on them, C = (sum H_j)^-1 their
//! covariance by the model, u_j the cluster's score and e_j = C u_j its share of the estimate
//! (sum e_j = 0), and with C = LL',
//!
//! ```text
//! z_j = S_j^(-1/2) L^-1 e_j,   S_j = L' H_j L,   Var(z_j) = I - S_j  if the model is right
//! R   = sum z_j z_j' / (clusters - groups),      Cov(terms) = L R L'
//! ```
//!
//! R, pooled over the groups, is the identity on average if the model is right (sum S_j = I),
//! and brings in what it misses if not. Where clusters are alike in size L R L' is the
//! covariance of the mean of clusters' own estimates, which is the analysis of cluster means
//! with its clusters - groups degrees of freedom (McNeish and Harring 2017 and Murray 1998,
//! chapter 5, on group-randomised trials; from memory); where they are not, the standardisation
//! is that of Bell and McCaffrey (2002, Survey Methodology 28:169-181) against the bias of few
//! clusters. R has the law of a Wishart matrix over its degrees of freedom, so that every
//! combination of terms has Student's t with these, and several have Hotelling's T^2.
//!
//! Where clusters stand in complete blocks z_j goes about the mean of its block, and the degrees
//! of freedom are those of an analysis of randomised blocks, clusters - groups - blocks + 1.
//!
//! Only where every term differs between groups: a shared one has no clusters of one group.

use nalgebra::{DMatrix, DVector};

use super::clusters::Clusters;
use super::linear::Factors;
use super::problem::{CHUNK, Problem};
use super::woodbury::{Task, stride};

/// Share of a cluster's information, over the greatest, below which it is ignored.
const NOTHING: f64 = 1e-9;

/// The covariance of the groups' terms by the variation between clusters.
#[derive(Debug)]
pub(super) struct BetweenClusters {
    /// On the scales on which effects add, block after block.
    pub(super) covariance: Vec<f64>,
    /// One standard error of that along each independent direction, block after block.
    pub(super) directions: Vec<Vec<f64>>,
    pub(super) df: f64,
}

/// The model's own covariance of the fixed effects (sigma^2 in it), and where it was taken.
#[derive(Clone, Copy)]
pub(super) struct ByModel<'m> {
    pub(super) covariance: &'m [f64],
    pub(super) variance: f64,
    /// What is left of the fixed effects' last step.
    pub(super) change: &'m [f64],
}

impl BetweenClusters {
    /// At the end of an alternation; `None` without clusters, with terms that groups share, or
    /// where no group has two clusters.
    pub(super) fn of(
        problem: &Problem<'_>,
        numbers: &[f64],
        factors: Factors<'_>,
        model: ByModel<'_>,
    ) -> Option<Self> {
        let p = problem.p;
        let groups = problem.columns.len() / p;
        if problem.blocks.len() != groups * p * p {
            return None;
        }
        let shares = shares(problem, numbers, factors)?;
        let level = problem.cluster_level();
        let mut roots = Vec::with_capacity(groups);
        for group in 0..groups {
            let rows = problem.blocks.rows_of(group, p);
            let covariance = DMatrix::from_fn(p, p, |row, column| {
                model.covariance[problem.blocks.place(group, rows[row], rows[column])]
            });
            roots.push(root(&covariance)?);
        }
        let mut members = vec![0_usize; groups];
        let mut standard = Vec::with_capacity(level.groups.len());
        for (share, group) in shares.chunks_exact(stride(p)).zip(level.groups) {
            members[*group] += 1;
            let columns = &problem.columns[group * p..(group + 1) * p];
            let change = DVector::from_fn(p, |term, _| model.change[columns[term]]);
            standard.push(standardised(share, &roots[*group], &change, model.variance));
        }
        let blocks = about_blocks(problem, &mut standard);
        let mut sum = DMatrix::zeros(p, p);
        for z in &standard {
            sum.ger(1.0, z, z, 1.0);
        }
        let df: usize = members.iter().map(|own| own.saturating_sub(1)).sum();
        let df = df.saturating_sub(blocks.saturating_sub(1));
        if df == 0 || !sum.iter().all(|entry: &f64| entry.is_finite()) {
            return None;
        }
        let df = df as f64;
        let parts = (sum / df).symmetric_eigen();
        let mut pooled = parts.eigenvectors;
        for (mut column, value) in pooled.column_iter_mut().zip(parts.eigenvalues.iter()) {
            column *= value.max(0.0).sqrt();
        }
        let axes: Vec<DMatrix<f64>> = roots.iter().map(|root| root * &pooled).collect();
        let in_blocks = |of_group: &dyn Fn(&DMatrix<f64>) -> DMatrix<f64>| {
            let mut all = vec![0.0; problem.blocks.len()];
            for (group, axes) in axes.iter().enumerate() {
                let rows = problem.blocks.rows_of(group, p);
                let block = of_group(axes);
                for row in 0..p {
                    for column in 0..p {
                        let at = problem.blocks.place(group, rows[row], rows[column]);
                        all[at] = block[(row, column)];
                    }
                }
            }
            all
        };
        let known: Vec<usize> = (0..p)
            .filter(|axis| parts.eigenvalues[*axis] > NOTHING * parts.eigenvalues.max())
            .collect();
        // A Wishart matrix: entries of R along its principal axes are independent, the variance of
        // those on the diagonal 2 / df, of the others 1 / df.
        let mut directions = Vec::new();
        for (place, axis) in known.iter().enumerate() {
            for other in &known[..=place] {
                directions.push(in_blocks(&|axes| {
                    let product = axes.column(*axis) * axes.column(*other).transpose();
                    if axis == other {
                        product * (2.0 / df).sqrt()
                    } else {
                        (&product + product.transpose()) * (1.0 / df).sqrt()
                    }
                }));
            }
        }
        Some(Self {
            covariance: in_blocks(&|axes| axes * axes.transpose()),
            directions,
            df,
        })
    }
}

/// z_j from a cluster's information and score, and the root of its group's covariance.
fn standardised(
    share: &[f64],
    root: &DMatrix<f64>,
    change: &DVector<f64>,
    variance: f64,
) -> DVector<f64> {
    let p = root.nrows();
    let information = DMatrix::from_row_slice(p, p, &share[..p * p]);
    let score = DVector::from_column_slice(&share[p * p..p * p + p]) - &information * change;
    // L^-1 C u = L' u, over sigma^2.
    let moved = root.tr_mul(&score) / variance;
    let own = root.tr_mul(&(information * root)) / variance;
    let parts = own.symmetric_eigen();
    let least = NOTHING * parts.eigenvalues.max();
    let mut standard = parts.eigenvectors.tr_mul(&moved);
    for (entry, value) in standard.iter_mut().zip(parts.eigenvalues.iter()) {
        *entry = if *value > least {
            *entry / value.sqrt()
        } else {
            0.0
        };
    }
    parts.eigenvectors * standard
}

/// Takes the mean of its block off each cluster; gives how many blocks there are.
fn about_blocks(problem: &Problem<'_>, standard: &mut [DVector<f64>]) -> usize {
    let blocks = problem
        .clusters
        .map_or(&[][..], |clusters| &clusters.blocks);
    let count = blocks.iter().max().map_or(0, |most| most + 1);
    for block in 0..count {
        let members: Vec<usize> = (0..blocks.len())
            .filter(|at| blocks[*at] == block)
            .collect();
        let size = members.len() as f64;
        let mean: DVector<f64> = members.iter().map(|at| &standard[*at] / size).sum();
        for at in members {
            standard[at] -= &mean;
        }
    }
    count
}

/// Information and score of each cluster with all random effects integrated out, over sigma^2,
/// clusters x [`stride`].
fn shares(problem: &Problem<'_>, numbers: &[f64], factors: Factors<'_>) -> Option<Vec<f64>> {
    let width = stride(problem.p);
    let mut clusters = Clusters::new(problem)?;
    let task = Task::new(problem.level(), problem.fixed, 0);
    let mut tasks = vec![task; problem.subjects().div_ceil(CHUNK)];
    clusters.gather(problem, &mut tasks, numbers, factors.subjects)?;
    let level = problem.cluster_level();
    let mut task = Task::new(level, problem.fixed, 0);
    let mut shares = vec![0.0; clusters.numbers.len()];
    let each = clusters.numbers.chunks_exact(width);
    for (numbers, out) in each.zip(shares.chunks_exact_mut(width)) {
        task.pass_on(level, numbers, factors.clusters, out);
    }
    (!task.failed).then_some(shares)
}

/// L with LL' = a covariance; `None` where that is not positive definite.
fn root(covariance: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let sizes = covariance.diagonal().map(f64::sqrt);
    let scaled = DMatrix::from_fn(covariance.nrows(), covariance.ncols(), |row, column| {
        covariance[(row, column)] / (sizes[row] * sizes[column])
    });
    let mut root = scaled.cholesky()?.unpack();
    for (mut row, size) in root.row_iter_mut().zip(sizes.iter()) {
        row *= *size;
    }
    Some(root)
}
