//! The search for a subject's mode: the least point of h(u) (`marginal.rs`).
//!
//! Scoring steps (the expected information for the curvature: no second derivative of the
//! curve) are cheap and nearly always enough, because each search begins where the last
//! one ended. Where residuals are large beside the curve's bending they shrink the
//! distance by a constant share only, or run past the mode: then steps with the exact
//! Hessian take over, damped where it is not positive definite or a step gains nothing
//! (Levenberg 1944, Marquardt 1963, in the metric of the expected information), which
//! end quadratically.

use super::cholesky;
use super::marginal::{Lost, Marginal, Point};
use super::problem::Problem;
use super::spherical::{place, spherical_matrix, spherical_slope};

/// A search ends when the step is this long in posterior SDs, squared; the first order
/// of the rest is added to the likelihood.
const AT_MODE: f64 = 1e-14;
/// Scoring goes on while a step leaves less than this share of the squared distance: the
/// exact Hessian's 2p evaluations buy two digits.
const SLOW: f64 = 0.05;
/// Scoring steps before it is judged: the first ones come from far away.
const PATIENCE: usize = 3;
/// Steps with the exact Hessian. They double the digits near the mode; some dozens lead
/// through a narrow bend.
const MOST_STEPS: usize = 200;
/// Damping, as a share of the expected information, beyond which a step is no step.
const MOST_DAMPING: f64 = 1e12;

impl Marginal {
    /// Brings u to the mode; leaves C in `h`, the gradient in `g`, the curve there in
    /// `scratch` and `here`.
    pub(super) fn find_mode(
        &mut self,
        problem: &Problem<'_>,
        point: &Point,
        subject: usize,
        u: &mut [f64],
    ) -> Result<f64, Lost> {
        let mut joint = match self.joint(problem, point, subject, u) {
            Some(joint) => joint,
            None => {
                u.fill(0.0);
                self.joint(problem, point, subject, u)
                    .ok_or(Lost::Valueless)?
            }
        };
        let mut last = f64::INFINITY;
        for round in 0.. {
            let decrement = self.look(problem, point, subject, u)?;
            if decrement < AT_MODE {
                return Ok(joint);
            }
            if round >= PATIENCE && !(decrement < SLOW * last) {
                break;
            }
            last = decrement;
            cholesky::backward(&self.h, problem.q, &mut self.step);
            match self.walk(problem, point, subject, u, (joint, decrement)) {
                Some(next) => joint = next,
                None => {
                    // Back to where the step began.
                    joint = self
                        .joint(problem, point, subject, u)
                        .ok_or(Lost::Valueless)?;
                    self.look(problem, point, subject, u)?;
                    break;
                }
            }
        }
        self.descend_exactly(problem, point, subject, u, joint)
    }

    /// Gradient, factor of the expected curvature and C^-1 g in `step` at the point last
    /// evaluated; the squared distance to the mode in posterior SDs.
    fn look(
        &mut self,
        problem: &Problem<'_>,
        point: &Point,
        subject: usize,
        u: &[f64],
    ) -> Result<f64, Lost> {
        self.here
            .slope(problem, subject, point.noise, &self.scratch);
        spherical_slope(problem, point, &self.here.gradient, u, &mut self.g);
        spherical_matrix(problem, point, &self.here.information, &mut self.h);
        if !cholesky::factor(&mut self.h, problem.q) {
            return Err(Lost::Valueless);
        }
        self.step.copy_from_slice(&self.g);
        cholesky::forward(&self.h, problem.q, &mut self.step);
        Ok(self.step.iter().map(|x| x * x).sum())
    }

    /// Goes along minus `step`, halved until h falls; `None`, with u where it was, where
    /// no share of it does.
    fn walk(
        &mut self,
        problem: &Problem<'_>,
        point: &Point,
        subject: usize,
        u: &mut [f64],
        (joint, decrement): (f64, f64),
    ) -> Option<f64> {
        let mut share = 1.0;
        while share > 1e-4 {
            if let Some(next) = self.attempt(problem, point, subject, u, share)
                && next <= joint + slack(decrement, joint)
            {
                u.copy_from_slice(&self.trial);
                return Some(next);
            }
            share *= 0.5;
        }
        None
    }

    /// h at u minus a share of `step`, which is left in `trial`.
    fn attempt(
        &mut self,
        problem: &Problem<'_>,
        point: &Point,
        subject: usize,
        u: &[f64],
        share: f64,
    ) -> Option<f64> {
        let mut trial = std::mem::take(&mut self.trial);
        for ((trial, u), step) in trial.iter_mut().zip(u).zip(&self.step) {
            *trial = u - share * step;
        }
        let next = self.joint(problem, point, subject, &trial);
        self.trial = trial;
        next
    }

    /// Damped Newton steps from a point that [`Self::look`] has just looked at.
    fn descend_exactly(
        &mut self,
        problem: &Problem<'_>,
        point: &Point,
        subject: usize,
        u: &mut [f64],
        mut joint: f64,
    ) -> Result<f64, Lost> {
        let q = problem.q;
        let mut damping = 0.0;
        for _ in 0..MOST_STEPS {
            let exact = self.eta_differences(problem, point, subject, u).is_some();
            let information = if exact {
                &self.second
            } else {
                // A neighbour has no value: the expected curvature has one.
                damping = f64::max(damping, 1e-3);
                &self.here.information
            };
            spherical_matrix(problem, point, information, &mut self.exact);
            spherical_matrix(problem, point, &self.here.information, &mut self.turned);
            let next = loop {
                self.hbar.copy_from_slice(&self.exact);
                for (sum, part) in self.hbar.iter_mut().zip(&self.turned) {
                    *sum += damping * part;
                }
                if cholesky::factor(&mut self.hbar, q) {
                    self.step.copy_from_slice(&self.g);
                    cholesky::forward(&self.hbar, q, &mut self.step);
                    let decrement: f64 = self.step.iter().map(|x| x * x).sum();
                    cholesky::backward(&self.hbar, q, &mut self.step);
                    if let Some(next) = self.attempt(problem, point, subject, u, 1.0)
                        && next <= joint - 1e-4 * decrement + slack(decrement, joint)
                    {
                        break next;
                    }
                }
                damping = f64::max(10.0 * damping, 1e-3);
                if damping > MOST_DAMPING {
                    return Err(Lost::Endless);
                }
            };
            joint = next;
            u.copy_from_slice(&self.trial);
            damping = if damping > 1e-6 { 0.1 * damping } else { 0.0 };
            if self.look(problem, point, subject, u)? < AT_MODE {
                return Ok(joint);
            }
        }
        Err(Lost::Endless)
    }

    /// h at u; with gradient and information in `here`.
    pub(super) fn joint(
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
}

/// What h may rise by: near the mode its differences are rounding, and a full step is
/// right.
fn slack(decrement: f64, joint: f64) -> f64 {
    if decrement < 1e-6 {
        1e-9 * joint.abs().max(1.0)
    } else {
        0.0
    }
}
