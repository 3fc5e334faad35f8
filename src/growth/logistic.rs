//! Logistic: A / (1 + exp(-k (t - ti))).
//!
//! Verhulst P-F 1838, "Notice sur la loi que la population suit dans son
//! accroissement", Corresp. Math. Phys. 10:113-121.

use super::Term;
use super::elementary::{BLOCK, exp, exp_each};
use super::linearise::Candidate;
use super::sigmoid::{ASYMPTOTE, At, INFLECTION, RATE, Shape, fixed_shape_start};

/// g = 1 / (1 + exp(-z)).
#[derive(Debug, Clone, Copy)]
pub(super) struct Logistic;

impl Logistic {
    /// With s = exp(-|z|): g' = s / (1 + s)^2 on both sides of 0, so nothing
    /// overflows and nothing cancels; g'' = g' (1 - 2 g).
    #[inline(always)]
    fn from_s(s: f64, z: f64) -> At {
        let upper = 1.0 / (1.0 + s);
        let rise = s * upper * upper;
        // 1 - 2 g = -tanh(z / 2).
        let bend = rise * (s - 1.0) * upper * 1f64.copysign(z);
        At::fixed(if z < 0.0 { s * upper } else { upper }, rise, bend)
    }
}

impl Shape for Logistic {
    const NAME: &'static str = "logistic";
    const TERMS: &'static [Term] = &[ASYMPTOTE, RATE, INFLECTION];
    const INFLECTION_Z: Option<f64> = Some(0.0);

    #[inline(always)]
    fn of(_terms: &[f64]) -> Self {
        Self
    }

    #[inline(always)]
    fn share(self, z: f64) -> f64 {
        1.0 / (1.0 + exp(-z))
    }

    #[inline(always)]
    fn at(self, z: f64) -> At {
        Self::from_s(exp(-z.abs()), z)
    }

    /// s.
    #[inline(always)]
    fn know(self, z: &[f64], [s, ..]: &mut [[f64; BLOCK]; 3]) {
        let s = &mut s[..z.len()];
        for (s, z) in s.iter_mut().zip(z) {
            *s = -z.abs();
        }
        exp_each(s);
    }

    #[inline(always)]
    fn at_known(self, z: f64, [s, ..]: [f64; 3]) -> At {
        Self::from_s(s, z)
    }

    #[inline(always)]
    fn inverse(self, share: f64, _ln_share: f64) -> (f64, f64) {
        ((share / (1.0 - share)).ln(), share * (1.0 - share))
    }

    #[inline(always)]
    fn rough_argument(self, share: f64, _ln_share: f64) -> f64 {
        1.0 - share
    }

    #[inline(always)]
    fn rough_inverse(self, share: f64, ln_share: f64, left: f64, ln: f64) -> (f64, f64) {
        (ln_share - ln, share * left)
    }

    fn start(attempt: usize, ages_d: &[f64], values: &[f64]) -> Option<(Candidate, Self)> {
        fixed_shape_start(Self, attempt, ages_d, values)
    }
}
