//! One descent of [`super::least_squares`]: the steps, and when they end.

use super::least_squares::{Descent, End, Moves, Optimum, Path, Scaling, Tactic};
use super::linear::{self, Triangle};
use super::variance::Problem;

/// A relative offset below this certifies an optimum (Bates and Watts advise 1e-3; R's `nls` takes 1e-5).
const CERTIFIED: f64 = 1e-5;
/// Polishing ends here: the terms are then right to about 1e-9 of their standard errors.
const POLISHED: f64 = 1e-9;
/// Most undamped steps of polishing.
const POLISHING_STEPS: usize = 60;
/// A residual's tangent part of this many roundings of the values is none at all.
const ROUNDINGS: f64 = 64.0 * f64::EPSILON;
/// A damping beyond this shortens a step to nothing.
const GREATEST_DAMPING: f64 = 1e20;
/// A damping below this is as good as none.
const LEAST_DAMPING: f64 = 1e-13;

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

/// A descent at work.
pub(super) struct Loop<'a, const P: usize> {
    problem: &'a Problem<'a>,
    descent: &'a mut Descent,
    tactic: Tactic,
    lower: [f64; P],
    upper: [f64; P],
    scale: [f64; P],
    /// Reciprocals of the scale.
    per_scale: [f64; P],
    /// Terms of which the descent's memory holds residuals and Jacobian.
    evaluated: [f64; P],
    /// Length of the values: what rounding is measured by.
    length: f64,
    evaluations: usize,
    iterations: usize,
}

impl<'a, const P: usize> Loop<'a, P> {
    /// Descends from `descent.terms`, and leaves the optimum there.
    pub(super) fn run(
        problem: &'a Problem<'a>,
        tactic: Tactic,
        descent: &'a mut Descent,
    ) -> Optimum {
        let mut start = [0.0; P];
        start.copy_from_slice(&descent.terms);
        let mut state = Self {
            problem,
            descent,
            tactic,
            lower: [f64::NEG_INFINITY; P],
            upper: [f64::INFINITY; P],
            scale: [0.0; P],
            per_scale: [0.0; P],
            evaluated: [f64::NAN; P],
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
        self.evaluated = *terms;
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
            self.per_scale[j] = 1.0 / self.scale[j];
        }
        let mut right = gradient;
        for j in 0..P {
            right[j] = if held[j] {
                0.0
            } else {
                gradient[j] * self.per_scale[j]
            };
            for k in 0..=j {
                let entry = if held[j] || held[k] {
                    f64::from(u8::from(j == k))
                } else {
                    product[j][k] * (self.per_scale[j] * self.per_scale[k])
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
                    from[j] * self.per_scale[j]
                };
            }
        }
        linear::householder(rows, &mut descent.right, held)
    }

    /// Relative offset; 0 where the residual's tangent part is rounding alone.
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
            Path::GeodesicAcceleration => self.geodesic_acceleration(point, &straight, damping),
        }
    }

    /// The step along the valley's bend (geodesic acceleration, see [`super::least_squares`]): v - (R'R + damping I)^-1 J' f_vv / 2, with
    /// f_vv the second derivative of the fitted values along v, by a difference.
    fn geodesic_acceleration(
        &mut self,
        point: &Point<P>,
        straight: &[f64; P],
        damping: f64,
    ) -> Option<[f64; P]> {
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
                straight[j] * self.per_scale[j]
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
                gradient[j] -= 0.5 * row[j] * second * self.per_scale[j];
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

    /// A term after its step.
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
                .moved(point.terms[j], scaled[j] * self.per_scale[j])
                .clamp(self.lower[j], self.upper[j]);
            taken[j] = (trial[j] - point.terms[j]) * self.scale[j];
        }
        (trial, point.triangle.promised(&taken))
    }

    /// Undamped steps while they lower the offset: near the optimum the sum of
    /// squares is flat to rounding, and only the offset still shows the direction.
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
        if !same(&self.evaluated, &point.terms) {
            let _ = self.problem.fill(&point.terms, self.descent);
        }
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
            evaluations: self.evaluations,
            ..Optimum::NOWHERE
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
