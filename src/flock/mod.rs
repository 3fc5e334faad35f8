//! Is the flock on target.
//!
//! Every weighing, and the mean of the birds of a strain or pen that were weighed
//! at one age, is set against the [`Trajectory`] through the user's target table:
//! [`deviations`] gives the difference in grams, percent and days, and the gain
//! that would bring it back. [`uniformities`] says how alike the birds are.
//!
//! Start reading at `deviation.rs`. Nothing here is fitted or forecast: only what
//! was weighed counts, and no target is continued past its table.

mod deviation;
mod monotone_cubic;
mod occasion;
mod target;
mod uniformity;

use crate::error::{Error, Result};

pub use deviation::{
    AgainstTarget, Band, Deviation, DeviationOptions, Gain, Level, NoTarget, deviations,
};
pub use occasion::AgeMatching;
pub use target::{NoTargetAge, TargetPoint, Trajectory};
pub use uniformity::{
    Cv, FlockUniformity, NoCv, Share, Uniformity, UniformityOptions, cv_for_share_pct,
    normal_share_pct, share_within, uniformities, uniformity,
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
