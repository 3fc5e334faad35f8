//! Is the flock on target: the last weighing of each strain.

use super::{Analysis, Answer, Status};
use crate::flock::{Deviation, FlockLevel};
use crate::stats::Interval;
use crate::stats::distribution::t_two_sided_quantile;

const TARGET: &str = "On target?";

impl Analysis {
    pub(super) fn of_flock(&self, answers: &mut Vec<Answer>) {
        let Some(verdict) = &self.verdict else {
            return;
        };
        let of_strains = |level: FlockLevel| level == FlockLevel::Strain;
        let rows = verdict.deviations.iter();
        let strains: Vec<&Deviation> = rows.filter(|row| of_strains(row.level)).collect();
        for row in &strains {
            let later = strains.iter().any(|other| {
                (other.trait_index, other.strain) == (row.trait_index, row.strain)
                    && other.age_d > row.age_d
            });
            if !later {
                self.deviation(answers, row);
            }
        }
        for one in &verdict.uniformities {
            let later = verdict.uniformities.iter().any(|other| {
                (other.level, other.trait_index, other.strain)
                    == (one.level, one.trait_index, one.strain)
                    && other.age_d > one.age_d
            });
            if later || !of_strains(one.level) {
                continue;
            }
            let answer = |quantity| Answer {
                question: TARGET,
                strain: self.study.strains[one.strain].clone(),
                trait_name: self.study.traits[one.trait_index].name.clone(),
                quantity,
                age_d: Some(one.age_d),
                unit: "%",
                n: Some(one.uniformity.n),
                ..Answer::default()
            };
            if let Some(share) = &one.uniformity.near_mean {
                answers.push(Answer {
                    estimate: Some(share.pct),
                    interval: Some(Interval {
                        lower: share.lower_pct,
                        upper: share.upper_pct,
                    }),
                    ..answer("uniformity")
                });
            }
            if let Ok(cv) = &one.uniformity.cv {
                answers.push(Answer {
                    estimate: Some(cv.cv_pct),
                    interval: Some(Interval {
                        lower: cv.lower_pct,
                        upper: cv.upper_pct.unwrap_or(f64::INFINITY),
                    }),
                    ..answer("cv")
                });
            }
        }
    }

    fn deviation(&self, answers: &mut Vec<Answer>, row: &Deviation) {
        let answer = |quantity, unit| Answer {
            question: TARGET,
            strain: self.study.strains[row.strain].clone(),
            trait_name: self.study.traits[row.trait_index].name.clone(),
            quantity,
            age_d: Some(row.age_d),
            unit,
            n: Some(row.n),
            ..Answer::default()
        };
        let df = row.n.saturating_sub(1) as f64;
        let around = |error: f64| {
            let factor = t_two_sided_quantile(self.confidence, df);
            Interval::around(row.observed_g, factor * error)
        };
        answers.push(Answer {
            estimate: Some(row.observed_g),
            std_error: row.std_error_g,
            interval: row.std_error_g.map(around),
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
        let limits = against
            .interval_g
            .map(|(lower, upper)| Interval { lower, upper });
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
