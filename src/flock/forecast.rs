//! What will each bird, pen, strain and the whole flock weigh at a later age?
//!
//! Three predictors are put together (`predictors.rs`): the flock's own model, a saved
//! population, and the target's shape carried on from the birds' deviations (`relative/`).
//! Their weights come from how their forecasts as of earlier ages came true
//! (`weight_backtest.rs`, `stacking.rs`). A bird's interval is of a weighing of it; a group's
//! of the mean of such weighings over its birds, where the birds' own errors shrink with their
//! number and what they share does not. Masses that follow body weight by allometry are
//! forecast through the forecast of body weight (`mass_forecast.rs`).
//!
//! Forecast are the birds that are still there: weighed at their strain's last weighing, or
//! seen since. An age that no predictor describes has no forecast, and the reason stands there.

use crate::error::{Error, Result};
use crate::fit::interval::check_confidence;
use crate::flock::backtest_rows::WeightBacktests;
use crate::flock::forecast_rows::{ForecastOptions, TraitForecast};
use crate::flock::own_models::{self, ForecastFrom};
use crate::flock::weight_backtest::backtest;
use crate::flock::{mass_forecast, weight_forecast};
use crate::study::Study;
use crate::trajectory::TraitModel;

/// The forecasts of all traits, and how they would have come true.
#[derive(Debug, Clone)]
pub struct FlockForecasts {
    /// By trait.
    pub traits: Vec<TraitForecast>,
    /// The backtest.
    pub backtests: WeightBacktests,
}

/// Forecasts of every trait that the study has, known as of `options.as_of_d`, and how such
/// forecasts would have come true at earlier ages.
///
/// `known` is the study as of that age ([`Study::as_of_occasion`]); `done` is called after
/// each age as of which the backtest forecast.
///
/// # Errors
/// A call error where an age is not after `as_of_d` or not finite, an input error where a
/// saved population does not know a strain or is of a trait that the study does not have.
pub fn forecast(
    known: &Study,
    from: &ForecastFrom<'_>,
    options: &ForecastOptions,
    done: &(dyn Fn() + Sync),
) -> Result<FlockForecasts> {
    check_confidence(options.confidence)?;
    for age_d in &options.ages_d {
        if !(age_d.is_finite() && *age_d > options.as_of_d) {
            return Err(Error::call(format!(
                "--forecast {age_d}: expected ages in days after {} d, as of which the forecast is made",
                options.as_of_d
            )));
        }
    }
    let models = own_models::of(known, from);
    let mut all = FlockForecasts {
        traits: Vec::new(),
        backtests: WeightBacktests::default(),
    };
    let mut masses = Vec::new();
    for sources in own_models::sources(known, from, &models)? {
        if let Some(allometry) = sources.model.and_then(TraitModel::allometry) {
            masses.push((sources, allometry));
            continue;
        }
        let tested = backtest(
            known,
            &sources,
            &options.named_ages_d,
            options.confidence,
            done,
        )?;
        let mut one = weight_forecast::of_trait(known, &sources, &tested.weights, options)?;
        all.backtests.append(tested.results);
        one.flag_by(&all.backtests.rows, options.confidence);
        all.traits.push(one);
    }
    for (sources, allometry) in masses {
        let main_trait = known.main_trait();
        let weight = all
            .traits
            .iter()
            .find(|one| Some(one.trait_index) == main_trait);
        let one = mass_forecast::of_trait(known, sources.trait_index, allometry, weight, options);
        all.traits.push(one?);
    }
    all.traits.sort_by_key(|one| one.trait_index);
    Ok(all)
}
