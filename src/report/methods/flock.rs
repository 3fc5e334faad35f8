//! Targets, uniformity and the onset of lay.

use crate::flock::Predictor;
use crate::report::prose::listed;
use crate::report::sources::{References, Source};
use crate::report::told::{Read, ReadRow, Told};

pub(super) fn targets(told: &Told<'_>, cited: &mut References) -> Vec<String> {
    let mut all = Vec::new();
    if told.table("deviation").is_some() {
        all.push(format!(
            "Targets between the tabulated ages were read from a monotone piecewise cubic {}. The deviation in days is the age at which the target has the observed mass, less the age at weighing. [Source of the targets.]",
            cited.cite(Source::FritschCarlson)
        ));
    }
    let uniformity = told.table("uniformity");
    if uniformity.is_some_and(|table| {
        table
            .rows()
            .any(|row| row.number("uniformity_pct").is_some())
    }) {
        let within = told
            .methods
            .get("uniformity")
            .map_or("near the mean", String::as_str);
        all.push(format!(
            "Uniformity is the share of birds {within} of their strain or pen at that age, with Wilson's intervals {}; coefficients of variation have Vangel's {}.",
            cited.cite(Source::Wilson),
            cited.cite(Source::Vangel)
        ));
    }
    all
}

/// Forecasts of weights, how they would have come true, and birds that drift.
pub(super) fn weights_to_come(told: &Told<'_>, cited: &mut References) -> Vec<String> {
    let forecast = told.table("forecast");
    let told_any = |table: Read<'_>| table.rows().any(|row| row.number("forecast").is_some());
    if !forecast.is_some_and(told_any) {
        return Vec::new();
    }
    let by = |name: &str| {
        let uses = |row: ReadRow<'_>| row.text("predictors").contains(name);
        forecast.is_some_and(|table| table.rows().any(uses))
    };
    let mut text = "Later weights were forecast from each bird's weighings so far.".to_owned();
    if by(&Predictor::RelativeToTarget.to_string()) {
        text += &format!(
            " The logarithm of weight over target was carried on by a linear Gaussian state model: levels, walks and damped slopes of strains and birds {}, their variances by restricted maximum likelihood, and the timing of the target's second phase as an unknown of strain and bird.",
            cited.cite(Source::Harvey)
        );
    }
    if by(&Predictor::OwnModel.to_string()) || by(&Predictor::SavedPopulation.to_string()) {
        let population = told
            .methods
            .get("population of the forecast")
            .map_or_else(String::new, |whose| format!(" ({whose} population)"));
        text += &format!(
            " The mixed model of a bird's strain{population} was updated with that bird's weighings {}.",
            cited.cite(Source::Henderson)
        );
    }
    if by("; ") {
        text += &format!(
            " Predictors were weighted by how their forecasts as of earlier ages came true {}, and the intervals include the differences between them.",
            cited.cite(Source::Yao)
        );
    }
    if by(&Predictor::Allometry.to_string()) {
        text += &format!(
            " Masses were forecast by allometry at the forecast body weight {}.",
            cited.cite(Source::Huxley)
        );
    }
    text += &format!(
        " {} % intervals are of a weighing of a bird, or of the mean of such weighings over a strain or pen.",
        told.percent()
    );
    if let Some(backtest) = told.table("backtest") {
        let of_weights =
            |row: ReadRow<'_>| !matches!(row.text("quantity"), "first_egg_age" | "share_in_lay");
        if backtest.rows().any(of_weights) {
            text += " The same forecasts were made as of every third week from the middle of the study, and as of the ages that the study names, and set against what was weighed then (backtest.csv).";
        }
    }
    if told.has_table("drifting") {
        text += &format!(
            " Birds that left their own course were looked for by cumulative sums of their forecast errors, with what a strain has in common at an age taken out {}.",
            cited.cite(Source::Page)
        );
    }
    vec![text]
}

pub(super) fn onset(told: &Told<'_>, cited: &mut References) -> Vec<String> {
    let mut all = Vec::new();
    let cues = told.table("cues");
    if cues.is_some_and(|table| table.rows().any(|row| row.number("estimate").is_some())) {
        let mut text = "Timing cues (the age at the inflection or at the first and second peak of gain, at shares of the mature weight or at given weights, as far as a curve has them) were read from each fitted curve with delta-method standard errors".to_owned();
        if told.table("cue_summary").is_some() {
            text += ", and set beside the recorded age at first egg of the same bird; such associations hold for these strains under this light programme";
        }
        text.push('.');
        all.push(text);
    }
    if let Some(curve) = told.table("lay_curve") {
        let methods: Vec<String> = curve
            .words("method")
            .into_iter()
            .map(|method| match method {
                "turnbull" => format!(
                    "Turnbull's estimate for first eggs known between two looks {}",
                    cited.cite(Source::Turnbull)
                ),
                _ => format!(
                    "the Kaplan-Meier method {}",
                    cited.cite(Source::KaplanMeier)
                ),
            })
            .collect();
        all.push(format!(
            "The share of birds in lay by age was estimated by {}; birds without an egg when last seen were censored there.",
            listed(&methods)
        ));
    }
    all.extend(onset_models(told, cited));
    if told.table("thresholds").is_some() {
        all.push("Measures at first egg were read from each bird's curve, and each was judged as a threshold by how well the mean of the other birds tells the age at first egg.".to_owned());
    }
    if told.table("onset_forecast").is_some() {
        all.push(format!(
            "The first eggs of birds not laying when last seen were forecast by accelerated failure time models, averaged by their Akaike weights {}, with {} % intervals{}.",
            cited.cite(Source::BurnhamAnderson),
            told.percent(),
            if told.table("backtest").is_some_and(|table| {
                table.rows().any(|row| row.text("quantity") == "first_egg_age")
            }) {
                "; the same forecasts were made at earlier ages, with what came later hidden, and set against what came"
            } else {
                ""
            }
        ));
    }
    all
}

fn onset_models(told: &Told<'_>, cited: &mut References) -> Option<String> {
    let fits = told.table("onset_fits")?;
    let answered: Vec<&str> = fits
        .rows()
        .filter(|row| row.text("status") != "failed")
        .map(|row| row.text("model").split(':').next().unwrap_or_default())
        .collect();
    if answered.is_empty() {
        return Some("Models of the age at first egg were tried and none had an answer; the reasons stand in onset_fits.csv.".to_owned());
    }
    let accelerated: Vec<&str> = [
        ("weibull", "Weibull"),
        ("lognormal", "log-normal"),
        ("loglogistic", "log-logistic"),
    ]
    .into_iter()
    .filter(|(name, _)| answered.contains(name))
    .map(|(_, words)| words)
    .collect();
    let mut laws = Vec::new();
    if !accelerated.is_empty() {
        laws.push(format!(
            "accelerated failure time models ({}) {}",
            accelerated.join(", "),
            cited.cite(Source::KalbfleischPrentice)
        ));
    }
    if answered.contains(&"proportional_hazards") {
        laws.push(format!("proportional hazards {}", cited.cite(Source::Cox)));
    }
    let landmark = told.methods.get("landmark").map_or_else(String::new, |landmark| {
        format!(
            " Only birds seen and not laying at the landmark ({landmark}) counted, time ran from there, and cues came from curves fitted to what was weighed up to it {}.",
            cited.cite(Source::Anderson)
        )
    });
    let error = match told.methods.get("cue error").map(String::as_str) {
        Some("calibrated") => format!(
            " Cues were replaced by their best linear predictions, since they are estimates themselves (regression calibration {}), with bootstrap standard errors {}.",
            cited.cite(Source::CarrollError),
            cited.cite(Source::Efron)
        ),
        Some(_) => {
            " Cues were taken as they stand; their own error draws their effects towards zero."
                .to_owned()
        }
        None => String::new(),
    };
    let checked = fits.rows().any(|row| row.number("cv_error_d").is_some());
    let checked = if checked {
        format!(
            " Models were judged by birds that they were not fitted to, by the error in days and by concordance {}.",
            cited.cite(Source::Harrell)
        )
    } else {
        String::new()
    };
    Some(format!(
        "The age at first egg was modelled by {}, with all cues together, with each alone and with none, and a term for each strain where there are several.{landmark}{error}{checked}",
        listed(&laws)
    ))
}
