//! Nonlinear least squares against certified and published values.

mod chick;
mod nist;
mod published;
mod second_engine;
mod uncertainty;
mod variance;
