//! `target`: is the flock on its target trajectory, by how many days is it off, and where
//! does it go?

use std::borrow::Cow;
use std::path::PathBuf;

use clap::Args;

use super::correct::EquationOptions;
use super::corrected;
use super::forecast::{self, Asked, ForecastWishes};
use super::options::{Common, FitOptions, Input, confidence};
use super::output::Output;
use crate::analysis::{Ahead, Verdict};
use crate::error::{Error, Result};
use crate::flock::{self, DeviationOptions, UniformityOptions};
use crate::growth;
use crate::report::{flock_tables, words};
use crate::study::{AgeMatching, Study};

/// Set weighings against the target trajectory: deviation in g, percent and days,
/// uniformity, the gain needed to be back on target, and the weights to come.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather target data-demo
  pinfeather target data-demo --as-of 84 --forecast 112,119
  pinfeather target new-flock --population models/populations/invented_body_weight.toml
  pinfeather target weights.csv --bird ring --age day --value grams --group line \\
      --targets targets.csv --back-by 126")]
pub(crate) struct TargetArgs {
    #[command(flatten)]
    input: Input,
    #[command(flatten)]
    wishes: TargetOptions,
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
    /// Where weighings go by age, not by date: ages are put together by multiples of so many days
    #[arg(long, value_name = "DAYS", default_value = "1")]
    same_age: f64,
    /// Half width of the range that counts as uniform, percent of the mean
    #[arg(long, value_name = "PERCENT", default_value = "10")]
    pub(crate) within: f64,
    /// Say how many birds to weigh for the mean to be known within so many percent
    #[arg(long, value_name = "PERCENT", default_value = "2")]
    precision: f64,
    /// Say how many birds to weigh for the uniformity to be known within so many points of percent
    #[arg(long, value_name = "POINTS", default_value = "8")]
    uniformity_precision: f64,
    /// Birds in each strain's flock, of which those weighed are a sample: of a small flock
    /// fewer will do [default: the study's, or a flock much larger than its sample]
    #[arg(long, value_name = "BIRDS", value_parser = clap::value_parser!(u32).range(1..))]
    flock_size: Option<u32>,
    #[command(flatten)]
    ahead: ForecastWishes,
}

impl TargetOptions {
    /// File of the saved population that the call names.
    pub(crate) fn population(&self) -> Option<&PathBuf> {
        self.ahead.population.as_ref()
    }
}

/// Which traits are forecast.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Looked {
    /// All that the study has.
    All,
    /// Those with a target: a run has more to do.
    WithTarget,
}

pub(crate) fn run(args: &TargetArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("target", common);
    let mut study = output.read(&args.input)?;
    output.enter_cards(args.cards.as_deref())?;
    if study.targets.is_empty() && !args.wishes.ahead.named() {
        return Err(Error::input(format!(
            "{}: found no targets, expected a table of targets; name one under [tables] in study.toml \
             or with --targets, or ask for a forecast alone by --forecast",
            args.input.path.display()
        )));
    }
    corrected::from_saved(&mut study, &args.equations, &args.input.path, &mut output)?;
    let known = match args.as_of {
        Some(as_of_d) => Cow::Owned(forecast::as_of(&study, as_of_d)?),
        None => Cow::Borrowed(&study),
    };
    let fit = FitOptions {
        curve: args.curve.clone(),
        cards: args.cards.clone(),
        confidence: args.confidence,
        hatch_weight: args.hatch_weight,
        ..FitOptions::default()
    };
    let allowed = args.equations.allowed(&study).into_iter().collect();
    let fit = (&fit, allowed);
    args.wishes
        .add(&study, &known, args.as_of, fit, Looked::All, &mut output)?;
    output.finish()
}

impl TargetOptions {
    /// Adds the flock's tables, the verdict, and what is to come to the output.
    ///
    /// `known` is the study as of the age asked for, `study` all of it; `allowed` are strains
    /// that a saved population does not know, and what each is taken for.
    pub(crate) fn add(
        &self,
        study: &Study,
        known: &Study,
        as_of_d: Option<f64>,
        (fit, allowed): (&FitOptions, Vec<(String, String)>),
        traits: Looked,
        output: &mut Output,
    ) -> Result<Verdict> {
        let mut verdict = self.verdict(known, fit.confidence)?;
        output.methods.insert(
            "uniformity".to_owned(),
            format!("within {} % of the mean", verdict.within_pct),
        );
        let gains = flock::gains_seen(known, &verdict.deviations, self.back_by_d(known));
        let told = words::verdict(known, &verdict.deviations, &verdict.uniformities, &gains);
        let weigh = flock_tables::Weigh {
            mean_within_pct: self.precision,
            share_within_points: self.uniformity_precision,
            confidence: fit.confidence,
            flock: self
                .flock_size
                .or(known.settings.target.flock_size)
                .map(|birds| birds as usize),
        };
        if !told.is_empty() {
            output.words.push("On target?".to_owned());
            output.words.extend(told);
            output
                .words
                .extend(words::birds_to_weigh(known, &verdict.uniformities, &weigh));
        }
        if !verdict.deviations.is_empty() {
            output
                .tables
                .push(flock_tables::deviation(known, &verdict.deviations, &gains));
        }
        output.tables.push(flock_tables::uniformity(
            known,
            &verdict.uniformities,
            &weigh,
        ));
        if !known.targets.is_empty() || self.ahead.named() {
            let some;
            let known = match traits {
                Looked::All => known,
                Looked::WithTarget => {
                    some = forecast::of_target(known);
                    &some
                }
            };
            verdict.ahead = self.ahead(study, known, as_of_d, (fit, allowed), output)?;
        }
        if !verdict.deviations.is_empty() || verdict.ahead.is_some() {
            output.words.push(format!("  {}", words::VERDICT_CAUTION));
        }
        Ok(verdict)
    }

    fn ahead(
        &self,
        study: &Study,
        known: &Study,
        as_of_d: Option<f64>,
        (fit, taken_for): (&FitOptions, Vec<(String, String)>),
        output: &mut Output,
    ) -> Result<Option<Ahead>> {
        let cards = match &fit.cards {
            Some(folder) => growth::read_cards(folder)?,
            None => Vec::new(),
        };
        let asked = Asked {
            as_of_d,
            curves: fit.curves(study)?,
            cards: &cards,
            hatch_weight_g: fit.hatch_weight,
            confidence: fit.confidence,
            back_by_d: self.back_by_d(study),
            taken_for,
        };
        self.ahead.add(study, known, &asked, output)
    }

    fn back_by_d(&self, study: &Study) -> Option<f64> {
        self.back_by.or(study.settings.target.back_on_target_by_d)
    }

    /// Deviations from target of every weighing (none without targets), and uniformities.
    pub(crate) fn verdict(&self, study: &Study, confidence: f64) -> Result<Verdict> {
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
        let matching = AgeMatching::RoundedTo(self.same_age);
        let deviations = flock::deviations(
            study,
            &DeviationOptions {
                matching,
                back_on_target_by_d: self.back_by_d(study),
                confidence,
            },
        )?;
        let uniformities = flock::uniformities(
            study,
            &UniformityOptions {
                matching,
                within_pct: self.within,
                confidence,
            },
        )?;
        Ok(Verdict {
            deviations,
            uniformities,
            ahead: None,
            within_pct: self.within,
        })
    }
}
