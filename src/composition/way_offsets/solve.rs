//! The model of one choice of offsets and spreads at its least squares.

use nalgebra::{DMatrix, DVector};

use super::OffsetKind;
use super::comparisons::Block;

/// What is assumed of each way.
#[derive(Debug, Clone)]
pub(super) struct Model {
    pub(super) kinds: Vec<Option<OffsetKind>>,
    pub(super) log_ratios: Vec<f64>,
    pub(super) proportional_spread: bool,
}

impl Model {
    fn width(kind: Option<OffsetKind>) -> usize {
        match kind {
            None => 0,
            Some(OffsetKind::Linear) => 2,
            Some(_) => 1,
        }
    }

    pub(super) fn place(&self, way: usize) -> usize {
        self.kinds[..way]
            .iter()
            .map(|kind| Self::width(*kind))
            .sum()
    }

    pub(super) fn parameters(&self) -> usize {
        self.place(self.kinds.len())
    }

    /// h and c of a way.
    pub(super) fn offset(&self, way: usize, theta: &[f64]) -> (f64, f64) {
        let at = self.place(way);
        match self.kinds[way] {
            None => (0.0, 0.0),
            Some(OffsetKind::Proportional) => (theta[at], 0.0),
            Some(OffsetKind::Constant) => (0.0, theta[at]),
            Some(OffsetKind::Linear) => (theta[at], theta[at + 1]),
        }
    }
}

/// The model at its least squares.
pub(super) struct Solution {
    pub(super) theta: Vec<f64>,
    /// By block and reading, its columns of the offsets minus what the birds' days explain.
    pub(super) free: Vec<DMatrix<f64>>,
    /// Inverse of the information about the offsets, for a spread of 1.
    pub(super) inverse: DMatrix<f64>,
    pub(super) residual_squares: f64,
    pub(super) readings: usize,
    pub(super) subjects: usize,
    /// Sum of the logarithms of the readings' relative variances, and of the
    /// determinants that integrating out the birds' days leaves.
    log_variances: f64,
    log_information: f64,
}

impl Solution {
    pub(super) fn df(&self, restricted: bool) -> f64 {
        let offsets = if restricted { self.theta.len() } else { 0 };
        (self.readings - self.subjects - offsets) as f64
    }

    /// Residual squares for a spread of 1, and what else -2 restricted log-likelihood has
    /// that depends on the ratios of spread.
    pub(super) fn restricted_parts(&self) -> (f64, f64) {
        let rest = self.log_variances + self.log_information - self.inverse.determinant().ln();
        (self.residual_squares, rest)
    }

    /// Log-likelihood with the birds' days integrated out, and the offsets as well
    /// where `restricted`.
    pub(super) fn log_likelihood(&self, restricted: bool) -> f64 {
        let df = self.df(restricted);
        let scale = (2.0 * std::f64::consts::PI * self.residual_squares / df).ln();
        let offsets = if restricted {
            self.inverse.determinant().ln()
        } else {
            0.0
        };
        -0.5 * (df * (scale + 1.0) + self.log_variances + self.log_information - offsets)
    }
}

/// Gauss-Newton steps until the offsets stand still; `None` where they are not determined.
pub(super) fn solve(blocks: &[Block], model: &Model) -> Option<Solution> {
    let q = model.parameters();
    let mut mu: Vec<Vec<f64>> = blocks.iter().map(|block| block.mu.clone()).collect();
    let mut theta = vec![0.0; q];
    for _ in 0..100 {
        let (solution, next) = step(blocks, model, &theta, &mu)?;
        let moved = solution
            .theta
            .iter()
            .zip(&theta)
            .map(|(new, old)| (new - old).abs() / (1.0 + new.abs()))
            .fold(0.0, f64::max);
        theta.clone_from(&solution.theta);
        mu = next;
        if moved < 1e-12 {
            return Some(solution).filter(|found| found.log_likelihood(true).is_finite());
        }
    }
    None
}

#[expect(
    clippy::too_many_lines,
    reason = "one step of one iteration, as its formulas stand"
)]
fn step(
    blocks: &[Block],
    model: &Model,
    theta: &[f64],
    mu: &[Vec<f64>],
) -> Option<(Solution, Vec<Vec<f64>>)> {
    let q = theta.len();
    let mut information = DMatrix::<f64>::zeros(q, q);
    let mut score = DVector::zeros(q);
    let (mut log_variances, mut log_information) = (0.0, 0.0);
    let (mut readings, mut subjects) = (0, 0);
    let mut kept = Vec::with_capacity(blocks.len());
    for (block, mu) in blocks.iter().zip(mu) {
        let (n, m) = (block.readings.len(), mu.len());
        let mut x = DMatrix::zeros(n, m);
        let mut z = DMatrix::zeros(n, q);
        let mut response = DVector::zeros(n);
        let mut weights = DVector::zeros(n);
        for (i, row) in block.readings.iter().enumerate() {
            let k = row.subjects.len() as f64;
            let mean = row.subjects.iter().map(|bird| mu[*bird]).sum::<f64>() / k;
            let (h, _) = model.offset(row.way, theta);
            for bird in &row.subjects {
                x[(i, *bird)] = (1.0 + h) / k;
            }
            let at = model.place(row.way);
            match model.kinds[row.way] {
                None => {}
                Some(OffsetKind::Constant) => z[(i, at)] = 1.0,
                Some(OffsetKind::Proportional) => z[(i, at)] = mean,
                Some(OffsetKind::Linear) => {
                    z[(i, at)] = mean;
                    z[(i, at + 1)] = 1.0;
                }
            }
            response[i] = row.value + h * mean;
            let size = if model.proportional_spread { mean } else { 1.0 };
            let variance = (model.log_ratios[row.way].exp() * size).powi(2) / k;
            log_variances += variance.ln();
            weights[i] = 1.0 / variance;
        }
        let weighted = DMatrix::from_fn(n, m, |i, j| weights[i] * x[(i, j)]);
        let factor = (x.transpose() * &weighted).cholesky()?;
        log_information += 2.0 * factor.l().diagonal().iter().map(|d| d.ln()).sum::<f64>();
        // What the birds' days leave of the offsets' columns and of the readings.
        let free = |column: DVector<f64>| {
            let of_birds = factor.solve(&(weighted.transpose() * &column));
            (&column - &x * &of_birds, of_birds)
        };
        let free_z: Vec<(DVector<f64>, DVector<f64>)> =
            z.column_iter().map(|column| free(column.into())).collect();
        let free_y = free(response);
        let product = |a: &DVector<f64>, b: &DVector<f64>| -> f64 {
            a.iter()
                .zip(b.iter())
                .zip(weights.iter())
                .map(|((a, b), w)| a * b * w)
                .sum()
        };
        for i in 0..q {
            score[i] += product(&free_z[i].0, &free_y.0);
            for j in 0..q {
                information[(i, j)] += product(&free_z[i].0, &free_z[j].0);
            }
        }
        readings += n;
        subjects += m;
        kept.push((free_z, free_y, weights));
    }
    if readings <= subjects + q {
        return None;
    }
    // Scaled, so that grams and shares are judged alike.
    let scale = DVector::from_fn(q, |i, _| information[(i, i)].max(0.0).sqrt());
    if scale.iter().any(|scale| *scale <= 0.0) {
        return None;
    }
    let scaled = DMatrix::from_fn(q, q, |i, j| information[(i, j)] / (scale[i] * scale[j]));
    let eigen = scaled.clone().symmetric_eigenvalues();
    if eigen.iter().any(|value| *value < 1e-9) {
        return None;
    }
    let scaled = scaled.try_inverse()?;
    let inverse = DMatrix::from_fn(q, q, |i, j| scaled[(i, j)] / (scale[i] * scale[j]));
    let next = &inverse * score;
    let mut residual_squares = 0.0;
    let mut next_mu = Vec::with_capacity(kept.len());
    let mut free = Vec::with_capacity(kept.len());
    for (free_z, (left, of_birds), weights) in kept {
        free.push(DMatrix::from_fn(left.len(), q, |i, j| free_z[j].0[i]));
        let (mut left, mut of_birds) = (left, of_birds);
        for (z, value) in free_z.iter().zip(next.iter()) {
            left -= &z.0 * *value;
            of_birds -= &z.1 * *value;
        }
        residual_squares += left
            .iter()
            .zip(weights.iter())
            .map(|(e, w)| e * e * w)
            .sum::<f64>();
        next_mu.push(of_birds.iter().copied().collect());
    }
    let solution = Solution {
        theta: next.iter().copied().collect(),
        free,
        inverse,
        residual_squares,
        readings,
        subjects,
        log_variances,
        log_information,
    };
    Some((solution, next_mu))
}
