//! What treatments that start at an age do from there on.

use super::{Analysis, Answer, Status};
use crate::contrast::treatment_start::Shift;
use crate::study::Unit;

const QUESTION: &str = "What do the treatments do from their start on?";

impl Analysis {
    pub(super) fn of_shifts(&self, answers: &mut Vec<Answer>) {
        for (trait_index, shifts) in self.shifts.iter().enumerate() {
            let unit = match shifts.unit {
                Unit::Pen => "pen",
                Unit::Bird => "bird",
            };
            let answer = || Answer {
                question: QUESTION,
                trait_name: self.study.traits[trait_index].name.clone(),
                age_d: self.study.settings.design.treatments_from_d,
                n: Some(shifts.units),
                model: format!("summaries of log weights, experimental unit: {unit}"),
                ..Answer::default()
            };
            if let Some(reason) = &shifts.reason {
                answers.push(Answer {
                    quantity: "shift_of_rate",
                    unit: "%".into(),
                    status: Status::NotEstimable,
                    caution: reason.clone(),
                    ..answer()
                });
            }
            for row in &shifts.rows {
                answers.push(Answer {
                    treatment: self.study.treatments[row.treatment].clone(),
                    treatment_b: self.study.treatments[row.reference].clone(),
                    quantity: match row.shift {
                        Shift::Level => "shift_of_level",
                        Shift::Rate => "shift_of_rate",
                    },
                    unit: match row.shift {
                        Shift::Level => "%",
                        Shift::Rate => "%/week",
                    }
                    .into(),
                    estimate: Some(row.estimate),
                    std_error: Some(row.standard_error),
                    interval: Some(row.interval),
                    p_value: Some(row.p_value),
                    p_adjusted: Some(row.p_adjusted),
                    n: Some(row.units.0 + row.units.1),
                    ..answer()
                });
            }
        }
    }
}
