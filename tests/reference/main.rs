//! Numbers against certified, published and independently computed values.
//!
//! Each folder beside this file holds data, expected values and a `SOURCE.md`.

mod composition;
mod flock;
mod forecast;
mod maturity;
mod mixed;
mod nonlinear;
mod plan;
mod stats;
#[path = "../support/mod.rs"]
mod support;
