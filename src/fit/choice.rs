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
    pub fn aic(&self) -> f64 {
        2.0 * self.parameters as f64 - 2.0 * self.log_lik
    }

    /// Akaike's criterion corrected for few observations; `None` where n <= k + 1,
    /// for which it has no meaning.
    #[must_use]
    pub fn aicc(&self) -> Option<f64> {
        let k = self.parameters as f64;
        let left = self.n as f64 - k - 1.0;
        (left > 0.0).then(|| self.aic() + 2.0 * k * (k + 1.0) / left)
    }

    /// Schwarz's criterion.
    #[must_use]
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

/// What the choice looks at in a fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// Observations.
    pub n: usize,
    /// AICc; `None` for a fit that failed or has too few observations for one.
    pub aicc: Option<f64>,
    /// Whether the fit is weak.
    pub weak: bool,
}

impl Candidate {
    /// That of a fit to one series.
    #[must_use]
    pub fn of(outcome: &Outcome) -> Self {
        Self {
            n: outcome.n(),
            aicc: outcome.estimates().and_then(Estimates::aicc),
            weak: matches!(outcome, Outcome::Weak(..)),
        }
    }
}

/// The place of each candidate, in the order given; `None` for one without AICc.
///
/// Likelihoods compare only over the same observations: candidates with as many
/// observations are ranked among themselves.
#[must_use]
pub fn places_among(candidates: &[Candidate]) -> Vec<Option<Place>> {
    let place = |one: &Candidate| {
        let aicc = one.aicc?;
        let alike = || {
            let others = candidates.iter().filter(|other| other.n == one.n);
            others.filter_map(|other| other.aicc)
        };
        let least = alike().fold(f64::INFINITY, f64::min);
        let likelihood = |aicc: f64| (-0.5 * (aicc - least)).exp();
        Some(Place {
            rank: 1 + alike().filter(|other| *other < aicc).count(),
            delta: aicc - least,
            weight: likelihood(aicc) / alike().map(likelihood).sum::<f64>(),
            weak: one.weak,
        })
    };
    candidates.iter().map(place).collect()
}

/// The place of each outcome, in the order given; `None` for one that failed, or
/// has too few observations for an AICc.
///
/// All must be fits of the same values: their likelihoods are compared.
#[must_use]
pub fn places(outcomes: &[&Outcome]) -> Vec<Option<Place>> {
    let candidates: Vec<Candidate> = outcomes
        .iter()
        .map(|outcome| Candidate::of(outcome))
        .collect();
    places_among(&candidates)
}
