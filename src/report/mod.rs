//! What does the reader get: tables and the record of the run.
