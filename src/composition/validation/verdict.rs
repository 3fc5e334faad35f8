//! May the equation be used for these birds?
//!
//! The bias is judged by equivalence (two one-sided t tests at 5 % each), since a bias that is
//! not significant may still be great. In this order:
//!
//! 1. The errors scatter about the calibration line by more than the acceptable error, and with
//!    more than twice the variance that the equation itself promises (lower end of the 95 %
//!    interval of the SD): no recalibration of intercept or slope brings its precision back, and
//!    the equation is *not usable*. The factor of two is a convention of this program.
//! 2. The calibration slope differs from 1 (95 % interval) and the line's bias at an end of the
//!    masses exceeds the acceptable error: *usable after recalibration of intercept and slope*,
//!    where the recalibrated mean would be known within the acceptable error.
//! 3. The 90 % interval of the bias lies within the acceptable error: *usable as it is*; but
//!    *undecided* where the errors are skewed towards the nearer limit (D'Agostino's test, one-sided
//!    P < 0.10, from 8 birds on) and Hall's transformation, which allows for it, does not show the
//!    same ([`skewed`](crate::stats::skewed)).
//! 4. The bias differs from 0 (95 % interval), and the recalibrated mean would be known within
//!    the acceptable error: *usable after recalibration of the intercept*.
//! 5. Otherwise *undecided*, with the number of further birds by which rule 3 or 4 would decide
//!    with 80 % probability if bias and spread are what they seem.

use super::{Acceptable, Tested, ValidationOptions};
use crate::composition::equation::Equation;
use crate::composition::provenance::{Provenance, Scale};
use crate::error::{Error, Result};
use crate::stats::distribution::{chi_squared_quantile, t_quantile, t_two_sided_quantile};
use crate::stats::equivalence::{Equivalence, two_one_sided, units_needed};
use crate::stats::robust_line::{LineValue, RobustLine};
use crate::stats::skewed::{equivalent_if_skewed, skewness};
use crate::stats::{Interval, mean};

/// Level of each of the two one-sided tests.
pub const ALPHA: f64 = 0.05;
/// Probability with which the number of further birds would decide.
const POWER: f64 = 0.8;
/// Error variance over that promised from which on an equation is not usable.
const MOST_VARIANCE: f64 = 2.0;
/// Confidence with which a bias or slope is judged to differ from what it should be.
const CONFIDENCE: f64 = 0.95;

/// One-sided level at which errors are called skewed: a level of 0.05 would see less than half of
/// the skewed errors of 12 birds.
const SKEWED: f64 = 0.10;

/// What a recalibration changes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Recalibrated {
    /// The intercept.
    Intercept,
    /// Intercept and slope.
    InterceptAndSlope,
}

/// The verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Usable as it is.
    AsItIs,
    /// Usable after recalibration.
    After(Recalibrated),
    /// Not usable, whatever the recalibration.
    NotUsable,
    /// These birds do not decide it.
    Undecided {
        /// How many more birds would; none where more than can be analysed, or not known.
        more_birds: Option<usize>,
    },
}

impl Verdict {
    /// The verdict in words.
    #[must_use]
    pub fn words(&self) -> &'static str {
        match self {
            Self::AsItIs => "usable as it is",
            Self::After(Recalibrated::Intercept) => "usable after recalibration (intercept)",
            Self::After(Recalibrated::InterceptAndSlope) => {
                "usable after recalibration (intercept and slope)"
            }
            Self::NotUsable => "not usable",
            Self::Undecided { .. } => "undecided",
        }
    }
}

/// The acceptable error.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limit {
    size: Acceptable,
    /// Where it comes from, in words.
    pub(super) source: String,
}

/// The residual SD of an equation where one number says it, as one from a paper: none where it
/// grows with the prediction.
fn residual_sd(of: &Provenance) -> Option<Acceptable> {
    let variance = of.residual_variance.filter(|variance| *variance > 0.0)?;
    match of.scale {
        Scale::Log => Some(Acceptable::Percent(100.0 * variance.exp_m1().sqrt())),
        Scale::Identity if of.variance_power.abs() < f64::MIN_POSITIVE => {
            Some(Acceptable::Absolute(variance.sqrt()))
        }
        Scale::Identity => None,
    }
}

impl Limit {
    /// The options for the equation's trait, or else the equation's error: that on birds left out,
    /// or the residual SD that was published.
    pub(super) fn of(equation: &Equation, options: &ValidationOptions) -> Result<Self> {
        let of = &equation.provenance;
        let given = options.acceptable.get(&of.response);
        if let Some(size) = given.or_else(|| options.acceptable.get("")) {
            let (Acceptable::Absolute(number) | Acceptable::Percent(number)) = *size;
            if !(number > 0.0 && number.is_finite()) {
                return Err(Error::call(format!(
                    "--acceptable {number}: expected a number above 0, such as 10 or 5%"
                )));
            }
            return Ok(Self {
                size: *size,
                source: "stated".to_owned(),
            });
        }
        match of.cross_validated_rmse {
            Some(error) if error > 0.0 => Ok(Self {
                size: Acceptable::Absolute(error),
                source: "the equation's own error on birds left out".to_owned(),
            }),
            _ => match residual_sd(of) {
                Some(size) => Ok(Self {
                    size,
                    source: "the equation's residual SD".to_owned(),
                }),
                None => Err(Error::call(format!(
                    "{}: found no error on birds left out and no residual SD in the equation, expected one or --acceptable {}=GRAMS; state the acceptable error",
                    equation.label(),
                    of.response
                ))),
            },
        }
    }

    /// At a mass.
    pub(super) fn at(&self, mass: f64) -> f64 {
        match self.size {
            Acceptable::Absolute(error) => error,
            Acceptable::Percent(percent) => percent / 100.0 * mass.abs(),
        }
    }

    /// At the mean mass of these birds.
    pub(super) fn at_mean(&self, birds: &[Tested]) -> f64 {
        let observed: Vec<f64> = birds.iter().map(|bird| bird.observed).collect();
        self.at(mean(&observed))
    }
}

/// What the verdict rests on.
pub(super) struct Judged {
    pub(super) verdict: Verdict,
    /// Why, in a sentence.
    pub(super) reason: String,
    /// The two one-sided tests of the bias.
    pub(super) bias: Option<Equivalence>,
    /// The line of observed on predicted.
    pub(super) line: Option<RobustLine>,
    /// SD of the errors about that line, with its interval.
    pub(super) spread: Option<(f64, Interval)>,
    /// SD of the errors about their mean, with its interval.
    pub(super) error_sd: Option<(f64, Interval)>,
}

/// An SD and its interval by chi squared.
fn sd_interval(sd: f64, df: f64, confidence: f64) -> Interval {
    let tail = (1.0 - confidence) / 2.0;
    let end = |p: f64| sd * (df / chi_squared_quantile(p, df)).sqrt();
    Interval {
        lower: end(1.0 - tail),
        upper: end(tail),
    }
}

/// Judges an equation by at least 3 birds.
pub(super) fn judge(birds: &[Tested], limit: &Limit, confidence: f64) -> Judged {
    let errors: Vec<f64> = birds.iter().map(Tested::error).collect();
    let observed: Vec<f64> = birds.iter().map(|bird| bird.observed).collect();
    let predicted: Vec<f64> = birds.iter().map(|bird| bird.predicted).collect();
    let acceptable = limit.at_mean(birds);
    let n = birds.len() as f64;
    let bias = two_one_sided(&errors, acceptable, ALPHA).ok();
    let line = RobustLine::of(&predicted, &observed).ok();
    let spread = line.as_ref().map(|line| {
        let sd = line.residual_sd();
        (sd, sd_interval(sd, n - 2.0, confidence))
    });
    let error_sd = bias.map(|bias| (bias.sd, sd_interval(bias.sd, n - 1.0, confidence)));
    let (verdict, reason) = match bias {
        None => (
            Verdict::Undecided { more_birds: None },
            "the acceptable error at the mean of these birds is not above 0".to_owned(),
        ),
        Some(bias) => {
            let promised: Option<Vec<f64>> = birds.iter().map(|bird| bird.std_error).collect();
            let promised = promised.map(|errors| {
                let squares: Vec<f64> = errors.iter().map(|error| error * error).collect();
                mean(&squares)
            });
            let bounds = Bounds {
                acceptable,
                scatter: acceptable.max((MOST_VARIANCE * promised.unwrap_or(0.0)).sqrt()),
            };
            decide((&bias, bounds), &errors, line.as_ref(), (limit, &predicted))
        }
    };
    Judged {
        verdict,
        reason,
        bias,
        line,
        spread,
        error_sd,
    }
}

/// What bias and scatter are held against, at the mean of the birds.
#[derive(Clone, Copy)]
struct Bounds {
    acceptable: f64,
    /// SD of single birds above which the equation is not usable.
    scatter: f64,
}

fn decide(
    (bias, bounds): (&Equivalence, Bounds),
    errors: &[f64],
    line: Option<&RobustLine>,
    (limit, predicted): (&Limit, &[f64]),
) -> (Verdict, String) {
    let (n, acceptable) = (bias.n as f64, bounds.acceptable);
    let (spread, df) = match line {
        Some(line) => (line.residual_sd(), n - 2.0),
        None => (bias.sd, n - 1.0),
    };
    if sd_interval(spread, df, CONFIDENCE).lower > bounds.scatter {
        return (
            Verdict::NotUsable,
            "the errors of single birds scatter by more than the acceptable error and with more than twice the variance that the equation promises, which no recalibration of intercept or slope changes".to_owned(),
        );
    }
    let half = t_quantile(1.0 - ALPHA, n - 1.0) * bias.standard_error;
    let recalibrated_is_known = half < acceptable;
    if let Some(ends) = line.and_then(|line| wrong_ends(line, limit, predicted)) {
        return if recalibrated_is_known {
            (Verdict::After(Recalibrated::InterceptAndSlope), ends)
        } else {
            (more(bias, acceptable), ends)
        };
    }
    if bias.equivalent {
        if let Some(reason) = too_skewed(bias, errors, acceptable) {
            return (Verdict::Undecided { more_birds: None }, reason);
        }
        return (
            Verdict::AsItIs,
            "the 90 % interval of the bias lies within the acceptable error".to_owned(),
        );
    }
    let zero = t_two_sided_quantile(CONFIDENCE, n - 1.0) * bias.standard_error;
    if bias.mean.abs() > zero && recalibrated_is_known {
        return (
            Verdict::After(Recalibrated::Intercept),
            "the bias differs from 0 and is not shown to lie within the acceptable error; without it the mean would be known within that error".to_owned(),
        );
    }
    (
        more(bias, acceptable),
        "the 90 % interval of the bias is neither within the acceptable error nor shows a bias that recalibration would remove".to_owned(),
    )
}

/// Why the t tests of the bias are not relied upon, where they are not.
fn too_skewed(bias: &Equivalence, errors: &[f64], acceptable: f64) -> Option<String> {
    let p = skewness(errors)?.p_towards(bias.mean);
    if p >= SKEWED || equivalent_if_skewed(errors, acceptable, ALPHA) {
        return None;
    }
    Some(format!(
        "the 90 % interval of the bias lies within the acceptable error, but the errors are skewed towards it (D'Agostino's test, one-sided P = {p:.3}), t intervals are then too narrow, and one that allows for the skewness (Hall) is not within; analyse more birds, or look at the birds with the greatest errors"
    ))
}

/// Why the slope must change, where it must.
fn wrong_ends(line: &RobustLine, limit: &Limit, predicted: &[f64]) -> Option<String> {
    let slope: LineValue = line.slope();
    if slope.interval(CONFIDENCE).contains(1.0) {
        return None;
    }
    let ends = [
        predicted.iter().copied().fold(f64::INFINITY, f64::min),
        predicted.iter().copied().fold(f64::NEG_INFINITY, f64::max),
    ];
    let beyond = |at: &f64| {
        let observed = line.at(*at).value;
        (at - observed).abs() > limit.at(observed)
    };
    ends.iter().any(beyond).then(|| {
        "the calibration slope differs from 1, and at an end of the masses the bias exceeds the acceptable error".to_owned()
    })
}

/// Undecided, with the birds that would decide.
fn more(bias: &Equivalence, acceptable: f64) -> Verdict {
    let needed = |distance: f64| units_needed(distance, bias.sd, ALPHA, POWER);
    let size = bias.mean.abs();
    let as_it_is = needed(acceptable - size);
    let by_recalibration = needed(size);
    let birds = match (as_it_is, by_recalibration) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (one, other) => one.or(other),
    };
    Verdict::Undecided {
        more_birds: birds
            .map(|birds| birds.saturating_sub(bias.n).max(1))
            .filter(|birds| *birds <= 10_000),
    }
}
