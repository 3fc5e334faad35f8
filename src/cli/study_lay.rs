//! `onset` of a study: cues at the landmark, onset models, thresholds, forecast.

use super::lay_table::{
    Backtesting, OnsetWishes, add_caution, add_forecast, add_lay_curves, add_models, at_landmark,
    last_seen,
};
use super::onset::fitted_curves;
use super::options::FitOptions;
use super::output::Output;
use crate::analysis::Lay;
use crate::error::{Error, Result};
use crate::maturity::{self, ForecastOptions, LayRecords, Threshold};
use crate::report::pictures::{Drawn, Showing};
use crate::report::{onset_pictures, onset_tables, onset_words};
use crate::study::Study;
use crate::trajectory::{Request, Trajectories};

/// Birds named in a warning; more are counted.
const NAMED: usize = 10;

/// Adds what the study's first eggs say; nothing where none are written down. Gives the
/// first eggs that its backtest foretold.
pub(crate) fn add(
    study: &Study,
    trajectories: &Trajectories,
    fit: &FitOptions,
    wishes: &OnsetWishes,
    as_of_d: Option<f64>,
    output: &mut Output,
) -> Result<Lay> {
    let all = LayRecords::of(study);
    if all.birds.is_empty() {
        return Ok(Lay::default());
    }
    let confidence = fit.confidence;
    warn_early(study, output);
    let known = as_of_d.map_or_else(|| all.clone(), |age_d| all.as_of(age_d));
    let curves = add_lay_curves(&known, confidence, fit.seed, output)?;
    let mut lay = Lay {
        strains: known.strains.clone(),
        curves,
        ..Lay::default()
    };
    output.words.push(onset_words::light_programme(study));
    let landmark_d = landmark(study, &known, wishes, as_of_d);
    output.words.push("Which cue tells it?".to_owned());
    let landmark = format!("{landmark_d} d");
    output.methods.insert("landmark".to_owned(), landmark);
    let at_landmark = match at_landmark(&all, landmark_d, output) {
        Ok(records) => records,
        Err(error) if wishes.landmark.is_some() => return Err(error),
        Err(error) => {
            output.warnings.push(error.to_string());
            add_caution(output);
            return Ok(lay);
        }
    };
    let with_cues = with_cues(study, at_landmark, landmark_d, fit, wishes, output)?;
    let models_of = as_of_d.map_or_else(|| with_cues.clone(), |age_d| with_cues.as_of(age_d));
    add_models(&models_of, &wishes.options(confidence, fit.seed), output);
    if as_of_d.is_none() {
        lay.thresholds = add_thresholds(study, trajectories, confidence, fit.seed, output);
    }
    let wanted = ForecastOptions {
        as_of_d: as_of_d.unwrap_or_else(|| last_seen(&all)),
        confidence,
        seed: fit.seed,
    };
    let backtesting = Backtesting::of(as_of_d);
    (lay.forecast, lay.backtest) = add_forecast(&all, &with_cues, &wanted, backtesting, output);
    add_caution(output);
    Ok(lay)
}

/// First eggs before the first weighing: nothing measured can have come before them.
fn warn_early(study: &Study, output: &mut Output) {
    let early = study.onset.iter().filter_map(|record| {
        let egg_d = record.first_egg_age_d?;
        let firsts = study
            .traits
            .iter()
            .filter_map(|t| t.of(record.bird).0.first().copied());
        let first_d = firsts.fold(f64::INFINITY, f64::min);
        let name = &study.birds[record.bird].name;
        (egg_d < first_d && first_d.is_finite())
            .then(|| format!("{name} (egg at {egg_d} d, weighed from {first_d} d)"))
    });
    let early: Vec<String> = early.collect();
    if early.is_empty() {
        return;
    }
    let more = match early.len().saturating_sub(NAMED) {
        0 => String::new(),
        more => format!(" and {more} more"),
    };
    output.warnings.push(format!(
        "first egg before the first weighing, so no cue came before it: {}{more}; check both ages",
        early[..early.len().min(NAMED)].join(", ")
    ));
}

/// The landmark asked for, the study's light stimulation, or the day before the first
/// egg; never later than the age of the forecast.
fn landmark(study: &Study, known: &LayRecords, wishes: &OnsetWishes, as_of_d: Option<f64>) -> f64 {
    let earliest_egg = || {
        let laid = known.birds.iter().filter(|bird| bird.first_egg.happened());
        let first = laid
            .map(|bird| bird.first_egg.range().0)
            .fold(f64::INFINITY, f64::min);
        if first.is_finite() {
            (first.ceil() - 1.0).max(0.0)
        } else {
            last_seen(known)
        }
    };
    let named = study.settings.ages.get("light_stimulation").copied();
    let age_d = wishes.landmark.or(named).unwrap_or_else(earliest_egg);
    as_of_d.map_or(age_d, |as_of_d| age_d.min(as_of_d))
}

/// The birds at the landmark with the cues of curves fitted to weighings up to it.
fn with_cues(
    study: &Study,
    mut records: LayRecords,
    landmark_d: f64,
    fit: &FitOptions,
    wishes: &OnsetWishes,
    output: &mut Output,
) -> Result<LayRecords> {
    let known = study.as_of(landmark_d);
    let request = Request {
        birds: true,
        strains: false,
        ..fit.request(study)?
    };
    let bar = output.progress(
        study.traits.len() * study.birds.len(),
        "fitting to the landmark",
    );
    let trajectories = Trajectories::fit(&known, &request, &|done| bar.inc(done as u64));
    bar.finish_and_clear();
    let fits = fitted_curves(&known, &trajectories);
    let cues = maturity::landmark_cues(&known, &fits, landmark_d, &records);
    records.cues = cues.columns;
    output.words.push(format!(
        "  cues from curves fitted to what was weighed up to {landmark_d} d: {}",
        cues.curves.join(", ")
    ));
    if !cues.left_out.is_empty() {
        output.words.push(format!(
            "  cues of too few birds, left out: {}",
            cues.left_out.join(", ")
        ));
    }
    if wishes.cues.is_empty() {
        return Ok(records);
    }
    let names: Vec<String> = records.cues.iter().map(|cue| cue.name.clone()).collect();
    if let Some(unknown) = wishes.cues.iter().find(|name| !names.contains(name)) {
        return Err(Error::call(format!(
            "--cues {unknown}: found no such cue at {landmark_d} d, expected some of {}; correct the name",
            names.join(", ")
        )));
    }
    records.cues.retain(|cue| wishes.cues.contains(&cue.name));
    Ok(records)
}

fn add_thresholds(
    study: &Study,
    trajectories: &Trajectories,
    confidence: f64,
    seed: u64,
    output: &mut Output,
) -> Vec<Threshold> {
    let fits = fitted_curves(study, trajectories);
    let (values, thresholds) = maturity::thresholds(study, &fits, confidence);
    let bends = maturity::bends(study, confidence, seed);
    if values.is_empty() {
        return thresholds;
    }
    output
        .words
        .push("What were they like at first egg?".to_owned());
    output
        .words
        .extend(onset_words::thresholds(study, &thresholds));
    output.tables.push(onset_tables::thresholds(
        study,
        &values,
        &thresholds,
        &bends,
    ));
    thresholds
}

/// The figures of the onset of lay; none where no onset is written down.
pub(crate) fn pictures(
    study: &Study,
    trajectories: &Trajectories,
    showing: &Showing,
    drawn: &mut Drawn,
) {
    let records = LayRecords::of(study);
    if records.birds.is_empty() {
        return;
    }
    // A study's first eggs are exact, so nothing is drawn at random and no seed is asked for.
    match maturity::lay_curves(&records, showing.confidence, 0) {
        Ok(curves) => onset_pictures::lay_picture(&records, &curves, showing, drawn),
        Err(failure) => drawn
            .failed
            .push(format!("figure lay_curve was not drawn: {failure}")),
    }
    let fits = fitted_curves(study, trajectories);
    let (values, thresholds) = maturity::thresholds(study, &fits, showing.confidence);
    onset_pictures::first_egg_picture(study, &values, &thresholds, showing, drawn);
}
