//! Long simulations, ignored by default: commands in DEVELOPERS.md.

mod allometric;
mod intervals;
mod onset;
#[path = "../support/mod.rs"]
mod support;
