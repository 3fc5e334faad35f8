//! What does the reader get: tables and the record of the run.

pub mod composition_words;
pub mod contrast_pictures;
pub mod contrast_words;
mod digits;
pub mod files;
mod findings;
pub mod forecast_pictures;
pub mod forecast_words;
pub mod onset_pictures;
pub mod onset_words;
pub mod page;
mod paper;
pub mod pictures;
pub mod plan_pictures;
pub mod plan_words;
pub mod population_pictures;
pub mod population_words;
pub mod profile_pictures;
mod prose;
pub mod protocol;
mod rounding;
pub mod scan_pictures;
mod showing;
pub mod summary;
pub mod table;
pub mod tables;
pub mod text;
pub mod validation_pictures;
pub mod words;
mod workbook;

pub use files::{InputFile, OutputFile, RunRecord};
pub use findings::Findings;
pub use paper::Paper;
pub use prose::{Prose, Section};
pub use table::{Cell, Table};
pub use workbook::{tables_workbook, workbook};
