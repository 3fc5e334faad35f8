//! Pinfeather: growth of egg-type pullets from repeated weighings and live-bird body scans.
//!
//! Data flow one way: a [`study`] is read from tables, [`growth`] curves are
//! [`fit`] to each bird and strain, and [`flock`] and [`maturity`] turn the fits
//! into deviations from target and timing cues; [`plan`] says how few birds would have
//! answered; [`figure`] draws the results and [`report`] writes them down.

#![forbid(unsafe_code)]
#![cfg_attr(
    not(test),
    deny(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::print_stdout,
        clippy::print_stderr,
        clippy::exit
    )
)]

pub mod cli;
pub mod composition;
pub mod contrast;
pub mod error;
pub mod figure;
pub mod fit;
pub mod flock;
pub mod growth;
pub mod maturity;
pub mod plan;
pub mod report;
pub mod stats;
pub mod study;
pub mod trajectory;

pub use error::{Error, ErrorKind, Result};
