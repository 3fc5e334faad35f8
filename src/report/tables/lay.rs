//! The tables of the onset of lay.

use super::Columns;
use super::column::{Column, about, columns};
use crate::maturity::{
    AgeInLay, AtFirstEgg, Breakpoint, CueSet, FirstEggSummary, LayCurve, LayPoint, LayRecords,
    OnTime, OnsetForecast, OnsetModel, OnsetModels, OnsetTerm, Reliability, Term, Threshold,
};
use crate::report::Table;
use crate::stats::Interval;
use crate::stats::time_to_event::EventTime;
use crate::study::Study;

/// `onset_terms.csv`: the terms of every onset model that has an answer.
#[must_use]
pub fn onset_terms(models: &OnsetModels) -> Table {
    let columns = columns!("onset_terms", |(model, term): (&OnsetModel, &OnsetTerm)| {
        model("", "family of the age at first egg, with :CUE for one cue alone and :none for none; all cues together otherwise") => &model.name,
        term("", "intercept, strain against the first, cue, or log_scale") => &term.name,
        estimate("1", "its estimate per unit of the cue: on ln age (ln days since the landmark), or on the ln hazard for proportional hazards") => term.estimate,
        std_error("1", "standard error of the estimate") => term.std_error,
        lower("1", "lower limit of the interval") => term.interval.lower,
        upper("1", "upper limit of the interval") => term.interval.upper,
        days_per_sd("d", "days that the median first egg moves for one SD (within strains) more of the cue; empty for other terms, for proportional hazards, and where it would double or halve") => term.days_per_sd,
    });
    columns.table(models.models.iter().flat_map(|model| {
        let terms = model.result.iter().flat_map(|estimates| &estimates.terms);
        terms.map(move |term| (model, term))
    }))
}

/// `onset_fits.csv`: every onset model, how it fits and how it predicts.
#[must_use]
pub fn onset_fits(models: &OnsetModels) -> Table {
    let recommended = models.recommended().map(|model| &model.name);
    columns!("onset_fits", |model: &OnsetModel| {
        model("", "family of the age at first egg, with :CUE for one cue alone and :none for none; all cues together otherwise") => &model.name,
        n("1", "birds") => model.n,
        events("1", "birds known to have laid") => model.events,
        log_lik("1", "log-likelihood; the partial one for proportional hazards") => model.result.as_ref().ok().map(|fit| fit.log_lik),
        aic("1", "Akaike's information criterion; comparable between accelerated failure time models, or between proportional hazards models") => model.result.as_ref().ok().map(|fit| fit.aic),
        concordance("1", "share of comparable pairs of birds put in the right order, of the birds fitted to") => model.result.as_ref().ok().and_then(|fit| fit.concordance),
        cv_error_d("d", "root mean square of predicted median minus observed first egg, birds left out of the fit") => model.cross_validated.and_then(|cv| cv.error_d),
        cv_n("1", "birds in that error") => model.cross_validated.map(|cv| cv.n),
        cv_concordance("1", "concordance of the predictions of birds left out") => model.cross_validated.and_then(|cv| cv.concordance),
        calibration_slope("1", "slope of observed on predicted, birds left out: 1 is right, below 1 predictions differ too much") => model.cross_validated.and_then(|cv| cv.calibration_slope),
        cues("", "cues in the model") => model.cues.join(" + "),
        fit_status => match &model.result {
            Err(_) => "failed",
            Ok(_) if model.weakness.is_empty() => "converged",
            Ok(_) => "weak",
        },
        reason("", "why the model is weak or failed") => model.result.as_ref().err().unwrap_or(&model.weakness),
        cv_median_absolute_error_d("d", "median size of predicted median minus observed first egg, birds left out of the fit") => model.cross_validated.and_then(|cv| cv.median_absolute_error_d),
        brier_score("1", "Brier score of the predicted probability of having laid by brier_age_d, birds left out of the fit; birds last seen before it without an egg have weight 0, the others the inverse probability of still being watched (Graf 1999); 0 is perfect") => model.cross_validated.and_then(|cv| cv.brier).map(|brier| brier.score),
        brier_age_d("d", "median age at first egg (Kaplan-Meier)") => model.cross_validated.and_then(|cv| cv.brier).map(|brier| models.counted_from_d + brier.time_d),
        gain_d2("d^2", "squared error without cues minus squared error with the cues, same family and birds, mean; positive where the cues help") => model.cross_validated.and_then(|cv| cv.gain).map(|gain| gain.mean_d2),
        gain_std_error_d2("d^2", "standard error of gain_d2, birds as the sample") => model.cross_validated.and_then(|cv| cv.gain).map(|gain| gain.std_error_d2),
        gain_n("1", "birds in gain_d2") => model.cross_validated.and_then(|cv| cv.gain).map(|gain| gain.n),
        recommended("", "yes: the cues predict first egg better than no cue by more than the standard error of the difference, from 10 birds or more; the best of these; no: not recommended; empty for models without cues") => (model.set != CueSet::None).then_some(recommended == Some(&model.name)),
    })
    .table(&models.models)
}

/// `onset_cues.csv`: the cues that the models rest on, and how reliable each is.
#[must_use]
pub fn onset_cues(reliabilities: &[Reliability]) -> Table {
    columns!("onset_cues", |row: &Reliability| {
        cue("", "cue that the models rest on") => &row.cue,
        known("1", "birds that have the cue") => row.known,
        n("1", "birds in the models: those that have every cue") => row.n,
        mean("1", "mean over the birds in the models, in the unit of the cue (g, g/d or d)") => row.mean,
        sd_within_strains("1", "standard deviation of the cue within strains, in its unit") => row.sd,
        std_error("1", "root mean square of the birds' own standard errors of the cue, in its unit; empty where not known") => row.std_error,
        reliability("1", "share of the variance within strains that is not error, 0 to 1") => row.reliability,
    })
    .table(reliabilities)
}

/// The columns of a strain, or of all birds.
fn level(strain: Option<usize>) -> &'static str {
    match strain {
        Some(_) => "strain",
        None => "flock",
    }
}

/// `lay_curve.csv`: the share of birds in lay by age.
#[must_use]
pub fn lay_curve(records: &LayRecords, curves: &[LayCurve]) -> Table {
    let columns = columns!("lay_curve", |(curve, point): (&LayCurve, &LayPoint)| {
        level => level(curve.strain),
        strain => curve.strain.map(|strain| &records.strains[strain]),
        method("", "kaplan-meier where first eggs are known to the day, turnbull where some are known only between two looks") => curve.method.name(),
        age_d("d", "age to which the share holds") => point.age_d,
        share_in_lay("1", "share of the birds in lay by that age, 0 to 1") => point.share,
        std_error("1", "standard error of the share") => point.std_error,
        lower("1", "lower limit of the share") => point.interval.map(|limits| limits.lower),
        upper("1", "upper limit of the share") => point.interval.map(|limits| limits.upper),
        from_d("d", "age from which the curve rises to this point: somewhere between it and age_d by turnbull, age_d itself by kaplan-meier") => point.from_d,
        at_risk("1", "birds seen and not laying just before; empty by turnbull") => point.at_risk,
        laid("1", "first eggs at that age; empty by turnbull") => point.laid,
        last_seen("1", "birds last seen at that age without an egg; empty by turnbull") => point.last_seen,
    });
    columns.table(curves.iter().flat_map(|curve| {
        let points = curve.points.iter();
        points.map(move |point| (curve, point))
    }))
}

/// `age_in_lay.csv`: the age by which 10, 50 and 90 percent are in lay.
#[must_use]
pub fn age_in_lay(records: &LayRecords, curves: &[LayCurve]) -> Table {
    let columns = columns!("age_in_lay", |(curve, age): (&LayCurve, &AgeInLay)| {
        level => level(curve.strain),
        strain => curve.strain.map(|strain| &records.strains[strain]),
        method("", "kaplan-meier where first eggs are known to the day, turnbull where some are known only between two looks") => curve.method.name(),
        n("1", "birds") => curve.n,
        laid("1", "birds known to have laid") => curve.laid,
        in_lay_pct("%", "share of birds in lay") => age.share_pct,
        age_d("d", "age by which that share is in lay; empty where the curve does not rise so far") => age.age_d,
        lower("d", "lower limit of that age") => age.lower_d,
        upper("d", "upper limit of that age") => age.upper_d,
    });
    columns.table(curves.iter().flat_map(|curve| {
        let ages = curve.ages.iter();
        ages.map(move |age| (curve, age))
    }))
}

/// A forecast of a first egg, of the share in lay or of the age at half.
#[derive(Default)]
struct Ahead<'a> {
    level: &'static str,
    strain: Option<usize>,
    bird: &'a str,
    quantity: &'static str,
    age_d: Option<f64>,
    estimate: Option<f64>,
    interval: Option<Interval>,
    came: Option<f64>,
    n: usize,
    note: String,
    on_time: Option<OnTime>,
}

/// `onset_forecast.csv`: when the birds not laying yet will lay, and the lay curve ahead.
#[must_use]
pub fn onset_forecast(records: &LayRecords, forecast: &OnsetForecast) -> Table {
    let columns = columns!("onset_forecast", |row: Ahead<'_>| {
        level => row.level,
        strain => row.strain.map(|strain| &records.strains[strain]),
        bird => row.bird,
        as_of_d("d", "age of the forecast: what came later is not used") => forecast.as_of_d,
        model("", "joint_model: of growth and first egg, by this flock; joint_model:earlier_flock: by a saved population; else the model of most weight among those that the forecast averages over by Akaike weights") => forecast.model(),
        quantity("", "first_egg_age (d), share_in_lay (0 to 1) or age_at_50pct_in_lay (d)") => row.quantity,
        age_d("d", "age ahead that the share is of") => row.age_d,
        estimate("see unit", "what is forecast: median first egg; expected share; age by which half are in lay") => row.estimate,
        lower("see unit", "lower limit of the prediction interval (a bird's includes the chance that it is late)") => row.interval.map(|limits| limits.lower),
        upper("see unit", "upper limit of that interval") => row.interval.map(|limits| limits.upper),
        came("see unit", "the value in the records; empty where they have none") => row.came,
        n("1", "birds: one, or those laying or seen and not laying") => row.n,
        note => &*row.note,
        unit => if row.quantity == "share_in_lay" { "1" } else { "d" },
        late_pct("%", "of a bird by the joint model: chance that it is late for a reason that its weights do not show, given that it has not laid yet") => row.on_time.map(|found| 100.0 * found.late),
        on_time_estimate("d", "median first egg if the bird is not one of these; empty where it hardly can be on time") => row.on_time.and_then(|found| Some(found.egg_d?.0)),
        on_time_lower("d", "lower limit of its prediction interval, the shortest") => row.on_time.and_then(|found| Some(found.egg_d?.1.lower)),
        on_time_upper("d", "upper limit of that interval") => row.on_time.and_then(|found| Some(found.egg_d?.1.upper)),
    });
    columns.filled(0, |add| {
        for bird in &forecast.birds {
            let (came, seen) = match bird.came {
                Some(EventTime::Exact(egg_d)) => (Some(egg_d), None),
                Some(EventTime::After(seen_d)) => (None, Some(format!("no egg until {seen_d} d"))),
                Some(EventTime::Between(lower, upper)) => {
                    (None, Some(format!("between {lower} and {upper} d")))
                }
                Some(EventTime::Before(upper)) => (None, Some(format!("by {upper} d"))),
                None => (None, None),
            };
            let no_cue = "a cue is not known: from its strain alone";
            let far = "not estimable: too few have laid for a forecast so far ahead";
            let notes = [
                (!bird.by_cues).then(|| no_cue.to_owned()),
                bird.median_d.is_none().then(|| far.to_owned()),
                seen,
            ];
            let notes: Vec<String> = notes.into_iter().flatten().collect();
            add(Ahead {
                level: "bird",
                strain: Some(bird.strain),
                bird: &bird.bird,
                quantity: "first_egg_age",
                age_d: None,
                estimate: bird.median_d,
                interval: Some(bird.interval_d),
                came,
                n: 1,
                note: notes.join("; "),
                on_time: bird.on_time,
            });
        }
        for curve in &forecast.curves {
            let whole = || Ahead {
                level: level(curve.strain),
                strain: curve.strain,
                n: curve.n,
                ..Ahead::default()
            };
            if let Some((half_d, interval)) = curve.half_d {
                add(Ahead {
                    quantity: "age_at_50pct_in_lay",
                    estimate: Some(half_d),
                    interval: Some(interval),
                    ..whole()
                });
            }
            for point in &curve.points {
                add(Ahead {
                    quantity: "share_in_lay",
                    age_d: Some(point.age_d),
                    estimate: Some(point.share),
                    interval: Some(point.interval),
                    came: point.came,
                    ..whole()
                });
            }
        }
    })
}

/// A term of the joint model of growth and first egg.
struct EggTerm<'a> {
    group: Option<&'a str>,
    term: &'a str,
    quantity: &'static str,
    unit: &'static str,
    value: Term,
}

/// `first_egg_terms.csv`: how first eggs follow growth by the joint model.
#[must_use]
pub fn first_egg_terms(found: &FirstEggSummary) -> Table {
    let columns = columns!("first_egg_terms", |row: EggTerm<'_>| {
        group("", "strain, or strain and treatment, that the lag is of; empty where it is not one group's") => row.group,
        quantity("", "lag: days from the pre-lay growth spurt (ti2) of a typical bird to its first egg; effect: days by which one standard deviation more of a term moves the first egg, beyond the spurt's own age day by day; sd: between birds with the same terms that are on time; late_share and late_delay: birds that are late for a reason that their weights do not show") => row.quantity,
        term("", "term of the growth curve that an effect is of") => row.term,
        estimate("see unit", "posterior median") => row.value.estimate,
        std_error("see unit", "posterior standard deviation") => row.value.std_error,
        birds("1", "birds behind the model") => found.birds,
        laid("1", "those that had laid") => found.laid,
        source("", "this flock or earlier flock (a saved population)") => if found.earlier_flock { "earlier flock" } else { "this flock" },
        unit => row.unit,
    });
    columns.filled(0, |add| {
        let row = |quantity, unit, value| EggTerm {
            group: None,
            term: "",
            quantity,
            unit,
            value,
        };
        for (group, value) in &found.lags_d {
            add(EggTerm {
                group: Some(group),
                ..row("lag", "d", *value)
            });
        }
        for (term, value) in &found.effects_d {
            add(EggTerm {
                term,
                ..row("effect", "d", *value)
            });
        }
        add(row("sd", "d", found.sigma_d));
        add(row("late_share", "1", found.late_share));
        add(row("late_delay", "d", found.delay_d));
    })
}

/// Unit of a measure at first egg.
pub(in crate::report) fn unit(measure: &str) -> &'static str {
    match measure {
        "age" => "d",
        share if share.ends_with("_pct") => "%",
        _ => "g",
    }
}

/// A quantity of birds at their first egg, or of the bend of growth before it.
struct AtLay<'a> {
    strain: usize,
    bird: Option<usize>,
    measure: &'a str,
    quantity: &'static str,
    unit: &'static str,
    estimate: Option<f64>,
    std_error: Option<f64>,
    interval: Option<Interval>,
    n: usize,
    first_egg_d: Option<f64>,
    note: String,
}

/// `thresholds.csv`: measures at first egg by bird and strain, how well each predicts the
/// first egg as a threshold, and the age at which a trait's gain bends before lay.
#[must_use]
pub fn thresholds(
    study: &Study,
    values: &[AtFirstEgg],
    thresholds: &[Threshold],
    bends: &[Breakpoint],
) -> Table {
    let columns = columns!("thresholds", |row: AtLay<'_>| {
        level => if row.bird.is_some() { "bird" } else { "strain" },
        strain => &study.strains[row.strain],
        bird => row.bird.map(|bird| &study.birds[bird].name),
        measure("", "a trait, a trait's percent of the body weight, or age") => row.measure,
        quantity("", "value_at_first_egg, or its mean, sd, cv over birds; sd_without_curve_error; rule_error (root mean square error of 'a bird lays when it comes to the mean of the others'); bend_age, and gain before and after the bend") => row.quantity,
        unit => row.unit,
        estimate("see unit", "the quantity") => row.estimate,
        std_error("see unit", "standard error of the quantity") => row.std_error,
        lower("see unit", "lower limit of the interval; empty where there is none or it is open") => row.interval.map(|limits| limits.lower),
        upper("see unit", "upper limit of the interval; empty where there is none or it is open") => row.interval.map(|limits| limits.upper),
        n("1", "birds behind the row; for the bend of one bird its weighings") => row.n,
        first_egg_age_d("d", "age at first egg; for the bend of a strain the median of its birds that laid") => row.first_egg_d,
        note => &*row.note,
    });
    columns.filled(0, |add| {
        thresholds.iter().for_each(|row| strain_rows(row, add));
        bends.iter().for_each(|row| bend_rows(study, row, add));
        for row in values {
            let reading = row.value.as_ref().ok();
            add(AtLay {
                strain: study.birds[row.bird].strain,
                bird: Some(row.bird),
                measure: &row.measure,
                quantity: "value_at_first_egg",
                unit: unit(&row.measure),
                estimate: reading.map(|reading| reading.value),
                std_error: reading.and_then(|reading| reading.std_error),
                interval: None,
                n: 1,
                first_egg_d: Some(row.first_egg_d),
                note: row
                    .value
                    .as_ref()
                    .err()
                    .map_or_else(String::new, ToString::to_string),
            });
        }
    })
}

fn strain_rows<'a>(row: &'a Threshold, add: &mut dyn FnMut(AtLay<'a>)) {
    let counted = |n: usize, what: &str| match n {
        0 => String::new(),
        n => format!("{n} birds {what}"),
    };
    let missing = counted(row.not_laying, "without an egg are not in it");
    let never = counted(
        row.never,
        "did not come to it by their last weighing, which was taken",
    );
    let own = unit(&row.measure);
    let (mean, error, interval) = row.mean;
    let cv = row.cv_pct;
    for (quantity, unit, estimate, std_error, interval, note) in [
        (
            "mean",
            own,
            Some(mean),
            Some(error),
            Some(interval),
            &missing,
        ),
        ("sd", own, Some(row.sd.0), None, Some(row.sd.1), &missing),
        (
            "sd_without_curve_error",
            own,
            row.sd_without_error,
            None,
            None,
            &String::new(),
        ),
        (
            "cv",
            "%",
            cv.map(|cv| cv.0),
            None,
            cv.map(|cv| cv.1),
            &String::new(),
        ),
        ("rule_error", "d", row.rule_error_d, None, None, &never),
    ] {
        add(AtLay {
            strain: row.strain,
            bird: None,
            measure: &row.measure,
            quantity,
            unit,
            estimate,
            std_error,
            interval,
            n: row.n,
            first_egg_d: None,
            note: note.clone(),
        });
    }
}

fn bend_rows<'a>(study: &'a Study, row: &'a Breakpoint, add: &mut dyn FnMut(AtLay<'a>)) {
    let mut write = |quantity, unit, estimate, interval, note: &str| {
        add(AtLay {
            strain: row.strain,
            bird: row.bird,
            measure: &study.traits[row.trait_index].name,
            quantity,
            unit,
            estimate,
            std_error: None,
            interval,
            n: row.n,
            first_egg_d: Some(row.first_egg_d),
            note: note.to_owned(),
        });
    };
    match &row.found {
        Err(reason) => write("bend_age", "d", None, None, &format!("no bend: {reason}")),
        Ok(bend) => {
            let limits = [bend.interval_d.lower, bend.interval_d.upper];
            let note = if limits.iter().any(|limit| limit.is_infinite()) {
                "a limit is open: the weighings do not show that there is a bend"
            } else {
                ""
            };
            let interval = Some(bend.interval_d);
            write("bend_age", "d", Some(bend.age_d), interval, note);
            write("gain_before_bend", "g/d", Some(bend.slope_before), None, "");
            write("gain_after_bend", "g/d", Some(bend.slope_after), None, "");
        }
    }
}
