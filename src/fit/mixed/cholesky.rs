//! Cholesky of the small dense matrices here (a few rows), row-major, in place.
//!
//! Slices in, slices out: these run several times a subject and allocate nothing.

/// Replaces the lower triangle of a symmetric `n` x `n` matrix by its Cholesky
/// factor; false where the matrix is not positive definite to working precision.
pub(super) fn factor(a: &mut [f64], n: usize) -> bool {
    match n {
        2 => factor_of::<2>(&mut a[..4], n),
        3 => factor_of::<3>(&mut a[..9], n),
        4 => factor_of::<4>(&mut a[..16], n),
        _ => factor_of::<0>(a, n),
    }
}

/// The same for `N` rows (0: for `n`): with the number known, the loops are unrolled.
fn factor_of<const N: usize>(a: &mut [f64], n: usize) -> bool {
    let n = if N == 0 { n } else { N };
    for j in 0..n {
        let mut pivot = a[j * n + j];
        let size = pivot;
        for k in 0..j {
            pivot -= a[j * n + k] * a[j * n + k];
        }
        // A pivot lost to rounding carries no digit; comparing also catches NaN.
        if !(pivot > size * 1e-14 && pivot.is_finite()) {
            return false;
        }
        let root = pivot.sqrt();
        let inverse = 1.0 / root;
        a[j * n + j] = root;
        for i in j + 1..n {
            let mut sum = a[i * n + j];
            for k in 0..j {
                sum -= a[i * n + k] * a[j * n + k];
            }
            a[i * n + j] = sum * inverse;
        }
    }
    true
}

/// Solves L x = b in place.
pub(super) fn forward(l: &[f64], n: usize, x: &mut [f64]) {
    for i in 0..n {
        let mut sum = x[i];
        for k in 0..i {
            sum -= l[i * n + k] * x[k];
        }
        x[i] = sum / l[i * n + i];
    }
}

/// Solves L' x = b in place.
pub(super) fn backward(l: &[f64], n: usize, x: &mut [f64]) {
    for i in (0..n).rev() {
        let mut sum = x[i];
        for k in i + 1..n {
            sum -= l[k * n + i] * x[k];
        }
        x[i] = sum / l[i * n + i];
    }
}

/// Solves L L' x = b in place.
pub(super) fn solve(l: &[f64], n: usize, x: &mut [f64]) {
    forward(l, n, x);
    backward(l, n, x);
}

/// Writes (L L')^-1, n x n.
pub(super) fn invert(l: &[f64], n: usize, out: &mut [f64]) {
    out[..n * n].fill(0.0);
    for j in 0..n {
        out[j * n + j] = 1.0;
        // The inverse is symmetric, so a solved row is as good as a column.
        solve(l, n, &mut out[j * n..(j + 1) * n]);
    }
}

/// Factors one `n` x `n` matrix after another, as many as there are scales for, each scaled to
/// a unit diagonal; adds a ridge, the same to all, if it must.
///
/// Writes the scales (1 / sqrt of the diagonal) and returns the ridge added, as
/// a share of the diagonal, or `None` where no ridge up to 1 helps.
pub(super) fn factor_scaled(a: &mut [f64], n: usize, scales: &mut [f64]) -> Option<f64> {
    let rows = scales.len();
    for i in 0..rows {
        let diagonal = a[i * n + i % n];
        if !diagonal.is_finite() {
            return None;
        }
        scales[i] = if diagonal > 0.0 {
            1.0 / diagonal.sqrt()
        } else {
            1.0
        };
    }
    let mut scaled = a[..rows * n].to_vec();
    for (block, scales) in scaled.chunks_exact_mut(n * n).zip(scales.chunks_exact(n)) {
        for (row, scale) in block.chunks_exact_mut(n).zip(scales) {
            for (value, other) in row.iter_mut().zip(scales) {
                *value *= scale;
                *value *= other;
            }
        }
    }
    let mut ridge = 0.0;
    loop {
        let a = &mut a[..rows * n];
        a.copy_from_slice(&scaled);
        for i in 0..rows {
            a[i * n + i % n] += ridge;
        }
        if a.chunks_exact_mut(n * n).all(|block| factor(block, n)) {
            return Some(ridge);
        }
        ridge = if ridge == 0.0 { 1e-10 } else { ridge * 10.0 };
        if ridge > 1.5 {
            return None;
        }
    }
}

/// Solves with the factors of [`factor_scaled`], in place.
pub(super) fn solve_scaled(l: &[f64], n: usize, scales: &[f64], x: &mut [f64]) {
    for ((block, scales), x) in l
        .chunks_exact(n * n)
        .zip(scales.chunks_exact(n))
        .zip(x.chunks_exact_mut(n))
    {
        for i in 0..n {
            x[i] *= scales[i];
        }
        solve(block, n, x);
        for i in 0..n {
            x[i] *= scales[i];
        }
    }
}

/// Inverse from a factor of [`factor_scaled`], n x n.
pub(super) fn inverse_of(factor: &[f64], scales: &[f64], n: usize) -> Vec<f64> {
    let mut inverse = vec![0.0; n * n];
    invert(factor, n, &mut inverse);
    for row in 0..n {
        for column in 0..n {
            inverse[row * n + column] *= scales[row] * scales[column];
        }
    }
    inverse
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_solved_system_gives_back_its_right_side() {
        let a = [4.0, 2.0, 0.6, 2.0, 5.0, 1.0, 0.6, 1.0, 3.0];
        let mut l = a;
        assert!(factor(&mut l, 3));
        let mut x = [1.0, -2.0, 0.5];
        solve(&l, 3, &mut x);
        for (i, right) in [1.0, -2.0, 0.5].into_iter().enumerate() {
            let product: f64 = (0..3).map(|k| a[i * 3 + k] * x[k]).sum();
            // Rounding of a few operations on numbers of size one.
            assert!((product - right).abs() < 1e-14);
        }
        let mut inverse = [0.0; 9];
        invert(&l, 3, &mut inverse);
        let trace: f64 = (0..9).map(|at| a[at] * inverse[at]).sum();
        assert!((trace - 3.0).abs() < 1e-14);
    }

    #[test]
    fn an_indefinite_matrix_is_refused_and_takes_a_ridge() {
        let mut a = [1.0, 2.0, 2.0, 1.0];
        assert!(!factor(&mut a, 2));
        let mut a = [1.0, 1.0, 1.0, 1.0];
        let mut scales = [0.0; 2];
        let ridge = factor_scaled(&mut a, 2, &mut scales);
        assert!(ridge.is_some_and(|ridge| ridge > 0.0 && ridge < 1e-8));
    }
}
