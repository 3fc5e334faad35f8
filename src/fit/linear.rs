//! Least squares for a step: triangles by Cholesky and by Householder reflections.
//!
//! Both give the same thing, a [`Triangle`]: R (p x p, upper) and z with
//! R'R = J'J and R'z = J'r. See [`super::least_squares`] for when which is used.
//!
//! # Source
//! Golub GH, Van Loan CF, Matrix Computations, Householder QR and Cholesky
//! (from memory).
#![expect(
    clippy::needless_range_loop,
    reason = "triangles are read by row and column, as the formulas are written"
)]

/// A squared pivot of the scaled normal equations below this sends the step to
/// Householder: 1 - R² of a column on those before it, so at 1e-5 some five of
/// the sixteen digits are lost, and the offset is still known to 1e-10.
const WELL_CONDITIONED: f64 = 1e-5;

/// R and z of a step, and the squared length of what no step can reach.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Triangle<const P: usize> {
    /// R by rows; zeros below the diagonal.
    pub(crate) rows: [[f64; P]; P],
    /// z = Q'r, its first p entries.
    pub(crate) right: [f64; P],
    /// Squared length of the other entries of Q'r.
    pub(crate) rest: f64,
}

impl<const P: usize> Triangle<P> {
    /// R d = z; a term without any influence stays where it is.
    pub(crate) fn solve(&self) -> [f64; P] {
        let mut step = self.right;
        for j in (0..P).rev() {
            for k in j + 1..P {
                step[j] -= self.rows[j][k] * step[k];
            }
            step[j] = if self.rows[j][j] == 0.0 {
                0.0
            } else {
                step[j] / self.rows[j][j]
            };
        }
        step
    }

    /// R'z, the scaled gradient.
    pub(crate) fn gradient(&self) -> [f64; P] {
        let mut gradient = [0.0; P];
        for j in 0..P {
            for k in 0..=j {
                gradient[j] += self.rows[k][j] * self.right[k];
            }
        }
        gradient
    }

    /// The least squared pivot: below it, damping does not change a step.
    pub(crate) fn least_pivot(&self) -> f64 {
        (0..P)
            .map(|j| self.rows[j][j] * self.rows[j][j])
            .fold(1.0, f64::min)
            .max(1e-16)
    }

    /// Fall of the sum of squares that the tangent plane promises for a step.
    pub(crate) fn promised(&self, step: &[f64; P]) -> f64 {
        let mut fall = 0.0;
        for j in 0..P {
            let moved: f64 = (j..P).map(|k| self.rows[j][k] * step[k]).sum();
            fall += moved * (2.0 * self.right[j] - moved);
        }
        fall.max(f64::MIN_POSITIVE)
    }

    /// R'R.
    pub(crate) fn product(&self) -> [[f64; P]; P] {
        let mut product = [[0.0; P]; P];
        for j in 0..P {
            for k in 0..P {
                product[j][k] = (0..=j.min(k))
                    .map(|i| self.rows[i][j] * self.rows[i][k])
                    .sum();
            }
        }
        product
    }

    /// (J'J)^-1 in the terms' own units, row-major; zero where a term is held, and
    /// infinite where a term has no separate influence.
    pub(crate) fn inverse_product(&self, scale: &[f64; P], held: &[bool; P], inverse: &mut [f64]) {
        let mut root = [[0.0; P]; P];
        for j in (0..P).rev() {
            root[j][j] = 1.0 / self.rows[j][j];
            for k in j + 1..P {
                let sum: f64 = (j + 1..=k).map(|i| self.rows[j][i] * root[i][k]).sum();
                root[j][k] = -sum / self.rows[j][j];
            }
        }
        for j in 0..P {
            for k in 0..P {
                let sum: f64 = (j.max(k)..P).map(|i| root[j][i] * root[k][i]).sum();
                inverse[j * P + k] = if held[j] || held[k] {
                    0.0
                } else {
                    sum / (scale[j] * scale[k])
                };
            }
        }
    }
}

/// (M + damping I) d = gradient, for M = R'R; `None` if it is singular all the same.
///
/// By L D L', which has no square roots to wait for.
#[inline]
pub(crate) fn damped<const P: usize>(
    product: &[[f64; P]; P],
    gradient: &[f64; P],
    damping: f64,
) -> Option<[f64; P]> {
    // Rows of D L', the reciprocals of D, and D^-1 of what L solves.
    let mut rows = [[0.0; P]; P];
    let mut reciprocals = [0.0; P];
    let mut step = *gradient;
    for j in 0..P {
        let mut pivot = product[j][j] + damping;
        for i in 0..j {
            pivot -= rows[i][j] * rows[i][j] * reciprocals[i];
            step[j] -= rows[i][j] * reciprocals[i] * step[i];
        }
        if pivot.is_nan() || pivot <= 0.0 {
            return None;
        }
        reciprocals[j] = 1.0 / pivot;
        for k in j + 1..P {
            let mut entry = product[k][j];
            for i in 0..j {
                entry -= rows[i][j] * rows[i][k] * reciprocals[i];
            }
            rows[j][k] = entry;
        }
    }
    for j in (0..P).rev() {
        for k in j + 1..P {
            step[j] -= rows[j][k] * step[k];
        }
        step[j] *= reciprocals[j];
    }
    Some(step)
}

/// J'J and J'r.
#[inline]
pub(crate) fn normal_equations<const P: usize>(
    rows: &[[f64; P]],
    right: &[f64],
) -> ([[f64; P]; P], [f64; P]) {
    let mut product = [[0.0; P]; P];
    let mut gradient = [0.0; P];
    for (row, right) in rows.iter().zip(right) {
        for j in 0..P {
            gradient[j] += row[j] * right;
            for k in 0..=j {
                product[j][k] += row[j] * row[k];
            }
        }
    }
    (product, gradient)
}

/// The triangle of the scaled normal equations; `None` where they are not well
/// conditioned.
#[inline]
pub(crate) fn cholesky<const P: usize>(
    product: &[[f64; P]; P],
    gradient: &[f64; P],
    sum_of_squares: f64,
) -> Option<Triangle<P>> {
    let triangle = factor(product, gradient, sum_of_squares)?;
    // Where the residual lies almost wholly in the tangent plane, the part outside
    // is a difference of equals.
    (triangle.rest > 1e-8 * sum_of_squares).then_some(triangle)
}

/// Cholesky factor of a symmetric matrix (lower half read) with its right-hand side;
/// `None` if a pivot falls to [`WELL_CONDITIONED`] of its diagonal entry.
#[inline]
fn factor<const P: usize>(
    product: &[[f64; P]; P],
    gradient: &[f64; P],
    sum_of_squares: f64,
) -> Option<Triangle<P>> {
    let mut rows = [[0.0; P]; P];
    let mut right = [0.0; P];
    let mut rest = sum_of_squares;
    for j in 0..P {
        let mut pivot = product[j][j];
        let mut z = gradient[j];
        for i in 0..j {
            pivot -= rows[i][j] * rows[i][j];
            z -= rows[i][j] * right[i];
        }
        if pivot.is_nan() || pivot <= WELL_CONDITIONED * product[j][j] {
            return None;
        }
        let diagonal = pivot.sqrt();
        let reciprocal = 1.0 / diagonal;
        rows[j][j] = diagonal;
        right[j] = z * reciprocal;
        rest -= right[j] * right[j];
        for k in j + 1..P {
            let mut entry = product[k][j];
            for i in 0..j {
                entry -= rows[i][j] * rows[i][k];
            }
            rows[j][k] = entry * reciprocal;
        }
    }
    Some(Triangle { rows, right, rest })
}

/// The triangle by Householder reflections; overwrites the rows (n x p, n >= p)
/// and the right-hand side (n). A held term's column is left out.
pub(crate) fn householder<const P: usize>(
    rows: &mut [[f64; P]],
    right: &mut [f64],
    held: &[bool; P],
) -> Triangle<P> {
    let mut triangle = Triangle {
        rows: [[0.0; P]; P],
        right: [0.0; P],
        rest: 0.0,
    };
    let mut top = 0;
    let mut places = [None; P];
    for j in 0..P {
        if held[j] {
            continue;
        }
        let square: f64 = rows[top..].iter().map(|row| row[j] * row[j]).sum();
        places[j] = Some(top);
        if square > 0.0 {
            let length = square.sqrt();
            let diagonal = if rows[top][j] > 0.0 { -length } else { length };
            rows[top][j] -= diagonal;
            // v'v / 2 of the reflection I - 2 v v'/(v'v).
            let half = square - (rows[top][j] + diagonal) * diagonal;
            let mut dots = [0.0; P];
            let mut dot = 0.0;
            for (row, right) in rows[top..].iter().zip(&right[top..]) {
                dot += row[j] * right;
                for k in j + 1..P {
                    dots[k] += row[j] * row[k];
                }
            }
            for (row, right) in rows[top..].iter_mut().zip(&mut right[top..]) {
                *right -= row[j] * (dot / half);
                for k in j + 1..P {
                    row[k] -= row[j] * (dots[k] / half);
                }
            }
            rows[top][j] = diagonal;
        } else {
            rows[top][j] = 0.0;
        }
        top += 1;
    }
    for j in 0..P {
        match places[j] {
            Some(place) => {
                triangle.right[j] = right[place];
                triangle.rows[j][j..].copy_from_slice(&rows[place][j..]);
                for k in j + 1..P {
                    if held[k] {
                        triangle.rows[j][k] = 0.0;
                    }
                }
            }
            None => triangle.rows[j][j] = 1.0,
        }
    }
    triangle.rest = right[top..].iter().map(|z| z * z).sum();
    triangle
}
