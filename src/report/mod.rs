//! What does the reader get: tables and the record of the run.

pub mod table;

pub use table::{Cell, Table};
