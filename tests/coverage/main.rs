//! Long simulations, ignored by default: commands in DEVELOPERS.md.

mod allometric;
mod birds;
mod corrected;
mod intervals;
mod onset;
mod pens;
#[path = "../support/mod.rs"]
mod support;
