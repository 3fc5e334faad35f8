//! What the scans are worth: the error of the equations for birds left out, the least
//! significant change, and the effect of feathers.

use super::{Analysis, Answer, Status};
use crate::composition::calibration::shown_unit;
use crate::composition::phantom::PhantomChart;
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
                    unit: shown_unit(&of.unit).into(),
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
                    unit: "g".into(),
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
        for row in rows {
            let unit = &row.unit;
            let grows = row.grows().map(|_| {
                format!(
                    "grows with mass: {:.3} {unit} at {:.1} {unit}, {:.3} {unit} at {:.1} {unit}",
                    row.at_least.lsc, row.at_least.mass, row.at_greatest.lsc, row.at_greatest.mass
                )
            });
            answers.push(Answer {
                question: "How well does a scan repeat itself?",
                trait_name: row.trait_name.clone(),
                quantity: "least_significant_change",
                unit: unit.clone().into(),
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
                    unit: "g".into(),
                    estimate: Some(effect.value),
                    std_error: effect.std_error,
                    n: Some(row.pairs),
                    ..Answer::default()
                });
            }
        }
        self.of_phantom(answers);
    }

    /// Whether the scanner is stable: days out of control of each chart, the size of a lasting
    /// change, and the scans on such days.
    fn of_phantom(&self, answers: &mut Vec<Answer>) {
        let Some(phantom) = &self.scans.phantom else {
            return;
        };
        for chart in &phantom.charts {
            let answer = |quantity| Answer {
                question: STABLE,
                trait_name: chart.reading.clone(),
                quantity,
                n: Some(chart.days.len()),
                model: match &*chart.scanner {
                    "" => "control chart of the phantom".to_owned(),
                    scanner => format!("control chart of the phantom, scanner {scanner}"),
                },
                ..Answer::default()
            };
            answers.push(match &chart.limits {
                Ok(_) => Answer {
                    unit: "1".into(),
                    estimate: Some(chart.days_out() as f64),
                    caution: out_of_control(chart),
                    ..answer("phantom_days_out_of_control")
                },
                Err(reason) => Answer {
                    unit: "1".into(),
                    status: Status::NotEstimable,
                    caution: reason.clone(),
                    ..answer("phantom_days_out_of_control")
                },
            });
            if let Some(change) = chart.change_pct() {
                answers.push(Answer {
                    unit: "%".into(),
                    estimate: Some(change),
                    status: Status::Weak,
                    caution: "days since the change minus the baseline; chosen by the change, so that it is too large rather than too small".to_owned(),
                    ..answer("phantom_change")
                });
            }
        }
        let scans = &phantom.scans;
        if scans.dated > 0 {
            answers.push(Answer {
                question: STABLE,
                quantity: "scans_on_days_out_of_control",
                unit: "1".into(),
                estimate: Some(scans.out_of_control as f64),
                n: Some(scans.dated),
                model: "control chart of the phantom".to_owned(),
                ..Answer::default()
            });
        }
    }
}

const STABLE: &str = "Is the scanner stable?";

/// From when the chart is out of control, and how many single days were.
fn out_of_control(chart: &PhantomChart) -> String {
    let changed = chart.changed_from();
    let changed = changed.map(|(from, found)| {
        format!("out of control from {from} (cumulative sum, found on {found})")
    });
    let outside = match chart.days_outside() {
        0 => None,
        n => Some(format!("single days outside the limits: {n}")),
    };
    let both: Vec<String> = changed.into_iter().chain(outside).collect();
    both.join("; ")
}
