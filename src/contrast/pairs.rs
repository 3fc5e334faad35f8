//! Each term and derived quantity, each pair of groups: the difference.

use super::joint::Joint;
use super::{Adjust, Request};
use crate::fit::estimable::NotEstimable;
use crate::fit::interval::Interval;
use crate::fit::profile::Quantity;
use crate::growth::Derived;
use crate::stats::distribution::{t_two_sided, t_two_sided_quantile};
use crate::stats::multiple::{holm, studentised_range_quantile, tukey};
use crate::trajectory::derived_quantities;

/// The difference in one quantity between two groups.
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
    /// The second group.
    pub b: usize,
    /// Value in the first less value in the second.
    pub difference: f64,
    /// Its standard error, where there is one.
    pub standard_error: Option<f64>,
    /// Interval; of all pairs together under Tukey's adjustment, of this pair otherwise
    /// and where birds were drawn again.
    pub interval: Option<Interval>,
    /// The difference as a percentage of the second group's value.
    pub percent: Option<f64>,
    /// Chance of so great a difference where there is none.
    pub p_value: Option<f64>,
    /// The same, adjusted for the number of pairs.
    pub p_adjusted: Option<f64>,
}

/// A pair of groups, one of which has no such quantity.
#[derive(Debug, Clone, PartialEq)]
pub struct NoContrast {
    /// Name of the term or derived quantity.
    pub term: String,
    /// Unit of the difference.
    pub unit: String,
    /// The first group, an index into the names.
    pub a: usize,
    /// The second group.
    pub b: usize,
    /// Why.
    pub reason: NotEstimable,
}

/// The contrasts of one curve, term by term, pair by pair, and those that the data do
/// not determine.
pub(super) fn contrasts(joint: &Joint, request: &Request) -> (Vec<Contrast>, Vec<NoContrast>) {
    let curve = &*joint.curves[0];
    let mut quantities: Vec<(String, String, Quantity)> = Vec::new();
    for (index, term) in curve.terms().iter().enumerate() {
        quantities.push((
            term.name.to_string(),
            term.unit.to_string(),
            Quantity::Term(index),
        ));
    }
    let mut spare = vec![0.0; joint.terms[0].len()];
    let two_phases = curve
        .derived(Derived::SecondPeakAge, &joint.terms[0], &mut spare)
        .is_some();
    for what in derived_quantities(&request.ages_d, &request.masses_g) {
        // The greatest rate of two phases is the first's in one group, the second's in
        // another: no difference to speak of. Their own ages are among the terms.
        if two_phases
            && matches!(
                what,
                Derived::InflectionAge | Derived::InflectionWeight | Derived::InflectionRate
            )
        {
            continue;
        }
        quantities.push((
            what.name().into_owned(),
            what.unit().to_owned(),
            Quantity::Derived(what),
        ));
    }
    let wanted = |name: &String| request.terms.is_empty() || request.terms.contains(name);
    let (mut all, mut none) = (Vec::new(), Vec::new());
    for (name, unit, quantity) in quantities.into_iter().filter(|(name, ..)| wanted(name)) {
        let mut of_quantity = Vec::new();
        for (a, b) in pairs(joint.groups.len()) {
            match contrast(joint, (a, b), (&name, &unit), quantity, request) {
                Ok(contrast) => of_quantity.push(contrast),
                Err(NotEstimable::Absent) => {}
                Err(reason) => none.push(NoContrast {
                    term: name.clone(),
                    unit: unit.clone(),
                    a: joint.groups[a],
                    b: joint.groups[b],
                    reason,
                }),
            }
        }
        adjust(&mut of_quantity, request.adjust);
        all.extend(of_quantity);
    }
    (all, none)
}

/// All pairs of so many places, the first before the second.
pub(super) fn pairs(count: usize) -> impl Iterator<Item = (usize, usize)> {
    (0..count).flat_map(move |a| (a + 1..count).map(move |b| (a, b)))
}

fn contrast(
    joint: &Joint,
    (a, b): (usize, usize),
    (term, unit): (&str, &str),
    quantity: Quantity,
    request: &Request,
) -> Result<Contrast, NotEstimable> {
    let found = joint.difference(a, b, quantity)?;
    let t = found.standard_error.map(|error| found.value / error);
    let groups = joint.groups.len();
    let factor = match request.adjust {
        Adjust::Tukey => studentised_range_quantile(request.confidence, groups, found.df)
            .ok()
            .map(|width| width / std::f64::consts::SQRT_2),
        Adjust::Holm | Adjust::None => Some(t_two_sided_quantile(request.confidence, found.df)),
    };
    let interval = found
        .standard_error
        .zip(factor)
        .map(|(error, factor)| Interval::around(found.value, factor * error));
    let p_adjusted = match request.adjust {
        Adjust::Tukey => t.and_then(|t| tukey(t, groups, found.df).ok()),
        Adjust::Holm | Adjust::None => None,
    };
    Ok(Contrast {
        term: term.to_owned(),
        unit: unit.to_owned(),
        quantity,
        a: joint.groups[a],
        b: joint.groups[b],
        difference: found.value,
        standard_error: found.standard_error,
        interval,
        percent: (found.reference != 0.0).then(|| 100.0 * found.value / found.reference.abs()),
        p_value: t.map(|t| t_two_sided(t, found.df)),
        p_adjusted,
    })
}

/// Fills in the adjusted p values of the pairs of one quantity.
fn adjust(pairs: &mut [Contrast], adjust: Adjust) {
    let p_values: Vec<f64> = pairs.iter().filter_map(|pair| pair.p_value).collect();
    let adjusted = match adjust {
        Adjust::Tukey => return,
        Adjust::None => p_values,
        Adjust::Holm => match holm(&p_values) {
            Ok(adjusted) => adjusted,
            Err(_) => return,
        },
    };
    let with_p = pairs.iter_mut().filter(|pair| pair.p_value.is_some());
    for (pair, p) in with_p.zip(adjusted) {
        pair.p_adjusted = Some(p);
    }
}
