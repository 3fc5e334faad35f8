//! What are the bird's true masses: repeatability, feathers, calibration,
//! correction, balance.
//!
//! A scanner misreads a live bird: feathers pass for fat, posture and movement
//! shift everything, and every scanner, strain and age has a different bias. The
//! birds that were scanned and then analysed give the equations
//! ([`calibration`]); the equations put every other scan on the chemistry scale
//! ([`correction`]), with an error of two parts: the bird's own, and the
//! equation's, which all birds share.
//!
//! Start reading at [`pairs`] (from a study to the rows that an equation is
//! fitted to), then [`calibration`] and [`correction`]. This module fits no
//! growth curve and draws nothing.

pub mod agreement;
mod applies;
pub mod as_read;
pub mod balance;
pub mod calibration;
pub mod calibration_cells;
pub mod changes;
pub mod chemistry;
pub mod choice;
mod cluster_correlation;
mod complete;
pub mod correction;
mod cross_equation;
pub mod egg;
mod equation;
pub mod feather_ages;
pub mod feather_step;
pub mod feathers;
mod formula;
mod frame;
pub mod laboratories;
pub mod mass_components;
pub mod pairs;
pub mod phantom;
mod provenance;
pub mod quality;
pub mod recalibration;
mod regression;
pub mod repeatability;
mod saved;
pub mod series;
pub mod study_equations;
pub mod study_masses;
pub mod validation;
pub mod way_offsets;
pub mod way_precision;
pub mod ways;

pub use cross_equation::CrossEquationCovariance;
pub use equation::Equation;
pub use formula::{Coding, EquationColumn, EquationPiece, Factor, Formula, Gap, Levels};
pub use frame::{Column, Frame, Value};
pub use provenance::{Provenance, Range, Recalibration, Scale, ValidationRecord};
pub use saved::{digest, seal};

pub use crate::study::Tissue;

/// What the commands that plan or use scans print once.
pub const CAUTION: &str = "X-ray work needs trained, authorised operators under the local \
radiation rules. Restraint, plucking and euthanasia of birds need the approval of the local \
animal-care body and licensed practice. This program replaces neither.";

/// The message where an equation for a percentage is requested.
pub const PERCENTAGES: &str = "percentages calibrate badly (correlations with chemistry near 0.7 \
where masses reach 0.98; Poultry Science 2024, 103:103363): correct the masses in grams and \
derive percentages from them";
