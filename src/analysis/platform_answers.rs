//! Answers from platform scales: the last day of each scale.

use super::{Analysis, Answer, Status};
use crate::flock::platform::{self, DayWeights, Platform, PlatformDay};
use crate::study::BODY_WEIGHT;

const QUESTION: &str = "What do the platform scales show?";

impl Analysis {
    pub(super) fn of_platform(&self, answers: &mut Vec<Answer>) {
        let Some(platform) = &self.platform else {
            return;
        };
        for (scale, known) in self.study.stream.scales.iter().enumerate() {
            let strain = &self.study.strains[known.strain];
            let pen = known.pen.map_or(&known.name, |pen| &self.study.pens[pen]);
            let kept = self.study.kept.iter();
            let kept = kept.filter(|kept| known.pen.is_some() && kept.pen == known.pen);
            let house = kept
                .filter_map(|kept| kept.house)
                .next()
                .map_or(String::new(), |house| self.study.houses[house].clone());
            let Some(day) = platform.last_of(scale) else {
                answers.push(Answer {
                    question: QUESTION,
                    strain: strain.clone(),
                    house,
                    pen: pen.clone(),
                    trait_name: BODY_WEIGHT.to_owned(),
                    quantity: "mean",
                    unit: "g".into(),
                    model: MODEL_VISITS.to_owned(),
                    status: Status::NotEstimable,
                    caution: format!(
                        "no day with {:.0} visits of single birds",
                        platform::LEAST_VISITS
                    ),
                    ..Answer::default()
                });
                continue;
            };
            if let Some(weights) = &day.weights {
                of_day(platform, (strain, &house, pen), (day, weights), answers);
            }
        }
    }
}

const MODEL_VISITS: &str = "platform scale, visits not calibrated";
const MODEL_CALIBRATED: &str = "platform scale, calibrated by hand-weighed birds";

fn of_day(
    platform: &Platform,
    (strain, house, pen): (&str, &str, &str),
    (day, weights): (&PlatformDay, &DayWeights),
    answers: &mut Vec<Answer>,
) {
    let (status, caution) = match (weights.calibrated, weights.near_calibration) {
        (true, true) => (Status::Supported, ""),
        (true, false) => (
            Status::Weak,
            "more than two weeks from the hand-weighed samples that calibrate the scale",
        ),
        (false, _) => (
            Status::Weak,
            "biased by an unknown amount: visits are no random sample of the birds, and no hand-weighed sample calibrates the scale",
        ),
    };
    let spread_caution = match (caution, platform.spread_bias) {
        ("", None) => {
            "spread of visits, not calibrated; uniformity of unidentified visits is often a few points off"
        }
        (caution, _) => caution,
    };
    let mut add = |quantity, unit: &'static str, estimate: platform::Estimate, caution: &str| {
        answers.push(Answer {
            question: QUESTION,
            strain: strain.to_owned(),
            house: house.to_owned(),
            pen: pen.to_owned(),
            trait_name: BODY_WEIGHT.to_owned(),
            quantity,
            age_d: day.age_d,
            unit: unit.into(),
            estimate: Some(estimate.value),
            std_error: estimate.standard_error,
            interval: estimate.interval,
            n: Some(day.whole_visits()),
            model: if weights.calibrated {
                MODEL_CALIBRATED.to_owned()
            } else {
                MODEL_VISITS.to_owned()
            },
            status: if caution.is_empty() {
                status
            } else {
                Status::Weak
            },
            caution: caution.to_owned(),
            ..Answer::default()
        });
    };
    add("mean", "g", weights.mean_g, caution);
    if let Some(deviation) = day.deviation_pct() {
        add("deviation_pct", "%", deviation, caution);
    }
    add("cv", "%", weights.cv_pct, spread_caution);
    add("uniformity", "%", weights.uniformity_pct, spread_caution);
}
