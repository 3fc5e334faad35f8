//! When do they lay: half in lay by strain, and the first egg of each bird not laying yet.

use super::{Analysis, Answer, Lay, Status};
use crate::maturity::{EggEstimate, EggOnset, EggQuantity, OnsetForecast};
use crate::stats::Interval;

impl Analysis {
    pub(super) fn of_lay(&self, answers: &mut Vec<Answer>) {
        let Some(lay) = &self.lay else {
            return;
        };
        for curve in &lay.curves {
            let Some(half) = curve
                .ages
                .iter()
                .find(|age| age.share_pct.total_cmp(&50.0).is_eq())
            else {
                continue;
            };
            let name = curve
                .strain
                .map_or("all", |strain| &lay.records.strains[strain]);
            let reached = half.age_d.is_some();
            answers.push(Answer {
                question: "When do they come into lay?",
                strain: name.to_owned(),
                quantity: "age_in_lay_50pct",
                unit: "d".into(),
                estimate: half.age_d,
                interval: reached.then(|| Interval {
                    lower: half.lower_d.unwrap_or(f64::NEG_INFINITY),
                    upper: half.upper_d.unwrap_or(f64::INFINITY),
                }),
                n: Some(curve.n),
                model: curve.method.name().to_owned(),
                status: if reached {
                    Status::Supported
                } else {
                    Status::NotEstimable
                },
                caution: if reached {
                    String::new()
                } else {
                    format!("{} of {} birds have laid", curve.laid, curve.n)
                },
                ..Answer::default()
            });
        }
        if let Some(eggs) = &lay.eggs {
            self.of_eggs(eggs, answers);
        }
        for effect in &lay.light_effects {
            let slope = effect.slope.as_ref();
            answers.push(Answer {
                question: "Does maturity go with light?",
                quantity: effect.measure.name(),
                unit: effect.measure.unit().into(),
                estimate: slope.ok().map(|slope| slope.value),
                std_error: slope.ok().and_then(|slope| slope.standard_error),
                interval: slope.ok().and_then(|slope| slope.interval),
                p_value: effect.p_value,
                n: Some(effect.pens),
                model: "pens as units, strains apart".to_owned(),
                status: match slope {
                    Ok(_) => Status::Supported,
                    Err(_) => Status::NotEstimable,
                },
                caution: match slope {
                    Ok(_) => "within the ages and hours of these pens".to_owned(),
                    Err(reason) => reason.clone(),
                },
                ..Answer::default()
            });
        }
        if let Some(forecast) = lay.forecast() {
            of_first_eggs((lay, forecast), answers);
        }
    }

    /// Maturity of the hens of groups and pens whose eggs were counted together.
    fn of_eggs(&self, eggs: &EggOnset, answers: &mut Vec<Answer>) {
        let study = &self.study;
        let family = eggs
            .families
            .first()
            .map_or("", |(family, _)| family.name());
        let strain = |strain: Option<usize>| {
            strain.map_or_else(String::new, |strain| study.strains[strain].clone())
        };
        let mut push = |estimates: &[EggEstimate], whose: &Answer| {
            for quantity in ANSWERED {
                let Some(one) = estimates.iter().find(|one| one.quantity == quantity) else {
                    continue;
                };
                let mut answer = Answer {
                    question: "When do they come into lay?",
                    quantity: quantity.name(),
                    unit: quantity.unit().into(),
                    model: match &one.value {
                        Ok(_) => format!("egg counts by pen ({family})"),
                        Err(_) => "egg counts by pen".to_owned(),
                    },
                    ..whose.clone()
                };
                match &one.value {
                    Ok(estimate) => {
                        answer.estimate = Some(estimate.value);
                        answer.std_error = estimate.standard_error;
                        answer.interval = estimate.interval;
                    }
                    Err(reason) => {
                        answer.status = Status::NotEstimable;
                        answer.caution.clone_from(reason);
                    }
                }
                answers.push(answer);
            }
        };
        for group in &eggs.groups {
            let hens: f64 = group.pens.iter().map(|pen| eggs.pens[*pen].hens).sum();
            let caution = match group.pens.len() {
                1 => "one pen: the interval does not describe other pens".to_owned(),
                _ => String::new(),
            };
            let whose = Answer {
                strain: strain(group.strain),
                n: Some(whole(hens)),
                caution,
                ..Answer::default()
            };
            push(&group.estimates, &whose);
        }
        for pen in &eggs.pens {
            let whose = Answer {
                strain: strain(pen.strain),
                pen: study.pens[pen.pen].clone(),
                n: Some(whole(pen.hens)),
                ..Answer::default()
            };
            push(&pen.estimates, &whose);
        }
    }
}

/// Hens as a whole number.
#[expect(
    clippy::cast_possible_truncation,
    reason = "a number of hens in a table"
)]
fn whole(hens: f64) -> usize {
    hens.round().clamp(0.0, 1e9) as usize
}

/// What is answered of eggs counted by pen.
const ANSWERED: [EggQuantity; 7] = [
    EggQuantity::InLay5,
    EggQuantity::InLay50,
    EggQuantity::InLay95,
    EggQuantity::MeanAge,
    EggQuantity::SdAge,
    EggQuantity::HalfProduction,
    EggQuantity::Peak,
];

/// When each bird that is waiting lays its first egg.
fn of_first_eggs((lay, forecast): (&Lay, &OnsetForecast), answers: &mut Vec<Answer>) {
    for bird in &forecast.birds {
        answers.push(Answer {
            question: "When will the others lay?",
            strain: lay.records.strains[bird.strain].clone(),
            bird: bird.bird.clone(),
            quantity: "first_egg_age",
            unit: "d".into(),
            estimate: bird.median_d,
            interval: bird.median_d.map(|_| Interval {
                lower: bird.interval_d.lower,
                upper: bird.interval_d.upper,
            }),
            model: forecast.model().to_owned(),
            status: if bird.median_d.is_some() {
                Status::Supported
            } else {
                Status::NotEstimable
            },
            caution: if bird.median_d.is_some() {
                let found = forecast.first_egg.as_ref();
                match found.filter(|found| found.earlier_flock) {
                    Some(_) => "by the lag of an earlier flock: differences between flocks are not in the interval".to_owned(),
                    None => String::new(),
                }
            } else {
                "its median lies beyond twice the age of the forecast".to_owned()
            },
            ..Answer::default()
        });
        let Some(on_time) = bird.on_time else {
            continue;
        };
        answers.push(Answer {
            question: "When will the others lay?",
            strain: lay.records.strains[bird.strain].clone(),
            bird: bird.bird.clone(),
            quantity: "first_egg_age_if_on_time",
            unit: "d".into(),
            estimate: on_time.egg_d.map(|(median_d, _)| median_d),
            interval: on_time.egg_d.map(|(_, interval)| interval),
            model: forecast.model().to_owned(),
            status: match on_time.egg_d {
                Some(_) => Status::Supported,
                None => Status::NotEstimable,
            },
            caution: format!(
                "chance that the bird is late for a reason that its weights do not show: {:.0} %",
                100.0 * on_time.late
            ),
            ..Answer::default()
        });
    }
}
