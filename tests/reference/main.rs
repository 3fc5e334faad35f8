//! Numbers against certified, published and independently computed values.
//!
//! Each folder beside this file holds data, expected values and a `SOURCE.md`.

mod budget;
mod chosen_model;
mod composition;
mod eggs;
mod first_egg;
mod flock;
mod forecast;
mod known_variances;
mod laboratories;
mod maturity;
mod mixed;
mod mixed_marginal;
mod no_intercept;
mod nonlinear;
mod occasions;
mod off_zero;
mod pens;
mod plan;
mod plan_pens;
mod quantiles;
mod relative;
mod sampled;
mod scanning_effect;
mod single_fits;
mod stats;
#[path = "../support/mod.rs"]
mod support;
mod treatment_start;
mod validation;
mod ways;
