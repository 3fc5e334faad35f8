//! Which model describes a trait of all birds: residual spread, birds' random terms, their
//! correlations, the correlation of residuals, and the curve, chosen once by likelihood.
//!
//! For each curve, in this order, the next model is kept where it lowers the criterion:
//!
//! 1. the residual spread, with every term of the curve random and independent: constant,
//!    proportional to the fitted value, or a power of it (a trait whose values have known
//!    error variances keeps these alone); a power outside 0 to 2 is not taken;
//! 2. random terms: those whose variance goes to zero are removed (of a singular covariance that
//!    was requested, the one without which the criterion is least), then the one that is
//!    least precise of those left, as long as that lowers the criterion by more than [`AS_GOOD`]; a
//!    residual spread that
//!    had no maximum with every term random is then tried again;
//! 3. random terms that are correlated;
//! 4. residuals of a bird whose correlation fades with the days apart, with independent or
//!    fewer random terms where it leaves them without a variance;
//!
//! then the curve, of those that converge. Steps 3 and 4 are taken with the [`GO_ON`] curves that
//! are best after step 2. The criterion is AICc with the number of birds as
//! its n; where that leaves fewer than twice as many birds as the greatest model has
//! parameters, the number of observations. All this is done by maximum likelihood on at most
//! [`MOST_BIRDS`] birds, drawn evenly over groups and pens; the model chosen is fitted to all,
//! by restricted likelihood. What the call fixes is not chosen.
//!
//! # Source
//! Pinheiro JC, Bates DM (2000) Mixed-Effects Models in S and S-PLUS, 8.2 (from random effects
//! in every term to those that the data support; from memory). AICc by the number of subjects:
//! Vaida F, Blanchard S (2005) Biometrika 92: 351-370, for questions about the population
//! (from memory).

use std::sync::Arc;

use rayon::prelude::*;

use super::cohort::Cohort;
use super::mixed_attempt::{first_options, fit};
use super::population::{PopulationRequest, RandomTerms};
use crate::fit::Variance;
use crate::fit::mixed::{Correlation, Covariance, MixedOptions, RandomEffect, Vanished};
use crate::growth::Curve;

/// Birds that a model is chosen on; more are fitted once, by the model chosen.
pub const MOST_BIRDS: usize = 500;

/// Powers of the mean that a residual spread is believed to follow (common practice, no
/// source).
const POWERS: std::ops::RangeInclusive<f64> = 0.0..=2.0;

/// Difference of the criterion up to which a model with one random term more is kept: models so
/// close are supported alike (Burnham KP, Anderson DR 2002, Model Selection and Multimodel
/// Inference, 2.6; from memory), and without a difference between birds that is there intervals
/// of single birds are too narrow: in small studies whose choice had left out ti1 they covered a
/// bird's A1 in 31 %.
const AS_GOOD: f64 = 2.0;

/// Birds a term of the curve below which their curves allow for terms left out (common practice,
/// no source): with more, variances that are there are seldom estimated as zero, and intervals of
/// birds' other terms covered 93 to 96 % in simulated studies without this.
pub(super) const FEW_BIRDS: usize = 10;

/// Curves that are taken further than to independent random terms.
pub(super) const GO_ON: usize = 2;

/// A model that was tried.
#[derive(Debug, Clone)]
pub struct Tried {
    /// The curve.
    pub curve: Arc<dyn Curve>,
    /// The options of the model.
    pub options: MixedOptions,
    /// Which question it answers.
    pub step: Step,
    /// `converged`, `weak` or `failed`.
    pub status: &'static str,
    /// Why it is weak or failed; empty where it converged.
    pub reason: String,
    /// Birds and observations it was fitted to.
    pub counts: (usize, usize),
    /// Parameters, log-likelihood and criterion; `None` where it failed.
    pub likelihood: Option<Likelihood>,
    /// Whether it is the model of the trait.
    pub chosen: bool,
}

/// How likely the data are under a model that was tried.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Likelihood {
    /// Parameters, variances included.
    pub parameters: usize,
    /// Greatest log-likelihood.
    pub log_lik: f64,
    /// The criterion: less is better.
    pub aicc: f64,
}

/// A question of the choice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// How the residual spread follows the fitted value.
    ResidualSpread,
    /// Which terms differ between birds.
    RandomTerms,
    /// Whether these differences are correlated.
    Covariance,
    /// Whether a bird's residuals are correlated.
    Correlation,
}

impl Step {
    /// Its name in the tables.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::ResidualSpread => "residual spread",
            Self::RandomTerms => "random terms",
            Self::Covariance => "covariance of random terms",
            Self::Correlation => "correlation of residuals",
        }
    }
}

/// Birds to choose on: all, or [`MOST_BIRDS`] spread evenly over each group and its pens.
pub(super) fn sample(cohort: &Arc<Cohort>) -> Arc<Cohort> {
    let all = cohort.birds.len();
    if all <= MOST_BIRDS {
        return cohort.clone();
    }
    let mut kept = Vec::with_capacity(MOST_BIRDS + cohort.groups.len());
    // Pen by pen, so that the stride comes to every pen.
    for units in cohort.units(true) {
        let birds: Vec<usize> = units.into_iter().flatten().collect();
        // At least two of a group, so that each keeps its fixed effects.
        let share = (birds.len() * MOST_BIRDS).div_ceil(all).max(2);
        let count = share.min(birds.len());
        kept.extend((0..count).map(|at| birds[at * birds.len() / count]));
    }
    kept.sort_unstable();
    Arc::new(cohort.only(&kept))
}

/// The search for the model of one curve.
pub(super) struct Search<'a> {
    pub(super) curve: Arc<dyn Curve>,
    pub(super) cohort: Arc<Cohort>,
    wanted: &'a PopulationRequest,
    pub(super) tried: Vec<Tried>,
    best: Option<Candidate>,
}

/// A model that was tried, by its place, with the evidence of its fit on the random terms.
#[derive(Debug, Clone)]
struct Candidate {
    at: usize,
    vanished: Vec<usize>,
    singular: bool,
    /// The least precise random term: greatest standard error over its SD.
    least_sure: Option<usize>,
}

impl<'a> Search<'a> {
    /// Begins with the residual spread and the random terms.
    pub(super) fn begin(
        curve: Arc<dyn Curve>,
        cohort: Arc<Cohort>,
        wanted: &'a PopulationRequest,
    ) -> Self {
        let mut search = Self {
            curve,
            cohort,
            wanted,
            tried: Vec::new(),
            best: None,
        };
        search.best = search.independent();
        search
    }

    /// Residual spread and random terms.
    fn independent(&mut self) -> Option<Candidate> {
        let mut options = first_options(&*self.curve, self.wanted);
        let with = |variance: Variance| MixedOptions {
            variance,
            ..options.clone()
        };
        let asked: Vec<MixedOptions> = self.spreads().into_iter().map(with).collect();
        let mut best: Option<Candidate> = None;
        for candidate in self.try_all(&asked, Step::ResidualSpread) {
            best = Some(self.better(best, candidate));
        }
        // Where nothing has a maximum, fewer random terms may have one.
        while best.is_none() && options.random.len() > 1 && self.chooses_random() {
            options.random.pop();
            best = self
                .try_all(std::slice::from_ref(&options), Step::RandomTerms)
                .pop();
        }
        let best = best?;
        if !self.chooses_random() {
            return Some(best);
        }
        let best = self.without_needless(best);
        Some(self.spreads_again(best))
    }

    /// Tries the residual spreads that had no maximum with every term random again, with those
    /// random terms that are left.
    fn spreads_again(&mut self, best: Candidate) -> Candidate {
        let failed = self.tried.iter().filter(|tried| tried.likelihood.is_none());
        let spreads: Vec<Variance> = failed
            .filter(|tried| tried.step == Step::ResidualSpread)
            .map(|tried| tried.options.variance)
            .collect();
        let options = self.options(&best);
        let again = spreads.into_iter().map(|variance| MixedOptions {
            variance,
            ..options.clone()
        });
        let again: Vec<MixedOptions> = again.collect();
        let before = best.at;
        let mut best = best;
        for next in self.try_all(&again, Step::ResidualSpread) {
            best = self.better(Some(best), next);
        }
        if best.at == before {
            best
        } else {
            self.without_needless(best)
        }
    }

    /// Goes on with correlations, of the random terms and of the residuals.
    pub(super) fn go_on(&mut self) {
        let Some(mut best) = self.best.take() else {
            return;
        };
        best = self.correlated(best);
        if self.wanted.correlation.is_none() {
            best = self.serially_correlated(best);
        }
        self.best = Some(best);
    }

    /// Lets the residuals of a bird be correlated.
    ///
    /// What looked like differences between birds may then be none, so that variances go to
    /// zero, alone or together, or the fit has no maximum: the random terms are then made
    /// independent, or fewer, and the best of these models is taken.
    fn serially_correlated(&mut self, best: Candidate) -> Candidate {
        let options = MixedOptions {
            correlation: Correlation::Ar1,
            ..self.options(&best)
        };
        let next = self
            .try_all(std::slice::from_ref(&options), Step::Correlation)
            .pop();
        let sound = |one: &Candidate| !one.singular && one.vanished.is_empty();
        let mut others = match next {
            Some(next) if self.criterion(&next) >= self.criterion(&best) => return best,
            Some(next) if sound(&next) => return next,
            _ if !self.chooses_random() => return best,
            Some(next) => vec![self.without_needless(next)],
            None => Vec::new(),
        };
        if options.covariance == Covariance::Full && self.wanted.covariance.is_none() {
            let independent = MixedOptions {
                covariance: Covariance::Diagonal,
                ..options
            };
            let independent = self.try_all(&[independent], Step::Covariance).pop();
            others.extend(independent.map(|one| self.without_needless(one)));
        }
        others
            .into_iter()
            .filter(sound)
            .fold(best, |best, other| self.better(Some(best), other))
    }

    /// The best model so far, by its place among those tried; `None` where none has a
    /// maximum.
    pub(super) fn best(&self) -> Option<usize> {
        self.best.as_ref().map(|best| best.at)
    }

    /// Whether the best model converged, and its criterion: less is better.
    pub(super) fn rank(&self) -> Option<(bool, f64)> {
        let tried = &self.tried[self.best()?];
        let criterion = tried.likelihood.map_or(f64::INFINITY, |fit| fit.aicc);
        Some((tried.status != "converged", criterion))
    }

    fn chooses_random(&self) -> bool {
        self.wanted.random == RandomTerms::Chosen
    }

    fn options(&self, of: &Candidate) -> MixedOptions {
        self.tried[of.at].options.clone()
    }

    /// Residual spreads to choose among.
    fn spreads(&self) -> Vec<Variance> {
        match self.wanted.variance {
            Some(variance) => vec![variance],
            None if self.cohort.has_known_variances() => vec![Variance::Constant],
            None => vec![Variance::Constant, Variance::Proportional, Variance::Power],
        }
    }

    /// Removes the random terms whose variance went to zero, then the least precise one, as
    /// long as that lowers the criterion by more than [`AS_GOOD`].
    fn without_needless(&mut self, mut best: Candidate) -> Candidate {
        loop {
            let options = self.options(&best);
            if best.singular && options.random.len() > 1 {
                match self.without_one(&options) {
                    Some(next) => {
                        best = next;
                        continue;
                    }
                    None => return best,
                }
            }
            let vanished = best.vanished.clone();
            let forced = !vanished.is_empty();
            let gone: Vec<usize> = match best.least_sure {
                _ if forced => vanished,
                Some(least) if options.random.len() > 1 => vec![least],
                _ => return best,
            };
            let mut fewer = options;
            let mut at = 0;
            fewer.random.retain(|_| {
                at += 1;
                !gone.contains(&(at - 1))
            });
            if fewer.random.is_empty() {
                fewer.covariance = Covariance::Diagonal;
            }
            let next = self
                .try_all(std::slice::from_ref(&fewer), Step::RandomTerms)
                .pop();
            match next {
                // Without a variance that is zero the likelihood is the same.
                Some(next) if forced || self.criterion(&next) + AS_GOOD < self.criterion(&best) => {
                    best = next
                }
                _ => return best,
            }
        }
    }

    /// The best model with one random term less; `None` where none has a maximum.
    fn without_one(&mut self, options: &MixedOptions) -> Option<Candidate> {
        let without = |gone: usize| {
            let mut fewer = options.clone();
            fewer.random.remove(gone);
            fewer
        };
        let asked: Vec<MixedOptions> = (0..options.random.len()).map(without).collect();
        let mut best: Option<Candidate> = None;
        for candidate in self.try_all(&asked, Step::RandomTerms) {
            best = Some(self.better(best, candidate));
        }
        best
    }

    /// Lets the random terms be correlated, where that is free.
    fn correlated(&mut self, best: Candidate) -> Candidate {
        let options = self.options(&best);
        if self.wanted.covariance.is_some() || options.random.len() < 2 {
            return best;
        }
        let full = MixedOptions {
            covariance: Covariance::Full,
            ..options
        };
        self.attempt(best, full, Step::Covariance)
    }

    /// The better of a model and a further one.
    fn attempt(&mut self, best: Candidate, options: MixedOptions, step: Step) -> Candidate {
        match self.try_all(&[options], step).pop() {
            Some(next) if !next.singular && next.vanished.is_empty() => {
                self.better(Some(best), next)
            }
            _ => best,
        }
    }

    /// Of two the one of the lower criterion.
    fn better(&self, best: Option<Candidate>, next: Candidate) -> Candidate {
        match best {
            Some(best) if self.criterion(&best) <= self.criterion(&next) => best,
            _ => next,
        }
    }

    fn criterion(&self, of: &Candidate) -> f64 {
        self.tried[of.at]
            .likelihood
            .map_or(f64::INFINITY, |fit| fit.aicc)
    }

    /// Fits models side by side; those without a maximum are written down and left out.
    fn try_all(&mut self, asked: &[MixedOptions], step: Step) -> Vec<Candidate> {
        let most = self.curve.terms().len() * (self.cohort.groups.len() + 1) + 2;
        let fitted: Vec<_> = asked
            .par_iter()
            .map(|options| fit(&*self.curve, &self.cohort, options))
            .collect();
        let mut candidates = Vec::new();
        for (options, outcome) in asked.iter().zip(fitted) {
            let at = self.tried.len();
            let counts = (self.cohort.birds.len(), self.cohort.records());
            let likelihood = outcome.fit().map(|fit| Likelihood {
                parameters: fit.parameters,
                log_lik: fit.log_lik,
                aicc: criterion(fit.parameters, fit.log_lik, counts, most),
            });
            self.tried.push(Tried {
                curve: self.curve.clone(),
                options: options.clone(),
                step,
                status: outcome.status(),
                reason: outcome.reasons().join("; "),
                counts,
                likelihood,
                chosen: false,
            });
            let Some(fit) = outcome.fit() else {
                continue;
            };
            // Beyond these a power takes up what the curve misses.
            let power = fit.power.map_or(1.0, |power| power.value);
            if self.wanted.variance.is_none() && !POWERS.contains(&power) {
                continue;
            }
            let mut vanished = Vec::new();
            let mut singular = false;
            for one in &fit.vanished {
                match one {
                    Vanished::Effect(effect) => vanished.push(*effect),
                    Vanished::Combination { .. } => singular = true,
                }
            }
            let unsure = |(at, effect): (usize, &RandomEffect)| {
                let error = effect.standard_error.unwrap_or(f64::INFINITY);
                (at, error / effect.standard_deviation)
            };
            let all = fit.random.iter().enumerate().map(unsure);
            let least_sure = all.max_by(|a, b| a.1.total_cmp(&b.1)).map(|(at, _)| at);
            candidates.push(Candidate {
                at,
                vanished,
                singular,
                least_sure,
            });
        }
        candidates
    }
}

/// AICc by birds, or by observations where birds are fewer than twice the greatest model's
/// parameters (without correlations): its correction would then decide alone.
fn criterion(
    parameters: usize,
    log_lik: f64,
    (birds, observations): (usize, usize),
    most: usize,
) -> f64 {
    let k = parameters as f64;
    let n = if birds >= 2 * most {
        birds
    } else {
        observations
    } as f64;
    let left = n - k - 1.0;
    if left > 0.0 {
        2.0 * k - 2.0 * log_lik + 2.0 * k * (k + 1.0) / left
    } else {
        f64::INFINITY
    }
}
