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

use super::cholesky;
use super::contribution::{Contribution, Noise};
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
    scratch: Scratch,
    here: Contribution,
    shifted: Contribution,
    /// Gradient of l in eta's fixed part (p), the factor (q x q), the noise.
    pub(super) eta_slope: Vec<f64>,
    pub(super) factor_slope: Vec<f64>,
    pub(super) noise_slope: Vec<f64>,
    /// Information at the mode, p x p.
    pub(super) information: Vec<f64>,
    /// D' at the mode.
    slope: Vec<f64>,
    step: Vec<f64>,
    trial: Vec<f64>,
    /// h' and the Cholesky factor C of H at the mode.
    g: Vec<f64>,
    h: Vec<f64>,
    exact: Vec<f64>,
    cbar: Vec<f64>,
    hbar: Vec<f64>,
    turned: Vec<f64>,
    k: Vec<f64>,
    c: Vec<f64>,
    /// v, then z; and L z over the terms.
    z: Vec<f64>,
    lz: Vec<f64>,
    /// D'' at the mode.
    second: Vec<f64>,
    /// dD'/d noise and dI/d noise at the mode.
    noise_slopes: Vec<f64>,
    noise_informations: Vec<f64>,
    nodes: Nodes,
}

/// What is kept of every node until their weights are known.
#[derive(Debug, Clone)]
struct Nodes {
    logs: Vec<f64>,
    slopes: Vec<f64>,
    noises: Vec<f64>,
    shift: Vec<f64>,
    place: Vec<f64>,
    g: Vec<f64>,
}

/// Mode searches end when the step is this long in posterior SDs, squared; the
/// first order of the rest is added to the likelihood.
const AT_MODE: f64 = 1e-14;
const MOST_STEPS: usize = 60;

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

    /// h at u; with gradient and information in `here`.
    fn joint(
        &mut self,
        problem: &Problem<'_>,
        point: &Point,
        subject: usize,
        u: &[f64],
    ) -> Option<f64> {
        place(problem, point, subject, u, &mut self.scratch.eta);
        if !problem.evaluate(subject, &mut self.scratch) {
            return None;
        }
        let cost = self
            .here
            .weigh(problem, subject, point.noise, &self.scratch);
        let joint = cost + 0.5 * u.iter().map(|u| u * u).sum::<f64>();
        joint.is_finite().then_some(joint)
    }

    /// Brings u to the mode; leaves C in `h`, the gradient in `g`, the curve there in
    /// `scratch` and `here`. `None` where there is no finite value.
    fn find_mode(
        &mut self,
        problem: &Problem<'_>,
        point: &Point,
        subject: usize,
        u: &mut [f64],
    ) -> Option<f64> {
        let q = problem.q;
        let mut joint = match self.joint(problem, point, subject, u) {
            Some(joint) => joint,
            None => {
                u.fill(0.0);
                self.joint(problem, point, subject, u)?
            }
        };
        for _ in 0..MOST_STEPS {
            self.here
                .slope(problem, subject, point.noise, &self.scratch);
            spherical_slope(problem, point, &self.here.gradient, u, &mut self.g);
            spherical_matrix(problem, point, &self.here.information, &mut self.h);
            if !cholesky::factor(&mut self.h, q) {
                return None;
            }
            self.step.copy_from_slice(&self.g);
            cholesky::forward(&self.h, q, &mut self.step);
            let decrement: f64 = self.step.iter().map(|x| x * x).sum();
            if decrement < AT_MODE {
                return Some(joint);
            }
            cholesky::backward(&self.h, q, &mut self.step);
            let mut share = 1.0;
            loop {
                let mut trial = std::mem::take(&mut self.trial);
                for ((trial, u), step) in trial.iter_mut().zip(&*u).zip(&self.step) {
                    *trial = u - share * step;
                }
                let next = self.joint(problem, point, subject, &trial);
                self.trial = trial;
                // Near the mode differences of h are rounding; a full step is right.
                let slack = if decrement < 1e-6 { 1e-9 } else { 0.0 };
                if let Some(next) = next
                    && next <= joint + slack * joint.abs().max(1.0)
                {
                    u.copy_from_slice(&self.trial);
                    joint = next;
                    break;
                }
                share *= 0.5;
                if share < 1e-8 {
                    return None;
                }
            }
        }
        None
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
    ) -> Option<f64> {
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
            return Some(-joint);
        }
        self.noise_differences(problem, point, subject);
        let mut value = self.at_mode(problem, u);
        if rule.log_weights.len() == 1 {
            value -= joint;
        } else {
            value += self.at_nodes(problem, point, rule, subject, u)?;
        }
        self.reverse_cholesky(problem, point);
        self.eta_differences(problem, point, subject, u)?;
        self.follow_mode(problem, point, u);
        let left: f64 = self.z.iter().zip(&self.g).map(|(z, g)| z * g).sum();
        let value = value - left;
        value.is_finite().then_some(value)
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

    /// ln sum of the nodes, which replace the single node at the mode.
    fn at_nodes(
        &mut self,
        problem: &Problem<'_>,
        point: &Point,
        rule: &Rule,
        subject: usize,
        u: &[f64],
    ) -> Option<f64> {
        let (p, q, terms) = (problem.p, problem.q, self.noise_slope.len());
        let root_two = std::f64::consts::SQRT_2;
        let mut nodes = std::mem::replace(&mut self.nodes, Nodes::empty());
        let mut most = f64::NEG_INFINITY;
        for (m, log_weight) in rule.log_weights.iter().enumerate() {
            nodes.shift.copy_from_slice(&rule.nodes[m * q..(m + 1) * q]);
            cholesky::backward(&self.h, q, &mut nodes.shift);
            for k in 0..q {
                nodes.place[k] = u[k] + root_two * nodes.shift[k];
            }
            // A node where the curve has no value has no density either.
            nodes.logs[m] = f64::NEG_INFINITY;
            let slopes = &mut nodes.slopes[m * p..(m + 1) * p];
            let noises = &mut nodes.noises[m * terms..(m + 1) * terms];
            slopes.fill(0.0);
            noises.fill(0.0);
            if let Some(joint) = self.joint(problem, point, subject, &nodes.place) {
                self.here
                    .slope(problem, subject, point.noise, &self.scratch);
                slopes.copy_from_slice(&self.here.gradient);
                self.here
                    .noise_slope(problem, subject, point.noise, &self.scratch, noises);
                nodes.logs[m] = log_weight - joint;
                most = most.max(nodes.logs[m]);
            }
        }
        let total: f64 = nodes.logs.iter().map(|log| (log - most).exp()).sum();
        self.eta_slope.fill(0.0);
        self.noise_slope.fill(0.0);
        self.factor_slope.fill(0.0);
        for m in 0..nodes.logs.len() {
            let share = (nodes.logs[m] - most).exp() / total;
            let slopes = &nodes.slopes[m * p..(m + 1) * p];
            nodes.shift.copy_from_slice(&rule.nodes[m * q..(m + 1) * q]);
            cholesky::backward(&self.h, q, &mut nodes.shift);
            for k in 0..q {
                nodes.place[k] = u[k] + root_two * nodes.shift[k];
            }
            spherical_slope(problem, point, slopes, &nodes.place, &mut nodes.g);
            for j in 0..p {
                self.eta_slope[j] -= share * slopes[j];
            }
            for (slope, noise) in self.noise_slope.iter_mut().zip(&nodes.noises[m * terms..]) {
                *slope -= share * noise;
            }
            for k in 0..q {
                self.z[k] -= share * nodes.g[k];
                for l in 0..q {
                    self.factor_slope[k * q + l] -=
                        share * slopes[problem.random[k]] * nodes.place[l];
                }
            }
            cholesky::forward(&self.h, q, &mut nodes.g);
            for k in 0..q {
                for l in 0..=k {
                    self.cbar[k * q + l] += share * root_two * nodes.shift[k] * nodes.g[l];
                }
            }
        }
        self.nodes = nodes;
        #[expect(clippy::cast_precision_loss, reason = "a few random effects")]
        let constant = 0.5 * (q as f64) * std::f64::consts::PI.ln();
        let value = most + total.ln() - constant;
        value.is_finite().then_some(value)
    }

    /// Hbar from Cbar, and K = L Hbar L' over the terms.
    fn reverse_cholesky(&mut self, problem: &Problem<'_>, point: &Point) {
        let (p, q) = (problem.p, problem.q);
        for i in 0..q {
            for j in 0..=i {
                // Half of the diagonal, and P + P' makes it whole again.
                let sum: f64 = (i..q)
                    .map(|k| self.h[k * q + i] * self.cbar[k * q + j])
                    .sum();
                self.hbar[i * q + j] = sum;
                self.hbar[j * q + i] = sum;
            }
        }
        for row in self.hbar.chunks_exact_mut(q) {
            cholesky::backward(&self.h, q, row);
        }
        for i in 0..q {
            for j in 0..q {
                self.turned[i * q + j] = 0.5 * self.hbar[j * q + i];
            }
        }
        for row in self.turned.chunks_exact_mut(q) {
            cholesky::backward(&self.h, q, row);
        }
        self.hbar.copy_from_slice(&self.turned);
        self.k.fill(0.0);
        for a in 0..q {
            for b in 0..q {
                let mut sum = 0.0;
                for l in 0..=a {
                    for m in 0..=b {
                        sum += point.factor[a * q + l]
                            * self.hbar[l * q + m]
                            * point.factor[b * q + m];
                    }
                }
                self.k[problem.random[a] * p + problem.random[b]] = sum;
            }
        }
    }

    /// dD'/d noise and dI/d noise at the mode, by central differences; they need no
    /// curve evaluation.
    fn noise_differences(&mut self, problem: &Problem<'_>, point: &Point, subject: usize) {
        const WIDTH: f64 = 1e-5;
        let p = problem.p;
        for at in 0..self.noise_slope.len() {
            for sign in [1.0, -1.0] {
                let noise = point.noise.moved(problem, at, sign * WIDTH);
                self.shifted.weigh(problem, subject, noise, &self.scratch);
                self.shifted.slope(problem, subject, noise, &self.scratch);
                accumulate(
                    &mut self.noise_slopes[at * p..(at + 1) * p],
                    &self.shifted.gradient,
                    sign,
                    WIDTH,
                );
                accumulate(
                    &mut self.noise_informations[at * p * p..(at + 1) * p * p],
                    &self.shifted.information,
                    sign,
                    WIDTH,
                );
            }
        }
    }

    /// D'' and c_k = tr(K dI/d eta_k) at the mode, by central differences.
    fn eta_differences(
        &mut self,
        problem: &Problem<'_>,
        point: &Point,
        subject: usize,
        u: &[f64],
    ) -> Option<()> {
        let p = problem.p;
        place(problem, point, subject, u, &mut self.scratch.eta);
        for j in 0..p {
            let centre = self.scratch.eta[j];
            let width = point.widths[j];
            self.c[j] = 0.0;
            for sign in [1.0, -1.0] {
                self.scratch.eta[j] = centre + sign * width;
                if !problem.evaluate(subject, &mut self.scratch) {
                    return None;
                }
                self.shifted
                    .weigh(problem, subject, point.noise, &self.scratch);
                self.shifted
                    .slope(problem, subject, point.noise, &self.scratch);
                accumulate(
                    &mut self.second[j * p..(j + 1) * p],
                    &self.shifted.gradient,
                    sign,
                    width,
                );
                let trace: f64 = self
                    .k
                    .iter()
                    .zip(&self.shifted.information)
                    .map(|(k, i)| k * i)
                    .sum();
                self.c[j] += sign * trace / (2.0 * width);
            }
            self.scratch.eta[j] = centre;
        }
        Some(())
    }

    /// The mode's own movement, and the sum of all parts.
    fn follow_mode(&mut self, problem: &Problem<'_>, point: &Point, u: &[f64]) {
        let (p, q) = (problem.p, problem.q);
        for l in 0..q {
            for k in l..q {
                self.z[l] += point.factor[k * q + l] * self.c[problem.random[k]];
            }
        }
        spherical_matrix(problem, point, &self.second, &mut self.exact);
        if !cholesky::factor(&mut self.exact, q) {
            // Not a proper least point of h: the information stands in.
            self.exact.copy_from_slice(&self.h);
        }
        cholesky::solve(&self.exact, q, &mut self.z);
        self.lz.fill(0.0);
        for k in 0..q {
            self.lz[problem.random[k]] = (0..=k).map(|l| point.factor[k * q + l] * self.z[l]).sum();
        }
        // c becomes c - D''Lz.
        for j in 0..p {
            for k in 0..p {
                self.c[j] -= self.second[k * p + j] * self.lz[k];
            }
            self.eta_slope[j] += self.c[j];
        }
        for k in 0..q {
            let term = problem.random[k];
            for l in 0..=k {
                let mut sum = self.c[term] * u[l] - self.slope[term] * self.z[l];
                for m in 0..q {
                    let lifted: f64 = (m..q)
                        .map(|other| {
                            self.information[term * p + problem.random[other]]
                                * point.factor[other * q + m]
                        })
                        .sum();
                    sum += 2.0 * lifted * self.hbar[m * q + l];
                }
                self.factor_slope[k * q + l] += sum;
            }
        }
        for at in 0..self.noise_slope.len() {
            let trace: f64 = self
                .k
                .iter()
                .zip(&self.noise_informations[at * p * p..])
                .map(|(k, i)| k * i)
                .sum();
            let moved: f64 = self
                .lz
                .iter()
                .zip(&self.noise_slopes[at * p..])
                .map(|(lz, slope)| lz * slope)
                .sum();
            self.noise_slope[at] += trace - moved;
        }
    }
}

impl Nodes {
    fn empty() -> Self {
        Self {
            logs: Vec::new(),
            slopes: Vec::new(),
            noises: Vec::new(),
            shift: Vec::new(),
            place: Vec::new(),
            g: Vec::new(),
        }
    }
}

/// Adds one side of a central difference; the upper side comes first and clears.
fn accumulate(to: &mut [f64], from: &[f64], sign: f64, width: f64) {
    for (to, from) in to.iter_mut().zip(from) {
        let part = sign * from / (2.0 * width);
        *to = if sign > 0.0 { part } else { *to + part };
    }
}

fn negate(values: &mut [f64]) {
    values.iter_mut().for_each(|value| *value = -*value);
}

/// eta = A beta + L u.
fn place(problem: &Problem<'_>, point: &Point, subject: usize, u: &[f64], eta: &mut [f64]) {
    let q = problem.q;
    for (eta, column) in eta.iter_mut().zip(problem.columns_of(subject)) {
        *eta = point.beta[*column];
    }
    for (k, term) in problem.random.iter().enumerate() {
        for l in 0..=k {
            eta[*term] += point.factor[k * q + l] * u[l];
        }
    }
}

/// L'D' + u.
fn spherical_slope(problem: &Problem<'_>, point: &Point, slope: &[f64], u: &[f64], g: &mut [f64]) {
    let q = problem.q;
    for l in 0..q {
        g[l] = u[l];
        for k in l..q {
            g[l] += point.factor[k * q + l] * slope[problem.random[k]];
        }
    }
}

/// I + L'ML over the random terms.
fn spherical_matrix(problem: &Problem<'_>, point: &Point, matrix: &[f64], out: &mut [f64]) {
    let (p, q) = (problem.p, problem.q);
    for row in 0..q {
        for column in 0..=row {
            let mut sum = if row == column { 1.0 } else { 0.0 };
            for k in row..q {
                let weight = point.factor[k * q + row];
                if weight != 0.0 {
                    for l in column..q {
                        sum += weight
                            * matrix[problem.random[k] * p + problem.random[l]]
                            * point.factor[l * q + column];
                    }
                }
            }
            out[row * q + column] = sum;
        }
    }
}
