//! Weibull: A - (A - w0) exp(-(k t)^d), from w0 at age 0 to A.
//!
//! Weibull W 1951, "A statistical distribution function of wide applicability",
//! J. Appl. Mech. 18:293-297; as a growth curve Ratkowsky DA 1983, "Nonlinear
//! Regression Modeling", Marcel Dekker (that it is used there so: from memory).
//!
//! With s = (k t)^d and left = exp(-s), the share of A - w0 still to come:
//!
//! ```text
//! f     = A - (A - w0) left
//! f_A   = 1 - left                 f_w0 = left
//! f_s   = (A - w0) left            s_k = d s / k     s_d = s ln(k t)
//! df/dt = f_s d s / t
//! slope's _k = slope (1 - s) d / k _d = slope (1/d + (1 - s) ln(k t))
//! ```
//!
//! Before hatch (t < 0) the curve stays at w0.

use super::derived::{Landmarks, derived};
use super::linearise::greatest;
use super::pair::Pair;
use super::sigmoid::{ASYMPTOTE, RATE_RANGE};
use super::{Curve, Derived, Term};

/// A, w0, k, d.
static TERMS: [Term; 4] = [
    ASYMPTOTE,
    Term::new("w0", "mass at age 0", "g", 0.0, f64::INFINITY),
    Term::new(
        "k",
        "rate: 1/k is the age at which 63% of the gain is made",
        "1/d",
        RATE_RANGE.0,
        RATE_RANGE.1,
    ),
    Term::new("d", "shape: an inflection where above 1", "", 0.05, 20.0),
];

/// Shapes and ages 1/k (as shares of the time weighed) from which the starts come.
const STARTING_SHAPES: [f64; 6] = [0.7, 1.0, 1.5, 2.0, 3.0, 4.5];
const STARTING_SPANS: [f64; 6] = [0.2, 0.35, 0.5, 0.75, 1.1, 2.0];
/// Least w0 of a start, as a share of the least positive value: from 0 itself no
/// spread that follows the mean could begin.
const LEAST_START: f64 = 0.5;

/// The Weibull growth curve.
#[derive(Debug, Clone, Copy)]
pub(super) struct Weibull;

impl Weibull {
    /// s = (k t)^d and ln(k t); (0, 0) up to age 0, where s ln(k t) tends to 0 too.
    #[inline(always)]
    fn s(age_d: f64, k: f64, d: f64) -> (f64, f64) {
        let kt = k * age_d;
        if kt <= 0.0 {
            return (0.0, 0.0);
        }
        let ln_kt = kt.ln();
        // Beyond exp(-750) = 0 all is over; held so that s left is not infinity times zero.
        let s = (d * ln_kt).exp();
        (if s > 750.0 { 750.0 } else { s }, ln_kt)
    }
}

impl Curve for Weibull {
    fn name(&self) -> &str {
        "weibull"
    }

    fn terms(&self) -> &[Term] {
        &TERMS
    }

    fn value(&self, age_d: f64, terms: &[f64]) -> f64 {
        let (s, _) = Self::s(age_d, terms[2], terms[3]);
        terms[0] - (terms[0] - terms[1]) * (-s).exp()
    }

    fn value_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let (a, w0, k, d) = (terms[0], terms[1], terms[2], terms[3]);
        let (s, ln_kt) = Self::s(age_d, k, d);
        let left = (-s).exp();
        let in_s = (a - w0) * left;
        gradient[0] = 1.0 - left;
        gradient[1] = left;
        gradient[2] = in_s * d * s / k;
        gradient[3] = in_s * s * ln_kt;
        a - in_s
    }

    fn slope_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let (a, w0, k, d) = (terms[0], terms[1], terms[2], terms[3]);
        if age_d < 0.0 {
            gradient.fill(0.0);
            return 0.0;
        }
        let (s, ln_kt) = Self::s(age_d, k, d);
        let left = (-s).exp();
        // d s / t = ds/dt; at age 0 its limit: 0, k or infinity as d is above, at or below 1.
        let in_t = if age_d > 0.0 {
            d * s / age_d
        } else if d > 1.0 {
            0.0
        } else if d < 1.0 {
            f64::INFINITY
        } else {
            k
        };
        let per_gram = left * in_t;
        gradient[0] = per_gram;
        gradient[1] = -per_gram;
        gradient[2] = (a - w0) * per_gram * (1.0 - s) * d / k;
        gradient[3] = (a - w0) * per_gram * (1.0 / d + (1.0 - s) * ln_kt);
        (a - w0) * per_gram
    }

    /// At known k and d the curve is linear in A and w0: f = A (1 - left) + w0 left.
    /// The best shape of each 1/k is one start.
    fn start(&self, attempt: usize, ages_d: &[f64], values: &[f64], terms: &mut [f64]) -> bool {
        let (Some(top), Some(last)) = (greatest(values), ages_d.last()) else {
            return false;
        };
        let positive = values.iter().copied().filter(|y| *y > 0.0);
        let least_w0 = LEAST_START * positive.fold(f64::INFINITY, f64::min);
        let mut starts = [(f64::INFINITY, [f64::NAN; 4]); STARTING_SPANS.len()];
        for (best, span) in starts.iter_mut().zip(STARTING_SPANS) {
            let k = (1.0 / (span * last)).clamp(RATE_RANGE.0, RATE_RANGE.1);
            for d in STARTING_SHAPES {
                let mut pair = Pair::default();
                for (age_d, y) in ages_d.iter().zip(values) {
                    if *y > 0.0 && y.is_finite() {
                        let left = (-Self::s(*age_d, k, d).0).exp();
                        pair.add(1.0 - left, left, y / top);
                    }
                }
                if let Some((a, w0, misfit)) = pair.solve()
                    && misfit < best.0
                    && a > 0.0
                    && a > w0
                    && (a * top).is_finite()
                {
                    let w0_g = if w0 > 0.0 { w0 * top } else { least_w0 };
                    *best = (misfit, [a * top, w0_g, k, d]);
                }
            }
        }
        starts.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        match starts.get(attempt) {
            Some((misfit, start)) if misfit.is_finite() => {
                terms.copy_from_slice(start);
                true
            }
            _ => false,
        }
    }

    fn derived(&self, what: Derived, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        derived(self, what, terms, gradient)
    }
}

impl Landmarks for Weibull {
    fn asymptote(&self, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        gradient.fill(0.0);
        gradient[0] = 1.0;
        Some(terms[0])
    }

    /// s = -ln((A - value) / (A - w0)).
    fn age_at_value(&self, value: f64, terms: &[f64]) -> Option<f64> {
        let (a, w0, k, d) = (terms[0], terms[1], terms[2], terms[3]);
        let made = (value - w0) / (a - w0);
        (made > 0.0 && made < 1.0).then(|| (-(-made).ln_1p()).powf(1.0 / d) / k)
    }

    /// The slope is greatest where s = (d - 1) / d: t = s^(1/d) / k, for d > 1.
    ///
    /// ln t = ln(s) / d - ln k and ds/dd = 1 / d^2, so
    /// t_d = t (1 / (d^3 s) - ln(s) / d^2).
    fn inflection_age(&self, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        let (k, d) = (terms[2], terms[3]);
        if d <= 1.0 {
            return None;
        }
        let s = (d - 1.0) / d;
        let age_d = s.powf(1.0 / d) / k;
        gradient.fill(0.0);
        gradient[2] = -age_d / k;
        gradient[3] = age_d * (1.0 / (d * d * d * s) - s.ln() / (d * d));
        Some(age_d)
    }
}
