//! Many comparisons at once: how to keep the chance of one false claim in hand.
//!
//! [`holm`] needs only the p values; [`studentised_range_upper`] is Tukey's law for
//! means of equal precision; [`Simultaneous`] takes the actual correlation of any estimates
//! or of the points of a curve, by simulation.

use nalgebra::{DMatrix, DVector};
use rand_distr::{ChiSquared, Distribution, StandardNormal};
use rayon::prelude::*;

use super::Failure;
use super::distribution::{
    Tail, chi_squared_quantile, normal_density, normal_lower, positive_root, t_two_sided_quantile,
};
use super::failure::{check_count, check_length, check_level};
use super::resample::{Purpose, stream};

/// Holm's adjusted p values, in the order given.
///
/// # Errors
/// [`Failure::Value`] for a p value outside 0 to 1.
/// # Source
/// Holm, S. (1979), Scand. J. Statist. 6:65-70.
pub fn holm(p_values: &[f64]) -> Result<Vec<f64>, Failure> {
    if let Some(row) = p_values.iter().position(|p| !(0.0..=1.0).contains(p)) {
        return Err(Failure::Value {
            what: "p value".to_owned(),
            row,
            found: p_values[row],
            expected: "a number from 0 to 1",
        });
    }
    let m = p_values.len();
    let mut order: Vec<usize> = (0..m).collect();
    order.sort_by(|a, b| p_values[*a].total_cmp(&p_values[*b]));
    let mut adjusted = vec![0.0; m];
    let mut largest = 0.0_f64;
    for (rank, i) in order.into_iter().enumerate() {
        largest = largest.max((m - rank) as f64 * p_values[i]).min(1.0);
        adjusted[i] = largest;
    }
    Ok(adjusted)
}

/// Points and weights of Gauss and Legendre's rule on 16 points, the positive half
/// (Abramowitz & Stegun, table 25.4).
const GAUSS: [(f64, f64); 8] = [
    (0.095_012_509_837_637_44, 0.189_450_610_455_068_5),
    (0.281_603_550_779_258_9, 0.182_603_415_044_923_6),
    (0.458_016_777_657_227_4, 0.169_156_519_395_002_54),
    (0.617_876_244_402_643_7, 0.149_595_988_816_576_73),
    (0.755_404_408_355_003, 0.124_628_971_255_533_87),
    (0.865_631_202_387_831_7, 0.095_158_511_682_492_78),
    (0.944_575_023_073_232_6, 0.062_253_523_938_647_89),
    (0.989_400_934_991_649_9, 0.027_152_459_411_754_095),
];

fn integral(from: f64, to: f64, panels: u32, f: impl Fn(f64) -> f64) -> f64 {
    let half = 0.5 * (to - from) / f64::from(panels);
    let panels = (0..panels).map(|k| {
        let centre = from + half * f64::from(2 * k + 1);
        let pairs = GAUSS
            .iter()
            .map(|(x, w)| w * (f(centre - half * x) + f(centre + half * x)));
        half * pairs.sum::<f64>()
    });
    panels.sum()
}

/// Probability that the range of `groups` standard normals stays below `width`.
///
/// k times the integral over z of density(z) (Phi(z) - Phi(z - width))^(k-1), z the largest.
fn normal_range_lower(width: f64, groups: f64) -> f64 {
    let density = |z: f64| {
        let between = normal_lower(z) - normal_lower(z - width);
        normal_density(z) * between.max(0.0).powf(groups - 1.0)
    };
    // Beyond 8 a normal has a chance of 1e-15.
    (groups * integral(-8.0, 8.0, 10, density)).min(1.0)
}

/// Probability that the range of `groups` means, over their common standard error on `df`
/// degrees of freedom, exceeds `q`.
///
/// # Errors
/// [`Failure::Setting`] for fewer than 2 groups, no degrees of freedom, or a negative q.
/// # Source
/// The double integral of Copenhaver & Holland 1988, J. Statist. Comput. Simul. 30:1-15, here by
/// Gauss-Legendre panels over all of the scale's law but 1e-13 at either end.
pub fn studentised_range_upper(q: f64, groups: usize, df: f64) -> Result<f64, Failure> {
    check_range(groups, df)?;
    if q.is_nan() || q < 0.0 {
        return Err(Failure::Setting {
            what: "studentised range",
            found: q,
            expected: "a number of at least 0",
        });
    }
    Ok(range_upper(q, groups as f64, df))
}

fn check_range(groups: usize, df: f64) -> Result<(), Failure> {
    check_count("groups", groups, 2)?;
    if df > 0.0 {
        Ok(())
    } else {
        Err(Failure::Setting {
            what: "degrees of freedom",
            found: df,
            expected: "a number above 0",
        })
    }
}

fn range_upper(q: f64, groups: f64, df: f64) -> f64 {
    // Beyond this the scale is known to 1e-5 and the normal law holds to as much.
    if df > 1e9 {
        return 1.0 - normal_range_lower(q, groups);
    }
    let end = |p: f64| (chi_squared_quantile(p, df) / df).sqrt().ln();
    let (low, high) = (end(1e-13), end(1.0 - 1e-13));
    // Density of u = ln s, s^2 = chi-squared / df: proportional to s^df exp(-df s^2 / 2).
    let log_density = |u: f64| df * u - 0.5 * df * (2.0 * u).exp();
    let top = log_density(0.0);
    let weight = |u: f64| (log_density(u) - top).exp();
    // With few degrees of freedom the scale's law is long-tailed in ln s.
    let panels = if df < 30.0 { 10 } else { 5 };
    let total = integral(low, high, panels, weight);
    let part = integral(low, high, panels, |u| {
        weight(u) * (1.0 - normal_range_lower(q * u.exp(), groups))
    });
    (part / total).clamp(0.0, 1.0)
}

/// Width that the studentised range stays below with chance `p`.
///
/// # Errors
/// [`Failure::Setting`] for p not between 0 and 1, and as [`studentised_range_upper`].
/// # Source
/// As [`studentised_range_upper`], solved by secants.
pub fn studentised_range_quantile(p: f64, groups: usize, df: f64) -> Result<f64, Failure> {
    check_range(groups, df)?;
    check_level(p)?;
    let k = groups as f64;
    Ok(positive_root(
        3.0,
        |q| range_upper(q, k, df),
        1.0 - p,
        Tail::Upper,
    ))
}

/// Tukey's adjusted p value of one difference among `groups` means: `t` is the difference
/// over its standard error.
///
/// # Errors
/// As [`studentised_range_upper`].
/// # Source
/// Tukey 1953; for unequal precision Kramer 1956, Biometrics 12:307-310 (then conservative).
pub fn tukey(t: f64, groups: usize, df: f64) -> Result<f64, Failure> {
    studentised_range_upper(t.abs() * std::f64::consts::SQRT_2, groups, df)
}

/// Simulated law of the largest |t| among correlated estimates.
#[derive(Debug, Clone)]
pub struct Simultaneous {
    /// Largest |t| of each draw, ascending.
    largest: Vec<f64>,
}

/// Draws that share a random stream; results do not depend on threads.
const CHUNK: usize = 1024;

impl Simultaneous {
    /// Simulates the largest |t| among estimates whose errors have this covariance (or
    /// correlation), on `df` degrees of freedom (infinite for normal).
    ///
    /// # Shapes
    /// `covariance`: m x m, symmetric; may be singular. An estimate without variance is left out.
    /// # Errors
    /// [`Failure::Lengths`] if it is not square, [`Failure::TooFew`] draws (1,000),
    /// [`Failure::Setting`] for df, [`Failure::Value`] for an entry that is not finite,
    /// [`Failure::NoVariation`] if no estimate has a variance.
    /// # Source
    /// Single-step maximum-t: Hothorn, Bretz & Westfall 2008, Biom. J. 50:346-363.
    pub fn new(
        covariance: &DMatrix<f64>,
        df: f64,
        draws: usize,
        seed: u64,
    ) -> Result<Self, Failure> {
        check_length("covariance", covariance.ncols(), covariance.nrows())?;
        super::failure::check_finite("covariance", covariance.as_slice())?;
        Self::simulated(&standard_factor(covariance)?, df, draws, seed)
    }

    /// Simulates the greatest |t| among combinations of a few estimates whose standard errors
    /// have degrees of freedom that differ from family to family, each |t| in units of the
    /// 95 % point of its family ([`in_units`]): the scales of one family are drawn together,
    /// those of two families independently, which of scales that are alike is careful.
    ///
    /// # Shapes
    /// `rows`: m x r; row i is F'g of combination i, g its gradient and FF' the covariance of
    /// the estimates, so that its length is the combination's standard error. `family` of each
    /// row: an index into `df` (infinite for normal).
    /// # Errors
    /// As [`Simultaneous::new`]; [`Failure::Lengths`] for a row without a family.
    pub fn of_families(
        rows: &DMatrix<f64>,
        family: &[usize],
        df: &[f64],
        draws: usize,
        seed: u64,
    ) -> Result<Self, Failure> {
        check_length("family", family.len(), rows.nrows())?;
        super::failure::check_finite("combination", rows.as_slice())?;
        check_count("draws", draws, 1000)?;
        if let Some(found) = df.iter().find(|df| df.is_nan() || **df <= 0.0) {
            return Err(Failure::Setting {
                what: "degrees of freedom",
                found: *found,
                expected: "a number above 0",
            });
        }
        // Each row of unit length over its family's 95 % point.
        let mut factor = rows.clone();
        for (mut row, family) in factor.row_iter_mut().zip(family) {
            let length = row.norm();
            if length > 0.0 {
                row *= in_units(1.0, df[*family]) / length;
            }
        }
        let chunks = draws.div_ceil(CHUNK);
        let mut largest: Vec<f64> = (0..chunks)
            .into_par_iter()
            .flat_map_iter(|chunk| {
                let size = CHUNK.min(draws - chunk * CHUNK);
                let mut random = stream(seed, Purpose::Families, chunk as u64);
                let laws: Vec<Option<ChiSquared<f64>>> = df
                    .iter()
                    .map(|df| ChiSquared::new(*df).ok().filter(|_| df.is_finite()))
                    .collect();
                let draws: Vec<f64> = (0..size)
                    .map(|_| {
                        let z = DVector::from_fn(factor.ncols(), |_, _| {
                            StandardNormal.sample(&mut random)
                        });
                        let scales: Vec<f64> = laws
                            .iter()
                            .zip(df)
                            .map(|(law, df)| match law {
                                Some(law) => (law.sample(&mut random) / df).sqrt(),
                                None => 1.0,
                            })
                            .collect();
                        let found = &factor * z;
                        let each = found.iter().zip(family);
                        each.map(|(one, family)| one.abs() / scales[*family])
                            .fold(0.0, f64::max)
                    })
                    .collect();
                draws
            })
            .collect();
        largest.sort_by(f64::total_cmp);
        Ok(Self { largest })
    }

    /// The law of the largest |t| of F z, z standard normal, over a common scale.
    fn simulated(factor: &DMatrix<f64>, df: f64, draws: usize, seed: u64) -> Result<Self, Failure> {
        check_count("draws", draws, 1000)?;
        if df.is_nan() || df <= 0.0 {
            return Err(Failure::Setting {
                what: "degrees of freedom",
                found: df,
                expected: "a number above 0",
            });
        }
        let chunks = draws.div_ceil(CHUNK);
        let mut largest: Vec<f64> = (0..chunks)
            .into_par_iter()
            .flat_map_iter(|chunk| {
                let size = CHUNK.min(draws - chunk * CHUNK);
                simulate(factor, df, size, seed, chunk as u64)
            })
            .collect();
        largest.sort_by(f64::total_cmp);
        Ok(Self { largest })
    }

    /// |t| that all estimates together stay below with chance `level`: the factor of a
    /// simultaneous interval or band.
    ///
    /// # Errors
    /// [`Failure::Setting`] for a level that is not between 0 and 1.
    pub fn critical_value(&self, level: f64) -> Result<f64, Failure> {
        check_level(level)?;
        Ok(self.largest[self.place(level)])
    }

    /// Adjusted p value of one |t| among all: the share of draws with a larger one, counting
    /// the observed one as a draw, so that it is never 0.
    #[must_use]
    pub fn p_value(&self, t: f64) -> f64 {
        let below = self.largest.partition_point(|value| *value < t.abs());
        let above = self.largest.len() - below;
        (above as f64 + 1.0) / (self.largest.len() as f64 + 1.0)
    }

    /// Standard error of a simulated p value.
    #[must_use]
    pub fn standard_error(&self, p: f64) -> f64 {
        (p * (1.0 - p) / self.largest.len() as f64).sqrt()
    }

    fn place(&self, level: f64) -> usize {
        let place = (level * self.largest.len() as f64).ceil() - 1.0;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a place in the list, whole by the line above"
        )]
        let place = place.max(0.0) as usize;
        place.min(self.largest.len() - 1)
    }
}

/// A t on `df` degrees of freedom in units of its two-sided 95 % point.
#[must_use]
pub fn in_units(t: f64, df: f64) -> f64 {
    t / t_two_sided_quantile(0.95, df)
}

/// F with FF' the correlation, as many columns as its rank: Cholesky's factor with the
/// greatest remaining variance as the next pivot, since contrasts of all pairs are
/// singular, and so are the ages of one curve. It stops where all that remains is
/// rounding.
///
/// # Source
/// Higham NJ (2002) Accuracy and Stability of Numerical Algorithms, 10.3 (from memory).
fn standard_factor(covariance: &DMatrix<f64>) -> Result<DMatrix<f64>, Failure> {
    let largest = covariance.diagonal().max();
    let varying: Vec<usize> = (0..covariance.nrows())
        .filter(|i| covariance[(*i, *i)] > 1e-14 * largest && covariance[(*i, *i)] > 0.0)
        .collect();
    if varying.is_empty() {
        return Err(Failure::NoVariation {
            what: "errors of the estimates".to_owned(),
        });
    }
    let m = varying.len();
    let mut remaining = DMatrix::from_fn(m, m, |a, b| {
        let (i, j) = (varying[a], varying[b]);
        let size = (covariance[(i, i)] * covariance[(j, j)]).sqrt();
        0.5 * (covariance[(i, j)] + covariance[(j, i)]) / size
    });
    let mut columns: Vec<DVector<f64>> = Vec::new();
    while columns.len() < m {
        let pivot = remaining.diagonal().imax();
        let left = remaining[(pivot, pivot)];
        // A variance of 1 known to 1e-10: far below what 10,000 draws can show.
        if left <= 1e-10 {
            break;
        }
        let column = remaining.column(pivot) / left.sqrt();
        remaining.ger(-1.0, &column, &column, 1.0);
        columns.push(column);
    }
    Ok(DMatrix::from_columns(&columns))
}

fn simulate(factor: &DMatrix<f64>, df: f64, size: usize, seed: u64, chunk: u64) -> Vec<f64> {
    let mut random = stream(seed, Purpose::Band, chunk);
    let scale_law = ChiSquared::new(df).ok().filter(|_| df.is_finite());
    let draws = (0..size).map(|_| {
        let z = DVector::from_fn(factor.ncols(), |_, _| StandardNormal.sample(&mut random));
        let largest = (factor * z).amax();
        match &scale_law {
            Some(law) => largest / (law.sample(&mut random) / df).sqrt(),
            None => largest,
        }
    });
    draws.collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::distribution::{normal_quantile, t_two_sided};

    /// R: p.adjust(c(0.01, 0.04, 0.03, 0.005), "holm") = 0.03 0.06 0.06 0.02 (by hand as well).
    #[test]
    fn holm_by_hand() {
        let adjusted = holm(&[0.01, 0.04, 0.03, 0.005]).unwrap();
        for (found, expected) in adjusted.iter().zip([0.03, 0.06, 0.06, 0.02]) {
            assert!((found - expected).abs() < 1e-15);
        }
        assert!(holm(&[0.5, f64::NAN]).is_err());
        assert!(holm(&[]).unwrap().is_empty());
    }

    /// Standard tables (Pearson & Hartley; 3.877, 3.958, 3.977) and scipy 1.17.1 `studentized_range`.
    #[test]
    fn studentised_range() {
        for (p, k, df, expected) in [
            (0.95, 3, 10.0, 3.876_776_750_013_158),
            (0.95, 4, 20.0, 3.958_293_560_945_384_6),
            (0.95, 5, 60.0, 3.977_418_221_605_432),
            (0.99, 10, 5.0, 10.239_256_028_510_361),
            (0.95, 20, 2.0, 16.768_787_951_052_45),
            (0.999, 6, 30.0, 6.469_317_073_724_848),
        ] {
            let found = studentised_range_quantile(p, k, df).unwrap();
            // 1e-8: what scipy's own integration claims
            assert!(
                (found / expected - 1.0).abs() < 1e-8,
                "{k} {df}: {found} {:e}",
                found / expected - 1.0
            );
        }
        for (q, k, df, expected) in [
            (3.5, 3, 10.0, 0.077_103_310_838_410_38),
            (1.0, 4, 20.0, 0.893_089_851_121_703_8),
            (6.0, 5, 60.0, 0.000_718_603_813_456_342_2),
            (10.0, 8, 3.0, 0.035_770_134_366_700_956),
        ] {
            let found = studentised_range_upper(q, k, df).unwrap();
            assert!(
                (found - expected).abs() < 1e-9,
                "{k} {df}: {found} {:e}",
                found - expected
            );
        }
        // Two groups: Student's t.
        let two = tukey(2.3, 2, 7.0).unwrap();
        assert!((two - t_two_sided(2.3, 7.0)).abs() < 1e-10);
        assert!(studentised_range_upper(1.0, 1, 5.0).is_err());
        assert!(studentised_range_quantile(1.5, 3, 5.0).is_err());
    }

    /// Independent estimates: the largest of m has a closed form. All pairs of equal means:
    /// Tukey's law, from a singular correlation.
    #[test]
    fn simulated_critical_values() {
        let independent =
            Simultaneous::new(&DMatrix::identity(5, 5), f64::INFINITY, 200_000, 1).unwrap();
        let exact = normal_quantile(0.5 + 0.5 * 0.95_f64.powf(0.2));
        // 0.01: three standard errors of a 95 % point from 200,000 draws
        assert!((independent.critical_value(0.95).unwrap() - exact).abs() < 0.01);

        let pairs = DMatrix::from_row_slice(
            6,
            4,
            &[
                1.0, -1.0, 0.0, 0.0, 1.0, 0.0, -1.0, 0.0, 1.0, 0.0, 0.0, -1.0, 0.0, 1.0, -1.0, 0.0,
                0.0, 1.0, 0.0, -1.0, 0.0, 0.0, 1.0, -1.0,
            ],
        );
        let tukey_law = Simultaneous::new(&(&pairs * pairs.transpose()), 20.0, 200_000, 1).unwrap();
        let exact = 3.958_293_560_945_384_6 / std::f64::consts::SQRT_2;
        assert!((tukey_law.critical_value(0.95).unwrap() - exact).abs() < 0.02);
        let p = tukey_law.p_value(exact);
        assert!((p - 0.05).abs() < 4.0 * tukey_law.standard_error(0.05));
    }

    /// Two independent families of one estimate each, on 4 and 30 degrees of freedom: the
    /// chance that both stay below their 95 % points is 0.95 squared. One family of two
    /// pairs of the same means is the law of a common scale.
    #[test]
    fn families_with_degrees_of_freedom_of_their_own() {
        let rows = DMatrix::identity(2, 2);
        let two = Simultaneous::of_families(&rows, &[0, 1], &[4.0, 30.0], 200_000, 1).unwrap();
        let p = two.p_value(1.0);
        assert!((p - 0.0975).abs() < 4.0 * two.standard_error(0.0975), "{p}");
        let pairs =
            DMatrix::from_row_slice(3, 3, &[1.0, -1.0, 0.0, 1.0, 0.0, -1.0, 0.0, 1.0, -1.0]);
        let one = Simultaneous::of_families(&pairs, &[0; 3], &[10.0], 200_000, 1).unwrap();
        // Tukey's: studentised range 3.8768 of three means on 10 degrees of freedom.
        let exact = in_units(3.876_776_750_013_158 / std::f64::consts::SQRT_2, 10.0);
        assert!((one.p_value(exact) - 0.05).abs() < 4.0 * one.standard_error(0.05));
        assert!(Simultaneous::of_families(&pairs, &[0; 2], &[10.0], 2000, 1).is_err());
        assert!(Simultaneous::of_families(&pairs, &[0; 3], &[f64::NAN], 2000, 1).is_err());
    }

    #[test]
    fn odd_covariances_are_answered() {
        let nothing = Simultaneous::new(&DMatrix::zeros(2, 2), 10.0, 1000, 1);
        assert!(matches!(nothing, Err(Failure::NoVariation { .. })));
        let mut one = DMatrix::zeros(2, 2);
        one[(0, 0)] = 4.0;
        let one = Simultaneous::new(&one, 10.0, 5000, 1).unwrap();
        assert!((one.critical_value(0.95).unwrap() - 2.228).abs() < 0.15);
        assert!(Simultaneous::new(&DMatrix::zeros(2, 3), 10.0, 1000, 1).is_err());
        assert!(one.p_value(1e9) > 0.0);
    }
}
