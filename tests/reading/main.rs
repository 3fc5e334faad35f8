//! What the program makes of tables, study folders and curve cards, right and wrong.

mod bad_input_study;
mod card_sizes;
mod composition_bad_input;
mod curve_cards;
mod eggs_and_light;
mod faults;
mod moves;
mod phantom;
mod plausible_weights;
mod samples;
mod scale_stream;
mod scanner_export;
mod spreadsheets;
mod study_check;
mod study_reading;
#[path = "../support/mod.rs"]
mod support;
mod validation_bad_input;
mod workbooks;
