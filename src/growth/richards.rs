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
use super::linearise::{self, Candidate};
use super::sigmoid::{ASYMPTOTE, At, INFLECTION, RATE, Shape};

/// The m of each start: what a start can tell apart in 12 weighings.
const STARTING_SHAPES: [f64; 5] = [1.0, 1.5, 2.0, 3.5, 0.7];

/// g with its d = m - 1.
#[derive(Debug, Clone, Copy)]
pub(super) struct Richards {
    d: f64,
}

impl Richards {
    /// u = exp(-z), held where u^2 is still finite.
    #[inline(always)]
    fn u(z: f64) -> f64 {
        const GREATEST: f64 = 1e150;
        let u = (-z).exp();
        if u > GREATEST { GREATEST } else { u }
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
            .map_or(0.0, |(minus_ln, ..)| (-minus_ln).exp())
    }

    #[inline(always)]
    fn at(self, z: f64) -> At {
        let u = Self::u(z);
        let Some((minus_ln, x, ln_1p)) = self.minus_ln_share(u) else {
            return At::fixed(0.0, 0.0, 0.0);
        };
        let share = (-minus_ln).exp();
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

    /// u = (share^-d - 1) / d.
    #[inline(always)]
    fn inverse(self, share: f64, ln_share: f64) -> (f64, f64) {
        let x = (-self.d * ln_share).exp_m1();
        let u = if x == 0.0 { -ln_share } else { x / self.d };
        (-u.ln(), share * u / (1.0 + x))
    }

    fn start(attempt: usize, ages_d: &[f64], values: &[f64]) -> Option<(Candidate, Self)> {
        let mut best = STARTING_SHAPES.map(|m| {
            let mut candidates = linearise::candidates(Self { d: m - 1.0 }, ages_d, values);
            linearise::of_rank(&mut candidates, 0).map(|c| Candidate { shape: m, ..c })
        });
        let candidate = linearise::of_rank(&mut best, attempt)?;
        let shape = Self {
            d: candidate.shape - 1.0,
        };
        Some((candidate, shape))
    }
}
