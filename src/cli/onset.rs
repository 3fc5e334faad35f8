//! `onset`: at which age do the cues fall, and how long before the first egg?

use std::path::PathBuf;

use clap::Args;

use super::correct::EquationOptions;
use super::lay_table::{self, LayTableColumns, OnsetArguments};
use super::options::{Common, FitOptions, Input};
use super::output::Output;
use super::target::read_population;
use crate::analysis::Analysis;
use crate::error::{Error, Result};
use crate::report::summary::Scope;

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
    onset: OnsetArguments,
    /// Answer as of this age, from what was known then, and set the forecast against what
    /// came [default: the last age at which birds were seen]
    #[arg(long, value_name = "DAYS", help_heading = "Onset of lay")]
    as_of: Option<f64>,
    /// A saved population of an earlier flock with its first eggs, as fit --level population saves
    /// it: this flock's first eggs are forecast by it [default: by this flock's own growth and
    /// first eggs]
    #[arg(long, value_name = "FILE", help_heading = "Onset of lay")]
    population: Option<PathBuf>,
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
        if args.population.is_some() {
            return Err(Error::call(
                "--population: found with a table with one row a bird, expected with weighings; leave it out, or name the study",
            ));
        }
        let (input, own) = (&args.input, &args.onset);
        return lay_table::run(input, &args.lay, own, as_of_d, &args.fit, common);
    }
    let mut output = Output::new("onset", common);
    let study = output.read(&args.input)?;
    output.enter_cards(args.fit.cards.as_deref())?;
    let fit = args.fit.at_every_level();
    let mut options = fit.analysis(&study, &output)?;
    let read = (&*args.input.path, &study);
    options.scans = args
        .equations
        .scans(read, options.confidence, &mut output)?;
    options.as_of_d = as_of_d;
    options.growth.profiles = false;
    let mut lay = args.onset.lay();
    if let Some(path) = &args.population {
        let population = read_population(path, &fit, &mut output)?;
        if population.first_egg.is_none() {
            return Err(Error::input(format!(
                "{}: found a population without first eggs, expected one saved from a study with an \
                 onset table, ten first eggs or more, and a converged two-phase curve of body weight; \
                 save it again from such a study, or leave --population out",
                path.display()
            )));
        }
        lay.population = Some(population);
    }
    options.lay = Some(lay);
    let analysis = Analysis::of_owned(study, &options)?;
    output.findings.masses_used(&analysis);
    output.findings.fits(&analysis.growth);
    output.findings.lay(&analysis, options.lay.as_ref());
    output.findings.answers(&analysis);
    output.seed = options.seed;
    output.summarise_own(Scope::Lay, (&analysis, &options), args.input.group_column());
    output.finish()
}
