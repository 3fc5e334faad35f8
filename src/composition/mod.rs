//! What are the bird's true masses: repeatability, feathers, calibration,
//! correction, balance.
mod formula;
mod frame;
pub use formula::{Coding, EquationColumn, Factor, Formula, Gap, Levels};
pub use frame::{Column, Frame, Value};
