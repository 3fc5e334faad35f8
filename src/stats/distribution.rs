//! Tail probabilities and quantiles of the normal, t, chi-squared and F distributions.
//!
//! The incomplete gamma and beta functions are statrs's. Three of its answers
//! (version 0.19.1, against 30-digit arithmetic) are too poor to pass on: the
//! normal tail through `erfc` (5e-11 relative at z = -2), t quantiles in the far
//! tail (9 % off at p = 1e-8 on 1 degree of freedom) and everything of t beyond
//! some 1e5 degrees of freedom (quantile 1.83 for 1.96 at 1e7). So the normal tail
//! goes through the incomplete gamma function, quantiles are refined on the
//! smaller tail, and t with many degrees of freedom uses Fisher's expansion.
//! With that, all agree to 1e-12 relative in the tests below.
//!
//! Degrees of freedom are positive and need not be whole; probabilities lie in
//! [0, 1] (0 and 1 give the ends of the support).

use statrs::distribution::{
    ChiSquared, Continuous, ContinuousCDF, FisherSnedecor, Normal, StudentsT,
};
use statrs::function::gamma::{gamma_lr, gamma_ur};

const SQRT_2_PI: f64 = 2.506_628_274_631_000_5;

/// Beyond this the incomplete beta function of statrs loses more digits than the expansion.
const MANY_DEGREES_OF_FREEDOM: f64 = 3.0e4;

/// Density of the standard normal.
#[must_use]
pub fn normal_density(z: f64) -> f64 {
    (-0.5 * z * z).exp() / SQRT_2_PI
}

/// Chance that a standard normal exceeds `z`.
#[must_use]
pub fn normal_upper(z: f64) -> f64 {
    // gamma_ur takes positive arguments only.
    let half_square = 0.5 * z * z;
    if half_square < f64::MIN_POSITIVE {
        0.5
    } else if z > 0.0 {
        0.5 * gamma_ur(0.5, half_square)
    } else {
        0.5 + 0.5 * gamma_lr(0.5, half_square)
    }
}

/// Chance that a standard normal stays below `z`.
#[must_use]
pub fn normal_lower(z: f64) -> f64 {
    normal_upper(-z)
}

/// Value that a standard normal stays below with chance `p`.
#[must_use]
pub fn normal_quantile(p: f64) -> f64 {
    if p <= 0.0 {
        f64::NEG_INFINITY
    } else if p >= 1.0 {
        f64::INFINITY
    } else {
        Normal::standard().inverse_cdf(p)
    }
}

/// Chance that Student's t exceeds `t`.
///
/// # Source
/// Many degrees of freedom: Fisher, R. A. (1925), Expansion of Student's integral
/// in powers of 1/n, Metron 5:109-112 (terms to the second order, from memory;
/// checked in the tests).
#[must_use]
pub fn t_upper(t: f64, df: f64) -> f64 {
    if t < 0.0 {
        return 1.0 - t_upper(-t, df);
    }
    if df > MANY_DEGREES_OF_FREEDOM {
        let square = t * t;
        let first = t * (square + 1.0) / 4.0;
        let second = t * (((3.0 * square - 7.0) * square - 5.0) * square - 3.0) / 96.0;
        let third = t
            * (((((square - 11.0) * square + 14.0) * square + 6.0) * square - 3.0) * square - 15.0)
            / 384.0;
        let correction = (first + (second + third / df) / df) / df;
        return (normal_upper(t) + normal_density(t) * correction).clamp(0.0, 0.5);
    }
    StudentsT::new(0.0, 1.0, df).map_or(f64::NAN, |law| law.sf(t))
}

/// Chance that Student's t lies further from 0 than `t`: the two-sided p value.
#[must_use]
pub fn t_two_sided(t: f64, df: f64) -> f64 {
    (2.0 * t_upper(t.abs(), df)).min(1.0)
}

/// Value that Student's t stays below with chance `p`.
#[must_use]
pub fn t_quantile(p: f64, df: f64) -> f64 {
    if p <= 0.0 {
        return f64::NEG_INFINITY;
    }
    if p >= 1.0 {
        return f64::INFINITY;
    }
    if p < 0.5 {
        return -t_upper_quantile(p, df);
    }
    if p > 0.5 {
        return t_upper_quantile(1.0 - p, df);
    }
    0.0
}

/// Half width in standard errors of a two-sided interval of the given level.
#[must_use]
pub fn t_two_sided_quantile(level: f64, df: f64) -> f64 {
    t_quantile(0.5 + 0.5 * level, df)
}

fn t_upper_quantile(tail: f64, df: f64) -> f64 {
    let start = if df > 1000.0 {
        normal_quantile(1.0 - tail)
    } else {
        StudentsT::new(0.0, 1.0, df).map_or(1.0, |law| -law.inverse_cdf(tail))
    };
    positive_root(start, |t| t_upper(t, df), tail, Tail::Upper)
}

/// Chance that chi-squared exceeds `x`.
#[must_use]
pub fn chi_squared_upper(x: f64, df: f64) -> f64 {
    ChiSquared::new(df).map_or(f64::NAN, |law| law.sf(x))
}

/// Value that chi-squared stays below with chance `p`.
#[must_use]
pub fn chi_squared_quantile(p: f64, df: f64) -> f64 {
    let Ok(law) = ChiSquared::new(df) else {
        return f64::NAN;
    };
    if p <= 0.0 {
        0.0
    } else if p >= 1.0 {
        f64::INFINITY
    } else if p < 0.5 {
        // Wilson & Hilferty's cube as a start; statrs's own inverse is lost near 0.
        positive_root(wilson_hilferty(p, df), |x| law.cdf(x), p, Tail::Lower)
    } else {
        positive_root(wilson_hilferty(p, df), |x| law.sf(x), 1.0 - p, Tail::Upper)
    }
}

fn wilson_hilferty(p: f64, df: f64) -> f64 {
    let step = 2.0 / (9.0 * df);
    let cube = 1.0 - step + normal_quantile(p) * step.sqrt();
    (df * cube.powi(3)).max(1e-3 * df)
}

/// Chance that F with `df_1` and `df_2` degrees of freedom exceeds `x`.
#[must_use]
pub fn f_upper(x: f64, df_1: f64, df_2: f64) -> f64 {
    if x <= 0.0 {
        return 1.0;
    }
    FisherSnedecor::new(df_1, df_2).map_or(f64::NAN, |law| law.sf(x))
}

/// Value that F stays below with chance `p`.
#[must_use]
pub fn f_quantile(p: f64, df_1: f64, df_2: f64) -> f64 {
    let Ok(law) = FisherSnedecor::new(df_1, df_2) else {
        return f64::NAN;
    };
    if p <= 0.0 {
        0.0
    } else if p >= 1.0 {
        f64::INFINITY
    } else if p < 0.5 {
        positive_root(law.inverse_cdf(p), |x| law.cdf(x), p, Tail::Lower)
    } else {
        positive_root(law.inverse_cdf(p), |x| law.sf(x), 1.0 - p, Tail::Upper)
    }
}

/// Log of the normal density; used where the density itself underflows.
#[must_use]
pub fn normal_log_density(z: f64) -> f64 {
    Normal::standard().ln_pdf(z)
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

    /// Relative error allowed: what statrs's incomplete beta and gamma leave (see above).
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
        // scipy 1.17.1 (its own accuracy here is some 1e-12)
        close(t_upper(2.0, 1e7), 0.022_750_145_445_921_48, 1e-11);
        close(t_quantile(0.025, 1e7), -1.959_964_221_767_205_5, 1e-11);
        close(t_quantile(1e-8, 1e7), -5.612_005_803_165_477, 1e-11);
    }

    #[test]
    fn large_t_expansion_meets_the_beta_function() {
        for t in [0.1, 1.0, 2.0, 4.0] {
            let law = StudentsT::new(0.0, 1.0, MANY_DEGREES_OF_FREEDOM + 1.0).unwrap();
            // statrs itself loses digits here: 1e-11 is its error, not the expansion's.
            close(t_upper(t, MANY_DEGREES_OF_FREEDOM + 1.0), law.sf(t), 2e-11);
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
