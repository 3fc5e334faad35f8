//! Each term and derived quantity: the difference of each pair of groups, or of each
//! group and the mean of all.

use super::joint::{Difference, Joint};
use super::mean_of_all::MeanOfAll;
use super::{Adjust, Against, Request};
use crate::fit::estimable::NotEstimable;
use crate::fit::interval::Interval;
use crate::fit::profile::Quantity;
use crate::stats::distribution::{t_two_sided, t_two_sided_quantile};
use crate::stats::multiple::{holm, studentised_range_quantile, tukey};
use crate::trajectory::derived_quantities;

/// The difference in one quantity between a group and another, or the mean of all.
#[derive(Debug, Clone, PartialEq)]
pub struct Contrast {
    /// Name of the term or derived quantity.
    pub term: String,
    /// Unit of the difference.
    pub unit: String,
    /// What is compared.
    pub quantity: Quantity,
    /// The first group, an index into the names.
    pub a: usize,
    /// What it is compared with.
    pub b: Against,
    /// Value in the first minus value in the second.
    pub difference: f64,
    /// Its standard error, where there is one.
    pub standard_error: Option<f64>,
    /// Interval; of all comparisons together under Tukey's adjustment, of this one
    /// otherwise and where birds were drawn again.
    pub interval: Option<Interval>,
    /// The difference as a percentage of the second group's value.
    pub percent: Option<f64>,
    /// Chance of so great a difference where there is none.
    pub p_value: Option<f64>,
    /// The same, adjusted for the number of comparisons.
    pub p_adjusted: Option<f64>,
}

/// A comparison of which one side has no such quantity.
#[derive(Debug, Clone, PartialEq)]
pub struct NoContrast {
    /// Name of the term or derived quantity.
    pub term: String,
    /// Unit of the difference.
    pub unit: String,
    /// The first group, an index into the names.
    pub a: usize,
    /// What it was to be compared with.
    pub b: Against,
    /// Why.
    pub reason: NotEstimable,
}

/// The contrasts of one curve, term by term, pair by pair, and those that the data do
/// not determine.
pub(super) fn contrasts(joint: &Joint, request: &Request) -> (Vec<Contrast>, Vec<NoContrast>) {
    let curve = &*joint.curves[0];
    let mut quantities: Vec<(String, String, Quantity)> = Vec::new();
    for (index, term) in curve.terms().iter().enumerate().skip(joint.borrowed_terms) {
        quantities.push((
            term.name.to_string(),
            term.unit.to_string(),
            Quantity::Term(index),
        ));
    }
    for what in derived_quantities(&request.ages_d, &request.masses_g) {
        quantities.push((
            what.name().into_owned(),
            what.unit().to_owned(),
            Quantity::Derived(what),
        ));
    }
    let wanted = |name: &String| request.terms.is_empty() || request.terms.contains(name);
    let (mut all, mut none) = (Vec::new(), Vec::new());
    for (term, unit, quantity) in quantities.into_iter().filter(|(name, ..)| wanted(name)) {
        let (found, missing) = of_quantity(joint, (&term, &unit, quantity), request);
        all.extend(found);
        none.extend(missing);
    }
    (all, none)
}

/// One quantity, by its name and unit, pair by pair (above twelve groups each against the
/// mean of all), P adjusted over the comparisons; and those that the data do not determine.
#[must_use]
pub fn of_quantity(
    joint: &Joint,
    (term, unit, quantity): (&str, &str, Quantity),
    request: &Request,
) -> (Vec<Contrast>, Vec<NoContrast>) {
    let (found, missing) = if joint.groups.len() > Against::MOST_IN_PAIRS {
        against_mean(joint, quantity, request)
    } else {
        in_pairs(joint, quantity, request)
    };
    let contrast = |found: Found| Contrast {
        term: term.to_owned(),
        unit: unit.to_owned(),
        quantity,
        a: found.a,
        b: found.b,
        difference: found.difference.value,
        standard_error: found.difference.standard_error,
        interval: found.interval,
        percent: (found.difference.reference != 0.0)
            .then(|| 100.0 * found.difference.value / found.difference.reference.abs()),
        p_value: found.p_value,
        p_adjusted: found.p_adjusted,
    };
    let none = |(a, b, reason)| NoContrast {
        term: term.to_owned(),
        unit: unit.to_owned(),
        a,
        b,
        reason,
    };
    (
        found.into_iter().map(contrast).collect(),
        missing.into_iter().map(none).collect(),
    )
}

/// All pairs of so many places, the first before the second.
pub(super) fn pairs(count: usize) -> impl Iterator<Item = (usize, usize)> {
    (0..count).flat_map(move |a| (a + 1..count).map(move |b| (a, b)))
}

/// A difference with its inference.
struct Found {
    a: usize,
    b: Against,
    difference: Difference,
    interval: Option<Interval>,
    p_value: Option<f64>,
    p_adjusted: Option<f64>,
}

impl Found {
    /// With the interval of this comparison alone, or at the `factor` of all together.
    fn of(
        (a, b): (usize, Against),
        difference: Difference,
        factor: Option<f64>,
        confidence: f64,
    ) -> Self {
        let factor = factor.unwrap_or_else(|| t_two_sided_quantile(confidence, difference.df));
        let error = difference.standard_error;
        Self {
            a,
            b,
            difference,
            interval: error.map(|error| Interval::around(difference.value, factor * error)),
            p_value: error.map(|error| t_two_sided(difference.value / error, difference.df)),
            p_adjusted: None,
        }
    }

    fn t(&self) -> Option<f64> {
        let error = self.difference.standard_error?;
        Some(self.difference.value / error)
    }
}

/// Comparisons that the data do not determine: the group, against what, and why.
type Missing = Vec<(usize, Against, NotEstimable)>;

/// One quantity, pair by pair.
fn in_pairs(joint: &Joint, quantity: Quantity, request: &Request) -> (Vec<Found>, Missing) {
    let groups = joint.groups.len();
    let (mut all, mut missing) = (Vec::new(), Missing::new());
    for (a, b) in pairs(groups) {
        let whose = (joint.groups[a], Against::Group(joint.groups[b]));
        let difference = match joint.difference(a, b, quantity) {
            Ok(difference) => difference,
            Err(NotEstimable::Absent) => continue,
            Err(reason) => {
                missing.push((whose.0, whose.1, reason));
                continue;
            }
        };
        let tukeys = || studentised_range_quantile(request.confidence, groups, difference.df).ok();
        let factor = match request.adjust {
            Adjust::Tukey => tukeys().map(|width| width / std::f64::consts::SQRT_2),
            Adjust::Holm | Adjust::None => None,
        };
        let mut found = Found::of(whose, difference, factor, request.confidence);
        if request.adjust == Adjust::Tukey {
            let adjusted = |t| tukey(t, groups, difference.df).ok();
            found.p_adjusted = found.t().and_then(adjusted);
        }
        all.push(found);
    }
    adjust(&mut all, request.adjust);
    (all, missing)
}

/// One quantity, each group against the mean of all groups whose data determine it.
fn against_mean(joint: &Joint, quantity: Quantity, request: &Request) -> (Vec<Found>, Missing) {
    let missing: Missing = (0..joint.groups.len())
        .filter_map(
            |place| match joint.value(place, quantity, request.confidence) {
                Ok(_) | Err(NotEstimable::Absent) => None,
                Err(reason) => Some((joint.groups[place], Against::MeanOfAll, reason)),
            },
        )
        .collect();
    let left_out = |place: usize| {
        missing
            .iter()
            .any(|(group, ..)| *group == joint.groups[place])
    };
    let mean = MeanOfAll::of(joint, |place, gradient| {
        if left_out(place) {
            return None;
        }
        quantity.value(&*joint.curves[place], &joint.terms[place], gradient)
    });
    let Some(mean) = mean else {
        return (Vec::new(), missing);
    };
    let differences: Vec<(usize, Difference)> = mean
        .members()
        .iter()
        .map(|member| (joint.groups[member.place], mean.difference(member)))
        .collect();
    let law = match request.adjust {
        Adjust::Tukey => {
            // The law of all takes the fewest degrees of freedom of any.
            let df = differences.iter().map(|(_, found)| found.df);
            mean.greatest_t(df.fold(f64::INFINITY, f64::min), request.seed)
        }
        Adjust::Holm | Adjust::None => None,
    };
    let factor = law
        .as_ref()
        .and_then(|law| law.critical_value(request.confidence).ok());
    let mut all: Vec<Found> = differences
        .into_iter()
        .map(|(group, difference)| {
            let whose = (group, Against::MeanOfAll);
            let mut found = Found::of(whose, difference, factor, request.confidence);
            found.p_adjusted = law.as_ref().zip(found.t()).map(|(law, t)| law.p_value(t));
            found
        })
        .collect();
    adjust(&mut all, request.adjust);
    (all, missing)
}

/// Fills in the adjusted p values of the comparisons of one quantity; Tukey's stand.
fn adjust(all: &mut [Found], adjust: Adjust) {
    let p_values: Vec<f64> = all.iter().filter_map(|found| found.p_value).collect();
    let adjusted = match adjust {
        Adjust::Tukey => return,
        Adjust::None => p_values,
        Adjust::Holm => match holm(&p_values) {
            Ok(adjusted) => adjusted,
            Err(_) => return,
        },
    };
    let with_p = all.iter_mut().filter(|found| found.p_value.is_some());
    for (found, p) in with_p.zip(adjusted) {
        found.p_adjusted = Some(p);
    }
}
