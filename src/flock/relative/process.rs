//! Covariances of the processes that a strain and a bird follow.

use nalgebra::DMatrix;

use super::MEMORY_D;

/// Brownian motion from day 0: min(s, t).
pub(super) fn walk(s: f64, t: f64) -> f64 {
    s.min(t).max(0.0)
}

/// The integral from day 0 of a stationary Ornstein-Uhlenbeck process of variance 1 and
/// memory m: m^2 (2 min(s, t) / m - 1 + exp(-s/m) + exp(-t/m) - exp(-|s - t| / m)).
pub(super) fn damped_slope(s: f64, t: f64) -> f64 {
    let (s, t) = (s.max(0.0) / MEMORY_D, t.max(0.0) / MEMORY_D);
    let fading = (-s).exp() + (-t).exp() - (-(s - t).abs()).exp();
    (MEMORY_D * MEMORY_D * (2.0 * s.min(t) - 1.0 + fading)).max(0.0)
}

/// Covariance at these days of a process.
pub(super) fn between(rows: &[f64], columns: &[f64], of: impl Fn(f64, f64) -> f64) -> DMatrix<f64> {
    DMatrix::from_fn(rows.len(), columns.len(), |i, j| of(rows[i], columns[j]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_damped_slope_is_the_double_integral_of_its_memory() {
        // The covariance of the integral is the double integral of exp(-|a - b| / m); midpoints
        // of 200 x 300 cells err by about 1e-4 of it.
        for (s, t) in [(7.0, 7.0), (14.0, 49.0), (56.0, 21.0)] {
            let cells = (200, 300);
            let mut sum = 0.0;
            for i in 0..cells.0 {
                for j in 0..cells.1 {
                    let a: f64 = (f64::from(i) + 0.5) * s / f64::from(cells.0);
                    let b: f64 = (f64::from(j) + 0.5) * t / f64::from(cells.1);
                    sum += (-(a - b).abs() / MEMORY_D).exp();
                }
            }
            let integral = sum * s * t / f64::from(cells.0 * cells.1);
            assert!((damped_slope(s, t) / integral - 1.0).abs() < 1e-3);
        }
    }
}
