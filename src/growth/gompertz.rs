//! Gompertz: A exp(-exp(-k (t - ti))).
//!
//! Gompertz B 1825, "On the nature of the function expressive of the law of human
//! mortality", Phil. Trans. R. Soc. 115:513-583; as a growth curve Winsor CP 1932,
//! "The Gompertz curve as a growth curve", PNAS 18:1-8. Form of Tjørve KMC and
//! Tjørve E 2017, PLoS ONE 12(6):e0178691.

use super::Term;
use super::elementary::{BLOCK, exp, exp_each};
use super::linearise::Candidate;
use super::sigmoid::{ASYMPTOTE, At, INFLECTION, RATE, Shape, fixed_shape_start};

/// g = exp(-e) with e = exp(-z).
#[derive(Debug, Clone, Copy)]
pub(super) struct Gompertz;

impl Gompertz {
    /// e = exp(-z), held where exp(-e) is zero anyway so that e exp(-e) is zero
    /// and not infinity times zero. Written so that a NaN stays one.
    #[inline(always)]
    fn e(z: f64) -> f64 {
        Self::held(exp(-z))
    }

    #[inline(always)]
    fn held(e: f64) -> f64 {
        const ZERO_BEYOND: f64 = 750.0;
        if e > ZERO_BEYOND { ZERO_BEYOND } else { e }
    }

    /// e' = -e, so g' = e g and g'' = e (e - 1) g.
    #[inline(always)]
    fn from_e(e: f64, share: f64) -> At {
        let rise = e * share;
        At::fixed(share, rise, rise * (e - 1.0))
    }
}

impl Shape for Gompertz {
    const NAME: &'static str = "gompertz";
    const TERMS: &'static [Term] = &[ASYMPTOTE, RATE, INFLECTION];
    const INFLECTION_Z: Option<f64> = Some(0.0);

    #[inline(always)]
    fn of(_terms: &[f64]) -> Self {
        Self
    }

    #[inline(always)]
    fn share(self, z: f64) -> f64 {
        exp(-Self::e(z))
    }

    #[inline(always)]
    fn at(self, z: f64) -> At {
        let e = Self::e(z);
        Self::from_e(e, exp(-e))
    }

    /// e and g.
    #[inline(always)]
    fn know(self, z: &[f64], [e, share, _]: &mut [[f64; BLOCK]; 3]) {
        let (e, share) = (&mut e[..z.len()], &mut share[..z.len()]);
        for (e, z) in e.iter_mut().zip(z) {
            *e = -z;
        }
        exp_each(e);
        for (share, e) in share.iter_mut().zip(e) {
            *e = Self::held(*e);
            *share = -*e;
        }
        exp_each(share);
    }

    #[inline(always)]
    fn at_known(self, _z: f64, [e, share, _]: [f64; 3]) -> At {
        Self::from_e(e, share)
    }

    #[inline(always)]
    fn inverse(self, share: f64, ln_share: f64) -> (f64, f64) {
        (-(-ln_share).ln(), -ln_share * share)
    }

    #[inline(always)]
    fn rough_argument(self, _share: f64, ln_share: f64) -> f64 {
        -ln_share
    }

    #[inline(always)]
    fn rough_inverse(self, share: f64, _: f64, minus_ln_share: f64, ln: f64) -> (f64, f64) {
        (-ln, minus_ln_share * share)
    }

    fn start(attempt: usize, ages_d: &[f64], values: &[f64]) -> Option<(Candidate, Self)> {
        fixed_shape_start(Self, attempt, ages_d, values)
    }
}
