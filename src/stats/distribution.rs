//! Tail probabilities and quantiles of the normal, t, chi-squared, F and beta distributions.
//!
//! The one place for them: every p value and every limit of the program comes from here. The
//! normal rests on the error function of libm and its inverse in statrs, the others on the
//! incomplete gamma and beta functions of [`incomplete`](super::incomplete) (those of statrs
//! lose digits from 1e5 degrees of freedom on, and its error function far out in the tail); t
//! with many degrees of freedom on a transformation to the normal. Quantiles are roots of the
//! smaller tail. They agree with R over 0.5 to 1e12 degrees of freedom and tails from 1e-300
//! (`tests/reference/quantiles.rs`, with the precision).
//!
//! Degrees of freedom are positive and need not be whole, infinitely many are the limit;
//! probabilities lie in [0, 1] (0 and 1 give the ends of the support). Where no degree of
//! freedom is left (0 or less, or no number) nothing is known of the spread: p values are 1
//! and quantiles of t, chi-squared and F lie at the end of the support.

use std::f64::consts::SQRT_2;

use libm::lgamma;
use statrs::function::erf::{erf_inv, erfc_inv};

use super::incomplete::{Tails, beta_tails, gamma_tails};

const SQRT_2_PI: f64 = 2.506_628_274_631_000_5;

/// Beyond this the transformation of t has all digits.
const MANY_DEGREES_OF_FREEDOM: f64 = 3.0e4;

/// From here on 1 + t^2 / df is t^2 / df to all digits.
const FAR_OUT: f64 = 1.0e9;

/// Density of the standard normal.
#[must_use]
pub fn normal_density(z: f64) -> f64 {
    (-0.5 * z * z).exp() / SQRT_2_PI
}

/// Probability that a standard normal exceeds `z`.
#[must_use]
pub fn normal_upper(z: f64) -> f64 {
    0.5 * libm::erfc(z / SQRT_2)
}

/// Probability that a standard normal stays below `z`.
#[must_use]
pub fn normal_lower(z: f64) -> f64 {
    normal_upper(-z)
}

/// Value that a standard normal stays below with chance `p`.
#[must_use]
pub fn normal_quantile(p: f64) -> f64 {
    if p < 0.5 {
        -SQRT_2 * erfc_inv(2.0 * p)
    } else {
        SQRT_2 * erf_inv(2.0 * p - 1.0)
    }
}

/// Probability that Student's t exceeds `t`.
///
/// # Source
/// Many degrees of freedom: Hill, G. W. (1970), Algorithm 395, Student's t-distribution,
/// Communications of the ACM 13:617-619, which makes a standard normal of t.
#[must_use]
pub fn t_upper(t: f64, df: f64) -> f64 {
    if t < 0.0 {
        return 1.0 - t_upper(-t, df);
    }
    if !is_positive(df) {
        return 0.5;
    }
    if df.is_infinite() {
        return normal_upper(t);
    }
    if df > MANY_DEGREES_OF_FREEDOM {
        return normal_upper(hill(t, df));
    }
    let ratio = t / df.sqrt();
    if ratio > FAR_OUT {
        // The one term of the series that is left.
        let log_constant =
            lgamma(0.5 * (df + 1.0)) - lgamma(0.5 * df) - 0.5 * std::f64::consts::PI.ln();
        return (log_constant - df.ln() - df * ratio.ln()).exp();
    }
    let square = ratio * ratio;
    let (x, y) = if ratio > 1.0 {
        let inverse = (1.0 / ratio).powi(2);
        (inverse / (1.0 + inverse), 1.0 / (1.0 + inverse))
    } else {
        (1.0 / (1.0 + square), square / (1.0 + square))
    };
    0.5 * beta_tails(0.5 * df, 0.5, x, y).lower
}

/// Hill's standard normal of a positive t.
fn hill(t: f64, df: f64) -> f64 {
    let a = df - 0.5;
    let b = 48.0 * a * a;
    let square = a * (t * (t / df)).ln_1p();
    if square > 1.0e4 {
        // No tail is left, and the rest would overflow.
        return square.sqrt();
    }
    let bent = (((-0.4 * square - 3.3) * square - 24.0) * square - 85.5)
        / (0.8 * square * square + 100.0 + b);
    square.sqrt() * (1.0 + (bent + square + 3.0) / b)
}

/// Probability that Student's t lies further from 0 than `t`: the two-sided p value.
#[must_use]
pub fn t_two_sided(t: f64, df: f64) -> f64 {
    (2.0 * t_upper(t.abs(), df)).min(1.0)
}

/// Value that Student's t stays below with chance `p`.
#[must_use]
pub fn t_quantile(p: f64, df: f64) -> f64 {
    if p < 0.5 {
        -t_upper_quantile(p, df)
    } else if p > 0.5 {
        t_upper_quantile(1.0 - p, df)
    } else {
        0.0
    }
}

/// Half width in standard errors of a two-sided interval of the given level.
#[must_use]
pub fn t_two_sided_quantile(level: f64, df: f64) -> f64 {
    t_quantile(0.5 + 0.5 * level, df)
}

fn t_upper_quantile(tail: f64, df: f64) -> f64 {
    if tail <= 0.0 || !is_positive(df) {
        return f64::INFINITY;
    }
    if df.is_infinite() {
        return -normal_quantile(tail);
    }
    positive_root(
        -normal_quantile(tail),
        |t| t_upper(t, df),
        tail,
        Tail::Upper,
    )
}

/// Both tails of chi-squared.
fn chi_squared_tails(x: f64, df: f64) -> Tails {
    gamma_tails(0.5 * df, 0.5 * x)
}

/// Probability that chi-squared exceeds `x`.
#[must_use]
pub fn chi_squared_upper(x: f64, df: f64) -> f64 {
    if x <= 0.0 || !is_positive(df) || df.is_infinite() {
        return 1.0;
    }
    chi_squared_tails(x, df).upper
}

/// Value that chi-squared stays below with chance `p`.
#[must_use]
pub fn chi_squared_quantile(p: f64, df: f64) -> f64 {
    if p <= 0.0 {
        return 0.0;
    }
    if p >= 1.0 || !is_positive(df) || df.is_infinite() {
        return f64::INFINITY;
    }
    let (tail, side) = smaller_tail(p);
    let chance = |x| side.of(chi_squared_tails(x, df));
    positive_root(wilson_hilferty(p, df), chance, tail, side)
}

fn wilson_hilferty(p: f64, df: f64) -> f64 {
    let step = 2.0 / (9.0 * df);
    let cube = 1.0 - step + normal_quantile(p) * step.sqrt();
    (df * cube.powi(3)).max(1e-3 * df)
}

/// Degrees of freedom of F beyond this change no digit.
const INFINITELY_MANY: f64 = 1.0e15;

/// Both tails of F: of a beta variable x with 1 - x.
fn f_tails(f: f64, df_1: f64, df_2: f64) -> Tails {
    let (df_1, df_2) = (df_1.min(INFINITELY_MANY), df_2.min(INFINITELY_MANY));
    let ratio = f * (df_1 / df_2);
    let (x, y) = if ratio > 1.0 {
        let inverse = 1.0 / ratio;
        (1.0 / (1.0 + inverse), inverse / (1.0 + inverse))
    } else {
        (ratio / (1.0 + ratio), 1.0 / (1.0 + ratio))
    };
    beta_tails(0.5 * df_1, 0.5 * df_2, x, y)
}

/// Probability that F with `df_1` and `df_2` degrees of freedom exceeds `x`.
#[must_use]
pub fn f_upper(x: f64, df_1: f64, df_2: f64) -> f64 {
    if x <= 0.0 || !is_positive(df_1) || !is_positive(df_2) {
        return 1.0;
    }
    f_tails(x, df_1, df_2).upper
}

/// Value that F stays below with chance `p`.
#[must_use]
pub fn f_quantile(p: f64, df_1: f64, df_2: f64) -> f64 {
    if p <= 0.0 {
        return 0.0;
    }
    if p >= 1.0 || !is_positive(df_1) || !is_positive(df_2) {
        return f64::INFINITY;
    }
    let (tail, side) = smaller_tail(p);
    positive_root(1.0, |x| side.of(f_tails(x, df_1, df_2)), tail, side)
}

/// Probability that a beta variable with shapes `a` and `b`, both positive, stays below `x`.
#[must_use]
pub fn beta_lower(x: f64, a: f64, b: f64) -> f64 {
    beta_tails(a, b, x, 1.0 - x).lower
}

/// Whether there are degrees of freedom at all; false for NaN.
fn is_positive(df: f64) -> bool {
    // A smaller one is none: its half would not be a number of full precision.
    df > 1e-290
}

/// The smaller of the two tails that `p` stands for.
fn smaller_tail(p: f64) -> (f64, Tail) {
    if p < 0.5 {
        (p, Tail::Lower)
    } else {
        (1.0 - p, Tail::Upper)
    }
}

/// Log of the normal density; used where the density itself underflows.
#[must_use]
pub fn normal_log_density(z: f64) -> f64 {
    -0.5 * z * z - SQRT_2_PI.ln()
}

/// Log of the chance that a standard normal exceeds `z`, also where that underflows.
#[must_use]
pub fn normal_log_upper(z: f64) -> f64 {
    if z < 30.0 {
        return normal_upper(z).ln();
    }
    // Asymptotic series (Abramowitz & Stegun 26.2.12); at z = 30 the term left out is below 1e-14.
    let inverse = 1.0 / (z * z);
    let series =
        1.0 - inverse * (1.0 - 3.0 * inverse * (1.0 - 5.0 * inverse * (1.0 - 7.0 * inverse)));
    normal_log_density(z) - z.ln() + series.ln()
}

#[derive(Clone, Copy)]
pub(super) enum Tail {
    Lower,
    Upper,
}

impl Tail {
    fn of(self, tails: Tails) -> f64 {
        match self {
            Self::Lower => tails.lower,
            Self::Upper => tails.upper,
        }
    }
}

/// Solves `chance(x) = p` for positive x, `chance` being monotone in x.
///
/// Secant steps of ln chance on ln x, in which every tail here is nearly straight,
/// kept in a bracket that is halved whenever a step would leave it.
pub(super) fn positive_root(start: f64, chance: impl Fn(f64) -> f64, p: f64, tail: Tail) -> f64 {
    let sign = match tail {
        Tail::Lower => 1.0,
        Tail::Upper => -1.0,
    };
    // Rising in ln x for either tail; an underflowed chance counts as very small.
    let height = |u: f64| sign * (chance(u.exp()).max(f64::MIN_POSITIVE).ln() - p.ln());
    let start = if start.is_finite() && start > 0.0 {
        start.ln()
    } else {
        0.0
    };
    let (mut low, mut high) = (start - 1e-3, start + 1e-3);
    let (mut at_low, mut at_high) = (height(low), height(high));
    let mut reach = 0.01;
    while at_low > 0.0 && low > -700.0 {
        low -= reach;
        at_low = height(low);
        reach *= 2.0;
    }
    reach = 0.01;
    while at_high < 0.0 && high < 700.0 {
        high += reach;
        at_high = height(high);
        reach *= 2.0;
    }
    for step in 0..200 {
        let width = high - low;
        if width <= 4.0 * f64::EPSILON * low.abs().max(1.0) {
            break;
        }
        let secant = low - at_low * width / (at_high - at_low);
        // Every third step halves, so that a bent curve cannot stall the secant.
        let middle = if step % 3 == 2 || !secant.is_finite() || secant <= low || secant >= high {
            f64::midpoint(low, high)
        } else {
            secant
        };
        let value = height(middle);
        if value.abs() < 4.0 * f64::EPSILON {
            return middle.exp();
        }
        if value < 0.0 {
            (low, at_low) = (middle, value);
        } else {
            (high, at_high) = (middle, value);
        }
    }
    f64::midpoint(low, high).exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative error allowed: a hundred times what the comparison with R leaves.
    const RELATIVE: f64 = 1e-12;

    #[track_caller]
    fn close(found: f64, expected: f64, relative: f64) {
        let error = (found - expected).abs() / expected.abs();
        assert!(
            error <= relative,
            "{found} for {expected}: relative error {error:e}"
        );
    }

    // Expected values: mpmath 1.4.1, 30 digits, bisection on its incomplete
    // gamma and beta functions.
    #[test]
    fn normal_tails_hold_their_digits() {
        close(normal_upper(2.0), 0.022_750_131_948_179_21, RELATIVE);
        close(normal_upper(8.0), 6.220_960_574_271_784e-16, RELATIVE);
        close(normal_upper(37.0), 5.725_571_222_524_577e-300, RELATIVE);
        close(normal_lower(0.5), 0.691_462_461_274_013_1, RELATIVE);
        close(normal_quantile(1e-10), -6.361_340_902_404_056, RELATIVE);
        close(normal_log_upper(29.0), -424.787_419_909_730_2, RELATIVE);
        close(normal_log_upper(31.0), -484.853_963_627_179_3, RELATIVE);
        close(normal_log_upper(40.0), -804.608_442_013_753_8, RELATIVE);
    }

    #[test]
    fn t_quantiles_and_tails() {
        close(t_quantile(1e-8, 1.0), -31_830_988.618_379_056, RELATIVE);
        close(t_quantile(0.975, 1.0), 12.706_204_736_174_69, RELATIVE);
        close(t_quantile(1e-8, 2.5), -1_389.227_583_027_538, RELATIVE);
        close(t_quantile(0.9999, 12.0), 5.263_273_007_826_034, RELATIVE);
        close(t_quantile(0.975, 100.0), 1.983_971_518_523_552, RELATIVE);
        close(t_quantile(0.975, 1e4), 1.960_201_239_890_626, RELATIVE);
        close(t_upper(10.0, 12.0), 1.790_661_843_836_187_3e-7, RELATIVE);
        // scipy 1.17.1 (accurate to about 1e-12 here)
        close(t_upper(2.0, 1e7), 0.022_750_145_445_921_48, 1e-11);
        close(t_quantile(0.025, 1e7), -1.959_964_221_767_205_5, 1e-11);
        close(t_quantile(1e-8, 1e7), -5.612_005_803_165_477, 1e-11);
    }

    #[test]
    fn the_transformation_of_t_meets_the_beta_function() {
        for t in [0.1, 1.0, 2.0, 4.0, 20.0] {
            let (x, y) = (1.0 / (1.0 + t * t / 3e4), t * t / 3e4 / (1.0 + t * t / 3e4));
            let exact = 0.5 * beta_tails(1.5e4, 0.5, x, y).lower;
            close(normal_upper(hill(t, 3e4)), exact, RELATIVE);
        }
    }

    #[test]
    fn the_normal_tail_meets_the_incomplete_gamma_function() {
        for step in 0..760 {
            let z = f64::from(step) / 20.0;
            let tails = gamma_tails(0.5, 0.5 * z * z);
            // exp(-z^2 / 2) without splitting loses z^2 / 2 ulps: 1.6e-13 at z = 38.
            close(normal_upper(z), 0.5 * tails.upper, 3e-13);
            close(normal_lower(z), 0.5 + 0.5 * tails.lower, 1e-15);
        }
    }

    #[test]
    fn no_number_gives_none_that_is_no_number() {
        let edges = [
            0.0,
            -0.0,
            5e-324,
            1e-300,
            0.5,
            1.0,
            2.0,
            1e6,
            1e12,
            1e300,
            f64::MAX,
            f64::INFINITY,
            -1.0,
            -1e300,
            f64::NEG_INFINITY,
        ];
        for a in edges {
            let one = [
                normal_upper(a),
                normal_lower(a),
                normal_quantile(a),
                normal_density(a),
            ];
            assert!(one.iter().all(|value| !value.is_nan()), "{a}: {one:?}");
            for b in edges {
                let two = [
                    t_upper(a, b),
                    t_two_sided(a, b),
                    t_quantile(a, b),
                    t_two_sided_quantile(a, b),
                    chi_squared_upper(a, b),
                    chi_squared_quantile(a, b),
                ];
                assert!(two.iter().all(|value| !value.is_nan()), "{a} {b}: {two:?}");
                // Both degrees of freedom beyond all use would take their time.
                for c in [0.0, 0.5, 2.0, 1e6, -1.0] {
                    let three = [f_upper(a, b, c), f_quantile(a, b, c)];
                    assert!(
                        three.iter().all(|value| !value.is_nan()),
                        "{a} {b} {c}: {three:?}"
                    );
                }
            }
        }
    }

    #[test]
    fn chi_squared_quantiles() {
        close(
            chi_squared_quantile(1e-6, 1.0),
            1.570_796_326_795_686_5e-12,
            RELATIVE,
        );
        close(
            chi_squared_quantile(0.025, 6.0),
            1.237_344_245_791_202_6,
            RELATIVE,
        );
        close(
            chi_squared_quantile(0.9999, 30.0),
            67.632_630_257_414_39,
            RELATIVE,
        );
        close(
            chi_squared_quantile(0.975, 1000.0),
            1_089.530_912_774_913_5,
            RELATIVE,
        );
        close(
            chi_squared_upper(20.0, 1.0),
            7.744_216_431_044_084e-6,
            RELATIVE,
        );
    }

    #[test]
    fn f_quantiles() {
        close(
            f_quantile(0.001, 1.0, 5.0),
            1.734_892_602_569_215_7e-6,
            RELATIVE,
        );
        close(
            f_quantile(0.975, 6.0, 27.0),
            2.922_831_160_132_631,
            RELATIVE,
        );
        close(
            f_quantile(0.9999, 30.0, 200.0),
            2.485_270_908_051_985,
            RELATIVE,
        );
        close(f_upper(50.0, 6.0, 27.0), 2.281_507_162_303_34e-13, RELATIVE);
    }

    #[test]
    fn ends_of_the_support() {
        assert!(t_quantile(0.0, 3.0).is_infinite() && t_quantile(1.0, 3.0) > 0.0);
        assert!(chi_squared_quantile(0.0, 3.0).abs() < f64::MIN_POSITIVE);
        assert!(normal_quantile(1.0).is_infinite());
        assert!((f_upper(-1.0, 2.0, 3.0) - 1.0).abs() < f64::EPSILON);
    }
}
