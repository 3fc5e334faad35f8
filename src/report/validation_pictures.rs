//! The calibration plot of a validation: what chemistry found against what the equation
//! predicts, with the line of equality and the calibration line.

use std::collections::BTreeMap;

use super::pictures::{Drawn, Showing, capital, file_name};
use crate::composition::validation::Validation;
use crate::figure::{Identity, IdentityPanel, NamedPoint, Quantity, StrainPoints};

/// The width at which a single panel comes out square.
const SQUARE_MM: f64 = 83.0;

/// `validation_fat` and so on, a figure an equation.
pub fn validation_pictures(validations: &[Validation], showing: &Showing, drawn: &mut Drawn) {
    for one in validations {
        let name = capital(&one.trait_name);
        let quantity = |name: String| Quantity {
            name,
            unit: one.unit.to_owned(),
        };
        let figure = Identity {
            observed: quantity(format!("{name} by chemistry")),
            line: "calibration line (least squares)".to_owned(),
            panels: vec![IdentityPanel {
                name: capital(one.verdict.words()),
                across: quantity(format!("{name} predicted")),
                fact: fact(one),
                line: line(one),
                strains: strains(one),
            }],
            frame: showing.frame.clone(),
            ..Identity::default()
        };
        let name = format!("validation_{}", file_name(&one.trait_name));
        drawn.add(name, &figure, &showing.at_most(SQUARE_MM));
    }
}

fn estimate(validation: &Validation, quantity: &str) -> Option<f64> {
    let mut rows = validation.quantities.iter();
    rows.find(|row| row.quantity == quantity)?.estimate
}

fn fact(validation: &Validation) -> String {
    let bias = estimate(validation, "bias")
        .map(|bias| format!("bias {bias:+.1} {}", validation.unit).replace('-', "\u{2212}"));
    let slope = estimate(validation, "calibration_slope").map(|slope| format!("slope {slope:.2}"));
    let both: Vec<String> = bias.into_iter().chain(slope).collect();
    both.join(", ")
}

/// The calibration line between the least and the greatest prediction.
fn line(validation: &Validation) -> Vec<(f64, f64)> {
    let (Some(slope), Some(intercept)) = (
        estimate(validation, "calibration_slope"),
        estimate(validation, "calibration_intercept"),
    ) else {
        return Vec::new();
    };
    let predicted = validation.birds.iter().map(|bird| bird.predicted);
    let (least, greatest) = predicted.fold(
        (f64::INFINITY, f64::NEG_INFINITY),
        |(least, greatest), value| (least.min(value), greatest.max(value)),
    );
    [least, greatest]
        .map(|at| (at, intercept + slope * at))
        .to_vec()
}

fn strains(validation: &Validation) -> Vec<StrainPoints> {
    let mut by_strain: BTreeMap<&str, Vec<NamedPoint>> = BTreeMap::new();
    for bird in &validation.birds {
        let name = match bird.strain.as_str() {
            "" => "Birds",
            strain => strain,
        };
        by_strain.entry(name).or_default().push(NamedPoint {
            name: bird.bird.clone(),
            x: bird.predicted,
            y: bird.observed,
        });
    }
    by_strain
        .into_iter()
        .map(|(name, points)| StrainPoints {
            name: name.to_owned(),
            birds: points.len(),
            points,
            left_out: 0,
        })
        .collect()
}
