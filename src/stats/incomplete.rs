//! Incomplete gamma and beta functions: both tails, each with its digits.
//!
//! The leading factor is a Poisson or binomial probability in Loader's form, which loses no
//! digits for large parameters; the rest is a series or a continued fraction. Beyond a
//! parameter of a million the gamma function takes Temme's expansion.
//!
//! # Source
//! Loader, C. (2000), Fast and accurate computation of binomial probabilities (leading
//! factors). Press et al. (2007), Numerical Recipes, 3rd ed., 6.2 and 6.4 (series and
//! continued fractions by Lentz's method). Temme, N. M. (1979), The asymptotic expansion of
//! the incomplete gamma functions, SIAM J. Math. Anal. 10:757-766 (first two terms).
//! Checked against R in `tests/reference/quantiles.rs`.

use libm::lgamma;

const HALF_LOG_2_PI: f64 = 0.918_938_533_204_672_7;
const SQRT_2_PI: f64 = 2.506_628_274_631_000_5;

const GAMMA_OF_3_HALVES: f64 = 0.886_226_925_452_758;

/// Beyond this the continued fraction needs thousands of steps.
const LARGE: f64 = 1.0e6;
/// Steps of a series or a continued fraction at most. Only a beta function of which both
/// parameters are beyond 1e7 would need more, and has fewer digits.
const STEPS: u32 = 20_000;
/// Keeps Lentz's method off a division by zero.
const TINY: f64 = 1e-300;

/// Chances below and above a point.
#[derive(Debug, Clone, Copy)]
pub(super) struct Tails {
    pub(super) lower: f64,
    pub(super) upper: f64,
}

impl Tails {
    fn of_lower(lower: f64) -> Self {
        let lower = lower.clamp(0.0, 1.0);
        Self {
            lower,
            upper: 1.0 - lower,
        }
    }

    fn swapped(self) -> Self {
        Self {
            lower: self.upper,
            upper: self.lower,
        }
    }
}

/// ln Gamma(n + 1) less Stirling's leading terms, (n + 1/2) ln n - n + ln(2 pi) / 2, for n > 0.
fn stirling_error(n: f64) -> f64 {
    if n < 15.0 {
        return lgamma(n + 1.0) - ((n + 0.5) * n.ln() - n + HALF_LOG_2_PI);
    }
    let inverse = 1.0 / (n * n);
    (1.0 / 12.0
        - inverse
            * (1.0 / 360.0
                - inverse
                    * (1.0 / 1260.0
                        - inverse
                            * (1.0 / 1680.0
                                - inverse * (1.0 / 1188.0 - inverse * 691.0 / 360_360.0)))))
        / n
}

/// l - 1 - ln l for l and mu = l - 1, each with its digits: how far l is from 1.
fn distance(l: f64, mu: f64) -> f64 {
    if mu.abs() > 0.2 {
        return mu - l.ln();
    }
    let r = mu / (2.0 + mu);
    let square = r * r;
    let (mut sum, mut power, mut k) = (0.0, r * square, 3.0);
    while (power / k).abs() > f64::EPSILON * 1e-3 * (r * mu).abs() {
        sum += power / k;
        power *= square;
        k += 2.0;
    }
    r * mu - 2.0 * sum
}

/// Lower and upper regularised incomplete gamma function, for a > 0 and x >= 0.
pub(super) fn gamma_tails(a: f64, x: f64) -> Tails {
    if x <= 0.0 {
        return Tails::of_lower(0.0);
    }
    if x.is_infinite() {
        return Tails::of_lower(1.0);
    }
    if a > LARGE {
        return large_gamma(a, x);
    }
    // x^a e^-x / Gamma(a + 1), a Poisson probability.
    let factor = if a.to_bits() == 0.5_f64.to_bits() {
        // The normal distribution's, which is requested most.
        x.sqrt() * (-x).exp() / GAMMA_OF_3_HALVES
    } else if a < 15.0 {
        (a * x.ln() - x - lgamma(a + 1.0)).exp()
    } else {
        (-stirling_error(a) - a * distance(x / a, (x - a) / a)).exp() / (SQRT_2_PI * a.sqrt())
    };
    if x < a + 1.0 {
        let (mut sum, mut term, mut n) = (1.0, 1.0, a);
        for _ in 0..STEPS {
            n += 1.0;
            term *= x / n;
            sum += term;
            if term < sum * 1e-17 {
                break;
            }
        }
        return Tails::of_lower(factor * sum);
    }
    let mut b = x + 1.0 - a;
    let mut c = 1.0 / TINY;
    let mut d = 1.0 / b;
    let mut h = d;
    for step in 1..STEPS {
        let i = f64::from(step);
        let an = -i * (i - a);
        b += 2.0;
        d = 1.0 / not_zero(an * d + b);
        c = not_zero(b + an / c);
        let change = d * c;
        h *= change;
        if (change - 1.0).abs() <= f64::EPSILON {
            break;
        }
    }
    Tails::of_lower(factor * a * h).swapped()
}

/// Temme's expansion, of which the third term is below 1e-15 here.
fn large_gamma(a: f64, x: f64) -> Tails {
    let mu = (x - a) / a;
    let half_square = distance(x / a, mu);
    let eta = (2.0 * half_square).sqrt().copysign(mu);
    let (first, second) = if eta.abs() < 1e-2 {
        (
            -1.0 / 3.0
                + eta * (1.0 / 12.0 - eta * (2.0 / 135.0 - eta * (1.0 / 864.0 + eta / 2835.0))),
            -1.0 / 540.0 - eta / 288.0,
        )
    } else {
        (
            1.0 / mu - 1.0 / eta,
            1.0 / eta.powi(3) - 1.0 / mu.powi(3) - 1.0 / (mu * mu) - 1.0 / (12.0 * mu),
        )
    };
    let density = (-a * half_square).exp() / (SQRT_2_PI * a.sqrt());
    let rest = density * (first + second / a);
    // Half the complementary error function of eta sqrt(a / 2): a normal tail.
    let tail = gamma_tails(0.5, a * half_square);
    let (near, far) = (0.5 * tail.upper, 0.5 + 0.5 * tail.lower);
    if eta < 0.0 {
        Tails::of_lower(near - rest)
    } else if eta > 0.0 {
        Tails::of_lower(near + rest).swapped()
    } else {
        Tails::of_lower(far - rest)
    }
}

fn not_zero(value: f64) -> f64 {
    if value.abs() < TINY { TINY } else { value }
}

/// Lower and upper regularised incomplete beta function at x, for a, b > 0 and
/// y = 1 - x, given apart so that either may be small.
pub(super) fn beta_tails(a: f64, b: f64, x: f64, y: f64) -> Tails {
    if x <= 0.0 {
        return Tails::of_lower(0.0);
    }
    if y <= 0.0 {
        return Tails::of_lower(1.0);
    }
    if x * (a + b + 2.0) >= a + 1.0 {
        return below(b, a, y, x).swapped();
    }
    below(a, b, x, y)
}

/// The lower tail by its continued fraction.
fn below(a: f64, b: f64, x: f64, y: f64) -> Tails {
    let n = a + b;
    // x^a y^b / (a B(a, b)), nearly a binomial probability.
    // n x - a = b x - a y, which loses nothing where x or y is small.
    let excess = b * x - a * y;
    let deviance = a * distance(n / a * x, excess / a) + b * distance(n / b * y, -excess / b);
    let errors = stirling_error(n) - stirling_error(a) - stirling_error(b);
    let factor = (errors - deviance).exp() / SQRT_2_PI * (b / n / a).sqrt();
    let c = 1.0 - excess;
    let (c0, c1) = (b / a, 1.0 + 1.0 / a);
    let (mut p, mut s) = (1.0, a + 1.0);
    // The last two numerators and denominators, scaled so that the last denominator is 1.
    let (mut before, mut last) = ((0.0, 1.0), (1.0, c / c1));
    let mut ratio = c1 / c;
    for step in 1..STEPS {
        let n = f64::from(step);
        let t = n / a;
        let w = n * (b - n) * x;
        let e = a / s;
        let alpha = p * (p + c0) * e * e * w * x;
        let e = (t + 1.0) / (c1 + t + t);
        let beta = n + w / s + e * (c + n * (y + 1.0));
        p = t + 1.0;
        s += 2.0;
        let numerator = alpha * before.0 + beta * last.0;
        let denominator = alpha * before.1 + beta * last.1;
        let next = numerator / denominator;
        before = (last.0 / denominator, last.1 / denominator);
        last = (next, 1.0);
        let change = (next - ratio).abs();
        ratio = next;
        if change <= f64::EPSILON * ratio.abs() {
            break;
        }
    }
    Tails::of_lower(factor * a * ratio)
}
