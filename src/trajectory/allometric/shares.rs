//! Shares of body weight, masses at an age that is itself estimated, and whether the parts
//! of the body add up to its weight.

use std::collections::BTreeMap;

use nalgebra::DVector;

use super::AllometricFit;
use crate::fit::mixed::{Estimated, MixedFit};
use crate::growth::Curve as _;

/// The parts of the typical bird of a group against its weight.
#[derive(Debug, Clone, PartialEq)]
pub struct Closure {
    /// Group of the weight model.
    pub group: usize,
    /// Age, d.
    pub age_d: f64,
    /// Each part, g, in the order of the fits.
    pub parts_g: Vec<f64>,
    /// Their sum, g.
    pub sum_g: Estimated,
    /// Body weight, g.
    pub weight_g: f64,
    /// Sum over body weight; the rest is feathers, and what the parts lack.
    pub share: Estimated,
}

impl AllometricFit {
    /// Mass of the typical bird of a group over its body weight at an age; none of a group
    /// without scans.
    ///
    /// Mass and weight share the errors of the weight curve.
    #[must_use]
    pub fn share(&self, group: usize, age_d: f64) -> Option<Estimated> {
        let terms = self.group_terms.get(group)?.as_ref()?;
        let (weight_g, of_weight) = self.weight_at(terms, age_d);
        let mut gradient = vec![0.0; terms.len()];
        let mass_g = self.curve.value_and_gradient(age_d, terms, &mut gradient);
        let share = mass_g / weight_g;
        for (j, g) in gradient.iter_mut().enumerate() {
            *g = (*g - share * of_weight.get(j).copied().unwrap_or(0.0)) / weight_g;
        }
        Some(Estimated {
            value: share,
            standard_error: Some(self.error_of(&[(group, gradient)])),
        })
    }

    /// Body weight at an age and its gradient in the weight terms.
    fn weight_at(&self, terms: &[f64], age_d: f64) -> (f64, Vec<f64>) {
        let own = self.curve.weight_terms();
        let mut gradient = vec![0.0; own];
        let weight = self.curve.weight();
        let weight_g = weight.value_and_gradient(age_d, &terms[..own], &mut gradient);
        (weight_g, gradient)
    }

    /// Gradient of a linear form in a group's coefficients, in the columns of the fit.
    fn in_columns(&self, group: usize, of_coefficients: &[f64]) -> Option<DVector<f64>> {
        let mut whole = DVector::zeros(self.shared.nrows());
        let columns = self.columns.get(group)?.as_ref()?;
        for ((column, slope), g) in columns.iter().zip(of_coefficients) {
            if let Some(column) = column {
                whole[*column] += slope * g;
            }
        }
        Some(whole)
    }
}

/// The sum of parts, such as fat, lean and bone, against body weight: of the typical bird
/// of each group with scans of all parts, at each age.
///
/// The parts are estimated from the same scans, so that what one lacks another often has.
/// The covariance of their coefficients is that of the birds' contributions to each (a
/// sandwich by bird, times n / (n - 1)); the equations' errors and the weight curve's are
/// common to all parts.
///
/// `weight` is the fit of body weight that all parts were made with.
#[must_use]
pub fn closure(parts: &[&AllometricFit], weight: &MixedFit, ages_d: &[f64]) -> Vec<Closure> {
    let mut rows = Vec::new();
    let Some(first) = parts.first() else {
        return rows;
    };
    for group in 0..first.group_terms.len() {
        for age_d in ages_d {
            rows.extend(closure_at(parts, weight, group, *age_d));
        }
    }
    rows
}

fn closure_at(
    parts: &[&AllometricFit],
    weight: &MixedFit,
    group: usize,
    age_d: f64,
) -> Option<Closure> {
    let terms: Option<Vec<&Vec<f64>>> = parts
        .iter()
        .map(|part| part.group_terms.get(group)?.as_ref())
        .collect();
    let terms = terms?;
    let own = parts.first()?.curve.weight_terms();
    let (weight_g, of_weight) = parts.first()?.weight_at(terms[0], age_d);
    let (mut parts_g, mut columns) = (Vec::new(), Vec::new());
    let mut in_weight = DVector::zeros(own);
    for (part, terms) in parts.iter().zip(&terms) {
        let mut gradient = vec![0.0; terms.len()];
        parts_g.push(part.curve.value_and_gradient(age_d, terms, &mut gradient));
        in_weight += DVector::from_column_slice(&gradient[..own]);
        columns.push(part.in_columns(group, &gradient[own..])?);
    }
    let sum_g: f64 = parts_g.iter().sum();
    let mut birds: BTreeMap<usize, f64> = BTreeMap::new();
    let mut shared: DVector<f64> = DVector::zeros(0);
    for (part, column) in parts.iter().zip(&columns) {
        for (bird, influence) in &part.influences {
            *birds.entry(*bird).or_default() += column.dot(influence);
        }
        let own = part.shared.transpose() * column;
        if shared.len() < own.len() {
            shared = shared.resize_vertically(own.len(), 0.0);
        }
        for (sum, own) in shared.iter_mut().zip(own.iter()) {
            *sum += own;
        }
    }
    let n = birds.len() as f64;
    let of_birds =
        birds.values().map(|effect| effect * effect).sum::<f64>() * n / (n - 1.0).max(1.0);
    let of_parts = of_birds + shared.norm_squared();
    let covariance = weight.group_covariance(group);
    let variance = |gradient: &DVector<f64>| -> f64 {
        (0..own * own)
            .map(|at| gradient[at / own] * covariance[at] * gradient[at % own])
            .sum()
    };
    let share = sum_g / weight_g;
    let of_share = (&in_weight - DVector::from_column_slice(&of_weight) * share) / weight_g;
    let error = |own: f64, weight: f64| Some((own + weight).max(0.0).sqrt());
    Some(Closure {
        group,
        age_d,
        sum_g: Estimated {
            value: sum_g,
            standard_error: error(of_parts, variance(&in_weight)),
        },
        weight_g,
        share: Estimated {
            value: share,
            standard_error: error(of_parts / weight_g.powi(2), variance(&of_share)),
        },
        parts_g,
    })
}
