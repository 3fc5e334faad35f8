//! When will they lay: timing cues and onset of lay.
//!
//! A cue is an age that a growth curve tells: where gain is fastest, where the
//! second phase (the pre-lay spurt) peaks, where half or nearly all of the mature
//! mass is there, where a given weight is passed. [`cues`] lists them for every
//! fitted curve with their standard errors and, where first eggs were recorded,
//! how far ahead of them each came; [`summarise`] says by strain how steady that
//! distance is.
//!
//! Start reading at `cues.rs`. A cue is reported beside the onset, never as its
//! cause: no single cue is proven to decide when a bird lays.

mod cue_error;
mod cue_summary;
mod cues;
mod landmark_cues;
mod lay;
mod lay_curve;
mod lay_table;
mod onset_check;
mod onset_forecast;
mod onset_model;

use crate::error::{Error, Result};

pub use cue_error::Reliability;
pub use cue_summary::{CueSummary, summarise};
pub use cues::{Cue, CueAge, CueOptions, FirstEgg, FittedCurve, NoCue, Support, cues};
pub use landmark_cues::{LandmarkCues, landmark_cues};
pub use lay::{CueColumn, LayBird, LayRecords, LeftOut, Reading};
pub use lay_curve::{AgeInLay, LayCurve, LayMethod, LayPoint, SHARES_PCT, lay_curves};
pub use lay_table::{LayColumns, LayTable, read_lay_table};
pub use onset_check::CrossValidated;
pub use onset_forecast::{
    BirdForecast, ForecastOptions, ForecastPoint, LayForecast, OnsetForecast, forecast_onset,
};
pub use onset_model::{
    CueError, CueSet, Law, OnsetEstimates, OnsetModel, OnsetModels, OnsetOptions, OnsetTerm,
    onset_models,
};

/// A confidence that is none is a wrong call.
fn check_confidence(confidence: f64) -> Result<()> {
    if confidence > 0.0 && confidence < 1.0 {
        return Ok(());
    }
    Err(Error::call(format!(
        "confidence {confidence}, expected a number between 0 and 1, such as 0.95"
    )))
}
