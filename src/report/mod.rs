//! What does the reader get: tables and the record of the run.

pub mod calibration_tables;
mod column_notes;
pub mod composition_tables;
pub mod composition_words;
pub mod contrast_tables;
pub mod contrast_words;
pub mod cue_tables;
mod digits;
pub mod flock_tables;
pub mod forecast_pictures;
pub mod forecast_tables;
pub mod forecast_words;
pub mod growth_tables;
pub mod methods;
pub mod onset_pictures;
pub mod onset_tables;
pub mod onset_words;
pub mod page;
pub mod pictures;
pub mod plan_pictures;
pub mod plan_tables;
pub mod plan_words;
pub mod population_tables;
pub mod population_words;
mod record;
pub mod scan_pictures;
mod staged;
pub mod table;
pub mod words;
mod workbook;

pub use record::{InputFile, RunRecord};
pub use staged::{OutputFile, Staged, Tallied};
pub use table::{Cell, Table};
pub use workbook::{tables_workbook, workbook};
