//! From a candidate to the columns of its linear model, and from a linear fit to the
//! coefficients of each group.

use nalgebra::{DMatrix, DVector};

use super::scans::Scans;
use crate::growth::{Allometry, Bend};

/// What differs between groups, or between birds of a group: each of these and those before.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Differs {
    /// The mass at one weight.
    Level,
    /// The exponent.
    Exponent,
    /// The bend: between groups all its coefficients, between birds its first.
    Bend,
}

/// A form of the model.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Form {
    pub(super) allometry: Allometry,
    /// In what groups differ.
    pub(super) groups: Differs,
    /// In what birds of a group differ.
    pub(super) birds: Differs,
    /// ln(break weight / reference), of a break.
    pub(super) break_at: Option<f64>,
}

/// Columns: groups, exponents, bend, age, egg.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    /// Weight-model groups that have scans, in their order.
    pub(super) groups: Vec<usize>,
    slopes: usize,
    /// Coefficients of a bend, and the sets of them: one, or one by group.
    bends: usize,
    bend_sets: usize,
    age: bool,
    pub(super) egg: bool,
    /// Whether the break's own weight has a column (its linear effect).
    moving: bool,
    held_break: bool,
}

impl Form {
    pub(super) fn layout(&self, scans: &Scans, moving: bool) -> Layout {
        let mut groups: Vec<usize> = scans.rows.iter().map(|row| row.group).collect();
        groups.sort_unstable();
        groups.dedup();
        let sets = |what: Differs| match self.groups >= what {
            true => groups.len(),
            false => 1,
        };
        Layout {
            slopes: sets(Differs::Exponent),
            bend_sets: sets(Differs::Bend),
            groups,
            bends: match &self.allometry.bend {
                Bend::None => 0,
                Bend::Break => 1,
                Bend::Spline(knots) => knots.len() - 2,
            },
            age: self.allometry.reference_age_d.is_some(),
            egg: scans.rows.iter().any(|row| row.egg),
            moving: moving && self.break_at.is_some(),
            held_break: !moving && self.break_at.is_some(),
        }
    }

    /// Fixed-effect columns; of a break with the `change` of the exponent of each group (by
    /// its place here) also the effect of its weight.
    pub(super) fn columns(
        &self,
        scans: &Scans,
        layout: &Layout,
        change: impl Fn(usize) -> f64,
    ) -> DMatrix<f64> {
        let mut columns = DMatrix::zeros(scans.rows.len(), layout.len());
        let mut gradient = vec![0.0; self.allometry.len()];
        for (at, row) in scans.rows.iter().enumerate() {
            let u = self.allometry.log_ratio(row.weight_g);
            let group = layout.group(row.group);
            let coefficients = self.unit_coefficients(change(group));
            self.allometry
                .log_mass(u, row.age_d, &coefficients, &mut gradient);
            for (k, column) in layout.of_group(group).into_iter().enumerate() {
                if let Some(column) = column {
                    columns[(at, column)] = gradient[k];
                }
            }
            if layout.egg {
                columns[(at, layout.egg_column())] = f64::from(u8::from(row.egg));
            }
        }
        columns
    }

    /// Coefficients at which the columns are taken: only the break's matter.
    fn unit_coefficients(&self, change: f64) -> Vec<f64> {
        let mut coefficients = vec![1.0; self.allometry.len()];
        if let Some(at) = self.break_at {
            coefficients[2] = change;
            coefficients[3] = self.allometry.reference_weight_g * at.exp();
        }
        coefficients
    }

    pub(super) fn random(&self, scans: &Scans, bird_effect: bool) -> DMatrix<f64> {
        let q = match (bird_effect, self.birds) {
            (false, _) => 0,
            (true, Differs::Level) => 1,
            (true, Differs::Exponent) => 2,
            (true, Differs::Bend) => 3,
        };
        let mut columns = DMatrix::zeros(scans.rows.len(), q);
        let coefficients = self.unit_coefficients(0.0);
        let mut gradient = vec![0.0; self.allometry.len()];
        for (at, row) in scans.rows.iter().enumerate() {
            let u = self.allometry.log_ratio(row.weight_g);
            self.allometry
                .log_mass(u, row.age_d, &coefficients, &mut gradient);
            // The first coefficients: level, exponent, the first of the bend.
            for (k, gradient) in gradient[..q].iter().enumerate() {
                columns[(at, k)] = *gradient;
            }
        }
        columns
    }

    /// Coefficients of a group as the curve takes them, and the derivative of each in
    /// its column.
    pub(super) fn coefficients(
        &self,
        layout: &Layout,
        group: usize,
        fixed: &DVector<f64>,
    ) -> (Vec<f64>, Vec<f64>) {
        let columns = layout.of_group(group);
        let mut values: Vec<f64> = columns
            .iter()
            .map(|column| column.map_or(0.0, |column| fixed[column]))
            .collect();
        values[0] = values[0].exp();
        let mut slopes = vec![1.0; values.len()];
        slopes[0] = values[0];
        if let Some(at) = self.break_at {
            values[3] = self.allometry.reference_weight_g * at.exp();
        }
        (values, slopes)
    }
}

impl Layout {
    pub(super) fn len(&self) -> usize {
        self.groups.len()
            + self.slopes
            + self.bends * self.bend_sets
            + usize::from(self.moving)
            + usize::from(self.age)
            + usize::from(self.egg)
    }

    /// Place of a weight-model group among those with scans.
    pub(super) fn group(&self, group: usize) -> usize {
        self.groups.partition_point(|own| *own < group)
    }

    pub(super) fn egg_column(&self) -> usize {
        self.len() - 1
    }

    /// The column of each coefficient of the curve in one group (by its place here);
    /// none for a break's weight that is held.
    pub(super) fn of_group(&self, group: usize) -> Vec<Option<usize>> {
        let slopes = self.groups.len();
        let bends = slopes + self.slopes;
        let mut columns = vec![
            Some(group),
            Some(slopes + if self.slopes > 1 { group } else { 0 }),
        ];
        let first = bends
            + if self.bend_sets > 1 {
                group * self.bends
            } else {
                0
            };
        columns.extend((0..self.bends).map(|k| Some(first + k)));
        let mut next = bends + self.bends * self.bend_sets;
        if self.moving {
            columns.push(Some(next));
            next += 1;
        } else if self.held_break {
            columns.push(None);
        }
        if self.age {
            columns.push(Some(next));
        }
        columns
    }
}
