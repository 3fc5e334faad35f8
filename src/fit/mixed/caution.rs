//! What to be careful about in a mixed fit, in words.

use super::problem::Problem;
use super::result::MixedFit;
use super::subjects::Subjects;
use super::vanished::Vanished;
use crate::fit::estimable::Reach;
use crate::fit::support;
use crate::fit::{Series, Weakness};

/// Everything that the data do not support.
pub(super) fn cautions(
    fit: &MixedFit,
    problem: &Problem<'_>,
    subjects: &Subjects<'_>,
) -> Vec<Weakness> {
    let mut weaknesses = Vec::new();
    random(fit, problem, &mut weaknesses);
    fixed(fit, problem, subjects, &mut weaknesses);
    errors(fit, &mut weaknesses);
    weaknesses
}

fn random(fit: &MixedFit, problem: &Problem<'_>, weaknesses: &mut Vec<Weakness>) {
    let (q, subjects) = (problem.q, problem.subjects());
    let terms = problem.curve.terms();
    let name = |effect: usize| &*terms[problem.random[effect]].name;
    if q > 0 && subjects <= q + 1 {
        weaknesses.push(Weakness {
            term: None,
            reason: format!(
                "only {subjects} subjects: the spread between subjects is hardly known"
            ),
        });
    }
    for vanished in &fit.vanished {
        let (last, reason) = match vanished {
            Vanished::Effect(effect) => {
                let name = name(*effect);
                let reason = format!(
                    "the random effect of {name} goes to zero: subjects differ in {name} by no more than their residuals explain; leave it out of the random terms"
                );
                (*effect, reason)
            }
            Vanished::Combination {
                effects,
                rank,
                least_eigenvalue,
            } => {
                let names: Vec<&str> = effects.iter().map(|effect| name(*effect)).collect();
                let (last, before) = names.split_last().unwrap_or((&"", &[]));
                let all = format!("{} and {last}", before.join(", "));
                let alike = match effects.as_slice() {
                    [one, other] => {
                        let correlation = fit.random_correlation(*one, *other);
                        format!(
                            "the random effects of {all} have a correlation of {correlation:.4}"
                        )
                    }
                    _ => format!(
                        "the covariance of the random effects of {all} is singular (least eigenvalue of their correlations {least_eigenvalue:.1e})"
                    ),
                };
                let reason = format!(
                    "{alike}: by these data subjects differ in {rank} of {} independent ways; take a diagonal covariance or leave one of them out",
                    effects.len()
                );
                (effects.last().copied().unwrap_or_default(), reason)
            }
        };
        weaknesses.push(Weakness {
            term: Some(problem.random[last]),
            reason,
        });
    }
}

/// How far the data of each group reach.
pub(super) fn reaches(subjects: &Subjects<'_>, groups: usize) -> Vec<Reach> {
    let mut reaches = vec![Reach::NOTHING; groups];
    for subject in 0..subjects.len() {
        let (ages_d, values) = subjects.of(subject);
        let reach = &mut reaches[subjects.group(subject)];
        *reach = reach.and(Series { ages_d, values });
    }
    reaches
}

/// The terms of each group, judged as those of a fit to one series are.
fn fixed(
    fit: &MixedFit,
    problem: &Problem<'_>,
    subjects: &Subjects<'_>,
    weaknesses: &mut Vec<Weakness>,
) {
    let held = vec![false; problem.p];
    let known = |reach: &Reach| reach.first_d <= reach.last_d;
    let several = fit.reaches.iter().filter(|reach| known(reach)).count() > 1;
    for (group, reach) in fit.reaches.iter().enumerate() {
        if !known(reach) {
            continue;
        }
        let estimates = fit.group_estimates(group);
        for weak in support::weaknesses(problem.curve, *reach, &estimates, &held) {
            let reason = match subjects.group_names.get(group) {
                Some(name) if several => format!("{name}: {}", weak.reason),
                None if several => format!("group {}: {}", group + 1, weak.reason),
                _ => weak.reason,
            };
            weaknesses.push(Weakness { reason, ..weak });
        }
    }
}

fn errors(fit: &MixedFit, weaknesses: &mut Vec<Weakness>) {
    let variance = fit.variance;
    weaknesses.extend(support::spread_weakness(variance, fit.variance_power()));
    let Some(phi) = fit.ar1.map(|ar1| ar1.value) else {
        return;
    };
    if !(1e-6..1.0 - 1e-6).contains(&phi) {
        let reason = if phi < 0.5 {
            "the residual correlation goes to zero: residuals are independent; leave it out"
        } else {
            "the residual correlation goes to one: it stands for differences between subjects; give a term a random effect instead"
        };
        weaknesses.push(Weakness {
            term: None,
            reason: reason.to_owned(),
        });
    }
}
