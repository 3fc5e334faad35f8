//! What readers get: pictures, page, paper, and the rules of the house.

mod browser;
mod house;
mod invented;
mod many_strains;
mod paper;
mod pictures;
mod possible_numbers;
mod protocol;
#[path = "../support/mod.rs"]
mod support;
mod view_server;
mod weeks;
