//! General statistics that no crate gives: each file is named by its statistic.
