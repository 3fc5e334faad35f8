//! What the typical birds weigh, and in what the groups differ, by the models of the traits.

use super::{Analysis, Answer, Status};
use crate::contrast::{Against, Compared, Joint};
use crate::fit::estimable::NotEstimable;
use crate::fit::interval;
use crate::fit::interval::Interval;
use crate::fit::profile::Quantity;
use crate::growth::Derived;
use crate::stats::distribution::{t_two_sided, t_two_sided_quantile};
use crate::stats::multiple::holm;
use crate::trajectory::TraitModel;

const GROWTH: &str = "How do they grow?";
const DIFFER: &str = "Do they differ?";

impl Analysis {
    /// Ages at which a trait's masses are answered: the named ones up to its last, and that.
    fn ages_of(&self, model: &TraitModel) -> Vec<f64> {
        let records = &self.study.traits[model.trait_index];
        let last_d = records
            .ages_d
            .iter()
            .copied()
            .fold(f64::NEG_INFINITY, f64::max);
        let named = self.ages_d.iter().copied().filter(|age_d| *age_d < last_d);
        let mut ages_d: Vec<f64> = named.chain([last_d]).collect();
        ages_d.sort_by(f64::total_cmp);
        ages_d.dedup();
        ages_d
    }

    /// A weak model's answers carry its reasons.
    fn caution(model: &TraitModel) -> (Status, String) {
        match model.status() {
            "weak" => (Status::Weak, model.reasons().join("; ")),
            _ => (Status::Supported, String::new()),
        }
    }

    pub(super) fn of_growth(&self, answers: &mut Vec<Answer>) {
        for model in &self.trajectories.models {
            let curve = model.curve();
            let (status, caution) = Self::caution(model);
            for (group, named) in model.groups().iter().enumerate() {
                let estimates = model.typical(group);
                for age_d in self.ages_of(model) {
                    let mass = estimates
                        .as_ref()
                        .ok_or_else(|| NotEstimable::Undetermined(self.no_model(model)))
                        .and_then(|estimates| {
                            let at = Derived::ValueAt(age_d);
                            interval::derived(&*curve, estimates, at, self.confidence)
                        });
                    answers.push(
                        Answer {
                            question: GROWTH,
                            strain: named.name.clone(),
                            trait_name: self.study.traits[model.trait_index].name.clone(),
                            quantity: "typical_mass",
                            age_d: Some(age_d),
                            unit: "g",
                            n: Some(model.counts(group).0),
                            model: curve.name().to_owned(),
                            status,
                            caution: caution.clone(),
                            ..Answer::default()
                        }
                        .estimated(mass),
                    );
                }
            }
        }
    }

    fn no_model(&self, model: &TraitModel) -> String {
        let reasons = model.reasons().join("; ");
        if reasons.is_empty() {
            let name = &self.study.traits[model.trait_index].name;
            format!("no {} of this group was measured", name.replace('_', " "))
        } else {
            reasons
        }
    }

    pub(super) fn of_comparison(&self, answers: &mut Vec<Answer>) {
        let Some(comparison) = &self.comparison else {
            return;
        };
        let names = &comparison.groups.names;
        for compared in &comparison.compared {
            let (Some(joint), Some(model)) = (
                &compared.joint,
                self.trajectories.model(compared.trait_index),
            ) else {
                continue;
            };
            if joint.groups.len() <= Against::MOST_IN_PAIRS {
                for age_d in self.ages_of(model) {
                    self.differences(answers, (compared, model), joint, (names, age_d));
                }
            }
            for pair in &compared.by_age {
                let answer = |quantity, age_d: f64| Answer {
                    question: DIFFER,
                    strain: names[pair.a].clone(),
                    strain_b: pair.b.name(names).to_owned(),
                    trait_name: self.study.traits[compared.trait_index].name.clone(),
                    quantity,
                    unit: "d",
                    estimate: Some(age_d),
                    model: compared.curve.clone(),
                    ..Answer::default()
                };
                for (first_d, last_d, _) in pair.spans() {
                    answers.push(answer("differs_from_age", first_d));
                    answers.push(answer("differs_to_age", last_d));
                }
            }
        }
    }

    /// The pairs of groups at one age, P adjusted over them by Holm.
    fn differences(
        &self,
        answers: &mut Vec<Answer>,
        (compared, model): (&Compared, &TraitModel),
        joint: &Joint,
        (names, age_d): (&[String], f64),
    ) {
        let (status, caution) = Self::caution(model);
        let first = answers.len();
        for a in 0..joint.groups.len() {
            for b in a + 1..joint.groups.len() {
                let mut answer = Answer {
                    question: DIFFER,
                    strain: names[joint.groups[a]].clone(),
                    strain_b: names[joint.groups[b]].clone(),
                    trait_name: self.study.traits[compared.trait_index].name.clone(),
                    quantity: "difference_of_typical_mass",
                    age_d: Some(age_d),
                    unit: "g",
                    model: compared.curve.clone(),
                    status,
                    caution: caution.clone(),
                    ..Answer::default()
                };
                let quantity = Quantity::Derived(Derived::ValueAt(age_d));
                match joint.difference(a, b, quantity) {
                    Ok(found) => {
                        let factor = t_two_sided_quantile(self.confidence, found.df);
                        answer.estimate = Some(found.value);
                        answer.std_error = found.standard_error;
                        answer.interval = found
                            .standard_error
                            .map(|error| Interval::around(found.value, factor * error));
                        answer.p_value = found
                            .standard_error
                            .map(|error| t_two_sided(found.value / error, found.df));
                    }
                    Err(reason) => {
                        answer.status = Status::NotEstimable;
                        answer.caution = reason.to_string();
                    }
                }
                answers.push(answer);
            }
        }
        let tested: Vec<f64> = answers[first..]
            .iter()
            .filter_map(|answer| answer.p_value)
            .collect();
        if let Ok(adjusted) = holm(&tested) {
            let with_p = answers[first..]
                .iter_mut()
                .filter(|answer| answer.p_value.is_some());
            for (answer, p) in with_p.zip(adjusted) {
                answer.p_adjusted = Some(p);
            }
        }
    }
}
