//! Richards: A (1 + (m - 1) exp(-k (t - ti)))^(1 / (1 - m)).
//!
//! Richards FJ 1959, "A flexible growth function for empirical use", J. Exp. Bot.
//! 10:290-300; the form with ti at the inflection is that of Tjørve KMC and Tjørve E
//! 2017, PLoS ONE 12(6):e0178691. m = 2 is the logistic, m = 1 the gompertz.
//!
//! # Through m = 1 without a seam
//! With d = m - 1, u = exp(-z), x = d u:
//!
//! ```text
//! ln g = -ln(1 + x) / d = -u L(x),   L(x) = ln(1 + x) / x = 1 - x/2 + x^2/3 - ...
//! ```
//!
//! L is smooth at 0 and `ln_1p` gives it to full precision on both sides, so m = 1
//! is no special case. The derivatives:
//!
//! ```text
//! g'   = g u / (1 + x)
//! g''  = g' (u - 1) / (1 + x)
//! g_m  = -g u^2 L'(x)
//! g'_m = g' (-u^2 L'(x) - u / (1 + x))
//! L'(x) = (x / (1 + x) - ln(1 + x)) / x^2 = -1/2 + 2x/3 - 3x^2/4 + ...
//! ```
//!
//! Only L' cancels near 0; its series is used there. For m < 1 the curve leaves
//! zero at the age where 1 + x = 0 and is zero before.

use super::Term;
use super::elementary::{BLOCK, exp, exp_each};
use super::linearise::{self, Candidate};
use super::sigmoid::{ASYMPTOTE, At, INFLECTION, RATE, Shape};

/// g with its d = m - 1.
#[derive(Debug, Clone, Copy)]
pub(super) struct Richards {
    d: f64,
}

impl Richards {
    /// u = exp(-z), held where u^2 is still finite.
    #[inline(always)]
    fn u(z: f64) -> f64 {
        Self::held(exp(-z))
    }

    #[inline(always)]
    fn held(u: f64) -> f64 {
        const GREATEST: f64 = 1e150;
        if u > GREATEST { GREATEST } else { u }
    }

    /// g and its derivatives from u, x, ln(1 + x) and g.
    #[inline(always)]
    fn with_share(self, u: f64, x: f64, ln_1p: f64, share: f64) -> At {
        let per = 1.0 / (1.0 + x);
        let rise = share * u * per;
        let in_shape = -self.share_in_shape(u, x, ln_1p);
        At {
            share,
            rise,
            bend: rise * (u - 1.0) * per,
            share_in_shape: share * in_shape,
            rise_in_shape: rise * (in_shape - u * per),
        }
    }

    /// -ln g and x; `None` before the age at which a curve with m < 1 leaves zero.
    #[inline(always)]
    fn minus_ln_share(self, u: f64) -> Option<(f64, f64, f64)> {
        let x = self.d * u;
        if x <= -1.0 {
            return None;
        }
        let ln_1p = x.ln_1p();
        // x is 0 where d is, or where u has underflown: L(0) = 1.
        let minus_ln = if x == 0.0 { u } else { ln_1p / self.d };
        Some((minus_ln, x, ln_1p))
    }

    /// u^2 L'(x).
    #[inline(always)]
    fn share_in_shape(self, u: f64, x: f64, ln_1p: f64) -> f64 {
        // At 0.02 the closed form has lost a factor 1 / x of its 16 digits, and the
        // series' first term left out is 10 x^9 / 11, below rounding.
        const SERIES_BELOW: f64 = 0.02;
        if x.abs() < SERIES_BELOW {
            let mut sum = 0.0;
            for n in (1..=9u8).rev() {
                let n = f64::from(n);
                sum = n / (n + 1.0) - x * sum;
            }
            -u * u * sum
        } else {
            (x / (1.0 + x) - ln_1p) / (self.d * self.d)
        }
    }
}

impl Shape for Richards {
    const NAME: &'static str = "richards";
    const TERMS: &'static [Term] = &[
        ASYMPTOTE,
        RATE,
        INFLECTION,
        Term::new(
            "m",
            "shape: 1 gompertz, 2 logistic; the inflection is at m^(1/(1-m)) of A",
            "",
            0.01,
            50.0,
        ),
    ];
    const INFLECTION_Z: Option<f64> = Some(0.0);

    #[inline(always)]
    fn of(terms: &[f64]) -> Self {
        Self { d: terms[3] - 1.0 }
    }

    #[inline(always)]
    fn share(self, z: f64) -> f64 {
        self.minus_ln_share(Self::u(z))
            .map_or(0.0, |(minus_ln, ..)| exp(-minus_ln))
    }

    #[inline(always)]
    fn at(self, z: f64) -> At {
        let u = Self::u(z);
        let Some((minus_ln, x, ln_1p)) = self.minus_ln_share(u) else {
            return At::fixed(0.0, 0.0, 0.0);
        };
        self.with_share(u, x, ln_1p, exp(-minus_ln))
    }

    /// u, ln(1 + x) and g.
    #[inline(always)]
    fn know(self, z: &[f64], [u, ln_1p, share]: &mut [[f64; BLOCK]; 3]) {
        let (u, share) = (&mut u[..z.len()], &mut share[..z.len()]);
        for (u, z) in u.iter_mut().zip(z) {
            *u = -z;
        }
        exp_each(u);
        for ((u, ln_1p), share) in u.iter_mut().zip(ln_1p).zip(&mut *share) {
            *u = Self::held(*u);
            // Before the age at which a curve with m < 1 leaves zero there is none of it.
            let (minus_ln, _, ln) = self.minus_ln_share(*u).unwrap_or_default();
            (*ln_1p, *share) = (ln, -minus_ln);
        }
        exp_each(share);
    }

    #[inline(always)]
    fn at_known(self, _z: f64, [u, ln_1p, share]: [f64; 3]) -> At {
        let x = self.d * u;
        if x <= -1.0 {
            return At::NONE;
        }
        self.with_share(u, x, ln_1p, share)
    }

    /// u = (share^-d - 1) / d, by the same limit at d = 0.
    fn inverse(self, share: f64, ln_share: f64) -> (f64, f64) {
        let x = (-self.d * ln_share).exp_m1();
        let u = if x == 0.0 { -ln_share } else { x / self.d };
        (-u.ln(), share * u / (1.0 + x))
    }

    fn start(attempt: usize, ages_d: &[f64], values: &[f64]) -> Option<(Candidate, Self)> {
        // u = (share^-d - 1) / d for shapes whose power of a share needs no exp: m of 1,
        // 1.5, 2 and 3; z = -ln u and g' = g u / (1 + d u).
        let of_power = |d: f64, power: fn(f64) -> f64| {
            linearise::candidates(
                |share, _| (power(share) - 1.0) / d,
                |share, _, u, ln_u| (-ln_u, share * u / (1.0 + d * u)),
                ages_d,
                values,
            )
        };
        let mut best = [
            (
                1.0,
                linearise::candidates(
                    |_, ln_share| -ln_share,
                    |share, _, u, ln_u| (-ln_u, share * u),
                    ages_d,
                    values,
                ),
            ),
            (1.5, of_power(0.5, |share| 1.0 / share.sqrt())),
            (2.0, of_power(1.0, |share| 1.0 / share)),
            (3.0, of_power(2.0, |share| 1.0 / (share * share))),
        ]
        .map(|(m, candidates)| {
            linearise::refined(&candidates, linearise::per_reach())
                .map(|c| Candidate { shape: m, ..c })
        });
        let candidate = match attempt {
            0 => linearise::refined(&best, [1.0, 1.5, 2.0, 3.0])?,
            _ => linearise::of_rank(&mut best, attempt)?,
        };
        let shape = Self {
            d: candidate.shape - 1.0,
        };
        Some((candidate, shape))
    }
}
