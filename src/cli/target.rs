//! `target`: is the flock on its target trajectory, and by how many days is it off?

use clap::Args;

use super::options::{Common, Input};
use super::output::Output;
use crate::error::{Error, Result};
use crate::flock::{self, AgeMatching, Deviation, DeviationOptions, UniformityOptions};
use crate::report::{flock_tables, words};
use crate::study::Study;

/// Set weighings against the target trajectory: deviation in g, percent and days,
/// uniformity, and the gain needed to be back on target.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather target data-demo
  pinfeather target weights.csv --bird ring --age day --value grams --group line \\
      --targets targets.csv --back-by 126")]
pub(crate) struct TargetArgs {
    #[command(flatten)]
    input: Input,
    #[command(flatten)]
    wishes: TargetOptions,
}

/// How to set weighings against the target.
#[derive(Debug, Args)]
#[command(next_help_heading = "Target")]
pub(crate) struct TargetOptions {
    /// Age in days by which the birds are to be back on target
    #[arg(long, value_name = "DAYS")]
    back_by: Option<f64>,
    /// Ages are put together by multiples of so many days
    #[arg(long, value_name = "DAYS", default_value = "1")]
    same_age: f64,
    /// Half width of the range that counts as uniform, percent of the mean
    #[arg(long, value_name = "PERCENT", default_value = "10")]
    within: f64,
}

pub(crate) fn run(args: &TargetArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("target", common);
    let study = output.read(&args.input)?;
    if study.targets.is_empty() {
        return Err(Error::input(format!(
            "{}: found no targets, expected a table of targets; name one under [tables] in study.toml \
             or with --targets",
            args.input.path.display()
        )));
    }
    add(&study, &args.wishes, 0.95, &mut output)?;
    output.finish()
}

/// Deviations from target of every weighing; none without targets.
pub(crate) fn deviations(
    study: &Study,
    wishes: &TargetOptions,
    confidence: f64,
) -> Result<Vec<Deviation>> {
    flock::deviations(
        study,
        &DeviationOptions {
            matching: AgeMatching::RoundedTo(wishes.same_age),
            back_on_target_by_d: wishes.back_by.or(study.settings.target.back_on_target_by_d),
            confidence,
        },
    )
}

/// Adds the flock's tables and the verdict to the output.
pub(crate) fn add(
    study: &Study,
    wishes: &TargetOptions,
    confidence: f64,
    output: &mut Output,
) -> Result<Vec<Deviation>> {
    let deviations = deviations(study, wishes, confidence)?;
    let uniformities = flock::uniformities(
        study,
        &UniformityOptions {
            matching: AgeMatching::RoundedTo(wishes.same_age),
            within_pct: wishes.within,
            confidence,
        },
    )?;
    output.methods.insert(
        "uniformity".to_owned(),
        format!("within {} % of the mean", wishes.within),
    );
    let verdict = words::verdict(study, &deviations, &uniformities);
    if !verdict.is_empty() {
        output.words.push("On target?".to_owned());
        output.words.extend(verdict);
        output.words.push(format!("  {}", words::VERDICT_CAUTION));
    }
    if !deviations.is_empty() {
        output
            .tables
            .push(flock_tables::deviation(study, &deviations));
    }
    output
        .tables
        .push(flock_tables::uniformity(study, &uniformities));
    Ok(deviations)
}
