//! The population that a mixed fit estimates, without its subjects: all that a new subject
//! is judged by, and all that is needed to draw one.
//!
//! A [`Population`] comes from [`MixedFit::population`] or, read from a file, from
//! [`Population::new`]. [`Population::forecast`](super::Population::forecast) updates
//! it with a new subject's own values (`forecast.rs`), [`Population::simulate`] draws
//! subjects from it (`simulate.rs`), [`Population::model`] fits its model again.

use std::sync::Arc;

use super::model::{Correlation, GroupedTerms, MixedModel, MixedOptions, RandomScale, RandomTerm};
use super::problem;
use super::result::MixedFit;
use super::scale::{self, TermScale};
use crate::error::{Error, Result};
use crate::fit::Variance;
use crate::growth::Curve;

/// A population of subjects that follow one curve: typical terms of each group, how
/// subjects differ, and the residuals.
#[derive(Debug, Clone)]
pub struct Population {
    pub(super) curve: Arc<dyn Curve>,
    options: MixedOptions,
    pub(super) grouped: Vec<bool>,
    pub(super) random: Vec<usize>,
    pub(super) scales: Vec<TermScale>,
    /// Fixed-effect groups.
    pub(super) groups: usize,
    /// Fixed effect of each term in each group, groups x p.
    pub(super) columns: Vec<usize>,
    /// Fixed effects and their covariance on the engine's scales.
    pub(super) beta: Vec<f64>,
    pub(super) beta_covariance: Vec<f64>,
    random_covariance: Vec<f64>,
    /// Lower-triangular factor of that, q x q.
    pub(super) factor: Vec<f64>,
    /// Residual SD (at a fitted value of 1 where the spread follows the mean).
    pub(super) sigma: f64,
    pub(super) power: f64,
    pub(super) ar1: Option<f64>,
    subjects: usize,
    observations: usize,
}

/// A population in plain numbers, as a file holds it.
#[derive(Debug, Clone, PartialEq)]
pub struct PopulationNumbers {
    /// Fixed-effect groups.
    pub groups: usize,
    /// Fixed effects in their terms' own units: terms in the curve's order, within a
    /// term the groups (one value where the groups share it).
    pub fixed: Vec<f64>,
    /// Covariance of the fixed effects, row-major, on the scales on which they add: the
    /// term itself, ln(term) of a term with a random effect on the log scale, ln of the
    /// excess over the lower of an ordered pair.
    pub fixed_covariance: Vec<f64>,
    /// Covariance of the random effects on their scales, row-major.
    pub random_covariance: Vec<f64>,
    /// Residual SD; the factor of |fitted|^power where the spread follows the mean; of
    /// the logarithms where the error is log-normal.
    pub sigma: f64,
    /// Power of the fitted value in the residual SD, where it was estimated.
    pub power: Option<f64>,
    /// Correlation of residuals one day apart, where it was estimated.
    pub ar1: Option<f64>,
    /// Subjects that it was estimated from.
    pub subjects: usize,
    /// Their observations.
    pub observations: usize,
}

impl MixedFit {
    /// The population that this fit estimates; where its subjects had clusters, one whose
    /// subjects are each of a different cluster.
    ///
    /// `model` is that of the fit, `curve` the model's curve.
    #[must_use]
    pub fn population(&self, model: &MixedModel<'_>, curve: &Arc<dyn Curve>) -> Population {
        let sigma = self.state.variance.sqrt();
        let (effects, random_covariance) = self.new_subject(model);
        let mut random = model.options().random;
        let named = model.options().cluster;
        random.extend(named.into_iter().filter(|one| {
            let subjects = model.random.iter();
            let mut names = subjects.map(|term| &model.curve.terms()[*term].name);
            !names.any(|name| *name == one.term)
        }));
        let mut factor: Vec<f64> = self.state.factor.iter().map(|l| l * sigma).collect();
        if !self.cluster.is_empty() {
            // The sum of two covariances is one.
            factor = semidefinite_factor(&random_covariance, effects.len()).unwrap_or(factor);
        }
        Population {
            curve: curve.clone(),
            options: MixedOptions {
                random,
                cluster: Vec::new(),
                estimator: self.estimator,
                ..model.options()
            },
            grouped: model.grouped.clone(),
            random: effects,
            scales: model.scales.clone(),
            groups: self.groups(),
            columns: problem::columns(&model.grouped, self.groups()).0,
            beta: self.state.beta.clone(),
            beta_covariance: self.beta_covariance.clone(),
            random_covariance,
            factor,
            sigma: self.sigma,
            power: self.variance_power(),
            ar1: self.ar1.map(|ar1| ar1.value),
            subjects: self.subject_groups.len(),
            observations: self.n,
        }
    }
}

impl Population {
    /// A population from numbers, such as those of a file.
    ///
    /// # Errors
    /// As [`MixedModel::new`]; numbers that are too few or too many, not finite, or
    /// out of their range.
    pub fn new(
        curve: Arc<dyn Curve>,
        options: &MixedOptions,
        numbers: &PopulationNumbers,
    ) -> Result<Self> {
        let model = MixedModel::new(&*curve, options)?;
        let (grouped, random, scales) = (model.grouped, model.random, model.scales);
        let (p, q) = (grouped.len(), random.len());
        let (columns, fixed) = problem::columns(&grouped, numbers.groups);
        numbers.check(fixed, q, options)?;
        let mut beta = vec![0.0; fixed];
        for group in 0..numbers.groups {
            let columns = &columns[group * p..(group + 1) * p];
            let terms: Vec<f64> = columns.iter().map(|at| numbers.fixed[*at]).collect();
            let mut eta = vec![0.0; p];
            if !scale::from_terms(&scales, &terms, &mut eta) {
                return Err(Error::input(format!(
                    "fixed effects {terms:?}: a term at or below zero on the log scale, or two terms out of order"
                )));
            }
            for (eta, column) in eta.iter().zip(columns) {
                beta[*column] = *eta;
            }
        }
        let factor = semidefinite_factor(&numbers.random_covariance, q).ok_or_else(|| {
            Error::input("covariance of the random effects: found one that no numbers can have (not positive semidefinite)")
        })?;
        Ok(Self {
            options: options.clone(),
            grouped,
            random,
            scales,
            groups: numbers.groups,
            columns,
            beta,
            beta_covariance: numbers.fixed_covariance.clone(),
            random_covariance: numbers.random_covariance.clone(),
            factor,
            sigma: numbers.sigma,
            power: numbers.power.unwrap_or(match options.variance {
                Variance::Constant => 0.0,
                _ => 1.0,
            }),
            ar1: numbers.ar1,
            subjects: numbers.subjects,
            observations: numbers.observations,
            curve,
        })
    }

    /// The population in plain numbers, from which [`Population::new`] makes it again.
    #[must_use]
    pub fn numbers(&self) -> PopulationNumbers {
        let p = self.grouped.len();
        let mut fixed = vec![0.0; self.beta.len()];
        for group in 0..self.groups {
            let terms = self.group_terms(group);
            for (term, column) in terms.iter().zip(&self.columns[group * p..]) {
                fixed[*column] = *term;
            }
        }
        PopulationNumbers {
            groups: self.groups,
            fixed,
            fixed_covariance: self.beta_covariance.clone(),
            random_covariance: self.random_covariance.clone(),
            sigma: self.sigma,
            power: (self.options.variance == Variance::Power).then_some(self.power),
            ar1: self.ar1,
            subjects: self.subjects,
            observations: self.observations,
        }
    }

    /// Groups, as many as given, that are all like the one that it has: what a study of strains
    /// not observed yet is planned with.
    ///
    /// # Errors
    /// Where it has not one group, or none are requested.
    pub fn with_groups_alike(&self, groups: usize) -> Result<Self> {
        let mut numbers = self.numbers();
        let p = self.grouped.len();
        if numbers.groups != 1 || groups == 0 {
            return Err(Error::call(format!(
                "groups alike: found {} groups and {groups} requested, expected one to be repeated",
                numbers.groups
            )));
        }
        // Of one group, term and fixed effect are the same.
        let of: Vec<(usize, usize)> = (0..p)
            .flat_map(|term| {
                let own = if self.grouped[term] { groups } else { 1 };
                (0..own).map(move |group| (term, group))
            })
            .collect();
        numbers.fixed = of.iter().map(|(term, _)| numbers.fixed[*term]).collect();
        let covariance = |(a, group_a): &(usize, usize), (b, group_b): &(usize, usize)| {
            let both = group_a == group_b || !self.grouped[*a] || !self.grouped[*b];
            if both {
                self.beta_covariance[a * p + b]
            } else {
                0.0
            }
        };
        let rows = of
            .iter()
            .flat_map(|row| of.iter().map(|column| covariance(row, column)));
        numbers.fixed_covariance = rows.collect();
        numbers.groups = groups;
        numbers.subjects *= groups;
        numbers.observations *= groups;
        Self::new(self.curve.clone(), &self.options, &numbers)
    }

    /// The curve.
    #[must_use]
    pub fn curve(&self) -> &Arc<dyn Curve> {
        &self.curve
    }

    /// The options of the model, by name.
    #[must_use]
    pub fn options(&self) -> &MixedOptions {
        &self.options
    }

    /// The model, ready to be fitted to subjects drawn from this population.
    #[must_use]
    pub fn model(&self) -> MixedModel<'_> {
        MixedModel {
            curve: &*self.curve,
            grouped: self.grouped.clone(),
            random: self.random.clone(),
            unsupported: Vec::new(),
            off_zero: false,
            cluster: Vec::new(),
            common_cluster: false,
            between_clusters: false,
            scales: self.scales.clone(),
            covariance: self.options.covariance,
            variance: self.options.variance,
            correlation: self.options.correlation,
            criterion: self.options.criterion,
            estimator: self.options.estimator,
        }
    }

    /// Fixed-effect groups.
    #[must_use]
    pub fn groups(&self) -> usize {
        self.groups
    }

    /// Terms of the typical subject of a group.
    ///
    /// # Panics
    /// Where there is no such group.
    #[must_use]
    pub fn group_terms(&self, group: usize) -> Vec<f64> {
        let p = self.grouped.len();
        let columns = &self.columns[group * p..(group + 1) * p];
        let eta: Vec<f64> = columns.iter().map(|at| self.beta[*at]).collect();
        let mut terms = vec![0.0; p];
        scale::to_terms(&self.scales, &eta, &mut terms);
        terms
    }

    /// Covariance of the random effects, q x q, in the order of the options' random
    /// terms and on their scales.
    #[must_use]
    pub fn random_covariance(&self) -> &[f64] {
        &self.random_covariance
    }

    /// Residual SD; the factor of |fitted|^power where the spread follows the mean.
    #[must_use]
    pub fn sigma(&self) -> f64 {
        self.sigma
    }

    /// Subjects that it was estimated from.
    #[must_use]
    pub fn subjects(&self) -> usize {
        self.subjects
    }

    /// Observations that it was estimated from.
    #[must_use]
    pub fn observations(&self) -> usize {
        self.observations
    }

    /// Degrees of freedom of a forecast's interval: subjects minus groups, since what is
    /// known of how subjects differ is limited by how many there were.
    #[must_use]
    pub fn df(&self) -> usize {
        self.subjects.saturating_sub(self.groups).max(1)
    }
}

impl PopulationNumbers {
    fn check(&self, fixed: usize, q: usize, options: &MixedOptions) -> Result<()> {
        let lengths = [
            ("fixed effects", self.fixed.len(), fixed),
            (
                "covariance of the fixed effects",
                self.fixed_covariance.len(),
                fixed * fixed,
            ),
            (
                "covariance of the random effects",
                self.random_covariance.len(),
                q * q,
            ),
        ];
        for (what, found, expected) in lengths {
            if found != expected {
                return Err(Error::input(format!(
                    "{what}: found {found} numbers, expected {expected}"
                )));
            }
        }
        let numbers = self.fixed.iter().chain(&self.fixed_covariance);
        let power = self.power.unwrap_or(0.0);
        if !numbers
            .chain(&self.random_covariance)
            .chain([&power])
            .all(|number| number.is_finite())
        {
            return Err(Error::input(
                "population: found a number that is not finite",
            ));
        }
        if self.power.is_some() != (options.variance == Variance::Power) {
            return Err(Error::input(
                "power of the residuals: expected one where the spread follows a power of the mean, and nowhere else",
            ));
        }
        let correlated = options.correlation == Correlation::Ar1;
        if self.ar1.is_some() != correlated || self.ar1.is_some_and(|phi| !(phi > 0.0 && phi < 1.0))
        {
            return Err(Error::input(
                "correlation of the residuals: expected a number between 0 and 1 where they are correlated, and none elsewhere",
            ));
        }
        if !(self.sigma > 0.0 && self.sigma.is_finite()) {
            return Err(Error::input(format!(
                "sigma: found {}, expected a number above 0",
                self.sigma
            )));
        }
        if self.groups == 0 || self.subjects < self.groups || self.observations < self.subjects {
            return Err(Error::input(format!(
                "counts: found {} groups, {} subjects and {} observations, expected each to be at least the one before, and a group",
                self.groups, self.subjects, self.observations
            )));
        }
        let variances = (0..fixed).map(|at| self.fixed_covariance[at * fixed + at]);
        if variances.clone().any(|variance| variance < 0.0)
            || !symmetric(&self.fixed_covariance, fixed)
            || !symmetric(&self.random_covariance, q)
        {
            return Err(Error::input(
                "covariance: found one that is not symmetric, or with a variance below 0",
            ));
        }
        Ok(())
    }
}

fn symmetric(matrix: &[f64], n: usize) -> bool {
    (0..n).all(|row| {
        (0..row).all(|column| {
            let (a, b) = (matrix[row * n + column], matrix[column * n + row]);
            // Rounding of a product taken in two orders.
            (a - b).abs() <= 1e-8 * (a.abs() + b.abs())
        })
    })
}

/// Lower-triangular factor of a covariance in which a variance may be 0; `None` where
/// the matrix is no covariance.
fn semidefinite_factor(covariance: &[f64], n: usize) -> Option<Vec<f64>> {
    let mut factor = vec![0.0_f64; n * n];
    for j in 0..n {
        let size = covariance[j * n + j];
        let taken: f64 = (0..j).map(|k| factor[j * n + k].powi(2)).sum();
        let pivot = size - taken;
        // What rounding leaves of a pivot that is 0.
        let none = 1e-12 * size.abs();
        if pivot < -none {
            return None;
        }
        let root = if pivot > none { pivot.sqrt() } else { 0.0 };
        factor[j * n + j] = root;
        for i in j + 1..n {
            let shared: f64 = (0..j).map(|k| factor[i * n + k] * factor[j * n + k]).sum();
            let rest = covariance[i * n + j] - shared;
            if root > 0.0 {
                factor[i * n + j] = rest / root;
            } else if rest.abs() > 1e-6 * (size * covariance[i * n + i]).abs().sqrt() {
                return None;
            }
        }
    }
    Some(factor)
}

impl MixedModel<'_> {
    /// The options that make this model, by name.
    #[must_use]
    pub fn options(&self) -> MixedOptions {
        let terms = self.curve.terms();
        let name = |term: usize| terms[term].name.to_string();
        let grouped = if self.grouped.iter().all(|grouped| *grouped) {
            GroupedTerms::All
        } else if self.grouped.contains(&true) {
            let named = (0..terms.len()).filter(|term| self.grouped[*term]);
            GroupedTerms::Named(named.map(name).collect())
        } else {
            GroupedTerms::None
        };
        let effect = |term: &usize| RandomTerm {
            term: name(*term),
            scale: match self.scales[*term] {
                TermScale::Log => RandomScale::Log,
                TermScale::Natural | TermScale::Above(_) => RandomScale::Natural,
            },
        };
        let ordered = self.scales.iter().enumerate().filter_map(|(high, scale)| {
            let TermScale::Above(low) = scale else {
                return None;
            };
            Some((name(*low), name(high)))
        });
        MixedOptions {
            grouped,
            random: self.random.iter().map(effect).collect(),
            unsupported: Vec::new(),
            cluster: self.cluster.iter().map(effect).collect(),
            common_cluster: self.common_cluster,
            between_clusters: false,
            ordered: ordered.collect(),
            covariance: self.covariance,
            variance: self.variance,
            correlation: self.correlation,
            criterion: self.criterion,
            estimator: self.estimator,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_covariance_with_an_effect_of_no_spread_has_a_factor() {
        let factor = semidefinite_factor(&[4.0, 0.0, 2.0, 0.0, 0.0, 0.0, 2.0, 0.0, 5.0], 3);
        assert_eq!(
            factor,
            Some(vec![2.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 2.0])
        );
        assert!(semidefinite_factor(&[1.0, 2.0, 2.0, 1.0], 2).is_none());
    }
}
