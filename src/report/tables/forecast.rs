//! The tables of forecasts, of how they would have come true, and of the birds that departed
//! from their predicted growth.

use super::Columns;
use super::column::{Column, about, columns};
use crate::flock::{
    Departure, DepartureWatch, ForecastRow, Predictor, TraitForecast, WeightBacktest,
};
use crate::maturity::{Backtest, Quantity};
use crate::report::Table;
use crate::study::Study;

/// `forecast.csv`: what the flock, each strain, pen and bird will weigh.
///
/// A trait without a forecast has one row, whose `flag` gives the reason.
#[must_use]
pub fn forecast(study: &Study, as_of_d: f64, traits: &[TraitForecast]) -> Table {
    type Whole<'a> = (&'a TraitForecast, Option<&'a ForecastRow>);
    let target = |row: Option<&ForecastRow>| row?.target.as_ref().ok().copied();
    let columns = columns!("forecast", |(one, row): Whole<'_>| {
        as_of_d("d", "age of the forecast: nothing later is used") => as_of_d,
        level => row.map_or_else(|| "flock".to_owned(), |row| row.level.to_string()),
        strain => row.and_then(|row| Some(&study.strains[row.strain?])),
        pen => row.and_then(|row| Some(&study.pens[row.pen?])),
        bird => row.and_then(|row| Some(&study.birds[row.bird?].name)),
        trait => &study.traits[one.trait_index].name,
        curve("", "growth curve of the mixed model among the predictors; empty where there is none") => row.and_then(|row| curve_of(one, row)),
        age_d => row.map(|row| row.age_d),
        n("1", "weighings so far of a bird, birds of a group; of unnamed birds those weighed last") => row.map(|row| row.n),
        forecast("g", "weighing to be expected at age_d, or mean of the group's weighings") => row.and_then(|row| Some(row.forecast?.value)),
        std_error("g", "standard error of that weighing (or mean)") => row.and_then(|row| Some(row.forecast?.error_in_unit())),
        lower("g", "lower limit of the prediction interval") => row.and_then(|row| Some(row.interval_g?.0)),
        upper("g", "upper limit of the prediction interval") => row.and_then(|row| Some(row.interval_g?.1)),
        target_g => target(*row).map(|target| target.target_g),
        chance_in_band("1", "probability that the weighing (or mean) lies within the target's band, 0 to 1") => row.and_then(|row| row.chance),
        flag("", "what to be careful about, or why there is no forecast or no probability") => flag(one, *row),
        lower_g("g", "lower edge of the target band") => target(*row).and_then(|target| target.lower_g),
        upper_g("g", "upper edge of the target band") => target(*row).and_then(|target| target.upper_g),
        birds_in_band_pct("%", "share of the group's birds expected within their band") => row.and_then(|row| Some(100.0 * row.birds_in_band?)),
        predictors("", "what the forecast rests on, each with its weight (they sum to 1): own model, saved population, relative to target, or allometry on forecast body weight") => row.map(|row| weights(&row.predictors)),
        house("", "house, where birds are kept by house") => row.and_then(|row| Some(&study.houses[row.house?])),
    });
    columns.table(traits.iter().flat_map(|one| {
        let none = one.reason.is_some().then_some(None);
        let rows = one.rows.iter().map(Some).chain(none);
        rows.map(move |row| (one, row))
    }))
}

fn flag(one: &TraitForecast, row: Option<&ForecastRow>) -> String {
    match (row, &one.reason) {
        (Some(row), _) => {
            let flags: Vec<String> = row.flags.iter().map(ToString::to_string).collect();
            flags.join("; ")
        }
        (None, reason) => format!("no forecast: {}", reason.as_deref().unwrap_or_default()),
    }
}

fn curve_of<'a>(one: &'a TraitForecast, row: &ForecastRow) -> Option<&'a str> {
    let by_curve = |part: &(Predictor, f64)| {
        matches!(part.0, Predictor::OwnModel | Predictor::SavedPopulation)
    };
    if one.unnamed {
        return None;
    }
    let population = one.population.as_ref().ok()?;
    let used = row.predictors.iter().any(by_curve);
    used.then(|| population.population.curve().name())
}

/// "relative to target 0.62; own model 0.38".
fn weights(predictors: &[(Predictor, f64)]) -> String {
    let weight = |(predictor, weight): &(Predictor, f64)| format!("{predictor} {weight:.2}");
    let weights: Vec<String> = predictors.iter().map(weight).collect();
    weights.join("; ")
}

/// `backtest.csv`: how the forecasts of weights would have come true, in grams and in
/// percent, by horizon, over all ages that they were made at.
#[must_use]
pub fn backtest(study: &Study, rows: &[WeightBacktest]) -> Table {
    let columns = columns!("backtest", |(row, unit): (&WeightBacktest, &str)| {
        trait => &study.traits[row.trait_index].name,
        level("", "bird (each bird), pen (means of unnamed birds) or strain (means)") => row.level.to_string(),
        horizon_d("d", "days ahead, in whole weeks") => row.horizon_d,
        n("1", "forecasts whose error is known") => row.n,
        unit("", "unit of the errors: g, or % of what was weighed") => *unit,
        bias("see unit", "mean of forecast minus observed") => errors(row, unit).bias,
        rmse("see unit", "root mean square error") => errors(row, unit).rmse,
        mean_absolute_error("see unit", "mean of the errors' sizes") => errors(row, unit).mean_absolute,
        coverage_pct("%", "share of prediction intervals that covered what was weighed") => row.coverage_pct,
    });
    columns.table(rows.iter().flat_map(|row| [(row, "g"), (row, "%")]))
}

fn errors<'a>(row: &'a WeightBacktest, unit: &str) -> &'a crate::flock::Errors {
    match unit {
        "g" => &row.grams,
        _ => &row.percent,
    }
}

/// `onset_backtest.csv`: how forecasts of first eggs and of the share in lay would have come
/// true, made with what came later hidden.
#[must_use]
pub fn onset_backtest(rows: &[Backtest]) -> Table {
    let columns = columns!("onset_backtest", |row: &Backtest| {
        quantity("", "what was forecast: first_egg_age (of a bird) or share_in_lay (of a strain)") => match row.quantity {
            Quantity::FirstEggAge => "first_egg_age",
            Quantity::ShareInLay => "share_in_lay",
        },
        as_of("", "age of the forecasts, d; all: of all ages together") => row.as_of_d.map_or_else(|| "all".to_owned(), |age_d| age_d.to_string()),
        horizon_d("d", "days ahead of a share; empty for first eggs") => row.horizon_d,
        n("1", "forecasts whose error is known") => row.n,
        unit("", "unit of the errors: d, or % (percentage points)") => match row.quantity {
            Quantity::FirstEggAge => "d",
            Quantity::ShareInLay => "%",
        },
        bias("see unit", "mean of forecast minus observed") => row.bias,
        rmse("see unit", "root mean square error") => row.rmse,
        mean_absolute_error("see unit", "mean of the errors' sizes") => row.mean_absolute,
        coverage_pct("%", "share of prediction intervals that covered what came") => row.coverage_pct,
        not_laid("1", "forecasts without an error, of birds not laying when last seen") => row.not_laid,
    });
    columns.table(rows)
}

/// `departures.csv`: the birds that departed from their predicted growth (CUSUM of forecast
/// errors).
#[must_use]
pub fn departures(study: &Study, watches: &[DepartureWatch]) -> Table {
    let columns = columns!("departures", |(watch, row): (&DepartureWatch, &Departure)| {
        strain => &study.strains[study.birds[row.bird].strain],
        pen => study.pen_at(row.bird, row.alarm_d).map(|pen| &study.pens[pen]),
        bird => &study.birds[row.bird].name,
        trait => &study.traits[watch.trait_index].name,
        direction("", "falling behind what was predicted, or rising above it") => if row.falling { "falling" } else { "rising" },
        since_d("d", "last age at which the bird grew as predicted") => row.since_d,
        age_d("d", "age of the alarm") => row.alarm_d,
        observed_g("g", "weighing at the alarm") => row.weighed_g,
        expected_g("g", "what was predicted from its earlier weighings") => row.expected_g,
        cusum("1", "cumulative sum of the forecast errors at the alarm, in standard errors") => row.sum,
        limit("1", "control limit that the sum exceeded") => row.limit,
        n("1", "weighings judged") => row.n,
        lasting("", "yes where the departure lasts at the last weighing") => row.lasting,
        false_alarm_probability("1", "probability, at most, of an alarm of a bird that grows as predicted") => watch.false_alarms,
    });
    columns.table(watches.iter().flat_map(|watch| {
        let rows = watch.departures.iter();
        rows.map(move |row| (watch, row))
    }))
}
