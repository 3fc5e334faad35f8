//! What readers get: pictures, page, paper, and the rules of the house.

mod browser;
mod house;
mod invented;
mod paper;
mod pictures;
#[path = "../support/mod.rs"]
mod support;
