//! How wide must a band be to hold a whole curve?
//!
//! A curve whose value at an age is a combination of a few estimates has at each age an error
//! over its standard error that is t(u) = u'z / s, with z standard normal, s the scale and u
//! a unit vector that moves along the sphere as age goes on. The chance that |t| passes c
//! somewhere is the volume of a tube about the path of u: it needs the path's length alone,
//! and no random draws.

use super::Failure;
use super::distribution::{t_two_sided_quantile, t_upper};
use super::failure::{check_finite, check_level};

/// What the standard errors of successive ages have in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scale {
    /// One scale, estimated once: the residual SD of a fit.
    Common,
    /// None but the units that they are estimated from: each age has a separate variance, as
    /// from a covariance with the law of a Wishart matrix.
    OfEachAge,
}

/// The factor of standard errors at which a band holds a curve at all of these ages at once.
///
/// Never too small: a tube that meets itself is counted twice, and the curve is held between
/// the ages too.
///
/// # Shapes
/// `correlations`: of the errors at successive ages, one fewer than ages that have an error.
/// `df`: degrees of freedom of the standard errors, infinite where these are known.
/// # Errors
/// [`Failure::Setting`] for a level that is not between 0 and 1, [`Failure::Value`] for a
/// correlation that is not finite.
/// # Source
/// Of a common scale Sun, J. & Loader, C. R. (1994), Ann. Statist. 22:1328-1345 (two-sided, one
/// dimension: alpha = kappa/pi (1 + c^2/df)^(-df/2) + P(|t| > c)); an upper bound by Naiman,
/// D. Q. (1986), Ann. Statist. 14:896-906. Of a variance of each age's own the exponent is
/// -(df - 1)/2: Worsley, K. J. (1994), Adv. Appl. Prob. 26:13-42, the t field in one
/// dimension. All cited from memory; the formulas are checked below, one where it is exact, the
/// other against draws and Hotelling's T^2.
pub fn band_factor(
    correlations: &[f64],
    df: f64,
    level: f64,
    scale: Scale,
) -> Result<f64, Failure> {
    check_level(level)?;
    check_finite("correlation", correlations)?;
    if df.is_nan() || beyond(f64::MAX.sqrt(), df, scale) > 0.5 {
        return Err(Failure::Setting {
            what: "degrees of freedom",
            found: df,
            expected: "above 0, or above 1 for a variance of each age's own",
        });
    }
    // A vector and its opposite are one, since |t| is looked at.
    let angles = correlations.iter().map(|one| one.abs().min(1.0).acos());
    Ok(factor_of(angles.sum(), df, level, scale))
}

/// The factor for a path of this length.
fn factor_of(length: f64, df: f64, level: f64, scale: Scale) -> f64 {
    let missed =
        |c: f64| length / std::f64::consts::PI * beyond(c, df, scale) + 2.0 * t_upper(c, df);
    let mut low = t_two_sided_quantile(level, df);
    let mut high = 2.0 * low;
    while missed(high) > 1.0 - level {
        high *= 2.0;
    }
    while high - low > 1e-10 * high {
        let middle = f64::midpoint(low, high);
        if missed(middle) > 1.0 - level {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// What a path of length pi adds to the chance that c is passed.
fn beyond(c: f64, df: f64, scale: Scale) -> f64 {
    let power = match scale {
        Scale::Common => df,
        Scale::OfEachAge => df - 1.0,
    };
    if df.is_finite() {
        (-0.5 * power * (c * c / df).ln_1p()).exp()
    } else {
        (-0.5 * c * c).exp()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two estimates: u goes along an arc of a circle, and the chance is one integral.
    ///
    /// With z = r (cos phi, sin phi), r^2/2 of Fisher's law with 2 and df degrees of freedom,
    /// the greatest |u'z| on an arc from 0 to `length` is r m(phi), m = 1 inside it and the
    /// cosine of the distance to the nearer end outside.
    fn exact(length: f64, c: f64, df: f64) -> f64 {
        let pi = std::f64::consts::PI;
        let beyond = |x: f64| (1.0 + x * x / df).powf(-0.5 * df);
        let steps = 20_000;
        let chance = |k: i32| {
            let phi = pi * (f64::from(k) + 0.5) / f64::from(steps);
            let away = if phi <= length {
                0.0
            } else {
                (phi - length).min(pi - phi)
            };
            beyond(c / away.cos().abs().max(1e-300))
        };
        (0..steps).map(chance).sum::<f64>() / f64::from(steps)
    }

    #[test]
    fn the_band_of_a_line_has_its_coverage() {
        for (length, df) in [(0.3, 5.0), (1.0, 8.0), (2.0, 30.0), (2.9, 200.0)] {
            let correlations = [f64::cos(length / 100.0); 100];
            let c = band_factor(&correlations, df, 0.95, Scale::Common).unwrap();
            let missed = exact(length, c, df);
            // A long path's tube meets itself, which makes the band a little too wide.
            let least = if length <= 1.0 { 0.049 } else { 0.03 };
            assert!(
                missed < 0.05 + 2e-5 && missed > least,
                "{length}, {df}: {missed}"
            );
        }
    }

    #[test]
    fn one_age_has_the_pointwise_factor() {
        let c = band_factor(&[], 12.0, 0.95, Scale::Common).unwrap();
        assert!((c - t_two_sided_quantile(0.95, 12.0)).abs() < 1e-8);
        assert!(band_factor(&[f64::NAN], 12.0, 0.95, Scale::OfEachAge).is_err());
    }

    /// A path of length pi is a whole circle: two estimates in all combinations, Hotelling's
    /// T^2 of two terms.
    #[test]
    fn all_combinations_of_two_estimates_are_hotellings() {
        for df in [3.0, 9.0, 40.0] {
            for c in [1.5_f64, 3.0, 6.0] {
                let f = c * c * (df - 1.0) / (2.0 * df);
                let exact = super::super::distribution::f_upper(f, 2.0, df - 1.0);
                assert!((beyond(c, df, Scale::OfEachAge) - exact).abs() < 1e-12);
            }
        }
    }

    /// Draws of a line whose errors are estimated from few units, 20,000 each: standard error
    /// of the share 0.0015.
    #[test]
    fn a_band_by_errors_of_each_age_has_its_coverage() {
        use rand::{Rng, SeedableRng};
        use rand_distr::StandardNormal;
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(1);
        const DRAWS: u32 = 20_000;
        for (length, df) in [(0.8, 3_u32), (1.0, 9), (2.0, 9)] {
            let steps = 24;
            let correlations = vec![f64::cos(length / f64::from(steps)); 24];
            let nu = f64::from(df);
            let c = band_factor(&correlations, nu, 0.95, Scale::OfEachAge).unwrap();
            let mut missed = 0;
            for _ in 0..DRAWS {
                let mut pair = || -> [f64; 2] {
                    [random.sample(StandardNormal), random.sample(StandardNormal)]
                };
                let (own, errors) = (pair(), (0..df).map(|_| pair()).collect::<Vec<_>>());
                let passed = (0..=steps).any(|step| {
                    let angle = length * f64::from(step) / f64::from(steps);
                    let along = |z: &[f64; 2]| angle.cos() * z[0] + angle.sin() * z[1];
                    let variance = errors.iter().map(|z| along(z).powi(2)).sum::<f64>() / nu;
                    along(&own).abs() > c * variance.sqrt()
                });
                missed += u32::from(passed);
            }
            let share = f64::from(missed) / f64::from(DRAWS);
            assert!((0.040..0.0545).contains(&share), "{length}, {df}: {share}");
        }
    }
}
