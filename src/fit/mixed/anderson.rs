//! Help for a slow or swinging fixed-point iteration.
//!
//! Anderson mixing (Anderson 1965, J. ACM 12:547-560; Walker and Ni 2011, SIAM J.
//! Numer. Anal. 49:1715-1735; from memory): of the last few steps, take the
//! combination whose residual g(x) - x is least, in standard errors, and go from
//! there. It leaves the fixed point where it is.

use super::cholesky;

/// Steps that are remembered.
const DEPTH: usize = 6;

/// The last steps of an iteration x -> g(x).
#[derive(Debug, Default)]
pub(super) struct Mixing {
    last: Option<(Vec<f64>, Vec<f64>)>,
    /// Changes of x and of the residual.
    changes: Vec<(Vec<f64>, Vec<f64>)>,
    size: f64,
}

impl Mixing {
    /// The next x from x and g(x), lengths measured in `sizes`.
    pub(super) fn next(&mut self, x: &[f64], image: &[f64], sizes: &[f64]) -> Vec<f64> {
        let residual: Vec<f64> = image.iter().zip(x).map(|(g, x)| g - x).collect();
        let size = dot(&residual, &residual, sizes).sqrt();
        // Where steps grew much longer, past steps do not predict the next.
        if size > 3.0 * self.size && !self.changes.is_empty() {
            self.changes.clear();
            self.last = None;
        }
        self.size = size;
        if let Some((last_x, last_residual)) = self.last.take() {
            let difference =
                |new: &[f64], old: &[f64]| new.iter().zip(old).map(|(a, b)| a - b).collect();
            self.changes.push((
                difference(x, &last_x),
                difference(&residual, &last_residual),
            ));
            if self.changes.len() > DEPTH {
                self.changes.remove(0);
            }
        }
        self.last = Some((x.to_vec(), residual.clone()));
        let n = self.changes.len();
        let mut normal = vec![0.0; n * n];
        let mut weights = vec![0.0; n];
        for (i, (_, change)) in self.changes.iter().enumerate() {
            weights[i] = dot(change, &residual, sizes);
            for (j, (_, other)) in self.changes.iter().enumerate() {
                normal[i * n + j] = dot(change, other, sizes);
            }
        }
        let mut scales = vec![0.0; n];
        let mut next = image.to_vec();
        if n > 0 && cholesky::factor_scaled(&mut normal, n, &mut scales).is_some() {
            cholesky::solve_scaled(&normal, n, &scales, &mut weights);
            for ((dx, dr), weight) in self.changes.iter().zip(&weights) {
                for ((next, dx), dr) in next.iter_mut().zip(dx).zip(dr) {
                    *next -= weight * (dx + dr);
                }
            }
        }
        next
    }
}

fn dot(a: &[f64], b: &[f64], sizes: &[f64]) -> f64 {
    a.iter()
        .zip(b)
        .zip(sizes)
        .map(|((a, b), size)| a * b / (size * size))
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_swinging_linear_map_is_brought_to_rest() {
        // x -> (-1.2 x + 1, 0.95 y + 0.1): plain iteration diverges; fixed point 1/2.2, 2.
        let map = |x: &[f64]| vec![-1.2 * x[0] + 1.0, 0.95 * x[1] + 0.1];
        let mut mixing = Mixing::default();
        let mut x = vec![3.0, -4.0];
        for _ in 0..8 {
            let image = map(&x);
            x = mixing.next(&x, &image, &[1.0, 1.0]);
        }
        assert!((x[0] - 1.0 / 2.2).abs() < 1e-9 && (x[1] - 2.0).abs() < 1e-9);
    }
}
