//! Which curve: information criteria and the weight of each candidate.
//!
//! ```text
//! AIC  = 2 k - 2 logLik                     k counts sigma and any variance term
//! AICc = AIC + 2 k (k + 1) / (n - k - 1)    none where n <= k + 1
//! BIC  = k ln n - 2 logLik
//! weight = exp(-delta / 2) / sum of these   delta: AICc above the least
//! ```
//!
//! A failed fit has no numbers and takes no rank. A weak fit is ranked, since its
//! likelihood is as real as any, and is marked as weak: the best curve by AICc may
//! be one whose asymptote the data do not support.
//!
//! # Source
//! Hurvich CM, Tsai CL (1989) Biometrika 76: 297-307 (AICc); Burnham KP, Anderson
//! DR (2002) Model Selection and Multimodel Inference, 2nd ed, 2.9 (weights). Cited
//! from memory.

use super::{Estimates, Outcome};

impl Estimates {
    /// Akaike's criterion.
    #[must_use]
    #[expect(
        clippy::cast_precision_loss,
        reason = "counts of terms are far below 2^52"
    )]
    pub fn aic(&self) -> f64 {
        2.0 * self.parameters as f64 - 2.0 * self.log_lik
    }

    /// Akaike's criterion corrected for few observations; `None` where n <= k + 1,
    /// for which it has no meaning.
    #[must_use]
    #[expect(
        clippy::cast_precision_loss,
        reason = "counts of terms are far below 2^52"
    )]
    pub fn aicc(&self) -> Option<f64> {
        let k = self.parameters as f64;
        let left = self.n as f64 - k - 1.0;
        (left > 0.0).then(|| self.aic() + 2.0 * k * (k + 1.0) / left)
    }

    /// Schwarz's criterion.
    #[must_use]
    #[expect(
        clippy::cast_precision_loss,
        reason = "counts of observations are far below 2^52"
    )]
    pub fn bic(&self) -> f64 {
        self.parameters as f64 * (self.n as f64).ln() - 2.0 * self.log_lik
    }
}

/// A candidate's place among the curves fitted to one series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// 1 for the least AICc.
    pub rank: usize,
    /// AICc above the least.
    pub delta: f64,
    /// Akaike weight; the weights of the ranked candidates add to 1.
    pub weight: f64,
    /// Whether the fit is weak.
    pub weak: bool,
}

/// The place of each outcome, in the order given; `None` for one that failed, or
/// has too few observations for an AICc.
///
/// All must be fits of the same values: their likelihoods are compared.
#[must_use]
pub fn places(outcomes: &[&Outcome]) -> Vec<Option<Place>> {
    let criteria: Vec<Option<f64>> = outcomes
        .iter()
        .map(|outcome| outcome.estimates().and_then(Estimates::aicc))
        .collect();
    let least = criteria
        .iter()
        .flatten()
        .copied()
        .fold(f64::INFINITY, f64::min);
    let likelihood = |aicc: f64| (-0.5 * (aicc - least)).exp();
    let total: f64 = criteria
        .iter()
        .flatten()
        .map(|aicc| likelihood(*aicc))
        .sum();
    outcomes
        .iter()
        .zip(&criteria)
        .map(|(outcome, criterion)| {
            criterion.map(|aicc| Place {
                rank: 1 + criteria
                    .iter()
                    .flatten()
                    .filter(|other| **other < aicc)
                    .count(),
                delta: aicc - least,
                weight: likelihood(aicc) / total,
                weak: matches!(outcome, Outcome::Weak(..)),
            })
        })
        .collect()
}
