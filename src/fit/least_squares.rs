//! The loop: damped Gauss-Newton steps until the fit is certified.
//!
//! The sum of squares S of the residuals r (n) falls along steps d that solve
//!
//! ```text
//! (R'R + damping I) d = R'z,     Q'[J r] = [R z; 0 rest]
//! ```
//!
//! with J the Jacobian of the fitted values (n x p), its columns scaled to the
//! greatest length that each has had (Moré 1978), so that units do not matter.
//! A step that pays is taken and the damping falls; one that does not, or that
//! leaves the curve's domain, is shortened by more damping.
//!
//! R and z come from the normal equations (Cholesky) while these are well
//! conditioned, and from Householder reflections of J itself where they are not:
//! the first is several times faster, the second loses half as many digits.
//!
//! The end is certified by the relative offset of Bates and Watts (1981): the
//! length of the residual's part in the tangent plane, |z|/sqrt(p), against the
//! part outside, |rest|/sqrt(n - p). It is a by-product of R and z. After the
//! criterion is met, undamped steps polish the terms as long as the offset falls.
//!
//! A term at the end of its range is held there while the data push it outwards.
//!
//! # Source
//! Bates DM, Watts DG (1981) A relative offset orthogonality convergence criterion for
//! nonlinear least squares, Technometrics 23: 179-183 (looked up in a later list of
//! references). Moré JJ (1978) The Levenberg-Marquardt algorithm: implementation and
//! theory, Lecture Notes in Mathematics 630: 105-116 (scaling); Nielsen HB (1999) Damping
//! parameter in Marquardt's method, IMM-REP-1999-05 (damping); both cited from memory.
//! The path along the valley is the geodesic acceleration of Transtrum MK, Sethna JP (2012)
//! Improvements to the Levenberg-Marquardt algorithm for nonlinear least-squares
//! minimization, arXiv:1201.5885 (from memory): its second derivative by a difference and
//! its limit on the bend's length are taken from there.

use nalgebra::DMatrix;

use super::descend::Loop;
use super::variance::{Problem, inverse_of_product};

/// Most terms that a fitted curve may have.
pub(crate) const MOST_TERMS: usize = 12;

/// How a descent is damped, and when it gives up.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Tactic {
    /// Damping of the first step.
    pub(crate) damping: f64,
    /// What a column of the Jacobian is measured by.
    pub(crate) scaling: Scaling,
    /// Whether a step goes straight or follows the bend of the valley.
    pub(crate) path: Path,
    /// What a step does to a term.
    pub(crate) moves: Moves,
    /// Most evaluations of the curve.
    pub(crate) evaluations: usize,
    /// Gives up when this many evaluations have neither taken a thousandth off the sum
    /// of squares nor halved the offset.
    pub(crate) patience: usize,
}

/// What a column of the Jacobian is measured by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Scaling {
    /// The greatest length that it has had: careful where a term stops mattering.
    Greatest,
    /// Its length now.
    Current,
}

/// Whether a step goes straight or follows the bend of the valley that it is in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Path {
    /// Straight: one evaluation a step.
    Straight,
    /// Bent by the second derivative along the step (geodesic acceleration): three
    /// evaluations.
    GeodesicAcceleration,
}

/// What a step does to a term.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Moves {
    /// Adds to it.
    Sum,
    /// Multiplies it, keeping its sign: for a start that is decades away.
    Ratio,
}

/// How a descent ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum End {
    /// The relative offset is below the criterion, or the data are fitted exactly.
    Certified,
    /// No step lowers the sum of squares, yet the criterion is not met.
    Stuck,
    /// Many evaluations brought almost nothing: the terms lie along a ridge.
    Ridge,
    /// The evaluations allowed were used up.
    TooLong,
    /// The curve has no finite value or gradient at the start.
    OutsideDomain,
    /// The likelihood has no maximum among the powers of the mean.
    NoPower,
}

/// The end of a descent; terms and their (unscaled) covariance are in the [`Descent`].
#[derive(Debug, Clone, Copy)]
pub(crate) struct Optimum {
    pub(crate) end: End,
    pub(crate) sum_of_squares: f64,
    pub(crate) relative_offset: f64,
    pub(crate) iterations: usize,
    pub(crate) evaluations: usize,
}

impl Optimum {
    /// That of a descent which had no start.
    pub(super) const NOWHERE: Self = Self {
        end: End::OutsideDomain,
        sum_of_squares: f64::INFINITY,
        relative_offset: f64::INFINITY,
        iterations: 0,
        evaluations: 0,
    };
}

/// Memory of one descent, sized once and used again.
#[derive(Debug, Default)]
pub(crate) struct Descent {
    /// Terms: the start going in, the optimum coming out (p).
    pub(crate) terms: Vec<f64>,
    /// Inverse of J'J at the optimum (p x p); zero in a held term's row and column.
    pub(crate) inverse: Vec<f64>,
    /// Terms held at an end of their range (p).
    pub(crate) held: Vec<bool>,
    /// Values of the curve (n).
    pub(crate) fitted: Vec<f64>,
    /// Residuals (n).
    pub(crate) residuals: Vec<f64>,
    /// Jacobian (n x p, row-major).
    pub(crate) jacobian: Vec<f64>,
    /// Room for the reflections: rows (n x p) and right-hand side (n).
    pub(super) rows: Vec<f64>,
    pub(super) right: Vec<f64>,
}

impl Descent {
    /// Makes room for n observations and p terms.
    pub(crate) fn reserve(&mut self, n: usize, p: usize) {
        self.terms.resize(p, 0.0);
        self.inverse.resize(p * p, 0.0);
        self.held.resize(p, false);
        for column in [&mut self.fitted, &mut self.residuals, &mut self.right] {
            column.resize(n, 0.0);
        }
        self.jacobian.resize(n * p, 0.0);
        self.rows.resize(n * p, 0.0);
    }

    /// Holds further terms where they are: their rows and columns of the inverse are zero.
    pub(super) fn hold(&mut self, terms: [usize; 2]) {
        for j in terms {
            self.held[j] = true;
        }
        let rows = DMatrix::from_row_slice(self.residuals.len(), self.terms.len(), &self.jacobian);
        self.inverse
            .copy_from_slice(&inverse_of_product(rows, &self.held));
    }

    /// Puts the terms, and all that goes by them, into another order: `order[j]` is the
    /// term that becomes the j-th.
    pub(super) fn relabel(&mut self, order: &[usize]) {
        let p = order.len();
        let (terms, held, inverse) = (self.terms.clone(), self.held.clone(), self.inverse.clone());
        for (j, from) in order.iter().enumerate() {
            (self.terms[j], self.held[j]) = (terms[*from], held[*from]);
            for (k, from_k) in order.iter().enumerate() {
                self.inverse[j * p + k] = inverse[from * p + from_k];
            }
        }
        for row in self.jacobian.chunks_exact_mut(p) {
            let before = &mut self.rows[..p];
            before.copy_from_slice(row);
            for (entry, from) in row.iter_mut().zip(order) {
                *entry = before[*from];
            }
        }
    }
}

/// Descends from `descent.terms` to the nearest optimum of the problem.
///
/// The loop is compiled for each number of terms, with the small matrices on the stack.
pub(crate) fn minimise(problem: &Problem<'_>, tactic: Tactic, descent: &mut Descent) -> Optimum {
    match descent.terms.len() {
        1 => Loop::<1>::run(problem, tactic, descent),
        2 => Loop::<2>::run(problem, tactic, descent),
        3 => Loop::<3>::run(problem, tactic, descent),
        4 => Loop::<4>::run(problem, tactic, descent),
        5 => Loop::<5>::run(problem, tactic, descent),
        6 => Loop::<6>::run(problem, tactic, descent),
        7 => Loop::<7>::run(problem, tactic, descent),
        8 => Loop::<8>::run(problem, tactic, descent),
        9 => Loop::<9>::run(problem, tactic, descent),
        10 => Loop::<10>::run(problem, tactic, descent),
        11 => Loop::<11>::run(problem, tactic, descent),
        _ => Loop::<MOST_TERMS>::run(problem, tactic, descent),
    }
}
