//! `repeatability`: how well does the scanner repeat itself, by method?

use std::path::{Path, PathBuf};

use clap::Args;

use super::options::{Common, FormatOptions, confidence};
use super::output::Output;
use crate::analysis::{self, Scans};
use crate::composition::repeatability::{Repeatability, of_frame};
use crate::composition::{CAUTION, Frame};
use crate::error::{Error, Result};
use crate::report::summary;
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
    /// Column of how the scan was made, such as the restraint
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
        if study.scans.rows.is_empty() {
            return Err(Error::input(
                "study.toml, tables: found no scans, expected a table of readings; write scans = \"FILE\" under [tables]",
            ));
        }
        let precision = analysis::precision(&study, args.confidence)?;
        let scans = Scans::rules(&study);
        output.findings.precision(&study, &scans, &precision);
        output.findings.phantom(&scans);
        let counted = (scans.kept.rejected.len(), study.scans.rows.len());
        output.answer_with(|place| summary::repeatability(&precision, "g", Some(counted), place));
    } else {
        let answer = bare(args, &args.path, &mut output)?;
        output.findings.repeatability(&answer);
        output.answer_with(|place| summary::repeatability(&answer, "", None, place));
    }
    output.findings.words.push(CAUTION.to_owned());
    output.finish()
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
    output.findings.warnings.extend(frame.warning.clone());
    output.findings.counts.insert("rows".to_owned(), frame.n());
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
        .findings
        .words
        .push(format!("Repeats are rows of one {bird}{same}."));
    Ok(answer)
}
