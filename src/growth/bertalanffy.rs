//! Von Bertalanffy for mass: A (1 - exp(-k (t - t0)))^3.
//!
//! von Bertalanffy L 1957, "Quantitative laws in metabolism and growth",
//! Q. Rev. Biol. 32:217-231: length is monomolecular, mass its cube.

use super::Term;
use super::linearise::Candidate;
use super::sigmoid::{ASYMPTOTE, At, ORIGIN, RATE, Shape, fixed_shape_start};

/// g = (1 - u)^3 with u = exp(-z).
#[derive(Debug, Clone, Copy)]
pub(super) struct Bertalanffy;

impl Shape for Bertalanffy {
    const NAME: &'static str = "bertalanffy";
    const TERMS: &'static [Term] = &[ASYMPTOTE, RATE, ORIGIN];
    /// g'' = 3 u (1 - u) (3 u - 1) is zero at u = 1/3: z = ln 3.
    const INFLECTION_Z: Option<f64> = Some(1.098_612_288_668_109_8);
    const LEAVES_ZERO: bool = true;

    #[inline(always)]
    fn of(_terms: &[f64]) -> Self {
        Self
    }

    #[inline(always)]
    fn share(self, z: f64) -> f64 {
        let length = -(-z).exp_m1();
        length * length * length
    }

    #[inline(always)]
    fn at(self, z: f64) -> At {
        let u = (-z).exp();
        let length = 1.0 - u;
        At::fixed(
            length * length * length,
            3.0 * length * length * u,
            3.0 * u * length * (3.0 * u - 1.0),
        )
    }

    #[inline(always)]
    fn inverse(self, _share: f64, ln_share: f64) -> (f64, f64) {
        let length = (ln_share / 3.0).exp();
        let u = 1.0 - length;
        (-u.ln(), 3.0 * length * length * u)
    }

    fn start(attempt: usize, ages_d: &[f64], values: &[f64]) -> Option<(Candidate, Self)> {
        fixed_shape_start(Self, attempt, ages_d, values)
    }
}
