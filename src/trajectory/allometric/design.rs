//! From a candidate to the columns of its linear model, and from a linear fit to the
//! coefficients of each group.

use nalgebra::{DMatrix, DVector};

use super::scans::Scans;
use crate::growth::{Allometry, Bend};

/// A form of the model.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Form {
    pub(super) allometry: Allometry,
    /// Whether each group has a separate exponent.
    pub(super) own_slopes: bool,
    /// Whether birds differ in their exponent.
    pub(super) bird_slopes: bool,
    /// ln(break weight / reference), of a break.
    pub(super) break_at: Option<f64>,
}

/// Columns: groups, exponents, bend, age, egg.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    /// Weight-model groups that have scans, in their order.
    pub(super) groups: Vec<usize>,
    slopes: usize,
    bends: usize,
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
        Layout {
            slopes: if self.own_slopes { groups.len() } else { 1 },
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

    /// Fixed-effect columns; of a break with `change` of the exponent, also the effect of
    /// its weight.
    pub(super) fn columns(&self, scans: &Scans, layout: &Layout, change: f64) -> DMatrix<f64> {
        let mut columns = DMatrix::zeros(scans.rows.len(), layout.len());
        let coefficients = self.unit_coefficients(change);
        let mut gradient = vec![0.0; self.allometry.len()];
        for (at, row) in scans.rows.iter().enumerate() {
            let u = self.allometry.log_ratio(row.weight_g);
            self.allometry
                .log_mass(u, row.age_d, &coefficients, &mut gradient);
            let group = layout.group(row.group);
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
        let q = usize::from(bird_effect) + usize::from(self.bird_slopes);
        DMatrix::from_fn(scans.rows.len(), q, |row, column| {
            if column == 0 && bird_effect {
                1.0
            } else {
                self.allometry.log_ratio(scans.rows[row].weight_g)
            }
        })
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
            + self.bends
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
        columns.extend((0..self.bends).map(|k| Some(bends + k)));
        let mut next = bends + self.bends;
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
