//! The information of the fixed effects, X'W^-1X, kept without what is known to be zero.
//!
//! Where every term differs between groups, a subject touches the fixed effects of its own
//! group alone: the information is block diagonal, p x p a group, and a thousand groups cost
//! a thousand times what one does. Where the groups share a term it is one block of all.
//! Numbers come out as from the whole matrix, digit by digit: only products with zero are left
//! out.

use super::cholesky;

/// Which fixed effects are in one block.
#[derive(Debug)]
pub(super) struct Blocks {
    /// Rows of a block.
    size: usize,
    /// Fixed effect of each row of each block, blocks x size.
    columns: Vec<usize>,
    /// Row in its block of each term in each group, groups x p.
    rows: Vec<usize>,
    /// Whether each group has a separate block.
    by_group: bool,
}

/// The scaled Cholesky factor of the information, block after block.
#[derive(Debug, Clone)]
pub(super) struct Factored {
    factor: Vec<f64>,
    scales: Vec<f64>,
    /// Ridge that the information needed (0 where it is positive definite).
    pub(super) ridge: f64,
}

impl Blocks {
    /// From the fixed effect of each term in each group, groups x p, and their number.
    pub(super) fn of(columns: &[usize], p: usize, fixed: usize) -> Self {
        let by_group = columns.len() == fixed;
        Self {
            size: if by_group { p } else { fixed },
            columns: if by_group {
                columns.to_vec()
            } else {
                (0..fixed).collect()
            },
            rows: if by_group {
                (0..fixed).map(|at| at % p).collect()
            } else {
                columns.to_vec()
            },
            by_group,
        }
    }

    /// Numbers in all blocks.
    pub(super) fn len(&self) -> usize {
        self.columns.len() * self.size
    }

    /// Place of the entry of two rows of a group's block, among those of all blocks.
    pub(super) fn place(&self, group: usize, row: usize, column: usize) -> usize {
        let first = if self.by_group { group * self.size } else { 0 };
        (first + row) * self.size + column
    }

    /// Row of each term of a group in its block.
    pub(super) fn rows_of(&self, group: usize, p: usize) -> &[usize] {
        &self.rows[group * p..(group + 1) * p]
    }

    /// Factors the lower triangles of all blocks; `None` where no ridge helps.
    pub(super) fn factor(&self, mut information: Vec<f64>) -> Option<Factored> {
        let mut scales = vec![0.0; self.columns.len()];
        let ridge = cholesky::factor_scaled(&mut information, self.size, &mut scales)?;
        Some(Factored {
            factor: information,
            scales,
            ridge,
        })
    }

    /// Solves for a right side, fixed effect by fixed effect.
    pub(super) fn solve(&self, factored: &Factored, right: &[f64]) -> Vec<f64> {
        let mut rows: Vec<f64> = self.columns.iter().map(|at| right[*at]).collect();
        cholesky::solve_scaled(&factored.factor, self.size, &factored.scales, &mut rows);
        self.in_order(rows)
    }

    /// 1 / square root of the diagonal, fixed effect by fixed effect.
    pub(super) fn scales(&self, factored: &Factored) -> Vec<f64> {
        self.in_order(factored.scales.iter().copied())
    }

    /// Half the logarithm of the determinant's part of each fixed effect, added up.
    pub(super) fn log_determinant(&self, factored: &Factored) -> f64 {
        let n = self.size;
        let parts = factored.scales.iter().enumerate();
        let parts = parts.map(|(at, scale)| {
            let pivot = factored.factor[at * n + at % n];
            2.0 * (pivot / scale).ln()
        });
        self.in_order(parts).iter().sum()
    }

    /// The inverse, block after block.
    pub(super) fn inverse(&self, factored: &Factored) -> Vec<f64> {
        let n = self.size;
        let mut inverse = vec![0.0; self.len()];
        let blocks = inverse.chunks_exact_mut(n * n);
        let factors = factored.factor.chunks_exact(n * n);
        for ((block, factor), scales) in blocks.zip(factors).zip(factored.scales.chunks_exact(n)) {
            block.copy_from_slice(&cholesky::inverse_of(factor, scales, n));
        }
        inverse
    }

    /// Blocks as the whole matrix, fixed x fixed.
    pub(super) fn whole(&self, blocks: &[f64]) -> Vec<f64> {
        let (n, fixed) = (self.size, self.columns.len());
        let mut whole = vec![0.0; fixed * fixed];
        for (row, values) in blocks.chunks_exact(n).enumerate() {
            let members = &self.columns[row / n * n..][..n];
            for (column, value) in members.iter().zip(values) {
                whole[self.columns[row] * fixed + column] = *value;
            }
        }
        whole
    }

    /// What is known row by row, fixed effect by fixed effect.
    fn in_order(&self, rows: impl IntoIterator<Item = f64>) -> Vec<f64> {
        let mut ordered = vec![0.0; self.columns.len()];
        for (column, value) in self.columns.iter().zip(rows) {
            ordered[*column] = value;
        }
        ordered
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two groups of two terms, their information by group and as the whole matrix.
    #[test]
    fn blocks_give_the_digits_of_the_whole_matrix() {
        let parts = [[4.0, 0.3, 0.3, 7.0], [2.0, -0.9, -0.9, 0.7]];
        let (of_terms, fixed) = ([0, 2, 1, 3], 4);
        let blocks = Blocks::of(&of_terms, 2, fixed);
        assert_eq!(blocks.len(), 8);
        let information = parts.concat();
        let mut whole = blocks.whole(&information);
        assert_eq!(whole[2].to_bits(), 0.3_f64.to_bits());
        assert_eq!(whole[3 * 4 + 1].to_bits(), (-0.9_f64).to_bits());
        let factored = blocks.factor(information).unwrap();
        let right = [0.1, 0.7, -3.0, 11.0];
        let mut scales = vec![0.0; fixed];
        assert_eq!(
            cholesky::factor_scaled(&mut whole, fixed, &mut scales),
            Some(factored.ridge)
        );
        let mut solved = right.to_vec();
        cholesky::solve_scaled(&whole, fixed, &scales, &mut solved);
        assert_eq!(blocks.solve(&factored, &right), solved);
        assert_eq!(blocks.scales(&factored), scales);
        let inverse = cholesky::inverse_of(&whole, &scales, fixed);
        assert_eq!(blocks.whole(&blocks.inverse(&factored)), inverse);
        let logs = (0..fixed).map(|k| 2.0 * (whole[k * fixed + k] / scales[k]).ln());
        assert_eq!(
            blocks.log_determinant(&factored).to_bits(),
            logs.sum::<f64>().to_bits()
        );
    }

    /// A term that the groups share joins them in one block.
    #[test]
    fn a_shared_term_makes_one_block() {
        let (of_terms, fixed) = ([0, 3, 1, 3, 2, 3], 4);
        let blocks = Blocks::of(&of_terms, 2, fixed);
        assert_eq!(blocks.len(), fixed * fixed);
        assert_eq!(blocks.rows_of(2, 2), [2, 3]);
        assert_eq!(blocks.place(2, 2, 3), 2 * fixed + 3);
    }
}
