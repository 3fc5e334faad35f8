//! The terms of all groups together, with the covariance between them.
//!
//! Pooled: one curve through all weighings of a group. Its covariance is that of the
//! sandwich by bird, since the weighings of one bird are alike, or by pen where pens are
//! the unit of comparison; degrees of freedom are units minus one in each group, joined by Welch and Satterthwaite's rule for a
//! difference. Where a group has too few birds for that (no more than terms), the
//! weighings are taken as independent, with a note.
//!
//! Mixed: the model of the trait, with separate fixed effects in each group and random
//! effects by bird; each difference has degrees of freedom by Satterthwaite's rule from the
//! errors of the variance terms ([`CovarianceError`]), so that one that rests on pens has few
//! and one that rests on birds has many. Where a fit has no such errors they are birds
//! minus groups, or pens minus groups (the counting of differences between subjects in
//! Pinheiro and Bates 2000, 2.4.2, from memory).

use std::sync::Arc;

use nalgebra::{DMatrix, DVector};

use super::Request;
use super::grouping::Sample;
use crate::fit::estimable::{Fitted, NotEstimable, Reach};
use crate::fit::influence;
use crate::fit::interval::{Estimate, SamplingDistribution};
use crate::fit::mixed::{CovarianceError, FixedEffect};
use crate::fit::profile::Quantity;
use crate::fit::{Outcome, Workspace, fit};
use crate::growth::Curve;
use crate::stats::tube::{self, Scale};
use crate::trajectory::allometric::AllometricFit;
use crate::trajectory::{Described, Group, PopulationFit, TraitModel, ready};

/// How the terms of the groups were found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// A fit to all weighings of each group.
    Pooled,
    /// The model of all birds.
    Mixed,
}

impl Source {
    /// `strain` or `population`, as the option `--level` names them.
    #[must_use]
    pub fn level(self) -> &'static str {
        match self {
            Self::Pooled => "strain",
            Self::Mixed => "population",
        }
    }
}

/// The terms of several groups and their joint covariance.
#[derive(Debug, Clone)]
pub struct Joint {
    /// How they were found.
    pub source: Source,
    /// Index into the names of the groups.
    pub groups: Vec<usize>,
    /// The curve of each group: the same, but where it is held at a hatch weight.
    pub curves: Vec<Arc<dyn Curve>>,
    /// Terms of each group, groups x p.
    pub terms: Vec<Vec<f64>>,
    /// Covariance of all of them, group by group.
    pub covariance: DMatrix<f64>,
    /// Degrees of freedom of each group, or one number for all.
    pub(super) df: DegreesOfFreedom,
    /// How far the data of each group reach.
    pub reaches: Vec<Reach>,
    /// How many of the first terms are those of the model of body weight, which compares them.
    pub(super) borrowed_terms: usize,
}

#[derive(Debug, Clone)]
pub(super) enum DegreesOfFreedom {
    /// One number for all.
    Common(f64),
    /// Of each group, all independent.
    Each(Vec<f64>),
    /// Of each combination of terms.
    OfModel {
        error: Arc<CovarianceError>,
        /// The model's group at each place.
        groups: Vec<usize>,
    },
}

/// A difference between a group and another, or the mean of all.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// Value in the first minus value in the second.
    pub value: f64,
    /// Value in the second.
    pub reference: f64,
    /// Standard error, where there is one.
    pub standard_error: Option<f64>,
    /// Degrees of freedom of the standard error.
    pub df: f64,
}

impl Joint {
    /// A quantity of the group at one place, with its interval.
    ///
    /// # Errors
    /// Why there is none: the curve has none, or the data do not determine it.
    pub fn value(
        &self,
        at: usize,
        quantity: Quantity,
        level: f64,
    ) -> std::result::Result<Estimate, NotEstimable> {
        let p = self.terms[at].len();
        let block = self.covariance.view((at * p, at * p), (p, p));
        // Symmetric: by columns is by rows.
        let covariance: Vec<f64> = block.iter().copied().collect();
        let fitted = Fitted {
            curve: &*self.curves[at],
            law: SamplingDistribution {
                terms: &self.terms[at],
                covariance: &covariance,
                df: match &self.df {
                    DegreesOfFreedom::Common(df) => *df,
                    DegreesOfFreedom::Each(each) => each[at],
                    DegreesOfFreedom::OfModel { .. } => f64::INFINITY,
                },
                error: match &self.df {
                    DegreesOfFreedom::OfModel { error, groups } => Some((&**error, groups[at])),
                    _ => None,
                },
            },
            reach: self.reaches[at],
        };
        match quantity {
            Quantity::Term(index) => fitted.term(index, level),
            Quantity::Derived(what) => fitted.derived(what, level),
        }
    }

    /// The difference in a quantity between the groups at two places.
    ///
    /// # Errors
    /// Why there is none, where the data of one of them do not determine the quantity.
    pub fn difference(
        &self,
        a: usize,
        b: usize,
        quantity: Quantity,
    ) -> std::result::Result<Difference, NotEstimable> {
        for at in [a, b] {
            self.value(at, quantity, 0.95)?;
        }
        let p = self.terms[a].len();
        let (mut gradient_a, mut gradient_b) = (vec![0.0; p], vec![0.0; p]);
        let value_a = quantity.value(&*self.curves[a], &self.terms[a], &mut gradient_a);
        let value_b = quantity.value(&*self.curves[b], &self.terms[b], &mut gradient_b);
        let (value_a, value_b) = value_a.zip(value_b).ok_or(NotEstimable::Absent)?;
        Ok(self.of_gradients((a, value_a, &gradient_a), (b, value_b, &gradient_b)))
    }

    /// Gradient of the difference in a quantity between the groups at two places, in the
    /// terms of all groups; `None` where one of them has no such quantity.
    pub(super) fn gradient_of_difference(
        &self,
        a: usize,
        b: usize,
        quantity: Quantity,
    ) -> Option<DVector<f64>> {
        let p = self.terms[a].len();
        let mut all = DVector::zeros(self.covariance.nrows());
        let mut gradient = vec![0.0; p];
        for (at, sign) in [(a, 1.0), (b, -1.0)] {
            quantity.value(&*self.curves[at], &self.terms[at], &mut gradient)?;
            for (entry, slope) in all.rows_mut(at * p, p).iter_mut().zip(&gradient) {
                *entry += sign * slope;
            }
        }
        Some(all)
    }

    /// The difference between the curves of two groups at an age.
    #[must_use]
    pub fn difference_at(&self, a: usize, b: usize, age_d: f64) -> Difference {
        let p = self.terms[a].len();
        let (mut gradient_a, mut gradient_b) = (vec![0.0; p], vec![0.0; p]);
        let value_a = self.curves[a].value_and_gradient(age_d, &self.terms[a], &mut gradient_a);
        let value_b = self.curves[b].value_and_gradient(age_d, &self.terms[b], &mut gradient_b);
        self.of_gradients((a, value_a, &gradient_a), (b, value_b, &gradient_b))
    }

    fn of_gradients(&self, a: (usize, f64, &[f64]), b: (usize, f64, &[f64])) -> Difference {
        let variance_a = self.covariance_of(a.0, a.2, a.0, a.2);
        let variance_b = self.covariance_of(b.0, b.2, b.0, b.2);
        let variance = variance_a + variance_b - 2.0 * self.covariance_of(a.0, a.2, b.0, b.2);
        let df = match &self.df {
            DegreesOfFreedom::Common(df) => *df,
            DegreesOfFreedom::Each(each) => {
                let weight = variance_a.powi(2) / each[a.0] + variance_b.powi(2) / each[b.0];
                if weight > 0.0 {
                    (variance_a + variance_b).powi(2) / weight
                } else {
                    each[a.0] + each[b.0]
                }
            }
            DegreesOfFreedom::OfModel { error, groups } => {
                let opposite: Vec<f64> = b.2.iter().map(|slope| -slope).collect();
                let parts = [(groups[a.0], a.2), (groups[b.0], &opposite[..])];
                error.degrees_of_freedom(variance, &error.changes(&parts, &parts))
            }
        };
        // A difference of rounding alone has no standard error.
        let least = 1e-14 * (variance_a + variance_b);
        Difference {
            value: a.1 - b.1,
            reference: b.1,
            standard_error: (variance > least && variance.is_finite()).then(|| variance.sqrt()),
            df: df.max(1.0),
        }
    }

    /// Variance of a quantity of the group at a place, by its gradient.
    pub(super) fn variance_of(&self, at: usize, gradient: &[f64]) -> f64 {
        self.covariance_of(at, gradient, at, gradient)
    }

    /// Covariance of two quantities of the groups at two places, by their gradients.
    pub(super) fn covariance_of(
        &self,
        a: usize,
        gradient_a: &[f64],
        b: usize,
        gradient_b: &[f64],
    ) -> f64 {
        let p = gradient_a.len();
        let block = self.covariance.view((a * p, b * p), (p, p));
        let right = block * DVector::from_column_slice(gradient_b);
        DVector::from_column_slice(gradient_a).dot(&right)
    }

    /// Standard errors of a band that holds the difference between two curves at all
    /// these ages at once, by the length of its path ([`tube`]).
    ///
    /// `None` where the difference has no error.
    #[must_use]
    pub fn band_factor(
        &self,
        (a, b): (usize, usize),
        ages_d: &[f64],
        df: f64,
        level: f64,
    ) -> Option<f64> {
        let p = self.terms[a].len();
        let gradients = |age_d: &f64| {
            let (mut of_a, mut of_b) = (vec![0.0; p], vec![0.0; p]);
            self.curves[a].value_and_gradient(*age_d, &self.terms[a], &mut of_a);
            self.curves[b].value_and_gradient(*age_d, &self.terms[b], &mut of_b);
            (of_a, of_b)
        };
        let covariance = |one: &(Vec<f64>, Vec<f64>), other: &(Vec<f64>, Vec<f64>)| {
            self.covariance_of(a, &one.0, a, &other.0) + self.covariance_of(b, &one.1, b, &other.1)
                - self.covariance_of(a, &one.0, b, &other.1)
                - self.covariance_of(b, &one.1, a, &other.0)
        };
        let path: Vec<_> = ages_d.iter().map(gradients).collect();
        factor_along(&path, df, level, covariance)
    }
}

/// The factor of a band along a path, from the covariance of any two of its points; `None`
/// where no point has an error.
pub(super) fn factor_along<T>(
    path: &[T],
    df: f64,
    level: f64,
    covariance: impl Fn(&T, &T) -> f64,
) -> Option<f64> {
    let with_error = path.iter().filter_map(|point| {
        let variance = covariance(point, point);
        (variance > 0.0).then(|| (point, variance.sqrt()))
    });
    let points: Vec<(&T, f64)> = with_error.collect();
    points.first()?;
    let steps = points.windows(2);
    let correlations: Vec<f64> = steps
        .map(|pair| covariance(pair[0].0, pair[1].0) / (pair[0].1 * pair[1].1))
        .collect();
    // Every age has a separate variance, from the units' sandwich, or the variance terms.
    tube::band_factor(&correlations, df, level, Scale::OfEachAge).ok()
}

/// The pooled fits of the groups that have one, and why the others have none.
pub(super) fn pooled(
    sample: &Sample,
    curve: &Arc<dyn Curve>,
    request: &Request,
    notes: &mut Vec<(usize, String)>,
) -> Option<(Joint, Vec<PooledFit>)> {
    let p = curve.terms().len();
    let mut fits = Vec::new();
    let mut workspace = Workspace::new();
    for group in 0..sample.kept.len() {
        match pooled_fit(sample, Some(group), curve, request, &mut workspace) {
            Ok(fit) => fits.push((group, fit)),
            Err(reason) => notes.push((sample.kept[group], reason)),
        }
    }
    if fits.len() < 2 {
        return None;
    }
    let mut covariance = DMatrix::zeros(fits.len() * p, fits.len() * p);
    let mut df = Vec::new();
    for (at, (group, fit)) in fits.iter().enumerate() {
        let (birds, units) = (sample.birds_in(*group), sample.units_in(*group));
        let robust = (birds > p && units > 1)
            .then(|| fit.influence(sample))
            .flatten();
        let block = match robust {
            Some(moved) => {
                df.push((units - 1) as f64);
                influence::covariance_between(&moved, &moved)
            }
            None => {
                notes.push((
                    sample.kept[*group],
                    format!("{birds} birds for {p} terms: its standard errors take the weighings of a bird as independent and are too small"),
                ));
                df.push(fit.estimates.residual_df().max(1) as f64);
                DMatrix::from_row_slice(p, p, &fit.estimates.covariance)
            }
        };
        covariance
            .view_mut((at * p, at * p), (p, p))
            .copy_from(&block);
    }
    let joint = Joint {
        source: Source::Pooled,
        groups: fits.iter().map(|(group, _)| sample.kept[*group]).collect(),
        curves: fits.iter().map(|(_, fit)| fit.curve.clone()).collect(),
        terms: fits
            .iter()
            .map(|(_, fit)| fit.estimates.terms.to_vec())
            .collect(),
        covariance,
        df: DegreesOfFreedom::Each(df),
        reaches: fits.iter().map(|(_, fit)| fit.estimates.reach).collect(),
        borrowed_terms: 0,
    };
    Some((joint, fits.into_iter().map(|(_, fit)| fit).collect()))
}

/// A curve through all weighings of a group.
pub(super) struct PooledFit {
    pub(super) curve: Arc<dyn Curve>,
    pub(super) estimates: crate::fit::Estimates,
    pub(super) ages_d: Vec<f64>,
    pub(super) values: Vec<f64>,
    /// The bird of the sample that each value is of.
    pub(super) birds: Vec<usize>,
}

impl PooledFit {
    /// How each unit of the sample moves the terms.
    pub(super) fn influence(&self, sample: &Sample) -> Option<DMatrix<f64>> {
        let units: Vec<usize> = self.birds.iter().map(|bird| sample.units[*bird]).collect();
        let series = crate::fit::Series {
            ages_d: &self.ages_d,
            values: &self.values,
        };
        influence::influence(
            &*self.curve,
            series,
            &self.estimates,
            &units,
            sample.birds.len(),
        )
    }
}

/// The pooled fit of one group, or of all together; the reason where there is none.
pub(super) fn pooled_fit(
    sample: &Sample,
    group: Option<usize>,
    curve: &Arc<dyn Curve>,
    request: &Request,
    workspace: &mut Workspace,
) -> std::result::Result<PooledFit, String> {
    let pooled = sample.pooled(group);
    let (curve, series) =
        ready(curve, pooled.series(), request.hatch_weight_g).map_err(|failure| failure.reason)?;
    match fit(&*curve, series, &request.settings, workspace) {
        Outcome::Converged(estimates) | Outcome::Weak(estimates, _) => {
            let first = pooled.values.len() - series.values.len();
            Ok(PooledFit {
                curve,
                estimates,
                ages_d: series.ages_d.to_vec(),
                values: series.values.to_vec(),
                birds: pooled.birds[first..].to_vec(),
            })
        }
        Outcome::Failed(failure) => Err(failure.reason),
    }
}

/// The groups of a trait's model with their joint covariance; `None` where the model has
/// no numbers. Groups are named as those compared.
pub(super) fn of_model(model: &TraitModel, names: &[String]) -> Option<Joint> {
    let PopulationFit {
        curve,
        cohort,
        outcome,
        ..
    } = match &model.by {
        Described::Growth(fit) => fit,
        Described::Allometry(fit) => return Some(of_allometry(model, fit, names)),
    };
    let fit = outcome.fit()?;
    let p = curve.terms().len();
    // A group that is not compared, such as birds without a treatment, has no name here.
    let place_of = |group: &Group| names.iter().position(|name| *name == group.name);
    let named: Vec<(usize, usize)> = cohort
        .groups
        .iter()
        .enumerate()
        .filter(|(at, _)| model.testable(*at).is_ok())
        .filter_map(|(at, group)| Some((at, place_of(group)?)))
        .collect();
    let count = fit.fixed.len();
    let column = |at: usize, term: usize| {
        let own = |effect: &FixedEffect| {
            effect.term == term && effect.group.is_none_or(|group| group == at)
        };
        fit.fixed.iter().position(own)
    };
    let columns: Vec<usize> = named
        .iter()
        .flat_map(|(at, _)| (0..p).map(move |term| (*at, term)))
        .map(|(at, term)| column(at, term))
        .collect::<Option<_>>()?;
    let covariance = DMatrix::from_fn(columns.len(), columns.len(), |row, other| {
        fit.fixed_covariance[columns[row] * count + columns[other]]
    });
    let df = match &fit.covariance_error {
        Some(error) => DegreesOfFreedom::OfModel {
            error: error.clone(),
            groups: named.iter().map(|(at, _)| *at).collect(),
        },
        // Birds minus groups, or pens minus groups where pens have effects.
        None => DegreesOfFreedom::Common(fit.group_estimates(0).df.max(1) as f64),
    };
    Some(Joint {
        source: Source::Mixed,
        groups: named.iter().map(|(_, place)| *place).collect(),
        curves: vec![curve.clone(); named.len()],
        terms: named
            .iter()
            .map(|(at, _)| fit.group(*at).to_vec())
            .collect(),
        covariance,
        df,
        reaches: named.iter().map(|(at, _)| fit.reaches[*at]).collect(),
        borrowed_terms: 0,
    })
}

/// The groups with scans of an allometry on the weight curves.
fn of_allometry(model: &TraitModel, fit: &AllometricFit, names: &[String]) -> Joint {
    let groups = fit.weight_cohort.groups.iter().enumerate();
    let kept: Vec<(usize, usize, &Vec<f64>)> = groups
        .filter(|(at, _)| model.testable(*at).is_ok())
        .filter_map(|(at, group)| {
            let place = names.iter().position(|name| *name == group.name)?;
            Some((at, place, fit.group_terms[at].as_ref()?))
        })
        .collect();
    let p = fit.curve.terms().len();
    let covariance = DMatrix::from_fn(kept.len() * p, kept.len() * p, |row, column| {
        let at = |index: usize| kept[index / p].0 * p + index % p;
        fit.joint_covariance[(at(row), at(column))]
    });
    let curve: Arc<dyn Curve> = fit.curve.clone();
    Joint {
        source: Source::Mixed,
        groups: kept.iter().map(|(_, place, _)| *place).collect(),
        curves: vec![curve; kept.len()],
        terms: kept.iter().map(|(_, _, terms)| (*terms).clone()).collect(),
        covariance,
        df: match &fit.covariance_error {
            Some(error) => DegreesOfFreedom::OfModel {
                error: error.clone(),
                groups: kept.iter().map(|(at, ..)| *at).collect(),
            },
            None => DegreesOfFreedom::Common(model.df_of(fit) as f64),
        },
        reaches: kept.iter().map(|(at, ..)| fit.reaches[*at]).collect(),
        borrowed_terms: fit.curve.weight_terms(),
    }
}
