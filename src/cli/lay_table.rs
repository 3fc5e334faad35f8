//! `onset` on a bare table with one row a bird.

use clap::Args;

use super::options::{Common, FitOptions, Input};
use super::output::Output;
use crate::analysis::{Lay, LayOptions, LayRequest};
use crate::error::{Error, Result};
use crate::maturity::{CueError, LayColumns, read_lay_table};
use crate::study::AgeUnit;

/// Columns of a table with one row a bird.
#[derive(Debug, Args)]
#[command(next_help_heading = "Columns of a table with one row a bird")]
pub(crate) struct LayTableColumns {
    /// Column of the age at first egg, or at the last look of a bird that had not laid
    #[arg(long, value_name = "COLUMN")]
    pub(crate) time: Option<String>,
    /// Column that states whether the bird had laid: 0 or 1, 1 or 2 (2 laid), no or yes
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
pub(crate) struct OnsetArguments {
    /// Cues: columns of the table with one row a bird (the standard error of a cue is read
    /// from the column of its name and _std_error); of a study, some of those in onset_cues.csv
    #[arg(long, value_name = "NAME[,NAME]", value_delimiter = ',')]
    pub(crate) cues: Vec<String>,
    /// Landmark: only birds not laying at this age count, and only what was known by then [default: the study's light_stimulation]
    #[arg(long, value_name = "DAYS")]
    pub(crate) landmark: Option<f64>,
    /// Put the best linear prediction of each cue in its place, given its standard error;
    /// standard errors by bootstrap
    #[arg(long)]
    pub(crate) calibrate_cues: bool,
}

impl OnsetArguments {
    /// As the analysis takes them.
    pub(crate) fn lay(&self) -> LayOptions {
        LayOptions {
            landmark_d: self.landmark,
            cues: self.cues.clone(),
            cue_error: if self.calibrate_cues {
                CueError::Calibrated
            } else {
                CueError::AsMeasured
            },
            population: None,
        }
    }
}

/// Reads the table, fits the models, adds tables and words.
pub(crate) fn run(
    input: &Input,
    columns: &LayTableColumns,
    own: &OnsetArguments,
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
            cues: own.cues.clone(),
            group: input.columns.group.clone(),
            days_per_unit: input.columns.age_unit.map_or(1.0, AgeUnit::days),
            format: input.columns.format(),
        },
    )?;
    output.enter_file(&input.path)?;
    output.findings.warnings.extend(table.notes);
    let wanted = own.lay();
    let request = LayRequest {
        as_of_d,
        confidence,
        seed,
        wanted: &wanted,
    };
    let lay = Lay::of_table(table.records, request)?;
    output.findings.lay_of_table(&lay, &wanted, confidence);
    output.seed = seed;
    output.finish()
}
