//! Whether scanning itself changes growth and the age at first egg.

use super::options::Options;
use super::{Analysis, Answer, Status};
use crate::contrast::scanning_effect::{Effect, WeightEffect, first_scans, weight_effects};
use crate::flock::target_trajectories;
use crate::maturity::{EggShift, ScannedLay, scanned_lay};
use crate::stats::Interval;
use crate::stats::distribution::{t_quantile, t_two_sided, t_two_sided_quantile, t_upper};
use crate::stats::equivalence::WithinMargin;
use crate::study::{BODY_WEIGHT, Study, Unit};
use crate::trajectory::TraitModel;

/// Margin of body weight without a target range or a setting, percent (common practice, no
/// source: about the range that targets of egg-type pullets have).
const WEIGHT_MARGIN_PCT: f64 = 5.0;
/// Margin of the age at first egg without a setting, d: half of the week by which flocks are
/// managed (common practice, no source).
const FIRST_EGG_MARGIN_D: f64 = 3.5;
/// Level of the two one-sided tests.
const ALPHA: f64 = 0.05;

/// Scanned against unscanned birds.
#[derive(Debug, Clone)]
pub struct Scanning {
    /// Body weight at the study's ages.
    pub weights: Vec<WeightEffect>,
    /// Where the margin of body weight is from.
    pub margin_from: &'static str,
    /// Age at first egg, and the difference in days.
    pub lay: Option<(ScannedLay, Result<Effect, String>)>,
}

impl Scanning {
    /// The comparison of a study with scans; `None` where no bird that is followed was scanned.
    #[must_use]
    pub fn of(study: &Study, models: &[TraitModel], options: &Options) -> Option<Self> {
        if study.scans.rows.is_empty() {
            return None;
        }
        let settings = &study.settings.scans;
        let targets = target_trajectories(study, BODY_WEIGHT).ok().flatten();
        let of_target = |age_d: f64| -> Option<f64> {
            let points = targets.iter().flatten().flatten();
            let halves = points.filter_map(|target| {
                let point = target.at(age_d)?;
                Some(50.0 * (point.upper_g? - point.lower_g?) / point.target_g)
            });
            let halves: Vec<f64> = halves.filter(|half| *half > 0.0).collect();
            (!halves.is_empty()).then(|| halves.iter().sum::<f64>() / halves.len() as f64)
        };
        let margin = |age_d: f64| {
            let own = settings.weight_margin_pct.or_else(|| of_target(age_d));
            own.unwrap_or(WEIGHT_MARGIN_PCT)
        };
        let of_weight = models
            .iter()
            .find(|model| study.traits[model.trait_index].name == BODY_WEIGHT);
        let weights = of_weight.map_or_else(Vec::new, |model| {
            let ages_d = ages(study, model, options);
            weight_effects(study, model, &ages_d, (&margin, options.confidence))
        });
        let margin_d = settings.first_egg_margin_d.unwrap_or(FIRST_EGG_MARGIN_D);
        let lay = scanned_lay(study, &first_scans(study)).map(|found| {
            let effect = found.shift.clone();
            let effect = effect.map(|shift| in_days(&shift, (margin_d, options.confidence)));
            (found, effect)
        });
        (!weights.is_empty() || lay.is_some()).then(|| Self {
            margin_from: match (settings.weight_margin_pct, weights.first()) {
                (Some(_), _) => "study.toml",
                (None, Some(row)) if of_target(row.age_d).is_some() => {
                    "half the width of the targets' ranges"
                }
                _ => "the default",
            },
            weights,
            lay,
        })
    }
}

/// The study's ages at which birds were weighed, and the last age of the weighings.
fn ages(study: &Study, model: &TraitModel, options: &Options) -> Vec<f64> {
    let records = &study.traits[model.trait_index];
    let all = records.ages_d.iter().copied();
    let last_d = all.clone().fold(f64::NEG_INFINITY, f64::max);
    let first_d = all.fold(f64::INFINITY, f64::min);
    let within = |age_d: &f64| (first_d..=last_d).contains(age_d);
    let mut ages_d: Vec<f64> = options.ages_d.iter().copied().filter(within).collect();
    ages_d.push(last_d);
    ages_d.sort_by(f64::total_cmp);
    ages_d.dedup();
    ages_d
}

/// The change of the log of the days as days.
fn in_days(shift: &EggShift, (margin, confidence): (f64, f64)) -> Effect {
    let EggShift {
        log_ratio,
        log_error,
        df,
        median_d,
        ..
    } = *shift;
    let around = |factor: f64| Interval {
        lower: shift.days(log_ratio - factor * log_error),
        upper: shift.days(log_ratio + factor * log_error),
    };
    let interval = around(t_quantile(1.0 - ALPHA, df));
    // Both sides must be refused: the greater P.
    let above = t_upper((shift.log_ratio_of(margin) - log_ratio) / log_error, df);
    let below = t_upper((log_ratio - shift.log_ratio_of(-margin)) / log_error, df);
    Effect {
        estimate: shift.days(log_ratio),
        standard_error: median_d * log_ratio.exp() * log_error,
        df,
        interval: around(t_two_sided_quantile(confidence, df)),
        p_value: t_two_sided(log_ratio / log_error, df),
        margin,
        equivalence: WithinMargin {
            interval,
            p_value: above.max(below),
            equivalent: -margin < interval.lower && interval.upper < margin,
        },
    }
}

const QUESTION: &str = "Does scanning itself change growth or the age at first egg?";

impl Analysis {
    pub(super) fn of_scanning(&self, answers: &mut Vec<Answer>) {
        let Some(scanning) = &self.scanning else {
            return;
        };
        let strain = |strain: Option<usize>| {
            strain.map_or_else(String::new, |at| self.study.strains[at].clone())
        };
        for row in &scanning.weights {
            let unit = match row.unit {
                Unit::Bird => "birds",
                Unit::Pen => "pens",
            };
            let answer = Answer {
                question: QUESTION,
                strain: strain(row.strain),
                trait_name: BODY_WEIGHT.to_owned(),
                quantity: "scanning_effect",
                age_d: Some(row.age_d),
                unit: "%".into(),
                n: Some(row.birds.0 + row.birds.1),
                model: format!(
                    "scanned minus unscanned, by the model of body weight; units: {unit}"
                ),
                ..Answer::default()
            };
            answers.push(with_effect(answer, &row.effect, "%"));
        }
        if let Some((found, effect)) = &scanning.lay {
            let answer = Answer {
                question: QUESTION,
                quantity: "scanning_effect_on_first_egg",
                unit: "d".into(),
                n: Some(found.birds.0 + found.birds.1),
                model: format!(
                    "scanned minus unscanned, accelerated failure time from {} d; units: birds",
                    found.landmark_d
                ),
                ..Answer::default()
            };
            answers.push(with_effect(answer, effect, "d"));
        }
    }
}

fn with_effect(answer: Answer, effect: &Result<Effect, String>, unit: &str) -> Answer {
    match effect {
        Ok(effect) => Answer {
            estimate: Some(effect.estimate),
            std_error: Some(effect.standard_error),
            interval: Some(effect.interval),
            p_value: Some(effect.p_value),
            caution: format!(
                "{}: margin {:.3} {unit}, 90 % interval {:.2} to {:.2} {unit}; holds where birds were allotted to scanning at random",
                effect.finding().name(),
                effect.margin,
                effect.equivalence.interval.lower,
                effect.equivalence.interval.upper
            ),
            ..answer
        },
        Err(reason) => Answer {
            status: Status::NotEstimable,
            caution: reason.clone(),
            ..answer
        },
    }
}
