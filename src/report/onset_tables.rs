//! The tables of the onset of lay.

use crate::maturity::{LayCurve, LayRecords, OnsetModels, Reliability};
use crate::report::Table;

/// `onset_terms.csv`: the terms of every onset model that has an answer.
///
/// Terms of accelerated failure time models are on ln age (or ln days since the
/// landmark), those of proportional hazards on the ln hazard.
#[must_use]
pub fn onset_terms(models: &OnsetModels) -> Table {
    let mut table = Table::new(
        "onset_terms",
        &[
            "model",
            "term",
            "estimate",
            "std_error",
            "lower",
            "upper",
            "days_per_sd",
        ],
    );
    for model in &models.models {
        let Ok(estimates) = &model.result else {
            continue;
        };
        for term in &estimates.terms {
            table
                .row()
                .text(&model.name)
                .text(&term.name)
                .number(term.estimate)
                .number(term.std_error)
                .number(term.interval.lower)
                .number(term.interval.upper)
                .number(term.days_per_sd);
        }
    }
    table
}

/// `onset_fits.csv`: every onset model, how it fits and how it predicts.
#[must_use]
pub fn onset_fits(models: &OnsetModels) -> Table {
    let mut table = Table::new(
        "onset_fits",
        &[
            "model",
            "n",
            "events",
            "log_lik",
            "aic",
            "concordance",
            "cv_error_d",
            "cv_n",
            "cv_concordance",
            "calibration_slope",
            "cues",
            "status",
            "reason",
        ],
    );
    for model in &models.models {
        let estimates = model.result.as_ref().ok();
        let checked = model.cross_validated;
        let status = match &model.result {
            Err(_) => "failed",
            Ok(_) if model.weakness.is_empty() => "converged",
            Ok(_) => "weak",
        };
        table
            .row()
            .text(&model.name)
            .whole(model.n)
            .whole(model.events)
            .number(estimates.map(|estimates| estimates.log_lik))
            .number(estimates.map(|estimates| estimates.aic))
            .number(estimates.and_then(|estimates| estimates.concordance))
            .number(checked.and_then(|checked| checked.error_d))
            .whole(checked.map(|checked| checked.n))
            .number(checked.and_then(|checked| checked.concordance))
            .number(checked.and_then(|checked| checked.calibration_slope))
            .text(&model.cues.join(" + "))
            .text(status)
            .text(model.result.as_ref().err().unwrap_or(&model.weakness));
    }
    table
}

/// `onset_cues.csv`: the cues that the models rest on, and how reliable each is.
#[must_use]
pub fn onset_cues(reliabilities: &[Reliability]) -> Table {
    let mut table = Table::new(
        "onset_cues",
        &[
            "cue",
            "known",
            "n",
            "mean",
            "sd_within_strains",
            "std_error",
            "reliability",
        ],
    );
    for row in reliabilities {
        table
            .row()
            .text(&row.cue)
            .whole(row.known)
            .whole(row.n)
            .number(row.mean)
            .number(row.sd)
            .number(row.std_error)
            .number(row.reliability);
    }
    table
}

/// Level and name of a strain's rows, or of all birds'.
fn level<'a>(records: &'a LayRecords, strain: Option<usize>) -> (&'static str, &'a str) {
    match strain {
        Some(strain) => ("strain", &records.strains[strain]),
        None => ("flock", ""),
    }
}

/// `lay_curve.csv`: the share of birds in lay by age.
///
/// By Turnbull's method the curve rises somewhere between `from_d` and `age_d`.
#[must_use]
pub fn lay_curve(records: &LayRecords, curves: &[LayCurve]) -> Table {
    let mut table = Table::new(
        "lay_curve",
        &[
            "level",
            "strain",
            "method",
            "age_d",
            "share_in_lay",
            "std_error",
            "lower",
            "upper",
            "from_d",
            "at_risk",
            "laid",
            "last_seen",
        ],
    );
    for curve in curves {
        let (level, strain) = level(records, curve.strain);
        for point in &curve.points {
            table
                .row()
                .text(level)
                .text(strain)
                .text(curve.method.name())
                .number(point.age_d)
                .number(point.share)
                .number(point.std_error)
                .number(point.interval.map(|interval| interval.lower))
                .number(point.interval.map(|interval| interval.upper))
                .number(point.from_d)
                .whole(point.at_risk)
                .whole(point.laid)
                .whole(point.last_seen);
        }
    }
    table
}

/// `age_in_lay.csv`: the age by which 10, 50 and 90 percent are in lay.
#[must_use]
pub fn age_in_lay(records: &LayRecords, curves: &[LayCurve]) -> Table {
    let mut table = Table::new(
        "age_in_lay",
        &[
            "level",
            "strain",
            "method",
            "n",
            "laid",
            "in_lay_pct",
            "age_d",
            "lower",
            "upper",
        ],
    );
    for curve in curves {
        let (level, strain) = level(records, curve.strain);
        for age in &curve.ages {
            table
                .row()
                .text(level)
                .text(strain)
                .text(curve.method.name())
                .whole(curve.n)
                .whole(curve.laid)
                .number(age.share_pct)
                .number(age.age_d)
                .number(age.lower_d)
                .number(age.upper_d);
        }
    }
    table
}
