//! Does scanning itself change how birds grow? Birds that were scanned by an age against birds of
//! their strain that were never scanned.
//!
//! The model of body weight, as it was chosen (curve, random terms, residual spread), is fitted
//! once more with terms of their own for the scanned and the unscanned birds of each strain (and
//! treatment, where the model has it): the difference of their typical weights at an age is that
//! of two groups of one model. Differences in percent of the unscanned are averaged over the
//! strains by their inverse variances. Birds first scanned after the age, and birds last weighed
//! before the scans began, are in neither group: the second would all be unscanned, since they
//! did not live to be.
//!
//! It means something only where birds were allotted to scanning at random. Where pens house
//! birds of both groups, differences between pens are not in this model.

use std::collections::BTreeMap;

use super::joint;
use crate::stats::Interval;
use crate::stats::distribution::{t_two_sided, t_two_sided_quantile};
use crate::stats::equivalence::{WithinMargin, within_margin};
use crate::study::{Bird, FixedEffectOf, Records, Study, Unit};
use crate::trajectory::{Described, Design, TraitModel};

/// Level of the two one-sided tests.
const ALPHA: f64 = 0.05;
/// Birds of a group below which a strain is not compared.
const LEAST_BIRDS: usize = 2;

/// A difference of scanned minus unscanned against a margin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effect {
    /// The difference.
    pub estimate: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Its interval.
    pub interval: Interval,
    /// Chance of so great a difference where there is none.
    pub p_value: f64,
    /// The margin, and how the difference stands to it.
    pub margin: f64,
    /// Two one-sided tests against the margin.
    pub equivalence: WithinMargin,
}

impl Effect {
    /// By Student's t; `None` without a standard error.
    #[must_use]
    pub fn of(
        (estimate, standard_error, df): (f64, f64, f64),
        (margin, confidence): (f64, f64),
    ) -> Option<Self> {
        let usable = estimate.is_finite() && standard_error > 0.0 && standard_error.is_finite();
        let equivalence = within_margin((estimate, standard_error, df), margin, ALPHA).ok()?;
        usable.then(|| Self {
            estimate,
            standard_error,
            df,
            interval: Interval::around(
                estimate,
                t_two_sided_quantile(confidence, df) * standard_error,
            ),
            p_value: t_two_sided(estimate / standard_error, df),
            margin,
            equivalence,
        })
    }

    /// What the difference is shown to be.
    #[must_use]
    pub fn finding(&self) -> Finding {
        match (self.equivalence.equivalent, self.p_value < ALPHA) {
            (true, _) => Finding::WithinMargin,
            (false, true) => Finding::Differs,
            (false, false) => Finding::Undecided,
        }
    }
}

/// What a difference is shown to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Finding {
    /// Less than the margin.
    WithinMargin,
    /// Not zero, and not shown to be less than the margin.
    Differs,
    /// Neither.
    Undecided,
}

impl Finding {
    /// As the tables have it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::WithinMargin => "within the margin",
            Self::Differs => "differs",
            Self::Undecided => "undecided",
        }
    }
}

/// Scanned minus unscanned birds at an age.
#[derive(Debug, Clone, PartialEq)]
pub struct WeightEffect {
    /// Age, d.
    pub age_d: f64,
    /// Index into [`Study::strains`]; `None` for all strains together.
    pub strain: Option<usize>,
    /// Birds scanned by the age, and birds never scanned.
    pub birds: (usize, usize),
    /// The unit of the comparison.
    pub unit: Unit,
    /// The difference, percent of the unscanned birds' typical weight, or why there is none.
    pub effect: Result<Effect, String>,
}

/// The age at which each bird was first scanned alive.
#[must_use]
pub fn first_scans(study: &Study) -> Vec<Option<f64>> {
    let mut first: Vec<Option<f64>> = vec![None; study.birds.len()];
    for scan in &study.scans.rows {
        if scan.feathers == crate::study::Feathers::Plucked {
            continue;
        }
        for bird in &scan.birds {
            let earlier = first[*bird].is_none_or(|age_d| scan.age_d < age_d);
            if earlier {
                first[*bird] = Some(scan.age_d);
            }
        }
    }
    first
}

/// Whether each bird was scanned, and the model with these apart.
type Regrouped = (Vec<Option<bool>>, Result<TraitModel, String>);

/// Differences of typical weight at these ages, all strains first at each; `margin_pct` is the
/// margin at an age. Empty where no bird was scanned, or no bird that is weighed.
#[must_use]
pub fn weight_effects(
    study: &Study,
    model: &TraitModel,
    ages_d: &[f64],
    (margin_pct, confidence): (&dyn Fn(f64) -> f64, f64),
) -> Vec<WeightEffect> {
    let first = first_scans(study);
    let records = &study.traits[model.trait_index];
    let weighed = |bird: usize| !records.of(bird).0.is_empty();
    if !(0..study.birds.len()).any(|bird| first[bird].is_some() && weighed(bird)) {
        return Vec::new();
    }
    let mut fits: Vec<Regrouped> = Vec::new();
    let mut rows = Vec::new();
    for age_d in ages_d {
        let scanned = by_age(study, records, &first, *age_d);
        let known = fits.iter().position(|(known, _)| *known == scanned);
        let place = known.unwrap_or_else(|| {
            let fit = refit(study, model, &scanned);
            fits.push((scanned.clone(), fit));
            fits.len() - 1
        });
        let of_age = (*age_d, margin_pct(*age_d), confidence);
        rows.extend(at_age(study, &scanned, fits[place].1.as_ref(), of_age));
    }
    rows
}

/// Whether each bird was scanned by an age; none of birds that are in neither group.
fn by_age(
    study: &Study,
    records: &Records,
    first: &[Option<f64>],
    age_d: f64,
) -> Vec<Option<bool>> {
    let starts = first.iter().flatten().filter(|first_d| **first_d <= age_d);
    let began_d = starts.copied().fold(f64::NEG_INFINITY, f64::max);
    (0..study.birds.len())
        .map(|bird| {
            let last_d = records.of(bird).0.last()?;
            if *last_d < began_d {
                return None;
            }
            match first[bird] {
                None => Some(false),
                Some(first_d) => (first_d <= age_d).then_some(true),
            }
        })
        .collect()
}

/// The model with terms of its own for the scanned birds of each group.
fn refit(
    study: &Study,
    model: &TraitModel,
    scanned: &[Option<bool>],
) -> Result<TraitModel, String> {
    let Some(fit) = model.growth() else {
        return Err("body weight has no growth model of all birds".to_owned());
    };
    if fit.cohort.is_by_pen() {
        return Err("the model's groups are pens".to_owned());
    }
    both_in_a_strain(study, scanned)?;
    let by_treatment = fit.cohort.groups.iter().any(|one| one.treatment.is_some());
    let by_strain = fit.cohort.groups.iter().any(|one| one.strain.is_some());
    // Scanned or not stands in the place of the treatment, beside the treatment's own name.
    let treatment = |bird: &Bird| match bird.treatment {
        Some(treatment) if by_treatment => treatment + 1,
        _ => 0,
    };
    let birds = study.birds.iter().zip(scanned);
    let regrouped = Study {
        birds: birds
            .map(|(bird, scanned)| Bird {
                treatment: Some(2 * treatment(bird) + usize::from(*scanned == Some(true))),
                ..bird.clone()
            })
            .collect(),
        strains: study.strains.clone(),
        pens: study.pens.clone(),
        blocks: study.blocks.clone(),
        treatments: (0..=2 * study.treatments.len() + 1)
            .map(|cell| format!("cell {cell}"))
            .collect(),
        settings: study.settings.clone(),
        ..Study::default()
    };
    let by: &[FixedEffectOf] = match by_strain {
        true => &[FixedEffectOf::Strain, FixedEffectOf::Treatment],
        false => &[FixedEffectOf::Treatment],
    };
    let records = &study.traits[model.trait_index];
    let refitted = fit.regrouped((&regrouped, records), by, |bird| scanned[bird].is_some());
    if refitted.outcome.fit().is_none() {
        return Err(format!(
            "the model has no maximum with scanned birds apart: {}",
            refitted.outcome.reasons().join("; ")
        ));
    }
    Ok(TraitModel {
        trait_index: model.trait_index,
        design: Design::of(&regrouped, &refitted.cohort).ok(),
        by: Described::Growth(refitted),
        tried: Vec::new(),
        note: String::new(),
    })
}

/// Birds scanned and unscanned of each strain that has enough of both.
fn counts(study: &Study, scanned: &[Option<bool>]) -> BTreeMap<usize, (usize, usize)> {
    let mut all: BTreeMap<usize, (usize, usize)> = BTreeMap::new();
    for (bird, scanned) in study.birds.iter().zip(scanned) {
        let own = all.entry(bird.strain).or_default();
        match scanned {
            Some(true) => own.0 += 1,
            Some(false) => own.1 += 1,
            None => {}
        }
    }
    all
}

fn both_in_a_strain(study: &Study, scanned: &[Option<bool>]) -> Result<(), String> {
    let all = counts(study, scanned);
    if all
        .values()
        .any(|own| own.0 >= LEAST_BIRDS && own.1 >= LEAST_BIRDS)
    {
        return Ok(());
    }
    let sum = all
        .values()
        .fold((0, 0), |sum, own| (sum.0 + own.0, sum.1 + own.1));
    Err(match sum {
        (0, _) => "no bird had been scanned".to_owned(),
        (_, 0) => "all birds had been scanned".to_owned(),
        _ => format!("no strain has {LEAST_BIRDS} scanned and {LEAST_BIRDS} unscanned birds"),
    })
}

fn at_age(
    study: &Study,
    scanned: &[Option<bool>],
    fit: Result<&TraitModel, &String>,
    (age_d, margin, confidence): (f64, f64, f64),
) -> Vec<WeightEffect> {
    let all = counts(study, scanned);
    let unit = match fit {
        Ok(model) => model
            .design
            .as_ref()
            .map_or(Unit::Bird, |design| design.unit),
        Err(_) => Unit::Bird,
    };
    let row = |strain: Option<usize>, effect| WeightEffect {
        age_d,
        strain,
        birds: match strain {
            Some(strain) => all[&strain],
            None => all
                .values()
                .fold((0, 0), |sum, own| (sum.0 + own.0, sum.1 + own.1)),
        },
        unit,
        effect,
    };
    let differences = fit.map_err(Clone::clone).and_then(|model| {
        let found = differences(model, age_d);
        match found.is_empty() {
            true => Err(untestable(model)),
            false => Ok(found),
        }
    });
    let differences = match differences {
        Ok(differences) => differences,
        Err(reason) => return vec![row(None, Err(reason))],
    };
    let effect_of = |numbers| {
        Effect::of(numbers, (margin, confidence))
            .ok_or_else(|| "the difference has no standard error".to_owned())
    };
    let mut rows = vec![row(None, effect_of(averaged(&differences, None)))];
    let strains: Vec<usize> = all.keys().copied().collect();
    if strains.len() > 1 {
        rows.extend(strains.into_iter().filter_map(|strain| {
            let own: Vec<&Percent> = differences
                .iter()
                .filter(|one| one.strain == Some(strain))
                .collect();
            (!own.is_empty()).then(|| {
                row(
                    Some(strain),
                    effect_of(averaged(&differences, Some(strain))),
                )
            })
        }));
    }
    rows
}

fn untestable(model: &TraitModel) -> String {
    let design = model.design.as_ref();
    let reasons = design.map(Design::untestable).unwrap_or_default();
    match reasons.first() {
        Some(_) => {
            "whole pens were scanned or not, and a group is in one pen: a difference may be one between pens".to_owned()
        }
        None => "scanned and unscanned birds have no weighings around that age".to_owned(),
    }
}

/// A difference of one cell of strain and treatment, percent.
struct Percent {
    strain: Option<usize>,
    value: f64,
    variance: f64,
    df: f64,
}

/// The differences of all cells that have both groups.
fn differences(model: &TraitModel, age_d: f64) -> Vec<Percent> {
    let groups = model.groups();
    let names: Vec<String> = groups.iter().map(|group| group.name.clone()).collect();
    let Some(joint) = joint::of_model(model, &names) else {
        return Vec::new();
    };
    let counts: Vec<usize> = (0..groups.len()).map(|at| model.counts(at).0).collect();
    let place = |group: usize| joint.groups.iter().position(|own| *own == group);
    let one = |(at, group): (usize, &crate::trajectory::Group)| {
        let cell = group.treatment?;
        // Scanned birds have the odd cells.
        let unscanned = (cell % 2 == 1).then(|| cell - 1)?;
        let other = groups
            .iter()
            .position(|other| other.strain == group.strain && other.treatment == Some(unscanned))?;
        if counts[at] < LEAST_BIRDS || counts[other] < LEAST_BIRDS {
            return None;
        }
        let (a, b) = (place(at)?, place(other)?);
        let within = |place: usize| {
            let reach = joint.reaches[place];
            (reach.first_d..=reach.last_d).contains(&age_d)
        };
        if !within(a) || !within(b) {
            return None;
        }
        let found = joint.difference_at(a, b, age_d);
        let percent = 100.0 / found.reference;
        let error = found.standard_error? * percent;
        Some(Percent {
            strain: group.strain,
            value: found.value * percent,
            variance: error * error,
            df: found.df,
        })
    };
    groups.iter().enumerate().filter_map(one).collect()
}

/// Mean by inverse variance, its standard error and degrees of freedom: the fewest of any, since
/// the differences share the variances of one model.
fn averaged(all: &[Percent], strain: Option<usize>) -> (f64, f64, f64) {
    let own = || {
        all.iter()
            .filter(move |one| strain.is_none() || one.strain == strain)
    };
    let weight: f64 = own().map(|one| 1.0 / one.variance).sum();
    let value: f64 = own().map(|one| one.value / one.variance).sum();
    let df = own().map(|one| one.df).fold(f64::INFINITY, f64::min);
    (value / weight, (1.0 / weight).sqrt(), df)
}
