//! `run`: the whole study in order: check, fit, target, cues, figures.

use clap::Args;

use super::draw::PaperOptions;
use super::options::{Common, FitOptions, Input};
use super::output::Output;
use super::target::TargetOptions;
use super::{draw, fit, onset, target, verify};
use crate::error::Result;

/// Run the whole study: growth curves, deviation from target, timing cues, figures.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather run data-demo
  pinfeather run weights.csv --bird Chick --age Time --value weight --group Diet --out results
  pinfeather run \"flock.xlsx#Weights\" --date Date --hatched-on 2026-03-02 --xlsx
  pinfeather run --verify results/run.json")]
pub(crate) struct RunArgs {
    /// Take the STUDY as a run record (OUT/run.json): run again what it records, and say whether
    /// anything has changed, and what
    #[arg(long)]
    verify: bool,
    #[command(flatten)]
    input: Input,
    #[command(flatten)]
    fit: FitOptions,
    #[command(flatten)]
    target: TargetOptions,
    #[command(flatten)]
    paper: PaperOptions,
}

pub(crate) fn run(args: &RunArgs, common: &Common) -> Result<u8> {
    if args.verify {
        return verify::run(&args.input.path, common);
    }
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
    onset::add(&study, &trajectories, &args.fit, &mut output)?;
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
