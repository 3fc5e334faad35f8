//! The one model of a trait that every later step uses: how its birds grow as a population.

use std::sync::Arc;

use rayon::prelude::*;

use super::allometric::{self, AllometricFit, Description};
use super::cohort::{Cohort, Group};
use super::mixed_attempt;
use super::model_choice::{self, FEW_BIRDS, GO_ON, Search, Step, Tried};
use super::observed::NO_HATCH_WEIGHT;
use super::population::{PopulationFit, PopulationRequest, failed};
use super::unit::{Design, NotTestable};
use nalgebra::DMatrix;

use crate::fit::Estimates;
use crate::fit::mixed::MixedOptions;
use crate::growth::{self, Curve};
use crate::study::{Records, Study};

/// The model of one trait, chosen once by likelihood.
#[derive(Debug, Clone)]
pub struct TraitModel {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// The units that its groups are compared by; `None` where what the study states
    /// contradicts its tables.
    pub design: Option<Design>,
    /// What describes the trait.
    pub by: Described,
    /// Everything that was tried, curve by curve; the model chosen is among them.
    pub tried: Vec<Tried>,
    /// What was done otherwise than requested, a sentence; empty where nothing was.
    pub note: String,
}

/// What describes a trait.
#[derive(Debug, Clone)]
pub enum Described {
    /// A growth curve in age, the model chosen, fitted to all birds.
    Growth(PopulationFit),
    /// Allometry on the birds' curves of body weight.
    Allometry(Box<AllometricFit>),
}

/// A curve ready for a cohort, and its birds.
struct Ready {
    curve: Arc<dyn Curve>,
    cohort: Arc<Cohort>,
}

impl TraitModel {
    /// Chooses and fits the model of one trait among these curves; `None` where the trait
    /// has no record of a bird.
    ///
    /// A curve with more terms than any group has ages goes through whatever it is given
    /// and is left out. Where no curve has a maximum, the one-phase curve of each with two
    /// phases is tried.
    #[must_use]
    pub fn choose(
        study: &Study,
        records: &Records,
        trait_index: usize,
        (curves, hatch_weight_g): (&[Arc<dyn Curve>], Option<f64>),
        wanted: &PopulationRequest,
    ) -> Option<Self> {
        let of = |kept: fn(f64) -> bool| {
            Arc::new(Cohort::of(
                study,
                records,
                trait_index,
                &wanted.groups,
                kept,
            ))
        };
        let cohort = of(|_| true);
        if cohort.birds.is_empty() {
            return None;
        }
        let design = Design::of(study, &cohort).ok();
        let wanted = &PopulationRequest {
            pens: wanted.pens && design.as_ref().is_some_and(Design::has_pen_effects),
            ..wanted.clone()
        };
        let ages = cohort.most_ages();
        let ready = |curve: &Arc<dyn Curve>| -> Result<Ready, String> {
            let terms = curve.terms().len();
            if terms > ages {
                return Err(format!(
                    "measured at {ages} {}, and the curve has {terms} terms",
                    if ages == 1 { "age" } else { "ages" }
                ));
            }
            if !curve.needs_hatch_weight() {
                return Ok(Ready {
                    curve: curve.clone(),
                    cohort: cohort.clone(),
                });
            }
            // One hatch weight for all: the curve passes through it, so that the weighings at
            // hatch are no observations.
            let weight_g = cohort.mean_at_hatch().or(hatch_weight_g);
            let after = of(|age_d| age_d > 0.0);
            match weight_g.and_then(|weight_g| curve.at_hatch_weight(weight_g)) {
                Some(anchored) if !after.birds.is_empty() => Ok(Ready {
                    curve: anchored.into(),
                    cohort: after,
                }),
                _ => Err(NO_HATCH_WEIGHT.to_owned()),
            }
        };
        let begin = |curve: &Arc<dyn Curve>| {
            let Ready { curve, cohort } = ready(curve)?;
            let sample = model_choice::sample(&cohort);
            Ok::<_, String>((Search::begin(curve, sample, wanted), cohort))
        };
        let (mut lost, mut searches) = (Vec::new(), Vec::new());
        let begun: Vec<_> = curves.par_iter().map(begin).collect();
        for (curve, begun) in curves.iter().zip(begun) {
            match begun {
                Ok(search) => searches.push(search),
                Err(reason) => lost.push(refused(curve, (&cohort, wanted), reason)),
            }
        }
        let mut note = String::new();
        if searches.iter().all(|(search, _)| search.best().is_none()) {
            let simpler = curves
                .iter()
                .filter_map(|curve| growth::built_in(curve.name().strip_prefix("two-phase-")?));
            for curve in simpler {
                searches.extend(begin(&curve).ok());
            }
            if searches.iter().any(|(search, _)| search.best().is_some()) {
                note = "no curve with two phases could be fitted to all birds: one phase is used"
                    .to_owned();
            }
        }
        // Stable: of equals the first that the call names.
        searches.sort_by(|(a, _), (b, _)| better_first(a.rank(), b.rank()));
        searches
            .par_iter_mut()
            .take(GO_ON)
            .for_each(|(search, _)| search.go_on());
        searches.sort_by(|(a, _), (b, _)| better_first(a.rank(), b.rank()));
        let best = searches.first().and_then(|(search, cohort)| {
            let chosen = &search.tried[search.best()?];
            Some((search.curve.clone(), cohort.clone(), chosen.options.clone()))
        });
        if let Some((search, _)) = searches.first_mut()
            && let Some(at) = search.best()
        {
            search.tried[at].chosen = true;
        }
        let tried: Vec<Tried> = searches
            .into_iter()
            .flat_map(|(search, _)| search.tried)
            .chain(lost)
            .collect();
        let fit = match best {
            Some((curve, cohort, options)) => reported(curve, cohort, options, wanted),
            None => without_maximum(curves.first()?, (cohort, wanted), &tried),
        };
        Some(Self {
            trait_index,
            design,
            by: Described::Growth(fit),
            tried,
            note,
        })
    }

    /// The model of a trait that follows body weight: allometry on the birds' weight curves,
    /// or else a growth curve in age, with the reason in [`TraitModel::note`].
    #[must_use]
    pub fn following(
        study: &Study,
        (trait_index, weight): (usize, &Self),
        curves: (&[Arc<dyn Curve>], Option<f64>),
        wanted: &PopulationRequest,
    ) -> Option<Self> {
        match Self::by_allometry(study, (trait_index, weight), wanted) {
            Ok(model) => Some(model),
            Err(outcome) => {
                let records = &study.traits[trait_index];
                let mut model = Self::choose(study, records, trait_index, curves, wanted)?;
                if let Some(outcome) = outcome {
                    model.note = outcome.sentence;
                }
                Some(model)
            }
        }
    }

    /// The model of a trait by allometry on the birds' weight curves.
    ///
    /// # Errors
    /// What became of the trait otherwise; `None` where there is no weight curve or no value.
    pub fn by_allometry(
        study: &Study,
        (trait_index, weight): (usize, &Self),
        wanted: &PopulationRequest,
    ) -> Result<Self, Option<Box<allometric::Outcome>>> {
        let records = &study.traits[trait_index];
        let options = allometric::Options {
            groups: wanted.groups.clone(),
        };
        let shared = shared_errors(records);
        let outcome = match weight.growth() {
            Some(weight) if !records.values.is_empty() => {
                allometric::of_study(study, records, weight, shared.as_ref(), &options).ok()
            }
            _ => None,
        };
        match outcome {
            Some(allometric::Outcome {
                description: Description::Allometric,
                fit: Some(fit),
                sentence,
                ..
            }) => Ok(Self {
                trait_index,
                // Its groups are those of the weight model, and so are the units.
                design: weight.design.clone(),
                by: Described::Allometry(fit),
                tried: Vec::new(),
                note: sentence,
            }),
            other => Err(other.map(Box::new)),
        }
    }

    /// The growth model, with numbers or without; `None` of allometry.
    #[must_use]
    pub fn growth(&self) -> Option<&PopulationFit> {
        match &self.by {
            Described::Growth(fit) => Some(fit),
            Described::Allometry(_) => None,
        }
    }

    /// The growth model, where it has numbers.
    #[must_use]
    pub fn fitted(&self) -> Option<&PopulationFit> {
        self.growth().filter(|fit| fit.outcome.fit().is_some())
    }

    /// The allometry, where the trait is described by it.
    #[must_use]
    pub fn allometry(&self) -> Option<&AllometricFit> {
        match &self.by {
            Described::Growth(_) => None,
            Described::Allometry(fit) => Some(fit),
        }
    }

    /// The curve in age.
    #[must_use]
    pub fn curve(&self) -> Arc<dyn Curve> {
        match &self.by {
            Described::Growth(fit) => fit.curve.clone(),
            Described::Allometry(fit) => fit.curve.clone(),
        }
    }

    /// `converged`, `weak` or `failed`.
    #[must_use]
    pub fn status(&self) -> &'static str {
        match &self.by {
            Described::Growth(fit) => fit.outcome.status(),
            Described::Allometry(_) => "converged",
        }
    }

    /// Why it is weak or failed, in words.
    #[must_use]
    pub fn reasons(&self) -> Vec<&str> {
        match &self.by {
            Described::Growth(fit) => fit.outcome.reasons(),
            Described::Allometry(_) => Vec::new(),
        }
    }

    /// The birds with records of the trait.
    #[must_use]
    pub fn cohort(&self) -> &Cohort {
        match &self.by {
            Described::Growth(fit) => &fit.cohort,
            Described::Allometry(fit) => &fit.cohort,
        }
    }

    /// The groups that have separate terms.
    #[must_use]
    pub fn groups(&self) -> &[Group] {
        match &self.by {
            Described::Growth(fit) => &fit.cohort.groups,
            Described::Allometry(fit) => &fit.weight_cohort.groups,
        }
    }

    /// First and last age of a group's records, d.
    #[must_use]
    pub fn age_span(&self, group: usize) -> Option<(f64, f64)> {
        let name = &self.groups()[group].name;
        let cohort = self.cohort();
        let own = cohort.groups.iter().position(|own| own.name == *name)?;
        let (first_d, last_d) = cohort.age_span(own);
        (first_d <= last_d).then_some((first_d, last_d))
    }

    /// Birds and records of a group.
    #[must_use]
    pub fn counts(&self, group: usize) -> (usize, usize) {
        let name = &self.groups()[group].name;
        let cohort = self.cohort();
        let own = cohort.groups.iter().position(|own| own.name == *name);
        own.map_or((0, 0), |own| cohort.counts(own))
    }

    /// The typical bird of a group, all random effects at zero; `None` where the data give
    /// none.
    #[must_use]
    pub fn typical(&self, group: usize) -> Option<Estimates> {
        match &self.by {
            Described::Growth(fit) => Some(fit.outcome.fit()?.group_estimates(group)),
            Described::Allometry(fit) => {
                let mut estimates = fit.group_estimates(group)?;
                estimates.df = self.df_of(fit);
                Some(estimates)
            }
        }
    }

    /// Whether a group can be compared with others.
    ///
    /// # Errors
    /// Where the pen is the unit of comparison and the group has only one.
    pub fn testable(&self, group: usize) -> Result<(), NotTestable> {
        match &self.design {
            Some(design) => design.testable(group),
            None => Ok(()),
        }
    }

    /// Degrees of freedom of an allometry's groups: birds scanned minus groups, and no more
    /// than the pens leave where pens are the unit, since the weight curves rest on them.
    #[must_use]
    pub fn df_of(&self, fit: &AllometricFit) -> usize {
        let pens = self
            .design
            .as_ref()
            .filter(|design| design.has_pen_effects());
        pens.map_or(fit.df, |design| fit.df.min(design.df()))
    }

    /// The curve of a bird with records of the trait, by its place in [`TraitModel::cohort`].
    #[must_use]
    pub fn bird(&self, subject: usize) -> Option<Estimates> {
        match &self.by {
            Described::Growth(fit) => Some(fit.outcome.fit()?.subject_estimates(subject)),
            Described::Allometry(fit) => {
                let bird = fit.cohort.birds[subject];
                let of_weight = &fit.weight_cohort.birds;
                let at = of_weight.iter().position(|other| *other == bird)?;
                fit.bird_estimates(at)
            }
        }
    }

    /// Whether birds differ in a term by the model, so that each has a separate one.
    #[must_use]
    pub fn birds_differ_in(&self, term: &str) -> bool {
        match self.growth() {
            Some(fit) => fit.options.random.iter().any(|one| one.term == term),
            None => true,
        }
    }

    /// Of each curve the best model that was tried, best curve first.
    #[must_use]
    pub fn curves(&self) -> Vec<&Tried> {
        let mut best: Vec<&Tried> = Vec::new();
        for tried in &self.tried {
            let key = |one: &Tried| one.likelihood.map_or(f64::INFINITY, |fit| fit.aicc);
            match best
                .iter_mut()
                .find(|known| known.curve.name() == tried.curve.name())
            {
                Some(known) if known.chosen || (key(known) <= key(tried) && !tried.chosen) => {}
                Some(known) => *known = tried,
                None => best.push(tried),
            }
        }
        best.sort_by(|a, b| {
            let key = |one: &&Tried| {
                let aicc = one.likelihood.map_or(f64::INFINITY, |fit| fit.aicc);
                (!one.chosen, one.status != "converged", aicc)
            };
            let (a, b) = (key(a), key(b));
            a.0.cmp(&b.0).then(a.1.cmp(&b.1)).then(a.2.total_cmp(&b.2))
        });
        best
    }
}

/// How the records are correlated by the errors that they share: records x k; `None` where
/// that is not known.
fn shared_errors(records: &Records) -> Option<DMatrix<f64>> {
    let k = records.shared.first()?.len();
    let whole = records.shared.len() == records.values.len();
    let alike = records.shared.iter().all(|row| row.len() == k);
    (whole && alike && k > 0).then(|| {
        DMatrix::from_fn(records.shared.len(), k, |row, column| {
            records.shared[row][column]
        })
    })
}

/// The model chosen, fitted to all birds as it is reported.
fn reported(
    curve: Arc<dyn Curve>,
    cohort: Arc<Cohort>,
    chosen: MixedOptions,
    wanted: &PopulationRequest,
) -> PopulationFit {
    let mut options = wanted.reported(&chosen);
    if cohort.birds.len() < FEW_BIRDS * curve.terms().len() {
        options.unsupported = mixed_attempt::left_out(&*curve, wanted, &chosen);
    }
    let mut outcome = mixed_attempt::fit(&*curve, &cohort, &options);
    if outcome.fit().is_none() {
        // The choice found a maximum of the likelihood itself.
        options = chosen;
        outcome = mixed_attempt::fit(&*curve, &cohort, &options);
    }
    PopulationFit {
        curve,
        cohort,
        options,
        outcome,
    }
}

/// No model, with the reasons of all that was tried.
fn without_maximum(
    curve: &Arc<dyn Curve>,
    (cohort, wanted): (Arc<Cohort>, &PopulationRequest),
    tried: &[Tried],
) -> PopulationFit {
    let mut reasons: Vec<String> = Vec::new();
    for tried in tried {
        let reason = format!("{}: {}", tried.curve.name(), tried.reason);
        // Data that carry no curve give the same reason for every model.
        if !reasons.contains(&reason) {
            reasons.push(reason);
        }
    }
    PopulationFit {
        options: mixed_attempt::first_options(&**curve, wanted),
        outcome: failed(reasons.join("; "), cohort.records()),
        curve: curve.clone(),
        cohort,
    }
}

/// What is written down of a curve that could not be tried.
fn refused(
    curve: &Arc<dyn Curve>,
    (cohort, wanted): (&Cohort, &PopulationRequest),
    reason: String,
) -> Tried {
    Tried {
        curve: curve.clone(),
        options: mixed_attempt::first_options(&**curve, wanted),
        step: Step::ResidualSpread,
        status: "failed",
        reason,
        counts: (cohort.birds.len(), cohort.records()),
        likelihood: None,
        chosen: false,
    }
}

/// Models with a maximum first, converged ones before weak ones, then by the criterion.
fn better_first(a: Option<(bool, f64)>, b: Option<(bool, f64)>) -> std::cmp::Ordering {
    match (a, b) {
        (Some(a), Some(b)) => a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)),
        (a, b) => a.is_none().cmp(&b.is_none()),
    }
}
