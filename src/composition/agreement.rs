//! How well two ways of knowing a mass agree: a row of the agreement table.

use crate::stats::agreement::{
    ProportionalBias, concordance_coefficient, deming, limits_of_agreement, proportional_bias,
};
use crate::stats::linear::{Design, fit};
use crate::stats::{Failure, Interval};

/// Agreement of one trait at one stage (`agreement`).
#[derive(Debug, Clone, PartialEq)]
pub struct AgreementRow {
    /// Trait.
    pub trait_name: String,
    /// `before`, `after`, or what is compared.
    pub stage: String,
    /// Pairs.
    pub n: usize,
    /// Mean of second minus first (reading or prediction less chemistry).
    pub bias: f64,
    /// SD of the differences.
    pub sd: f64,
    /// Lower limit of agreement (95 percent).
    pub lower_limit: f64,
    /// Upper limit.
    pub upper_limit: f64,
    /// Lin's concordance coefficient; none with fewer than 4 pairs or no spread.
    pub concordance: Option<f64>,
    /// Lower end of its interval.
    pub concordance_lower: Option<f64>,
    /// Upper end.
    pub concordance_upper: Option<f64>,
    /// Slope of Deming's line of second on first; none with fewer than 3 pairs or
    /// no spread.
    pub deming_slope: Option<f64>,
    /// Its intercept.
    pub deming_intercept: Option<f64>,
    /// Confidence interval of the slope (jackknife).
    pub deming_slope_interval: Option<Interval>,
    /// Confidence interval of the intercept (jackknife).
    pub deming_intercept_interval: Option<Interval>,
    /// Slope of first on second: 1 where the second is calibrated.
    pub calibration_slope: Option<f64>,
    /// Root mean square difference; after correction, that of cross-validation.
    pub rmse: f64,
    /// The same, percent of the mean of first; none where that is not above 0.
    pub rmse_pct: Option<f64>,
    /// Confidence interval of the bias.
    pub bias_interval: Interval,
    /// Confidence interval of the lower limit.
    pub lower_limit_interval: Interval,
    /// Confidence interval of the upper limit.
    pub upper_limit_interval: Interval,
    /// How the difference changes along the mean of both; none with fewer than 3 pairs or no
    /// spread.
    pub proportional_bias: Option<ProportionalBias>,
    /// Unit of biases, limits and errors: `g`, `%`, or that of a density.
    pub unit: String,
}

/// Compares `second` (reading or prediction) with `first` (chemistry), masses in grams.
///
/// # Errors
/// [`Failure`] for fewer than 2 pairs or a wrong setting. A quantity that these
/// pairs do not give is left out.
pub fn compare(
    trait_name: &str,
    stage: &str,
    first: &[f64],
    second: &[f64],
    deming_ratio: f64,
    confidence: f64,
) -> Result<AgreementRow, Failure> {
    let limits = limits_of_agreement(first, second, confidence)?;
    let n = first.len();
    let concordance = concordance_coefficient(first, second, confidence).ok();
    let line = match deming(first, second, deming_ratio, confidence) {
        Err(wrong @ Failure::Setting { .. }) => return Err(wrong),
        line => line.ok(),
    };
    let design = Design::with_intercept(n, vec![("second".to_owned(), second.to_vec())])?;
    let squares: f64 = first.iter().zip(second).map(|(a, b)| (b - a).powi(2)).sum();
    let rmse = (squares / n as f64).sqrt();
    let mean = first.iter().sum::<f64>() / n as f64;
    Ok(AgreementRow {
        trait_name: trait_name.to_owned(),
        stage: stage.to_owned(),
        n,
        bias: limits.bias,
        sd: limits.sd,
        lower_limit: limits.limits.lower,
        upper_limit: limits.limits.upper,
        concordance: concordance.map(|concordance| concordance.coefficient),
        concordance_lower: concordance.map(|concordance| concordance.interval.lower),
        concordance_upper: concordance.map(|concordance| concordance.interval.upper),
        deming_slope: line.map(|line| line.slope),
        deming_intercept: line.map(|line| line.intercept),
        deming_slope_interval: line.map(|line| line.slope_interval),
        deming_intercept_interval: line.map(|line| line.intercept_interval),
        calibration_slope: fit(&design, first).ok().map(|fit| fit.coefficients[1]),
        rmse,
        rmse_pct: (mean > 0.0).then(|| 100.0 * rmse / mean),
        bias_interval: limits.bias_interval,
        lower_limit_interval: limits.lower_limit_interval,
        upper_limit_interval: limits.upper_limit_interval,
        proportional_bias: proportional_bias(first, second, confidence).ok(),
        unit: "g".to_owned(),
    })
}
