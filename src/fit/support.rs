//! Do the data support the terms: what makes a fit weak, and why one failed, in words.
//!
//! The limits are judgement, stated here once: a term whose standard error is more
//! than half of it shows little more than the order of magnitude; an asymptote more
//! than twice the largest value is an extrapolation; one more than a hundred times
//! the largest value is the optimiser running away along an exponential.

use std::fmt::Write as _;

use super::estimable::{Reach, on_bound, own_doubt};
use super::least_squares::{Descent, End, MOST_TERMS, Optimum};
use super::variance::Problem;
use super::{Estimates, Series, Settings, Variance, Weakness};
use crate::growth::{Curve, Derived, Step};

/// Greatest standard error of a term as a share of it (of the range of ages, for
/// a term that is an age).
pub(super) const GREATEST_RELATIVE_ERROR: f64 = 0.5;
/// Greatest power of the mean in the residual spread; common practice, no source: a scale
/// errs by a constant (0) or in proportion (1).
const GREATEST_POWER: f64 = 2.0;
/// Greatest mass as a multiple of the largest value, and greatest span of ages that a
/// result may rest on as a multiple of the span weighed.
pub(super) const GREATEST_REACH: f64 = 2.0;
/// An asymptote beyond this multiple of the largest value is none.
const NO_ASYMPTOTE: f64 = 100.0;
/// Values beyond this have squares that overflow.
const GREATEST_VALUE: f64 = 1e150;

/// Why this series cannot be fitted at all; `None` if it can.
pub(super) fn unfit(curve: &dyn Curve, series: Series<'_>, settings: &Settings) -> Option<String> {
    let (ages_d, values) = (series.ages_d, series.values);
    let (n, p) = (values.len(), curve.terms().len());
    if p == 0 || p > MOST_TERMS {
        return Some(format!(
            "the curve has {p} terms: from 1 to {MOST_TERMS} can be fitted"
        ));
    }
    if ages_d.len() != n {
        return Some(format!(
            "{} ages for {n} values: as many are needed",
            ages_d.len()
        ));
    }
    if n <= p {
        let s = if n == 1 { "" } else { "s" };
        return Some(format!(
            "{n} value{s} for {p} terms: at least {} are needed",
            p + 1
        ));
    }
    for (age_d, value) in ages_d.iter().zip(values) {
        if !age_d.is_finite() {
            return Some(format!("an age is not a finite number ({age_d})"));
        }
        if !value.is_finite() {
            return Some(format!(
                "the value at age {age_d} d is not a finite number ({value})"
            ));
        }
        if value.abs() > GREATEST_VALUE || age_d.abs() > GREATEST_VALUE {
            return Some(format!(
                "the value {value:e} at age {age_d} d is too large to be squared"
            ));
        }
        if *value <= 0.0 && settings.variance == Variance::LogNormal {
            return Some(format!(
                "the value {value} at age {age_d} d has no logarithm: leave it out, or choose another variance model"
            ));
        }
    }
    if let Some(weights) = &settings.weights {
        if weights.len() != n {
            return Some(format!(
                "{} weights for {n} values: as many are needed",
                weights.len()
            ));
        }
        if let Some(weight) = weights.iter().find(|w| !(**w > 0.0 && w.is_finite())) {
            return Some(format!("a weight of {weight}: weights above 0 are needed"));
        }
    }
    let mut distinct = 1;
    for pair in ages_d.windows(2) {
        if pair[1] < pair[0] {
            return Some(format!(
                "age {} d follows age {} d: ages must ascend",
                pair[1], pair[0]
            ));
        }
        distinct += usize::from(pair[1] > pair[0]);
    }
    if distinct < p {
        return Some(format!(
            "{distinct} different ages for {p} terms: at least {p} are needed"
        ));
    }
    #[expect(clippy::float_cmp, reason = "constant means exactly so")]
    if values.iter().all(|value| *value == values[0]) {
        return Some(format!(
            "all {n} values are {}: no growth to describe",
            values[0]
        ));
    }
    match &settings.start {
        Some(start) if start.len() != p => Some(format!(
            "{} starting terms for a curve of {p} terms",
            start.len()
        )),
        Some(start) if start.iter().any(|term| !term.is_finite()) => {
            Some("a starting term is not a finite number".to_owned())
        }
        _ => None,
    }
}

/// Whether the asymptote at these terms lies far beyond the data.
pub(super) fn reaches_far(problem: &Problem<'_>, terms: &[f64]) -> bool {
    let mut spare = [0.0; MOST_TERMS];
    let mature = problem
        .curve
        .derived(Derived::Mature, terms, &mut spare[..terms.len()]);
    mature.is_some_and(|mature| mature > GREATEST_REACH * largest(problem.series.values))
}

/// Why there is no certified optimum.
pub(super) fn no_optimum(problem: &Problem<'_>, optimum: &Optimum, descent: &Descent) -> String {
    let curve = problem.curve;
    let largest = largest(problem.series.values);
    let mut spare = [0.0; MOST_TERMS];
    let spare = &mut spare[..descent.terms.len()];
    if optimum.end == End::OutsideDomain {
        return "no start: the curve has no finite value at its starting terms".to_owned();
    }
    if optimum.end == End::NoPower {
        return "the likelihood has no maximum for a power of the mean between -2 and 6 in the residual spread: choose constant, proportional or log-normal errors".to_owned();
    }
    if let Some(step) = curve.step(problem.series.ages_d, &descent.terms) {
        return best_is_step(&step);
    }
    if let Some(mature) = curve.derived(Derived::Mature, &descent.terms, spare)
        && mature > NO_ASYMPTOTE * largest
    {
        return no_finite_asymptote(largest);
    }
    let mut reason = format!(
        "no optimum was reached in {} evaluations (relative offset {:.1e}, 1e-5 is required)",
        optimum.evaluations, optimum.relative_offset
    );
    if let Some((one, other, correlation)) = most_confounded(descent) {
        let terms = curve.terms();
        let _ = write!(
            reason,
            ": the data hardly separate {} from {} (correlation {correlation:.4}); a curve with fewer terms may do",
            terms[one].name, terms[other].name
        );
    }
    reason
}

/// Why a certified optimum has no covariance; `None` if it has one.
pub(super) fn singular(curve: &dyn Curve, descent: &Descent) -> Option<String> {
    if descent.inverse.iter().all(|entry| entry.is_finite()) {
        return None;
    }
    let p = descent.terms.len();
    let idle: Vec<&str> = (0..p)
        .filter(|j| {
            descent
                .jacobian
                .iter()
                .skip(*j)
                .step_by(p)
                .all(|slope| *slope == 0.0)
        })
        .map(|j| curve.terms()[j].name.as_ref())
        .collect();
    if idle.is_empty() {
        let bound: Vec<&str> = (0..p)
            .filter(|j| !descent.inverse[j * (p + 1)].is_finite())
            .map(|j| curve.terms()[j].name.as_ref())
            .collect();
        return Some(format!(
            "these data cannot separate the terms {}",
            bound.join(", ")
        ));
    }
    Some(format!(
        "the fitted values do not depend on {}",
        idle.join(", ")
    ))
}

/// A residual spread that grows faster with the mean than errors of measurement do: it takes
/// up what the curve misses, and lets the fit pass the larger values by.
pub(super) fn spread_weakness(variance: Variance, power: f64) -> Option<Weakness> {
    (variance == Variance::Power && power > GREATEST_POWER).then(|| Weakness {
        term: None,
        reason: format!(
            "the residual spread grows with more than the power {GREATEST_POWER} of the mean, errors of measurement with 1 or little more: it takes up what the curve misses; try another curve, or proportional errors"
        ),
    })
}

/// Terms of a certified fit that the data do not support.
pub(super) fn weaknesses(
    curve: &dyn Curve,
    reach: Reach,
    estimates: &Estimates,
    held: &[bool],
) -> Vec<Weakness> {
    let mut weaknesses = Vec::new();
    if estimates.residual_df() == 1 {
        // The 95 percent limits of sigma on one degree of freedom are 0.45 and 32
        // times it (chi-squared): whether the curve fits is not to be seen.
        let (n, p) = (estimates.n, estimates.terms.len());
        let reason = format!(
            "{n} values for {p} terms: one more than terms cannot show whether the curve fits"
        );
        weaknesses.push(Weakness { term: None, reason });
    }
    let terms = &estimates.terms;
    weaknesses.extend(asymptote_weakness(curve, &reach, terms));
    weaknesses.extend(inflection_weakness(curve, &reach, terms));
    for (j, term) in curve.terms().iter().enumerate() {
        let known = weaknesses.iter().any(|weak| weak.term == Some(j));
        let reason = if held[j] {
            Some(on_bound(term))
        } else {
            let own = own_doubt(term, terms[j], estimates.standard_error(j), &reach);
            own.filter(|_| !known)
        };
        weaknesses.extend(reason.map(|reason| Weakness {
            term: Some(j),
            reason,
        }));
    }
    weaknesses
}

/// Terms that a step leaves open.
pub(super) fn step_weaknesses(curve: &dyn Curve, step: &Step) -> [Weakness; 2] {
    let name = |term: usize| &curve.terms()[term].name;
    let weak = |term: usize, reason: String| Weakness {
        term: Some(term),
        reason,
    };
    let rate = format!(
        "{}, so that its rate {} is not determined",
        best_is_step(step),
        name(step.rate_term)
    );
    let age = format!(
        "the age {} of the step is not determined",
        name(step.age_term)
    );
    [weak(step.rate_term, rate), weak(step.age_term, age)]
}

fn best_is_step(step: &Step) -> String {
    format!(
        "the best fit has a step of {} g between the ages {} and {} d",
        Shown(step.gain_g),
        Shown(step.from_d),
        Shown(step.to_d)
    )
}

/// An asymptote that runs away, or lies far beyond the data.
pub(super) fn asymptote_weakness(
    curve: &dyn Curve,
    reach: &Reach,
    terms: &[f64],
) -> Option<Weakness> {
    let (mut few, mut many) = ([0.0; MOST_TERMS], Vec::new());
    let gradient = spare(terms.len(), &mut few, &mut many);
    let mature = curve.derived(Derived::Mature, terms, gradient)?;
    if mature <= GREATEST_REACH * reach.largest {
        return None;
    }
    // Of two phases, the one that runs away.
    let part = |j: &usize| (gradient[*j] * terms[*j]).abs();
    let term = (0..terms.len())
        .filter(|j| gradient[*j] != 0.0)
        .max_by(|one, other| part(one).total_cmp(&part(other)).then(other.cmp(one)));
    let reason = if mature > NO_ASYMPTOTE * reach.largest {
        no_finite_asymptote(reach.largest)
    } else {
        format!(
            "asymptote far beyond the data: more than twice the largest value ({})",
            Shown(reach.largest)
        )
    };
    Some(Weakness { term, reason })
}

/// An inflection, or first peak of two phases, that no weighing saw.
pub(super) fn inflection_weakness(
    curve: &dyn Curve,
    reach: &Reach,
    terms: &[f64],
) -> Option<Weakness> {
    let (mut few, mut many) = ([0.0; MOST_TERMS], Vec::new());
    let gradient = spare(terms.len(), &mut few, &mut many);
    let age_d = curve
        .derived(Derived::InflectionAge, terms, gradient)
        .or_else(|| curve.derived(Derived::FirstPeakAge, terms, gradient))?;
    let reason = if age_d > reach.last_d {
        format!(
            "the last age ({} d) is before the inflection",
            Shown(reach.last_d)
        )
    } else if age_d < reach.first_d {
        let hatch = if age_d < 0.0 {
            "inflection before hatch"
        } else {
            "inflection before the first age"
        };
        format!("{hatch}: the first age is {} d", Shown(reach.first_d))
    } else {
        return None;
    };
    let term = curve
        .terms()
        .iter()
        .position(|term| term.name == "ti" || term.name == "ti1");
    Some(Weakness { term, reason })
}

fn no_finite_asymptote(largest: f64) -> String {
    format!(
        "no finite asymptote: it runs away (beyond 100 times the largest value, {})",
        Shown(largest)
    )
}

pub(super) fn largest(values: &[f64]) -> f64 {
    values
        .iter()
        .fold(f64::MIN, |most, value| most.max(*value))
        .abs()
}

/// The two terms with the greatest correlation, from the unscaled covariance.
fn most_confounded(descent: &Descent) -> Option<(usize, usize, f64)> {
    let p = descent.terms.len();
    let inverse = |j: usize, k: usize| descent.inverse[j * p + k];
    (0..p)
        .flat_map(|j| (0..j).map(move |k| (k, j)))
        .map(|(k, j)| (k, j, inverse(j, k) / (inverse(j, j) * inverse(k, k)).sqrt()))
        .filter(|(.., correlation)| correlation.abs() > 0.9 && correlation.is_finite())
        .max_by(|one, other| one.2.abs().total_cmp(&other.2.abs()))
}

/// A number to four significant digits, without an exponent where it can be read without.
pub(super) struct Shown(pub(super) f64);

impl std::fmt::Display for Shown {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let magnitude = self.0.abs();
        if magnitude == 0.0 || (1000.0..1e7).contains(&magnitude) {
            write!(f, "{:.0}", self.0)
        } else if (1.0..1000.0).contains(&magnitude) {
            let text = format!(
                "{:.*}",
                if magnitude < 10.0 {
                    3
                } else if magnitude < 100.0 {
                    2
                } else {
                    1
                },
                self.0
            );
            f.write_str(text.trim_end_matches('0').trim_end_matches('.'))
        } else if (1e-3..1.0).contains(&magnitude) {
            write!(f, "{:.4}", self.0)
        } else {
            write!(f, "{:.3e}", self.0)
        }
    }
}

/// Memory for a gradient: of a curve of a few terms, as all that are fitted have, without an
/// allocation.
fn spare<'a>(
    terms: usize,
    few: &'a mut [f64; MOST_TERMS],
    many: &'a mut Vec<f64>,
) -> &'a mut [f64] {
    if terms <= MOST_TERMS {
        return &mut few[..terms];
    }
    many.resize(terms, 0.0);
    many
}
