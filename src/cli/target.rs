//! `target`: is the flock on its target trajectory, by how many days is it off, and where
//! does it go?

use std::path::{Path, PathBuf};

use clap::Args;

use super::correct::EquationOptions;
use super::options::{Common, FitOptions, Input, LevelName, confidence};
use super::output::Output;
use crate::analysis::{Analysis, FlockOptions, Forecasting, named_ages_d};
use crate::error::{Error, Result};
use crate::growth;
use crate::report::summary::Scope;
use crate::report::tables::flock::Weigh;
use crate::study::{AgeMatching, Study};
use crate::trajectory::BirdPopulation;

/// Set weighings against the target trajectory: deviation in g, percent and days,
/// uniformity, the gain needed to be back on target, and the weights to come.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather target data-demo
  pinfeather target data-demo --as-of 84 --forecast 112,119
  pinfeather target new-flock --population models/populations/invented_body_weight.toml
  pinfeather target scale.csv --stream --hatched-on 2025-09-01 --targets targets.csv
  pinfeather target weights.csv --bird ring --age day --value grams --group line \\
      --targets targets.csv --back-by 126")]
pub(crate) struct TargetArgs {
    #[command(flatten)]
    input: Input,
    #[command(flatten)]
    own: TargetOptions,
    /// Answer as of this age, from what was known then
    #[arg(long, value_name = "DAYS", help_heading = "Forecast")]
    as_of: Option<f64>,
    /// Curves of this flock's own population, of which the best is taken [default: the study's, or
    /// gompertz, logistic and richards]
    #[arg(
        long,
        value_name = "NAME[,NAME]",
        value_delimiter = ',',
        help_heading = "Forecast"
    )]
    curve: Vec<String>,
    /// Folder of curve cards to add to the built-in curves
    #[arg(long, value_name = "DIR", help_heading = "Forecast")]
    cards: Option<PathBuf>,
    /// Weight at hatch in g for the anchored curves
    #[arg(long, value_name = "GRAMS", help_heading = "Forecast")]
    hatch_weight: Option<f64>,
    /// Confidence of the intervals
    #[arg(long, value_name = "SHARE", default_value = "0.95", value_parser = confidence)]
    confidence: f64,
    #[command(flatten)]
    equations: EquationOptions,
}

/// How to set weighings against the target.
#[derive(Debug, Args)]
#[command(next_help_heading = "Target")]
pub(crate) struct TargetOptions {
    /// Age in days by which the birds are to be back on target
    #[arg(long, value_name = "DAYS")]
    back_by: Option<f64>,
    /// Ages within this many days are one weighing occasion, where there are no dates
    #[arg(long, alias = "same-age", value_name = "DAYS", default_value = "1")]
    age_bin: f64,
    /// Half width of the range that counts as uniform, percent of the mean
    #[arg(long, alias = "within", value_name = "PERCENT", default_value = "10")]
    pub(crate) uniformity_range: f64,
    /// Precision of the mean, percent, for which the number of birds to weigh is reported
    #[arg(long, value_name = "PERCENT", default_value = "2")]
    precision: f64,
    /// Precision of the uniformity, percentage points, for which that number is reported
    #[arg(long, value_name = "POINTS", default_value = "8")]
    uniformity_precision: f64,
    /// Birds in each strain's flock, of which those weighed are a sample: of a small flock
    /// fewer will do [default: the study's, or a flock much larger than its sample]
    #[arg(long, value_name = "BIRDS", value_parser = clap::value_parser!(u32).range(1..))]
    flock_size: Option<u32>,
    #[command(flatten)]
    ahead: ForecastOptions,
}

/// What is to be forecast, and by which population.
#[derive(Debug, Args)]
#[command(next_help_heading = "Forecast")]
struct ForecastOptions {
    /// Ages in days to forecast weights for [default: the target's ages after the last weighing,
    /// and those that the study names]
    #[arg(long, value_name = "DAYS[,DAYS]", value_delimiter = ',')]
    forecast: Vec<f64>,
    /// A saved population to judge the birds by, as fit --level population saves it [default: a
    /// fit of all birds at once to this flock's own weighings]
    #[arg(long, value_name = "FILE")]
    population: Option<PathBuf>,
    /// Saved populations of earlier flocks, among which the typical weight of this one is placed
    #[arg(long, value_name = "FILE[,FILE]", value_delimiter = ',')]
    earlier: Vec<PathBuf>,
    /// Probability of a false alarm for a bird that grows as predicted
    #[arg(long, value_name = "SHARE", default_value = "0.01")]
    false_alarms: f64,
}

pub(crate) fn run(args: &TargetArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("target", common);
    let study = output.read(&args.input)?;
    output.enter_cards(args.cards.as_deref())?;
    if study.targets.is_empty() && !args.own.forecasts() && study.stream.days.is_empty() {
        return Err(Error::input(format!(
            "{}: found no targets, expected a table of targets; name one under [tables] in study.toml \
             or with --targets, or ask for a forecast alone by --forecast",
            args.input.path.display()
        )));
    }
    let fit = FitOptions {
        curve: args.curve.clone(),
        cards: args.cards.clone(),
        confidence: args.confidence,
        hatch_weight: args.hatch_weight,
        level: vec![LevelName::Population],
        seed: 1,
        ..FitOptions::default()
    };
    let mut options = fit.analysis(&study, &output)?;
    let read = (&*args.input.path, &study);
    options.scans = args
        .equations
        .scans(read, options.confidence, &mut output)?;
    options.as_of_d = args.as_of;
    options.growth.profiles = false;
    let flock = args
        .own
        .flock(&study, &fit, Forecasting::All, &mut output)?;
    options.flock = Some(flock);
    let weigh = args.own.weigh(&study, options.confidence)?;
    let analysis = Analysis::of_owned(study, &options)?;
    let findings = &mut output.findings;
    findings.masses_used(&analysis);
    findings.verdict(&analysis, &weigh, &args.own.population_name());
    findings.platform(&analysis);
    findings.answers(&analysis);
    output.summarise_own(
        Scope::Target,
        (&analysis, &options),
        args.input.group_column(),
    );
    output.finish()
}

/// The saved population that a call names.
pub(crate) fn read_population(
    path: &Path,
    fit: &FitOptions,
    output: &mut Output,
) -> Result<BirdPopulation> {
    let cards = match &fit.cards {
        Some(folder) => growth::read_cards(folder)?,
        None => Vec::new(),
    };
    let population = BirdPopulation::read(path, &cards)?;
    output.enter_file(path)?;
    Ok(population)
}

impl TargetOptions {
    /// File of the saved population that the call names.
    pub(crate) fn population(&self) -> Option<&PathBuf> {
        self.ahead.population.as_ref()
    }

    /// All files of saved populations that the call names.
    pub(crate) fn populations(&self) -> impl Iterator<Item = &PathBuf> {
        self.population().into_iter().chain(&self.ahead.earlier)
    }

    /// The population of the forecasts, in words.
    pub(crate) fn population_name(&self) -> String {
        match self.population() {
            Some(path) => format!("the saved {}", path.display()),
            None => "this flock's own".to_owned(),
        }
    }

    /// Whether the call requires forecasts that are not the study's usual ones.
    fn forecasts(&self) -> bool {
        !self.ahead.forecast.is_empty()
            || self.ahead.population.is_some()
            || !self.ahead.earlier.is_empty()
    }

    /// How the flock is judged.
    pub(crate) fn flock(
        &self,
        study: &Study,
        fit: &FitOptions,
        forecast: Forecasting,
        output: &mut Output,
    ) -> Result<FlockOptions> {
        let settings = &study.settings.target;
        let back_by_d = self.back_by.or(settings.back_on_target_by_d);
        let population = match &self.ahead.population {
            Some(path) => Some(read_population(path, fit, output)?),
            None => None,
        };
        let earlier = self.ahead.earlier.iter();
        let earlier = earlier.map(|path| read_population(path, fit, output));
        let earlier = earlier.collect::<Result<Vec<_>>>()?;
        let mut ages_d = self.ahead.forecast.clone();
        ages_d.sort_by(f64::total_cmp);
        ages_d.dedup();
        let named = !study.targets.is_empty() || self.forecasts();
        Ok(FlockOptions {
            back_by_d,
            matching: AgeMatching::RoundedTo(self.age_bin),
            within_pct: self.uniformity_range,
            ages_d,
            named_ages_d: named_ages_d(study, back_by_d),
            forecast: if named {
                forecast
            } else {
                Forecasting::Nothing
            },
            population,
            earlier,
            false_alarms: self.ahead.false_alarms,
        })
    }

    /// The number of birds reported as enough to weigh.
    pub(crate) fn weigh(&self, study: &Study, confidence: f64) -> Result<Weigh> {
        for (option, value) in [
            ("--precision", self.precision),
            ("--uniformity-precision", self.uniformity_precision),
        ] {
            if !(value > 0.0 && value < 100.0) {
                return Err(Error::call(format!(
                    "{option} {value}: expected a number between 0 and 100, such as 2"
                )));
            }
        }
        let flock_size = self.flock_size.or(study.settings.target.flock_size);
        Ok(Weigh {
            mean_within_pct: self.precision,
            share_within_points: self.uniformity_precision,
            confidence,
            flock: flock_size.map(|birds| birds as usize),
        })
    }
}
