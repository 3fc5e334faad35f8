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
use super::linear::{Factors, Linear, spread_scores};
use super::model::{Covariance, Criterion};
use super::problem::Problem;

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
