//! Text on the onset of lay.

use crate::age::AgeUnit;
use crate::analysis::Lay;
use crate::maturity::{
    Backtest, BirdForecast, CueError, FirstEggSummary, LEAST_LAID, LayCurve, LayRecords,
    LightEffect, LightMeasure, OnTime, OnsetForecast, OnsetModel, OnsetModels, Quantity, Term,
    Threshold,
};
use crate::stats::Interval;
use crate::study::Study;

use super::words::three_digits;

/// When half of each strain was in lay, a line a strain.
#[must_use]
pub fn lay(records: &LayRecords, curves: &[LayCurve], ages: AgeUnit) -> Vec<String> {
    let strains = curves.iter().filter(|curve| curve.strain.is_some());
    let line = |curve: &LayCurve| {
        let name = curve.strain.map_or("", |strain| &records.strains[strain]);
        let of = if name == "all" { "" } else { name };
        let birds = format!("{} of {} birds had laid", curve.laid, curve.n);
        let half = curve
            .ages
            .iter()
            .find(|age| (age.share_pct - 50.0).abs() < 0.5);
        let half = match half.and_then(|half| Some((half.age_d?, half))) {
            None => "half in lay: not reached".to_owned(),
            Some((age_d, half)) => {
                let limit = |age_d: Option<f64>, none: &str| {
                    age_d.map_or(none.to_owned(), |age_d| ages.show(age_d.round()))
                };
                let limits = match (half.lower_d, half.upper_d) {
                    (None, None) => "too few different ages for limits".to_owned(),
                    (lower, upper) => format!(
                        "{} to {}",
                        limit(lower, "no lower limit"),
                        limit(upper, "no upper limit")
                    ),
                };
                format!("half in lay at {} ({limits})", ages.show(age_d.round()))
            }
        };
        let separator = if of.is_empty() { "" } else { ": " };
        format!("  {of}{separator}{birds}; {half}")
    };
    strains.map(line).collect()
}

/// Which cue predicts the first egg best, and the effect of its measurement error.
#[must_use]
pub fn models(models: &OnsetModels) -> Vec<String> {
    let mut lines = Vec::new();
    if models.models.iter().all(|model| model.result.is_err()) {
        if let Some(model) = models.models.first()
            && let Err(reason) = &model.result
        {
            lines.push(format!("  no onset model has an answer: {reason}"));
        }
        return lines;
    }
    match (models.recommended(), models.without_cues()) {
        (Some(model), Some(base)) => {
            let doubt = if model.weakness.is_empty() {
                String::new()
            } else {
                format!(" (weak: {})", model.weakness)
            };
            lines.push(format!(
                "  {} predicts age at first egg better than no cue in cross-validation ({}): {}; without any cue {}{doubt}",
                model.cues.join(" + "),
                model.law.name(),
                accuracy(models, model),
                accuracy(models, base)
            ));
        }
        (None, Some(base)) => lines.push(no_cue_helps(models, base)),
        (_, None) if models.models.iter().any(predicts_beyond) => lines
            .push("  birds left out: no model predicts them within the ages recorded".to_owned()),
        (_, None) => {}
    }
    lines.extend(single_cues(models));
    lines.extend(attenuation(models));
    lines
}

fn predicts_beyond(model: &OnsetModel) -> bool {
    model
        .cross_validated
        .is_some_and(|checked| checked.is_beyond())
}

/// Why no cue is recommended.
fn no_cue_helps(models: &OnsetModels, base: &OnsetModel) -> String {
    let best = models
        .candidates()
        .filter_map(|model| Some((model.cross_validated?.error_d?, model)))
        .min_by(|a, b| a.0.total_cmp(&b.0));
    let Some((_, best)) = best else {
        return format!(
            "  no cue helps: without any cue, {}; no model with a cue could be judged",
            accuracy(models, base)
        );
    };
    let gain = best.cross_validated.and_then(|checked| checked.gain);
    let birds = gain.map_or(0, |gain| gain.n);
    if birds < 10 {
        return format!(
            "  no cue is recommended: {birds} birds have a cue and a first egg, and at least 10 are needed to judge one"
        );
    }
    format!(
        "  no cue helps: none predicts age at first egg better than no cue by more than the standard error of the difference (cross-validation over {birds} birds; least error with {}: {}; without any cue {})",
        best.cues.join(" + "),
        accuracy(models, best),
        accuracy(models, base)
    )
}

/// "RMSE 6.2 d, median absolute error 4.1 d, Brier score 0.21 at 137 d".
fn accuracy(models: &OnsetModels, model: &OnsetModel) -> String {
    let checked = model.cross_validated;
    let mut all = Vec::new();
    if let Some(error_d) = checked.and_then(|checked| checked.error_d) {
        all.push(format!("RMSE {} d", three_digits(error_d)));
    }
    if let Some(error_d) = checked.and_then(|checked| checked.median_absolute_error_d) {
        all.push(format!("median absolute error {} d", three_digits(error_d)));
    }
    if let Some(brier) = checked.and_then(|checked| checked.brier) {
        all.push(format!(
            "Brier score {:.2} at {} d",
            brier.score,
            three_digits(models.counted_from_d + brier.time_d)
        ));
    }
    all.join(", ")
}

/// What a standard deviation more of each cue goes with, each cue alone, by the law that
/// predicts best.
fn single_cues(models: &OnsetModels) -> Option<String> {
    let alone = models.models.iter().filter(|model| {
        model.cues.len() == 1 && model.law.family().is_some() && model.result.is_ok()
    });
    let mut pieces: Vec<(&str, f64, f64)> = Vec::new();
    for model in alone {
        let term = model.result.as_ref().ok()?.terms.iter();
        let cue = &model.cues[0];
        let Some(days) = term
            .filter(|term| term.name == *cue)
            .find_map(|term| term.days_per_sd)
        else {
            continue;
        };
        let error_d = model
            .cross_validated
            .and_then(|c| c.error_d)
            .unwrap_or(f64::MAX);
        match pieces.iter_mut().find(|(name, ..)| name == cue) {
            Some(before) if before.2 > error_d => *before = (cue, days, error_d),
            Some(_) => {}
            None => pieces.push((cue, days, error_d)),
        }
    }
    if pieces.is_empty() {
        return None;
    }
    pieces.sort_by(|a, b| a.2.total_cmp(&b.2));
    let pieces: Vec<String> = pieces
        .iter()
        .map(|(cue, days, _)| format!("{cue} {days:+.1} d"))
        .collect();
    Some(format!(
        "  first egg by one standard deviation more of a cue, each alone, within strains: {}",
        pieces.join(", ")
    ))
}

/// That measurement error of a cue draws its slope to zero, and by how much.
fn attenuation(models: &OnsetModels) -> Vec<String> {
    let known: Vec<String> = models
        .reliabilities
        .iter()
        .filter_map(|row| Some(format!("{} {:.2}", row.cue, row.reliability?)))
        .collect();
    if known.is_empty() {
        return Vec::new();
    }
    let known = known.join(", ");
    vec![match models.cue_error {
        CueError::AsMeasured => format!(
            "  measurement error of a cue draws its slope towards zero, to about this share: {known} (--calibrate-cues corrects it)"
        ),
        CueError::Calibrated => format!(
            "  cues are calibrated for their measurement error, standard errors by bootstrap; share of each cue that is not error: {known}"
        ),
    }]
}

/// Birds named one by one; more are counted.
const NAMED: usize = 8;

/// When the birds not laying yet will lay.
#[must_use]
pub fn forecast(records: &LayRecords, forecast: &OnsetForecast, ages: AgeUnit) -> Vec<String> {
    let mut lines = vec![format!(
        "  as of {}, by {}: {} birds not laying yet{}",
        ages.show(forecast.as_of_d),
        by_models(forecast),
        forecast.birds.len(),
        match forecast.gone {
            0 => String::new(),
            gone => format!(" ({gone} more not seen for over a week: taken as gone)"),
        }
    )];
    let laid = records.as_of(forecast.as_of_d).laid();
    match &forecast.first_egg {
        Some(found) => lines.push(joint(found)),
        None if laid < LEAST_LAID => lines.push(format!(
            "  {laid} first eggs, fewer than {LEAST_LAID}: each bird's forecast is the mean of its strain"
        )),
        None => {}
    }
    let age = |age_d: f64| match age_d.is_finite() {
        true => ages.show(age_d.round()),
        false => "no upper limit".to_owned(),
    };
    let mut pieces: Vec<String> = forecast
        .birds
        .iter()
        .take(NAMED)
        .map(|bird| first_egg(bird, &age))
        .collect();
    if forecast.birds.len() > NAMED {
        pieces.push(format!(
            "{} more in onset_forecast.csv",
            forecast.birds.len() - NAMED
        ));
    }
    let of_joint = match forecast.first_egg {
        Some(_) => " (interval if on time; chance of being late)",
        None => "",
    };
    lines.push(format!(
        "  first egg forecast{of_joint}: {}",
        pieces.join(", ")
    ));
    for (strain, waiting) in &forecast.without_first_egg {
        lines.push(format!(
            "  {}: no forecast of {waiting} birds, since none of the strain had laid after the landmark",
            records.strains[*strain]
        ));
    }
    for curve in &forecast.curves {
        let (Some(strain), Some((half_d, interval))) = (curve.strain, curve.half_d) else {
            continue;
        };
        lines.push(format!(
            "  {}: half of {} birds in lay at {} ({} to {})",
            records.strains[strain],
            curve.n,
            age(half_d),
            age(interval.lower),
            age(interval.upper)
        ));
    }
    lines
}

/// "A05 at 143 d (140 d to 147 d; 12 % late)".
fn first_egg(bird: &BirdForecast, age: &impl Fn(f64) -> String) -> String {
    let of = |at_d: f64, interval: &Interval, late: &str| {
        let (at, lower, upper) = (age(at_d), age(interval.lower), age(interval.upper));
        format!("{} at {at} ({lower} to {upper}{late})", bird.bird)
    };
    if let Some(OnTime {
        late,
        egg_d: Some((at_d, interval)),
    }) = &bird.on_time
    {
        return of(*at_d, interval, &format!("; {:.0} % late", 100.0 * late));
    }
    let late = if bird.on_time.is_some() { ", late" } else { "" };
    match bird.median_d {
        Some(median_d) => of(median_d, &bird.interval_d, late),
        None if bird.interval_d.lower.is_finite() => {
            format!("{} not before {}", bird.bird, age(bird.interval_d.lower))
        }
        None => format!("{} not estimable", bird.bird),
    }
}

/// How first eggs follow the pre-lay growth spurt.
fn joint(found: &FirstEggSummary) -> String {
    let rounded = |term: &Term| format!("{:.1} d (SE {:.1})", term.estimate, term.std_error);
    let lags: Vec<String> = found
        .lags_d
        .iter()
        .map(|(group, lag)| match &found.lags_d[..] {
            [_] => rounded(lag),
            _ => format!("{} {group}", rounded(lag)),
        })
        .collect();
    let whose = if found.earlier_flock {
        "an earlier flock (differences between flocks are not in the intervals)"
    } else {
        "this flock"
    };
    format!(
        "  first egg of a typical bird after its pre-lay growth spurt: {}; SD between birds on time {}; late share {:.0} % (SE {:.0}); from {} birds of {whose}, {} laid",
        lags.join(", "),
        rounded(&found.sigma_d),
        100.0 * found.late_share.estimate,
        100.0 * found.late_share.std_error,
        found.birds,
        found.laid
    )
}

/// "3 models, most by weibull (weight 0.62)".
fn by_models(forecast: &OnsetForecast) -> String {
    if forecast.first_egg.is_some() {
        return "the joint model of growth and first egg".to_owned();
    }
    match &forecast.models[..] {
        [(name, weight), _, ..] => format!(
            "{} models, most by {name} (weight {weight:.2})",
            forecast.models.len()
        ),
        _ => forecast.model().to_owned(),
    }
}

/// How the forecasts of first eggs would have come true, over all ages of the backtest.
#[must_use]
pub fn backtest(rows: &[Backtest], confidence: f64) -> Option<String> {
    let eggs = rows
        .iter()
        .filter(|row| row.quantity == Quantity::FirstEggAge);
    let row = eggs
        .clone()
        .find(|row| row.as_of_d.is_none())
        .or_else(|| eggs.clone().next())?;
    let weeks = eggs.filter(|row| row.as_of_d.is_some()).count();
    let bias = row.bias?;
    Some(format!(
        "  backtest, what came later hidden, as of {weeks} {}: {} first eggs forecast with error {} d, {} d {} on the average; \
         the {:.0} % intervals covered {:.0} %{}",
        if weeks == 1 { "age" } else { "ages" },
        row.n,
        three_digits(row.rmse?),
        three_digits(bias.abs()),
        if bias < 0.0 { "too early" } else { "too late" },
        100.0 * confidence,
        row.coverage_pct?,
        match row.not_laid {
            0 => String::new(),
            birds => format!(
                " (of {birds} forecasts whose bird had not laid when last seen, those outlived count as missed)"
            ),
        }
    ))
}

/// What the birds were like at their first egg, a line a strain; association, no threshold.
#[must_use]
pub fn thresholds(study: &Study, thresholds: &[Threshold]) -> Vec<String> {
    let mut lines = Vec::new();
    for (strain, name) in study.strains.iter().enumerate() {
        let own: Vec<&Threshold> = thresholds
            .iter()
            .filter(|row| row.strain == strain)
            .collect();
        let values: Vec<String> = own
            .iter()
            .filter(|row| row.measure != "age")
            .map(|row| {
                let cv = row
                    .cv_pct
                    .map_or(String::new(), |cv| format!(", CV {:.1} %", cv.0));
                let unit = if row.measure.ends_with("_pct") {
                    "%"
                } else {
                    "g"
                };
                format!(
                    "{} {} {unit} (SD {}{cv})",
                    row.measure.replace('_', " "),
                    three_digits(row.mean.0),
                    three_digits(row.sd.0)
                )
            })
            .collect();
        if values.is_empty() {
            continue;
        }
        let mut rules: Vec<(&str, f64)> = own
            .iter()
            .filter_map(|row| Some((row.measure.as_str(), row.rule_error_d?)))
            .collect();
        rules.sort_by(|a, b| a.1.total_cmp(&b.1));
        let rules: Vec<String> = rules
            .iter()
            .map(|(measure, error_d)| {
                format!("{} {} d", measure.replace('_', " "), three_digits(*error_d))
            })
            .collect();
        lines.push(format!(
            "  {name} at first egg (n {}): {}; error of waiting for the others' mean: {}",
            own[0].n,
            values.join(", "),
            rules.join(", ")
        ));
    }
    if !lines.is_empty() {
        lines.push(
            "  No single threshold is proven: this is what went with lay in these birds under this light programme, by strain."
                .to_owned(),
        );
    }
    lines
}

/// The light that the first eggs came under, and how maturity goes with it where pens differ.
#[must_use]
pub fn light(study: &Study, lay: &Lay) -> Vec<String> {
    if lay.light.is_empty() {
        return vec![light_programme(study)];
    }
    let programmes = lay.light.iter();
    let words: Vec<String> = programmes.map(|one| one.words(study)).collect();
    let mut lines = vec![format!("  light programme on record: {}", words.join("; "))];
    let known: Vec<&LightEffect> = lay
        .light_effects
        .iter()
        .filter(|one| one.slope.is_ok())
        .collect();
    for effect in &known {
        let Ok(slope) = &effect.slope else { continue };
        let limits = slope.interval.map_or(String::new(), |limits| {
            format!(" ({:.2} to {:.2})", limits.lower, limits.upper)
        });
        let each = match effect.measure {
            LightMeasure::FirstIncrease => "day of later first increase of light",
            LightMeasure::Hours => "hour more of light from the first increase on",
        };
        lines.push(format!(
            "  mean age at maturity changed by {:.2} d{limits} for each {each}, pens as units (n {}); within the ages and hours of these pens only",
            slope.value, effect.pens
        ));
    }
    if known.is_empty()
        && let Some(Err(reason)) = lay.light_effects.first().map(|one| &one.slope)
    {
        lines.push(format!(
            "  effect of light on maturity: not estimable, {reason}"
        ));
    }
    lines
}

/// The light programme among the events, as far as it is written down.
fn light_programme(study: &Study) -> String {
    let mut pieces: Vec<(String, Vec<&str>)> = Vec::new();
    for event in &study.events {
        if !event.event.to_lowercase().contains("light") {
            continue;
        }
        let what = format!("{} at {} d", event.event, event.age_d);
        let whose = match (event.strain, event.pen) {
            (Some(strain), _) => study.strains[strain].as_str(),
            (None, Some(pen)) => study.pens[pen].as_str(),
            (None, None) => "all",
        };
        match pieces.iter_mut().find(|(before, _)| *before == what) {
            Some((_, all)) => all.push(whose),
            None => pieces.push((what, vec![whose])),
        }
    }
    if pieces.is_empty() {
        return "  light programme: none is written down (light table), and first eggs depend on it"
            .to_owned();
    }
    let pieces: Vec<String> = pieces
        .iter()
        .map(|(what, whose)| format!("{what} ({})", whose.join(", ")))
        .collect();
    format!("  light programme on record: {}", pieces.join("; "))
}
