//! Whether saved equations hold for other birds, as answers.

use super::{Answer, Status};
use crate::composition::validation::{QuantityRow, Standing, Validation, Verdict};

const QUESTION: &str = "Does the equation hold for these birds?";

/// Figures that are answers; the others stand in the table `validation` alone.
const ANSWERED: [&str; 5] = [
    "bias",
    "calibration_in_the_large",
    "calibration_slope",
    "share_outside_prediction_interval",
    "acceptable_error",
];

/// The answers of equations tested on other birds: the figures of each, the verdict beside
/// the bias, and where it is undecided how many more birds would decide.
#[must_use]
pub fn validation_answers(validations: &[Validation]) -> Vec<Answer> {
    validations.iter().flat_map(of_one).collect()
}

fn of_one(validation: &Validation) -> Vec<Answer> {
    let figures = validation.quantities.iter();
    let figures = figures.filter(|row| ANSWERED.contains(&row.quantity));
    let mut answers: Vec<Answer> = figures.map(|row| of_row(validation, row)).collect();
    if let Some(bias) = answers.first_mut() {
        bias.caution = format!("{}: {}", validation.verdict.words(), validation.reason);
    }
    if let Verdict::Undecided { more_birds } = validation.verdict {
        answers.push(Answer {
            quantity: "more_birds",
            unit: "1".into(),
            estimate: more_birds.map(|birds| birds as f64),
            status: match more_birds {
                Some(_) => Status::Supported,
                None => Status::NotEstimable,
            },
            caution: match more_birds {
                Some(_) => "would decide with 80 % probability if bias and spread are as estimated",
                None => "more than 10 000 birds would be needed",
            }
            .to_owned(),
            ..blank(validation)
        });
    }
    answers
}

fn blank(validation: &Validation) -> Answer {
    Answer {
        question: QUESTION,
        trait_name: validation.trait_name.clone(),
        n: Some(validation.birds.len()),
        model: validation.equation.clone(),
        ..Answer::default()
    }
}

fn of_row(validation: &Validation, row: &QuantityRow) -> Answer {
    Answer {
        quantity: row.quantity,
        unit: if row.in_unit { validation.unit } else { "1" }.into(),
        estimate: row.estimate,
        std_error: row.std_error,
        interval: row.interval,
        status: match row.standing {
            Standing::Supported => Status::Supported,
            Standing::Weak => Status::Weak,
            Standing::NotEstimable => Status::NotEstimable,
        },
        caution: row.caution.clone(),
        ..blank(validation)
    }
}
