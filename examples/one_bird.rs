//! One bird from two arrays to a curve, its standard errors and the age at its fastest gain.
//!
//! `cargo run --example one_bird`

use pinfeather::fit::{self, Outcome, Series, Settings, Workspace, interval};
use pinfeather::growth::{self, Derived};

fn main() -> pinfeather::Result<()> {
    let ages_d = [0.0, 14.0, 28.0, 42.0, 56.0, 70.0, 84.0, 98.0, 112.0, 126.0];
    let weights_g = [
        38.0, 105.0, 262.0, 455.0, 670.0, 872.0, 1043.0, 1189.0, 1300.0, 1383.0,
    ];
    let curve = growth::find("gompertz", &[])?;
    let series = Series {
        ages_d: &ages_d,
        values: &weights_g,
    };
    let outcome = fit::fit(&*curve, series, &Settings::default(), &mut Workspace::new());
    let estimates = match &outcome {
        Outcome::Converged(estimates) => estimates,
        // Some terms are not supported by the data: those have a reason in place of a number.
        Outcome::Weak(estimates, _) => {
            println!("careful: {}", outcome.reason());
            estimates
        }
        Outcome::Failed(_) => {
            println!("no fit: {}", outcome.reason());
            return Ok(());
        }
    };
    for (place, term) in curve.terms().iter().enumerate() {
        match interval::term(&*curve, estimates, place, 0.95) {
            Ok(estimate) => println!(
                "{:>2} {:9.4} +- {:.4} {}",
                term.name,
                estimate.value,
                estimate.standard_error.unwrap_or(0.0),
                term.unit
            ),
            Err(reason) => println!("{:>2} not estimable: {reason}", term.name),
        }
    }
    if let Ok(age) = interval::derived(&*curve, estimates, Derived::InflectionAge, 0.95)
        && let Some(limits) = age.interval
    {
        println!(
            "gains fastest at {:.1} d ({:.1} to {:.1})",
            age.value, limits.lower, limits.upper
        );
    }
    Ok(())
}
