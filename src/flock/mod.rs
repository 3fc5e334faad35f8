//! Is the flock on target.
//!
//! Every weighing, and the mean of the birds of a strain or pen that were weighed
//! at one age, is set against the [`TargetCurve`] through the user's target table:
//! [`deviations`] gives the difference in grams, percent and days, and the gain
//! that would bring it back. [`uniformities`] gives the uniformity of the birds.
//!
//! Start reading at `deviation.rs`: there only what was weighed counts, and no target is
//! continued past its table. [`forecast`] predicts the weights of the birds, by up to three
//! predictors, and how well such forecasts would have come true; [`departures`] which birds
//! departed from their predicted growth; [`gains_seen`] whether birds of a strain have
//! ever gained as much as they need to.

mod backtest_rows;
mod departure;
mod deviation;
mod earlier;
mod forecast;
mod forecast_rows;
mod gains;
mod mass_forecast;
mod monotone_cubic;
mod own_models;
pub mod platform;
mod predictors;
pub mod relative;
mod sample_size;
mod sampled;
mod stacking;
mod target;
mod uniformity;
mod weight_backtest;
mod weight_forecast;

pub use backtest_rows::{Errors, WeightBacktest, WeightBacktests, WeightPrediction};
pub use departure::{Departure, DepartureWatch, departures};
pub use deviation::{
    AgainstTarget, Band, Deviation, DeviationOptions, FlockLevel, Gain, NoTarget, deviations,
};
pub use earlier::{AmongEarlier, ENOUGH_FLOCKS, EarlierFlock, TypicalWeight, among_earlier};
pub use forecast::{FlockForecasts, forecast};
pub use forecast_rows::{Flag, ForecastOptions, ForecastRow, TraitForecast};
pub use gains::{GainsSeen, gains_seen};
pub use own_models::{ForecastFrom, SavedPopulation};
pub use predictors::Predictor;
pub use sample_size::{birds_for_mean, birds_for_share};
pub use sampled::{
    CONTROL_LIMIT, GainPoint, SampledVerdict, gain_chart, sampled_forecast, sampled_verdict,
};
pub use target::{NoTargetAge, TargetCurve, TargetPoint, trajectories as target_trajectories};
pub use uniformity::{
    Cv, FlockUniformity, Met, NoCv, Share, Uniformity, UniformityOptions, cv_for_share_pct,
    normal_share_pct, uniformities, uniformity,
};
