//! Who was measured: series of many subjects in ragged columns.

use std::borrow::Cow;

use crate::error::{Error, Result};

/// Ages and values of many subjects, one after the other.
///
/// # Shapes
/// Subject i owns the observations `starts[i]..starts[i + 1]`; `starts` has one
/// entry more than there are subjects. Ages ascend within a subject.
/// # Units
/// Ages in days, values in the unit of the curve.
#[derive(Debug, Clone)]
pub struct Subjects<'a> {
    pub(super) starts: Cow<'a, [usize]>,
    pub(super) ages_d: Cow<'a, [f64]>,
    pub(super) values: Cow<'a, [f64]>,
    pub(super) groups: Cow<'a, [usize]>,
    pub(super) relative_variances: Option<Cow<'a, [f64]>>,
    pub(super) clusters: Option<Clusters<'a>>,
    pub(super) group_names: Vec<String>,
    group_count: usize,
}

/// Which subjects belong together within a group.
#[derive(Debug, Clone)]
pub(super) struct Clusters<'a> {
    /// Cluster of each subject.
    pub(super) of: Cow<'a, [usize]>,
    /// Group of each cluster.
    pub(super) groups: Vec<usize>,
    /// Block of each cluster; empty without blocks.
    pub(super) blocks: Vec<usize>,
}

impl<'a> Subjects<'a> {
    /// Subjects from columns; `groups` is each subject's fixed-effect group, from 0.
    ///
    /// # Errors
    /// Lengths that do not agree, a subject without observations, ages that do not
    /// ascend within a subject, and numbers that are not finite.
    pub fn new(
        starts: &'a [usize],
        ages_d: &'a [f64],
        values: &'a [f64],
        groups: &'a [usize],
    ) -> Result<Self> {
        if ages_d.len() != values.len() {
            return Err(Error::call(format!(
                "subjects: {} ages and {} values, expected as many of each",
                ages_d.len(),
                values.len()
            )));
        }
        if starts.first() != Some(&0) || starts.last() != Some(&values.len()) {
            return Err(Error::call(format!(
                "subjects: starts must run from 0 to the number of values ({})",
                values.len()
            )));
        }
        if groups.len() + 1 != starts.len() {
            return Err(Error::call(format!(
                "subjects: {} groups for {} subjects, expected one a subject",
                groups.len(),
                starts.len() - 1
            )));
        }
        for (subject, bounds) in starts.windows(2).enumerate() {
            let (first, end) = (bounds[0], bounds[1]);
            if first >= end || end > values.len() {
                return Err(Error::call(format!(
                    "subject {subject}: no observations; leave the subject out"
                )));
            }
            let ages = &ages_d[first..end];
            if !ages.windows(2).all(|pair| pair[0] <= pair[1]) {
                return Err(Error::call(format!(
                    "subject {subject}: ages do not ascend; sort the rows by age"
                )));
            }
            if !ages
                .iter()
                .chain(&values[first..end])
                .all(|x| x.is_finite())
            {
                return Err(Error::input(format!(
                    "subject {subject}: an age or a value is not a finite number"
                )));
            }
        }
        Ok(Self {
            starts: Cow::Borrowed(starts),
            ages_d: Cow::Borrowed(ages_d),
            values: Cow::Borrowed(values),
            groups: Cow::Borrowed(groups),
            relative_variances: None,
            clusters: None,
            group_names: Vec::new(),
            group_count: groups.iter().max().map_or(0, |group| group + 1),
        })
    }

    /// Gives each observation a known relative variance (1 for all otherwise): the
    /// residual variance of an observation is multiplied by it.
    ///
    /// # Errors
    /// One a value is needed, each positive and finite.
    pub fn with_relative_variances(mut self, relative_variances: &'a [f64]) -> Result<Self> {
        if relative_variances.len() != self.values.len() {
            return Err(Error::call(format!(
                "relative variances: {} for {} values, expected as many of each",
                relative_variances.len(),
                self.values.len()
            )));
        }
        if let Some(at) = relative_variances
            .iter()
            .position(|variance| !(variance.is_finite() && *variance > 0.0))
        {
            return Err(Error::input(format!(
                "relative variance of value {at}: {}, expected a positive number",
                relative_variances[at]
            )));
        }
        self.relative_variances = Some(Cow::Borrowed(relative_variances));
        Ok(self)
    }

    /// Gives each subject its cluster, from 0: subjects of one cluster share its random
    /// effects ([`MixedOptions::cluster`](super::MixedOptions)). Clusters are nested in
    /// groups.
    ///
    /// # Errors
    /// One a subject is needed, and a cluster with subjects of two groups is refused.
    pub fn with_clusters(mut self, clusters: impl Into<Cow<'a, [usize]>>) -> Result<Self> {
        let clusters = clusters.into();
        if clusters.len() != self.len() {
            return Err(Error::call(format!(
                "clusters: {} for {} subjects, expected one a subject",
                clusters.len(),
                self.len()
            )));
        }
        let count = clusters.iter().max().map_or(0, |most| most + 1);
        let mut groups: Vec<Option<usize>> = vec![None; count];
        for (cluster, group) in clusters.iter().zip(&*self.groups) {
            if groups[*cluster].is_some_and(|known| known != *group) {
                return Err(Error::call(format!(
                    "cluster {cluster}: found subjects of groups {} and {group}, expected each cluster within one group",
                    groups[*cluster].unwrap_or_default()
                )));
            }
            groups[*cluster] = Some(*group);
        }
        self.clusters = Some(Clusters {
            of: clusters,
            groups: groups.into_iter().map(Option::unwrap_or_default).collect(),
            blocks: Vec::new(),
        });
        Ok(self)
    }

    /// Gives each cluster its block, from 0, in which what all its clusters share is no
    /// difference between groups. Blocks are complete: each has as many clusters of every
    /// group as every other.
    ///
    /// # Errors
    /// One a cluster is needed, and blocks that are not complete are refused.
    pub fn with_blocks(mut self, blocks: Vec<usize>) -> Result<Self> {
        let groups = self.group_count;
        let clusters = self
            .clusters
            .as_mut()
            .filter(|own| own.groups.len() == blocks.len());
        let Some(clusters) = clusters else {
            return Err(Error::call(format!(
                "blocks: {}, expected one a cluster",
                blocks.len()
            )));
        };
        let count = blocks.iter().max().map_or(0, |most| most + 1);
        let mut members = vec![0_usize; count * groups];
        for (block, group) in blocks.iter().zip(&clusters.groups) {
            members[block * groups + group] += 1;
        }
        if members.iter().any(|own| *own == 0 || *own != members[0]) {
            return Err(Error::call(
                "blocks: found clusters of a group in some blocks and not, or fewer, in others, expected as many clusters of every group in every block",
            ));
        }
        clusters.blocks = blocks;
        Ok(self)
    }

    /// Cluster of each subject, where the subjects have clusters.
    #[must_use]
    pub fn clusters(&self) -> Option<&[usize]> {
        self.clusters.as_ref().map(|clusters| &*clusters.of)
    }

    /// Clusters that have subjects.
    pub(super) fn cluster_count(&self) -> usize {
        let mut known: Vec<usize> = self.clusters().unwrap_or_default().to_vec();
        known.sort_unstable();
        known.dedup();
        known.len()
    }

    /// Gives the groups names, by which reasons for caution call them.
    ///
    /// # Errors
    /// One a group is needed.
    pub fn with_group_names(mut self, names: Vec<String>) -> Result<Self> {
        if names.len() != self.group_count {
            return Err(Error::call(format!(
                "group names: {} for {} groups, expected as many of each",
                names.len(),
                self.group_count
            )));
        }
        self.group_names = names;
        Ok(self)
    }

    /// The same subjects with other values: what a simulation fits.
    ///
    /// # Errors
    /// As many finite values as there are observations are needed.
    pub fn with_values(&self, values: Vec<f64>) -> Result<Subjects<'a>> {
        if values.len() != self.values.len() || !values.iter().all(|value| value.is_finite()) {
            return Err(Error::call(format!(
                "values: {} for {} observations, expected as many finite numbers",
                values.len(),
                self.values.len()
            )));
        }
        Ok(Self {
            values: Cow::Owned(values),
            ..self.clone()
        })
    }

    /// Ages and values of one subject.
    ///
    /// # Panics
    /// Where there is no such subject.
    #[must_use]
    pub fn of(&self, subject: usize) -> (&[f64], &[f64]) {
        let range = self.starts[subject]..self.starts[subject + 1];
        (&self.ages_d[range.clone()], &self.values[range])
    }

    /// Fixed-effect group of one subject, from 0.
    ///
    /// # Panics
    /// Where there is no such subject.
    #[must_use]
    pub fn group(&self, subject: usize) -> usize {
        self.groups[subject]
    }

    /// Number of subjects.
    #[must_use]
    pub fn len(&self) -> usize {
        self.groups.len()
    }

    /// Whether there is no subject at all.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.groups.is_empty()
    }

    /// Number of fixed-effect groups.
    #[must_use]
    pub fn group_count(&self) -> usize {
        self.group_count
    }

    /// Number of observations.
    #[must_use]
    pub fn observations(&self) -> usize {
        self.values.len()
    }

    /// The subjects at these indices, in this order, repeats allowed: what a
    /// bootstrap by subject draws. Numbers of groups and clusters stay as they are.
    ///
    /// # Panics
    /// Where an index is not a subject's.
    #[must_use]
    pub fn draw(&self, indices: &[usize]) -> Subjects<'static> {
        let mut starts = Vec::with_capacity(indices.len() + 1);
        starts.push(0);
        let (mut ages_d, mut values, mut groups) = (Vec::new(), Vec::new(), Vec::new());
        let mut variances = self.relative_variances.as_ref().map(|_| Vec::new());
        for &index in indices {
            let range = self.starts[index]..self.starts[index + 1];
            ages_d.extend_from_slice(&self.ages_d[range.clone()]);
            values.extend_from_slice(&self.values[range.clone()]);
            if let (Some(to), Some(from)) = (variances.as_mut(), &self.relative_variances) {
                to.extend_from_slice(&from[range]);
            }
            groups.push(self.groups[index]);
            starts.push(values.len());
        }
        Subjects {
            starts: Cow::Owned(starts),
            ages_d: Cow::Owned(ages_d),
            values: Cow::Owned(values),
            groups: Cow::Owned(groups),
            relative_variances: variances.map(Cow::Owned),
            clusters: self.clusters.as_ref().map(|clusters| Clusters {
                of: indices.iter().map(|at| clusters.of[*at]).collect(),
                groups: clusters.groups.clone(),
                blocks: clusters.blocks.clone(),
            }),
            group_names: self.group_names.clone(),
            group_count: self.group_count,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_that_do_not_fit_together_are_reported() {
        let message = |starts: &[usize], ages: &[f64], values: &[f64], groups: &[usize]| {
            Subjects::new(starts, ages, values, groups)
                .err()
                .map(|error| error.to_string())
                .unwrap_or_default()
        };
        assert!(message(&[0, 2], &[1.0], &[1.0, 2.0], &[0]).contains("1 ages and 2 values"));
        assert!(message(&[0, 1], &[1.0, 2.0], &[1.0, 2.0], &[0]).contains("from 0 to"));
        assert!(message(&[0, 2], &[2.0, 1.0], &[1.0, 2.0], &[0]).contains("do not ascend"));
        assert!(message(&[0, 2, 2], &[1.0, 2.0], &[1.0, 2.0], &[0, 0]).contains("no observations"));
        assert!(message(&[0, 2], &[1.0, 2.0], &[1.0, f64::NAN], &[0]).contains("not a finite"));
    }

    #[test]
    fn a_draw_repeats_subjects_whole() {
        let (starts, ages, values) = ([0, 1, 3], [1.0, 1.0, 2.0], [5.0, 6.0, 7.0]);
        let subjects = Subjects::new(&starts, &ages, &values, &[0, 1]).expect("valid columns");
        let drawn = subjects.draw(&[1, 1, 0]);
        assert_eq!(&drawn.values[..], &[6.0, 7.0, 6.0, 7.0, 5.0]);
        assert_eq!(&drawn.starts[..], &[0, 2, 4, 5]);
        assert_eq!(drawn.group_count(), 2);
    }
}
