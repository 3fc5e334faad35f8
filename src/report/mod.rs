//! What does the reader get: tables and the record of the run.

#[cfg(feature = "program")]
pub mod batches;
pub mod budget_pictures;
pub mod budget_words;
pub mod carcass_words;
pub mod composition_words;
pub mod contrast_pictures;
pub mod contrast_words;
pub mod density_pictures;
mod digits;
pub mod egg_pictures;
pub mod egg_words;
pub mod equation_files;
pub mod files;
mod findings;
pub mod forecast_pictures;
pub mod forecast_words;
mod laboratory_words;
pub mod onset_pictures;
pub mod onset_words;
pub mod page;
#[cfg_attr(
    not(feature = "program"),
    allow(dead_code, reason = "only the program writes a paper")
)]
mod paper;
pub mod phantom_pictures;
pub mod pictures;
pub mod plan_pictures;
pub mod plan_words;
pub mod platform_pictures;
pub mod population_pictures;
pub mod population_words;
pub mod profile_pictures;
mod prose;
pub mod protocol;
mod rounding;
pub mod sample_plan_words;
pub mod sampled_pictures;
pub mod sampled_words;
pub mod scan_pictures;
mod showing;
pub mod since;
pub mod summary;
pub mod table;
pub mod tables;
pub mod text;
pub mod validation_pictures;
pub mod whole_pictures;
pub mod words;
mod workbook;

pub use files::{InputFile, OutputFile, RunRecord};
pub use findings::Findings;
pub use paper::Paper;
pub use prose::{Prose, Section};
pub use table::{Cell, Table};
pub use workbook::{tables_workbook, workbook};
