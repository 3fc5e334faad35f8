//! How well does a method repeat itself?
//!
//! From repeated measurements of several subjects: the root-mean-square standard
//! deviation, with which a change between two visits is distinguished from noise. Plain
//! means of the subjects' SDs understate it (by 20 to 25 % for duplicates) and are
//! not offered. Subjects with unequal repeats count by their degrees of freedom.

use super::distribution::{chi_squared_quantile, f_quantile, f_upper, normal_quantile};
use super::failure::{check_count, check_finite, check_level};
use super::spread_by_mean::{SpreadByMean, spread_by_mean};
use super::{Failure, Interval, mean, squares_about_mean};

/// The factor 1.959964 x sqrt 2 of a 95 % least significant change, as the trade rounds it.
pub const ROUNDED_CHANGE_FACTOR: f64 = 2.77;

/// Below this number of degrees of freedom a precision error is itself poorly known: at 27 its
/// one-sided 95 % limit lies 30 % above it (Glueer et al. 1995).
pub const ENOUGH_DEGREES_OF_FREEDOM: usize = 30;

/// How well a method repeats itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Precision {
    /// Subjects with at least two measurements.
    pub subjects: usize,
    /// Their measurements.
    pub measurements: usize,
    /// Subjects left out since they have fewer than two measurements.
    pub single: usize,
    /// Degrees of freedom: measurements minus subjects.
    pub df: usize,
    /// Mean of the subjects' means.
    pub mean: f64,
    /// Root-mean-square standard deviation, in the unit of the values.
    pub rms_sd: f64,
    /// Its chi-squared confidence interval.
    pub rms_sd_interval: Interval,
    /// Root-mean-square coefficient of variation, as a share; none unless every subject's
    /// mean is above 0.
    pub rms_cv: Option<f64>,
    /// Least of the repeated subjects' means.
    pub least: f64,
    /// Greatest of them.
    pub greatest: f64,
    /// How the error of a measurement depends on the subject's mean.
    pub spread: SpreadByMean,
}

impl Precision {
    /// SD of one measurement of a subject with this mean.
    #[must_use]
    pub fn sd_at(&self, mean: f64) -> f64 {
        self.spread.sd_at(mean)
    }

    /// Smallest change between two single measurements that is more than noise at this level.
    ///
    /// # Errors
    /// [`Failure::Setting`] for a level that is not between 0 and 1.
    /// # Source
    /// Glueer et al. 1995; 95 %: 2.771808 RMS-SD ([`ROUNDED_CHANGE_FACTOR`] where the
    /// trade's rounding is requested).
    pub fn least_significant_change(&self, level: f64) -> Result<f64, Failure> {
        Ok(change_factor(level)? * self.rms_sd)
    }

    /// The same for a subject with this mean, where the error depends on it.
    ///
    /// # Errors
    /// [`Failure::Setting`] for a level that is not between 0 and 1.
    pub fn least_significant_change_at(&self, mean: f64, level: f64) -> Result<f64, Failure> {
        Ok(change_factor(level)? * self.sd_at(mean))
    }

    /// Whether there are too few degrees of freedom to know the precision error well.
    #[must_use]
    pub fn is_poorly_known(&self) -> bool {
        self.df < ENOUGH_DEGREES_OF_FREEDOM
    }
}

/// Normal quantile times sqrt 2: a difference of two measurements has both their errors.
///
/// # Errors
/// [`Failure::Setting`] for a level that is not between 0 and 1.
pub fn change_factor(level: f64) -> Result<f64, Failure> {
    check_level(level)?;
    Ok(normal_quantile(0.5 + 0.5 * level) * std::f64::consts::SQRT_2)
}

/// How well does a method repeat itself, from repeats on several subjects?
///
/// RMS-SD = sqrt(sum df_j SD_j^2 / sum df_j), and the same of SD_j / mean_j.
///
/// # Shapes
/// One list of measurements a subject; lists may differ in length.
/// # Units
/// Those of the values.
/// # Errors
/// [`Failure::TooFew`] without a subject measured twice, [`Failure::Value`],
/// [`Failure::Setting`]. Repeats that are all equal are no error: the RMS-SD is 0.
/// # Source
/// Glueer, C.-C. et al. (1995), Osteoporos. Int. 5:262-270; interval: chi-squared on
/// the pooled degrees of freedom.
pub fn precision(repeats: &[Vec<f64>], level: f64) -> Result<Precision, Failure> {
    check_level(level)?;
    for values in repeats {
        check_finite("repeat", values)?;
    }
    let repeated: Vec<&Vec<f64>> = repeats.iter().filter(|values| values.len() > 1).collect();
    check_count("subjects measured twice", repeated.len(), 1)?;
    let measurements: usize = repeated.iter().map(|values| values.len()).sum();
    let df = measurements - repeated.len();
    let means: Vec<f64> = repeated.iter().map(|values| mean(values)).collect();
    let squares: Vec<f64> = repeated
        .iter()
        .map(|values| squares_about_mean(values))
        .collect();
    let pooled = |total: f64| (total / df as f64).sqrt();
    let rms_sd = pooled(squares.iter().sum());
    let shares = squares
        .iter()
        .zip(&means)
        .map(|(square, mean)| square / (mean * mean));
    let positive = means.iter().all(|mean| *mean > 0.0);
    let rms_cv = positive
        .then(|| pooled(shares.clone().sum()))
        .filter(|share| share.is_finite());
    let dfs: Vec<f64> = repeated
        .iter()
        .map(|values| (values.len() - 1) as f64)
        .collect();
    Ok(Precision {
        subjects: repeated.len(),
        measurements,
        single: repeats.len() - repeated.len(),
        df,
        mean: mean(&means),
        rms_sd,
        rms_sd_interval: sd_interval(rms_sd, df, level)?,
        // Masses whose squares are no numbers any more have none either.
        rms_cv,
        least: means.iter().copied().fold(f64::INFINITY, f64::min),
        greatest: means.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        spread: spread_by_mean(&means, &squares, &dfs, level),
    })
}

/// Confidence interval of a standard deviation that rests on `df` degrees of freedom.
///
/// # Errors
/// [`Failure::TooFew`] without a degree of freedom, [`Failure::Setting`].
/// # Source
/// df s^2 / sigma^2 is chi-squared (standard theory for normal errors).
pub fn sd_interval(sd: f64, df: usize, level: f64) -> Result<Interval, Failure> {
    check_level(level)?;
    check_count("degrees of freedom", df, 1)?;
    let df = df as f64;
    let end = |p: f64| sd * (df / chi_squared_quantile(p, df)).sqrt();
    Ok(Interval {
        lower: end(0.5 + 0.5 * level),
        upper: end(0.5 - 0.5 * level),
    })
}

/// Two precision errors set against each other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VarianceRatio {
    /// Variance of the first over that of the second.
    pub ratio: f64,
    /// Its confidence interval.
    pub interval: Interval,
    /// Two-sided p value of equal variances.
    pub p_value: f64,
}

/// Does one method repeat itself better than another?
///
/// # Errors
/// [`Failure::NoVariation`] if the second method's repeats never differ;
/// [`Failure::Setting`].
/// # Source
/// F test of two independent variances (standard theory for normal errors; sensitive
/// to outliers). For the same subjects measured by both, their errors must be independent.
pub fn compare(
    first: &Precision,
    second: &Precision,
    level: f64,
) -> Result<VarianceRatio, Failure> {
    check_level(level)?;
    if second.rms_sd <= 0.0 {
        return Err(Failure::NoVariation {
            what: "repeats of the second method".to_owned(),
        });
    }
    let ratio = (first.rms_sd / second.rms_sd).powi(2);
    let (df_1, df_2) = (first.df as f64, second.df as f64);
    let above = f_upper(ratio, df_1, df_2);
    Ok(VarianceRatio {
        ratio,
        interval: Interval {
            lower: ratio / f_quantile(0.5 + 0.5 * level, df_1, df_2),
            upper: ratio * f_quantile(0.5 + 0.5 * level, df_2, df_1),
        },
        p_value: (2.0 * above.min(1.0 - above)).min(1.0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_repeats_have_no_error() {
        let zero = precision(&[vec![2.0, 2.0], vec![3.0, 3.0]], 0.95).unwrap();
        assert!(zero.rms_sd.abs() < 1e-300 && zero.rms_sd_interval.upper.abs() < 1e-300);
        let other = precision(&[vec![2.0, 2.1], vec![3.0, 3.2]], 0.95).unwrap();
        assert!(compare(&other, &zero, 0.95).is_err());
        assert!(compare(&zero, &other, 0.95).unwrap().p_value < 1e-12);
    }

    #[test]
    fn subjects_measured_once_are_counted_apart() {
        let found = precision(&[vec![2.0, 2.2], vec![5.0], vec![]], 0.95).unwrap();
        assert_eq!((found.subjects, found.single, found.df), (1, 2, 1));
        let none = precision(&[vec![5.0], vec![]], 0.95).unwrap_err();
        assert_eq!(
            none.to_string(),
            "0 subjects measured twice, at least 1 expected"
        );
        let negative = precision(&[vec![-1.0, 1.0]], 0.95).unwrap();
        assert!(negative.rms_cv.is_none());
        assert!(precision(&[vec![1.0, f64::INFINITY]], 0.95).is_err());
    }

    #[test]
    fn swapping_methods_inverts_the_ratio() {
        let a = precision(&[vec![2.0, 2.3], vec![3.0, 3.1], vec![5.0, 4.4]], 0.95).unwrap();
        let b = precision(&[vec![2.0, 2.1, 2.2], vec![3.0, 3.2]], 0.95).unwrap();
        let ab = compare(&a, &b, 0.9).unwrap();
        let ba = compare(&b, &a, 0.9).unwrap();
        assert!((ab.ratio * ba.ratio - 1.0).abs() < 1e-12);
        assert!((ab.interval.lower * ba.interval.upper - 1.0).abs() < 1e-12);
        assert!((ab.p_value - ba.p_value).abs() < 1e-12);
    }
}
