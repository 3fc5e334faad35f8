//! A subject's marginal likelihood and its gradient.
//!
//! h(u) = D(A beta + L u) + 1/2 u'u is -ln of the joint density of the data and the
//! spherical random effects (but for a constant). At its least point u^, with
//! H = I + L'I(eta) L = C C', the integral over u is
//! l = -sum ln C_kk + ln sum_m w_m exp(-h(u^ + sqrt2 C^-T x_m)) + const
//! (adaptive Gauss-Hermite: Liu and Pierce 1994, Biometrika 81:624-629; Pinheiro and
//! Bates 1995, JCGS 4:12-35). One node at 0 is the Laplace approximation. I is the
//! expected information, the first-order choice of which the quadrature's limit does
//! not depend.
//!
//! # Gradient
//! u^ and C move with the parameters; all of it is followed in reverse, so that a
//! subject costs 2p curve evaluations beyond its nodes. With weights pi_m of the
//! nodes and their gradients D_m, g_m = L'D_m + u_m:
//! the cotangent of C is  Cbar = -diag(1/C_kk) + sum pi_m sqrt2 (C^-T x_m)(C^-1 g_m)';
//! that of H (symmetric) is  Hbar = 1/2 C^-T (P + P') C^-1, P the lower triangle of
//! C'Cbar with half its diagonal (Murray 2016, arXiv:1602.07527);
//! K = L Hbar L', c_k = tr(K dI/d eta_k), v = L'c - sum pi_m g_m,
//! z = (I + L'D'' L)^-1 v by the implicit function theorem (g(u^) = 0). Then
//! dl = (-sum pi D_m + c - D''Lz)' A dbeta + <Lbar, dL> + (noise likewise),
//! Lbar = -sum pi D_m u_m' + 2 I L Hbar + (c - D''Lz) u^' - D' z'.
//! dI/d eta and D'' are central differences of I and dD/d eta, which are exact.
//! The first order of what the mode search left over, -z'g(u), is added to l.

use super::contribution::{Contribution, Noise};
use super::nodes::Nodes;
use super::problem::{Problem, Scratch};
use super::quadrature::Rule;

/// The parameters, unpacked.
#[derive(Debug, Clone)]
pub(super) struct Point {
    pub(super) beta: Vec<f64>,
    /// Lower-triangular factor of the random effects' covariance, q x q.
    pub(super) factor: Vec<f64>,
    pub(super) noise: Noise,
    /// Step of eta in the differences, p.
    pub(super) widths: Vec<f64>,
}

/// Memory for one subject at a time; what a call leaves behind.
#[derive(Debug, Clone)]
pub(super) struct Marginal {
    pub(super) scratch: Scratch,
    pub(super) here: Contribution,
    pub(super) shifted: Contribution,
    /// Gradient of l in eta's fixed part (p), the factor (q x q), the noise.
    pub(super) eta_slope: Vec<f64>,
    pub(super) factor_slope: Vec<f64>,
    pub(super) noise_slope: Vec<f64>,
    /// Information at the mode, p x p.
    pub(super) information: Vec<f64>,
    /// D' at the mode.
    pub(super) slope: Vec<f64>,
    pub(super) step: Vec<f64>,
    pub(super) trial: Vec<f64>,
    /// h' and the Cholesky factor C of H at the mode.
    pub(super) g: Vec<f64>,
    pub(super) h: Vec<f64>,
    pub(super) exact: Vec<f64>,
    pub(super) cbar: Vec<f64>,
    pub(super) hbar: Vec<f64>,
    pub(super) turned: Vec<f64>,
    pub(super) k: Vec<f64>,
    pub(super) c: Vec<f64>,
    /// v, then z; and L z over the terms.
    pub(super) z: Vec<f64>,
    pub(super) lz: Vec<f64>,
    /// D'' at the mode.
    pub(super) second: Vec<f64>,
    /// dD'/d noise and dI/d noise at the mode.
    pub(super) noise_slopes: Vec<f64>,
    pub(super) noise_informations: Vec<f64>,
    pub(super) nodes: Nodes,
}

/// Why a subject has no likelihood at some parameters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Lost {
    /// The curve has no finite value at the typical subject's terms.
    Valueless,
    /// The search for the subject's mode came to no end.
    Endless,
    /// No finite value at the mode's neighbours, or at no node.
    Beside,
}

impl Marginal {
    pub(super) fn new(problem: &Problem<'_>, noise_terms: usize, nodes: usize) -> Self {
        let (p, q) = (problem.p, problem.q);
        Self {
            scratch: problem.scratch(),
            here: Contribution::new(problem),
            shifted: Contribution::new(problem),
            eta_slope: vec![0.0; p],
            factor_slope: vec![0.0; q * q],
            noise_slope: vec![0.0; noise_terms],
            information: vec![0.0; p * p],
            slope: vec![0.0; p],
            step: vec![0.0; q],
            trial: vec![0.0; q],
            g: vec![0.0; q],
            h: vec![0.0; q * q],
            exact: vec![0.0; q * q],
            cbar: vec![0.0; q * q],
            hbar: vec![0.0; q * q],
            turned: vec![0.0; q * q],
            k: vec![0.0; p * p],
            c: vec![0.0; p],
            z: vec![0.0; q],
            lz: vec![0.0; p],
            second: vec![0.0; p * p],
            noise_slopes: vec![0.0; noise_terms * p],
            noise_informations: vec![0.0; noise_terms * p * p],
            nodes: Nodes {
                logs: vec![0.0; nodes],
                slopes: vec![0.0; nodes * p],
                noises: vec![0.0; nodes * noise_terms],
                shift: vec![0.0; q],
                place: vec![0.0; q],
                g: vec![0.0; q],
            },
        }
    }

    /// Makes room for this number of quadrature points.
    pub(super) fn take_points(&mut self, points: usize) {
        let (p, terms) = (self.eta_slope.len(), self.noise_slope.len());
        self.nodes.logs.resize(points, 0.0);
        self.nodes.slopes.resize(points * p, 0.0);
        self.nodes.noises.resize(points * terms, 0.0);
    }

    /// A subject's log-likelihood; its gradient in the `..._slope` fields. Moves u
    /// to the mode.
    pub(super) fn evaluate(
        &mut self,
        problem: &Problem<'_>,
        point: &Point,
        rule: &Rule,
        subject: usize,
        u: &mut [f64],
    ) -> Result<f64, Lost> {
        let joint = self.find_mode(problem, point, subject, u)?;
        self.information.copy_from_slice(&self.here.information);
        self.slope.copy_from_slice(&self.here.gradient);
        self.here.noise_slope(
            problem,
            subject,
            point.noise,
            &self.scratch,
            &mut self.noise_slope,
        );
        negate(&mut self.noise_slope);
        for (slope, gradient) in self.eta_slope.iter_mut().zip(&self.slope) {
            *slope = -gradient;
        }
        if problem.q == 0 {
            return Ok(-joint);
        }
        self.noise_differences(problem, point, subject);
        let mut value = self.at_mode(problem, u);
        if rule.log_weights.len() == 1 {
            value -= joint;
        } else {
            value += self
                .at_nodes(problem, point, rule, subject, u)
                .ok_or(Lost::Beside)?;
        }
        self.reverse_cholesky(problem, point);
        self.eta_differences(problem, point, subject, u)
            .ok_or(Lost::Beside)?;
        self.follow_mode(problem, point, u);
        let left: f64 = self.z.iter().zip(&self.g).map(|(z, g)| z * g).sum();
        let value = value - left;
        if value.is_finite() {
            Ok(value)
        } else {
            Err(Lost::Beside)
        }
    }

    /// -ln|C|, and all that the single node at the mode contributes to the gradient.
    fn at_mode(&mut self, problem: &Problem<'_>, u: &[f64]) -> f64 {
        let q = problem.q;
        self.cbar.fill(0.0);
        self.z.fill(0.0);
        let mut value = 0.0;
        for k in 0..q {
            let pivot = self.h[k * q + k];
            value -= pivot.ln();
            self.cbar[k * q + k] = -1.0 / pivot;
            for l in 0..q {
                self.factor_slope[k * q + l] = -self.slope[problem.random[k]] * u[l];
            }
        }
        value
    }
}

fn negate(values: &mut [f64]) {
    values.iter_mut().for_each(|value| *value = -*value);
}
