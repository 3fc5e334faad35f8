//! What the birds will weigh: the part of `target`, `run` and `draw` that looks ahead.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::Args;

use super::output::Output;
use crate::analysis::Ahead;
use crate::error::{Error, Result};
use crate::fit::Settings;
use crate::fit::mixed::Correlation;
use crate::flock::{self, ForecastOptions, PopulationFrom, TraitForecast, WeightBacktests};
use crate::growth::Curve;
use crate::report::{forecast_tables, forecast_words};
use crate::study::{FixedEffectOf, Records, Study};
use crate::trajectory::{BirdPopulation, PopulationRequest, Request};

/// Ages of each trait as of which the backtest forecasts.
const BACKTEST_AGES: u8 = 4;

/// What is to be forecast, and by which population.
#[derive(Debug, Args)]
#[command(next_help_heading = "Forecast")]
pub(crate) struct ForecastWishes {
    /// Ages in days to forecast weights for [default: the target's ages after the last weighing,
    /// and those that the study names]
    #[arg(long, value_name = "DAYS[,DAYS]", value_delimiter = ',')]
    forecast: Vec<f64>,
    /// A saved population to judge the birds by, as fit --level population saves it [default: a
    /// fit of all birds at once to this flock's own weighings]
    #[arg(long, value_name = "FILE")]
    pub(crate) population: Option<PathBuf>,
    /// Probability that a bird that keeps to its course is told as drifting
    #[arg(long, value_name = "SHARE", default_value = "0.01")]
    false_alarms: f64,
}

/// How the call asks for forecasts.
pub(crate) struct Asked<'a> {
    /// Age as of which, where the call names one.
    pub(crate) as_of_d: Option<f64>,
    /// Curves of this flock's own population.
    pub(crate) curves: Vec<Arc<dyn Curve>>,
    /// Curves of cards, which a saved population may name.
    pub(crate) cards: &'a [Arc<dyn Curve>],
    pub(crate) hatch_weight_g: Option<f64>,
    pub(crate) confidence: f64,
    /// Age by which the birds are to be back on target, d.
    pub(crate) back_by_d: Option<f64>,
    /// Strains that a saved population does not know, and what they are taken for.
    pub(crate) taken_for: Vec<(String, String)>,
}

impl ForecastWishes {
    /// Whether the call asks for more than the study's usual forecast.
    pub(crate) fn named(&self) -> bool {
        !self.forecast.is_empty() || self.population.is_some()
    }

    /// Adds forecasts, how they would have come true, and the birds that drift.
    ///
    /// `known` is the study as of the age asked for, `study` all of it.
    pub(crate) fn add(
        &self,
        study: &Study,
        known: &Study,
        asked: &Asked<'_>,
        output: &mut Output,
    ) -> Result<Option<Ahead>> {
        let Some(last_d) = last_age_d(known) else {
            return Ok(None);
        };
        let saved = match &self.population {
            Some(path) => Some(read(path, asked.cards, output)?),
            None => None,
        };
        let population = match &self.population {
            Some(path) => format!("the saved {}", path.display()),
            None => "this flock's own".to_owned(),
        };
        output
            .methods
            .insert("population of the forecast".to_owned(), population);
        let request = request(asked);
        let from = match &saved {
            Some(population) => PopulationFrom::Saved {
                population,
                taken_for: &asked.taken_for,
            },
            None => PopulationFrom::Flock(&request),
        };
        let as_of_d = asked.as_of_d.unwrap_or(last_d);
        let named_ages_d = named_ages_d(study, asked.back_by_d);
        let mut ages_d = self.forecast.clone();
        ages_d.sort_by(f64::total_cmp);
        ages_d.dedup();
        let options = ForecastOptions {
            as_of_d,
            ages_d,
            named_ages_d,
            confidence: asked.confidence,
        };
        let mut traits = flock::forecast(known, from, &options)?;
        for one in &traits {
            if let Ok(population) = &one.population {
                let name = &known.traits[one.trait_index].name;
                output.methods.insert(
                    format!("forecast of {name}"),
                    forecast_words::of_population(population),
                );
            }
        }
        let WeightBacktests {
            rows: tested,
            weights: backtest,
            in_sample,
        } = backtest(known, from, last_d, asked.confidence, output)?;
        for one in &mut traits {
            one.flag_by(&tested, asked.confidence);
        }
        let named = if self.forecast.is_empty() {
            &options.named_ages_d
        } else {
            &options.ages_d
        };
        output.words.push("What will they weigh?".to_owned());
        output.words.extend(forecast_words::forecast(
            known,
            as_of_d,
            &traits,
            named,
            asked.confidence,
        ));
        output
            .tables
            .push(forecast_tables::forecast(known, as_of_d, &traits));
        if let Some(share) = in_sample {
            output.words.push(format!(
                "  no backtest: {:.0} percent of the records that the saved population was estimated from are among these weighings, so that it would be tested on its own birds; give the population of another flock, or leave --population out",
                100.0 * share
            ));
        } else if tested.is_empty() {
            let none = "  no backtest: too little was weighed before the last weeks";
            output.words.push(none.to_owned());
        } else {
            output
                .words
                .extend(forecast_words::backtest(known, &tested));
            output.append(forecast_tables::backtest(known, &tested));
        }
        self.add_drifting(known, &traits, from, output)?;
        Ok(Some(Ahead {
            as_of_d,
            traits,
            backtest,
        }))
    }

    fn add_drifting(
        &self,
        known: &Study,
        traits: &[TraitForecast],
        from: PopulationFrom<'_>,
        output: &mut Output,
    ) -> Result<()> {
        let taken_for = match from {
            PopulationFrom::Saved { taken_for, .. } => taken_for,
            PopulationFrom::Flock(_) => &[],
        };
        let watch = |one: &TraitForecast| {
            let population = one.population.as_ref();
            flock::drifting_by(
                known,
                one.trait_index,
                population,
                taken_for,
                self.false_alarms,
            )
        };
        let watches: Vec<_> = traits.iter().map(watch).collect::<Result<_>>()?;
        output
            .words
            .push("Which birds have left their own course?".to_owned());
        output
            .words
            .extend(forecast_words::drifting(known, &watches));
        output
            .tables
            .push(forecast_tables::drifting(known, &watches));
        Ok(())
    }
}

/// What came after the last ages hidden and forecast, with a bar where somebody looks.
fn backtest(
    known: &Study,
    from: PopulationFrom<'_>,
    last_d: f64,
    confidence: f64,
    output: &Output,
) -> Result<WeightBacktests> {
    let bar = output.progress(
        known.traits.len() * usize::from(BACKTEST_AGES),
        "backtesting",
    );
    let ages = (last_d, BACKTEST_AGES);
    let tested = flock::weight_backtest(known, from, ages, confidence, &|| bar.inc(1))?;
    bar.finish_and_clear();
    Ok(tested)
}

/// The study with the records of those traits alone that have a target: what `run` and `draw`
/// forecast, since each further trait takes as long.
pub(crate) fn of_target(study: &Study) -> Study {
    let mut only = study.clone();
    for records in &mut only.traits {
        let targets = &study.targets;
        if !targets
            .iter()
            .any(|target| target.trait_name == records.name)
        {
            *records = Records {
                name: std::mem::take(&mut records.name),
                starts: vec![0; study.birds.len() + 1],
                ..Records::default()
            };
        }
    }
    only
}

fn read(path: &Path, cards: &[Arc<dyn Curve>], output: &mut Output) -> Result<BirdPopulation> {
    let population = BirdPopulation::read(path, cards)?;
    output.enter_file(path)?;
    Ok(population)
}

/// The model of all birds, chosen by likelihood.
fn request(asked: &Asked<'_>) -> Request {
    Request {
        curves: asked.curves.clone(),
        birds: false,
        strains: false,
        population: Some(PopulationRequest::chosen(vec![FixedEffectOf::Strain])),
        settings: Settings::default(),
        correlation: Correlation::None,
        hatch_weight_g: asked.hatch_weight_g,
    }
}

/// Age of the last record of any trait, d.
pub(crate) fn last_age_d(study: &Study) -> Option<f64> {
    let ages_d = study.traits.iter().flat_map(|records| &records.ages_d);
    ages_d.copied().max_by(f64::total_cmp)
}

/// Ages that the study names: its named ages, light stimulation among its events, and the age
/// to be back on target by.
fn named_ages_d(study: &Study, back_by_d: Option<f64>) -> Vec<f64> {
    let light = study
        .events
        .iter()
        .filter(|event| event.event.to_lowercase().contains("light"));
    let mut ages_d: Vec<f64> = study
        .settings
        .ages
        .values()
        .copied()
        .chain(light.map(|event| event.age_d))
        .chain(back_by_d)
        .collect();
    ages_d.sort_by(f64::total_cmp);
    ages_d.dedup();
    ages_d
}

/// The study as of an age that the call names.
///
/// # Errors
/// A call error where the age is no age, or nothing was weighed by then.
pub(crate) fn as_of(study: &Study, as_of_d: f64) -> Result<Study> {
    if !(as_of_d.is_finite() && as_of_d >= 0.0) {
        return Err(Error::call(format!(
            "--as-of {as_of_d}: expected an age in days, 0 or above"
        )));
    }
    let known = study.as_of(as_of_d);
    if last_age_d(&known).is_none() {
        let ages_d = study.traits.iter().flat_map(|records| &records.ages_d);
        let first_d = ages_d.copied().fold(f64::INFINITY, f64::min);
        return Err(Error::call(format!(
            "--as-of {as_of_d}: found no weighing by that age, expected an age from {first_d} d on, when the first was weighed"
        )));
    }
    Ok(known)
}
