//! The program as its users call it: exit status, words, files, tables.

mod bad_pairs;
mod command_line;
mod composition_commands;
mod contrast;
mod densities;
mod earlier_flocks;
mod egg_command;
mod equation_files;
mod first_steps;
mod fit_in_batches;
mod forecast_command;
mod guide;
mod in_sample;
mod inference;
mod limits_and_likelihoods;
mod one_number;
mod onset_command;
mod plan_command;
mod population;
mod samples;
mod saved_population;
mod short_answers;
#[path = "../support/mod.rs"]
mod support;
mod validate_command;
mod writing_crash;
mod writing_inputs;
