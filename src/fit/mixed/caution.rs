//! What to be careful about in a mixed fit, in words.

use super::problem::Problem;
use super::result::MixedFit;
use super::subjects::Subjects;
use crate::fit::estimable::Reach;
use crate::fit::support;
use crate::fit::{Series, Weakness};

/// A random effect whose one SD moves a subject's fitted values by less than this
/// share of their error has gone to zero.
const VANISHED: f64 = 1e-2;
/// Two effects this much alike are one.
const ALIKE: f64 = 0.999;

/// Everything that the data do not support. `information` is that of each
/// subject's data on its terms, subjects x p x p.
pub(super) fn cautions(
    fit: &MixedFit,
    problem: &Problem<'_>,
    subjects: &Subjects<'_>,
    information: &[f64],
) -> Vec<Weakness> {
    let mut weaknesses = Vec::new();
    random(fit, problem, information, &mut weaknesses);
    fixed(fit, problem, subjects, &mut weaknesses);
    errors(fit, &mut weaknesses);
    weaknesses
}

fn random(
    fit: &MixedFit,
    problem: &Problem<'_>,
    information: &[f64],
    weaknesses: &mut Vec<Weakness>,
) {
    let (p, q) = (problem.p, problem.q);
    let terms = problem.curve.terms();
    let subjects = problem.subjects();
    if q > 0 && subjects <= q + 1 {
        weaknesses.push(Weakness {
            term: None,
            reason: format!(
                "only {subjects} subjects: the spread between subjects is hardly known"
            ),
        });
    }
    for (k, effect) in fit.random.iter().enumerate() {
        let (mut told, mut count) = (0.0, 0.0);
        for information in information.chunks_exact(p * p) {
            told += information[effect.term * p + effect.term];
            count += 1.0;
        }
        let reach = effect.standard_deviation * (told / f64::max(count, 1.0)).sqrt();
        let name = &terms[effect.term].name;
        if reach < VANISHED {
            weaknesses.push(Weakness {
                term: Some(effect.term),
                reason: format!(
                    "the random effect of {name} goes to zero: subjects differ in {name} by no more than their residuals explain; leave it out of the random terms"
                ),
            });
            continue;
        }
        for other in 0..k {
            let correlation = fit.random_correlation(k, other);
            if correlation.abs() > ALIKE {
                weaknesses.push(Weakness {
                    term: Some(effect.term),
                    reason: format!(
                        "the random effects of {} and {name} have a correlation of {correlation:.4}: the data hold one of them, not two; take a diagonal covariance or leave one out",
                        terms[fit.random[other].term].name
                    ),
                });
            }
        }
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
