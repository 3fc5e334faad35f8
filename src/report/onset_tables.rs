//! The tables of the onset of lay.

use crate::maturity::{
    AtFirstEgg, Backtest, Bend, CueSet, LayCurve, LayRecords, OnsetForecast, OnsetModels, Quantity,
    Reliability, Threshold,
};
use crate::report::Table;
use crate::stats::Interval;
use crate::stats::time_to_event::EventTime;
use crate::study::Study;

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
            "cv_median_absolute_error_d",
            "brier_score",
            "brier_age_d",
            "gain_d2",
            "gain_std_error_d2",
            "gain_n",
            "recommended",
        ],
    );
    let recommended = models.recommended().map(|model| &model.name);
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
            .text(model.result.as_ref().err().unwrap_or(&model.weakness))
            .number(checked.and_then(|checked| checked.median_absolute_error_d))
            .number(checked.and_then(|checked| checked.brier).map(|b| b.score))
            .number(
                checked
                    .and_then(|checked| checked.brier)
                    .map(|b| models.counted_from_d + b.time_d),
            )
            .number(checked.and_then(|checked| checked.gain).map(|g| g.mean_d2))
            .number(
                checked
                    .and_then(|checked| checked.gain)
                    .map(|g| g.std_error_d2),
            )
            .whole(checked.and_then(|checked| checked.gain).map(|g| g.n))
            .text(match recommended {
                _ if model.set == CueSet::None => "",
                Some(name) if *name == model.name => "yes",
                _ => "no",
            });
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
fn level(records: &LayRecords, strain: Option<usize>) -> (&'static str, &str) {
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

/// `onset_forecast.csv`: when the birds not laying yet will lay, and the lay curve ahead.
///
/// `quantity` is `first_egg_age` (d, a row a bird), `share_in_lay` (a row a day ahead) or
/// `age_at_50pct_in_lay` (d); `came` is what the records say of it later, where they do.
#[must_use]
pub fn onset_forecast(records: &LayRecords, forecast: &OnsetForecast) -> Table {
    let mut table = Table::new(
        "onset_forecast",
        &[
            "level", "strain", "bird", "as_of_d", "model", "quantity", "age_d", "estimate",
            "lower", "upper", "came", "n", "note",
        ],
    );
    for bird in &forecast.birds {
        let (came, note) = match bird.came {
            Some(EventTime::Exact(egg_d)) => (Some(egg_d), String::new()),
            Some(EventTime::After(seen_d)) => (None, format!("no egg until {seen_d} d")),
            Some(EventTime::Between(lower, upper)) => {
                (None, format!("between {lower} and {upper} d"))
            }
            Some(EventTime::Before(upper)) => (None, format!("by {upper} d")),
            None => (None, String::new()),
        };
        let note = match bird.median_d {
            Some(_) => note,
            None => format!(
                "not estimable: too few have laid for a forecast so far ahead{}{note}",
                separator(&note)
            ),
        };
        let doubt = if bird.by_cues {
            note
        } else {
            format!(
                "a cue is not known: from its strain alone{}{note}",
                separator(&note)
            )
        };
        table
            .row()
            .text("bird")
            .text(&records.strains[bird.strain])
            .text(&bird.bird)
            .number(forecast.as_of_d)
            .text(forecast.model())
            .text("first_egg_age")
            .number(None)
            .number(bird.median_d)
            .number(bird.interval_d.lower)
            .number(bird.interval_d.upper)
            .number(came)
            .whole(1)
            .text(&doubt);
    }
    for curve in &forecast.curves {
        let (level, strain) = level(records, curve.strain);
        let mut row = |quantity: &str,
                       age_d: Option<f64>,
                       estimate: f64,
                       interval: Interval,
                       came: Option<f64>| {
            table
                .row()
                .text(level)
                .text(strain)
                .text("")
                .number(forecast.as_of_d)
                .text(forecast.model())
                .text(quantity)
                .number(age_d)
                .number(estimate)
                .number(interval.lower)
                .number(interval.upper)
                .number(came)
                .whole(curve.n)
                .text("");
        };
        if let Some((half_d, interval)) = curve.half_d {
            row("age_at_50pct_in_lay", None, half_d, interval, None);
        }
        for point in &curve.points {
            row(
                "share_in_lay",
                Some(point.age_d),
                point.share,
                point.interval,
                point.came,
            );
        }
    }
    table
}

fn separator(note: &str) -> &'static str {
    if note.is_empty() { "" } else { "; " }
}

/// Columns of `backtest.csv`, of weights and of first eggs alike.
pub(super) const BACKTEST: &[&str] = &[
    "quantity",
    "unit",
    "as_of_d",
    "horizon_d",
    "n",
    "bias",
    "rmse",
    "mean_absolute_error",
    "coverage_pct",
    "note",
    "level",
];

/// `backtest.csv`: how forecasts made with what came later hidden would have come true.
///
/// `bias` is forecast less observed; first eggs in days, shares in lay in points of
/// percent. Empty `as_of_d` is all ages together.
#[must_use]
pub fn backtest(rows: &[Backtest]) -> Table {
    let mut table = Table::new("backtest", BACKTEST);
    for row in rows {
        let (quantity, unit) = match row.quantity {
            Quantity::FirstEggAge => ("first_egg_age", "d"),
            Quantity::ShareInLay => ("share_in_lay", "%"),
        };
        let note = if row.not_laid > 0 {
            format!(
                "{} forecasts of birds not laying when last seen have no error",
                row.not_laid
            )
        } else {
            String::new()
        };
        table
            .row()
            .text(quantity)
            .text(unit)
            .number(row.as_of_d)
            .number(row.horizon_d)
            .whole(row.n)
            .number(row.bias)
            .number(row.rmse)
            .number(row.mean_absolute)
            .number(row.coverage_pct)
            .text(&note)
            .text(match row.quantity {
                Quantity::FirstEggAge => "bird",
                Quantity::ShareInLay => "strain",
            });
    }
    table
}

/// Unit of a measure at first egg.
pub(super) fn unit(measure: &str) -> &'static str {
    match measure {
        "age" => "d",
        share if share.ends_with("_pct") => "%",
        _ => "g",
    }
}

/// `thresholds.csv`: measures at first egg by bird and strain, what each would have told
/// as a threshold, and the age at which a trait's gain bends before lay.
///
/// `quantity` of a bird: `value_at_first_egg`, `bend_age`. Of a strain: `mean`, `sd`,
/// `sd_without_curve_error`, `cv` (percent), `rule_error` (d: root mean square error of
/// "it lays when it comes to the mean of the others"), `bend_age` and the gain before and
/// after it (g/d).
#[must_use]
pub fn thresholds(
    study: &Study,
    values: &[AtFirstEgg],
    thresholds: &[Threshold],
    bends: &[Bend],
) -> Table {
    let mut table = Table::new(
        "thresholds",
        &[
            "level",
            "strain",
            "bird",
            "measure",
            "quantity",
            "unit",
            "estimate",
            "std_error",
            "lower",
            "upper",
            "n",
            "first_egg_age_d",
            "note",
        ],
    );
    for row in thresholds {
        strain_rows(&mut table, study, row);
    }
    for row in bends {
        bend_rows(&mut table, study, row);
    }
    for row in values {
        let bird = &study.birds[row.bird];
        let reading = row.value.as_ref().ok();
        table
            .row()
            .text("bird")
            .text(&study.strains[bird.strain])
            .text(&bird.name)
            .text(&row.measure)
            .text("value_at_first_egg")
            .text(unit(&row.measure))
            .number(reading.map(|reading| reading.value))
            .number(reading.and_then(|reading| reading.std_error))
            .number(None)
            .number(None)
            .whole(1)
            .number(row.first_egg_d)
            .text(row.value.as_ref().err().unwrap_or(&""));
    }
    table
}

fn strain_rows(table: &mut Table, study: &Study, row: &Threshold) {
    let missing = if row.not_laying > 0 {
        format!("{} birds without an egg are not in it", row.not_laying)
    } else {
        String::new()
    };
    let never = if row.never > 0 {
        format!(
            "{} birds did not come to it by their last weighing, which was taken",
            row.never
        )
    } else {
        String::new()
    };
    let own = unit(&row.measure);
    let mut write = |quantity: &str,
                     unit: &str,
                     estimate: Option<f64>,
                     error: Option<f64>,
                     interval: Option<Interval>,
                     note: &str| {
        table
            .row()
            .text("strain")
            .text(&study.strains[row.strain])
            .text("")
            .text(&row.measure)
            .text(quantity)
            .text(unit)
            .number(estimate)
            .number(error)
            .number(interval.map(|interval| interval.lower))
            .number(interval.map(|interval| interval.upper))
            .whole(row.n)
            .number(None)
            .text(note);
    };
    let (mean, error, interval) = row.mean;
    write(
        "mean",
        own,
        Some(mean),
        Some(error),
        Some(interval),
        &missing,
    );
    write("sd", own, Some(row.sd.0), None, Some(row.sd.1), &missing);
    write(
        "sd_without_curve_error",
        own,
        row.sd_without_error,
        None,
        None,
        "",
    );
    let cv = row.cv_pct;
    write("cv", "%", cv.map(|cv| cv.0), None, cv.map(|cv| cv.1), "");
    write("rule_error", "d", row.rule_error_d, None, None, &never);
}

fn bend_rows(table: &mut Table, study: &Study, row: &Bend) {
    let mut write = |quantity: &str,
                     unit: &str,
                     estimate: Option<f64>,
                     interval: Option<Interval>,
                     note: &str| {
        table
            .row()
            .text(if row.bird.is_some() { "bird" } else { "strain" })
            .text(&study.strains[row.strain])
            .text(row.bird.map_or("", |bird| &study.birds[bird].name))
            .text(&study.traits[row.trait_index].name)
            .text(quantity)
            .text(unit)
            .number(estimate)
            .number(None)
            .number(interval.map(|interval| interval.lower))
            .number(interval.map(|interval| interval.upper))
            .whole(row.n)
            .number(row.first_egg_d)
            .text(note);
    };
    match &row.found {
        Err(reason) => write("bend_age", "d", None, None, &format!("no bend: {reason}")),
        Ok(bend) => {
            let open = |limit: f64| limit.is_infinite();
            let note = if open(bend.interval_d.lower) || open(bend.interval_d.upper) {
                "a limit is open: the weighings do not show that there is a bend"
            } else {
                ""
            };
            write(
                "bend_age",
                "d",
                Some(bend.age_d),
                Some(bend.interval_d),
                note,
            );
            write("gain_before_bend", "g/d", Some(bend.slope_before), None, "");
            write("gain_after_bend", "g/d", Some(bend.slope_after), None, "");
        }
    }
}
