//! A curve of your own, written as a card, fitted like a built-in one.
//!
//! `cargo run --example own_curve`

use pinfeather::fit::{self, Series, Settings, Workspace};
use pinfeather::growth::{Card, Curve};

const CARD: &str = r#"
name = "half-saturation"
description = "From 40 g at hatch, half of the gain reached at age h"
equation = "40 + A * t^2 / (h^2 + t^2)"
age_range_d = [0.0, 200.0]
source = "an example"

[[term]]
name = "A"
meaning = "mass gained in the end"
unit = "g"
lower = 1e-9

[[term]]
name = "h"
meaning = "age at which half of it is gained"
unit = "d"
lower = 1e-3

[[start]]
A = "1.2 * y_max"
h = "t_half"
"#;

fn main() -> pinfeather::Result<()> {
    let card = Card::parse(CARD, "half-saturation")?;
    let ages_d = [0.0, 20.0, 40.0, 60.0, 80.0, 100.0, 120.0, 140.0];
    let weights_g = [41.0, 240.0, 632.0, 950.0, 1165.0, 1302.0, 1390.0, 1452.0];
    let series = Series {
        ages_d: &ages_d,
        values: &weights_g,
    };
    let outcome = fit::fit(&card, series, &Settings::default(), &mut Workspace::new());
    println!("{}: {}", card.name(), outcome.status());
    if let Some(estimates) = outcome.estimates() {
        for (place, term) in card.terms().iter().enumerate() {
            let error = estimates.standard_error(place).unwrap_or(f64::NAN);
            println!(
                "{} {:.1} +- {error:.1} {}",
                term.name, estimates.terms[place], term.unit
            );
        }
    } else {
        println!("{}", outcome.reason());
    }
    Ok(())
}
