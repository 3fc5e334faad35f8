//! `fit`: how does each bird and strain grow?

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::correct::EquationOptions;
use super::fit_batches::{self, LongOptions};
use super::options::{Common, FitOptions, Input, LevelName, replicates};
use super::output::{Output, plain_name};
use crate::analysis::{Analysis, Options, population_to_save};
use crate::error::{Error, Result};
use crate::report::Table;
use crate::report::batches::FitTable;
use crate::report::files::Place;
use crate::report::summary::Scope;
use crate::report::tables::fits::FitTables;
use crate::study::{FixedEffectOf, Study};
use crate::trajectory::interval::Method;
use crate::trajectory::{TraitModel, Trajectories};

/// Fit growth curves to each bird, each strain, and all birds at once.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather fit data-demo --curve gompertz,two-phase-gompertz
  pinfeather fit weights.csv --bird ring --age days --value grams --group line \\
      --curve logistic,gompertz --out results
  pinfeather fit data-demo --equation results/models/corrections --calibration-draws 200 --seed 1
  pinfeather fit data-demo --curve gompertz --level population --random A,k,ti --covariance full
  pinfeather fit data-demo --curve gompertz --level population --save-population models/populations
  pinfeather fit data-demo --curve my-curve --cards my-cards --at-age 126 --at-weight 1200
  pinfeather fit weights.csv --level bird --curve gompertz --memory 500 --tables terms_wide
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
    #[command(flatten)]
    long: LongOptions,
    /// Folder for the populations of --level population, by which target judges another flock
    /// [default: models/populations in the results' folder]
    #[arg(long, value_name = "DIR", help_heading = "Fit of all birds at once")]
    save_population: Option<PathBuf>,
}

pub(crate) fn run(args: &FitArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("fit", common);
    if args.long.in_batches() {
        args.check_batches(common)?;
        output.enter_cards(args.fit.cards.as_deref())?;
        let options = |study: &Study, output: &Output| args.fit.analysis(study, output);
        return fit_batches::run(&args.input, &args.long, options, output);
    }
    let study = output.read(&args.input)?;
    output.enter_cards(args.fit.cards.as_deref())?;
    let mut options = args.fit.analysis(&study, &output)?;
    let read = (&*args.input.path, &study);
    options.scans = args
        .equations
        .scans(read, options.confidence, &mut output)?;
    options.growth.intervals = args.inference.method(options.seed)?;
    options.growth.cross_validate = args.inference.cross_validate;
    options.growth.profiles = false;
    options.growth.redraws = args.redraw.calibration_draws;
    options.growth.second_phase_studies = args.fit.population.second_phase_studies();
    let saving = args.saving(&study, &mut output)?;
    let analysis = Analysis::of_owned(study, &options)?;
    output.findings.masses_used(&analysis);
    output.findings.growth(&analysis, &options);
    args.long
        .choose(&mut output, || terms_wide(&analysis, &options));
    output.findings.answers(&analysis);
    output.seed = options.seed;
    let trajectories = &analysis.growth.trajectories;
    save_populations(&analysis.study, trajectories, saving, &mut output)?;
    output.summarise_own(
        Scope::Growth,
        (&analysis, &options),
        args.input.group_column(),
    );
    output.finish()
}

/// The wide table of the fits of an analysis.
fn terms_wide(analysis: &Analysis, options: &Options) -> Table {
    let wanted = FitTables {
        confidence: options.confidence,
        ages_d: &options.ages_d,
        weights_g: &options.masses_g,
        method: options.growth.intervals,
        intervals: &analysis.growth.intervals,
    };
    FitTable::TermsWide.of(&analysis.study, &analysis.growth.trajectories, &wanted)
}

/// How the equation's error is carried into the curves.
#[derive(Debug, Args)]
#[command(next_help_heading = "Correction")]
pub(crate) struct RedrawOptions {
    /// Number of times that the equations' coefficients are drawn from their distribution and
    /// the curves refitted; both widths in calibration_share.csv
    #[arg(long, alias = "redraw", value_name = "N", default_value = "0", value_parser = redraws)]
    pub(crate) calibration_draws: u64,
}

/// 0 for none, or enough for a spread.
fn redraws(text: &str) -> std::result::Result<u64, String> {
    match text.parse() {
        Ok(n) if n != 1 && n <= 1_000_000 => Ok(n),
        _ => Err("expected 0 for none, or a number of redraws from 2 such as 200".to_owned()),
    }
}

/// Intervals of the terms, and cross-validation of the curves.
#[derive(Debug, Args)]
#[command(next_help_heading = "Intervals and choice")]
pub(crate) struct InferenceOptions {
    /// How the intervals of terms and derived quantities are found
    #[arg(long, value_enum, default_value = "wald")]
    intervals: IntervalName,
    /// Fits a subject and curve for --intervals bootstrap
    #[arg(long, value_name = "N", default_value = "1000", value_parser = replicates)]
    replicates: usize,
    /// Leave out birds, and the last weeks, and predict them from each strain's curves
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

impl InferenceOptions {
    /// Whether they are those of standard errors.
    fn is_wald(&self) -> bool {
        matches!(self.intervals, IntervalName::Wald)
    }

    /// How the intervals are found.
    fn method(&self, seed: u64) -> Result<Method> {
        let method = match self.intervals {
            IntervalName::Wald => Method::Wald,
            IntervalName::Profile => Method::Profile,
            IntervalName::Bootstrap => Method::Bootstrap {
                replicates: self.replicates,
                seed,
            },
        };
        Ok(method)
    }
}

/// Where populations are saved, and what their groups are.
type Saving = (Option<Place>, Vec<FixedEffectOf>);

impl FitArgs {
    /// What birds in batches are not fitted with.
    fn check_batches(&self, common: &Common) -> Result<()> {
        let columns = &self.input.columns;
        let found = [
            ("a study folder", self.input.path.is_dir()),
            (
                "other fits than --level bird",
                self.fit.level != [LevelName::Bird],
            ),
            ("--intervals", !self.inference.is_wald()),
            ("--cross-validate", self.inference.cross_validate),
            ("--calibration-draws", self.redraw.calibration_draws > 0),
            ("--equation", !self.equations.equation.is_empty()),
            ("--save-population", self.save_population.is_some()),
            ("--targets", columns.targets.is_some()),
            ("--onset", columns.onset.is_some()),
            ("--stream", columns.stream),
            ("--sample", columns.sample),
            ("--json", common.json),
            ("--xlsx", common.xlsx),
        ];
        match found.into_iter().find(|(_, is_found)| *is_found) {
            Some((what, _)) => Err(Error::call(format!(
                "--memory: found {what}, expected a bare table, --level bird, standard errors and CSV results; leave one of the two out"
            ))),
            None => Ok(()),
        }
    }

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
        let Some(mut population) = population_to_save(study, fit, (&groups, output.seed))? else {
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
