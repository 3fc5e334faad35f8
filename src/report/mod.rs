//! What does the reader get: tables and the record of the run.

pub mod calibration_tables;
pub mod composition_tables;
pub mod composition_words;
pub mod cue_tables;
pub mod flock_tables;
pub mod growth_tables;
pub mod pictures;
mod record;
pub mod scan_pictures;
pub mod table;
pub mod words;

pub use record::{InputFile, RunRecord};
pub use table::{Cell, Table};
