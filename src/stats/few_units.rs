//! Tests of several terms at once where their covariance is estimated from few units: W = d' V^-1 d is
//! brought to F = W l / q on q and m degrees of freedom.

use nalgebra::DMatrix;

/// The factor of W, and degrees of freedom of the denominator, where the covariance is that
/// of `df` independent units: (f - q + 1) / f and f - q + 1; `None` for too few units.
///
/// # Source
/// Hotelling's T^2: Anderson TW (2003) An Introduction to Multivariate Statistical Analysis,
/// 5.2 (from memory).
#[must_use]
pub fn hotelling(df: f64, terms: usize) -> Option<(f64, f64)> {
    let df2 = df - terms as f64 + 1.0;
    (df2 >= 1.0).then_some((df2 / df, df2))
}

/// The factor of W, and degrees of freedom of the denominator, from the changes of the
/// covariance of the terms (brought to the identity) along independent directions of the
/// variance terms, one standard error each; `None` where the variance terms are known too
/// badly for a test.
///
/// Mean and variance of F are matched; the values are those of Hotelling's T^2, and of an
/// analysis of variance, where these are exact. For one term they are Satterthwaite's.
///
/// # Shapes
/// Each change q x q, symmetric, q the number of terms.
///
/// # Source
/// Kenward MG, Roger JH (1997) Small sample inference for fixed effects from restricted
/// maximum likelihood, Biometrics 53:983-997; checked against R's pbkrtest
/// (`tests/reference/pens/SOURCE.md`).
#[must_use]
pub fn kenward_roger(changes: &[DMatrix<f64>], terms: usize) -> Option<(f64, f64)> {
    let q = terms as f64;
    let a1: f64 = changes.iter().map(|change| change.trace().powi(2)).sum();
    let a2: f64 = changes.iter().map(DMatrix::norm_squared).sum();
    let g = ((q + 1.0) * a1 - (q + 4.0) * a2) / ((q + 2.0) * a2);
    let below = 3.0 * q + 2.0 * (1.0 - g);
    let (c1, c2, c3) = (g / below, (q - g) / below, (q + 2.0 - g) / below);
    let b = (a1 + 6.0 * a2) / (2.0 * q);
    let mean = 1.0 / (1.0 - a2 / q);
    let variance = 2.0 / q * (1.0 + c1 * b) / ((1.0 - c2 * b).powi(2) * (1.0 - c3 * b));
    let ratio = variance / (2.0 * mean * mean);
    let df = 4.0 + (q + 2.0) / (q * ratio - 1.0);
    let factor = df / (mean * (df - 2.0));
    let sound = mean > 0.0 && variance > 0.0 && df > 2.0 && df.is_finite();
    sound.then_some((factor, df))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One term whose variance has 10 degrees of freedom: t of 10, squared.
    #[test]
    fn one_term_is_students_t() {
        let change = DMatrix::from_element(1, 1, (2.0_f64 / 10.0).sqrt());
        let (factor, df) = kenward_roger(&[change], 1).unwrap();
        assert!((factor - 1.0).abs() < 1e-12 && (df - 10.0).abs() < 1e-9);
    }

    /// All terms scaled by one variance on 12 degrees of freedom: F of an analysis of
    /// variance.
    #[test]
    fn a_common_variance_is_that_of_an_analysis_of_variance() {
        let change = DMatrix::identity(3, 3) * (2.0_f64 / 12.0).sqrt();
        let (factor, df) = kenward_roger(&[change], 3).unwrap();
        assert!((factor - 1.0).abs() < 1e-12 && (df - 12.0).abs() < 1e-9);
    }

    /// A free covariance of two terms on 12 degrees of freedom: Hotelling's T^2. Of a
    /// Wishart matrix, entries have the variances 2/f and (off the diagonal) 1/f.
    #[test]
    fn a_free_covariance_is_hotellings() {
        let f = 12.0_f64;
        let along = |entries: [f64; 4]| DMatrix::from_row_slice(2, 2, &entries);
        let changes = [
            along([(2.0 / f).sqrt(), 0.0, 0.0, 0.0]),
            along([0.0, 0.0, 0.0, (2.0 / f).sqrt()]),
            along([0.0, (1.0 / f).sqrt(), (1.0 / f).sqrt(), 0.0]),
        ];
        let (factor, df) = kenward_roger(&changes, 2).unwrap();
        let (exact, exact_df) = hotelling(f, 2).unwrap();
        assert!((factor - exact).abs() < 1e-12 && (df - exact_df).abs() < 1e-9);
    }

    #[test]
    fn too_few_units_have_no_test() {
        assert_eq!(hotelling(3.0, 4), None);
        let change = DMatrix::identity(2, 2) * 1.2;
        assert_eq!(kenward_roger(&[change], 2), None);
    }
}
