//! A population in which one group differs from what it was by a stated amount.
//!
//! A group's typical subject is moved along the direction in which subjects differ most
//! in the quantity, S g (S the covariance of the random effects, g the quantity's gradient
//! in them): so a heavier strain is heavier in the way that heavier birds of a strain are.
//! Where subjects do not differ in it, along the gradient in all terms.

use super::population::Population;
use super::scale;
use crate::fit::profile::Quantity;

/// Steps of the secant's search.
const STEPS: usize = 60;
/// Distance from the value requested at which it is met, relative.
const MET: f64 = 1e-10;

impl Population {
    /// The population with `group`'s typical `quantity` at `value`; `None` where it cannot
    /// be brought there, or where its terms are common to all groups.
    #[must_use]
    pub fn with_group_at(&self, group: usize, quantity: Quantity, value: f64) -> Option<Self> {
        let p = self.grouped.len();
        let columns = &self.columns[group * p..(group + 1) * p];
        let typical: Vec<f64> = columns.iter().map(|at| self.beta[*at]).collect();
        let direction = self.direction(group, quantity)?;
        let mut gradient = vec![0.0; p];
        let moved = |step: f64| -> Vec<f64> {
            let eta = typical.iter().zip(&direction);
            eta.map(|(eta, along)| eta + step * along).collect()
        };
        let mut off = |step: f64| -> Option<f64> {
            let mut terms = vec![0.0; p];
            scale::to_terms(&self.scales, &moved(step), &mut terms);
            let found = quantity.value(&*self.curve, &terms, &mut gradient)?;
            (found - value).is_finite().then_some(found - value)
        };
        let reach = MET * value.abs().max(MET);
        let (mut last, mut step) = (0.0, 1e-3);
        let mut last_off = off(last)?;
        let mut here = off(step)?;
        for _ in 0..STEPS {
            if here.abs() <= reach {
                break;
            }
            let next = step - here * (step - last) / (here - last_off);
            if !next.is_finite() {
                return None;
            }
            (last, last_off) = (step, here);
            step = next;
            here = off(step)?;
        }
        if here.abs() > reach {
            return None;
        }
        let mut shifted = self.clone();
        for (column, eta) in columns.iter().zip(moved(step)) {
            shifted.beta[*column] = eta;
        }
        Some(shifted)
    }

    /// Direction on the engine's scales, 0 in terms that the groups share.
    fn direction(&self, group: usize, quantity: Quantity) -> Option<Vec<f64>> {
        let p = self.grouped.len();
        let terms = self.group_terms(group);
        let mut gradient = vec![0.0; p];
        quantity.value(&*self.curve, &terms, &mut gradient)?;
        let own = self.random_gradient(group, &gradient);
        let among_subjects = self.random_matrix() * own;
        scale::chain(&self.scales, &terms, &mut gradient);
        let mut direction = vec![0.0; p];
        for (term, along) in self.random.iter().zip(among_subjects.iter()) {
            direction[*term] = *along;
        }
        let kept = |direction: &[f64]| -> f64 {
            let each = self.grouped.iter().zip(direction).zip(&gradient);
            each.filter(|((own, _), _)| **own)
                .map(|((_, along), slope)| along * slope)
                .sum()
        };
        if kept(&direction) <= 0.0 {
            direction.copy_from_slice(&gradient);
        }
        let slope = kept(&direction);
        if !(slope > 0.0 && slope.is_finite()) {
            return None;
        }
        // One unit of the direction is one unit of the quantity, to first order.
        for (along, own) in direction.iter_mut().zip(&self.grouped) {
            *along *= f64::from(u8::from(*own)) / slope;
        }
        Some(direction)
    }
}
