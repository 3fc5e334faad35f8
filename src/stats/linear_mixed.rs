//! Linear mixed model whose values carry error variances that are known beforehand.
//!
//! For subject i with n_i values
//!
//! ```text
//! y_i = Z_i b + R_i u_i + e_i,   var(u_i) = diag(g_1, .., g_q),
//! var(e_i) = diag(v_i1, v_i2, ..) + s^2 I
//! ```
//!
//! The v are known; s^2 and the g are estimated by maximum or restricted likelihood
//! (Laird NM, Ware JH 1982, Biometrics 38:963-974; from memory) with Fisher scoring on the
//! variances, which stay at zero or above: one that ends at zero is no part of the model.
//! With s^2 held at 0 this is `lme(.., weights = varFixed(~v), control =
//! lmeControl(sigma = 1))` of nlme; with v = 0 it is `lme` with a free sigma.

use nalgebra::{Cholesky, DMatrix, DVector};

use super::Failure;
use super::cross_product::{inverse_of, log_determinant_of};

/// What is maximised.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Likelihood {
    /// The likelihood.
    Full,
    /// The restricted likelihood, that of contrasts free of the fixed effects.
    Restricted,
}

/// Subjects, each with a block of rows.
#[derive(Debug, Clone)]
pub struct LinearMixed {
    /// First row of each subject, and the end.
    pub starts: Vec<usize>,
    /// Values, n.
    pub response: Vec<f64>,
    /// Columns of the fixed effects, n x p.
    pub fixed: DMatrix<f64>,
    /// Columns of the random effects, n x q; each effect is independent of the others.
    pub random: DMatrix<f64>,
    /// Known error variances, n.
    pub known_variances: Vec<f64>,
    /// Whether a residual variance is estimated beside the known ones.
    pub residual: bool,
}

/// A fitted model.
#[derive(Debug, Clone)]
pub struct LinearMixedFit {
    /// What was maximised.
    pub likelihood: Likelihood,
    /// Fixed effects, p.
    pub fixed: DVector<f64>,
    /// Their covariance at the estimated variances, p x p.
    pub covariance: DMatrix<f64>,
    /// Residual variance beside the known ones; 0 where it is not estimated or vanished.
    pub residual_variance: f64,
    /// Variances of the random effects, q; 0 for one that vanished.
    pub random_variances: Vec<f64>,
    /// Standard errors of the residual and the random variances by expected information,
    /// 1 + q; none for one that is 0.
    pub variance_errors: Vec<Option<f64>>,
    /// Log-likelihood, full or restricted as was maximised.
    pub log_lik: f64,
    /// Values.
    pub n: usize,
    /// Fixed effects and variances above zero.
    pub parameters: usize,
    /// Rounds of scoring.
    pub iterations: usize,
    /// Inverse of each subject's covariance.
    inverses: Vec<DMatrix<f64>>,
    residuals: DVector<f64>,
}

/// Rounds of scoring and halvings of a step; a regular problem takes ten rounds.
const ROUNDS: usize = 500;
const HALVINGS: usize = 30;
/// The score of each free variance at the end, in its standard errors.
const CONVERGED: f64 = 1e-9;
/// The least residual variance beside known ones of zero, as a share of the values' own.
const EXACT: f64 = 1e-16;

struct State {
    log_lik: f64,
    fixed: DVector<f64>,
    covariance: DMatrix<f64>,
    inverses: Vec<DMatrix<f64>>,
    residuals: DVector<f64>,
}

impl LinearMixed {
    /// Fits the model.
    ///
    /// # Errors
    /// [`Failure`] where the fixed effects are collinear or no fewer than the values, a
    /// number is not finite, or scoring does not end.
    pub fn fit(&self, likelihood: Likelihood) -> Result<LinearMixedFit, Failure> {
        let q = self.random.ncols();
        let (n, p) = self.fixed.shape();
        if n <= p {
            return Err(Failure::TooFew {
                what: "values",
                found: n,
                needed: p + 1,
            });
        }
        let least = self.least();
        let mut variances = self.start();
        let mut state = self.at(&variances, likelihood)?;
        let mut iterations = 0;
        loop {
            let (score, information) = self.score(&state, likelihood);
            let free: Vec<usize> = (0..=q)
                .filter(|k| {
                    (*k > 0 || self.residual) && (variances[*k] > least[*k] || score[*k] > 0.0)
                })
                .collect();
            let step = solve(&information, &score, &free);
            let done = step.as_ref().is_none_or(|step| {
                let by: f64 = free.iter().zip(step).map(|(k, s)| score[*k] * s).sum();
                by.max(0.0).sqrt() < CONVERGED
            });
            if done {
                return Ok(self.result(likelihood, &variances, &information, state, iterations));
            }
            iterations += 1;
            if iterations > ROUNDS {
                return Err(Failure::NotConverged { iterations: ROUNDS });
            }
            let step = step.unwrap_or_default();
            let Some((next, moved)) = self.improve(&variances, &free, &step, &state, likelihood)
            else {
                // No step gains a digit: the maximum to rounding.
                return Ok(self.result(likelihood, &variances, &information, state, iterations));
            };
            (state, variances) = (next, moved);
        }
    }

    /// Generalised least squares with given variances (residual first).
    ///
    /// # Errors
    /// As [`LinearMixed::fit`].
    pub fn at_variances(
        &self,
        likelihood: Likelihood,
        variances: &[f64],
    ) -> Result<LinearMixedFit, Failure> {
        let state = self.at(variances, likelihood)?;
        let (_, information) = self.score(&state, likelihood);
        Ok(self.result(likelihood, variances, &information, state, 0))
    }

    /// The first point that is better along a step, cut at the bounds.
    fn improve(
        &self,
        variances: &[f64],
        free: &[usize],
        step: &[f64],
        state: &State,
        likelihood: Likelihood,
    ) -> Option<(State, Vec<f64>)> {
        let least = self.least();
        let mut share = 1.0;
        for _ in 0..HALVINGS {
            let mut moved = variances.to_vec();
            for (k, s) in free.iter().zip(step) {
                // At most a hundredth in one step: scoring overshoots from afar.
                let low = if moved[*k] + share * s < 0.01 * moved[*k] && share > 0.9 {
                    0.01 * moved[*k]
                } else {
                    moved[*k] + share * s
                };
                moved[*k] = if low < 1e-12 * self.scale() {
                    least[*k]
                } else {
                    low.max(least[*k])
                };
            }
            if let Ok(next) = self.at(&moved, likelihood)
                && next.log_lik > state.log_lik
            {
                return Some((next, moved));
            }
            share *= 0.5;
        }
        None
    }

    /// The variance of the values, at least a tiny one.
    fn scale(&self) -> f64 {
        let squares = super::squares_about_mean(&self.response);
        (squares / self.response.len() as f64).max(1e-300)
    }

    /// The least variances: with error variances known of all values none is needed.
    fn least(&self) -> Vec<f64> {
        let mut least = vec![0.0; 1 + self.random.ncols()];
        if self.residual && self.known_variances.iter().any(|v| *v <= 0.0) {
            least[0] = EXACT * self.scale();
        }
        least
    }

    /// The spread about ordinary least squares, shared out evenly.
    fn start(&self) -> Vec<f64> {
        let q = self.random.ncols();
        let (n, p) = self.fixed.shape();
        let y = DVector::from_column_slice(&self.response);
        let svd = self.fixed.clone().svd(true, true);
        let left = match svd.solve(&y, 1e-12) {
            Ok(fixed) => (&y - &self.fixed * fixed).norm_squared(),
            Err(_) => y.norm_squared(),
        };
        let known = super::mean(&self.known_variances);
        let spread = left / (n - p) as f64;
        let rest = (spread - known).max(0.1 * spread).max(EXACT * self.scale());
        let parts = q as f64 + f64::from(u8::from(self.residual));
        let mut variances = vec![rest / parts.max(1.0)];
        for k in 0..q {
            let column = self.random.column(k);
            let size = column.norm_squared() / n as f64;
            variances.push(rest / parts / size.max(1e-300));
        }
        if !self.residual {
            variances[0] = 0.0;
        }
        variances
    }

    fn block(&self, subject: usize) -> (usize, usize) {
        (
            self.starts[subject],
            self.starts[subject + 1] - self.starts[subject],
        )
    }

    fn subjects(&self) -> usize {
        self.starts.len() - 1
    }

    /// The likelihood at given variances, the fixed effects profiled out.
    fn at(&self, variances: &[f64], likelihood: Likelihood) -> Result<State, Failure> {
        let (n, p) = self.fixed.shape();
        let y = DVector::from_column_slice(&self.response);
        let mut cross = DMatrix::zeros(p, p);
        let mut right = DVector::zeros(p);
        let mut inverses = Vec::with_capacity(self.subjects());
        let mut log_determinant = 0.0;
        for subject in 0..self.subjects() {
            let (first, rows) = self.block(subject);
            let random = self.random.rows(first, rows);
            let mut covariance = DMatrix::zeros(rows, rows);
            for (k, variance) in variances[1..].iter().enumerate() {
                let column = random.column(k);
                covariance += column * column.transpose() * *variance;
            }
            for row in 0..rows {
                covariance[(row, row)] += variances[0] + self.known_variances[first + row];
            }
            let factor = Cholesky::new(covariance).ok_or_else(|| Failure::Value {
                what: "error variance".to_owned(),
                row: first,
                found: variances[0] + self.known_variances[first],
                expected: "a number above 0",
            })?;
            log_determinant += log_determinant_of(&factor);
            let inverse = factor.inverse();
            let z = self.fixed.rows(first, rows);
            let weighted = &inverse * z;
            cross += z.transpose() * &weighted;
            right += weighted.transpose() * y.rows(first, rows);
            inverses.push(inverse);
        }
        let (covariance, of_cross) = inverse_of(&cross)?;
        let fixed = &covariance * right;
        let residuals = y - &self.fixed * &fixed;
        let mut quadratic = 0.0;
        for (subject, inverse) in inverses.iter().enumerate() {
            let (first, rows) = self.block(subject);
            let r = residuals.rows(first, rows);
            quadratic += r.dot(&(inverse * r));
        }
        let (count, of_cross) = match likelihood {
            Likelihood::Full => (n, 0.0),
            Likelihood::Restricted => (n - p, of_cross),
        };
        let log_two_pi = (2.0 * std::f64::consts::PI).ln();
        let log_lik = -0.5 * (count as f64 * log_two_pi + log_determinant + of_cross + quadratic);
        if !log_lik.is_finite() {
            return Err(Failure::NotConverged { iterations: 0 });
        }
        Ok(State {
            log_lik,
            fixed,
            covariance,
            inverses,
            residuals,
        })
    }

    /// Derivatives of the likelihood in the variances, and their expected information.
    fn score(&self, state: &State, likelihood: Likelihood) -> (Vec<f64>, DMatrix<f64>) {
        let q = self.random.ncols();
        let mut score = vec![0.0; q + 1];
        let mut information = DMatrix::zeros(q + 1, q + 1);
        for (subject, inverse) in state.inverses.iter().enumerate() {
            let (first, rows) = self.block(subject);
            let random = self.random.rows(first, rows);
            let residual = inverse * state.residuals.rows(first, rows);
            let weighted = inverse * self.fixed.rows(first, rows);
            score[0] += 0.5 * (residual.norm_squared() - inverse.trace());
            information[(0, 0)] += 0.5 * inverse.norm_squared();
            let restricted = likelihood == Likelihood::Restricted;
            if restricted {
                let lost = (&weighted * &state.covariance)
                    .component_mul(&weighted)
                    .sum();
                score[0] += 0.5 * lost;
            }
            let along = inverse * random;
            let inner = random.transpose() * &along;
            for k in 0..q {
                let column = random.column(k);
                score[k + 1] += 0.5 * (column.dot(&residual).powi(2) - inner[(k, k)]);
                if restricted {
                    let seen = weighted.transpose() * column;
                    score[k + 1] += 0.5 * seen.dot(&(&state.covariance * &seen));
                }
                let with_residual = 0.5 * along.column(k).norm_squared();
                information[(0, k + 1)] += with_residual;
                information[(k + 1, 0)] += with_residual;
                for l in 0..q {
                    information[(k + 1, l + 1)] += 0.5 * inner[(k, l)].powi(2);
                }
            }
        }
        (score, information)
    }

    fn result(
        &self,
        likelihood: Likelihood,
        variances: &[f64],
        information: &DMatrix<f64>,
        state: State,
        iterations: usize,
    ) -> LinearMixedFit {
        let kept: Vec<usize> = (0..variances.len())
            .filter(|k| variances[*k] > 0.0)
            .collect();
        let mut variance_errors = vec![None; variances.len()];
        let inner = DMatrix::from_fn(kept.len(), kept.len(), |i, j| {
            information[(kept[i], kept[j])]
        });
        if let Ok((inverse, _)) = inverse_of(&inner) {
            for (at, k) in kept.iter().enumerate() {
                variance_errors[*k] = Some(inverse[(at, at)].max(0.0).sqrt());
            }
        }
        LinearMixedFit {
            likelihood,
            fixed: state.fixed,
            covariance: state.covariance,
            residual_variance: variances[0],
            random_variances: variances[1..].to_vec(),
            variance_errors,
            log_lik: state.log_lik,
            n: self.response.len(),
            parameters: self.fixed.ncols() + kept.len(),
            iterations,
            inverses: state.inverses,
            residuals: state.residuals,
        }
    }
}

impl LinearMixedFit {
    /// Estimated variances: the residual's, then the random effects'.
    #[must_use]
    pub fn variances(&self) -> Vec<f64> {
        [&[self.residual_variance], self.random_variances.as_slice()].concat()
    }

    /// Akaike's criterion for few values, with the number of values; infinite where there
    /// are too few. `more` parameters are not among the model's.
    #[must_use]
    pub fn aicc(&self, more: usize) -> f64 {
        let (k, n) = ((self.parameters + more) as f64, self.n as f64);
        if n - k - 1.0 > 0.0 {
            2.0 * k - 2.0 * self.log_lik + 2.0 * k * (k + 1.0) / (n - k - 1.0)
        } else {
            f64::INFINITY
        }
    }

    /// Inverse covariance of one subject's values times their residuals.
    #[must_use]
    pub fn weighted_residuals(&self, model: &LinearMixed, subject: usize) -> DVector<f64> {
        let (first, rows) = model.block(subject);
        &self.inverses[subject] * self.residuals.rows(first, rows)
    }

    /// What one subject's values, or errors in them (columns of an n x k matrix), add to
    /// the fixed effects: `C Z_i' V_i^-1 x`.
    ///
    /// # Shapes
    /// `errors`: rows of the subject x k; the result p x k.
    #[must_use]
    pub fn effect_of(
        &self,
        model: &LinearMixed,
        subject: usize,
        errors: &DMatrix<f64>,
    ) -> DMatrix<f64> {
        let (first, rows) = model.block(subject);
        let z = model.fixed.rows(first, rows);
        &self.covariance * (z.transpose() * (&self.inverses[subject] * errors))
    }

    /// What turns one subject's residuals into the modes of its random effects,
    /// `G R_i' V_i^-1`, q x rows.
    #[must_use]
    pub fn shrinkage(&self, model: &LinearMixed, subject: usize) -> DMatrix<f64> {
        let (first, rows) = model.block(subject);
        let random = model.random.rows(first, rows);
        let spread = DMatrix::from_diagonal(&DVector::from_column_slice(&self.random_variances));
        spread * random.transpose() * &self.inverses[subject]
    }

    /// Modes of one subject's random effects, q.
    #[must_use]
    pub fn modes(&self, model: &LinearMixed, subject: usize) -> DVector<f64> {
        let (first, rows) = model.block(subject);
        self.shrinkage(model, subject) * self.residuals.rows(first, rows)
    }

    /// Error of each value predicted from all others, at the variances of all, and the
    /// variance of that error.
    ///
    /// With P = V^-1 - V^-1 Z C Z' V^-1 it is (P y)_j / P_jj, its variance 1 / P_jj; none
    /// where nothing is left to predict a value by.
    #[must_use]
    pub fn left_out(&self, model: &LinearMixed) -> Vec<Option<(f64, f64)>> {
        let mut all = Vec::with_capacity(self.n);
        for (subject, inverse) in self.inverses.iter().enumerate() {
            let (first, rows) = model.block(subject);
            let weighted = inverse * model.fixed.rows(first, rows);
            let along = &weighted * &self.covariance;
            let pulled = self.weighted_residuals(model, subject);
            for row in 0..rows {
                let whole = inverse[(row, row)];
                let own = whole - along.row(row).dot(&weighted.row(row));
                let known = own > 1e-10 * whole;
                all.push(known.then(|| (pulled[row] / own, 1.0 / own)));
            }
        }
        all
    }
}

/// The step of the free variances; none where none is free.
fn solve(information: &DMatrix<f64>, score: &[f64], free: &[usize]) -> Option<Vec<f64>> {
    if free.is_empty() {
        return None;
    }
    let inner = DMatrix::from_fn(free.len(), free.len(), |i, j| {
        information[(free[i], free[j])]
    });
    let right = DVector::from_fn(free.len(), |i, _| score[free[i]]);
    match inverse_of(&inner) {
        Ok((inverse, _)) => Some((inverse * right).iter().copied().collect()),
        // One scan a bird: residual and bird are one; each moves alone.
        Err(_) => Some(
            free.iter()
                .map(|k| score[*k] / information[(*k, *k)] / free.len() as f64)
                .collect(),
        ),
    }
}
