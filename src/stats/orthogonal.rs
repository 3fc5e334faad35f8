//! The factorisation X = QR that linear models stand on.
//!
//! Gram-Schmidt done twice for each column, which leaves Q orthogonal to working
//! precision (Giraud, Langou & Rozloznik 2005, Comput. Math. Appl. 50:1069-1075, "twice is
//! enough"); a column of which almost nothing is left is refused by name, with the
//! columns that it repeats. Solutions are refined with doubled precision.

use nalgebra::{DMatrix, DVector};

use super::linear::Design;
use super::{Collinearity, Failure};

/// Share of a column's length that must be left after projecting out the earlier
/// columns. Rounding leaves some 1e-16 of a repeated column; NIST's Filip, the
/// hardest certified polynomial, still has 5e-8 (measured).
const RANK_TOLERANCE: f64 = 1e-13;

/// X = QR.
pub(super) struct Factors {
    /// n x p, columns in working order.
    pub(super) q: DMatrix<f64>,
    /// R^-1, rows in the design's order, columns in working order.
    pub(super) inverse: DMatrix<f64>,
}

/// An orthonormal basis of a design's columns: a model that is linear in them is well
/// conditioned in the basis, whatever the units of the columns.
pub(super) fn orthonormal(design: &Design) -> Result<Factors, Failure> {
    let mut matrix = design.matrix().clone();
    let scales = scale_columns(&mut matrix);
    let factors = factor(&matrix, &constant_first(design), design.names())?;
    Ok(Factors {
        q: factors.q,
        inverse: unscaled(factors.inverse, &scales),
    })
}

/// Divides each column by a power of two near its length, which costs no digit.
pub(super) fn scale_columns(matrix: &mut DMatrix<f64>) -> Vec<f64> {
    let mut scales = Vec::with_capacity(matrix.ncols());
    for mut column in matrix.column_iter_mut() {
        let scale = power_of_two(column.norm());
        column.scale_mut(1.0 / scale);
        scales.push(scale);
    }
    scales
}

pub(super) fn unscaled(mut inverse: DMatrix<f64>, scales: &[f64]) -> DMatrix<f64> {
    for (mut row, scale) in inverse.row_iter_mut().zip(scales) {
        row.scale_mut(1.0 / scale);
    }
    inverse
}

/// The constant goes first, so that the others lose their mean before they meet each other.
pub(super) fn constant_first(design: &Design) -> Vec<usize> {
    let is_constant = |j: &usize| {
        let column = design.matrix().column(*j);
        column.max() - column.min() <= 0.0
    };
    let mut order: Vec<usize> = (0..design.p()).collect();
    order.sort_by_key(|j| !is_constant(j));
    order
}

pub(super) fn factor(
    scaled: &DMatrix<f64>,
    order: &[usize],
    names: &[String],
) -> Result<Factors, Failure> {
    let (n, p) = scaled.shape();
    let mut q = DMatrix::zeros(n, p);
    let mut r = DMatrix::zeros(p, p);
    let mut kept: Vec<usize> = Vec::with_capacity(p);
    let mut repeats = Vec::new();
    for &j in order {
        let mut rest: DVector<f64> = scaled.column(j).into_owned();
        let rank = kept.len();
        let length = rest.norm();
        let mut along = DVector::zeros(rank);
        for _ in 0..2 {
            let step = q.columns(0, rank).tr_mul(&rest);
            rest -= q.columns(0, rank) * &step;
            along += step;
        }
        let left = rest.norm();
        if left <= RANK_TOLERANCE * length || length <= 0.0 {
            let triangle = r.view((0, 0), (rank, rank));
            let multiples = triangle
                .solve_upper_triangular(&along)
                .unwrap_or_else(|| along.clone());
            let of = kept.iter().zip(multiples.iter());
            // Columns have lengths in [1, 2), so the multiples compare directly.
            let of = of.filter(|(_, m): &(&usize, &f64)| m.abs() > 1e-6 * length);
            repeats.push(Collinearity {
                column: names[j].clone(),
                of: of.map(|(k, _)| names[*k].clone()).collect(),
            });
            continue;
        }
        r.view_mut((0, rank), (rank, 1)).copy_from(&along);
        r[(rank, rank)] = left;
        q.set_column(rank, &(rest / left));
        kept.push(j);
    }
    if !repeats.is_empty() {
        return Err(Failure::Collinear(repeats));
    }
    let identity = DMatrix::identity(p, p);
    let sorted = r.solve_upper_triangular(&identity).unwrap_or(identity);
    let mut inverse = DMatrix::zeros(p, p);
    for (k, &j) in order.iter().enumerate() {
        inverse.set_row(j, &sorted.row(k));
    }
    Ok(Factors { q, inverse })
}

/// Least squares from the factors, then refined.
///
/// Coefficients b and residuals r solve r + X b = y, X'r = 0. With the defects
/// f = y - r - X b and g = -X'r in doubled precision, and X = QR, the correction is
/// db = R^-1 (Q'f - R^-T g), dr = f - Q (Q'f - R^-T g).
pub(super) fn refine(
    x: &DMatrix<f64>,
    y: &DVector<f64>,
    factors: &Factors,
) -> (DVector<f64>, DVector<f64>) {
    let (n, p) = x.shape();
    let mut b: DVector<f64> = DVector::zeros(p);
    let mut r: DVector<f64> = DVector::zeros(n);
    let mut last = f64::INFINITY;
    for _ in 0..20 {
        let f = DVector::from_fn(n, |i, _| {
            let mut sum = Doubled::from(y[i]);
            sum.add(-r[i]);
            for j in 0..p {
                sum.add_product(-x[(i, j)], b[j]);
            }
            sum.value()
        });
        let g = DVector::from_fn(p, |j, _| {
            let mut sum = Doubled::from(0.0);
            for i in 0..n {
                sum.add_product(-x[(i, j)], r[i]);
            }
            sum.value()
        });
        let along = factors.q.tr_mul(&f) - factors.inverse.tr_mul(&g);
        let step = &factors.inverse * &along;
        let size = step.amax();
        // Convergence is linear with ratio condition x epsilon; past that, steps stop shrinking.
        if size >= last {
            break;
        }
        let settled = step.iter().zip(b.iter());
        let settled = settled.fold(true, |all, (step, b)| {
            all && step.abs() <= 0.5 * f64::EPSILON * b.abs()
        });
        b += step;
        r += f - &factors.q * along;
        last = size;
        if settled {
            break;
        }
    }
    (b, r)
}

/// A sum carried in two numbers (Dekker 1971, Numer. Math. 18:224-242).
struct Doubled {
    high: f64,
    low: f64,
}

impl Doubled {
    fn from(value: f64) -> Self {
        Self {
            high: value,
            low: 0.0,
        }
    }

    fn add(&mut self, value: f64) {
        let sum = self.high + value;
        let part = sum - self.high;
        self.low += (self.high - (sum - part)) + (value - part);
        self.high = sum;
    }

    fn add_product(&mut self, a: f64, b: f64) {
        let product = a * b;
        self.low += product_error(a, b, product);
        self.add(product);
    }

    fn value(&self) -> f64 {
        self.high + self.low
    }
}

/// What rounding took from a product, by splitting both factors in halves (Dekker 1971, as
/// above): a fused multiplication is a call into a library where the processor is not known.
#[inline]
fn product_error(a: f64, b: f64, product: f64) -> f64 {
    const SPLIT: f64 = 134_217_729.0; // 2^27 + 1
    let halves = |x: f64| {
        let large = SPLIT * x;
        let high = large - (large - x);
        (high, x - high)
    };
    let ((a_high, a_low), (b_high, b_low)) = (halves(a), halves(b));
    let error = ((a_high * b_high - product) + a_high * b_low + a_low * b_high) + a_low * b_low;
    // The halves of a number beyond 1e300 overflow.
    if error.is_finite() {
        error
    } else {
        a.mul_add(b, -product)
    }
}

/// Largest power of two not above `length`, so that scaling by it is exact; 1 for 0.
fn power_of_two(length: f64) -> f64 {
    if length.is_normal() {
        length.log2().floor().exp2()
    } else {
        1.0
    }
}
