//! `run`: the whole study in order: check, fit, target, cues, figures.

use clap::Args;

use super::draw::PaperOptions;
use super::lay_table::OnsetWishes;
use super::options::{Common, FitOptions, Input};
use super::output::Output;
use super::target::TargetOptions;
use super::{draw, fit, onset, target};
use crate::error::Result;

/// Run the whole study: growth curves, deviation from target, timing cues, figures.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather run data-demo
  pinfeather run weights.csv --bird Chick --age Time --value weight --group Diet --out results")]
pub(crate) struct RunArgs {
    #[command(flatten)]
    input: Input,
    #[command(flatten)]
    fit: FitOptions,
    #[command(flatten)]
    target: TargetOptions,
    #[command(flatten)]
    onset: OnsetWishes,
    #[command(flatten)]
    paper: PaperOptions,
}

pub(crate) fn run(args: &RunArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("run", common);
    let study = output.read(&args.input)?;
    let looked = args.input.check()?;
    output.attention |= looked.needs_attention();
    output.words.push("What was read?".to_owned());
    output.words.extend(
        looked
            .summary
            .lines()
            .iter()
            .map(|line| format!("  {line}")),
    );
    let trajectories = fit::trajectories(&study, &args.fit, &mut output)?;
    fit::add(&study, &trajectories, &args.fit, &mut output);
    let deviations = target::add(&study, &args.target, args.fit.confidence, &mut output)?;
    onset::add(&study, &trajectories, &args.fit, &args.onset, &mut output)?;
    if output.keeps_files() {
        let confidence = args.fit.confidence;
        draw::add(
            &study,
            &trajectories,
            &deviations,
            confidence,
            &args.paper,
            &mut output,
        )?;
    }
    output.finish()
}
