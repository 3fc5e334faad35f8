//! How well the variance terms are known, and what that makes of everything that rests on
//! them: degrees of freedom of any combination of fixed effects, and the error of the
//! subjects' modes.
//!
//! With theta the variance terms (covariances of the subjects' and the clusters' effects
//! over sigma^2, and ln sigma^2), V the covariance of the linearised data, C that of the
//! fixed effects and P = V^-1 - V^-1 X C X'V^-1:
//!
//! - Cov(theta) is the inverse of the restricted likelihood's expected information
//!   1/2 tr(P dV P dV). Where V is linear in theta that is -1/2 of the second derivatives of
//!   ln|V| + ln|X'V^-1X|, whose first derivatives the score has (`linear.rs`); they are
//!   differenced along each term.
//! - The variance v = g'Cg of a combination of fixed effects has the variance
//!   Var(v) = sum over r, s of Cov(theta)_rs (g' dC_r g)(g' dC_s g), and the degrees of
//!   freedom 2 v^2 / Var(v) (Satterthwaite 1946, Biometrics Bulletin 2:110-114; with the
//!   expected information it is what Kenward and Roger's method gives for one combination).
//!   A cluster's variance enters by itself, not by its SD, so that both are defined at zero.
//! - A subject's mode moves by d eta_r along each term, fixed effects and cluster effects
//!   included: G = sum of Cov(theta)_rs d eta_r d eta_s' is what its covariance lacks when the
//!   variance terms are taken as known (Kass and Steffey 1989, J Am Stat Assoc 84:717-726;
//!   for linear models Kackar and Harville 1984, J Am Stat Assoc 79:853-862). The covariance
//!   at the estimated variance terms is itself too small by G on average, so that 2 G is added
//!   (Prasad and Rao 1990, J Am Stat Assoc 85:163-171).
//!
//! The power of the mean and the residual correlation are taken as known: all observations
//! determine them. Cost: two evaluations of the linearised model a variance term.

use super::alternating::State;
use super::cholesky;
use super::conditional::effects_of;
use super::ending::around_into;
use super::linear::{Factors, Linear, spread_scores};
use super::model::{Covariance, Criterion};
use super::problem::Problem;
use super::scale;

/// Relative size of a difference, in a variance (plus that of a unit's own estimate) or in
/// an entry of a factor: errors of differences go with its square.
const STEP: f64 = 1e-3;

/// Error of the fixed effects' covariance and of the subjects' modes by that of the
/// variance terms.
#[derive(Debug)]
pub(super) struct VarianceError {
    /// Along each independent direction of the variance terms, one standard error of it: the
    /// change of the fixed effects' covariance, block after block.
    pub(super) covariance: Vec<Vec<f64>>,
    /// What the modes' covariances lack, on the scales on which effects add, subjects x p x p.
    pub(super) modes: Vec<f64>,
    /// Degrees of freedom of the covariance, where it has the law of a Wishart matrix.
    pub(super) wishart_df: Option<f64>,
}

/// The linearised model at some variance terms.
struct At {
    /// d(ln|V| + ln|X'V^-1X|) / d Psi, of subjects (q x q), then of clusters.
    slope: Vec<f64>,
    /// (X'W^-1X)^-1, block after block.
    inverse: Vec<f64>,
    /// Change of each subject's eta, subjects x p.
    eta: Vec<f64>,
}

/// A variance term, and the difference along it.
#[derive(Clone, Copy)]
enum Term {
    /// Variance of the k-th effect of subjects.
    Variance(usize),
    /// An entry of the subjects' factor.
    Entry(usize, usize),
    /// Variance of the c-th free spread of clusters.
    Cluster(usize),
}

impl VarianceError {
    /// At the end of an alternation; `None` where the variance terms have no information.
    pub(super) fn of(
        problem: &Problem<'_>,
        covariance: Covariance,
        state: &State,
        numbers: &[f64],
        variance: f64,
    ) -> Option<Self> {
        let mut linear = Linear::new(problem, covariance, Criterion::RestrictedLikelihood);
        let terms = terms(problem, covariance);
        let count = terms.len() + 1;
        let mut centre = linear.at(problem, numbers, &state.factor, &state.cluster_factor)?;
        let mut information = vec![0.0; count * count];
        let mut slopes: Vec<At> = Vec::with_capacity(terms.len());
        for (at, term) in terms.iter().enumerate() {
            let slope = term.difference(problem, &mut linear, (state, numbers), &centre)?;
            for (other, second) in terms.iter().enumerate() {
                // -1/2 second derivatives.
                let both = -0.5 * second.along(problem, state, &slope.slope);
                information[at * count + other] += 0.5 * both;
                information[other * count + at] += 0.5 * both;
            }
            let with_sigma = 0.5 * term.along(problem, state, &centre.slope);
            information[at * count + count - 1] = with_sigma;
            information[(count - 1) * count + at] = with_sigma;
            slopes.push(slope);
        }
        let left = problem.observations() - problem.fixed as f64;
        information[count * count - 1] = 0.5 * left;
        // Of ln sigma^2: the covariance itself, and no mode.
        centre.eta.fill(0.0);
        slopes.push(centre);
        // Columns of C^-T, CC' the information: directions that are independent, of one
        // standard error each.
        let mut scales = vec![0.0; count];
        let ridge = cholesky::factor_scaled(&mut information, count, &mut scales)?;
        if ridge > 0.0 || !information.iter().all(|entry| entry.is_finite()) {
            return None;
        }
        let p = problem.p;
        let mut all = Self {
            covariance: Vec::with_capacity(count),
            modes: vec![0.0; problem.subjects() * p * p],
            wishart_df: None,
        };
        let mut moved = vec![0.0; problem.subjects() * p];
        for direction in 0..count {
            let mut weights = vec![0.0; count];
            weights[direction] = 1.0;
            cholesky::backward(&information, count, &mut weights);
            let mut change = vec![0.0; problem.blocks.len()];
            moved.fill(0.0);
            for ((weight, scale), slope) in weights.iter().zip(&scales).zip(&slopes) {
                let weight = weight * scale;
                add_times(&mut change, variance * weight, &slope.inverse);
                add_times(&mut moved, weight, &slope.eta);
            }
            all.covariance.push(change);
            for (covariance, moved) in all.modes.chunks_exact_mut(p * p).zip(moved.chunks_exact(p))
            {
                for (at, entry) in covariance.iter_mut().enumerate() {
                    *entry += 2.0 * moved[at / p] * moved[at % p];
                }
            }
        }
        Some(all)
    }
}

/// The variance terms of a model.
fn terms(problem: &Problem<'_>, covariance: Covariance) -> Vec<Term> {
    let full = covariance == Covariance::Full;
    let of_subjects = problem.free_entries(full).into_iter();
    let mut terms: Vec<Term> = of_subjects
        .map(|(row, column)| {
            if full {
                Term::Entry(row, column)
            } else {
                Term::Variance(row)
            }
        })
        .collect();
    terms.extend((0..problem.cluster_spreads()).map(Term::Cluster));
    terms
}

impl Term {
    /// What a slope in Psi is along the term: the sum of its products with dPsi.
    fn along(self, problem: &Problem<'_>, state: &State, slope: &[f64]) -> f64 {
        let q = problem.q;
        match self {
            Self::Variance(k) => slope[k * q + k],
            Self::Cluster(c) => spread_scores(problem, &slope[q * q..])[c],
            // Psi = LL': dPsi = E L' + L E'.
            Self::Entry(k, l) => (0..q)
                .map(|m| (slope[k * q + m] + slope[m * q + k]) * state.factor[m * q + l])
                .sum(),
        }
    }

    /// The derivative of all there is along the term.
    fn difference(
        self,
        problem: &Problem<'_>,
        linear: &mut Linear,
        (state, numbers): (&State, &[f64]),
        centre: &At,
    ) -> Option<At> {
        let (q, outer) = (problem.q, problem.cluster.len());
        let mut at = |steps: f64, step: f64| {
            let (mut factor, mut clusters) = (state.factor.clone(), state.cluster_factor.clone());
            let moved = |sd: f64| (sd * sd + steps * step).max(0.0).sqrt();
            match self {
                Self::Variance(k) => factor[k * q + k] = moved(factor[k * q + k]),
                Self::Cluster(c) => {
                    let sd = moved(clusters[c * outer + c]);
                    problem.set_cluster_sd(&mut clusters, c, sd);
                }
                Self::Entry(k, l) => factor[k * q + l] += steps * step,
            }
            linear.at(problem, numbers, &factor, &clusters)
        };
        let (step, two_sided) = match self {
            Self::Entry(k, _) => {
                let own: f64 = (0..=k).map(|l| state.factor[k * q + l].powi(2)).sum();
                let error = error_of_one(problem, numbers, problem.random[k]);
                (STEP * (own + error).sqrt(), true)
            }
            Self::Variance(k) => {
                let own = state.factor[k * q + k].powi(2);
                let step = STEP * (own + error_of_one(problem, numbers, problem.random[k]));
                (step, own > step)
            }
            Self::Cluster(c) => {
                let own = state.cluster_factor[c * outer + c].powi(2);
                // Of a cluster's mean: of this number of subjects.
                let share = outer_units(problem) as f64 / problem.subjects() as f64;
                let error = share * error_of_one(problem, numbers, problem.cluster[c]);
                let step = STEP * (own + error);
                (step, own > step)
            }
        };
        if !(step > 0.0 && step.is_finite()) {
            return None;
        }
        // At zero a variance has one side only: -3, 4, -1 over two steps.
        let (one, other, weights) = if two_sided {
            (at(1.0, step)?, at(-1.0, step)?, [0.0, 0.5, -0.5])
        } else {
            (at(1.0, step)?, at(2.0, step)?, [-1.5, 2.0, -0.5])
        };
        let quotient = |centre: &[f64], one: &[f64], other: &[f64]| {
            let mut sum = vec![0.0; centre.len()];
            for (values, weight) in [centre, one, other].into_iter().zip(weights) {
                add_times(&mut sum, weight / step, values);
            }
            sum
        };
        Some(At {
            slope: quotient(&centre.slope, &one.slope, &other.slope),
            inverse: quotient(&centre.inverse, &one.inverse, &other.inverse),
            eta: quotient(&centre.eta, &one.eta, &other.eta),
        })
    }
}

/// Variance over sigma^2 of a middling subject's own estimate of a term, the others known.
fn error_of_one(problem: &Problem<'_>, numbers: &[f64], term: usize) -> f64 {
    let p = problem.p;
    let each = numbers.chunks_exact(super::woodbury::stride(p));
    let (mut sum, mut count) = (0.0, 0.0);
    for numbers in each {
        sum += numbers[term * p + term];
        count += 1.0;
    }
    count / sum
}

fn outer_units(problem: &Problem<'_>) -> usize {
    problem.cluster_level().groups.len()
}

fn add_times(to: &mut [f64], weight: f64, from: &[f64]) {
    for (to, from) in to.iter_mut().zip(from) {
        *to += weight * from;
    }
}

impl Linear {
    /// All there is at these factors, sigma^2 taken as 1.
    fn at(
        &mut self,
        problem: &Problem<'_>,
        numbers: &[f64],
        factor: &[f64],
        clusters: &[f64],
    ) -> Option<At> {
        let (p, q, outer) = (problem.p, problem.q, problem.cluster.len());
        let factors = Factors {
            subjects: factor,
            clusters,
        };
        let profile = self.value(problem, numbers, factors)?;
        let mut spherical = vec![0.0; problem.subjects() * q];
        let mut of_clusters = vec![0.0; outer_units(problem) * outer];
        let effects = (&mut spherical[..], &mut of_clusters[..]);
        let sums = self.sums(problem, numbers, factors, (&profile, 0.0), effects)?;
        let mut cluster_effects = vec![0.0; of_clusters.len()];
        for (effects, spherical) in cluster_effects
            .chunks_exact_mut(outer.max(1))
            .zip(of_clusters.chunks_exact(outer.max(1)))
        {
            effects_of(clusters, spherical, effects);
        }
        let mut eta = vec![0.0; problem.subjects() * p];
        let mut effects = vec![0.0; q];
        for (subject, eta) in eta.chunks_exact_mut(p).enumerate() {
            effects_of(
                factor,
                &spherical[subject * q..(subject + 1) * q],
                &mut effects,
            );
            problem.place(subject, &profile.change, &effects, eta);
            let of_cluster = problem.cluster_part(subject, &cluster_effects);
            for (term, effect) in problem.cluster.iter().zip(of_cluster) {
                eta[*term] += effect;
            }
        }
        Some(At {
            slope: sums.score.iter().map(|entry| -entry).collect(),
            inverse: problem.blocks.inverse(&profile.information),
            eta,
        })
    }
}

/// The error of the covariance of the groups' terms: what degrees of freedom follow from.
#[derive(Debug, Clone, PartialEq)]
pub struct CovarianceError {
    /// Terms of the curve.
    p: usize,
    groups: usize,
    /// Whether groups have terms in common, so that those of two groups are correlated.
    shared: bool,
    /// Along each independent direction of the variance terms: p x p of each group, or of
    /// each pair of groups where they have terms in common.
    directions: Vec<Vec<f64>>,
    /// Most degrees of freedom: those of the subjects.
    most: f64,
    /// Degrees of freedom of the whole, where it has the law of a Wishart matrix.
    wishart_df: Option<f64>,
}

impl CovarianceError {
    /// From the error of the fixed effects' covariance, and the groups' terms.
    pub(super) fn of(
        problem: &Problem<'_>,
        error: &VarianceError,
        group_terms: &[f64],
        most: f64,
    ) -> Self {
        let p = problem.p;
        let groups = problem.columns.len() / p;
        let shared = problem.blocks.len() != groups * p * p;
        let jacobians: Vec<Vec<f64>> = group_terms
            .chunks_exact(p)
            .map(|terms| {
                let mut jacobian = vec![0.0; p * p];
                scale::jacobian(problem.scales, terms, &mut jacobian);
                jacobian
            })
            .collect();
        let (mut half, mut inner) = (vec![0.0; p * p], vec![0.0; p * p]);
        let directions = error.covariance.iter().map(|blocks| {
            let mut all = Vec::new();
            for a in 0..groups {
                let others = if shared { 0..groups } else { a..a + 1 };
                for b in others {
                    let (rows, columns) =
                        (problem.blocks.rows_of(a, p), problem.blocks.rows_of(b, p));
                    for (at, entry) in inner.iter_mut().enumerate() {
                        *entry = blocks[problem.blocks.place(a, rows[at / p], columns[at % p])];
                    }
                    let mut out = vec![0.0; p * p];
                    if a == b {
                        around_into(&jacobians[a], &inner, p, &mut half, &mut out);
                    } else {
                        between(&jacobians[a], &inner, &jacobians[b], p, &mut out);
                    }
                    all.extend(out);
                }
            }
            all
        });
        Self {
            p,
            groups,
            shared,
            directions: directions.collect(),
            most,
            wishart_df: error.wishart_df,
        }
    }

    /// The same for a model whose first terms are these, and whose further variance was
    /// estimated on `df` degrees of freedom by itself.
    ///
    /// # Shapes
    /// `p`: terms of the model; `covariance(a, b)`: of all terms of two groups, p x p. What is
    /// not of the first terms alone is further variance; it goes up and down as one, so that a
    /// combination of it has `df` degrees of freedom, and one of both parts those of their sum
    /// (Satterthwaite).
    #[must_use]
    pub fn extended(
        &self,
        p: usize,
        covariance: impl Fn(usize, usize) -> Vec<f64>,
        df: f64,
    ) -> Self {
        let own = self.p;
        let pairs = (0..self.groups).flat_map(|a| (0..self.groups).map(move |b| (a, b)));
        let embedded = |direction: usize| {
            let of_pair = |(a, b): (usize, usize)| {
                let mut all = vec![0.0; p * p];
                if let Some(block) = self.block(direction, a, b) {
                    for (row, entries) in block.chunks_exact(own).enumerate() {
                        all[row * p..row * p + own].copy_from_slice(entries);
                    }
                }
                all
            };
            pairs.clone().flat_map(of_pair).collect::<Vec<f64>>()
        };
        let mut directions: Vec<Vec<f64>> = (0..self.directions()).map(embedded).collect();
        // One standard error of a variance on df degrees of freedom.
        let scale = (2.0 / df.max(1.0)).sqrt();
        let further = |(a, b): (usize, usize)| {
            let mut all = covariance(a, b);
            for (at, entry) in all.iter_mut().enumerate() {
                let first = at / p < own && at % p < own;
                *entry *= if first { 0.0 } else { scale };
            }
            all
        };
        directions.push(pairs.clone().flat_map(further).collect());
        Self {
            p,
            groups: self.groups,
            shared: true,
            directions,
            most: self.most.max(df),
            wishart_df: None,
        }
    }

    /// Degrees of freedom of the covariance, where it has the law of a Wishart matrix, as that
    /// by the variation between clusters: of one combination of groups in several terms
    /// Hotelling's T^2 is then exact. `None` of any other.
    #[must_use]
    pub fn wishart_df(&self) -> Option<f64> {
        self.wishart_df
    }

    /// Independent directions of the variance terms.
    #[must_use]
    pub fn directions(&self) -> usize {
        self.directions.len()
    }

    /// Change of the covariance between the terms of two groups along a direction, p x p;
    /// `None` where there is none.
    #[must_use]
    pub fn block(&self, direction: usize, a: usize, b: usize) -> Option<&[f64]> {
        let size = self.p * self.p;
        let at = match (self.shared, a == b) {
            (true, _) => a * self.groups + b,
            (false, true) => a,
            (false, false) => return None,
        };
        Some(&self.directions[direction][at * size..(at + 1) * size])
    }

    /// Changes of the covariance of two combinations of the groups' terms along each
    /// direction, each combination by its gradient in the terms of each group that it is of.
    #[must_use]
    pub fn changes(&self, left: &[(usize, &[f64])], right: &[(usize, &[f64])]) -> Vec<f64> {
        let mut changes = vec![0.0; self.directions()];
        for (a, left) in left {
            for (b, right) in right.iter().filter(|(b, _)| self.shared || b == a) {
                for (direction, change) in changes.iter_mut().enumerate() {
                    if let Some(block) = self.block(direction, *a, *b) {
                        *change += bilinear(left, block, right);
                    }
                }
            }
        }
        changes
    }

    /// Satterthwaite's degrees of freedom of a variance from its changes along the
    /// directions: 2 v^2 / sum of squares, at least 1 and no more than those of the subjects.
    #[must_use]
    pub fn degrees_of_freedom(&self, variance: f64, changes: &[f64]) -> f64 {
        let of_variance: f64 = changes.iter().map(|change| change * change).sum();
        let df = 2.0 * variance * variance / of_variance;
        let most = self.most.max(1.0);
        if df.is_nan() {
            most
        } else {
            df.clamp(1.0, most)
        }
    }
}

/// a' B c of a p x p matrix by rows.
fn bilinear(left: &[f64], matrix: &[f64], right: &[f64]) -> f64 {
    let rows = matrix.chunks_exact(right.len());
    let sums = rows.zip(left).map(|(row, left)| {
        let sum: f64 = row.iter().zip(right).map(|(a, b)| a * b).sum();
        left * sum
    });
    sums.sum()
}

/// A B C' for p x p matrices.
fn between(a: &[f64], b: &[f64], c: &[f64], p: usize, out: &mut [f64]) {
    for (at, entry) in out.iter_mut().enumerate() {
        let (row, column) = (at / p, at % p);
        *entry = bilinear(
            &a[row * p..(row + 1) * p],
            b,
            &c[column * p..(column + 1) * p],
        );
    }
}
