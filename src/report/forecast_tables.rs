//! The tables of what is to come: forecasts, how they would have come true, and the birds
//! that left their course.

use super::onset_tables::BACKTEST;
use crate::flock::{DriftWatch, ForecastRow, Predictor, TraitForecast, WeightBacktest};
use crate::report::Table;
use crate::study::Study;

/// `forecast.csv`: what the flock, each strain, pen and bird will weigh.
#[must_use]
pub fn forecast(study: &Study, as_of_d: f64, traits: &[TraitForecast]) -> Table {
    let mut table = Table::new(
        "forecast",
        &[
            "as_of_d",
            "level",
            "strain",
            "pen",
            "bird",
            "trait",
            "curve",
            "age_d",
            "n",
            "forecast",
            "std_error",
            "lower",
            "upper",
            "target_g",
            "chance_in_band",
            "flag",
            "lower_g",
            "upper_g",
            "birds_in_band_pct",
            "predictors",
        ],
    );
    for one in traits {
        let curve = one
            .population
            .as_ref()
            .map_or("", |population| population.population.curve().name());
        for row in &one.rows {
            add(&mut table, study, as_of_d, one.trait_index, curve, row);
        }
        if let Some(reason) = &one.reason {
            let cells = table.row();
            no_forecast(cells, as_of_d, &study.traits[one.trait_index].name, reason);
        }
    }
    table
}

fn no_forecast(mut cells: super::table::Row<'_>, as_of_d: f64, trait_name: &str, reason: &str) {
    cells
        .number(as_of_d)
        .text("flock")
        .text("")
        .text("")
        .text("");
    cells.text(trait_name).text("").number(None).whole(None);
    for _ in 0..6 {
        cells.number(None);
    }
    cells.text(&format!("no forecast: {reason}"));
    for _ in 0..3 {
        cells.number(None);
    }
    cells.text("");
}

fn add(
    table: &mut Table,
    study: &Study,
    as_of_d: f64,
    trait_index: usize,
    curve: &str,
    row: &ForecastRow,
) {
    let target = row.target.as_ref().ok();
    let flags: Vec<String> = row.flags.iter().map(ToString::to_string).collect();
    let by_curve = |part: &(Predictor, f64)| {
        matches!(part.0, Predictor::OwnModel | Predictor::SavedPopulation)
    };
    let curve = if row.predictors.iter().any(by_curve) {
        curve
    } else {
        ""
    };
    table
        .row()
        .number(as_of_d)
        .text(&row.level.to_string())
        .text(row.strain.map_or("", |strain| &study.strains[strain]))
        .text(row.pen.map_or("", |pen| &study.pens[pen]))
        .text(row.bird.map_or("", |bird| &study.birds[bird].name))
        .text(&study.traits[trait_index].name)
        .text(curve)
        .number(row.age_d)
        .whole(row.n)
        .number(row.forecast.map(|forecast| forecast.value))
        .number(row.forecast.map(|forecast| forecast.error_in_unit()))
        .number(row.interval_g.map(|interval| interval.0))
        .number(row.interval_g.map(|interval| interval.1))
        .number(target.map(|target| target.target_g))
        .number(row.chance)
        .text(&flags.join("; "))
        .number(target.and_then(|target| target.lower_g))
        .number(target.and_then(|target| target.upper_g))
        .number(row.birds_in_band.map(|share| 100.0 * share))
        .text(&shares(&row.predictors));
}

/// "relative to target 0.62; own model 0.38".
fn shares(predictors: &[(Predictor, f64)]) -> String {
    let share = |(predictor, weight): &(Predictor, f64)| format!("{predictor} {weight:.2}");
    let shares: Vec<String> = predictors.iter().map(share).collect();
    shares.join("; ")
}

/// `backtest.csv`: how the forecasts of weights would have come true, in grams and in
/// percent, by horizon.
#[must_use]
pub fn backtest(study: &Study, rows: &[WeightBacktest]) -> Table {
    let mut table = Table::new("backtest", BACKTEST);
    for row in rows {
        for (unit, errors) in [("g", &row.grams), ("%", &row.percent)] {
            table
                .row()
                .text(&study.traits[row.trait_index].name)
                .text(unit)
                .number(None)
                .number(row.horizon_d)
                .whole(row.n)
                .number(errors.bias)
                .number(errors.rmse)
                .number(errors.mean_absolute)
                .number(row.coverage_pct)
                .text("")
                .text(&row.level.to_string());
        }
    }
    table
}

/// `drifting.csv`: the birds that left their own course.
#[must_use]
pub fn drifting(study: &Study, watches: &[DriftWatch]) -> Table {
    let mut table = Table::new(
        "drifting",
        &[
            "strain",
            "pen",
            "bird",
            "trait",
            "direction",
            "since_d",
            "age_d",
            "observed_g",
            "expected_g",
            "cusum",
            "limit",
            "n",
            "lasting",
            "false_alarm_probability",
        ],
    );
    for watch in watches {
        for row in &watch.drifting {
            let bird = &study.birds[row.bird];
            table
                .row()
                .text(&study.strains[bird.strain])
                .text(bird.pen.map_or("", |pen| &study.pens[pen]))
                .text(&bird.name)
                .text(&study.traits[watch.trait_index].name)
                .text(if row.falling { "falling" } else { "rising" })
                .number(row.since_d)
                .number(row.alarm_d)
                .number(row.weighed_g)
                .number(row.expected_g)
                .number(row.sum)
                .number(row.limit)
                .whole(row.n)
                .text(if row.lasting { "yes" } else { "no" })
                .number(watch.false_alarms);
        }
    }
    table
}
