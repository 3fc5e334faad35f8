//! When do they lay: half in lay by strain, and the first egg of each bird not laying yet.

use super::{Analysis, Answer, Status};
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
                unit: "d",
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
        let Some(forecast) = lay.forecast() else {
            return;
        };
        for bird in &forecast.birds {
            answers.push(Answer {
                question: "When will the others lay?",
                strain: lay.records.strains[bird.strain].clone(),
                bird: bird.bird.clone(),
                quantity: "first_egg_age",
                unit: "d",
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
                    String::new()
                } else {
                    "its median lies beyond twice the age of the forecast".to_owned()
                },
                ..Answer::default()
            });
        }
    }
}
