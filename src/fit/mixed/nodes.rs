//! The nodes of the quadrature, which replace the single node at the mode.

use super::cholesky;
use super::marginal::{Marginal, Point};
use super::problem::Problem;
use super::quadrature::Rule;
use super::spherical::spherical_slope;

/// What is kept of every node until their weights are known.
#[derive(Debug, Clone)]
pub(super) struct Nodes {
    pub(super) logs: Vec<f64>,
    pub(super) slopes: Vec<f64>,
    pub(super) noises: Vec<f64>,
    pub(super) shift: Vec<f64>,
    pub(super) place: Vec<f64>,
    pub(super) g: Vec<f64>,
}

impl Nodes {
    pub(super) fn empty() -> Self {
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

impl Marginal {
    /// ln sum of the nodes, which replace the single node at the mode.
    pub(super) fn at_nodes(
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
        let constant = 0.5 * (q as f64) * std::f64::consts::PI.ln();
        let value = most + total.ln() - constant;
        value.is_finite().then_some(value)
    }
}
