//! Every one-phase curve is `A g(k (t - t0))`, where a [`Shape`] defines g.
//!
//! With z = k (t - t0), the chain rule gives everything from g and its first two
//! derivatives in z (primes below), and for a shape with an additional term m
//! from their derivatives in m:
//!
//! ```text
//! f     = A g            f_A = g         f_k = A g' (t - t0)           f_t0 = -A k g'    f_m = A g_m
//! df/dt = A k g'   its   _A  = k g'      _k  = A (g' + z g'')          _t0  = -A k^2 g'' _m  = A k g'_m
//! ```
//!
//! So a curve's file holds its g alone, written so that no age and no term in
//! range makes it overflow.

use std::fmt::Debug;
use std::marker::PhantomData;

use super::derived::{Landmarks, derived};
use super::elementary::BLOCK;
use super::linearise::{self, Candidate};
use super::{Curve, Derived, Term};

/// Range of a rate: slower than 1e-6 a day nothing that lives can be seen to
/// grow, faster than 100 a day no weighing can follow.
pub(super) const RATE_RANGE: (f64, f64) = (1e-6, 100.0);
/// Least asymptote: positive, far below any mass that is weighed.
pub(super) const LEAST_ASYMPTOTE: f64 = 1e-9;

/// How far before the first age a start's zero is put that would lie after it, as a
/// share of the time weighed.
const EARLIER: f64 = 0.01;

pub(super) const ASYMPTOTE: Term = Term::new(
    "A",
    "mature mass (upper asymptote)",
    "g",
    LEAST_ASYMPTOTE,
    f64::INFINITY,
);
pub(super) const RATE: Term = Term::new("k", "rate", "1/d", RATE_RANGE.0, RATE_RANGE.1);
pub(super) const INFLECTION: Term = Term::new(
    "ti",
    "age at the inflection (maximum growth rate)",
    "d",
    f64::NEG_INFINITY,
    f64::INFINITY,
);
pub(super) const ORIGIN: Term = Term::new(
    "t0",
    "age at which the curve would be zero (before hatch, as a rule)",
    "d",
    f64::NEG_INFINITY,
    f64::INFINITY,
);

/// g and its derivatives at one z; those that a caller leaves alone cost nothing
/// once the call is inlined.
#[derive(Debug, Clone, Copy)]
pub(super) struct At {
    /// g, the share of A.
    pub(super) share: f64,
    /// g'.
    pub(super) rise: f64,
    /// g''.
    pub(super) bend: f64,
    /// Derivative of g in the shape's own term (0 where it has none).
    pub(super) share_in_shape: f64,
    /// Derivative of g' in the shape's own term.
    pub(super) rise_in_shape: f64,
}

impl At {
    /// Where nothing has grown and nothing grows.
    pub(super) const NONE: Self = Self::fixed(0.0, 0.0, 0.0);

    /// For a shape that has no additional term.
    #[inline(always)]
    pub(super) const fn fixed(share: f64, rise: f64, bend: f64) -> Self {
        Self {
            share,
            rise,
            bend,
            share_in_shape: 0.0,
            rise_in_shape: 0.0,
        }
    }
}

/// The share of the asymptote as a function g of z = k (t - t0), increasing where it is positive.
pub(super) trait Shape: Copy + Debug + Send + Sync + 'static {
    /// The curve's name.
    const NAME: &'static str;
    /// A, k, t0 (or ti) and, at most, one more that sets the shape.
    const TERMS: &'static [Term];
    /// z at the greatest g'; `None` where g' only falls.
    const INFLECTION_Z: Option<f64>;

    /// Whether it is zero at z = 0 and not positive before.
    const LEAVES_ZERO: bool = false;

    /// The shape that these terms ask for.
    fn of(terms: &[f64]) -> Self;

    /// g alone.
    fn share(self, z: f64) -> f64;

    /// g and its derivatives.
    fn at(self, z: f64) -> At;

    /// The exponentials and logarithms of which [`Shape::at_known`] makes g, of several z
    /// at once. A shape without them leaves them alone.
    #[inline(always)]
    fn know(self, _z: &[f64], _known: &mut [[f64; BLOCK]; 3]) {}

    /// g and its derivatives at a z of which these are known.
    #[inline(always)]
    fn at_known(self, z: f64, _known: [f64; 3]) -> At {
        self.at(z)
    }

    /// z and g' where g is `share`, for 0 < share < 1; its logarithm comes along
    /// because a start has it for nothing.
    fn inverse(self, share: f64, ln_share: f64) -> (f64, f64);

    /// What [`Shape::rough_inverse`] takes the logarithm of.
    #[inline(always)]
    fn rough_argument(self, _share: f64, _ln_share: f64) -> f64 {
        1.0
    }

    /// The same as `inverse` to the few digits that a start needs, from the argument and
    /// its logarithm.
    #[inline(always)]
    fn rough_inverse(self, share: f64, ln_share: f64, _argument: f64, _ln: f64) -> (f64, f64) {
        self.inverse(share, ln_share)
    }

    /// The start of rank `attempt`, best first.
    fn start(attempt: usize, ages_d: &[f64], values: &[f64]) -> Option<(Candidate, Self)>;
}

/// A one-phase curve of a given shape.
#[derive(Debug, Clone, Copy)]
pub(super) struct OnePhase<S>(PhantomData<S>);

impl<S> OnePhase<S> {
    pub(super) const fn new() -> Self {
        Self(PhantomData)
    }
}

/// Value at one age and its gradient, g there already known.
#[inline(always)]
fn value_row<S: Shape>(at: At, age_d: f64, terms: &[f64], row: &mut [f64]) -> f64 {
    let (a, k, since) = (terms[0], terms[1], age_d - terms[2]);
    let a_rise = a * at.rise;
    row[0] = at.share;
    row[1] = a_rise * since;
    row[2] = -a_rise * k;
    if S::TERMS.len() == 4 {
        row[3] = a * at.share_in_shape;
    }
    a * at.share
}

impl<S: Shape> Curve for OnePhase<S> {
    fn name(&self) -> &str {
        S::NAME
    }

    fn terms(&self) -> &[Term] {
        S::TERMS
    }

    fn value(&self, age_d: f64, terms: &[f64]) -> f64 {
        terms[0] * S::of(terms).share(terms[1] * (age_d - terms[2]))
    }

    fn value_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let at = S::of(terms).at(terms[1] * (age_d - terms[2]));
        value_row::<S>(at, age_d, terms, gradient)
    }

    fn slope_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let (a, k) = (terms[0], terms[1]);
        let z = k * (age_d - terms[2]);
        let at = S::of(terms).at(z);
        gradient[0] = k * at.rise;
        gradient[1] = a * (at.rise + z * at.bend);
        gradient[2] = -a * k * k * at.bend;
        if S::TERMS.len() == 4 {
            gradient[3] = a * k * at.rise_in_shape;
        }
        a * k * at.rise
    }

    fn fill(&self, ages_d: &[f64], terms: &[f64], values: &mut [f64], jacobian: &mut [f64]) {
        // What does not depend on age is made once; the row length is a constant here.
        let (shape, p) = (S::of(terms), S::TERMS.len());
        let (mut z, mut known) = ([0.0; BLOCK], [[0.0; BLOCK]; 3]);
        let blocks = ages_d.chunks(BLOCK).zip(values.chunks_mut(BLOCK));
        for ((ages_d, values), rows) in blocks.zip(jacobian.chunks_mut(BLOCK * p)) {
            let z = &mut z[..ages_d.len()];
            for (z, age_d) in z.iter_mut().zip(ages_d) {
                *z = terms[1] * (age_d - terms[2]);
            }
            shape.know(z, &mut known);
            let known = known[0].iter().zip(&known[1]).zip(&known[2]);
            let each = ages_d.iter().zip(values).zip(rows.chunks_exact_mut(p));
            for ((((age_d, value), row), z), ((one, two), three)) in each.zip(z).zip(known) {
                let at = shape.at_known(*z, [*one, *two, *three]);
                *value = value_row::<S>(at, *age_d, terms, row);
            }
        }
    }

    fn start(&self, attempt: usize, ages_d: &[f64], values: &[f64], terms: &mut [f64]) -> bool {
        let Some((candidate, shape)) = S::start(attempt, ages_d, values) else {
            return false;
        };
        terms[0] = candidate.asymptote;
        terms[1] = candidate.rate;
        terms[2] = candidate.origin;
        if S::LEAVES_ZERO
            && let (Some(first), Some(last), Some(value)) =
                (ages_d.first(), ages_d.last(), values.first())
            && *value > 0.0
            && shape.share(candidate.rate * (first - candidate.origin)) <= 0.0
        {
            // A mass that is there cannot be before the curve's zero.
            terms[2] = first - EARLIER * (last - first);
        }
        if let Some(term) = terms.get_mut(3) {
            *term = candidate.shape;
        }
        true
    }

    fn derived(&self, what: Derived, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        derived(self, what, terms, gradient)
    }
}

impl<S: Shape> Landmarks for OnePhase<S> {
    fn asymptote(&self, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        gradient.fill(0.0);
        gradient[0] = 1.0;
        Some(terms[0])
    }

    fn age_at_value(&self, value: f64, terms: &[f64]) -> Option<f64> {
        let share = value / terms[0];
        (share > 0.0 && share < 1.0)
            .then(|| terms[2] + S::of(terms).inverse(share, share.ln()).0 / terms[1])
    }

    fn inflection_age(&self, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        let z = S::INFLECTION_Z?;
        gradient.fill(0.0);
        gradient[1] = -z / (terms[1] * terms[1]);
        gradient[2] = 1.0;
        Some(terms[2] + z / terms[1])
    }
}

/// The start of a shape that has no additional term.
pub(super) fn fixed_shape_start<S: Shape>(
    shape: S,
    attempt: usize,
    ages_d: &[f64],
    values: &[f64],
) -> Option<(Candidate, S)> {
    let mut candidates = linearise::candidates(
        |share, ln_share| shape.rough_argument(share, ln_share),
        |share, ln_share, argument, ln| shape.rough_inverse(share, ln_share, argument, ln),
        ages_d,
        values,
    );
    let candidate = match attempt {
        0 => linearise::refined(&candidates, linearise::per_reach()),
        _ => linearise::of_rank(&mut candidates, attempt),
    };
    candidate.map(|candidate| (candidate, shape))
}
