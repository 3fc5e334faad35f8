//! Is the flock on target: the last weighing of each strain, house and pen.

use super::{Ahead, Analysis, Answer, Status};
use crate::flock::{AmongEarlier, Deviation, FlockLevel, FlockUniformity, Met, Predictor};
use crate::stats::Interval;
use crate::study::BODY_WEIGHT;

const TARGET: &str = "On target?";

/// What a row is of: level, trait, strain, house, pen.
type Subject = (FlockLevel, usize, usize, Option<usize>, Option<usize>);

impl Analysis {
    pub(super) fn of_flock(&self, answers: &mut Vec<Answer>) {
        let Some(verdict) = &self.verdict else {
            return;
        };
        let subject = |row: &Deviation| -> Subject {
            (row.level, row.trait_index, row.strain, row.house, row.pen)
        };
        let rows: Vec<&Deviation> = verdict.deviations.iter().collect();
        for row in last_of(&rows, subject, |row| row.age_d) {
            self.deviation(answers, row);
        }
        let subject = |row: &FlockUniformity| -> Subject {
            (row.level, row.trait_index, row.strain, row.house, row.pen)
        };
        let rows: Vec<&FlockUniformity> = verdict.uniformities.iter().collect();
        for row in last_of(&rows, subject, |row| row.age_d) {
            self.uniformity(answers, row);
        }
        self.among_earlier(answers, &verdict.among_earlier);
        if let Some(ahead) = &verdict.ahead {
            self.unnamed_ahead(answers, ahead);
        }
    }

    /// Each strain among earlier flocks: how many were lighter, and the percentile where they are
    /// enough for one.
    fn among_earlier(&self, answers: &mut Vec<Answer>, all: &[AmongEarlier]) {
        for among in all {
            let n = among.earlier.len();
            let (least, greatest) = among.heavier_than_range();
            let answer = |quantity| Answer {
                question: "How does it compare with earlier flocks?",
                strain: self.study.strains[among.strain].clone(),
                trait_name: BODY_WEIGHT.to_owned(),
                quantity,
                age_d: Some(among.age_d),
                n: Some(n),
                model: "typical weights at the same age, by the flocks' models".to_owned(),
                ..Answer::default()
            };
            if n == 0 {
                answers.push(Answer {
                    unit: "1".into(),
                    status: Status::NotEstimable,
                    caution: among.left_out.join("; "),
                    ..answer("lighter_earlier_flocks")
                });
                continue;
            }
            answers.push(Answer {
                unit: "1".into(),
                estimate: Some(among.heavier_than() as f64),
                interval: Some(Interval {
                    lower: least as f64,
                    upper: greatest as f64,
                }),
                caution: among.left_out.join("; "),
                ..answer("lighter_earlier_flocks")
            });
            if let Some((share, interval)) = among.percentile(self.confidence) {
                answers.push(Answer {
                    unit: "%".into(),
                    estimate: Some(share),
                    interval: Some(interval),
                    ..answer("percentile_among_earlier_flocks")
                });
            }
        }
    }

    /// Means that flocks, houses and pens of unnamed birds will have at the ages that a reader is
    /// shown first, or else at the last age forecast.
    fn unnamed_ahead(&self, answers: &mut Vec<Answer>, ahead: &Ahead) {
        for one in ahead.traits.iter().filter(|one| one.unnamed) {
            let ages = one.rows.iter().filter_map(|row| row.age_d);
            let last_d = ages.fold(f64::NEG_INFINITY, f64::max);
            let named = |age_d: &f64| {
                ahead
                    .shown_ages_d
                    .iter()
                    .any(|one| (one - age_d).abs() < 1e-9)
            };
            let any_named = one
                .rows
                .iter()
                .filter_map(|row| row.age_d)
                .any(|age_d| named(&age_d));
            for row in &one.rows {
                let (Some(strain), Some(age_d)) = (row.strain, row.age_d) else {
                    continue;
                };
                let shown = if any_named {
                    named(&age_d)
                } else {
                    age_d >= last_d
                };
                if !shown {
                    continue;
                }
                let subject = (row.level, one.trait_index, strain, row.house, row.pen);
                let answer = Answer {
                    question: "What will they weigh?",
                    quantity: "forecast_mean",
                    age_d: Some(age_d),
                    unit: "g".into(),
                    n: Some(row.n),
                    ..self.named(subject)
                };
                answers.push(match (row.forecast, row.interval_g) {
                    (Some(forecast), Some((lower, upper))) => Answer {
                        estimate: Some(forecast.value),
                        std_error: Some(forecast.error_in_unit()),
                        interval: Some(Interval { lower, upper }),
                        model: predictors(&row.predictors),
                        ..answer
                    },
                    _ => Answer {
                        status: Status::NotEstimable,
                        caution: row
                            .flags
                            .first()
                            .map_or_else(String::new, ToString::to_string),
                        ..answer
                    },
                });
            }
            if let (Some(reason), true) = (&one.reason, one.rows.is_empty()) {
                answers.push(Answer {
                    question: "What will they weigh?",
                    trait_name: self.study.traits[one.trait_index].name.clone(),
                    quantity: "forecast_mean",
                    unit: "g".into(),
                    status: Status::NotEstimable,
                    caution: reason.clone(),
                    ..Answer::default()
                });
            }
        }
    }

    /// Names of what a row is of.
    fn named(&self, (_, trait_index, strain, house, pen): Subject) -> Answer {
        let study = &self.study;
        Answer {
            question: TARGET,
            strain: study.strains[strain].clone(),
            house: house.map_or_else(String::new, |house| study.houses[house].clone()),
            pen: pen.map_or_else(String::new, |pen| study.pens[pen].clone()),
            trait_name: study.traits[trait_index].name.clone(),
            ..Answer::default()
        }
    }

    fn uniformity(&self, answers: &mut Vec<Answer>, row: &FlockUniformity) {
        let subject = (row.level, row.trait_index, row.strain, row.house, row.pen);
        let answer = |quantity| Answer {
            quantity,
            age_d: Some(row.age_d),
            unit: "%".into(),
            n: Some(row.uniformity.n),
            ..self.named(subject)
        };
        let unnamed = self.is_sampled(row.trait_index, row.strain);
        let requirement = &self.study.settings.target;
        let met = |met: Met, required: String| match met {
            Met::Yes => String::new(),
            Met::No => format!("misses the required {required}"),
            Met::Unsure => format!("not shown to meet or miss the required {required}"),
        };
        let of_share = requirement.least_uniformity_pct.and_then(|least| {
            Some(met(
                row.uniformity.meets_share(least)?,
                format!("{least} % or more"),
            ))
        });
        let of_cv = requirement.greatest_cv_pct.and_then(|most| {
            Some(met(
                row.uniformity.meets_cv(most)?,
                format!("{most} % or less"),
            ))
        });
        if let Some(share) = &row.uniformity.near_mean {
            answers.push(Answer {
                estimate: Some(share.pct),
                interval: Some(Interval {
                    lower: share.lower_pct,
                    upper: share.upper_pct,
                }),
                caution: of_share.unwrap_or_default(),
                ..answer("uniformity")
            });
        } else if unnamed {
            answers.push(match row.uniformity.normal_share_pct {
                Some(share) => Answer {
                    estimate: Some(share),
                    status: Status::Weak,
                    caution: "from the coefficient of variation, as if weights were normal: no birds were weighed one by one".to_owned(),
                    ..answer("uniformity")
                },
                None => Answer {
                    status: Status::NotEstimable,
                    caution: "no spread between birds is known".to_owned(),
                    ..answer("uniformity")
                },
            });
        }
        match &row.uniformity.cv {
            Ok(cv) => answers.push(Answer {
                estimate: Some(cv.cv_pct),
                interval: Some(Interval {
                    lower: cv.lower_pct,
                    upper: cv.upper_pct.unwrap_or(f64::INFINITY),
                }),
                caution: of_cv.unwrap_or_default(),
                ..answer("cv")
            }),
            Err(_) if unnamed => answers.push(Answer {
                status: Status::NotEstimable,
                caution: "no spread between birds is known".to_owned(),
                ..answer("cv")
            }),
            Err(_) => {}
        }
    }

    /// Whether the birds of a strain were weighed without names.
    fn is_sampled(&self, trait_index: usize, strain: usize) -> bool {
        let sampled = self.growth.sampled.as_ref();
        sampled.is_some_and(|of| {
            let mut groups = of.sampled.groups.iter();
            of.trait_index == trait_index && groups.any(|group| group.strain == strain)
        })
    }

    fn deviation(&self, answers: &mut Vec<Answer>, row: &Deviation) {
        let subject = (row.level, row.trait_index, row.strain, row.house, row.pen);
        let answer = |quantity, unit: &'static str| Answer {
            quantity,
            age_d: Some(row.age_d),
            unit: unit.into(),
            n: Some(row.n),
            caution: row.caution.clone(),
            ..self.named(subject)
        };
        let limits = |limits: (f64, f64)| Interval {
            lower: limits.0,
            upper: limits.1,
        };
        answers.push(Answer {
            estimate: Some(row.observed_g),
            std_error: row.std_error_g,
            interval: row.mean_interval_g.map(limits),
            ..answer("mean", "g")
        });
        let against = match &row.against {
            Ok(against) => against,
            Err(_) => return,
        };
        answers.push(Answer {
            estimate: Some(against.target.target_g),
            ..answer("target", "g")
        });
        let limits = against.interval_g.map(limits);
        answers.push(Answer {
            estimate: Some(against.deviation_g),
            std_error: row.std_error_g,
            interval: limits,
            ..answer("deviation", "g")
        });
        let percent = 100.0 / against.target.target_g;
        answers.push(Answer {
            estimate: Some(against.deviation_pct),
            std_error: row.std_error_g.map(|error| error * percent),
            interval: limits.map(|limits| Interval {
                lower: limits.lower * percent,
                upper: limits.upper * percent,
            }),
            ..answer("deviation_pct", "%")
        });
        answers.push(match &against.days {
            Ok(days) => Answer {
                estimate: Some(*days),
                ..answer("deviation_days", "d")
            },
            Err(reason) => Answer {
                status: Status::NotEstimable,
                caution: reason.to_string(),
                ..answer("deviation_days", "d")
            },
        });
    }
}

/// "relative to target".
fn predictors(parts: &[(Predictor, f64)]) -> String {
    let names: Vec<String> = parts.iter().map(|part| part.0.to_string()).collect();
    names.join(" and ")
}

/// The last row of each subject, strains' before houses' and pens'; single birds have none.
fn last_of<'a, T>(
    rows: &[&'a T],
    subject: impl Fn(&T) -> Subject,
    age_d: impl Fn(&T) -> f64,
) -> Vec<&'a T> {
    let mut last: Vec<&'a T> = Vec::new();
    for level in [FlockLevel::Strain, FlockLevel::House, FlockLevel::Pen] {
        for row in rows.iter().filter(|row| subject(row).0 == level) {
            match last.iter_mut().find(|known| subject(known) == subject(row)) {
                Some(known) if age_d(known) <= age_d(row) => *known = row,
                Some(_) => {}
                None => last.push(row),
            }
        }
    }
    last
}
