//! What the typical birds weigh, and in what the groups differ, by the models of the traits.

use super::{Analysis, Answer, Differences, Status};
use crate::contrast::{Against, Compared, Comparison, Contrast, NoContrast, of_quantity};
use crate::fit::estimable::NotEstimable;
use crate::fit::interval::{self, Estimate};
use crate::fit::profile::Quantity;
use crate::growth::Derived;
use crate::stats::Interval;
use crate::stats::distribution::t_two_sided_quantile;
use crate::study::Records;
use crate::trajectory::TraitModel;
use crate::trajectory::allometric::closure;
use crate::trajectory::sampled::SampledTrait;

pub(super) const GROWTH: &str = "How do they grow?";
pub(super) const DIFFER: &str = "Do they differ?";

/// Contrasts, and those that the data do not determine.
type Contrasts = (Vec<Contrast>, Vec<NoContrast>);

/// The named ages up to the last of a trait, and that.
pub(super) fn ages_up_to_last(named_d: &[f64], records: &Records) -> Vec<f64> {
    let of_trait = records.ages_d.iter().copied();
    let last_d = of_trait.fold(f64::NEG_INFINITY, f64::max);
    let named = named_d.iter().copied().filter(|age_d| *age_d < last_d);
    let mut ages_d: Vec<f64> = named.chain([last_d]).collect();
    ages_d.sort_by(f64::total_cmp);
    ages_d.dedup();
    ages_d
}

impl Analysis {
    /// Ages at which a trait's masses are answered: the named ones up to its last, and that.
    pub(crate) fn ages_of(&self, model: &TraitModel) -> Vec<f64> {
        ages_up_to_last(&self.ages_d, &self.study.traits[model.trait_index])
    }

    /// A weak model's answers carry its reasons.
    fn caution(model: &TraitModel) -> (Status, String) {
        match model.status() {
            "weak" => (Status::Weak, model.reasons().join("; ")),
            _ => (Status::Supported, String::new()),
        }
    }

    pub(super) fn of_growth(&self, answers: &mut Vec<Answer>) {
        let mut answered: Vec<(usize, usize)> = Vec::new();
        if let Some(sampled) = &self.growth.sampled {
            self.of_sampled(sampled, answers);
            if sampled.model.is_ok() {
                let groups = sampled.sampled.groups.iter();
                answered.extend(groups.map(|group| (sampled.trait_index, group.strain)));
            }
        }
        for model in &self.growth.trajectories.models {
            let curve = model.curve();
            let (status, caution) = Self::caution(model);
            // Of a strain with unnamed birds the one model of all its birds has answered.
            let open = model.groups().iter().enumerate().filter(|(_, named)| {
                let key = named.strain.map(|strain| (model.trait_index, strain));
                key.is_none_or(|key| !answered.contains(&key))
            });
            for (group, named) in open {
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
                            trait_name: self.study.traits[model.trait_index].name.clone(),
                            quantity: "typical_mass",
                            age_d: Some(age_d),
                            unit: "g".into(),
                            n: Some(model.counts(group).0),
                            model: curve.name().to_owned(),
                            status,
                            caution: caution.clone(),
                            ..Answer::default()
                        }
                        .of(&self.study, named)
                        .estimated(mass),
                    );
                }
            }
        }
    }

    /// The typical birds of strains with unnamed birds.
    fn of_sampled(&self, of: &SampledTrait, answers: &mut Vec<Answer>) {
        let Ok(model) = &of.model else {
            return;
        };
        for (group, named) in of.sampled.groups.iter().enumerate() {
            let (first_d, last_d) = of.age_span(group);
            let named_ages = self.ages_d.iter().copied();
            let mut ages_d: Vec<f64> = named_ages
                .filter(|age_d| (first_d..last_d).contains(age_d))
                .collect();
            ages_d.push(last_d);
            for age_d in ages_d {
                let log = model.typical(group, age_d);
                let reach = t_two_sided_quantile(self.confidence, log.df) * log.std_error;
                let value = log.value.exp();
                answers.push(Answer {
                    question: GROWTH,
                    strain: self.study.strains[named.strain].clone(),
                    treatment: named
                        .treatment
                        .map_or_else(String::new, |one| self.study.treatments[one].clone()),
                    trait_name: self.study.traits[of.trait_index].name.clone(),
                    quantity: "typical_mass",
                    age_d: Some(age_d),
                    unit: "g".into(),
                    estimate: Some(value),
                    std_error: Some(value * log.std_error),
                    interval: Some(Interval {
                        lower: (log.value - reach).exp(),
                        upper: (log.value + reach).exp(),
                    }),
                    n: Some(of.sampled.unnamed[group] + of.sampled.ringed[group]),
                    model: model.curve.name().to_owned(),
                    ..Answer::default()
                });
            }
        }
    }

    /// Typical masses at the mean age at first egg of the birds of a strain that laid; the
    /// age's error is taken as independent of the mass's.
    pub(super) fn at_first_egg(&self, answers: &mut Vec<Answer>) {
        let laying = self.lay.iter().flat_map(|lay| &lay.at_first_egg.thresholds);
        let ages = laying.filter(|of| of.measure == "age");
        for egg in ages {
            let (age_d, age_error, _) = egg.mean;
            for model in &self.growth.trajectories.models {
                let strain = &self.study.strains[egg.strain];
                let groups = model.groups();
                let Some(group) = groups.iter().position(|group| group.name == *strain) else {
                    continue;
                };
                let Some(estimates) = model.typical(group) else {
                    continue;
                };
                let curve = model.curve();
                let at = |what| interval::derived(&*curve, &estimates, what, self.confidence);
                let mass = at(Derived::ValueAt(age_d)).and_then(|mass| {
                    let gain = at(Derived::RateAt(age_d))?.value;
                    let error = mass.standard_error.map(|own| own.hypot(gain * age_error));
                    // As many standard errors as the mass's own interval has.
                    let factor = mass
                        .interval
                        .zip(mass.standard_error)
                        .map(|(interval, own)| (interval.upper - mass.value) / own);
                    Ok(Estimate {
                        standard_error: error,
                        interval: error
                            .zip(factor)
                            .map(|(error, factor)| Interval::around(mass.value, factor * error)),
                        ..mass
                    })
                });
                let (status, caution) = match (Self::caution(model), egg.not_laying) {
                    (weak, 0) => weak,
                    (_, late) => (
                        Status::Weak,
                        format!("{late} birds had not laid and are missing from the mean age"),
                    ),
                };
                answers.push(
                    Answer {
                        question: "What were they like at first egg?",
                        strain: strain.clone(),
                        trait_name: self.study.traits[model.trait_index].name.clone(),
                        quantity: "typical_mass_at_first_egg",
                        unit: "g".into(),
                        n: Some(egg.n),
                        model: curve.name().to_owned(),
                        status,
                        caution,
                        ..Answer::default()
                    }
                    .estimated(mass),
                );
            }
        }
    }

    /// Fat, lean and bone of the typical birds together, as a share of their body weight,
    /// where all three are described by allometry on it.
    pub(super) fn of_closure(&self, answers: &mut Vec<Answer>) {
        let models = &self.growth.trajectories.models;
        let named = |name: &str| {
            let of = |model: &&TraitModel| self.study.traits[model.trait_index].name == name;
            models.iter().find(of)
        };
        let parts = ["fat", "lean", "bone"].map(|name| {
            let model = named(name)?;
            Some((model, model.allometry()?))
        });
        let [Some(fat), Some(lean), Some(bone)] = parts else {
            return;
        };
        let weight = named("body_weight").and_then(TraitModel::fitted);
        let Some(weight) = weight.and_then(|fit| fit.outcome.fit()) else {
            return;
        };
        let fits = [fat.1, lean.1, bone.1];
        let df = [fat, lean, bone].map(|(model, fit)| model.df_of(fit));
        let factor =
            t_two_sided_quantile(self.confidence, df.into_iter().min().unwrap_or(1) as f64);
        for row in closure(&fits, weight, &self.ages_of(fat.0)) {
            let pct = 100.0 * row.share.value;
            let error = row.share.standard_error.map(|error| 100.0 * error);
            answers.push(Answer {
                question: "Do the parts add up to the body weight?",
                strain: fat.0.groups()[row.group].name.clone(),
                trait_name: "fat + lean + bone".to_owned(),
                quantity: "closure",
                age_d: Some(row.age_d),
                unit: "%".into(),
                estimate: Some(pct),
                std_error: error,
                interval: error.map(|error| Interval::around(pct, factor * error)),
                n: Some(fat.0.counts(row.group).0),
                model: fat.0.curve().name().to_owned(),
                caution: "share of body weight; feathers are not among the parts".to_owned(),
                ..Answer::default()
            });
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
        let Some(Differences { comparison, .. }) = &self.differences else {
            return;
        };
        let names = &comparison.groups.names;
        for compared in &comparison.compared {
            let Some(model) = self.growth.trajectories.model(compared.trait_index) else {
                continue;
            };
            for age_d in self.ages_of(model) {
                self.differences(answers, (compared, model), comparison, age_d);
            }
            for pair in &compared.by_age {
                let answer = |quantity, age_d: f64| Answer {
                    question: DIFFER,
                    trait_name: self.study.traits[compared.trait_index].name.clone(),
                    quantity,
                    unit: "d".into(),
                    estimate: Some(age_d),
                    model: compared.curve.clone(),
                    ..Answer::default()
                };
                let of = |answer| self.pair(answer, model, names, (pair.a, pair.b));
                for (first_d, last_d, _) in pair.spans() {
                    answers.push(of(answer("differs_from_age", first_d)));
                    answers.push(of(answer("differs_to_age", last_d)));
                }
            }
        }
    }

    /// An answer of a pair of groups, by their names.
    pub(super) fn pair(
        &self,
        answer: Answer,
        model: &TraitModel,
        names: &[String],
        (a, b): (usize, Against),
    ) -> Answer {
        let find = |name: &str| model.groups().iter().find(|group| group.name == name);
        let answer = match find(&names[a]) {
            Some(group) => answer.of(&self.study, group),
            None => Answer {
                strain: names[a].clone(),
                ..answer
            },
        };
        let name = b.name(names);
        answer.against(&self.study, find(name), name)
    }

    /// The answers of groups compared: each pair's difference, or why there is none.
    pub(super) fn pairs(
        &self,
        (found, none): Contrasts,
        model: &TraitModel,
        names: &[String],
        answer: &dyn Fn() -> Answer,
    ) -> Vec<Answer> {
        let found = found.into_iter().map(|found| Answer {
            estimate: Some(found.difference),
            std_error: found.standard_error,
            interval: found.interval,
            p_value: found.p_value,
            p_adjusted: found.p_adjusted,
            ..self.pair(answer(), model, names, (found.a, found.b))
        });
        let none = none.into_iter().map(|none| Answer {
            status: Status::NotEstimable,
            caution: none.reason.to_string(),
            ..self.pair(answer(), model, names, (none.a, none.b))
        });
        found.chain(none).collect()
    }

    /// The contrasts of the groups' typical masses at one age, and those that have no number.
    pub(crate) fn masses_compared(&self, compared: &Compared, age_d: f64) -> Contrasts {
        let mass = Derived::ValueAt(age_d);
        let asked = (&*mass.name(), mass.unit(), Quantity::Derived(mass));
        match (&compared.joint, &self.differences) {
            (Some(joint), Some(found)) => {
                let by = (&found.comparison.request, compared.law.as_ref());
                of_quantity(joint, asked, by)
            }
            _ => (Vec::new(), Vec::new()),
        }
    }

    /// The groups compared at one age.
    fn differences(
        &self,
        answers: &mut Vec<Answer>,
        (compared, model): (&Compared, &TraitModel),
        comparison: &Comparison,
        age_d: f64,
    ) {
        let names = &comparison.groups.names;
        let (status, caution) = Self::caution(model);
        let answer = || Answer {
            question: DIFFER,
            trait_name: self.study.traits[compared.trait_index].name.clone(),
            quantity: "difference_of_typical_mass",
            age_d: Some(age_d),
            unit: "g".into(),
            model: compared.curve.clone(),
            status,
            caution: caution.clone(),
            ..Answer::default()
        };
        let contrasts = self.masses_compared(compared, age_d);
        answers.extend(self.pairs(contrasts, model, names, &answer));
        // A group in one pen only is compared with none.
        let groups = model.groups().iter().enumerate();
        for (group, named) in groups {
            if let Err(reason) = model.testable(group) {
                let none = Answer {
                    status: Status::NotEstimable,
                    caution: reason.to_string(),
                    ..answer()
                };
                answers.push(none.of(&self.study, named));
            }
        }
    }
}
