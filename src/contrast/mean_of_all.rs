//! One group against the mean of all groups, itself among them.
//!
//! With many groups the pairs grow as their square and are too many to read; each group is
//! then compared with the mean of all:
//!
//! ```text
//! d_g = q_g - m,   m = (1/G) sum over h of q_h
//! Var d_g = Var q_g - 2 Cov(q_g, m) + Var m
//! ```
//!
//! The mean contains the group, so the covariance is not zero: with C the joint
//! covariance of the terms of all groups, g_g the gradient of q_g by the group's own
//! terms and v that of m by all terms, `Cov(q_g, m) = g_g' (C v)_g` and `Var m = v' C v`.
//! For independent groups `Var d_g = (1 - 2/G) Var q_g + Var m`. Where each group has
//! separate degrees of freedom, they are joined by Welch and Satterthwaite's rule over
//! the independent parts, `(1 - 1/G) q_g` and the `q_h / G`; those of a model follow from
//! the errors of its variance terms, for the combination as a whole.
//!
//! # Source
//! Nelson PR, Wludyka PS, Copeland KAF (2005) The Analysis of Means (from memory); the
//! same contrasts are called `eff` in R's emmeans. Checked against matrix algebra in R:
//! `tests/reference/mean_of_all/SOURCE.md`.

use nalgebra::{DMatrix, DVector};

use super::DRAWS;
use super::joint::{DegreesOfFreedom, Difference, Joint, factor_along};
use crate::stats::multiple::Simultaneous;

/// One quantity in every group that has it, with its mean over them.
pub(super) struct MeanOfAll<'a> {
    joint: &'a Joint,
    members: Vec<Member>,
    value: f64,
    variance: f64,
    /// Gradient of the mean by the terms of all groups.
    gradient: DVector<f64>,
    /// C times that gradient.
    moved: DVector<f64>,
    /// Of a model: changes of the mean's variance with its variance terms.
    changes: Vec<f64>,
}

/// The quantity in one group.
pub(super) struct Member {
    /// Place among the groups of the joint terms.
    pub(super) place: usize,
    value: f64,
    gradient: DVector<f64>,
    variance: f64,
}

impl<'a> MeanOfAll<'a> {
    /// The mean of what `quantity` gives with its gradient in each group; `None` where
    /// fewer than two groups have it.
    pub(super) fn of(
        joint: &'a Joint,
        quantity: impl Fn(usize, &mut [f64]) -> Option<f64>,
    ) -> Option<Self> {
        let mut mean = Self::without_errors(joint, quantity)?;
        mean.moved = &joint.covariance * &mean.gradient;
        mean.variance = mean.moved.dot(&mean.gradient);
        Some(mean)
    }

    /// The mean at each age; all groups have a curve at each.
    fn along(joint: &'a Joint, ages_d: &[f64]) -> Option<Vec<Self>> {
        let at = |age_d: &f64| {
            Self::without_errors(joint, |place, gradient| {
                Some(joint.curves[place].value_and_gradient(*age_d, &joint.terms[place], gradient))
            })
        };
        let mut means: Vec<Self> = ages_d.iter().map(at).collect::<Option<_>>()?;
        let columns: Vec<DVector<f64>> = means.iter().map(|mean| mean.gradient.clone()).collect();
        // One product for all ages: the covariance of many groups is large.
        let moved = &joint.covariance * DMatrix::from_columns(&columns);
        for (mean, column) in means.iter_mut().zip(moved.column_iter()) {
            mean.moved.copy_from(&column);
            mean.variance = mean.moved.dot(&mean.gradient);
        }
        Some(means)
    }

    fn without_errors(
        joint: &'a Joint,
        quantity: impl Fn(usize, &mut [f64]) -> Option<f64>,
    ) -> Option<Self> {
        let p = joint.terms[0].len();
        let member = |place: usize| {
            let mut gradient = DVector::zeros(p);
            let value = quantity(place, gradient.as_mut_slice())?;
            Some(Member {
                place,
                value,
                variance: joint.variance_of(place, gradient.as_slice()),
                gradient,
            })
        };
        let members: Vec<Member> = (0..joint.groups.len()).filter_map(member).collect();
        if members.len() < 2 {
            return None;
        }
        let share = 1.0 / members.len() as f64;
        let mut gradient = DVector::zeros(joint.groups.len() * p);
        for member in &members {
            let mut part = gradient.rows_mut(member.place * p, p);
            part.axpy(share, &member.gradient, 0.0);
        }
        let mut mean = Self {
            joint,
            value: share * members.iter().map(|member| member.value).sum::<f64>(),
            variance: 0.0,
            moved: DVector::zeros(gradient.len()),
            changes: Vec::new(),
            gradient,
            members,
        };
        if let DegreesOfFreedom::OfModel { error, groups } = &joint.df {
            let parts = mean.parts(groups);
            mean.changes = error.changes(&parts, &parts);
        }
        Some(mean)
    }

    /// The mean's gradient by the terms of each of the model's groups.
    fn parts(&self, groups: &[usize]) -> Vec<(usize, &[f64])> {
        let p = self.joint.terms[0].len();
        let part = |member: &Member| {
            let gradient = &self.gradient.as_slice()[member.place * p..(member.place + 1) * p];
            (groups[member.place], gradient)
        };
        self.members.iter().map(part).collect()
    }

    /// The groups that have the quantity.
    pub(super) fn members(&self) -> &[Member] {
        &self.members
    }

    /// What a group has beyond the mean.
    pub(super) fn difference(&self, member: &Member) -> Difference {
        let common = self.with_mean(member);
        let variance = member.variance - 2.0 * common + self.variance;
        let df = match &self.joint.df {
            DegreesOfFreedom::Common(df) => *df,
            DegreesOfFreedom::Each(each) => {
                let share = 1.0 / self.members.len() as f64;
                let (mut sum, mut weight) = (0.0, 0.0);
                for other in &self.members {
                    let own = if other.place == member.place {
                        1.0
                    } else {
                        0.0
                    };
                    let part = (own - share).powi(2) * other.variance;
                    sum += part;
                    weight += part.powi(2) / each[other.place];
                }
                if weight > 0.0 {
                    sum.powi(2) / weight
                } else {
                    each.iter().sum()
                }
            }
            DegreesOfFreedom::OfModel { error, groups } => {
                let own = [(groups[member.place], member.gradient.as_slice())];
                let mean = self.parts(groups);
                let own_change = error.changes(&own, &own);
                let with_mean = error.changes(&own, &mean);
                let changes: Vec<f64> = (0..error.directions())
                    .map(|at| own_change[at] - 2.0 * with_mean[at] + self.changes[at])
                    .collect();
                error.degrees_of_freedom(variance, &changes)
            }
        };
        // A difference of rounding alone has no standard error.
        let least = 1e-14 * (member.variance + self.variance);
        Difference {
            value: member.value - self.value,
            reference: self.value,
            standard_error: (variance > least && variance.is_finite()).then(|| variance.sqrt()),
            df: df.max(1.0),
        }
    }

    /// Covariance of a group's quantity with the mean.
    fn with_mean(&self, member: &Member) -> f64 {
        let p = member.gradient.len();
        member.gradient.dot(&self.moved.rows(member.place * p, p))
    }

    /// The law of the greatest |t| of all groups against the mean.
    pub(super) fn greatest_t(&self, df: f64, seed: u64) -> Option<Simultaneous> {
        let covariance = DMatrix::from_fn(self.members.len(), self.members.len(), |i, j| {
            let (a, b) = (&self.members[i], &self.members[j]);
            let between = self.joint.covariance_of(
                a.place,
                a.gradient.as_slice(),
                b.place,
                b.gradient.as_slice(),
            );
            between - self.with_mean(a) - self.with_mean(b) + self.variance
        });
        Simultaneous::new(&covariance, df, DRAWS, seed).ok()
    }
}

/// All groups against the mean of all, along age.
pub(super) struct MeanAlong<'a> {
    means: Vec<MeanOfAll<'a>>,
}

impl<'a> MeanAlong<'a> {
    /// The mean curve of all groups at these ages; `None` for fewer than two groups.
    pub(super) fn of(joint: &'a Joint, ages_d: &[f64]) -> Option<Self> {
        let means = MeanOfAll::along(joint, ages_d)?;
        Some(Self { means })
    }

    /// What the group at a place has beyond the mean, age by age.
    pub(super) fn differences(&self, place: usize) -> Vec<Difference> {
        let at = |mean: &MeanOfAll<'_>| mean.difference(&mean.members[place]);
        self.means.iter().map(at).collect()
    }

    /// Standard errors of a band that covers that difference at all ages at once, by the length
    /// of its path. `None` where there is no error.
    pub(super) fn band_factor(&self, place: usize, df: f64, level: f64) -> Option<f64> {
        let joint = self.means.first()?.joint;
        let p = joint.terms[place].len();
        let own = joint.covariance.view((place * p, place * p), (p, p));
        let of = |at: usize| &self.means[at].members[place].gradient;
        let moved: Vec<DVector<f64>> = (0..self.means.len()).map(|at| own * of(at)).collect();
        let with = |s: usize, t: usize| of(s).dot(&self.means[t].moved.rows(place * p, p));
        let ages: Vec<usize> = (0..self.means.len()).collect();
        factor_along(&ages, df, level, |s, t| {
            of(*s).dot(&moved[*t]) - with(*s, *t) - with(*t, *s)
                + self.means[*s].gradient.dot(&self.means[*t].moved)
        })
    }
}
