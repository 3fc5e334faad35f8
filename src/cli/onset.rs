//! `onset`: at which age do the cues fall, and how long before the first egg?

use clap::Args;

use super::lay_table::{LayTableColumns, OnsetWishes};
use super::options::{Common, FitOptions, Input};
use super::output::Output;
use super::{fit, lay_table, study_lay};
use crate::error::Result;
use crate::maturity::{self, CueOptions, FittedCurve};
use crate::report::{cue_tables, words};
use crate::study::Study;
use crate::trajectory::{SubjectFits, Trajectories};

/// Timing cues of each bird and strain (age at the inflection, at the second peak,
/// at shares of the mature weight, at given weights) beside the age at first egg.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather onset data-demo
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
    #[command(flatten)]
    fit: FitOptions,
}

pub(crate) fn run(args: &OnsetArgs, common: &Common) -> Result<u8> {
    if args.lay.named() {
        let confidence = args.fit.checked_confidence()?;
        return lay_table::run(&args.input, &args.lay, &args.onset, confidence, common);
    }
    let mut output = Output::new("onset", common);
    let study = output.read(&args.input)?;
    let trajectories = fit::trajectories(&study, &args.fit, &mut output)?;
    add(&study, &trajectories, &args.fit, &args.onset, &mut output)?;
    output.finish()
}

/// Adds the tables of the cues and what they say to the output.
pub(crate) fn add(
    study: &Study,
    trajectories: &Trajectories,
    options: &FitOptions,
    wishes: &OnsetWishes,
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
    study_lay::add(study, trajectories, options, wishes, output)
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
