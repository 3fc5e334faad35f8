//! `fit`: how does each bird and strain grow?

use clap::Args;

use super::correct::EquationOptions;
use super::corrected::{self, RedrawOptions};
use super::options::{Common, FitOptions, Input};
use super::output::Output;
use crate::error::Result;
use crate::report::growth_tables::{Wanted, growth_tables};
use crate::report::population_tables::{mixed_tables, second_phase_table};
use crate::report::{population_words, words};
use crate::study::Study;
use crate::trajectory::{self, Trajectories};

/// Fit growth curves to each bird, each strain, and all birds at once.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather fit data-demo --curve gompertz,two-phase-gompertz
  pinfeather fit weights.csv --bird Chick --age Time --value weight --group Diet \\
      --curve logistic,gompertz --out results
  pinfeather fit data-demo --equation results/models/corrections --redraw 200 --seed 1
  pinfeather fit data-demo --curve gompertz --level population --random A,k,ti --covariance full
  pinfeather fit data-demo --curve my-curve --cards my-cards --at-age 126 --at-weight 1200")]
pub(crate) struct FitArgs {
    #[command(flatten)]
    input: Input,
    #[command(flatten)]
    fit: FitOptions,
    #[command(flatten)]
    equations: EquationOptions,
    #[command(flatten)]
    redraw: RedrawOptions,
}

pub(crate) fn run(args: &FitArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("fit", common);
    let mut study = output.read(&args.input)?;
    let path = &args.input.path;
    let masses = corrected::from_saved(&mut study, &args.equations, path, &mut output)?;
    let trajectories = trajectories(&study, &args.fit, &mut output)?;
    add(&study, &trajectories, &args.fit, &mut output);
    corrected::add_shares(
        &study,
        masses.as_ref(),
        &trajectories,
        &args.fit,
        &args.redraw,
        &mut output,
    )?;
    add_second_phase(&study, &trajectories, &args.fit, &mut output);
    output.finish()
}

/// Makes the fits that are asked for, with a bar where somebody looks.
pub(crate) fn trajectories(
    study: &Study,
    options: &FitOptions,
    output: &mut Output,
) -> Result<Trajectories> {
    let request = options.request(study)?;
    let subjects = study.traits.len()
        * (usize::from(request.birds) * study.birds.len()
            + usize::from(request.strains) * study.strains.len()
            + usize::from(request.population.is_some()));
    let bar = output.progress(subjects, "fitting");
    let trajectories = Trajectories::fit(study, &request, &|done| bar.inc(done as u64));
    bar.finish_and_clear();
    for status in ["converged", "weak", "failed"] {
        output
            .counts
            .insert(format!("fits {status}"), trajectories.count(status));
    }
    let (weak, failed) = (trajectories.count("weak"), trajectories.count("failed"));
    if weak + failed > 0 {
        output.warnings.push(format!(
            "{weak} fits are weak and {failed} failed: each has its reason in curve_fits.csv"
        ));
    }
    Ok(trajectories)
}

/// Adds the tables of the fits and what they say to the output.
pub(crate) fn add(
    study: &Study,
    trajectories: &Trajectories,
    options: &FitOptions,
    output: &mut Output,
) {
    let wanted = Wanted {
        confidence: options.confidence,
        ages_d: options.ages_d(study),
        weights_g: options.weights_g(study),
        population: !trajectories.populations.is_empty(),
    };
    output.words.push("How do they grow?".to_owned());
    output
        .words
        .extend(words::growth(study, trajectories, options.confidence));
    output.words.extend(population_words::population(
        study,
        trajectories,
        options.confidence,
    ));
    output
        .tables
        .extend(growth_tables(study, trajectories, &wanted));
    output.tables.extend(mixed_tables(study, trajectories));
}

/// Adds the test of the second phase, where it is asked for, with a bar where somebody
/// looks.
fn add_second_phase(
    study: &Study,
    trajectories: &Trajectories,
    options: &FitOptions,
    output: &mut Output,
) {
    let Some(simulation) = options.population.second_phase_test(output.seed) else {
        return;
    };
    let fits = trajectories.population_fits();
    let count = trajectory::simulated_studies(study, &fits, simulation.count);
    if count == 0 {
        output.warnings.push(
            "--second-phase-test: none of the curves has two phases; name two-phase-gompertz or two-phase-logistic among them".to_owned(),
        );
        return;
    }
    let bar = output.progress(count, "simulating");
    let tests = trajectory::second_phase(study, &fits, simulation, &|done| bar.inc(done as u64));
    bar.finish_and_clear();
    output
        .words
        .extend(population_words::second_phase(study, &tests));
    output.tables.push(second_phase_table(study, &tests));
}
