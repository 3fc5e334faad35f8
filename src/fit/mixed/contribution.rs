//! Contribution of one subject's data at one eta: -ln density, gradient, information.
//!
//! With u_j = r_j / (sigma s_j), s_j = |mu_j / m|^power sqrt(v_j), R the residual
//! correlation (tridiagonal inverse for a continuous autoregression):
//! D = 1/2 u'R^-1 u + sum ln(sigma s_j) + 1/2 ln|R| + n/2 ln 2 pi.
//! The spread moves with the fitted value, so with t_j = power J_j / mu_j:
//! -du_j/d eta = E_j = J_j / (sigma s_j) + u_j t_j,
//! dD/d eta = -sum (R^-1 u)_j E_j + sum t_j.
//! The information is the expected one (it is positive semidefinite and needs no
//! second derivative of the curve): sum over neighbours of
//! R^-1_jk (J_j/(sigma s_j)) (J_k/(sigma s_k))' + (delta_jk + R_jk R^-1_jk) t_j t_k',
//! the second part from 1/2 tr(V^-1 dV V^-1 dV) (standard for a normal density).

use super::error_terms::{logit, phi};
use super::model::Correlation;
use super::problem::{Errors, Problem, Scratch};
use crate::fit::Variance;

/// Values at one eta, and memory for them.
#[derive(Debug, Clone)]
pub(super) struct Contribution {
    /// -ln density of the subject's (transformed) values.
    pub(super) cost: f64,
    /// Gradient in eta, p.
    pub(super) gradient: Vec<f64>,
    /// Expected information on eta, p x p.
    pub(super) information: Vec<f64>,
    /// u and R^-1 u.
    u: Vec<f64>,
    solved: Vec<f64>,
    inverse_spread: Vec<f64>,
    rho: Vec<f64>,
}

/// Error terms with sigma on the engine's scale.
#[derive(Debug, Clone, Copy)]
pub(super) struct Noise {
    pub(super) log_sigma: f64,
    pub(super) errors: Errors,
}

impl Noise {
    /// The noise with its `at`-th estimated term, in the order (ln sigma, power,
    /// logit phi), moved.
    pub(super) fn moved(mut self, problem: &Problem<'_>, at: usize, by: f64) -> Self {
        let power = usize::from(problem.variance == Variance::Power);
        if at == 0 {
            self.log_sigma += by;
        } else if at == power {
            self.errors.power += by;
        } else {
            self.errors.phi = phi(logit(self.errors.phi) + by);
        }
        self
    }
}

impl Contribution {
    pub(super) fn new(problem: &Problem<'_>) -> Self {
        Self {
            cost: 0.0,
            gradient: vec![0.0; problem.p],
            information: vec![0.0; problem.p * problem.p],
            u: vec![0.0; problem.longest],
            solved: vec![0.0; problem.longest],
            inverse_spread: vec![0.0; problem.longest],
            rho: vec![0.0; problem.longest],
        }
    }

    /// Cost at the residuals in `scratch`; fills u, R^-1 u and the spreads.
    pub(super) fn weigh(
        &mut self,
        problem: &Problem<'_>,
        subject: usize,
        noise: Noise,
        scratch: &Scratch,
    ) -> f64 {
        let (first, end) = (problem.starts[subject], problem.starts[subject + 1]);
        let n = end - first;
        let mut logs = 0.0;
        let plain = problem.spread.is_none() && !problem.spread_follows_mean();
        let inverse_sigma = (-noise.log_sigma).exp();
        for j in 0..n {
            self.inverse_spread[j] = if plain {
                inverse_sigma
            } else {
                let log = problem.log_spread(first + j, scratch.mu[j], noise.errors.power);
                logs += log;
                inverse_sigma * (-log).exp()
            };
            self.u[j] = scratch.residual[j] * self.inverse_spread[j];
        }
        let mut squares = 0.0;
        if problem.correlation == Correlation::Ar1 {
            // R^-1 = B'B with B the bidiagonal inverse Cholesky factor.
            self.solved[0] = self.u[0];
            squares = self.u[0] * self.u[0];
            for j in 1..n {
                let gap = problem.ages_d[first + j] - problem.ages_d[first + j - 1];
                let rho = noise.errors.phi.powf(gap);
                self.rho[j] = rho;
                let left = (1.0 - rho) * (1.0 + rho);
                let innovation = self.u[j] - rho * self.u[j - 1];
                squares += innovation * innovation / left;
                logs += 0.5 * left.ln();
                self.solved[j] = innovation / left;
                self.solved[j - 1] -= rho * innovation / left;
            }
        } else {
            for j in 0..n {
                self.solved[j] = self.u[j];
                squares += self.u[j] * self.u[j];
            }
        }
        let count = n as f64;
        let half_tau = 0.5 * (2.0 * std::f64::consts::PI).ln();
        self.cost = 0.5 * squares + logs + count * (noise.log_sigma + half_tau);
        self.cost
    }

    /// Gradient and information, after [`Self::weigh`].
    pub(super) fn slope(
        &mut self,
        problem: &Problem<'_>,
        subject: usize,
        noise: Noise,
        scratch: &Scratch,
    ) {
        match problem.p {
            3 => self.slope_of::<3>(problem, subject, noise, scratch),
            6 => self.slope_of::<6>(problem, subject, noise, scratch),
            _ => self.slope_of::<0>(problem, subject, noise, scratch),
        }
    }

    /// The same for `P` terms (0: as many as the problem has): with the number known,
    /// the loops over terms are unrolled.
    fn slope_of<const P: usize>(
        &mut self,
        problem: &Problem<'_>,
        subject: usize,
        noise: Noise,
        scratch: &Scratch,
    ) {
        let p = if P == 0 { problem.p } else { P };
        let n = problem.starts[subject + 1] - problem.starts[subject];
        let correlated = problem.correlation == Correlation::Ar1;
        let power = if problem.spread_follows_mean() {
            noise.errors.power
        } else {
            0.0
        };
        let (gradient, information) = (&mut self.gradient[..p], &mut self.information[..p * p]);
        gradient.fill(0.0);
        information.fill(0.0);
        for j in 0..n {
            let row = &scratch.jacobian[j * p..(j + 1) * p];
            let weight = self.inverse_spread[j];
            let relative = if power == 0.0 {
                0.0
            } else {
                power / scratch.mu[j]
            };
            // E_j and t_j are both multiples of the Jacobian's row.
            let pull = -self.solved[j] * (weight + self.u[j] * relative) + relative;
            // Neighbours on the tridiagonal R^-1: own entry, and that with j - 1.
            let mut own = 1.0;
            let mut beside = 0.0;
            if correlated {
                if j > 0 {
                    let left = (1.0 - self.rho[j]) * (1.0 + self.rho[j]);
                    own = 1.0 / left;
                    beside = -self.rho[j] / left;
                }
                if j + 1 < n {
                    let rho = self.rho[j + 1];
                    own += rho * rho / ((1.0 - rho) * (1.0 + rho));
                }
            }
            let square = own * weight * weight + (1.0 + own) * relative * relative;
            for a in 0..p {
                gradient[a] += pull * row[a];
                let scaled = square * row[a];
                for b in 0..=a {
                    information[a * p + b] += scaled * row[b];
                }
            }
            if beside != 0.0 {
                let before = &scratch.jacobian[(j - 1) * p..j * p];
                let relative_before = if power == 0.0 {
                    0.0
                } else {
                    power / scratch.mu[j - 1]
                };
                let cross = beside
                    * (weight * self.inverse_spread[j - 1]
                        + self.rho[j] * relative * relative_before);
                for a in 0..p {
                    for b in 0..=a {
                        information[a * p + b] += cross * (row[a] * before[b] + before[a] * row[b]);
                    }
                }
            }
        }
        for a in 0..p {
            for b in 0..a {
                information[b * p + a] = information[a * p + b];
            }
        }
    }

    /// Gradient of the cost in (ln sigma, power, logit phi), those estimated, after
    /// [`Self::weigh`].
    pub(super) fn noise_slope(
        &self,
        problem: &Problem<'_>,
        subject: usize,
        noise: Noise,
        scratch: &Scratch,
        out: &mut [f64],
    ) {
        let (first, end) = (problem.starts[subject], problem.starts[subject + 1]);
        let n = end - first;
        let mut at = 0;
        out[0] = 0.0;
        for j in 0..n {
            out[0] += 1.0 - self.u[j] * self.solved[j];
        }
        if problem.variance == Variance::Power {
            at += 1;
            out[at] = 0.0;
            for j in 0..n {
                let log = scratch.mu[j].abs().ln() - problem.reference;
                out[at] += log * (1.0 - self.u[j] * self.solved[j]);
            }
        }
        if problem.correlation == Correlation::Ar1 {
            at += 1;
            out[at] = 0.0;
            for j in 1..n {
                let gap = problem.ages_d[first + j] - problem.ages_d[first + j - 1];
                let rho = self.rho[j];
                let left = (1.0 - rho) * (1.0 + rho);
                let innovation = self.u[j] - rho * self.u[j - 1];
                let slope =
                    (rho * innovation * innovation / left - innovation * self.u[j - 1] - rho)
                        / left;
                out[at] += slope * gap * rho * (1.0 - noise.errors.phi);
            }
        }
    }
}
