//! `onset` on a bare table with one row a bird.

use clap::Args;

use super::options::{Common, FitOptions, Input};
use super::output::Output;
use crate::error::{Error, Result};
use crate::maturity::{
    self, Backtests, CueError, ForecastOptions, ForetoldEgg, LayColumns, LayCurve, LayRecords,
    OnsetForecast, OnsetModels, OnsetOptions, read_lay_table,
};
use crate::report::{onset_tables, onset_words, words};
use crate::study::AgeUnit;

/// Columns of a table with one row a bird.
#[derive(Debug, Args)]
#[command(next_help_heading = "Columns of a table with one row a bird")]
pub(crate) struct LayTableColumns {
    /// Column of the age at first egg, or at the last look of a bird that had not laid
    #[arg(long, value_name = "COLUMN")]
    pub(crate) time: Option<String>,
    /// Column that says whether the bird had laid: 0 or 1, 1 or 2 (2 laid), no or yes
    #[arg(long, value_name = "COLUMN", requires = "time")]
    pub(crate) event: Option<String>,
    /// Column of the last look without an egg, where first eggs fall between two looks
    #[arg(long, value_name = "COLUMN")]
    pub(crate) lower: Option<String>,
    /// Column of the first look with an egg
    #[arg(long, value_name = "COLUMN")]
    pub(crate) upper: Option<String>,
}

impl LayTableColumns {
    /// Whether the table is one with a row a bird rather than one of weighings.
    pub(crate) fn named(&self) -> bool {
        self.time.is_some() || self.lower.is_some() || self.upper.is_some()
    }
}

/// How to look at the onset of lay.
#[derive(Debug, Args)]
#[command(next_help_heading = "Onset of lay")]
pub(crate) struct OnsetWishes {
    /// Cues: columns of the table with one row a bird (the standard error of a cue is read
    /// from the column of its name and _std_error); of a study, some of those in onset_cues.csv
    #[arg(long, value_name = "NAME[,NAME]", value_delimiter = ',')]
    pub(crate) cues: Vec<String>,
    /// Age at which the birds are looked at: only those not laying then, and only what was
    /// known then [default: the study's light_stimulation]
    #[arg(long, value_name = "DAYS")]
    pub(crate) landmark: Option<f64>,
    /// Put the best linear prediction of each cue in its place, given its standard error;
    /// standard errors by bootstrap
    #[arg(long)]
    pub(crate) calibrate_cues: bool,
}

impl OnsetWishes {
    /// As the models want them.
    pub(crate) fn options(&self, confidence: f64, seed: u64) -> OnsetOptions {
        OnsetOptions {
            confidence,
            cue_error: if self.calibrate_cues {
                CueError::Calibrated
            } else {
                CueError::AsMeasured
            },
            seed,
        }
    }
}

/// Reads the table, fits the models, adds tables and words.
pub(crate) fn run(
    input: &Input,
    columns: &LayTableColumns,
    wishes: &OnsetWishes,
    as_of_d: Option<f64>,
    fit: &FitOptions,
    common: &Common,
) -> Result<u8> {
    if input.path.is_dir() {
        return Err(Error::call(format!(
            "{}: found a study folder, expected a table with one row a bird beside --time, --lower or \
             --upper; leave these options out",
            input.path.display()
        )));
    }
    let (confidence, seed) = (fit.checked_confidence()?, fit.seed);
    let mut output = Output::new("onset", common);
    let table = read_lay_table(
        &input.path,
        &LayColumns {
            bird: input.columns.bird.clone(),
            time: columns.time.clone(),
            event: columns.event.clone(),
            lower: columns.lower.clone(),
            upper: columns.upper.clone(),
            cues: wishes.cues.clone(),
            group: input.columns.group.clone(),
            days_per_unit: input.columns.age_unit.map_or(1.0, AgeUnit::days),
            format: input.columns.format(),
        },
    )?;
    output.enter_file(&input.path)?;
    output.warnings.extend(table.notes);
    let mut records = table.records;
    let everyone = records.clone();
    if let Some(age_d) = wishes.landmark {
        records = at_landmark(&records, age_d, &mut output)?;
    }
    let known = as_of_d.map_or_else(|| records.clone(), |age_d| records.as_of(age_d));
    add_lay_curves(&known, confidence, seed, &mut output)?;
    add_models(&known, &wishes.options(confidence, seed), &mut output);
    let wanted = ForecastOptions {
        as_of_d: as_of_d.unwrap_or_else(|| last_seen(&everyone)),
        confidence,
        seed,
    };
    let backtesting = Backtesting::of(as_of_d);
    add_forecast(&everyone, &records, &wanted, backtesting, &mut output);
    add_caution(&mut output);
    output.finish()
}

/// The birds seen and not laying at the landmark, those left out told.
pub(crate) fn at_landmark(
    records: &LayRecords,
    age_d: f64,
    output: &mut Output,
) -> Result<LayRecords> {
    if !(age_d.is_finite() && age_d >= 0.0) {
        return Err(Error::call(format!(
            "--landmark {age_d}: expected an age in days of 0 or more"
        )));
    }
    let (kept, left_out) = records.after(age_d);
    output.words.push(format!(
        "  {} birds were seen and not laying at {age_d} d, the landmark; times are counted from there \
         ({} already laid, {} last seen before, {} not known)",
        kept.birds.len(),
        left_out.laying,
        left_out.gone,
        left_out.unknown
    ));
    if kept.birds.is_empty() {
        return Err(Error::call(format!(
            "--landmark {age_d}: found no bird seen and not laying at that age, expected some; \
             choose an earlier age"
        )));
    }
    Ok(kept)
}

/// Adds the lay curves.
pub(crate) fn add_lay_curves(
    records: &LayRecords,
    confidence: f64,
    seed: u64,
    output: &mut Output,
) -> Result<Vec<LayCurve>> {
    output
        .counts
        .insert("birds with an onset record".to_owned(), records.birds.len());
    output
        .counts
        .insert("birds laid".to_owned(), records.laid());
    output.words.push("When do they come into lay?".to_owned());
    if records.laid() == 0 {
        output.warnings.push(format!(
            "no bird of {} has laid: there is no age at first egg to estimate or to model, and the lay \
             curve stays at 0",
            records.birds.len()
        ));
    }
    let curves = maturity::lay_curves(records, confidence, seed)
        .map_err(|failure| Error::input(format!("lay curve: {failure}")))?;
    output.words.extend(onset_words::lay(records, &curves));
    output
        .tables
        .push(onset_tables::lay_curve(records, &curves));
    output
        .tables
        .push(onset_tables::age_in_lay(records, &curves));
    Ok(curves)
}

/// Adds the onset models.
pub(crate) fn add_models(
    records: &LayRecords,
    options: &OnsetOptions,
    output: &mut Output,
) -> OnsetModels {
    let cue_error = match options.cue_error {
        CueError::AsMeasured => "as measured",
        CueError::Calibrated => "calibrated",
    };
    output
        .methods
        .insert("cue error".to_owned(), cue_error.to_owned());
    let models = maturity::onset_models(records, options);
    if models.without_cue > 0 {
        output.warnings.push(format!(
            "{} birds lack a cue and are in no onset model",
            models.without_cue
        ));
    }
    let failed: Vec<&maturity::OnsetModel> = models
        .models
        .iter()
        .filter(|model| model.result.is_err())
        .collect();
    if let Some(Err(reason)) = failed.first().map(|model| &model.result) {
        output.warnings.push(format!(
            "{} of {} onset models have no answer ({reason}): each has its reason in onset_fits.csv",
            failed.len(),
            models.models.len()
        ));
    }
    output.words.extend(onset_words::models(&models));
    output.tables.push(onset_tables::onset_terms(&models));
    output.tables.push(onset_tables::onset_fits(&models));
    output
        .tables
        .push(onset_tables::onset_cues(&models.reliabilities));
    models
}

/// What a forecast is checked against.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Backtesting {
    /// What came after the age that was asked for.
    ThatAge,
    /// What came after each week of the records.
    EachWeek,
}

impl Backtesting {
    /// That of the age which the call names, or of all where it names none.
    pub(crate) fn of(as_of_d: Option<f64>) -> Self {
        match as_of_d {
            Some(_) => Self::ThatAge,
            None => Self::EachWeek,
        }
    }
}

/// The last age at which a bird was seen, d: that of a forecast where the call names none.
pub(crate) fn last_seen(records: &LayRecords) -> f64 {
    let seen = records.birds.iter().map(|bird| bird.first_egg.range().0);
    seen.fold(0.0, f64::max)
}

/// Adds the forecast of the birds not laying, and how such forecasts would have come true;
/// gives the first eggs so foretold.
pub(crate) fn add_forecast(
    all: &LayRecords,
    at_landmark: &LayRecords,
    wanted: &ForecastOptions,
    backtesting: Backtesting,
    output: &mut Output,
) -> (Option<OnsetForecast>, Vec<ForetoldEgg>) {
    output.words.push("When will the others lay?".to_owned());
    let forecast = maturity::forecast_onset(all, at_landmark, wanted);
    let tested = match (&forecast, backtesting) {
        (Ok(forecast), Backtesting::ThatAge) => maturity::backtest_of(forecast),
        (Err(_), Backtesting::ThatAge) => Backtests::default(),
        (_, Backtesting::EachWeek) => {
            maturity::backtest(all, at_landmark, wanted.confidence, wanted.seed)
        }
    };
    match &forecast {
        Ok(forecast) => {
            output.words.extend(onset_words::forecast(all, forecast));
            output
                .tables
                .push(onset_tables::onset_forecast(all, forecast));
        }
        Err(reason) => output.words.push(format!("  no forecast: {reason}")),
    }
    if !tested.rows.is_empty() {
        output
            .words
            .extend(onset_words::backtest(&tested.rows, wanted.confidence));
        output.append(onset_tables::backtest(&tested.rows));
    }
    (forecast.ok(), tested.eggs)
}

/// The caution that goes with every verdict and forecast, once.
pub(crate) fn add_caution(output: &mut Output) {
    let said = |line: &String| line.contains(words::VERDICT_CAUTION);
    if !output.words.iter().any(said) {
        output.words.push(format!("  {}", words::VERDICT_CAUTION));
    }
}
