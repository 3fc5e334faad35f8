//! The figures of a validation, one row each.

use super::Tested;
use super::verdict::{Judged, Limit};
use crate::composition::agreement::compare;
use crate::stats::Interval;
use crate::stats::distribution::t_two_sided_quantile;
use crate::stats::exact_share::exact_share;
use crate::stats::robust_line::RobustLine;

/// How far a figure is to be relied upon.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// The birds support it.
    Supported,
    /// Few birds: to be used with caution.
    Weak,
    /// The birds do not give it.
    NotEstimable,
}

impl Standing {
    /// `supported`, `weak` or `not estimable`.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Supported => "supported",
            Self::Weak => "weak",
            Self::NotEstimable => "not estimable",
        }
    }
}

/// One figure (`validation`).
#[derive(Debug, Clone, PartialEq)]
pub struct QuantityRow {
    /// What it is: `bias`, `calibration_slope`, ...
    pub quantity: &'static str,
    /// Whether it is in the unit of the response; else a number without one.
    pub in_unit: bool,
    /// Estimate.
    pub estimate: Option<f64>,
    /// Standard error.
    pub std_error: Option<f64>,
    /// Interval.
    pub interval: Option<Interval>,
    /// Birds.
    pub n: usize,
    /// How far it is to be relied upon.
    pub standing: Standing,
    /// Why, or what to know.
    pub caution: String,
}

/// Fewer birds than this make every figure weak.
const FEW: usize = 8;

/// Builds rows of these birds.
#[derive(Clone, Copy)]
struct Rows {
    n: usize,
}

impl Rows {
    fn row(
        self,
        quantity: &'static str,
        in_unit: bool,
        estimate: Option<f64>,
        std_error: Option<f64>,
        interval: Option<Interval>,
    ) -> QuantityRow {
        let few = self.n < FEW;
        QuantityRow {
            quantity,
            in_unit,
            estimate,
            std_error,
            interval,
            n: self.n,
            standing: match (estimate, few) {
                (None, _) => Standing::NotEstimable,
                (Some(_), true) => Standing::Weak,
                (Some(_), false) => Standing::Supported,
            },
            caution: match few {
                true => format!("from {} birds", self.n),
                false => String::new(),
            },
        }
    }

    /// A number without interval.
    fn plain(self, quantity: &'static str, in_unit: bool, estimate: Option<f64>) -> QuantityRow {
        self.row(quantity, in_unit, estimate, None, None)
    }
}

pub(super) fn quantities(
    birds: &[Tested],
    limit: &Limit,
    judged: &Judged,
    confidence: f64,
) -> Vec<QuantityRow> {
    let make = Rows { n: birds.len() };
    let mut rows = of_agreement(birds, judged, confidence, make);
    rows.extend(of_line(judged, confidence, make));
    rows.push(outside(birds, confidence, make));
    rows.push(make.plain("acceptable_error", true, Some(limit.at_mean(birds))));
    if let Some(bias) = judged.bias {
        rows.push(make.plain("p_equivalence", false, Some(bias.p_value)));
    }
    rows
}

/// Bias, limits of agreement, size of the errors, concordance.
fn of_agreement(
    birds: &[Tested],
    judged: &Judged,
    confidence: f64,
    make: Rows,
) -> Vec<QuantityRow> {
    let observed: Vec<f64> = birds.iter().map(|bird| bird.observed).collect();
    let predicted: Vec<f64> = birds.iter().map(|bird| bird.predicted).collect();
    let t = t_two_sided_quantile(confidence, birds.len() as f64 - 1.0);
    let mut rows = Vec::new();
    if let Some(bias) = judged.bias {
        let error = bias.standard_error;
        let interval = Interval::around(bias.mean, t * error);
        rows.push(make.row("bias", true, Some(bias.mean), Some(error), Some(interval)));
    }
    let limits = compare("", "", &observed, &predicted, 1.0, confidence).ok();
    if let Some(of) = &limits {
        for (quantity, limit, interval) in [
            (
                "lower_limit_of_agreement",
                of.lower_limit,
                of.lower_limit_interval,
            ),
            (
                "upper_limit_of_agreement",
                of.upper_limit,
                of.upper_limit_interval,
            ),
        ] {
            let error = interval.width() / (2.0 * t);
            rows.push(make.row(quantity, true, Some(limit), Some(error), Some(interval)));
        }
        rows.push(make.plain("rmse", true, Some(of.rmse)));
    }
    if let Some((sd, interval)) = judged.error_sd {
        rows.push(make.row("error_sd", true, Some(sd), None, Some(interval)));
    }
    let concordance = limits.as_ref().and_then(|of| of.concordance);
    let ends = limits.as_ref().and_then(|of| {
        Some(Interval {
            lower: of.concordance_lower?,
            upper: of.concordance_upper?,
        })
    });
    rows.push(explained(
        make.row("concordance", false, concordance, None, ends),
        ALIKE,
    ));
    rows
}

/// Why there is no line.
const ALIKE: &str = "too few birds, or masses that do not vary";

/// The calibration line: in the large, slope, intercept, scatter about it.
fn of_line(judged: &Judged, confidence: f64, make: Rows) -> Vec<QuantityRow> {
    let mut rows = Vec::new();
    if let Some(bias) = judged.bias {
        let error = bias.standard_error;
        let t = t_two_sided_quantile(confidence, make.n as f64 - 1.0);
        let interval = Interval::around(-bias.mean, t * error);
        let estimate = Some(-bias.mean);
        let quantity = "calibration_in_the_large";
        rows.push(make.row(quantity, true, estimate, Some(error), Some(interval)));
    }
    let line = judged.line.as_ref();
    for (name, in_unit, value) in [
        ("calibration_slope", false, line.map(RobustLine::slope)),
        ("calibration_intercept", true, line.map(|line| line.at(0.0))),
    ] {
        let row = make.row(
            name,
            in_unit,
            value.map(|one| one.value),
            value.map(|one| one.standard_error),
            value.map(|one| one.interval(confidence)),
        );
        rows.push(explained(row, ALIKE));
    }
    let (sd, interval) = (judged.spread.map(|of| of.0), judged.spread.map(|of| of.1));
    let scatter = make.row("error_sd_about_calibration_line", true, sd, None, interval);
    rows.push(explained(scatter, ALIKE));
    rows
}

fn explained(mut row: QuantityRow, why: &str) -> QuantityRow {
    if row.estimate.is_none() {
        why.clone_into(&mut row.caution);
    }
    row
}

/// The share of birds outside the equation's prediction intervals, with its exact interval.
fn outside(birds: &[Tested], confidence: f64, make: Rows) -> QuantityRow {
    let outside: Option<Vec<bool>> = birds.iter().map(|bird| bird.outside).collect();
    let Some(outside) = outside else {
        return explained(
            make.plain("share_outside_prediction_interval", false, None),
            "the equation's residual variance is not known",
        );
    };
    let n = outside.len();
    let k = outside.iter().filter(|outside| **outside).count();
    let interval = exact_share(k, n, confidence);
    let share = k as f64 / n as f64;
    let mut row = make.row(
        "share_outside_prediction_interval",
        false,
        Some(share),
        None,
        Some(interval),
    );
    if interval.lower > 1.0 - confidence {
        row.caution = format!(
            "more than the {:.0} % that the equation's intervals promise: its standard errors are too small for these birds",
            100.0 * (1.0 - confidence)
        );
        row.standing = Standing::Weak;
    }
    row
}
