//! What the scans are worth: the error of the equations for birds left out, the least
//! significant change, and the effect of feathers.

use super::{Analysis, Answer, Status};
use crate::composition::validation::Standing;

impl Analysis {
    pub(super) fn of_scans(&self, answers: &mut Vec<Answer>) {
        let equations = self.scans.equations.as_ref();
        for chosen in equations.iter().flat_map(|found| &found.chosen) {
            let of = &chosen.calibration.equation.provenance;
            if let Some(error) = of.cross_validated_rmse {
                answers.push(Answer {
                    question: "How well do scans predict the chemical masses?",
                    trait_name: of.response.clone(),
                    quantity: "left_out_error",
                    unit: if of.unit == "g" { "g" } else { "%" },
                    estimate: Some(error),
                    n: Some(of.birds),
                    model: of.method.clone(),
                    ..Answer::default()
                });
            }
        }
        for of in equations.iter().flat_map(|found| &found.laboratories) {
            let sd = of.quantity("sd_between_laboratories");
            if let Some((row, sd)) = sd.and_then(|row| Some((row, row.estimate?))) {
                answers.push(Answer {
                    question: "How much do laboratories differ?",
                    trait_name: of.trait_name.clone(),
                    quantity: "sd_between_laboratories",
                    unit: "g",
                    estimate: Some(sd),
                    interval: row.interval,
                    n: Some(row.n),
                    model: "laboratories as random effects".to_owned(),
                    status: match row.standing {
                        Standing::Supported => Status::Supported,
                        Standing::Weak => Status::Weak,
                        Standing::NotEstimable => Status::NotEstimable,
                    },
                    caution: row.caution.clone(),
                    ..Answer::default()
                });
            }
        }
        let precision = self.scans.precision.iter().flatten();
        let rows = precision.flat_map(|found| &found.rows);
        for row in rows.filter(|row| row.unit == "g") {
            let grows = row.grows().map(|_| {
                format!(
                    "grows with mass: {:.3} g at {:.1} g, {:.3} g at {:.1} g",
                    row.at_least.lsc, row.at_least.mass, row.at_greatest.lsc, row.at_greatest.mass
                )
            });
            answers.push(Answer {
                question: "How well does a scan repeat itself?",
                trait_name: row.trait_name.clone(),
                quantity: "least_significant_change",
                unit: "g",
                estimate: Some(row.lsc),
                n: Some(row.subjects),
                model: row.method.clone(),
                caution: grows.unwrap_or_default(),
                ..Answer::default()
            });
        }
        for row in equations.iter().flat_map(|found| &found.feather_ages) {
            for (trait_name, effect) in ["fat", "lean", "bone"].iter().zip(&row.effects_g) {
                let Some(effect) = effect else {
                    continue;
                };
                answers.push(Answer {
                    question: "What do feathers do to a reading?",
                    strain: row.strain.clone(),
                    trait_name: (*trait_name).to_owned(),
                    quantity: "feather_effect",
                    age_d: Some(row.age_d),
                    unit: "g",
                    estimate: Some(effect.value),
                    std_error: effect.std_error,
                    n: Some(row.pairs),
                    ..Answer::default()
                });
            }
        }
    }
}
