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
//! Moré JJ (1978) The Levenberg-Marquardt algorithm: implementation and theory,
//! Lecture Notes in Mathematics 630: 105-116 (scaling). Nielsen HB (1999) Damping
//! parameter in Marquardt's method, IMM-REP-1999-05 (damping). Bates DM, Watts DG
//! (1981) A relative offset orthogonality convergence criterion for nonlinear
//! least squares, Technometrics 23: 179-183. Cited from memory.

use super::linear::{self, Triangle};
use super::variance::Problem;

/// Most terms that a fitted curve may have.
pub(crate) const MOST_TERMS: usize = 12;

/// A relative offset below this certifies an optimum (Bates and Watts advise 1e-3; R's `nls` takes 1e-5).
const CERTIFIED: f64 = 1e-5;
/// Polishing ends here: the terms are then right to about 1e-9 of their standard errors.
const POLISHED: f64 = 1e-9;
/// Most undamped steps of polishing.
const POLISHING_STEPS: usize = 60;
/// A residual's tangent part of so many roundings of the values is none at all.
const ROUNDINGS: f64 = 64.0 * f64::EPSILON;
/// A damping beyond this shortens a step to nothing.
const GREATEST_DAMPING: f64 = 1e20;
/// A damping below this is as good as none.
const LEAST_DAMPING: f64 = 1e-13;

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
    /// Gives up when so many evaluations have neither taken a thousandth off the sum
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
    /// Bent by the second derivative along the step: three evaluations.
    Bent,
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
    rows: Vec<f64>,
    right: Vec<f64>,
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
}

/// Descends from `descent.terms` to the nearest optimum of the problem.
///
/// Each number of terms has its own machine code, with its small matrices on the stack.
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

/// Where a descent stands.
#[derive(Debug, Clone, Copy)]
struct Point<const P: usize> {
    terms: [f64; P],
    sum_of_squares: f64,
    /// Columns scaled by `Loop::scale`.
    triangle: Triangle<P>,
    /// Scaled R'R.
    product: [[f64; P]; P],
    held: [bool; P],
    offset: f64,
}

struct Loop<'a, const P: usize> {
    problem: &'a Problem<'a>,
    descent: &'a mut Descent,
    tactic: Tactic,
    lower: [f64; P],
    upper: [f64; P],
    scale: [f64; P],
    /// Length of the values: what rounding is measured by.
    length: f64,
    evaluations: usize,
    iterations: usize,
}

impl<'a, const P: usize> Loop<'a, P> {
    fn run(problem: &'a Problem<'a>, tactic: Tactic, descent: &'a mut Descent) -> Optimum {
        let mut start = [0.0; P];
        start.copy_from_slice(&descent.terms);
        let mut state = Self {
            problem,
            descent,
            tactic,
            lower: [f64::NEG_INFINITY; P],
            upper: [f64::INFINITY; P],
            scale: [0.0; P],
            length: problem.length(),
            evaluations: 0,
            iterations: 0,
        };
        for (j, term) in problem.curve.terms().iter().enumerate() {
            (state.lower[j], state.upper[j]) = (term.lower, term.upper);
            start[j] = start[j].clamp(term.lower, term.upper);
        }
        let Some(sum_of_squares) = state.evaluate(&start) else {
            return state.nowhere();
        };
        let Some(mut point) = state.at(start, sum_of_squares) else {
            return state.nowhere();
        };
        let mut end = state.descend(&mut point);
        if end == End::Certified {
            state.polish(&mut point);
        } else if end == End::Stuck && point.offset < 1e-2 && state.polish(&mut point) {
            // The sum of squares no longer shows the descent that the offset still does.
            end = End::Certified;
        }
        state.leave(&point, end)
    }

    /// Sum of squares at these terms, with residuals and Jacobian in the descent's memory;
    /// `None` outside the curve's domain.
    fn evaluate(&mut self, terms: &[f64; P]) -> Option<f64> {
        self.evaluations += 1;
        self.problem.fill(terms, self.descent)
    }

    /// Triangle, held terms and offset at the terms just evaluated; `None` where
    /// the Jacobian is not finite.
    fn at(&mut self, terms: [f64; P], sum_of_squares: f64) -> Option<Point<P>> {
        let (rows, _) = self.descent.jacobian.as_chunks::<P>();
        let residuals = &self.descent.residuals;
        let (mut product, gradient) = linear::normal_equations(rows, residuals);
        let mut held = [false; P];
        for j in 0..P {
            if !(product[j][j].is_finite() && gradient[j].is_finite()) {
                return None;
            }
            held[j] = (terms[j] <= self.lower[j] && gradient[j] <= 0.0)
                || (terms[j] >= self.upper[j] && gradient[j] >= 0.0);
            let length = product[j][j].sqrt();
            self.scale[j] = match self.tactic.scaling {
                Scaling::Greatest => self.scale[j].max(length),
                Scaling::Current => length,
            };
            if self.scale[j] <= 0.0 {
                self.scale[j] = 1.0;
            }
        }
        let mut right = gradient;
        for j in 0..P {
            right[j] = if held[j] {
                0.0
            } else {
                gradient[j] / self.scale[j]
            };
            for k in 0..=j {
                let entry = if held[j] || held[k] {
                    f64::from(u8::from(j == k))
                } else {
                    product[j][k] / (self.scale[j] * self.scale[k])
                };
                product[j][k] = entry;
                product[k][j] = entry;
            }
        }
        let triangle = match linear::cholesky(&product, &right, sum_of_squares) {
            Some(triangle) => triangle,
            None => {
                let triangle = self.reflect(&held);
                product = triangle.product();
                triangle
            }
        };
        let offset = self.offset(&triangle, &held);
        Some(Point {
            terms,
            sum_of_squares,
            triangle,
            product,
            held,
            offset,
        })
    }

    /// The triangle from the Jacobian itself.
    fn reflect(&mut self, held: &[bool; P]) -> Triangle<P> {
        let descent = &mut *self.descent;
        descent.right.copy_from_slice(&descent.residuals);
        let (from, _) = descent.jacobian.as_chunks::<P>();
        let (rows, _) = descent.rows.as_chunks_mut::<P>();
        for (row, from) in rows.iter_mut().zip(from) {
            for j in 0..P {
                row[j] = if held[j] {
                    0.0
                } else {
                    from[j] / self.scale[j]
                };
            }
        }
        linear::householder(rows, &mut descent.right, held)
    }

    /// Relative offset; 0 where the residual's tangent part is rounding alone.
    #[expect(
        clippy::cast_precision_loss,
        reason = "counts of observations are far below 2^52"
    )]
    fn offset(&self, triangle: &Triangle<P>, held: &[bool; P]) -> f64 {
        let tangent: f64 = triangle.right.iter().map(|z| z * z).sum::<f64>().sqrt();
        if tangent <= ROUNDINGS * self.length {
            return 0.0;
        }
        let n = self.descent.residuals.len();
        let free = held.iter().filter(|held| !**held).count().max(1);
        let outside = (triangle.rest.max(0.0) / n.saturating_sub(free).max(1) as f64).sqrt();
        (tangent / (free as f64).sqrt()) / outside.max(f64::MIN_POSITIVE)
    }

    /// Damped steps until certified, or until it is clear that it will not be.
    fn descend(&mut self, point: &mut Point<P>) -> End {
        let mut damping = self.tactic.damping;
        let mut growth = 2.0;
        let mut milestone = (self.evaluations, point.sum_of_squares, point.offset);
        while point.offset >= CERTIFIED {
            if self.evaluations >= self.tactic.evaluations {
                return End::TooLong;
            }
            if self.evaluations - milestone.0 >= self.tactic.patience {
                if point.sum_of_squares > 0.999 * milestone.1 && point.offset > 0.5 * milestone.2 {
                    return End::Ridge;
                }
                milestone = (self.evaluations, point.sum_of_squares, point.offset);
            }
            let Some(scaled) = self.damped(point, damping) else {
                damping = damping.max(point.triangle.least_pivot()) * growth;
                growth *= 2.0;
                if damping > GREATEST_DAMPING {
                    return End::Stuck;
                }
                continue;
            };
            let (trial, promised) = self.step(point, &scaled);
            if same(&trial, &point.terms) || damping > GREATEST_DAMPING {
                return End::Stuck;
            }
            let next = self
                .evaluate(&trial)
                .filter(|sum_of_squares| *sum_of_squares < point.sum_of_squares)
                .and_then(|sum_of_squares| self.at(trial, sum_of_squares));
            let Some(next) = next else {
                damping = damping.max(point.triangle.least_pivot()) * growth;
                growth *= 2.0;
                continue;
            };
            let kept = (point.sum_of_squares - next.sum_of_squares) / promised;
            *point = next;
            self.iterations += 1;
            growth = 2.0;
            if kept > 0.75 {
                damping *= 0.1;
            } else if kept < 0.25 {
                damping = damping.max(point.triangle.least_pivot()) * 2.0;
            } else {
                damping *= 0.5;
            }
            if damping < LEAST_DAMPING {
                damping = 0.0;
            }
        }
        End::Certified
    }

    /// The scaled step for a damping; `None` where the curve bends away from it.
    fn damped(&mut self, point: &Point<P>, damping: f64) -> Option<[f64; P]> {
        if damping <= 0.0 {
            return Some(point.triangle.solve());
        }
        let straight = linear::damped(&point.product, &point.triangle.gradient(), damping)?;
        match self.tactic.path {
            Path::Straight => Some(straight),
            Path::Bent => self.bent(point, &straight, damping),
        }
    }

    /// The step along the valley's bend: v - (R'R + damping I)^-1 J' f_vv / 2, with
    /// f_vv the second derivative of the fitted values along v, by a difference.
    fn bent(&mut self, point: &Point<P>, straight: &[f64; P], damping: f64) -> Option<[f64; P]> {
        /// Share of the step at which the difference is taken.
        const AHEAD: f64 = 0.1;
        /// Longest bend, as a share of the step, at which it is still believed.
        const LONGEST: f64 = 0.375;
        let mut ahead = point.terms;
        let mut velocity = [0.0; P];
        for j in 0..P {
            velocity[j] = if point.held[j] {
                0.0
            } else {
                straight[j] / self.scale[j]
            };
            ahead[j] = self.moved(point.terms[j], AHEAD * velocity[j]);
        }
        self.evaluate(&ahead)?;
        self.descent.right.copy_from_slice(&self.descent.residuals);
        self.evaluate(&point.terms)?;
        let (rows, _) = self.descent.jacobian.as_chunks::<P>();
        let mut gradient = [0.0; P];
        for ((row, here), there) in rows
            .iter()
            .zip(&self.descent.residuals)
            .zip(&self.descent.right)
        {
            let slope: f64 = row.iter().zip(&velocity).map(|(slope, v)| slope * v).sum();
            let second = 2.0 / AHEAD * ((here - there) / AHEAD - slope);
            for j in 0..P {
                gradient[j] -= 0.5 * row[j] * second / self.scale[j];
            }
        }
        for (entry, held) in gradient.iter_mut().zip(&point.held) {
            if *held {
                *entry = 0.0;
            }
        }
        let bend = linear::damped(&point.product, &gradient, damping)?;
        let length = |step: &[f64; P]| step.iter().map(|d| d * d).sum::<f64>();
        let mut bent = *straight;
        for j in 0..P {
            bent[j] += bend[j];
        }
        (length(&bend) <= LONGEST * LONGEST * length(straight)).then_some(bent)
    }

    /// A term after a step of its own.
    fn moved(&self, term: f64, by: f64) -> f64 {
        match self.tactic.moves {
            Moves::Sum => term + by,
            Moves::Ratio if term == 0.0 => by,
            Moves::Ratio => term * (by / term).exp(),
        }
    }

    /// Terms after a scaled step, kept in their range, and the fall of the sum of
    /// squares that the tangent plane promises for it.
    fn step(&self, point: &Point<P>, scaled: &[f64; P]) -> ([f64; P], f64) {
        let mut trial = point.terms;
        let mut taken = *scaled;
        for j in 0..P {
            if point.held[j] {
                taken[j] = 0.0;
                continue;
            }
            trial[j] = self
                .moved(point.terms[j], scaled[j] / self.scale[j])
                .clamp(self.lower[j], self.upper[j]);
            taken[j] = (trial[j] - point.terms[j]) * self.scale[j];
        }
        (trial, point.triangle.promised(&taken))
    }

    /// Undamped steps while they lower the offset: near the optimum the sum of
    /// squares is flat to rounding, and only the offset still tells the way.
    /// True if the criterion is met at the end.
    fn polish(&mut self, point: &mut Point<P>) -> bool {
        for _ in 0..POLISHING_STEPS {
            if point.offset <= POLISHED {
                break;
            }
            let (trial, _) = self.step(point, &point.triangle.solve());
            if same(&trial, &point.terms) {
                break;
            }
            let next = self
                .evaluate(&trial)
                .and_then(|sum_of_squares| self.at(trial, sum_of_squares))
                .filter(|next| next.offset < 0.95 * point.offset);
            let Some(next) = next else { break };
            *point = next;
            self.iterations += 1;
        }
        point.offset < CERTIFIED
    }

    /// Leaves the optimum, and what belongs to it, in the descent's memory.
    fn leave(&mut self, point: &Point<P>, end: End) -> Optimum {
        // The memory may hold a step that was not taken.
        let _ = self.problem.fill(&point.terms, self.descent);
        self.descent.terms.copy_from_slice(&point.terms);
        self.descent.held.copy_from_slice(&point.held);
        point
            .triangle
            .inverse_product(&self.scale, &point.held, &mut self.descent.inverse);
        Optimum {
            end,
            sum_of_squares: point.sum_of_squares,
            relative_offset: point.offset,
            iterations: self.iterations,
            evaluations: self.evaluations,
        }
    }

    fn nowhere(&self) -> Optimum {
        Optimum {
            end: End::OutsideDomain,
            sum_of_squares: f64::INFINITY,
            relative_offset: f64::INFINITY,
            iterations: 0,
            evaluations: self.evaluations,
        }
    }
}

/// Whether a step left every term as it was, to the last bit: the end of what the
/// numbers can resolve.
fn same<const P: usize>(one: &[f64; P], other: &[f64; P]) -> bool {
    one.iter()
        .zip(other)
        .all(|(a, b)| a.to_bits() == b.to_bits())
}
