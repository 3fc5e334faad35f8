//! Linear fits whose weights come from the fit itself: robust, power of the mean, and
//! power of a size that is known.
//!
//! All repeat [`fit_weighted`] until the weights stand still.

use super::failure::{check_finite, check_length};
use super::linear::{Design, Fit, Rough, fit, fit_roughly, fit_weighted};
use super::{Failure, median};

/// Huber's constant: 95 % efficient where the errors are normal after all.
const HUBER_CONSTANT: f64 = 1.345;
/// Median absolute deviation of a standard normal.
const NORMAL_MAD: f64 = 0.674_489_750_196_081_7;
const ITERATIONS: usize = 500;
/// Largest relative change of a fitted value, over the response's spread, at the end.
const CONVERGED: f64 = 1e-11;
/// The same from which on the fits are refined.
const NEAR: f64 = 1e-10;
/// Beyond this no power of the mean is an error model.
const LARGEST_POWER: f64 = 5.0;

/// A robust fit: rows far from the rest pull with a limited force.
#[derive(Debug, Clone)]
pub struct RobustFit {
    /// Coefficients, in the design's order.
    pub coefficients: Vec<f64>,
    /// Their standard errors.
    pub standard_errors: Vec<f64>,
    /// Robust residual standard deviation: median absolute residual / 0.6745.
    pub scale: f64,
    /// Pull of each row, n of them: 1 for a row in line with the rest, less for one that is not.
    pub pull: Vec<f64>,
    /// Observed minus fitted, n of them.
    pub residuals: Vec<f64>,
    /// Iterations taken.
    pub iterations: usize,
}

/// Which coefficients, if rows far from the rest may not pull harder than at 1.345 scales?
///
/// # Shapes
/// `response`: n, as many as the design has rows.
/// # Errors
/// Those of [`fit`]; [`Failure::NoVariation`] where at least half of the residuals
/// are 0, so that no scale exists; [`Failure::NotConverged`].
/// # Source
/// Huber, P. J. (1964), Ann. Math. Statist. 35:73-101; standard errors: Huber 1981,
/// Robust Statistics, section 7.6 (his correction factor K). Scale re-estimated at
/// each step from the median absolute residual.
pub fn huber(design: &Design, response: &[f64]) -> Result<RobustFit, Failure> {
    let start = fit(design, response)?;
    if start.is_exact() {
        return Err(no_scale());
    }
    let unweighted_errors = unit_errors(&start);
    let mut current = start;
    let mut last_fitted = current.fitted.clone();
    for iterations in 1..=ITERATIONS {
        let scale = robust_scale(&current.residuals)?;
        let pull: Vec<f64> = current.residuals.iter().map(|e| pull(e / scale)).collect();
        current = fit_weighted(design, response, &pull)?;
        if moved(&last_fitted, &current.fitted, scale) < CONVERGED {
            let scale = robust_scale(&current.residuals)?;
            let factor = huber_factor(&current, scale);
            return Ok(RobustFit {
                standard_errors: unweighted_errors
                    .iter()
                    .map(|error| factor * error)
                    .collect(),
                coefficients: current.coefficients,
                scale,
                pull,
                residuals: current.residuals,
                iterations,
            });
        }
        last_fitted.clone_from(&current.fitted);
    }
    Err(Failure::NotConverged {
        iterations: ITERATIONS,
    })
}

/// Standard errors for sigma = 1, of a fit that is not exact.
fn unit_errors(fit: &Fit) -> Vec<f64> {
    let errors = fit.standard_errors();
    errors.iter().map(|error| error / fit.sigma).collect()
}

fn pull(standardised: f64) -> f64 {
    (HUBER_CONSTANT / standardised.abs()).min(1.0)
}

fn robust_scale(residuals: &[f64]) -> Result<f64, Failure> {
    let sizes: Vec<f64> = residuals.iter().map(|e| e.abs()).collect();
    let scale = median(&sizes) / NORMAL_MAD;
    let largest = sizes.iter().copied().fold(0.0, f64::max);
    if scale > 1e-12 * largest {
        Ok(scale)
    } else {
        Err(no_scale())
    }
}

fn no_scale() -> Failure {
    Failure::NoVariation {
        what: "residuals (at least half are 0)".to_owned(),
    }
}

/// sqrt(S) K / m: S the mean square of the limited residuals on n - p, m the share of
/// rows not limited, K = 1 + p/n (1 - m)/m.
fn huber_factor(fit: &Fit, scale: f64) -> f64 {
    let n = fit.n() as f64;
    let p = fit.coefficients.len() as f64;
    let limited = fit.residuals.iter().map(|e| (e * pull(e / scale)).powi(2));
    let squares = limited.sum::<f64>() / fit.df as f64;
    let free = fit
        .residuals
        .iter()
        .filter(|e| e.abs() <= HUBER_CONSTANT * scale);
    let share = (free.count() as f64 / n).max(1.0 / n);
    // Variance of an indicator, on n - 1 as Huber's K is computed in practice.
    let variance = share * (1.0 - share) * n / (n - 1.0);
    let correction = 1.0 + p * variance / (n * share * share);
    squares.sqrt() * correction / share
}

fn moved(before: &[f64], after: &[f64], scale: f64) -> f64 {
    let pairs = before.iter().zip(after);
    pairs
        .map(|(a, b)| (a - b).abs() / scale)
        .fold(0.0, f64::max)
}

/// A fit whose residual SD is sigma times a power of the fitted value, or of a size.
#[derive(Debug, Clone)]
pub struct PowerFit {
    /// The weighted fit at the end; sigma is the SD at a fitted value (a size) of 1.
    /// Its `parameters` count the power where that was estimated.
    pub fit: Fit,
    /// Power in the SD: 0 constant, 1 proportional.
    pub power: f64,
    /// Iterations taken.
    pub iterations: usize,
}

impl PowerFit {
    /// Weight of a row with this fitted value or size, to hand to
    /// [`Fit::predict_weighted`].
    #[must_use]
    pub fn weight(&self, size: f64) -> f64 {
        size.abs().powf(-2.0 * self.power)
    }
}

/// Least squares with SD proportional to the given power of the fitted value.
///
/// # Shapes
/// `response`: n, as many as the design has rows; its fitted values must be above 0.
/// # Errors
/// Those of [`fit`]; [`Failure::Value`] for a fitted value that is not above 0;
/// [`Failure::NotConverged`].
/// # Source
/// Carroll & Ruppert 1988, Transformation and Weighting in Regression, section 2.1
/// (generalised least squares: the weights are not differentiated).
pub fn power_of_mean(design: &Design, response: &[f64], power: f64) -> Result<PowerFit, Failure> {
    reweight(design, response, Sizes::Fitted, power, |_, _, power| {
        Ok(power)
    })
}

/// The same, with the power estimated by pseudo-likelihood between the reweightings.
///
/// # Shapes
/// As [`power_of_mean`].
/// # Errors
/// As [`power_of_mean`]; also [`Failure::NoVariation`] for fitted values that are
/// all alike or a fit that is exact.
/// # Source
/// Davidian & Carroll 1987, J. Am. Statist. Assoc. 82:1079-1091.
pub fn estimated_power_of_mean(design: &Design, response: &[f64]) -> Result<PowerFit, Failure> {
    estimated(design, response, Sizes::Fitted)
}

/// Least squares with SD proportional to a power of a size that each row has, such as
/// a body weight, the power estimated; response and fitted values may be negative.
///
/// Maximum likelihood in coefficients, power and sigma at once, since the weights do
/// not hang on the coefficients: each step maximises it in the one, then in the other.
///
/// # Shapes
/// `response`, `sizes`: n, as many as the design has rows; sizes above 0.
/// # Errors
/// Those of [`fit`]; [`Failure::Lengths`]; [`Failure::Value`] for a size that is not
/// above 0; [`Failure::NoVariation`] for sizes that are all alike or a fit that is
/// exact; [`Failure::NotConverged`].
/// # Source
/// Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS, section 5.2
/// (`varPower`). Cited from memory.
pub fn estimated_power_of(
    design: &Design,
    response: &[f64],
    sizes: &[f64],
) -> Result<PowerFit, Failure> {
    check_length("sizes", sizes.len(), design.n())?;
    check_finite("size", sizes)?;
    estimated(design, response, Sizes::Known(sizes))
}

fn estimated(design: &Design, response: &[f64], sizes: Sizes<'_>) -> Result<PowerFit, Failure> {
    let mut answer = reweight(design, response, sizes, 0.5, pseudo_likelihood_power)?;
    answer.fit.parameters += 1;
    Ok(answer)
}

/// What the SD of a row is a power of.
#[derive(Clone, Copy)]
enum Sizes<'a> {
    Fitted,
    Known(&'a [f64]),
}

impl<'a> Sizes<'a> {
    /// The sizes at these fitted values, all above 0.
    fn of(self, fitted: &'a [f64]) -> Result<&'a [f64], Failure> {
        let (sizes, what, expected) = match self {
            Sizes::Fitted => (
                fitted,
                "fitted value",
                "a fitted value above 0 for weights by a power of the mean",
            ),
            Sizes::Known(sizes) => (sizes, "size", "a number above 0 for weights by its power"),
        };
        match sizes.iter().position(|size| *size <= 0.0) {
            None => Ok(sizes),
            Some(row) => Err(Failure::Value {
                what: what.to_owned(),
                row,
                found: sizes[row],
                expected,
            }),
        }
    }
}

/// Steps of rough fits bring the weights near where they stand still, then full fits to the
/// end: the same end, for a third of the work.
fn reweight(
    design: &Design,
    response: &[f64],
    sizes: Sizes<'_>,
    mut power: f64,
    next_power: impl Fn(&Rough, &[f64], f64) -> Result<f64, Failure>,
) -> Result<PowerFit, Failure> {
    let start = fit(design, response)?;
    let mut current = Rough::from(&start);
    let mut rough = true;
    for iterations in 1..=ITERATIONS {
        let now = sizes.of(&current.fitted)?;
        power = next_power(&current, now, power)?;
        let weights: Vec<f64> = now.iter().map(|m| m.powf(-2.0 * power)).collect();
        let full = match rough {
            true => None,
            false => Some(fit_weighted(design, response, &weights)?),
        };
        let next = match &full {
            Some(fit) => Rough::from(fit),
            None => fit_roughly(design, response, &weights)?,
        };
        let sizes_of_fit = next.fitted.iter();
        let size = sizes_of_fit.fold(f64::MIN_POSITIVE, |a, b| a.max(b.abs()));
        let change = moved(&current.fitted, &next.fitted, size);
        current = next;
        match full {
            Some(fit) if change < CONVERGED => {
                sizes.of(&current.fitted)?;
                return Ok(PowerFit {
                    fit,
                    power,
                    iterations,
                });
            }
            _ => rough &= change > NEAR && iterations < ITERATIONS / 2,
        }
    }
    Err(Failure::NotConverged {
        iterations: ITERATIONS,
    })
}

/// Power d that maximises -n/2 ln(sum e^2 / m^2d) - d sum ln m for residuals e and
/// sizes m. With weights v_i = e_i^2 / m_i^2d its slope is zero where the
/// v-weighted mean of ln m equals the plain mean, and the weighted mean falls as d
/// rises, so the root is single. The search begins at `near`.
fn pseudo_likelihood_power(fit: &Rough, sizes: &[f64], near: f64) -> Result<f64, Failure> {
    let logs: Vec<f64> = sizes.iter().map(|m| m.ln()).collect();
    let centre = super::mean(&logs);
    let spread = logs
        .iter()
        .fold(0.0_f64, |a, log| a.max((log - centre).abs()));
    if spread < 1e-9 || fit.exact {
        return Err(Failure::NoVariation {
            what: "fitted values, sizes or residuals, from which the power is estimated".to_owned(),
        });
    }
    // The slope's sign at a power, and Newton's next: the slope falls at twice the
    // v-weighted variance of ln m.
    let newton = |power: f64| {
        let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
        for (e, log) in fit.residuals.iter().zip(&logs) {
            let away = log - centre;
            let part = e * e * (-2.0 * power * away).exp();
            sum += part;
            first += part * away;
            second += part * away * away;
        }
        let slope = first / sum;
        (
            slope,
            power + slope / (2.0 * (second / sum - slope * slope)),
        )
    };
    // Powers beyond 5 are no error model; the ends are then returned.
    let (mut low, mut high) = (-LARGEST_POWER, LARGEST_POWER);
    let mut power = near.clamp(low, high);
    for _ in 0..60 {
        let (slope, next) = newton(power);
        if slope > 0.0 {
            low = power;
        } else {
            high = power;
        }
        if (next - power).abs() <= 4.0 * f64::EPSILON * LARGEST_POWER {
            return Ok(next);
        }
        // A step out of the bracket is none of Newton's: halve it.
        power = if next > low && next < high {
            next
        } else {
            f64::midpoint(low, high)
        };
    }
    Ok(power)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Brownlee's stack loss data (Brownlee 1965, as in R's `stackloss`).
    const STACK_LOSS: [[f64; 4]; 21] = [
        [80.0, 27.0, 89.0, 42.0],
        [80.0, 27.0, 88.0, 37.0],
        [75.0, 25.0, 90.0, 37.0],
        [62.0, 24.0, 87.0, 28.0],
        [62.0, 22.0, 87.0, 18.0],
        [62.0, 23.0, 87.0, 18.0],
        [62.0, 24.0, 93.0, 19.0],
        [62.0, 24.0, 93.0, 20.0],
        [58.0, 23.0, 87.0, 15.0],
        [58.0, 18.0, 80.0, 14.0],
        [58.0, 18.0, 89.0, 14.0],
        [58.0, 17.0, 88.0, 13.0],
        [58.0, 18.0, 82.0, 11.0],
        [58.0, 19.0, 93.0, 12.0],
        [50.0, 18.0, 89.0, 8.0],
        [50.0, 18.0, 86.0, 7.0],
        [50.0, 19.0, 72.0, 8.0],
        [50.0, 19.0, 79.0, 8.0],
        [50.0, 20.0, 80.0, 9.0],
        [56.0, 20.0, 82.0, 15.0],
        [70.0, 20.0, 91.0, 15.0],
    ];

    fn close(found: f64, expected: f64, relative: f64) {
        let error = (found - expected).abs() / expected.abs();
        assert!(error < relative, "{found} for {expected}: {error:e}");
    }

    /// statsmodels 0.15.0 `RLM` (Huber 1.345, MAD about 0, covariance H1), converged to
    /// 1e-14. R's `rlm` stops at a change of 1e-4 and prints -41.0265, 0.8294, 0.9261,
    /// -0.1278 (R values from memory).
    #[test]
    fn stack_loss() {
        let column = |j: usize| STACK_LOSS.iter().map(|row| row[j]).collect::<Vec<f64>>();
        let columns = ["air", "water", "acid"].iter().enumerate();
        let columns = columns
            .map(|(j, name)| ((*name).to_owned(), column(j)))
            .collect();
        let design = Design::with_intercept(21, columns).unwrap();
        let robust = huber(&design, &column(3)).unwrap();
        let coefficients = [-41.02649835, 0.82938433, 0.92606597, -0.12784672];
        for (found, expected) in robust.coefficients.iter().zip(coefficients) {
            close(*found, expected, 1e-7); // as many as were printed
        }
        close(robust.scale, 2.4405360917211585, 1e-9);
        close(robust.pull[20], 0.3680916821663219, 1e-9);
        close(robust.pull[3], 0.5048671960226059, 1e-9);
        // R's `summary(rlm(stack.loss ~ ., stackloss))`, printed to four decimals (from
        // memory); statsmodels, with variances on n, has 9.7919, 0.1110, 0.3029, 0.1286.
        let errors = [9.8073, 0.1112, 0.3034, 0.1289];
        for (found, expected) in robust.standard_errors.iter().zip(errors) {
            // R stops iterating early: the scale then differs in the fifth digit.
            close(*found, expected, 5e-4);
        }
    }

    #[test]
    fn power_one_is_weighting_by_the_squared_mean() {
        let x: Vec<f64> = (1..9).map(f64::from).collect();
        let y = [1.1, 1.9, 3.3, 3.8, 5.5, 5.6, 7.7, 7.5];
        let design = Design::with_intercept(8, vec![("x".to_owned(), x)]).unwrap();
        let power = power_of_mean(&design, &y, 1.0).unwrap();
        let weights: Vec<f64> = power.fit.fitted.iter().map(|m| m.powi(-2)).collect();
        let again = fit_weighted(&design, &y, &weights).unwrap();
        close(again.coefficients[1], power.fit.coefficients[1], 1e-10);
        close(power.weight(2.0), 0.25, 1e-15);
    }

    /// Residuals made exactly proportional to mean^1.5 in size, with signs that
    /// are balanced: the estimated power must come out near 1.5.
    #[test]
    fn the_power_is_found() {
        let x: Vec<f64> = (0..400).map(|i| 1.0 + f64::from(i / 4) * 0.1).collect();
        let signs = [1.0, -1.0, -1.0, 1.0];
        let pairs = x.iter().enumerate();
        let y: Vec<f64> = pairs
            .map(|(i, x)| 10.0 * x + signs[i % 4] * 0.01 * (10.0 * x).powf(1.5))
            .collect();
        let design = Design::with_intercept(400, vec![("x".to_owned(), x)]).unwrap();
        let answer = estimated_power_of_mean(&design, &y).unwrap();
        close(answer.power, 1.5, 1e-6);
        close(answer.fit.coefficients[1], 10.0, 1e-9);
        close(answer.fit.sigma, 0.01, 0.01);
        assert_eq!(answer.fit.parameters, 4);
    }

    /// R 4 `nlme::gls(stack.loss ~ Water.Temp, weights = varPower(form = ~ Air.Flow),
    /// method = "ML")`, and its profile maximised by `lm` and `optimize` (tolerance 1e-12).
    #[test]
    fn power_of_a_known_size() {
        let column = |j: usize| STACK_LOSS.iter().map(|row| row[j]).collect::<Vec<f64>>();
        let water = vec![("water".to_owned(), column(1))];
        let design = Design::with_intercept(21, water).unwrap();
        let answer = estimated_power_of(&design, &column(3), &column(0)).unwrap();
        // The optimum of R is known to the root of its tolerance, about 1e-8.
        close(answer.power, 3.390_648_69, 1e-7);
        close(answer.fit.coefficients[0], -30.178_487_88, 1e-7);
        close(answer.fit.coefficients[1], 2.142_381_143, 1e-7);
        let errors = answer.fit.standard_errors();
        close(errors[0], 7.770_752_760, 1e-7);
        close(errors[1], 0.394_406_790_7, 1e-7);
        // At the optimum the likelihood is flat.
        close(answer.fit.log_lik.unwrap(), -60.601_748_287_686, 1e-12);
        close(
            -2.0 * answer.fit.log_lik.unwrap() + 2.0 * answer.fit.parameters as f64,
            129.203_496_575_37,
            1e-12,
        );
        let mut sizes = column(0);
        sizes[4] = 0.0;
        let failure = estimated_power_of(&design, &column(3), &sizes).unwrap_err();
        assert!(failure.to_string().contains("above 0"), "{failure}");
        assert!(matches!(
            estimated_power_of(&design, &column(3), &[2.0; 21]),
            Err(Failure::NoVariation { .. })
        ));
    }

    #[test]
    fn what_cannot_be_weighted_is_reported() {
        let x: Vec<f64> = (0..6).map(f64::from).collect();
        let design = Design::with_intercept(6, vec![("x".to_owned(), x.clone())]).unwrap();
        let y = [-1.0, 0.1, 0.9, 2.2, 2.9, 4.1];
        let failure = power_of_mean(&design, &y, 1.0).unwrap_err();
        assert!(failure.to_string().contains("above 0"), "{failure}");
        let mut line = x;
        line[5] = 9.0;
        assert!(matches!(
            huber(&design, &[3.0; 6]),
            Err(Failure::NoVariation { .. })
        ));
        assert!(huber(&design, &line).is_err());
    }
}
