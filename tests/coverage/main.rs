//! Long simulations, ignored by default: commands in DEVELOPERS.md.

mod allometric;
mod birds;
mod corrected;
mod eggs;
mod first_egg;
mod forecast;
mod intervals;
mod laboratories;
#[expect(dead_code, reason = "its main writes the demo's files")]
#[path = "../../examples/make_demo/main.rs"]
mod make_demo;
mod onset;
mod pens;
mod platform;
mod sampled;
mod sampled_forecast;
mod scanning;
#[path = "../support/mod.rs"]
mod support;
mod validation;
mod ways;
mod whole_study;
