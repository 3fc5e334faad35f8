//! One step of Gauss and Newton with a constraint and with ends of ranges in it; its
//! derivation is in [`super::profile`].

use nalgebra::{DMatrix, DVector};

/// Where a term is in its range.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Place {
    Within,
    LowerEnd,
    UpperEnd,
}

/// Scaled normal equations of one constrained step.
#[derive(Debug, Clone)]
pub(super) struct Normal {
    pub(super) product: DMatrix<f64>,
    pub(super) right: DVector<f64>,
    pub(super) direction: DVector<f64>,
    pub(super) lengths: DVector<f64>,
}

impl Normal {
    /// The same with these terms held where they are.
    pub(super) fn without(mut self, held: impl Fn(usize) -> bool) -> Self {
        for j in (0..self.lengths.len()).filter(|j| held(*j)) {
            self.product.column_mut(j).fill(0.0);
            self.product.row_mut(j).fill(0.0);
            self.product[(j, j)] = 1.0;
            self.right[j] = 0.0;
            self.direction[j] = 0.0;
        }
        self
    }

    /// The step with each term held at the end of its range that it would leave there.
    pub(super) fn step_within(
        &self,
        gap: f64,
        damping: f64,
        places: &[Place],
    ) -> Option<(Vec<f64>, f64)> {
        let mut held = vec![false; places.len()];
        loop {
            let step = if held.contains(&true) {
                self.clone().without(|j| held[j]).step(gap, damping)
            } else {
                self.step(gap, damping)
            }?;
            let leaves = |j: usize| match places[j] {
                Place::Within => false,
                Place::LowerEnd => step.0[j] < 0.0,
                Place::UpperEnd => step.0[j] > 0.0,
            };
            let leaving: Vec<usize> = (0..places.len()).filter(|j| leaves(*j)).collect();
            if leaving.is_empty() {
                return Some(step);
            }
            leaving.into_iter().for_each(|j| held[j] = true);
        }
    }

    /// The step that closes the gap to first order, and the multiplier.
    fn step(&self, gap: f64, damping: f64) -> Option<(Vec<f64>, f64)> {
        let mut product = self.product.clone();
        for j in 0..product.nrows() {
            product[(j, j)] *= 1.0 + damping;
        }
        let solve = product.cholesky()?;
        let free = solve.solve(&self.right);
        let along = solve.solve(&self.direction);
        let squared = self.direction.dot(&along);
        let multiplier = (gap - self.direction.dot(&free)) / squared;
        let step = free + along * multiplier;
        step.iter().all(|value| value.is_finite()).then(|| {
            let step = step.component_div(&self.lengths);
            (step.as_slice().to_vec(), multiplier)
        })
    }

    /// sqrt(d'H d): the step's length in residuals.
    pub(super) fn length(&self, step: &[f64]) -> f64 {
        let scaled = DVector::from_column_slice(step).component_mul(&self.lengths);
        (&self.product * &scaled).dot(&scaled).max(0.0).sqrt()
    }
}
