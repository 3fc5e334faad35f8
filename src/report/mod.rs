//! What does the reader get: tables and the record of the run.

pub mod cue_tables;
pub mod flock_tables;
pub mod growth_tables;
pub mod onset_pictures;
pub mod onset_tables;
pub mod onset_words;
pub mod pictures;
mod record;
pub mod table;
pub mod words;

pub use record::{InputFile, RunRecord};
pub use table::{Cell, Table};
