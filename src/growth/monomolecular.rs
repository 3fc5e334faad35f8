//! Monomolecular: A (1 - exp(-k (t - t0))); the gain falls from the start, no inflection.
//!
//! Mitscherlich EA 1909, Landw. Jahrb. 38:537-552; as a growth curve Brody S 1945,
//! "Bioenergetics and Growth", Reinhold, New York.

use super::Term;
use super::linearise::Candidate;
use super::sigmoid::{ASYMPTOTE, At, ORIGIN, RATE, Shape, fixed_shape_start};

/// g = 1 - exp(-z).
#[derive(Debug, Clone, Copy)]
pub(super) struct Monomolecular;

impl Shape for Monomolecular {
    const NAME: &'static str = "monomolecular";
    const TERMS: &'static [Term] = &[ASYMPTOTE, RATE, ORIGIN];
    const INFLECTION_Z: Option<f64> = None;
    const LEAVES_ZERO: bool = true;

    #[inline(always)]
    fn of(_terms: &[f64]) -> Self {
        Self
    }

    #[inline(always)]
    fn share(self, z: f64) -> f64 {
        -(-z).exp_m1()
    }

    #[inline(always)]
    fn at(self, z: f64) -> At {
        let left = (-z).exp();
        At::fixed(1.0 - left, left, -left)
    }

    #[inline(always)]
    fn inverse(self, share: f64, _ln_share: f64) -> (f64, f64) {
        (-(-share).ln_1p(), 1.0 - share)
    }

    fn start(attempt: usize, ages_d: &[f64], values: &[f64]) -> Option<(Candidate, Self)> {
        fixed_shape_start(Self, attempt, ages_d, values)
    }
}
