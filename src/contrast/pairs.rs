//! Each term and derived quantity: the difference of each pair of groups, or of each
//! group and the mean of all.
//!
//! The terms and derived quantities of a trait are one family, those at ages and masses that
//! the call names among them (single-step greatest |t| over all of them and all pairs:
//! [`Adjust::MaxT`]): a trait without any difference has an adjusted P below 0.05 in any of
//! its rows 5 times in a hundred.

use nalgebra::{DMatrix, DVector};

use super::joint::{Difference, Joint};
use super::mean_of_all::MeanOfAll;
use super::{Adjust, Against, DRAWS, Request};
use crate::fit::estimable::NotEstimable;
use crate::fit::interval::root_of;
use crate::fit::profile::Quantity;
use crate::stats::Interval;
use crate::stats::distribution::{t_two_sided, t_two_sided_quantile};
use crate::stats::multiple::{Simultaneous, holm, in_units, studentised_range_quantile, tukey};
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
    /// Interval of all comparisons together, of those over which P is adjusted: it leaves zero
    /// where the adjusted P is below 1 minus its confidence. `None` where P is adjusted by a
    /// method that has no such interval (Holm), or not at all.
    pub simultaneous: Option<Interval>,
    /// The difference as a percentage of the second group's value.
    pub percent: Option<f64>,
    /// Two-sided P value of no difference.
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
pub(super) fn contrasts(joint: &Joint, request: &Request) -> (Contrasts, Option<Simultaneous>) {
    let curve = &*joint.curves[0];
    let mut quantities: Vec<NamedQuantity> = Vec::new();
    for (index, term) in curve.terms().iter().enumerate().skip(joint.borrowed_terms) {
        quantities.push(NamedQuantity {
            term: term.name.to_string(),
            unit: term.unit.to_string(),
            quantity: Quantity::Term(index),
        });
    }
    for what in derived_quantities(&request.ages_d, &request.masses_g) {
        quantities.push(NamedQuantity {
            term: what.name().into_owned(),
            unit: what.unit().to_owned(),
            quantity: Quantity::Derived(what),
        });
    }
    quantities.retain(|named| request.terms.is_empty() || request.terms.contains(&named.term));
    let mut found: Vec<(Vec<Found>, Missing)> = quantities
        .iter()
        .map(|named| compared(joint, named.quantity, request))
        .collect();
    let mut family: Vec<&mut Vec<Found>> = found.iter_mut().map(|(found, _)| found).collect();
    let law = adjust(joint, &mut family, request);
    let (mut all, mut none) = (Vec::new(), Vec::new());
    for (named, (found, missing)) in quantities.iter().zip(found) {
        all.extend(found.iter().map(|found| named.contrast(found)));
        none.extend(missing.into_iter().map(|missing| named.missing(missing)));
    }
    ((all, none), law)
}

/// Contrasts, and those that the data do not determine.
type Contrasts = (Vec<Contrast>, Vec<NoContrast>);

/// One quantity, by its name and unit, pair by pair (above twelve groups each against the
/// mean of all); and those that the data do not determine. P is adjusted by the law of the
/// trait's family where there is one, otherwise over the comparisons of the quantity.
#[must_use]
pub fn of_quantity(
    joint: &Joint,
    (term, unit, quantity): (&str, &str, Quantity),
    (request, law): (&Request, Option<&Simultaneous>),
) -> (Vec<Contrast>, Vec<NoContrast>) {
    let named = NamedQuantity {
        term: term.to_owned(),
        unit: unit.to_owned(),
        quantity,
    };
    let (mut found, missing) = compared(joint, quantity, request);
    match law {
        Some(law) => adjust_by(law, &mut [&mut found], request.confidence),
        None => {
            adjust(joint, &mut [&mut found], request);
        }
    }
    let missing = missing.into_iter().map(|missing| named.missing(missing));
    let found = found.iter().map(|found| named.contrast(found));
    (found.collect(), missing.collect())
}

/// A quantity by its name and unit.
struct NamedQuantity {
    term: String,
    unit: String,
    quantity: Quantity,
}

impl NamedQuantity {
    fn contrast(&self, found: &Found) -> Contrast {
        Contrast {
            term: self.term.clone(),
            unit: self.unit.clone(),
            quantity: self.quantity,
            a: found.a,
            b: found.b,
            difference: found.difference.value,
            standard_error: found.difference.standard_error,
            interval: found.interval,
            simultaneous: found.simultaneous,
            percent: (found.difference.reference != 0.0)
                .then(|| 100.0 * found.difference.value / found.difference.reference.abs()),
            p_value: found.p_value,
            p_adjusted: found.p_adjusted,
        }
    }

    fn missing(&self, (a, b, reason): (usize, Against, NotEstimable)) -> NoContrast {
        NoContrast {
            term: self.term.clone(),
            unit: self.unit.clone(),
            a,
            b,
            reason,
        }
    }
}

/// One quantity in all comparisons.
fn compared(joint: &Joint, quantity: Quantity, request: &Request) -> (Vec<Found>, Missing) {
    if joint.groups.len() > Against::MOST_IN_PAIRS {
        against_mean(joint, quantity, request)
    } else {
        in_pairs(joint, quantity, request)
    }
}

/// All pairs of this number of places, the first before the second.
pub(super) fn pairs(count: usize) -> impl Iterator<Item = (usize, usize)> {
    (0..count).flat_map(move |a| (a + 1..count).map(move |b| (a, b)))
}

/// A difference with its inference.
struct Found {
    a: usize,
    b: Against,
    difference: Difference,
    interval: Option<Interval>,
    simultaneous: Option<Interval>,
    p_value: Option<f64>,
    p_adjusted: Option<f64>,
    /// Of a pair: the gradient in the terms of all groups.
    gradient: Option<DVector<f64>>,
}

impl Found {
    /// With the interval of this comparison alone, or at the `factor` of all together.
    fn of(
        (a, b): (usize, Against),
        difference: Difference,
        factor: Option<f64>,
        confidence: f64,
    ) -> Self {
        let together = factor.is_some();
        let factor = factor.unwrap_or_else(|| t_two_sided_quantile(confidence, difference.df));
        let error = difference.standard_error;
        let interval = error.map(|error| Interval::around(difference.value, factor * error));
        Self {
            a,
            b,
            difference,
            interval,
            simultaneous: interval.filter(|_| together),
            p_value: error.map(|error| t_two_sided(difference.value / error, difference.df)),
            p_adjusted: None,
            gradient: None,
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
            Adjust::MaxT | Adjust::Holm | Adjust::None => None,
        };
        let mut found = Found::of(whose, difference, factor, request.confidence);
        found.gradient = joint.gradient_of_difference(a, b, quantity);
        if request.adjust == Adjust::Tukey {
            let adjusted = |t| tukey(t, groups, difference.df).ok();
            found.p_adjusted = found.t().and_then(adjusted);
        }
        all.push(found);
    }
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
        Adjust::MaxT | Adjust::Holm | Adjust::None => None,
    };
    let factor = law
        .as_ref()
        .and_then(|law| law.critical_value(request.confidence).ok());
    let all: Vec<Found> = differences
        .into_iter()
        .map(|(group, difference)| {
            let whose = (group, Against::MeanOfAll);
            let mut found = Found::of(whose, difference, factor, request.confidence);
            found.p_adjusted = law.as_ref().zip(found.t()).map(|(law, t)| law.p_value(t));
            found
        })
        .collect();
    (all, missing)
}

/// Fills in the adjusted p values of the comparisons of several quantities, which are one
/// family by the greatest t, and each a family by Holm's method; Tukey's stand. Gives the law
/// of the greatest t.
fn adjust(
    joint: &Joint,
    family: &mut [&mut Vec<Found>],
    request: &Request,
) -> Option<Simultaneous> {
    match request.adjust {
        Adjust::Tukey => {}
        Adjust::None => adjusted_by(family, |p_values| Some(p_values.to_vec())),
        Adjust::Holm => family
            .iter_mut()
            .for_each(|found| adjusted_by(&mut [*found], |p_values| holm(p_values).ok())),
        Adjust::MaxT => {
            let Some(law) = law_of_family(joint, family, request.seed) else {
                // Of the many comparisons with the mean of all no joint law is drawn.
                adjusted_by(family, |p_values| holm(p_values).ok());
                return None;
            };
            adjust_by(&law, family, request.confidence);
            return Some(law);
        }
    }
    None
}

/// Adjusted p values and simultaneous intervals by the law of the greatest t of a family.
fn adjust_by(law: &Simultaneous, family: &mut [&mut Vec<Found>], confidence: f64) {
    let critical = law.critical_value(confidence).ok();
    for found in family.iter_mut().flat_map(|found| found.iter_mut()) {
        let Difference { value, df, .. } = found.difference;
        if let (Some(t), Some(p)) = (found.t(), found.p_value) {
            // By simulation, it could come out smaller.
            found.p_adjusted = Some(law.p_value(in_units(t, df)).max(p));
        }
        let error = found.difference.standard_error;
        found.simultaneous = critical
            .zip(error)
            .map(|(critical, error)| Interval::around(value, critical / in_units(1.0, df) * error));
    }
}

/// The law of the greatest |t| of all comparisons of a family, quantity by quantity; `None`
/// without gradients, or where nothing has an error.
fn law_of_family(joint: &Joint, family: &[&mut Vec<Found>], seed: u64) -> Option<Simultaneous> {
    let root = root_of(&joint.covariance)?;
    let (mut rows, mut of, mut df) = (Vec::new(), Vec::new(), Vec::new());
    for found in family {
        let mut fewest = f64::INFINITY;
        for found in found.iter().filter(|found| found.p_value.is_some()) {
            rows.push(root.tr_mul(found.gradient.as_ref()?).transpose());
            of.push(df.len());
            fewest = fewest.min(found.difference.df);
        }
        df.push(fewest);
    }
    if rows.is_empty() {
        return None;
    }
    let rows = DMatrix::from_rows(&rows);
    Simultaneous::of_families(&rows, &of, &df, DRAWS, seed).ok()
}

/// Adjusted p values of all comparisons of a family, from their p values in order.
fn adjusted_by(family: &mut [&mut Vec<Found>], method: impl Fn(&[f64]) -> Option<Vec<f64>>) {
    let p_values: Vec<f64> = family
        .iter()
        .flat_map(|found| found.iter().filter_map(|found| found.p_value))
        .collect();
    let Some(adjusted) = method(&p_values) else {
        return;
    };
    let all = family.iter_mut().flat_map(|found| found.iter_mut());
    let with_p = all.filter(|found| found.p_value.is_some());
    for (found, p) in with_p.zip(adjusted) {
        found.p_adjusted = Some(p);
    }
}
