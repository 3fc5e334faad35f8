//! What does the reader get: tables and the record of the run.

pub mod flock_tables;
mod record;
pub mod table;

pub use record::{InputFile, RunRecord};
pub use table::{Cell, Table};
