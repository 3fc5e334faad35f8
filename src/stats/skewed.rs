//! Values that are skewed: a test for it, and equivalence that allows for it.
//!
//! The t interval of the mean of skewed values is too short towards the side on which a few far
//! values may yet come. [`skewness`] is D'Agostino's test; [`equivalent_if_skewed`] inverts Hall's
//! transformation of Student's t,
//!
//! ```text
//! Q(T) = T + g T^2 / 3 + g^2 T^3 / 27 + g / (6 n),   T = (mean - limit) / s,
//! ```
//!
//! with g the skewness and s the SD on n, which rises in T throughout; sqrt(n - 1) Q is referred to
//! Student's t.
//!
//! # Source
//! D'Agostino RB (1970) Transformation to normality of the null distribution of g1, Biometrika
//! 57:679-681; Hall P (1992) On the removal of skewness by transformation, Journal of the Royal
//! Statistical Society B 54:221-228.

use super::distribution::{normal_lower, t_quantile};
use super::mean;

/// Fewest values that D'Agostino's approximation serves.
const FEWEST: usize = 8;

/// Skewness of values, and its test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Skewness {
    /// Third moment about the mean over the cube of the SD (both on n).
    pub skewness: f64,
    /// D'Agostino's standard normal deviate of it.
    pub deviate: f64,
}

impl Skewness {
    /// One-sided P of values that are not skewed being skewed as far as this towards their larger
    /// (or, for a `side` below 0, smaller) values.
    #[must_use]
    pub fn p_towards(&self, side: f64) -> f64 {
        normal_lower(-self.deviate * side.signum())
    }
}

/// SD on n, and skewness; none where the values do not vary.
fn moments(values: &[f64]) -> Option<(f64, f64)> {
    let (n, centre) = (values.len() as f64, mean(values));
    let power = |k: i32| values.iter().map(|x| (x - centre).powi(k)).sum::<f64>() / n;
    let sd = power(2).sqrt();
    let skewness = power(3) / sd.powi(3);
    (sd > 0.0 && skewness.is_finite()).then_some((sd, skewness))
}

/// D'Agostino's test of skewness; none for fewer than 8 values and for values that do not vary.
#[must_use]
pub fn skewness(values: &[f64]) -> Option<Skewness> {
    if values.len() < FEWEST {
        return None;
    }
    let (_, skewness) = moments(values)?;
    let n = values.len() as f64;
    let y = skewness * ((n + 1.0) * (n + 3.0) / (6.0 * (n - 2.0))).sqrt();
    let kurtosis = 3.0 * (n * n + 27.0 * n - 70.0) * (n + 1.0) * (n + 3.0)
        / ((n - 2.0) * (n + 5.0) * (n + 7.0) * (n + 9.0));
    let w2 = (2.0 * (kurtosis - 1.0)).sqrt() - 1.0;
    let deviate = (y / (2.0 / (w2 - 1.0)).sqrt()).asinh() / (0.5 * w2.ln()).sqrt();
    Some(Skewness { skewness, deviate })
}

/// Whether the mean of skewed values is shown to lie within `limit` of 0, each side at level
/// `alpha`.
#[must_use]
pub fn equivalent_if_skewed(values: &[f64], limit: f64, alpha: f64) -> bool {
    let Some((sd, g)) = moments(values) else {
        return mean(values).abs() < limit;
    };
    let n = values.len() as f64;
    let q = |limit: f64| {
        let t = (mean(values) - limit) / sd;
        t + g * t * t / 3.0 + g * g * t.powi(3) / 27.0 + g / (6.0 * n)
    };
    let needed = t_quantile(1.0 - alpha, n - 1.0) / (n - 1.0).sqrt();
    q(limit) < -needed && q(-limit) > needed
}

#[cfg(test)]
mod tests {
    use super::super::equivalence::two_one_sided;
    use super::*;

    const VALUES: [f64; 12] = [
        1.2, -0.4, 0.3, 5.1, 0.8, -1.1, 0.2, 2.6, -0.7, 0.1, 7.4, -0.2,
    ];

    /// scipy.stats.skew and skewtest, SciPy 1.17.1.
    #[test]
    fn skewness_is_that_of_scipy() {
        let found = skewness(&VALUES).unwrap();
        assert!((found.skewness - 1.442_523_940_985_768_6).abs() < 1e-12);
        assert!((found.deviate - 2.481_794_050_170_540_5).abs() < 1e-12);
        let two_sided = 2.0 * found.p_towards(1.0);
        assert!((two_sided - 0.013_072_280_459_319_385).abs() < 1e-12);
        assert!((found.p_towards(1.0) + found.p_towards(-1.0) - 1.0).abs() < 1e-12);
        assert!(skewness(&VALUES[..7]).is_none() && skewness(&[1.0; 9]).is_none());
    }

    /// The transformation in numpy: it shows a limit of 3.5 (Q = -0.549 against -0.541) and not
    /// one of 3.4 (-0.536); the t interval ends at 2.603.
    #[test]
    fn skewed_values_need_a_wider_limit() {
        let by_t = |limit| two_one_sided(&VALUES, limit, 0.05).unwrap().equivalent;
        assert!(by_t(2.61) && !by_t(2.60));
        assert!(equivalent_if_skewed(&VALUES, 3.5, 0.05));
        assert!(!equivalent_if_skewed(&VALUES, 3.4, 0.05));
        // However far the limit, it stays shown.
        assert!(equivalent_if_skewed(&VALUES, 1e6, 0.05));
        assert!(equivalent_if_skewed(&[1.0; 9], 2.0, 0.05));
    }
}
