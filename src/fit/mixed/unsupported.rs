//! Subjects' own curves where a variance was estimated as zero.
//!
//! With few subjects the likelihood of a variance that is there is often greatest at zero. The
//! model without it describes the groups as well, and is what a fit reports. A subject's own
//! curve does not: the term is then the group's for certain, and what it takes up of the
//! subject's deviation goes to the other terms, whose intervals are too narrow. So subjects'
//! curves, their covariances and reliabilities come from a second fit, in which every term in
//! question is random and the restricted likelihood is multiplied by a weakly informative prior
//! of each spread, the gamma law with shape 2 and rate tending to 0: its logarithm ln L_kk, with
//! L the factor of the effects' covariance over sigma^2, goes to minus infinity at zero and is
//! otherwise all but flat, so that an SD is moved by at most about one standard error (Chung,
//! Rabe-Hesketh, Dorie, Gelman and Liu 2013, Psychometrika 78:685-709). Of correlated effects
//! the sum of ln L_kk is 1/2 ln of their determinant, the Wishart prior that keeps a covariance
//! from being singular (the same with Rabe-Hesketh, Gelman and Liu 2015, J Educ Behav Stat
//! 40:136-157; both from memory).
//!
//! Fixed effects, spreads, likelihood and status remain those of the first fit. Where the second
//! is weak or has no maximum, the subjects' curves are those of the first, too.

use super::model::{Criterion, MixedModel, RandomScale};
use super::result::{MixedFit, MixedOutcome};
use super::scale::TermScale;
use super::subjects::Subjects;

impl MixedModel<'_> {
    /// The outcome with the subjects' curves by all terms in which they may differ.
    pub(super) fn allowing_for_unsupported(
        &self,
        outcome: MixedOutcome,
        subjects: &Subjects<'_>,
    ) -> MixedOutcome {
        if self.unsupported.is_empty() || self.criterion != Criterion::RestrictedLikelihood {
            return outcome;
        }
        let by_all_terms = |mut fit: Box<MixedFit>| {
            // A weak one has terms or spreads that the data do not determine.
            if let Ok((all, weaknesses)) = self.with_all_terms().ending(subjects, None)
                && weaknesses.is_empty()
            {
                fit.take_subjects(all);
            }
            fit
        };
        match outcome {
            MixedOutcome::Converged(fit) => MixedOutcome::Converged(by_all_terms(fit)),
            MixedOutcome::Weak(fit, reasons) => MixedOutcome::Weak(by_all_terms(fit), reasons),
            failed @ MixedOutcome::Failed(_) => failed,
        }
    }

    /// The model in which subjects differ in every term in question, no spread of which can be
    /// zero.
    fn with_all_terms(&self) -> Self {
        let mut all = self.clone();
        for (term, scale) in std::mem::take(&mut all.unsupported) {
            all.random.push(term);
            if scale == RandomScale::Log && all.scales[term] == TermScale::Natural {
                all.scales[term] = TermScale::Log;
            }
        }
        all.off_zero = true;
        all.between_clusters = false;
        all
    }
}

impl MixedFit {
    /// Takes the subjects' curves from a fit of the same subjects whose first random effects are
    /// those of this one.
    fn take_subjects(&mut self, from: Self) {
        let (own, all) = (self.random.len(), from.random.len());
        let shares = from.reliabilities.chunks_exact(all);
        self.reliabilities = shares.flat_map(|shares| &shares[..own]).copied().collect();
        self.subject_terms = from.subject_terms;
        self.subject_covariances = from.subject_covariances;
        self.residual_df = from.residual_df;
    }
}
