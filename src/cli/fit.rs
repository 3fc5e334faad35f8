//! `fit`: how does each bird and strain grow?

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::correct::EquationOptions;
use super::corrected::{self, RedrawOptions};
use super::options::{Common, FitOptions, Input};
use super::output::{Output, plain_name};
use crate::error::{Error, Result};
use crate::report::files::Place;
use crate::report::growth_tables::{Wanted, growth_tables};
use crate::report::population_tables::{mixed_tables, second_phase_table};
use crate::report::{population_words, words};
use crate::study::{FixedEffectOf, Study};
use crate::trajectory::interval::{Intervals, Method, Validation};
use crate::trajectory::{self, TraitModel, Trajectories, derived_quantities};

/// Fit growth curves to each bird, each strain, and all birds at once.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather fit data-demo --curve gompertz,two-phase-gompertz
  pinfeather fit weights.csv --bird Chick --age Time --value weight --group Diet \\
      --curve logistic,gompertz --out results
  pinfeather fit data-demo --equation results/models/corrections --redraw 200 --seed 1
  pinfeather fit data-demo --curve gompertz --level population --random A,k,ti --covariance full
  pinfeather fit data-demo --curve gompertz --level population --save-population models/populations
  pinfeather fit data-demo --curve my-curve --cards my-cards --at-age 126 --at-weight 1200
  pinfeather fit data-demo --level strain --intervals bootstrap --replicates 2000 --seed 7 \\
      --cross-validate")]
pub(crate) struct FitArgs {
    #[command(flatten)]
    input: Input,
    #[command(flatten)]
    fit: FitOptions,
    #[command(flatten)]
    equations: EquationOptions,
    #[command(flatten)]
    redraw: RedrawOptions,
    #[command(flatten)]
    inference: InferenceOptions,
    /// Folder for the populations of --level population, by which target judges another flock
    /// [default: models/populations in the results' folder]
    #[arg(long, value_name = "DIR", help_heading = "Fit of all birds at once")]
    save_population: Option<PathBuf>,
}

pub(crate) fn run(args: &FitArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("fit", common);
    let mut study = output.read(&args.input)?;
    let path = &args.input.path;
    let masses = corrected::from_saved(&mut study, &args.equations, path, &mut output)?;
    let saving = args.saving(&study, &mut output)?;
    let trajectories = trajectories(&study, &args.fit, &mut output)?;
    let further = args
        .inference
        .further(&study, &trajectories, &args.fit, &mut output)?;
    add_with(&study, &trajectories, &args.fit, further, &mut output);
    corrected::add_shares(
        &study,
        masses.as_ref(),
        &trajectories,
        &args.fit,
        &args.redraw,
        &mut output,
    )?;
    add_second_phase(&study, &trajectories, &args.fit, &mut output);
    save_populations(&study, &trajectories, saving, &mut output)?;
    output.finish()
}

/// How sure the terms are, and how well each curve tells what it has not seen.
#[derive(Debug, Args)]
#[command(next_help_heading = "Intervals and choice")]
pub(crate) struct InferenceOptions {
    /// How the intervals of terms and derived quantities are found
    #[arg(long, value_enum, default_value = "wald")]
    intervals: IntervalName,
    /// Fits a subject and curve for --intervals bootstrap
    #[arg(long, value_name = "N", default_value_t = 1000)]
    replicates: usize,
    /// Hide birds, and the last weeks, and tell them by each strain's curves
    #[arg(long)]
    cross_validate: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum IntervalName {
    /// Standard errors and Student's t
    Wald,
    /// Profile likelihood (of a fit of all birds at once: its marginal likelihood by Laplace)
    Profile,
    /// Birds drawn with replacement (a bird's own residuals at bird level)
    Bootstrap,
}

/// Fewest replicates that percentiles of an interval are read from.
const FEWEST_REPLICATES: usize = 100;

/// What is asked beyond the fits themselves.
#[derive(Debug)]
struct Further {
    method: Method,
    intervals: Intervals,
    validation: Validation,
    seed: u64,
}

impl InferenceOptions {
    fn further(
        &self,
        study: &Study,
        trajectories: &Trajectories,
        options: &FitOptions,
        output: &mut Output,
    ) -> Result<Further> {
        let method = match self.intervals {
            IntervalName::Wald => Method::Wald,
            IntervalName::Profile => Method::Profile,
            IntervalName::Bootstrap => Method::Bootstrap {
                replicates: self.replicates,
                seed: options.seed,
            },
        };
        if method != Method::Wald && self.replicates < FEWEST_REPLICATES {
            return Err(Error::call(format!(
                "--replicates {}: expected at least {FEWEST_REPLICATES}, since an interval is read from their percentiles",
                self.replicates
            )));
        }
        let request = options.request(study)?;
        let derived = derived_quantities(&options.ages_d(study), &options.weights_g(study));
        let intervals = if method == Method::Wald {
            Intervals::default()
        } else {
            let fits = trajectories.subjects.len() + trajectories.models.len();
            let bar = output.progress(fits, method.name());
            let wanted = (&derived[..], method);
            let found =
                trajectories.intervals(study, &request, wanted, options.confidence, &|done| {
                    bar.inc(done as u64);
                });
            bar.finish_and_clear();
            let method = method.name();
            let lost = found.lost().iter();
            output
                .warnings
                .extend(lost.map(|why| format!("no intervals by {method} of {why}")));
            found
        };
        let validation = if self.cross_validate {
            let strains = study.strains.len() * study.traits.len();
            let bar = output.progress(strains, "cross-validating");
            let found = trajectories.validate(study, &request, &|done| bar.inc(done as u64));
            bar.finish_and_clear();
            found
        } else {
            Validation::default()
        };
        output.seed = options.seed;
        output
            .methods
            .insert("intervals".to_owned(), method.name().to_owned());
        Ok(Further {
            method,
            intervals,
            validation,
            seed: options.seed,
        })
    }
}

/// Makes the fits that are asked for, with a bar where somebody looks.
pub(crate) fn trajectories(
    study: &Study,
    options: &FitOptions,
    output: &mut Output,
) -> Result<Trajectories> {
    output.enter_cards(options.cards.as_deref())?;
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
        // A bird that was scanned once has no curve: that is no trouble with a fit.
        let fits = trajectories
            .subjects
            .iter()
            .flat_map(|subject| &subject.fits);
        let few = fits
            .filter(|fit| fit.outcome.status() == "failed")
            .filter(|fit| fit.outcome.n() <= fit.curve.terms().len())
            .count();
        let of_them = if few > 0 {
            format!(" ({few} of these have no more records than the curve has terms)")
        } else {
            String::new()
        };
        output.warnings.push(format!(
            "{weak} fits are weak and {failed} failed{of_them}: each has its reason in curve_fits.csv"
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
    let further = Further {
        method: Method::Wald,
        intervals: Intervals::default(),
        validation: Validation::default(),
        seed: options.seed,
    };
    output.seed = options.seed;
    add_with(study, trajectories, options, further, output);
}

fn add_with(
    study: &Study,
    trajectories: &Trajectories,
    options: &FitOptions,
    further: Further,
    output: &mut Output,
) {
    let wanted = Wanted {
        confidence: options.confidence,
        ages_d: options.ages_d(study),
        weights_g: options.weights_g(study),
        population: !trajectories.models.is_empty(),
        method: further.method,
        intervals: further.intervals,
        validation: further.validation,
        seed: further.seed,
    };
    output.words.push("How do they grow?".to_owned());
    // Single birds and pooled strains stand in the tables; the answer is the models'.
    if trajectories.models.is_empty() {
        output
            .words
            .extend(words::growth(study, trajectories, options.confidence));
    }
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

/// Where populations are saved, and what their groups are.
type Saving = (Option<Place>, Vec<FixedEffectOf>);

impl FitArgs {
    /// Where the populations go; none where none is fitted.
    fn saving(&self, study: &Study, output: &mut Output) -> Result<Option<Saving>> {
        let folder = self.save_population.as_deref();
        match (self.fit.request(study)?.population, folder) {
            (Some(wanted), _) => {
                let place = output.models(folder, "models/populations")?;
                Ok(Some((place, wanted.groups)))
            }
            (None, Some(_)) => Err(Error::call(
                "--save-population: found without a fit of all birds at once, expected --level population as well; add it or leave --save-population out",
            )),
            (None, None) => Ok(None),
        }
    }
}

/// Saves the population of each curve and trait that was fitted to all birds at once.
fn save_populations(
    study: &Study,
    trajectories: &Trajectories,
    saving: Option<Saving>,
    output: &mut Output,
) -> Result<()> {
    let Some((place, groups)) = saving else {
        return Ok(());
    };
    for fit in trajectories.models.iter().filter_map(TraitModel::growth) {
        let Some(mut population) = fit.bird_population(study, &groups)? else {
            continue;
        };
        let file = &study.traits[fit.cohort.trait_index].file;
        let input = output
            .inputs
            .iter()
            .find(|input| !file.is_empty() && input.path.ends_with(file.as_str()));
        population.origin.input_digest =
            input.map_or(String::new(), |input| format!("sha256:{}", input.sha256));
        population.origin.saved_by =
            concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION")).to_owned();
        let name = format!(
            "{}_{}.toml",
            plain_name(&population.origin.trait_name),
            plain_name(population.population.curve().name())
        );
        let text = population.to_toml()?;
        output.save(place.as_ref(), &name, text.into_bytes());
    }
    Ok(())
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
    let fits: Vec<_> = trajectories
        .models
        .iter()
        .filter_map(TraitModel::growth)
        .collect();
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
