//! What must hold on any data: identities, and the truth of simulated studies.

mod allometric;
mod composition_coverage;
mod composition_study;
mod demo_truth;
mod demo_truth_composition;
mod fit_properties;
mod flock_forecast;
mod growth_curves;
mod late_entries;
mod platform;
mod stats_edges;
mod study_laboratories;
#[path = "../support/mod.rs"]
mod support;
