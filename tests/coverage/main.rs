//! Long simulations, ignored by default: commands in DEVELOPERS.md.

mod intervals;
mod onset;
mod pens;
