//! How do the birds of a study grow as one population: one mixed model a trait and
//! curve, over all birds.
//!
//! Every term has a fixed effect in each group (strain, or strain and treatment or
//! pen), and some terms a random effect by bird. Birds that died, were weighed at
//! other ages or only once stand beside the others; each gets a curve of its own.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;

use super::unit::{Design, pen_terms};
use crate::error::{Error, Result};
use crate::fit::choice;
use crate::fit::mixed::{
    Correlation, Covariance, Criterion, Estimator, GroupedTerms, MixedModel, MixedOptions,
    MixedOutcome, MixedResidual, RandomScale, RandomTerm, Subjects,
};
use crate::fit::{Failure, Variance};
use crate::growth::Curve;
use crate::stats::distribution::t_two_sided_quantile;
use crate::study::{FixedEffectOf, Records, Study};

/// How the population level is to be fitted.
#[derive(Debug, Clone)]
pub struct PopulationRequest {
    /// Terms with a random effect by bird.
    pub random: RandomTerms,
    /// Scale on which these effects are normal.
    pub scale: RandomScale,
    /// Their covariance.
    pub covariance: Covariance,
    /// How the integral over them is approximated.
    pub estimator: Estimator,
    /// What is maximised.
    pub criterion: Criterion,
    /// What sets the groups of birds that have fixed effects of their own.
    pub groups: Vec<FixedEffectOf>,
    /// Whether pens have random effects of their own where they are the unit of comparison
    /// (see [`Design`]): on the terms of [`pen_terms`].
    pub pens: bool,
}

/// Which terms differ between birds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RandomTerms {
    /// Those that a curve of its kind usually bears: see [`usual_random_terms`].
    Usual,
    /// These; none gives a marginal model.
    Named(Vec<String>),
}

/// Random terms where none are named: all terms of a curve with up to three; of a
/// longer one the asymptote, rate and age at the inflection, of two phases the mass
/// and age of each (weighings a bird seldom tell two rates as well).
#[must_use]
pub fn usual_random_terms(curve: &dyn Curve) -> Vec<String> {
    let terms = curve.terms();
    if terms.len() <= 3 {
        return terms.iter().map(|term| term.name.to_string()).collect();
    }
    let known = |usual: &[&str]| -> Vec<String> {
        usual
            .iter()
            .filter(|name| terms.iter().any(|term| term.name == **name))
            .map(|name| (*name).to_owned())
            .collect()
    };
    let phases = known(&["A1", "ti1", "A2", "ti2"]);
    if phases.len() == 4 {
        return phases;
    }
    let usual = known(&["A", "k", "ti"]);
    if usual.is_empty() {
        terms[..3]
            .iter()
            .map(|term| term.name.to_string())
            .collect()
    } else {
        usual
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

impl PopulationRequest {
    /// The options of the mixed model of one curve.
    #[must_use]
    pub fn options(
        &self,
        curve: &dyn Curve,
        variance: Variance,
        correlation: Correlation,
    ) -> MixedOptions {
        let names = match &self.random {
            RandomTerms::Usual => usual_random_terms(curve),
            RandomTerms::Named(names) => names.clone(),
        };
        let random = names.into_iter().map(|term| RandomTerm {
            term,
            scale: self.scale,
        });
        MixedOptions {
            grouped: GroupedTerms::All,
            random: random.collect(),
            cluster: Vec::new(),
            ordered: ordered_terms(curve),
            covariance: self.covariance,
            variance,
            correlation,
            criterion: self.criterion,
            estimator: self.estimator,
        }
    }
}

/// Birds that share their fixed effects.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Group {
    /// Index into [`Study::strains`]; `None` where strains share their fixed effects.
    pub strain: Option<usize>,
    /// Its name in the tables: the strain's, and treatment or pen behind a slash.
    pub name: String,
}

/// The birds of one trait as a mixed model takes them.
#[derive(Debug, Clone)]
pub struct Cohort {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// Index into [`Study::birds`], a subject each.
    pub birds: Vec<usize>,
    /// Groups, in order of first appearance.
    pub groups: Vec<Group>,
    starts: Vec<usize>,
    ages_d: Vec<f64>,
    values: Vec<f64>,
    group_of: Vec<usize>,
    /// Pen of each subject, index into [`Study::pens`].
    pens: Vec<Option<usize>>,
    /// Error variance of each value as far as it is known, relative to the others;
    /// empty where all are alike.
    relative_variances: Vec<f64>,
}

impl Cohort {
    /// All birds with a record in a trait at an age that is kept, and those records.
    #[must_use]
    pub fn of(
        study: &Study,
        records: &Records,
        trait_index: usize,
        by: &[FixedEffectOf],
        kept: impl Fn(f64) -> bool,
    ) -> Self {
        let mut cohort = Self {
            trait_index,
            birds: Vec::new(),
            groups: Vec::new(),
            starts: vec![0],
            ages_d: Vec::new(),
            values: Vec::new(),
            group_of: Vec::new(),
            pens: Vec::new(),
            relative_variances: Vec::new(),
        };
        let mut variances = Vec::new();
        let mut keys: Vec<Vec<Option<usize>>> = Vec::new();
        for bird in 0..study.birds.len() {
            let (ages_d, values) = records.of(bird);
            let before = cohort.values.len();
            let own = records.variances_of(bird);
            for (place, (age_d, value)) in ages_d.iter().zip(values).enumerate() {
                if kept(*age_d) {
                    cohort.ages_d.push(*age_d);
                    cohort.values.push(*value);
                    variances.extend(own.get(place));
                }
            }
            if cohort.values.len() == before {
                continue;
            }
            let key: Vec<Option<usize>> = by.iter().map(|by| part(study, bird, *by)).collect();
            let group = keys.iter().position(|known| *known == key);
            let group = group.unwrap_or_else(|| {
                cohort.groups.push(group_of(study, bird, by));
                keys.push(key);
                keys.len() - 1
            });
            cohort.birds.push(bird);
            cohort.pens.push(study.birds[bird].pen);
            cohort.group_of.push(group);
            cohort.starts.push(cohort.values.len());
        }
        if variances.len() == cohort.values.len()
            && let Some(weights) = super::weights(&variances)
        {
            cohort.relative_variances = weights.iter().map(|weight| 1.0 / weight).collect();
        }
        cohort
    }

    /// As the engine takes them.
    ///
    /// A trait whose values carry a variance of their own (masses after a correction)
    /// hands it on.
    ///
    /// # Errors
    /// A value that is not finite, which a study does not hold.
    pub fn subjects(&self) -> Result<Subjects<'_>> {
        let names = self.groups.iter().map(|group| group.name.clone());
        let mut subjects = Subjects::new(&self.starts, &self.ages_d, &self.values, &self.group_of)?
            .with_group_names(names.collect())?;
        if let Some(clusters) = self.clusters() {
            subjects = subjects.with_clusters(clusters)?;
        }
        match self.relative_variances.as_slice() {
            [] => Ok(subjects),
            known => subjects.with_relative_variances(known),
        }
    }

    /// Pen of a subject, index into [`Study::pens`].
    #[must_use]
    pub fn pen_of(&self, subject: usize) -> Option<usize> {
        self.pens[subject]
    }

    /// Pen of each subject, numbered from 0 in order of first appearance; `None` where a
    /// subject has none, or a pen houses subjects of two groups.
    fn clusters(&self) -> Option<Vec<usize>> {
        let mut known: BTreeMap<usize, (usize, usize)> = BTreeMap::new();
        let each = self.pens.iter().zip(&self.group_of);
        each.map(|(pen, group)| {
            let next = known.len();
            let (number, of) = known.entry((*pen)?).or_insert((next, *group));
            (of == group).then_some(*number)
        })
        .collect()
    }

    /// The units of each group that are drawn again as a whole: a pen's subjects where pens
    /// have effects, else each subject.
    #[must_use]
    pub fn units(&self, by_pen: bool) -> Vec<Vec<Vec<usize>>> {
        let clusters = self.clusters().filter(|_| by_pen);
        let units = self.by_group().into_iter().map(|members| {
            let mut units: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
            for subject in members {
                let unit = clusters.as_ref().map_or(subject, |of| of[subject]);
                units.entry(unit).or_default().push(subject);
            }
            units.into_values().collect()
        });
        units.collect()
    }

    /// Subjects of one strain, by their number.
    #[must_use]
    pub fn subjects_of(&self, study: &Study, strain: usize) -> Vec<usize> {
        let birds = self.birds.iter().enumerate();
        birds
            .filter(|(_, bird)| study.birds[**bird].strain == strain)
            .map(|(subject, _)| subject)
            .collect()
    }

    /// Some of its subjects, with the groups that they are of.
    #[must_use]
    pub fn only(&self, subjects: &[usize]) -> Self {
        let mut cohort = Self {
            birds: Vec::new(),
            groups: Vec::new(),
            starts: vec![0],
            ages_d: Vec::new(),
            values: Vec::new(),
            group_of: Vec::new(),
            pens: Vec::new(),
            relative_variances: Vec::new(),
            ..*self
        };
        for subject in subjects {
            let range = self.starts[*subject]..self.starts[subject + 1];
            cohort.ages_d.extend_from_slice(&self.ages_d[range.clone()]);
            cohort.values.extend_from_slice(&self.values[range.clone()]);
            let known = self.relative_variances.get(range).unwrap_or_default();
            cohort.relative_variances.extend_from_slice(known);
            let group = &self.groups[self.group_of[*subject]];
            let known = cohort.groups.iter().position(|known| known == group);
            cohort.group_of.push(known.unwrap_or(cohort.groups.len()));
            if known.is_none() {
                cohort.groups.push(group.clone());
            }
            cohort.birds.push(self.birds[*subject]);
            cohort.pens.push(self.pens[*subject]);
            cohort.starts.push(cohort.values.len());
        }
        cohort
    }

    /// Number of records.
    #[must_use]
    pub fn records(&self) -> usize {
        self.values.len()
    }

    /// First and last age of a group's records, d.
    #[must_use]
    pub fn age_span(&self, group: usize) -> (f64, f64) {
        let mut span = (f64::INFINITY, f64::NEG_INFINITY);
        for (subject, own) in self.group_of.iter().enumerate() {
            if *own == group {
                let ages_d = self.ages_of(subject);
                for age_d in [ages_d.first(), ages_d.last()].into_iter().flatten() {
                    span = (span.0.min(*age_d), span.1.max(*age_d));
                }
            }
        }
        span
    }

    /// Birds and records of a group.
    #[must_use]
    pub fn counts(&self, group: usize) -> (usize, usize) {
        let own = (0..self.birds.len()).filter(|subject| self.group_of[*subject] == group);
        own.fold((0, 0), |(birds, records), subject| {
            (birds + 1, records + self.ages_of(subject).len())
        })
    }

    /// The subjects of each group.
    #[must_use]
    pub fn by_group(&self) -> Vec<Vec<usize>> {
        let mut birds = vec![Vec::new(); self.groups.len()];
        for (subject, group) in self.group_of.iter().enumerate() {
            birds[*group].push(subject);
        }
        birds
    }

    /// Ages of one subject's records, d.
    #[must_use]
    pub fn ages_of(&self, subject: usize) -> &[f64] {
        &self.ages_d[self.starts[subject]..self.starts[subject + 1]]
    }
}

/// What a bird has of one thing that sets groups.
fn part(study: &Study, bird: usize, by: FixedEffectOf) -> Option<usize> {
    let bird = &study.birds[bird];
    match by {
        FixedEffectOf::Strain => Some(bird.strain),
        FixedEffectOf::Treatment => bird.treatment,
        FixedEffectOf::Pen => bird.pen,
    }
}

pub(super) fn group_of(study: &Study, bird: usize, by: &[FixedEffectOf]) -> Group {
    let word = |by: &FixedEffectOf| -> Cow<'_, str> {
        let known = part(study, bird, *by);
        match (by, known) {
            (FixedEffectOf::Strain, Some(at)) => study.strains[at].as_str().into(),
            (FixedEffectOf::Treatment, Some(at)) => study.treatments[at].as_str().into(),
            (FixedEffectOf::Treatment, None) => "no treatment".into(),
            (FixedEffectOf::Pen, Some(at)) => study.pens[at].as_str().into(),
            (FixedEffectOf::Strain | FixedEffectOf::Pen, None) => "no pen".into(),
        }
    };
    let words: Vec<Cow<'_, str>> = by.iter().map(word).collect();
    Group {
        strain: by
            .contains(&FixedEffectOf::Strain)
            .then(|| study.birds[bird].strain),
        name: if words.is_empty() {
            "all".to_owned()
        } else {
            words.join(" / ")
        },
    }
}

/// Lower and upper limit; `None` where there is no finite value.
pub type Limits = Option<(f64, f64)>;

/// One curve fitted to all birds of one trait.
#[derive(Debug, Clone)]
pub struct PopulationFit {
    /// The curve, anchored at the hatch weight of all birds where it asks for one.
    pub curve: Arc<dyn Curve>,
    /// The birds.
    pub cohort: Arc<Cohort>,
    /// What was asked of the model.
    pub options: MixedOptions,
    /// How the fit ended.
    pub outcome: MixedOutcome,
}

impl PopulationFit {
    /// Observations.
    #[must_use]
    pub fn n(&self) -> usize {
        self.cohort.records()
    }

    /// Limits between which a new bird of a group is to be expected at given ages, one
    /// weighing; `None` of a failed fit. Asked for once and called for each group: what it
    /// takes from the fit grows as the square of their number.
    #[must_use]
    pub fn new_bird(&self, level: f64) -> Option<impl Fn(usize, &[f64]) -> Vec<Limits> + use<>> {
        let fit = self.outcome.fit()?;
        let model = MixedModel::new(&*self.curve, &self.options).ok()?;
        let population = fit.population(&model, &self.curve);
        #[expect(clippy::cast_precision_loss, reason = "a count of birds")]
        let quantile = t_two_sided_quantile(level, population.df() as f64);
        Some(move |group: usize, ages_d: &[f64]| {
            let forecasts = population.unseen(group, ages_d).into_iter();
            let limits = forecasts.map(|one| one.map(|one| one.interval(quantile)));
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

/// All curves fitted to all birds of one trait.
#[derive(Debug, Clone)]
pub struct Population {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// The units that its groups are compared by; `None` where the study's own contradicts
    /// its tables.
    pub design: Option<Design>,
    /// One a curve, in the order of the request.
    pub fits: Vec<PopulationFit>,
}

impl Population {
    /// The place of each fit by AICc, in the order of the fits; as at the other
    /// levels, only fits of the same observations compare. Restricted likelihoods of
    /// different curves do not compare at all: they have no places.
    #[must_use]
    pub fn places(&self) -> Vec<Option<choice::Place>> {
        let candidates: Vec<choice::Candidate> = self
            .fits
            .iter()
            .map(|fit| choice::Candidate {
                n: fit.n(),
                aicc: fit
                    .outcome
                    .fit()
                    .filter(|fit| fit.criterion == Criterion::Likelihood || self.fits.len() == 1)
                    .map(crate::fit::mixed::MixedFit::aicc)
                    .filter(|aicc| aicc.is_finite()),
                weak: fit.outcome.status() == "weak",
            })
            .collect();
        choice::places_among(&candidates)
    }

    /// The fit to draw and to speak of: the best by AICc among the converged ones, or
    /// among the weak ones where none converged.
    #[must_use]
    pub fn best(&self) -> Option<&PopulationFit> {
        let places = self.places();
        let ranked = self.fits.iter().zip(&places);
        ranked
            .filter(|(fit, _)| fit.outcome.fit().is_some())
            .min_by_key(|(fit, place)| {
                let weak = fit.outcome.status() == "weak";
                (weak, place.map_or(usize::MAX, |place| place.rank))
            })
            .map(|(fit, _)| fit)
    }
}

/// Fits every curve to all birds of one trait; `None` where the trait has no record.
pub(super) fn population(
    study: &Study,
    records: &Records,
    trait_index: usize,
    request: &super::Request,
    wanted: &PopulationRequest,
) -> Option<Population> {
    let cohort = Arc::new(Cohort::of(
        study,
        records,
        trait_index,
        &wanted.groups,
        |_| true,
    ));
    if cohort.birds.is_empty() {
        return None;
    }
    let design = Design::of(study, &cohort).ok();
    let pens = wanted.pens && design.as_ref().is_some_and(Design::has_pen_effects);
    let fits = request.curves.iter().map(|curve| {
        let fit = |curve: Arc<dyn Curve>, cohort: Arc<Cohort>| {
            let mut options =
                wanted.options(&*curve, request.settings.variance, request.correlation);
            if pens {
                let scale = wanted.scale;
                let terms = pen_terms(&*curve).into_iter();
                options.cluster = terms.map(|term| RandomTerm { term, scale }).collect();
            }
            let outcome = outcome(&*curve, &cohort, &options);
            PopulationFit {
                curve,
                cohort,
                options,
                outcome,
            }
        };
        if !curve.needs_hatch_weight() {
            return fit(curve.clone(), cohort.clone());
        }
        // One hatch weight for all: the population's curve passes through it, so that
        // the weighings at hatch are no observations.
        let after = Cohort::of(study, records, trait_index, &wanted.groups, |age_d| {
            age_d > 0.0
        });
        let weight_g = mean_at_hatch(&cohort).or(request.hatch_weight_g);
        match weight_g.and_then(|weight_g| curve.at_hatch_weight(weight_g)) {
            Some(anchored) if !after.birds.is_empty() => fit(anchored.into(), Arc::new(after)),
            _ => PopulationFit {
                curve: curve.clone(),
                options: wanted.options(&**curve, request.settings.variance, request.correlation),
                outcome: failed(
                    super::observed::NO_HATCH_WEIGHT.to_owned(),
                    cohort.records(),
                ),
                cohort: cohort.clone(),
            },
        }
    });
    Some(Population {
        trait_index,
        fits: fits.collect(),
        design,
    })
}

fn failed(reason: String, n: usize) -> MixedOutcome {
    MixedOutcome::Failed(Failure { reason, n })
}

fn outcome(curve: &dyn Curve, cohort: &Cohort, options: &MixedOptions) -> MixedOutcome {
    let made = MixedModel::new(curve, options).and_then(|model| Ok((model, cohort.subjects()?)));
    match made {
        Ok((model, subjects)) => model.fit(&subjects),
        Err(error) => failed(error.to_string(), cohort.records()),
    }
}

fn mean_at_hatch(cohort: &Cohort) -> Option<f64> {
    let (mut sum, mut count) = (0.0, 0.0);
    for (age_d, value) in cohort.ages_d.iter().zip(&cohort.values) {
        if *age_d <= 0.0 {
            sum += value;
            count += 1.0;
        }
    }
    (count > 0.0).then(|| sum / count)
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
        let options = wanted.options(&**curve, request.settings.variance, request.correlation);
        MixedModel::new(&**curve, &options)
            .map_err(|error| Error::call(format!("--level population: {error}")))?;
    }
    Ok(())
}
