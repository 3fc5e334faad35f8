//! The result tables: each is declared once, as a list of columns with name, unit, meaning
//! and how to get the value from a row.
//!
//! CSV, JSON, spreadsheet, page and the data dictionary read the finished [`Table`], so that
//! a column cannot be called, explained or filled differently in two of them.
//!
//! [`Table`]: crate::report::Table

pub mod answers;
pub mod budget;
pub mod calibration;
pub mod carcasses;
pub mod choice;
mod column;
pub mod cues;
pub mod curves;
pub mod densities;
mod dictionary;
pub mod eggs;
pub mod fits;
pub mod flock;
pub mod forecast;
pub mod groups;
pub mod laboratories;
pub mod lay;
pub mod models;
pub mod phantom;
pub mod plan;
pub mod platform;
pub mod sampled;
pub mod samples;
pub mod scanning;
pub mod scans;
pub mod treatment_start;
pub mod validation;
pub mod wide;

pub use column::Column;
pub(crate) use column::Columns;
pub use dictionary::dictionary;
