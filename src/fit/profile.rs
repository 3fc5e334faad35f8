//! Profile likelihood: which values of a term, or of what follows from the terms, do
//! the data allow?
//!
//! Let S(c) be the least (weighted) sum of squares among all terms for which the
//! quantity q has the value c, and S the least of all. The interval holds the c with
//!
//! ```text
//! tau(c)^2 = (n - p) (S(c)/S - 1)  <=  t^2        t: Student's quantile on n - p
//! ```
//!
//! For a curve that is straight in its terms this is the interval of standard
//! errors; where it bends, the profile bends with it. A side on which tau never
//! reaches t is open: the data set no limit there.
//!
//! # The constrained minimum
//! Steps of Gauss and Newton with the constraint in them: with H = J'J, g the
//! gradient of q and d = c - q,
//!
//! ```text
//! delta = H^-1 (J'r + m g),   m = (d - g'H^-1 J'r) / (g'H^-1 g)
//! ```
//!
//! damped by a multiple of H's diagonal where S + |2 m| |d| (an exact penalty) does
//! not fall. A term's q is the term itself, so one method serves terms and derived
//! quantities.
//!
//! Where growth of the data does not bend any more, S(c) is no minimum but a limit:
//! at a low rate of gain the best logistic is an exponential, of asymptote A without
//! end and inflection ln(A)/k later and later. On the way there A and ti lie on a bent
//! ridge, on which straight steps get ever shorter and stop short of the limit. So a term
//! that is positive by its range, other than q, is multiplied rather than added to:
//! the ridge of ln A and ti is straight, and each step takes a share of what is left.
//!
//! A term that reaches the end of its range stays there while the step would take it out,
//! and the profile goes on without it.
//!
//! From the estimate outward each minimum starts where the one before it
//! ended, so that a curved ridge is followed, and the limit is found between the
//! last two by false position.
//!
//! A fit with a power of the mean keeps its estimated power along the profile.
//!
//! # Source
//! Bates DM, Watts DG (1988) Nonlinear Regression Analysis and Its Applications, 6.1
//! (from memory); checked against R's `confint` of `nls`.

use nalgebra::{DMatrix, DVector};

use super::constrained::{Normal, Place};
use super::influence::scale_of;
use super::interval::SamplingDistribution;
use super::least_squares::Descent;
use super::variance::Problem;
use super::{Estimates, Series};
use crate::growth::{Curve, Derived, Term};
use crate::stats::Interval;

/// The quantity of an interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Quantity {
    /// A term, by its place in the curve's order.
    Term(usize),
    /// What follows from the terms.
    Derived(Derived),
}

impl Quantity {
    /// Its unit.
    #[must_use]
    pub fn unit(self, curve: &dyn Curve) -> std::borrow::Cow<'static, str> {
        match self {
            Self::Term(index) => curve.terms()[index].unit.clone(),
            Self::Derived(what) => what.unit().into(),
        }
    }

    /// Its value and gradient in the terms; `None` where the curve has none there.
    pub fn value(self, curve: &dyn Curve, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        match self {
            Self::Term(index) => {
                gradient.fill(0.0);
                gradient[index] = 1.0;
                Some(terms[index])
            }
            Self::Derived(what) => curve.derived(what, terms, gradient),
        }
    }
}

/// The profile interval of a quantity at `level`; a side that is open is infinite.
///
/// `None` where there is none: a quantity that the curve has not at these terms, a
/// term on its bound, or exact data.
#[must_use]
pub fn interval(
    curve: &dyn Curve,
    series: Series<'_>,
    estimates: &Estimates,
    quantity: Quantity,
    level: f64,
) -> Option<Interval> {
    let law = SamplingDistribution::of(estimates);
    let mut gradient = vec![0.0; estimates.terms.len()];
    let value = quantity.value(curve, &estimates.terms, &mut gradient)?;
    let error = law.standard_error(&gradient)?;
    let mut walk = Walk::new(curve, series, estimates, quantity)?;
    let factor = law.pointwise_factor(level);
    let mut side = |sign: f64| walk.limit(value, sign * error, factor);
    Some(Interval {
        lower: side(-1.0).unwrap_or(f64::NEG_INFINITY),
        upper: side(1.0).unwrap_or(f64::INFINITY),
    })
}

/// The profile's tau at given values of a quantity, for a drawing: NaN where there is
/// no constrained minimum. `None` as for [`interval`].
#[must_use]
pub fn trace(
    curve: &dyn Curve,
    series: Series<'_>,
    estimates: &Estimates,
    quantity: Quantity,
    values: &[f64],
) -> Option<Vec<f64>> {
    let mut gradient = vec![0.0; estimates.terms.len()];
    let best = quantity.value(curve, &estimates.terms, &mut gradient)?;
    let mut walk = Walk::new(curve, series, estimates, quantity)?;
    let mut taus = vec![f64::NAN; values.len()];
    for sign in [-1.0, 1.0] {
        let mut order: Vec<usize> = (0..values.len())
            .filter(|i| (values[*i] - best) * sign >= 0.0)
            .collect();
        order.sort_by(|i, j| {
            (values[*i] - best)
                .abs()
                .total_cmp(&(values[*j] - best).abs())
        });
        walk.restart();
        for i in order {
            if let Some(tau) = walk.tau(values[i]) {
                taus[i] = sign * tau;
            }
        }
    }
    Some(taus)
}

/// Widest search, in doublings: a limit a thousand standard errors away is none, since
/// what stops the walk there is the end of another term's range or of the numbers.
const DOUBLINGS: usize = 9;
/// Most steps to one constrained minimum.
const STEPS: usize = 200;
/// A step this short against the standard errors ends the search.
const SHORT: f64 = 1e-8;
/// So do steps that take no more than this share of the mean square off the sum: along
/// a ridge on which a term runs away, the sum settles though the terms do not.
const IDLE: f64 = 1e-10;
/// This many such steps in a row.
const IDLE_STEPS: usize = 5;
/// Least damping but none. Along a ridge the normal equations tend to singular: more
/// damping than keeps them apart from rounding would stop the walk there.
const LEAST_DAMPING: f64 = 1e-12;
/// A bracket with no number left in it holds a limit where tau is as near as this to
/// the quantile. Where it is not, tau leaps there: from outside no minimum was found,
/// inside the profile goes on, and that side is open.
const CROSSED: f64 = 1e-6;
/// Curves with more terms may have several minima beside each other, and a limit is
/// looked at again from this many of the curve's own starts.
const ONE_MINIMUM_TERMS: usize = 3;
const OTHER_STARTS: usize = 4;
/// Most returns to the walk after a limit that did not hold.
const RETURNS: usize = 4;
/// Longest step of a term that is multiplied, in its logarithm (twentyfold): a longer
/// one comes of normal equations near singular, and is damped.
const LONGEST_RATIO: f64 = 3.0;

/// Where a walk along the profile stands.
struct Walk<'a> {
    problem: Problem<'a>,
    quantity: Quantity,
    best: &'a [f64],
    /// Least sum of squares, and its share a degree of freedom.
    least: f64,
    mean_square: f64,
    /// Terms that the fit did not determine and that are not at an end of their range:
    /// they stay where they are.
    fixed: Vec<bool>,
    terms: Vec<f64>,
    descent: Descent,
}

impl<'a> Walk<'a> {
    fn new(
        curve: &'a dyn Curve,
        series: Series<'a>,
        estimates: &'a Estimates,
        quantity: Quantity,
    ) -> Option<Self> {
        let (n, p) = (series.values.len(), estimates.terms.len());
        let problem = Problem {
            curve,
            series,
            scale: scale_of(estimates),
            weights: estimates.weights.as_deref(),
        };
        let mut descent = Descent::default();
        descent.reserve(n, p);
        let least = problem.fill(&estimates.terms, &mut descent)?;
        let rounding = (f64::EPSILON * problem.length()).powi(2);
        let fixed = |(j, term): (usize, &Term)| {
            let within = term.lower < estimates.terms[j] && estimates.terms[j] < term.upper;
            within && estimates.standard_error(j).is_none()
        };
        let fixed = curve.terms().iter().enumerate().map(fixed).collect();
        (least > rounding && n > p).then(|| Self {
            problem,
            quantity,
            best: &estimates.terms,
            least,
            mean_square: least / (n - p) as f64,
            fixed,
            terms: estimates.terms.to_vec(),
            descent,
        })
    }

    fn restart(&mut self) {
        self.terms.copy_from_slice(self.best);
    }

    /// The value on one side where tau is `factor`; `None` where that side is open.
    ///
    /// Where another start finds less than that at the limit, the walk goes on from there.
    fn limit(&mut self, value: f64, step: f64, factor: f64) -> Option<f64> {
        self.restart();
        let mut from = (value, 0.0);
        for _ in 0..RETURNS {
            let limit = self.walk(from, step * factor, factor)?;
            let Some(tau) = self.less_from_other_starts(limit, factor) else {
                return Some(limit);
            };
            from = (limit, tau);
        }
        None
    }

    /// A tau at a value that is less than `factor`, from one of the curve's own starts.
    fn less_from_other_starts(&mut self, value: f64, factor: f64) -> Option<f64> {
        /// Less by rounding, or by the end of a search, is not less.
        const LESS: f64 = 1e-4;
        let Series { ages_d, values } = self.problem.series;
        if self.terms.len() <= ONE_MINIMUM_TERMS {
            return None;
        }
        (0..OTHER_STARTS).find_map(|attempt| {
            let curve = self.problem.curve;
            if !curve.start(attempt, ages_d, values, &mut self.terms) {
                return None;
            }
            if let Quantity::Term(index) = self.quantity {
                self.terms[index] = value;
            }
            for j in (0..self.terms.len()).filter(|j| self.fixed[*j]) {
                self.terms[j] = self.best[j];
            }
            self.tau(value).filter(|tau| *tau < factor - LESS)
        })
    }

    /// The first crossing beyond a value inside, from the terms that are held there.
    fn walk(&mut self, from: (f64, f64), reach: f64, factor: f64) -> Option<f64> {
        let (mut inside, mut tau_inside) = from;
        let mut kept = self.terms.clone();
        let mut reach = reach;
        let mut shrinks = 0;
        for _ in 0..DOUBLINGS {
            let outside = self.within_range(inside + reach);
            #[expect(clippy::float_cmp, reason = "the end of the range is exactly reached")]
            if outside == inside {
                return None;
            }
            match self.tau(outside) {
                Some(tau) if tau >= factor => {
                    return self.between((inside, tau_inside), (outside, tau), factor, &mut kept);
                }
                Some(tau) => {
                    (inside, tau_inside) = (outside, tau);
                    kept.clone_from(&self.terms);
                    reach *= 2.0;
                }
                // Perhaps too far at once for the minimum to be followed.
                None if shrinks < 6 => {
                    shrinks += 1;
                    self.terms.clone_from(&kept);
                    reach *= 0.25;
                }
                None => return None,
            }
        }
        None
    }

    /// A value of the quantity, no further than the range of its term.
    fn within_range(&self, value: f64) -> f64 {
        match self.quantity {
            Quantity::Term(index) => {
                let term = &self.problem.curve.terms()[index];
                value.clamp(term.lower, term.upper)
            }
            Quantity::Derived(_) => value,
        }
    }

    /// The value between two with tau = `factor`: false position (the Illinois rule).
    /// Each minimum starts from the last one inside: from outside, where a term may have
    /// run away, the way back may be flat.
    fn between(
        &mut self,
        (mut inside, tau_inside): (f64, f64),
        (mut outside, tau_outside): (f64, f64),
        factor: f64,
        kept: &mut Vec<f64>,
    ) -> Option<f64> {
        let (mut below, mut above) = (tau_inside - factor, tau_outside - factor);
        let mut last = 0.0;
        for _ in 0..100 {
            let middle = outside - above * (outside - inside) / (above - below);
            self.terms.copy_from_slice(kept);
            let excess = self.tau(middle)? - factor;
            if excess.abs() < 1e-9 {
                return Some(middle);
            }
            if (outside - inside).abs() <= 1e-13 * outside.abs() {
                return (excess.abs() < CROSSED).then_some(middle);
            }
            if excess < 0.0 {
                (inside, below) = (middle, excess);
                kept.clone_from(&self.terms);
                if last < 0.0 {
                    above *= 0.5;
                }
            } else {
                (outside, above) = (middle, excess);
                if last > 0.0 {
                    below *= 0.5;
                }
            }
            last = excess;
        }
        None
    }

    /// |tau| where the quantity is `value`, and the terms of that minimum; `None` where
    /// no minimum is found.
    fn tau(&mut self, value: f64) -> Option<f64> {
        let sum_of_squares = self.minimise(value)?;
        Some((((sum_of_squares - self.least) / self.mean_square).max(0.0)).sqrt())
    }

    /// The least sum of squares with the quantity at `value`.
    fn minimise(&mut self, value: f64) -> Option<f64> {
        let p = self.terms.len();
        let mut gradient = vec![0.0; p];
        let mut damping = 0.0;
        let mut sum = self.problem.fill(&self.terms, &mut self.descent)?;
        let mut found = self
            .quantity
            .value(self.problem.curve, &self.terms, &mut gradient)?;
        let mut idle = 0;
        for _ in 0..STEPS {
            let normal = self.normal(&gradient);
            let ends = self.ends();
            let gap = value - found;
            let mut trial = None;
            // Damp until the penalised sum falls.
            for _ in 0..40 {
                let Some((step, multiplier)) = normal.step_within(gap, damping, &ends) else {
                    damping = f64::max(10.0 * damping, LEAST_DAMPING);
                    continue;
                };
                let Some(next) = self.moved(&step) else {
                    damping = f64::max(10.0 * damping, LEAST_DAMPING);
                    continue;
                };
                let length = normal.length(&step);
                let penalty = 4.0 * multiplier.abs();
                if let Some((sum_next, found_next, gradient_next)) = self.evaluate(&next) {
                    let before = sum + penalty * gap.abs();
                    let after = sum_next + penalty * (value - found_next).abs();
                    let room = 1e-12 * before.abs();
                    if after <= before + room {
                        trial = Some((next, length, sum_next, found_next, gradient_next));
                        break;
                    }
                }
                if length < SHORT * self.mean_square.sqrt() {
                    break;
                }
                damping = f64::max(10.0 * damping, LEAST_DAMPING);
            }
            let Some((next, length, sum_next, found_next, gradient_next)) = trial else {
                let near = (value - found).abs() <= 1e-7 * value.abs().max(1e-12);
                return near.then_some(sum);
            };
            let gained = sum - sum_next;
            self.terms = next;
            (sum, found, gradient) = (sum_next, found_next, gradient_next);
            damping = if damping < 0.1 * LEAST_DAMPING {
                0.0
            } else {
                0.2 * damping
            };
            let near = (value - found).abs() <= 1e-9 * value.abs().max(1e-12);
            idle = if gained.abs() < IDLE * self.mean_square {
                idle + 1
            } else {
                0
            };
            if near && (length < SHORT * self.mean_square.sqrt() || idle >= IDLE_STEPS) {
                return Some(sum);
            }
        }
        None
    }

    /// The terms after a step; `None` where it multiplies one by too much.
    fn moved(&self, step: &[f64]) -> Option<Vec<f64>> {
        let ranges = self.problem.curve.terms();
        let of = |j: usize| {
            let (term, by) = (self.terms[j], step[j]);
            let multiplies = ranges[j].lower > 0.0 && self.quantity != Quantity::Term(j);
            let ratio = if multiplies { by / term } else { 0.0 };
            let next = if multiplies {
                term * ratio.exp()
            } else {
                term + by
            };
            let next = next.clamp(ranges[j].lower, ranges[j].upper);
            (ratio.abs() <= LONGEST_RATIO).then_some(next)
        };
        (0..self.terms.len()).map(of).collect()
    }

    /// Where each term is in its range.
    fn ends(&self) -> Vec<Place> {
        let terms = self.problem.curve.terms().iter().zip(&self.terms);
        let place = |(term, value): (&Term, &f64)| {
            if *value <= term.lower {
                Place::LowerEnd
            } else if *value >= term.upper {
                Place::UpperEnd
            } else {
                Place::Within
            }
        };
        terms.map(place).collect()
    }

    /// Sum of squares, quantity and gradient at these terms, with the Jacobian left in
    /// the memory; `None` out of the terms' range.
    fn evaluate(&mut self, terms: &[f64]) -> Option<(f64, f64, Vec<f64>)> {
        let ranges = self.problem.curve.terms();
        let inside = |(term, value): (&Term, &f64)| (term.lower..=term.upper).contains(value);
        if !ranges.iter().zip(terms).all(inside) {
            return None;
        }
        let mut gradient = vec![0.0; terms.len()];
        let found = self
            .quantity
            .value(self.problem.curve, terms, &mut gradient)?;
        let sum = self.problem.fill(terms, &mut self.descent)?;
        Some((sum, found, gradient))
    }

    /// The normal equations at the terms that the memory holds, columns scaled.
    fn normal(&self, gradient: &[f64]) -> Normal {
        let p = self.terms.len();
        let n = self.descent.residuals.len();
        let mut rows = DMatrix::from_row_slice(n, p, &self.descent.jacobian);
        let mut lengths = DVector::from_element(p, 1.0);
        for (j, mut column) in rows.column_iter_mut().enumerate() {
            let length = column.norm();
            if length > 0.0 && length.is_finite() {
                lengths[j] = length;
                column /= length;
            }
        }
        let right = rows.tr_mul(&DVector::from_column_slice(&self.descent.residuals));
        let direction = DVector::from_fn(p, |j, _| gradient[j] / lengths[j]);
        let normal = Normal {
            product: rows.tr_mul(&rows),
            right,
            direction,
            lengths,
        };
        normal.without(|j| self.fixed[j])
    }
}
