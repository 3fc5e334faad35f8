//! `repeatability`: how well does the scanner repeat itself, by method?

use std::path::{Path, PathBuf};

use clap::Args;

use super::options::{Common, FormatOptions, confidence};
use super::output::Output;
use crate::composition::repeatability::{Repeatability, of_frame, of_study};
use crate::composition::{CAUTION, Frame, quality};
use crate::error::{Error, Result};
use crate::report::{composition_tables, composition_words};
use crate::study::Study;

/// How well the scanner repeats itself: precision, least significant change,
/// methods compared, and the table that a protocol is written from.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather repeatability data-demo
  pinfeather repeatability scans.csv --bird bird --value fat_g,lean_g --method restraint

In a bare table, rows of one bird are repeats where they are alike in the method and in
any of the columns age_d, age_w, age, date, region and feathers that the table has.")]
pub(crate) struct RepeatabilityArgs {
    /// A study folder (with study.toml), or one table of scans
    #[arg(value_name = "STUDY|TABLE")]
    path: PathBuf,
    /// Column that names the bird [default: bird]
    #[arg(long, value_name = "COLUMN", help_heading = "Columns of a bare table")]
    bird: Option<String>,
    /// Columns of readings
    #[arg(
        long,
        value_name = "COLUMN[,COLUMN]",
        value_delimiter = ',',
        help_heading = "Columns of a bare table"
    )]
    value: Vec<String>,
    /// Column that tells how the scan was made, such as restraint
    #[arg(long, value_name = "COLUMN", help_heading = "Columns of a bare table")]
    method: Option<String>,
    /// Confidence of the intervals
    #[arg(long, value_name = "SHARE", default_value = "0.95", value_parser = confidence)]
    confidence: f64,
    #[command(flatten, next_help_heading = "Columns of a bare table")]
    format: FormatOptions,
}

/// Columns that set scans of one bird apart as no repeats.
const ALIKE: [&str; 6] = ["age_d", "age_w", "age", "date", "region", "feathers"];

pub(crate) fn run(args: &RepeatabilityArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("repeatability", common);
    if args.path.is_dir() {
        if args.bird.is_some() || !args.value.is_empty() || args.method.is_some() {
            return Err(Error::call(
                "--bird, --value, --method: found with a study folder, expected with a bare table; \
                 name the columns in study.toml",
            ));
        }
        let study = Study::read_folder(&args.path)?;
        output.take(&study, &args.path)?;
        of_scans(&study, args.confidence, &mut output)?;
    } else {
        let answer = bare(args, &args.path, &mut output)?;
        tell(&answer, &mut output);
    }
    output.words.push(CAUTION.to_owned());
    output.finish()
}

/// Adds what a study's scans say.
pub(crate) fn of_scans(
    study: &Study,
    confidence: f64,
    output: &mut Output,
) -> Result<Repeatability> {
    if study.scans.rows.is_empty() {
        return Err(Error::input(
            "study.toml, tables: found no scans, expected a table of readings; write scans = \"FILE\" under [tables]",
        ));
    }
    let kept = quality::keep(study);
    let answer = of_study(study, &kept, confidence)?;
    tell(&answer, output);
    output
        .tables
        .push(composition_tables::protocol(&answer.protocol));
    let regions = quality::regions(study);
    if !regions.is_empty() {
        let open = regions.iter().filter(|row| !row.within).count();
        if open > 0 {
            output.warnings.push(format!(
                "{}: {open} of {} sums of regions miss the whole by more than {} percent, or lack a region: see regions.csv",
                study.scans.file,
                regions.len(),
                study.settings.scans.region_tolerance_pct
            ));
        }
        output.tables.push(composition_tables::regions(&regions));
    }
    let rejected: Vec<_> = kept
        .rejected
        .into_iter()
        .map(|row| (row, String::new()))
        .collect();
    output.words.push(format!(
        "  {} of {} scans rejected by the study's rules, each with its reason",
        rejected.len(),
        study.scans.rows.len()
    ));
    output.replace(composition_tables::rejected_scans(&rejected));
    Ok(answer)
}

fn bare(args: &RepeatabilityArgs, path: &Path, output: &mut Output) -> Result<Repeatability> {
    if args.value.is_empty() {
        return Err(Error::call(format!(
            "{}: found no --value, expected the columns of readings; name them as in --value fat_g,lean_g",
            path.display()
        )));
    }
    let frame = Frame::read(path, &args.format.ready())?;
    output.enter_file(path)?;
    output.warnings.extend(frame.warning.clone());
    output.counts.insert("rows".to_owned(), frame.n());
    let bird = args.bird.as_deref().unwrap_or("bird");
    let method = args.method.as_deref();
    let named = |name: &&str| {
        *name == bird || Some(*name) == method || args.value.iter().any(|value| value == name)
    };
    let alike: Vec<&str> = ALIKE
        .into_iter()
        .filter(|name| frame.columns.contains_key(*name) && !named(name))
        .collect();
    let values: Vec<&str> = args.value.iter().map(String::as_str).collect();
    let answer = of_frame(&frame, bird, &values, method, &alike, args.confidence)?;
    let mut same: Vec<&str> = method.into_iter().collect();
    same.extend(&alike);
    let same = if same.is_empty() {
        String::new()
    } else {
        format!(" alike in {}", same.join(", "))
    };
    output
        .words
        .push(format!("Repeats are rows of one {bird}{same}."));
    Ok(answer)
}

fn tell(answer: &Repeatability, output: &mut Output) {
    output
        .words
        .push("How well does the scanner repeat itself?".to_owned());
    output
        .words
        .extend(composition_words::repeatability(answer));
    output.warnings.extend(answer.warnings.iter().cloned());
    output
        .tables
        .push(composition_tables::repeatability(&answer.rows));
    if !answer.methods.is_empty() {
        output
            .tables
            .push(composition_tables::method_ratios(&answer.methods));
    }
    if !answer.groups.is_empty() {
        output.append(composition_tables::agreement(&answer.groups));
    }
}
