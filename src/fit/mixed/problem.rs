//! A model laid over data: curve values, residuals and gradients of one subject.

use super::blocks::Blocks;
use super::model::{Correlation, MixedModel};
use super::scale::{self, TermScale};
use super::subjects::{Clusters, Subjects};
use super::woodbury::RandomLevel;
use crate::fit::Variance;
use crate::growth::Curve;

/// Subjects handled by one task. Fixed, and sums are added in the order of the
/// chunks, so that results do not depend on the number of threads.
pub(super) const CHUNK: usize = 64;

/// Terms of the residual covariance: Var = sigma^2 v |mu / m|^(2 power), m the
/// reference, correlation `phi`^(days apart).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Errors {
    pub(super) power: f64,
    pub(super) phi: f64,
}

/// A model laid over data.
#[derive(Debug)]
pub(super) struct Problem<'a> {
    pub(super) curve: &'a dyn Curve,
    pub(super) scales: &'a [TermScale],
    pub(super) random: &'a [usize],
    /// Terms with a cluster effect; none where the subjects have no clusters.
    pub(super) cluster: &'a [usize],
    /// Whether a cluster has one effect common to these.
    pub(super) common_cluster: bool,
    /// Which subjects belong together; there where a term has a cluster effect.
    pub(super) clusters: Option<&'a Clusters<'a>>,
    pub(super) variance: Variance,
    pub(super) correlation: Correlation,
    /// Terms of the curve.
    pub(super) p: usize,
    /// Random effects.
    pub(super) q: usize,
    /// Fixed effects in all.
    pub(super) fixed: usize,
    /// Fixed effect of each term in each group, groups x p.
    pub(super) columns: Vec<usize>,
    /// Which of them have information in common.
    pub(super) blocks: Blocks,
    pub(super) starts: &'a [usize],
    pub(super) ages_d: &'a [f64],
    pub(super) groups: &'a [usize],
    /// Values, their logarithms where the error is log-normal.
    pub(super) y: Vec<f64>,
    /// Square roots of the relative variances.
    pub(super) spread: Option<Vec<f64>>,
    /// Most observations of a subject.
    pub(super) longest: usize,
    /// What the log-likelihood of the transformed values lacks.
    pub(super) log_jacobian: f64,
    /// Mean ln|value|: spreads that follow the mean are 1 there, so that sigma and
    /// the power are nearly independent while both are estimated.
    pub(super) reference: f64,
}

/// Working memory for one subject at a time.
#[derive(Debug, Clone)]
pub(super) struct Scratch {
    pub(super) eta: Vec<f64>,
    pub(super) terms: Vec<f64>,
    /// Fitted values on the curve's scale.
    pub(super) mu: Vec<f64>,
    /// Gradient of the (transformed) fitted values in eta, n x p.
    pub(super) jacobian: Vec<f64>,
    /// (Transformed) value minus fitted.
    pub(super) residual: Vec<f64>,
}

impl<'a> Problem<'a> {
    /// Lays a model over subjects; the reason in words where they do not fit.
    pub(super) fn new(
        model: &'a MixedModel<'_>,
        subjects: &'a Subjects<'_>,
    ) -> Result<Self, String> {
        Self::of_groups(model, subjects, subjects.group_count())
    }

    /// The same where the model has this number of groups, not all of which need a subject.
    pub(super) fn of_groups(
        model: &'a MixedModel<'_>,
        subjects: &'a Subjects<'_>,
        groups: usize,
    ) -> Result<Self, String> {
        let p = model.curve.terms().len();
        let (columns, fixed) = columns(&model.grouped, groups);
        let log_normal = model.variance == Variance::LogNormal;
        if log_normal && subjects.values.iter().any(|value| *value <= 0.0) {
            return Err(
                "a value is zero or below, which a log-normal error does not allow".to_owned(),
            );
        }
        if model.correlation == Correlation::Ar1 && has_repeated_age(subjects) {
            return Err("two observations of a subject at one age, which residual correlation by age does not allow; average them".to_owned());
        }
        let y: Vec<f64> = if log_normal {
            subjects.values.iter().map(|value| value.ln()).collect()
        } else {
            subjects.values.to_vec()
        };
        let clusters = subjects.clusters.as_ref();
        let clusters = clusters.filter(|_| !model.cluster.is_empty());
        Ok(Self {
            curve: model.curve,
            scales: &model.scales,
            random: &model.random,
            cluster: clusters.map_or(&[], |_| &model.cluster),
            common_cluster: clusters.is_some() && model.common_cluster,
            clusters,
            variance: model.variance,
            correlation: model.correlation,
            p,
            q: model.random.len(),
            fixed,
            blocks: Blocks::of(&columns, p, fixed),
            columns,
            starts: &subjects.starts,
            ages_d: &subjects.ages_d,
            groups: &subjects.groups,
            log_jacobian: if log_normal {
                -y.iter().sum::<f64>()
            } else {
                0.0
            },
            reference: mean_log(&subjects.values),
            y,
            spread: subjects
                .relative_variances
                .as_ref()
                .map(|variances| variances.iter().map(|variance| variance.sqrt()).collect()),
            longest: subjects
                .starts
                .windows(2)
                .map(|bounds| bounds[1] - bounds[0])
                .max()
                .unwrap_or(0),
        })
    }

    /// Number of subjects.
    pub(super) fn subjects(&self) -> usize {
        self.groups.len()
    }

    /// Subjects as units of random effects.
    pub(super) fn level(&self) -> RandomLevel<'_> {
        RandomLevel {
            p: self.p,
            random: self.random,
            groups: self.groups,
            columns: &self.columns,
            blocks: &self.blocks,
        }
    }

    /// Clusters as units of random effects.
    pub(super) fn cluster_level(&self) -> RandomLevel<'_> {
        RandomLevel {
            random: self.cluster,
            groups: self.clusters.map_or(&[], |clusters| &clusters.groups),
            ..self.level()
        }
    }

    /// Free spreads of the clusters' effects: one a term, or one common to all.
    pub(super) fn cluster_spreads(&self) -> usize {
        if self.common_cluster {
            1
        } else {
            self.cluster.len()
        }
    }

    /// Entry of the clusters' factor of the c-th term: on the diagonal, or, of one common
    /// effect, in the first column.
    pub(super) fn cluster_entry(&self, c: usize) -> (usize, usize) {
        (c, if self.common_cluster { 0 } else { c })
    }

    /// SD (over sigma) of each free spread.
    pub(super) fn cluster_sds<'f>(&self, factor: &'f [f64]) -> impl Iterator<Item = f64> + 'f {
        let q = self.cluster.len();
        (0..self.cluster_spreads()).map(move |c| factor[c * q + c])
    }

    /// Puts the SD of a free spread into the clusters' factor.
    pub(super) fn set_cluster_sd(&self, factor: &mut [f64], spread: usize, sd: f64) {
        let q = self.cluster.len();
        if self.common_cluster {
            (0..q).for_each(|c| factor[c * q] = sd);
        } else {
            factor[spread * q + spread] = sd;
        }
    }

    /// Number of observations, as a number to compute with.
    pub(super) fn observations(&self) -> f64 {
        self.y.len() as f64
    }

    /// Fixed effects of a subject's group, one a term.
    pub(super) fn columns_of(&self, subject: usize) -> &[usize] {
        let group = self.groups[subject];
        &self.columns[group * self.p..(group + 1) * self.p]
    }

    /// Entries of the random-effects factor that are free.
    pub(super) fn free_entries(&self, full: bool) -> Vec<(usize, usize)> {
        (0..self.q)
            .flat_map(|row| (0..=row).map(move |column| (row, column)))
            .filter(|(row, column)| full || row == column)
            .collect()
    }

    /// Whether the residual spread depends on the fitted value.
    pub(super) fn spread_follows_mean(&self) -> bool {
        matches!(self.variance, Variance::Proportional | Variance::Power)
    }

    pub(super) fn scratch(&self) -> Scratch {
        Scratch {
            eta: vec![0.0; self.p],
            terms: vec![0.0; self.p],
            mu: vec![0.0; self.longest],
            jacobian: vec![0.0; self.longest * self.p],
            residual: vec![0.0; self.longest],
        }
    }

    /// Writes eta = fixed effects + `random`, both of this subject.
    pub(super) fn place(&self, subject: usize, beta: &[f64], random: &[f64], eta: &mut [f64]) {
        for (eta, column) in eta.iter_mut().zip(self.columns_of(subject)) {
            *eta = beta[*column];
        }
        for (term, effect) in self.random.iter().zip(random) {
            eta[*term] += effect;
        }
    }

    /// A subject's part of what the clusters have, one number a cluster effect.
    pub(super) fn cluster_part<'n>(&self, subject: usize, effects: &'n [f64]) -> &'n [f64] {
        let q = self.cluster.len();
        let cluster = self.clusters.map_or(0, |clusters| clusters.of[subject]);
        &effects[cluster * q..(cluster + 1) * q]
    }

    /// Fitted values, gradient and residuals at `scratch.eta`; false where one is
    /// not finite (or not positive where it must be).
    pub(super) fn evaluate(&self, subject: usize, scratch: &mut Scratch) -> bool {
        let (first, end) = (self.starts[subject], self.starts[subject + 1]);
        let (n, p) = (end - first, self.p);
        let Scratch {
            eta,
            terms,
            mu,
            jacobian,
            residual,
        } = scratch;
        scale::to_terms(self.scales, eta, terms);
        self.curve.fill(
            &self.ages_d[first..end],
            terms,
            &mut mu[..n],
            &mut jacobian[..n * p],
        );
        if self.scales.iter().any(|scale| *scale != TermScale::Natural) {
            for row in jacobian[..n * p].chunks_exact_mut(p) {
                scale::chain(self.scales, terms, row);
            }
        }
        // One sum is not finite as soon as one part is not.
        let mut sum = 0.0;
        if self.variance == Variance::LogNormal {
            for j in 0..n {
                if mu[j] <= 0.0 {
                    return false;
                }
                let inverse = 1.0 / mu[j];
                jacobian[j * p..(j + 1) * p]
                    .iter_mut()
                    .for_each(|slope| *slope *= inverse);
                residual[j] = self.y[first + j] - mu[j].ln();
                sum += residual[j];
            }
        } else {
            for j in 0..n {
                residual[j] = self.y[first + j] - mu[j];
                sum += residual[j];
            }
            if self.spread_follows_mean() && mu[..n].contains(&0.0) {
                return false;
            }
        }
        sum += jacobian[..n * p].iter().sum::<f64>();
        sum.is_finite()
    }

    /// ln of an observation's residual SD over sigma, apart from correlation.
    pub(super) fn log_spread(&self, observation: usize, mu: f64, power: f64) -> f64 {
        let known = self
            .spread
            .as_ref()
            .map_or(0.0, |spread| spread[observation].ln());
        if self.spread_follows_mean() {
            known + power * (mu.abs().ln() - self.reference)
        } else {
            known
        }
    }

    /// Whether residuals need any scaling or rotation at all.
    pub(super) fn needs_whitening(&self) -> bool {
        self.spread.is_some() || self.spread_follows_mean() || self.correlation == Correlation::Ar1
    }

    /// Scales and decorrelates residuals and gradient rows of a subject in place,
    /// with the spread at fitted values `mu`; returns ln|V / sigma^2|.
    ///
    /// With u_j = r_j / s_j and rho_j = phi^(gap): u*_1 = u_1 and
    /// u*_j = (u_j - rho_j u_(j-1)) / sqrt(1 - rho_j^2), which is the inverse
    /// Cholesky factor of the correlation of a continuous autoregression, in O(n).
    pub(super) fn whiten(
        &self,
        subject: usize,
        mu: &[f64],
        errors: Errors,
        scratch: &mut Scratch,
    ) -> f64 {
        if !self.needs_whitening() {
            return 0.0;
        }
        let (first, end) = (self.starts[subject], self.starts[subject + 1]);
        let (n, p) = (end - first, self.p);
        let mut log_determinant = 0.0;
        for j in 0..n {
            let log_spread = self.log_spread(first + j, mu[j], errors.power);
            log_determinant += 2.0 * log_spread;
            let inverse = (-log_spread).exp();
            scratch.residual[j] *= inverse;
            scratch.jacobian[j * p..(j + 1) * p]
                .iter_mut()
                .for_each(|slope| *slope *= inverse);
        }
        if self.correlation == Correlation::Ar1 {
            for j in (1..n).rev() {
                let rho = errors
                    .phi
                    .powf(self.ages_d[first + j] - self.ages_d[first + j - 1]);
                let left = (1.0 - rho) * (1.0 + rho);
                log_determinant += left.ln();
                let inverse = 1.0 / left.sqrt();
                scratch.residual[j] =
                    (scratch.residual[j] - rho * scratch.residual[j - 1]) * inverse;
                let (before, row) = scratch.jacobian.split_at_mut(j * p);
                for (slope, previous) in row[..p].iter_mut().zip(&before[(j - 1) * p..]) {
                    *slope = (*slope - rho * previous) * inverse;
                }
            }
        }
        log_determinant
    }
}

/// Fixed effect of each term in each group, groups x p, and how many there are.
pub(super) fn columns(grouped: &[bool], groups: usize) -> (Vec<usize>, usize) {
    let p = grouped.len();
    let mut columns = vec![0; groups * p];
    let mut fixed = 0;
    for (term, grouped) in grouped.iter().enumerate() {
        for group in 0..groups {
            columns[group * p + term] = fixed + if *grouped { group } else { 0 };
        }
        fixed += if *grouped { groups } else { 1 };
    }
    (columns, fixed)
}

fn mean_log(values: &[f64]) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for value in values.iter().filter(|value| **value != 0.0) {
        sum += value.abs().ln();
        count += 1.0;
    }
    if count > 0.0 { sum / count } else { 0.0 }
}

fn has_repeated_age(subjects: &Subjects<'_>) -> bool {
    subjects.starts.windows(2).any(|bounds| {
        subjects.ages_d[bounds[0]..bounds[1]]
            .windows(2)
            .any(|pair| pair[0] >= pair[1])
    })
}
