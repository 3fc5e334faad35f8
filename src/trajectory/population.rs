//! How do the birds of a study grow as one population: one mixed model a trait and
//! curve, over all birds.
//!
//! Every term has a fixed effect in each group (strain, or strain and treatment or
//! pen), and some terms a random effect by bird. Birds that died, were weighed at
//! other ages or only once stand beside the others; each gets an individual curve.

use std::sync::Arc;

use super::cohort::Cohort;
use super::mixed_attempt;
use super::unit::Design;
use crate::error::{Error, Result};
use crate::fit::mixed::{
    Correlation, Covariance, Criterion, Estimator, MixedModel, MixedOptions, MixedOutcome,
    MixedResidual, RandomScale, TermScale,
};
use crate::fit::{Failure, Variance};
use crate::growth::Curve;
use crate::stats::distribution::t_two_sided_quantile;
use crate::study::{FixedEffectOf, Records, Study};

/// How the model of all birds is found: what is named is taken, what is not is chosen by
/// likelihood (`model_choice.rs`).
#[derive(Debug, Clone)]
pub struct PopulationRequest {
    /// Terms with a random effect by bird.
    pub random: RandomTerms,
    /// Scale on which these effects are normal: where not named, a factor for terms that
    /// cannot be negative and an amount for the others.
    pub scale: Option<RandomScale>,
    /// Their covariance.
    pub covariance: Option<Covariance>,
    /// How the residual spread depends on the fitted value.
    pub variance: Option<Variance>,
    /// Correlation of a bird's residuals.
    pub correlation: Option<Correlation>,
    /// How the integral over the random effects is approximated.
    pub estimator: Estimator,
    /// What is maximised; where not named, the restricted likelihood if the estimator has one.
    pub criterion: Option<Criterion>,
    /// What sets the groups of birds that have separate fixed effects.
    pub groups: Vec<FixedEffectOf>,
    /// Whether pens have random effects where they are the unit of comparison
    /// (see [`Design`](super::Design)): on the terms of [`pen_terms`](super::pen_terms).
    pub pens: bool,
    /// Whether fat, lean and bone follow the birds' weight curves by allometry; else they have
    /// growth curves in age.
    pub allometry: bool,
}

/// Which terms differ between birds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RandomTerms {
    /// Those that the data support.
    Chosen,
    /// These; none gives a marginal model.
    Named(Vec<String>),
}

impl PopulationRequest {
    /// Everything chosen by likelihood, the groups given.
    #[must_use]
    pub fn chosen(groups: Vec<FixedEffectOf>) -> Self {
        Self {
            random: RandomTerms::Chosen,
            scale: None,
            covariance: None,
            variance: None,
            correlation: None,
            estimator: Estimator::Alternating,
            criterion: None,
            groups,
            pens: true,
            allometry: true,
        }
    }

    /// The model chosen, as it is fitted to all birds.
    pub(super) fn reported(&self, chosen: &MixedOptions) -> MixedOptions {
        let usual = match self.estimator {
            Estimator::Alternating => Criterion::RestrictedLikelihood,
            Estimator::Laplace | Estimator::Quadrature { .. } => Criterion::Likelihood,
        };
        MixedOptions {
            estimator: self.estimator,
            criterion: self.criterion.unwrap_or(usual),
            ..chosen.clone()
        }
    }
}

/// Pairs of terms that stay in order: the inflections of two phases.
pub(super) fn ordered_terms(curve: &dyn Curve) -> Vec<(String, String)> {
    let has = |name: &str| curve.terms().iter().any(|term| term.name == name);
    if has("ti1") && has("ti2") {
        vec![("ti1".to_owned(), "ti2".to_owned())]
    } else {
        Vec::new()
    }
}

/// Lower and upper limit; `None` where there is no finite value.
pub type Limits = Option<(f64, f64)>;

/// One curve fitted to all birds of one trait.
#[derive(Debug, Clone)]
pub struct PopulationFit {
    /// The curve, anchored at the hatch weight of all birds where it requires one.
    pub curve: Arc<dyn Curve>,
    /// The birds.
    pub cohort: Arc<Cohort>,
    /// The options of the model.
    pub options: MixedOptions,
    /// How the fit ended.
    pub outcome: MixedOutcome,
}

impl PopulationFit {
    /// SD between pens of the factor that their birds share in their asymptotes, on the log
    /// scale: the greatest of the asymptotes'. `None` where the fit has no effects of pens.
    #[must_use]
    pub fn pen_sd(&self) -> Option<f64> {
        let effects = self.outcome.fit()?.cluster.iter();
        let on_log = effects.filter(|effect| effect.scale == TermScale::Log);
        let spreads = on_log.map(|effect| effect.standard_deviation);
        spreads.max_by(f64::total_cmp)
    }

    /// The same curve and structure fitted to the records of another study of the same birds,
    /// such as this one as of an earlier age.
    #[must_use]
    pub fn again(&self, study: &Study, groups: &[FixedEffectOf]) -> Self {
        let records = &study.traits[self.cohort.trait_index];
        let with_hatch = self.cohort.ages_d.iter().any(|age_d| *age_d <= 0.0);
        let kept = |age_d: f64| with_hatch || age_d > 0.0;
        let cohort = Cohort::of(study, records, self.cohort.trait_index, groups, kept);
        let outcome = mixed_attempt::fit(&*self.curve, &cohort, &self.options);
        Self {
            curve: self.curve.clone(),
            cohort: Arc::new(cohort),
            options: self.options.clone(),
            outcome,
        }
    }

    /// The same curve and structure fitted to some of the birds, grouped otherwise by `study`; pens
    /// have effects only where they lie within the groups.
    #[must_use]
    pub fn regrouped(
        &self,
        (study, records): (&Study, &Records),
        groups: &[FixedEffectOf],
        kept: impl Fn(usize) -> bool,
    ) -> Self {
        let with_hatch = self.cohort.ages_d.iter().any(|age_d| *age_d <= 0.0);
        let trait_index = self.cohort.trait_index;
        let all = Cohort::of(study, records, trait_index, groups, |age_d| {
            with_hatch || age_d > 0.0
        });
        let subjects: Vec<usize> = (0..all.birds.len())
            .filter(|subject| kept(all.birds[*subject]))
            .collect();
        let cohort = all.only(&subjects);
        let mut options = self.options.clone();
        let design = Design::of(study, &cohort).ok();
        if !design.as_ref().is_some_and(Design::has_pen_effects) {
            options.cluster.clear();
            options.common_cluster = false;
            options.between_clusters = false;
        }
        let outcome = mixed_attempt::fit(&*self.curve, &cohort, &options);
        Self {
            curve: self.curve.clone(),
            cohort: Arc::new(cohort),
            options,
            outcome,
        }
    }

    /// Observations.
    #[must_use]
    pub fn n(&self) -> usize {
        self.cohort.records()
    }

    /// Limits between which a new bird of a group is to be expected at given ages, one
    /// weighing; `None` of a failed fit. Made once and called for each group: what it
    /// takes from the fit grows as the square of their number.
    #[must_use]
    pub fn new_bird(&self, level: f64) -> Option<impl Fn(usize, &[f64]) -> Vec<Limits> + use<>> {
        let fit = self.outcome.fit()?;
        let model = MixedModel::new(&*self.curve, &self.options).ok()?;
        let population = fit.population(&model, &self.curve);
        let quantile = t_two_sided_quantile(level, population.df() as f64);
        let largest: Vec<f64> = fit.reaches.iter().map(|reach| reach.largest).collect();
        Some(move |group: usize, ages_d: &[f64]| {
            // Wider limits than any spread of weights come from a variance that no data determine.
            let of_use = |limits: &(f64, f64)| limits.1 - limits.0 <= WIDEST * largest[group];
            let forecasts = population.unseen(group, ages_d).into_iter();
            let limits = forecasts.map(|one| one.map(|one| one.interval(quantile)).filter(of_use));
            limits.collect()
        })
    }

    /// Residuals of the fit; none of a failed one.
    #[must_use]
    pub fn residuals(&self) -> Vec<MixedResidual> {
        let parts = (
            self.outcome.fit(),
            MixedModel::new(&*self.curve, &self.options),
            self.cohort.subjects(),
        );
        match parts {
            (Some(fit), Ok(model), Ok(subjects)) => fit.residuals(&model, &subjects),
            _ => Vec::new(),
        }
    }
}

/// Greatest width of the limits of a new bird, in largest values of its group.
const WIDEST: f64 = 10.0;

pub(super) fn failed(reason: String, n: usize) -> MixedOutcome {
    MixedOutcome::Failed(Failure {
        reason,
        n,
        tried: true,
    })
}

/// Checks a request against its curves before anything is fitted.
///
/// # Errors
/// [`crate::ErrorKind::Call`]: a random term that a curve does not have, more than
/// quadrature can do, restricted likelihood with another estimator than the
/// alternating one.
pub fn check(request: &super::Request) -> Result<()> {
    let Some(wanted) = &request.population else {
        return Ok(());
    };
    for curve in &request.curves {
        let options = wanted.reported(&mixed_attempt::first_options(&**curve, wanted));
        MixedModel::new(&**curve, &options)
            .map_err(|error| Error::call(format!("--level population: {error}")))?;
    }
    Ok(())
}
