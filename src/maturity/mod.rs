//! When will they lay: timing cues and onset of lay.
//!
//! A cue is an age that is read from a growth curve: where gain is fastest, where the
//! second phase (the pre-lay spurt) peaks, where half or nearly all of the mature
//! mass is there, where a given weight is passed. [`cues`] lists them for every
//! fitted curve with their standard errors and, where first eggs were recorded,
//! how far ahead of them each came; [`summarise`] gives by strain how variable that
//! distance is.
//!
//! The onset of lay itself: [`LayRecords`] hold what is known of each first egg, from a
//! study or a table with one row a bird; [`lay_curves`] estimate the share that lays at each age,
//! [`onset_models`] how cues known at a landmark go with the first egg, [`thresholds`] and
//! [`bends`] what the birds were like when they laid, [`forecast_onset`] when the others
//! will, and [`backtest`] how well that would have come true.
//!
//! Start reading at `cues.rs`, then `onset_model.rs`. A cue is reported beside the onset, never as its
//! cause: no single cue is proven to decide when a bird lays.

mod breakpoint;
mod cue_choice;
mod cue_error;
mod cue_summary;
mod cues;
mod eggs;
mod first_egg;
mod first_egg_summary;
mod landmark_cues;
mod lay;
mod lay_ahead;
mod lay_curve;
mod lay_table;
mod light;
mod onset_backtest;
mod onset_candidates;
mod onset_check;
mod onset_forecast;
mod onset_model;
mod onset_subjects;
mod ringed_rise;
mod scanned_lay;
mod spurt;
mod thresholds;

pub use breakpoint::{Breakpoint, BreakpointEstimate, bends};
pub use cue_error::Reliability;
pub use cue_summary::{CueSummary, summarise};
pub use cues::{Cue, CueAge, CueOptions, FirstEgg, FittedCurve, NoCue, Support, cues};
pub use eggs::{
    EggEstimate, EggGroup, EggOnset, EggOptions, EggQuantity, MaturityFamily, PenDay, PenOnset,
    Rise, RiseOrigin, egg_onset,
};
pub use first_egg::{FirstEggModel, LEAST_LAID};
pub use first_egg_summary::{FirstEggSummary, Term};
pub use landmark_cues::{LandmarkCues, landmark_cues};
pub use lay::{CueColumn, LayBird, LayRecords, LeftOut, Reading};
pub use lay_ahead::{
    BirdForecast, ForecastOptions, ForecastPoint, LayForecast, OnTime, OnsetForecast,
};
pub use lay_curve::{
    AgeInLay, LayCurve, LayMethod, LayPoint, SHARES_PCT, lay_curves, median_first_egg,
};
pub use lay_table::{LayColumns, LayTable, read_lay_table};
pub use light::{
    LightEffect, LightMeasure, LightProgramme, PenMaturity, light_effects, light_programmes,
};
pub use onset_backtest::{
    Backtest, Backtests, FirstEggPrediction, Quantity, backtest, backtest_ages_d, backtest_of,
};
pub use onset_check::{Brier, CrossValidated, Gain};
pub use onset_forecast::forecast_onset;
pub use onset_model::{
    CueError, CueSet, OnsetEstimates, OnsetFamily, OnsetModel, OnsetModels, OnsetOptions,
    OnsetTerm, onset_models,
};

pub use ringed_rise::rise_of_ringed_birds;
pub use scanned_lay::{EggShift, ScannedLay, scanned_lay};
pub use spurt::Spurts;
pub use thresholds::{AtFirstEgg, Threshold, thresholds};
