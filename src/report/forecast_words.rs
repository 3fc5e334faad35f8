//! What is to come, in words: plain first, numbers after.

use super::words::three_digits;
use crate::flock::{
    DepartureWatch, Flag, FlockLevel, ForecastRow, Predictor, TraitForecast, WeightBacktest,
};
use crate::study::Study;

/// Birds that are named in one line.
const NAMED: usize = 8;

/// What each strain and the whole flock will weigh, a line each: at the ages that the study
/// names among those forecast, else at the last.
#[must_use]
pub fn forecast(
    study: &Study,
    as_of_d: f64,
    traits: &[TraitForecast],
    named_ages_d: &[f64],
    confidence: f64,
) -> Vec<String> {
    let mut lines = Vec::new();
    for one in traits {
        let trait_name = study.traits[one.trait_index].name.replace('_', " ");
        if let Some(reason) = &one.reason {
            lines.push(format!("  no forecast of {trait_name}: {reason}"));
            continue;
        }
        lines.push(format!(
            "  {trait_name} as of {}, by {}; {:.0} % prediction intervals:",
            study.age_unit().show(as_of_d),
            of_predictors(one),
            100.0 * confidence
        ));
        let groups = one
            .rows
            .iter()
            .filter(|row| matches!(row.level, FlockLevel::Flock | FlockLevel::Strain));
        let ages_d: Vec<f64> = groups.clone().filter_map(|row| row.age_d).collect();
        let last_d = ages_d.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let is_named = |age_d: f64| {
            let named = |wanted: &f64| (wanted - age_d).abs() < 1e-9;
            named_ages_d.iter().any(named)
        };
        let any_named = ages_d.iter().any(|age_d| is_named(*age_d));
        let shown = groups.filter(|row| {
            row.age_d.is_some_and(|age_d| {
                if any_named {
                    is_named(age_d)
                } else {
                    age_d >= last_d
                }
            })
        });
        lines.extend(shown.map(|row| format!("    {}", sentence(study, row))));
        lines.extend(careful(one));
    }
    lines
}

fn sentence(study: &Study, row: &ForecastRow) -> String {
    let name = row
        .strain
        .map_or("all birds", |strain| &study.strains[strain]);
    let (Some(forecast), Some((lower_g, upper_g)), Some(age_d)) =
        (row.forecast, row.interval_g, row.age_d)
    else {
        return format!("{name}: no forecast");
    };
    let weight = format!(
        "mean {:.0} g ({lower_g:.0} to {upper_g:.0}) at {} (n {})",
        forecast.value,
        study.age_unit().show(age_d),
        row.n
    );
    let Ok(target) = &row.target else {
        return format!("{name}: {weight}");
    };
    // Where only the curve speaks, or has been seen to go astray, no chance is stated in words.
    let unsure = |flag: &Flag| matches!(flag, Flag::PastPopulation(_) | Flag::AstrayInBacktest(_));
    if row.flags.iter().any(unsure) {
        let side = match (target.lower_g, target.upper_g) {
            (Some(lower_g), _) if forecast.value < lower_g => "below the target's band",
            (_, Some(upper_g)) if forecast.value > upper_g => "above the target's band",
            (Some(_), Some(_)) => "within the target's band",
            _ if forecast.value < target.target_g => "below target",
            _ => "above target",
        };
        return format!(
            "{name}: would be {side} if growth kept to this curve; {weight}, target {:.0} g",
            target.target_g
        );
    }
    let call = match row.chance {
        Some(chance) if chance >= 0.9 => "will most likely be in the target's band",
        Some(chance) if chance <= 0.1 && forecast.value < target.target_g => {
            "will most likely be below the target's band"
        }
        Some(chance) if chance <= 0.1 => "will most likely be above the target's band",
        Some(_) => "may or may not be in the target's band",
        None if upper_g < target.target_g => "will most likely be below target",
        None if lower_g > target.target_g => "will most likely be above target",
        None => "cannot be distinguished from its target",
    };
    let chance = row.chance.map_or(String::new(), |chance| {
        format!(", chance of the band {}", percent(chance))
    });
    let birds = row.birds_in_band.map_or(String::new(), |share| {
        format!(", {} of its birds within it", percent(share))
    });
    format!(
        "{name}: {call}; {weight}, target {:.0} g{chance}{birds}",
        target.target_g
    )
}

/// "62 %", never quite none or all.
fn percent(share: f64) -> String {
    if share < 0.005 {
        "below 1 %".to_owned()
    } else if share > 0.995 {
        "above 99 %".to_owned()
    } else {
        format!("{:.0} %", 100.0 * share)
    }
}

/// A cause common to many rows is stated once.
fn careful(one: &TraitForecast) -> Vec<String> {
    let mut lines = Vec::new();
    let flags = || one.rows.iter().flat_map(|row| &row.flags);
    let ends = flags().filter_map(|flag| match flag {
        Flag::PastPopulation(age_d) => Some(*age_d),
        _ => None,
    });
    let end_d = ends.fold(f64::INFINITY, f64::min);
    if end_d.is_finite() {
        lines.push(format!(
            "    careful: past {end_d:.0} d, where the population's weighings end, the curve alone carries the forecast, and what it gets wrong there is in no interval"
        ));
    }
    if flags().any(|flag| *flag == Flag::WeakPopulation)
        && let Ok(population) = &one.population
    {
        lines.push(format!(
            "    careful: the population's fit is weak: {}",
            population.origin.reasons.join("; ")
        ));
    }
    let astray = flags().find_map(|flag| match flag {
        Flag::AstrayInBacktest(held_pct) => Some(*held_pct),
        _ => None,
    });
    if let Some(held_pct) = astray {
        lines.push(format!(
            "    do not rely on these intervals: in the backtest below they held {held_pct:.0} % of what was weighed at the worst horizon; take the errors of the backtest as the precision of this curve"
        ));
    }
    let not_foreseen = flags().find(|flag| matches!(flag, Flag::NotForeseen(_)));
    if let Some(flag) = not_foreseen {
        lines.push(format!("    some ages are {flag}"));
    }
    let gone = flags().filter(|flag| matches!(flag, Flag::Gone(_))).count();
    if gone > 0 {
        lines.push(format!(
            "    {gone} birds are not forecast: they were not weighed at their strain's last weighing"
        ));
    }
    if flags().any(|flag| *flag == Flag::NoBand) {
        lines.push("    no chances where the target has no band (lower_g, upper_g)".to_owned());
    }
    lines
}

/// How the forecasts of weights would have come true, a line a trait.
#[must_use]
pub fn backtest(study: &Study, rows: &[WeightBacktest]) -> Vec<String> {
    let mut lines = Vec::new();
    let kinds = [
        (FlockLevel::Bird, "birds"),
        (FlockLevel::Pen, "means of pens"),
    ];
    for (of_trait, (level, whose)) in rows
        .chunk_by(|a, b| a.trait_index == b.trait_index)
        .flat_map(|of_trait| kinds.map(|kind| (of_trait, kind)))
    {
        let mut own = of_trait.iter().filter(|row| row.level == level);
        let (Some(first), Some(last)) = (own.clone().next(), own.next_back()) else {
            continue;
        };
        let shown = |row: &WeightBacktest| {
            format!(
                "{:.0} days ahead {whose} by {} % (bias {:+.1} %), the intervals covered {:.0} % of {}",
                row.horizon_d,
                three_digits(row.percent.rmse),
                row.percent.bias + 0.0,
                row.coverage_pct,
                row.n
            )
        };
        let further = if first.horizon_d < last.horizon_d {
            format!("; {}", shown(last))
        } else {
            String::new()
        };
        let name = study.traits[first.trait_index].name.replace('_', " ");
        lines.push(format!(
            "  backtest of {name}, as of the last ages before, what came then hidden: {}{further}",
            shown(first)
        ));
    }
    lines
}

/// Which birds left their course, a line a trait.
#[must_use]
pub fn departures(study: &Study, watches: &[DepartureWatch]) -> Vec<String> {
    let mut lines = Vec::new();
    for watch in watches {
        let trait_name = study.traits[watch.trait_index].name.replace('_', " ");
        if !watch.reason.is_empty() {
            lines.push(format!("  {trait_name}: nobody watched, {}", watch.reason));
            continue;
        }
        let by_chance = watch.birds as f64 * watch.false_alarms;
        let lasting: Vec<_> = watch.departures.iter().filter(|row| row.lasting).collect();
        let names: Vec<String> = lasting
            .iter()
            .take(NAMED)
            .map(|row| {
                format!(
                    "{} ({}since {})",
                    study.birds[row.bird].name,
                    if row.falling {
                        "falling behind "
                    } else {
                        "running ahead "
                    },
                    study.age_unit().show(row.since_d.round())
                )
            })
            .collect();
        let more = match lasting.len().saturating_sub(NAMED) {
            0 => String::new(),
            more => format!(" and {more} more"),
        };
        let now = if names.is_empty() {
            "none departs from its predicted growth now".to_owned()
        } else {
            format!("off their course now: {}{more}", names.join(", "))
        };
        lines.push(format!(
            "  {trait_name}: {now}; {} of {} birds gave an alarm, at most {} are expected by chance (a false alarm a bird with probability {} at most)",
            watch.departures.len(),
            watch.birds,
            three_digits(by_chance),
            watch.false_alarms
        ));
    }
    lines
}

/// By what a trait is forecast: the predictors with their weights, and what they assume.
#[must_use]
pub fn of_predictors(one: &TraitForecast) -> String {
    let single = one.predictors.len() == 1;
    let name = |(predictor, weight): &(Predictor, f64)| {
        let curve = || {
            let population = one.population.as_ref();
            population.map_or("", |population| population.population.curve().name())
        };
        let timing = || {
            one.timing_sd_d.map_or(String::new(), |days| {
                format!(" (timing of the second phase: SD {} d)", three_digits(days))
            })
        };
        let name = match predictor {
            Predictor::OwnModel => "this flock's own model".to_owned(),
            Predictor::SavedPopulation => {
                let file = one.population.as_ref().map_or("", |one| one.file.as_str());
                let population = format!("the {} population of {file}", curve());
                if one.unnamed {
                    format!("{population} from each pen's deviations{}", timing())
                } else {
                    population
                }
            }
            Predictor::RelativeToTarget => {
                let whose = if one.unnamed { "pen" } else { "bird" };
                format!(
                    "the target's course from each {whose}'s deviations{}",
                    timing()
                )
            }
            Predictor::Allometry => "allometry on the forecast body weight".to_owned(),
        };
        if single {
            name
        } else {
            format!("{name} (weight {weight:.2})")
        }
    };
    let names: Vec<String> = one.predictors.iter().map(name).collect();
    names.join(" and ")
}
