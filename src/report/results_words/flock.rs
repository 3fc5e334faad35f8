//! Where the flock stood against its target, and when it came into lay.

use super::{interval_words, limits, short, signed};
use crate::report::methods::{days, in_words};
use crate::report::pictures::file_name;
use crate::report::prose::{count, listed, was};
use crate::report::told::{ReadRow, Told};
use crate::study::BODY_WEIGHT;

/// The last row of each strain and trait of a table by age.
fn last_of_strains<'a>(told: &Told<'a>, table: &str) -> Vec<ReadRow<'a>> {
    let mut last: Vec<ReadRow<'a>> = Vec::new();
    let rows = told.table(table).into_iter().flat_map(|table| table.rows());
    for row in rows.filter(|row| row.text("level") == "strain") {
        let same = |other: &&mut ReadRow<'_>| {
            (other.text("strain"), other.text("trait")) == (row.text("strain"), row.text("trait"))
        };
        match last.iter_mut().find(same) {
            Some(other) if other.number("age_d") <= row.number("age_d") => *other = row,
            Some(_) => {}
            None => last.push(row),
        }
    }
    last
}

pub(super) fn target(told: &Told<'_>) -> Vec<String> {
    let sentences: Vec<String> = last_of_strains(told, "deviation")
        .into_iter()
        .filter_map(target_sentence)
        .collect();
    if sentences.is_empty() {
        return Vec::new();
    }
    let trait_name = told
        .table("deviation")
        .and_then(|table| table.words("trait").first().copied())
        .unwrap_or_default();
    let figure = format!("deviation_{}", file_name(trait_name));
    vec![format!(
        "At their last weighing, {} {}. [Feed, light and health over that time.]",
        sentences.join("; "),
        told.see("deviation", &figure)
    )]
}

fn target_sentence(row: ReadRow<'_>) -> Option<String> {
    let deviation_g = row.number("deviation_g")?;
    let limits = limits(row, "deviation_lower_g", "deviation_upper_g")
        .map_or_else(String::new, |(lower, upper)| {
            format!(" ({} to {})", signed(lower), signed(upper))
        });
    let days_off = row.number("days").map_or_else(String::new, |off| {
        let direction = if off < 0.0 { "behind" } else { "ahead" };
        format!(", {} d {direction}", short(off.abs()))
    });
    let band = match row.text("in_band") {
        "yes" => ", within the target's band",
        "no" => ", outside the target's band",
        "unsure" => ", at an edge of the target's band",
        _ => "",
    };
    Some(format!(
        "the {} of {} at {} d (n = {}, mean {} g) was {} g{limits} from target{days_off}{band}",
        in_words(row.text("trait")),
        row.text("strain"),
        days(row.number("age_d")?),
        row.whole("n")?,
        short(row.number("observed_g")?),
        signed(deviation_g),
    ))
}

pub(super) fn uniformity(told: &Told<'_>) -> Vec<String> {
    let sentences: Vec<String> = last_of_strains(told, "uniformity")
        .into_iter()
        .filter(|row| row.text("trait") == BODY_WEIGHT)
        .filter_map(|row| {
            Some(format!(
                "{} % of {} at {} d{} (n = {})",
                short(row.number("uniformity_pct")?),
                row.text("strain"),
                days(row.number("age_d")?),
                interval_words(
                    told,
                    limits(row, "uniformity_lower_pct", "uniformity_upper_pct")
                ),
                row.whole("n")?
            ))
        })
        .collect();
    if sentences.is_empty() {
        return Vec::new();
    }
    vec![format!(
        "Uniformity of body weight at the last weighing was {} (uniformity.csv).",
        listed(&sentences)
    )]
}

/// What each strain is forecast to weigh at the last age that is forecast, and the birds
/// that left their course.
fn weights_to_come_of(told: &Told<'_>) -> Vec<String> {
    last_of_strains(told, "forecast")
        .into_iter()
        .filter_map(|row| {
            let doubt = match row.text("flag") {
                "" => String::new(),
                flag => format!(" [{flag}]"),
            };
            Some(format!(
                "the {} of {} {} g at {} d{}{doubt}",
                in_words(row.text("trait")),
                row.text("strain"),
                short(row.number("forecast")?),
                days(row.number("age_d")?),
                interval_words(told, limits(row, "lower", "upper"))
            ))
        })
        .collect()
}

pub(super) fn weights_to_come(told: &Told<'_>) -> Vec<String> {
    let mut all = Vec::new();
    let strains = weights_to_come_of(told);
    if !strains.is_empty() {
        all.push(format!(
            "The means were forecast: {} (forecast.csv).",
            listed(&strains)
        ));
    }
    if told.has_table("drifting") {
        let drifting = told
            .table("drifting")
            .map_or(0, |table| table.rows().count());
        all.push(format!(
            "{} {} told as having left {} own course (drifting.csv).",
            count(drifting, "bird"),
            was(drifting),
            if drifting == 1 { "its" } else { "their" }
        ));
    }
    all
}

/// Whether a curve is the one by which the strains are compared in a trait.
fn is_best(told: &Told<'_>, trait_name: &str, curve: &str) -> bool {
    let mut traits = told.study.traits.iter();
    let place = traits.position(|records| records.name == trait_name);
    let best = place.and_then(|place| told.trajectories.best_of_strains(place));
    best.is_some_and(|best| best.name() == curve)
}

pub(super) fn cues(told: &Told<'_>) -> Vec<String> {
    let Some(table) = told.table("cue_summary") else {
        return Vec::new();
    };
    let mut sentences = Vec::new();
    for strain in table.words("strain") {
        let steadiest = table
            .rows()
            .filter(|row| row.text("strain") == strain)
            .filter(|row| is_best(told, row.text("trait"), row.text("curve")))
            .filter(|row| {
                row.number("mean_difference_d")
                    .is_some_and(|mean| mean > 0.0)
            })
            .filter_map(|row| Some((row.number("sd_difference_d")?, row)))
            .min_by(|one, other| one.0.total_cmp(&other.0));
        let Some((sd_d, row)) = steadiest else {
            continue;
        };
        sentences.push(format!(
            "in {strain} the {} of {} by {} came {} d before the first egg (SD between birds {} d, n = {})",
            in_words(row.text("cue")),
            in_words(row.text("trait")),
            row.text("curve"),
            row.number("mean_difference_d").map_or_else(String::new, short),
            short(sd_d),
            row.whole("n").unwrap_or(0)
        ));
    }
    if sentences.is_empty() {
        return Vec::new();
    }
    vec![format!(
        "Of the cues that fell before the first egg, the one whose distance from it varied least was the following: {} (cue_summary.csv). It was chosen as the steadiest of those looked at, which flatters it. [These are associations.]",
        sentences.join("; ")
    )]
}

pub(super) fn onset(told: &Told<'_>) -> Vec<String> {
    let mut all = Vec::new();
    if let Some(table) = told.table("age_in_lay") {
        let sentences: Vec<String> = table
            .rows()
            .filter(|row| row.text("level") == "strain")
            .filter(|row| {
                row.number("in_lay_pct")
                    .is_some_and(|share| (share - 50.0).abs() < 0.5)
            })
            .filter_map(|row| {
                let laid = format!(
                    "{} of {} birds of {} had laid",
                    row.whole("laid")?,
                    row.whole("n")?,
                    row.text("strain")
                );
                Some(match row.number("age_d") {
                    Some(age_d) => format!(
                        "{laid}, and half were in lay at {} d{}",
                        short(age_d),
                        interval_words(told, limits(row, "lower", "upper"))
                    ),
                    None => format!("{laid}, and half were not in lay by the end"),
                })
            })
            .collect();
        if !sentences.is_empty() {
            all.push(format!(
                "{} {}.",
                sentences.join("; "),
                told.see("age_in_lay", "lay_curve")
            ));
        }
    }
    all.extend(best_model(told));
    if let Some(table) = told.table("onset_forecast") {
        let birds = table
            .rows()
            .filter(|row| row.text("quantity") == "first_egg_age")
            .count();
        if birds > 0 {
            all.push(format!(
                "First eggs of {} were forecast (onset_forecast.csv).",
                count(birds, "bird")
            ));
        }
    }
    all
}

/// Whether a cue predicts the first egg better than no cue, by the models of birds left out.
fn best_model(told: &Told<'_>) -> Option<String> {
    let table = told.table("onset_fits")?;
    let judged = || {
        let rows = table.rows().filter(|row| row.text("status") != "failed");
        rows.filter_map(|row| Some((row.number("cv_error_d")?, row)))
    };
    let least = |with_cues: bool| {
        judged()
            .filter(|(_, row)| row.text("cues").is_empty() != with_cues)
            .min_by(|one, other| one.0.total_cmp(&other.0))
    };
    let error = |error_d: f64, row: &ReadRow<'_>| {
        let median = row
            .number("cv_median_absolute_error_d")
            .map_or_else(String::new, |d| {
                format!(", median absolute error {} d", short(d))
            });
        let brier = row.number("brier_score").zip(row.number("brier_age_d"));
        let brier = brier.map_or_else(String::new, |(score, age_d)| {
            format!(", Brier score {score:.2} at {} d", short(age_d))
        });
        format!("root mean square error {} d{median}{brier}", short(error_d))
    };
    let recommended = judged().find(|(_, row)| row.text("recommended") == "yes");
    let without = least(false);
    let without_words = without.as_ref().map_or_else(String::new, |(error_d, row)| {
        format!("; without any cue {}", error(*error_d, row))
    });
    let models = table.rows().count();
    if let Some((error_d, row)) = recommended {
        let weak = match row.text("status") {
            "weak" => format!("; the model was weak ({})", row.text("reason")),
            _ => String::new(),
        };
        return Some(format!(
            "Of {models} models of the age at first egg, the {} model with {} predicted it better than no cue in cross-validation ({}{without_words}; n = {} birds, {} laid; onset_fits.csv){weak}. [What this says of the cues, and what it cannot say.]",
            row.text("model").split(':').next().unwrap_or_default(),
            in_words(row.text("cues")),
            error(error_d, &row),
            row.whole("n").unwrap_or(0),
            row.whole("events").unwrap_or(0)
        ));
    }
    match (least(true), without) {
        (Some((error_d, row)), Some(_)) => Some(format!(
            "No cue predicted the age at first egg better than no cue in cross-validation by more than the standard error of the difference (least error with {}: {}{without_words}; n = {} birds, {} laid; onset_fits.csv).",
            in_words(row.text("cues")),
            error(error_d, &row),
            row.whole("n").unwrap_or(0),
            row.whole("events").unwrap_or(0)
        )),
        (None, Some((error_d, row))) => Some(format!(
            "Without cues, the age at first egg was predicted in cross-validation with a {} (onset_fits.csv).",
            error(error_d, &row)
        )),
        _ => {
            let reason = table
                .rows()
                .map(|row| row.text("reason"))
                .find(|reason| !reason.is_empty());
            Some(format!(
                "No model of the age at first egg could be judged{} (onset_fits.csv).",
                reason.map_or_else(String::new, |reason| format!(": {reason}"))
            ))
        }
    }
}
