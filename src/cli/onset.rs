//! `onset`: at which age do the cues fall, and how long before the first egg?

use std::borrow::Cow;

use clap::Args;

use super::correct::EquationOptions;
use super::lay_table::{LayTableColumns, OnsetWishes};
use super::options::{Common, FitOptions, Input};
use super::output::Output;
use super::{corrected, fit, lay_table, study_lay};
use crate::analysis::Lay;
use crate::error::{Error, Result};
use crate::maturity::{self, CueOptions, FittedCurve};
use crate::report::{cue_tables, words};
use crate::study::Study;
use crate::trajectory::{SubjectFits, Trajectories};

/// Timing cues of each bird and strain (age at the inflection or at the first and second peak of gain,
/// at shares of the mature weight, at given weights) beside the age at first egg.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather onset data-demo
  pinfeather onset data-demo --equation results/models/corrections
  pinfeather onset weights.csv --bird ring --age day --value grams --onset first_eggs.csv \\
      --curve two-phase-gompertz --at-weight 1200,1300
  pinfeather onset birds.csv --time age_first_egg --event laid --cues weight_126d,fat_126d \\
      --group strain")]
pub(crate) struct OnsetArgs {
    #[command(flatten)]
    input: Input,
    #[command(flatten)]
    lay: LayTableColumns,
    #[command(flatten)]
    onset: OnsetWishes,
    /// Answer as of this age, from what was known then, and set the forecast against what
    /// came [default: the last age at which birds were seen]
    #[arg(long, value_name = "DAYS", help_heading = "Onset of lay")]
    as_of: Option<f64>,
    #[command(flatten)]
    fit: FitOptions,
    #[command(flatten)]
    equations: EquationOptions,
}

pub(crate) fn run(args: &OnsetArgs, common: &Common) -> Result<u8> {
    args.fit.checked_confidence()?;
    let as_of_d = args.as_of;
    if let Some(age_d) = as_of_d.filter(|age_d| !(age_d.is_finite() && *age_d > 0.0)) {
        return Err(Error::call(format!(
            "--as-of {age_d}: expected an age in days above 0"
        )));
    }
    if args.lay.named() {
        if !args.equations.equation.is_empty() {
            return Err(Error::call(
                "--equation: found with a table with one row a bird, expected with a study folder that has scans; leave it out, or name the study",
            ));
        }
        let (input, wishes) = (&args.input, &args.onset);
        return lay_table::run(input, &args.lay, wishes, as_of_d, &args.fit, common);
    }
    let mut output = Output::new("onset", common);
    let mut study = output.read(&args.input)?;
    corrected::from_saved(&mut study, &args.equations, &args.input.path, &mut output)?;
    let known = as_of_d.map_or_else(|| Cow::Borrowed(&study), |d| Cow::Owned(study.as_of(d)));
    let trajectories = fit::trajectories(&known, &args.fit, &mut output)?;
    add_cues(&known, &trajectories, &args.fit, &mut output)?;
    let (fit, wishes) = (&args.fit, &args.onset);
    // `run` and `draw` draw what is foretold; this command draws nothing.
    let _ = study_lay::add(&study, &trajectories, fit, wishes, as_of_d, &mut output)?;
    output.finish()
}

/// Adds what the cues and the first eggs say, with all that is known; gives the first eggs
/// and what is forecast.
pub(crate) fn add(
    study: &Study,
    trajectories: &Trajectories,
    options: &FitOptions,
    wishes: &OnsetWishes,
    output: &mut Output,
) -> Result<Lay> {
    add_cues(study, trajectories, options, output)?;
    study_lay::add(study, trajectories, options, wishes, None, output)
}

/// Adds the tables of the cues and what they say.
fn add_cues(
    study: &Study,
    trajectories: &Trajectories,
    options: &FitOptions,
    output: &mut Output,
) -> Result<()> {
    let fits = fitted_curves(study, trajectories);
    let cue_options = CueOptions {
        thresholds_g: options.weights_g(study),
        confidence: options.confidence,
    };
    let cues = maturity::cues(study, &fits, &cue_options)?;
    let summary = maturity::summarise(&cues, options.confidence)?;
    output.words.push("When do the cues fall?".to_owned());
    output
        .words
        .extend(words::cues(study, trajectories, &cues, &summary));
    output.tables.push(cue_tables::cues(study, &cues));
    output.tables.push(cue_tables::cue_summary(study, &summary));
    Ok(())
}

/// Every fit with the ages that it rests on.
pub(crate) fn fitted_curves<'a>(
    study: &Study,
    trajectories: &'a Trajectories,
) -> Vec<FittedCurve<'a>> {
    let of_subject = |SubjectFits { subject, fits }: &'a SubjectFits| {
        let (first_age_d, last_age_d) = subject.age_span(study);
        fits.iter().map(move |fit| FittedCurve {
            trait_index: subject.trait_index,
            strain: subject.strain,
            bird: subject.bird,
            curve: &*fit.curve,
            outcome: &fit.outcome,
            first_age_d,
            last_age_d,
        })
    };
    trajectories.subjects.iter().flat_map(of_subject).collect()
}
