//! How does each bird and each strain of a study grow: the fits that a study asks for, made.
//!
//! A [`Request`] names curves and levels; [`Trajectories::fit`] runs every curve
//! through every trait of every bird, and of every strain with its birds pooled,
//! in parallel, and through all birds at once by a mixed model (`population.rs`).
//! Nothing is averaged: a strain's curve is a fit to all its weighings, and weak or
//! failed fits stand beside the others with their reason.

mod population;
mod second_phase;

pub mod evidence;
pub mod interval;
pub mod redraw;

use std::sync::Arc;

pub use population::{
    Cohort, Group, Population, PopulationFit, PopulationRequest, RandomTerms, check,
    usual_random_terms,
};
use rayon::prelude::*;
pub use second_phase::{
    PhaseTest, SecondPhase, Simulation, Spurt, SpurtFrom, second_phase, simulated_studies, spurts,
};

use crate::error::Result;
use crate::fit::choice::{self, Candidate, Place};
use crate::fit::mixed::{Correlation, Subjects};
use crate::fit::{self, Failure, Outcome, Series, Settings, Workspace};
use crate::growth::{Curve, Derived};
use crate::study::{Records, Study};

/// Which curves to fit to which subjects, and how.
#[derive(Debug, Clone)]
pub struct Request {
    /// Curves, each fitted to every subject.
    pub curves: Vec<Arc<dyn Curve>>,
    /// Whether each bird is a subject.
    pub birds: bool,
    /// Whether each strain, its birds pooled, is a subject.
    pub strains: bool,
    /// How all birds are fitted as one population, where that is asked for.
    pub population: Option<PopulationRequest>,
    /// How to fit.
    pub settings: Settings,
    /// Correlation of a bird's residuals, at every level.
    pub correlation: Correlation,
    /// Weight at hatch for the anchored curves where a subject has no weighing at age 0.
    pub hatch_weight_g: Option<f64>,
}

/// Whose curve it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Level {
    /// One bird's.
    Bird,
    /// A strain's, all its birds pooled.
    Strain,
}

impl Level {
    /// The level's name in the tables.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Bird => "bird",
            Self::Strain => "strain",
        }
    }
}

/// A bird or a strain, in one trait.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Subject {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// Whose curve it is.
    pub level: Level,
    /// Index into [`Study::strains`].
    pub strain: usize,
    /// Index into [`Study::birds`], at bird level.
    pub bird: Option<usize>,
}

impl Subject {
    /// First and last age with data, d; the subject has some.
    #[must_use]
    pub fn age_span(&self, study: &Study) -> (f64, f64) {
        let records = &study.traits[self.trait_index];
        let span = |bird: usize| {
            let ages_d = records.of(bird).0;
            Some((*ages_d.first()?, *ages_d.last()?))
        };
        let birds: Vec<usize> = match self.bird {
            Some(bird) => vec![bird],
            None => study.birds_of(self.strain).collect(),
        };
        let groups = records
            .groups
            .iter()
            .filter(|group| self.bird.is_none() && group.strain == self.strain)
            .map(|group| (group.age_d, group.age_d));
        let spans = birds.into_iter().filter_map(span).chain(groups);
        spans.fold((f64::INFINITY, f64::NEG_INFINITY), |(first, last), span| {
            (span.0.min(first), span.1.max(last))
        })
    }
}

/// One curve fitted to one subject.
#[derive(Debug, Clone)]
pub struct CurveFit {
    /// The curve, anchored at the subject's hatch weight where it asks for one.
    pub curve: Arc<dyn Curve>,
    /// How the fit ended.
    pub outcome: Outcome,
}

/// All curves fitted to one subject.
#[derive(Debug, Clone)]
pub struct SubjectFits {
    /// Whose they are.
    pub subject: Subject,
    /// One a curve, in the order of the request.
    pub fits: Vec<CurveFit>,
}

impl SubjectFits {
    /// The place of each fit by AICc, in the order of the fits.
    ///
    /// Likelihoods compare only over the same observations: curves held at the
    /// hatch weight, which leave the weighing at age 0 out, are ranked among
    /// themselves.
    #[must_use]
    pub fn places(&self) -> Vec<Option<Place>> {
        let candidates = self.fits.iter().map(|fit| Candidate::of(&fit.outcome));
        choice::places_among(&candidates.collect::<Vec<_>>())
    }

    /// The fit to draw and to speak of: the best by AICc among the converged ones,
    /// or among the weak ones where none converged; `None` where all failed.
    #[must_use]
    pub fn best(&self) -> Option<&CurveFit> {
        let places = self.places();
        let ranked = self.fits.iter().zip(&places);
        ranked
            .filter(|(fit, _)| fit.outcome.estimates().is_some())
            .min_by_key(|(fit, place)| {
                let weak = matches!(fit.outcome, Outcome::Weak(..));
                (weak, place.map_or(usize::MAX, |place| place.rank))
            })
            .map(|(fit, _)| fit)
    }
}

/// All fits of a study.
#[derive(Debug, Clone)]
pub struct Trajectories {
    /// The curves as asked for.
    pub curves: Vec<Arc<dyn Curve>>,
    /// Trait by trait: the strains, then the birds, in the study's order.
    pub subjects: Vec<SubjectFits>,
    /// Trait by trait: all birds at once, where asked for.
    pub populations: Vec<Population>,
}

/// Ages and values of all birds of one strain, ascending in age.
#[derive(Debug, Clone, Default)]
pub struct Pooled {
    /// Ages in days.
    pub ages_d: Vec<f64>,
    /// Values in grams.
    pub values: Vec<f64>,
    /// Index into [`Study::birds`], a value each; of a mean over several birds the
    /// first of them.
    pub birds: Vec<usize>,
    /// Known error variance of each value, g^2; empty where none are known.
    pub variances: Vec<f64>,
}

/// One value of a pooled series.
struct PooledRow {
    age_d: f64,
    value: f64,
    bird: usize,
    variance: f64,
}

impl Pooled {
    /// Gathers the records of one strain; equal ages stay in the order of the birds.
    #[must_use]
    pub fn of(study: &Study, records: &Records, strain: usize) -> Self {
        let mut rows: Vec<PooledRow> = Vec::new();
        for bird in study.birds_of(strain) {
            let (ages_d, values) = records.of(bird);
            let variances = records.variances_of(bird);
            let pairs = ages_d.iter().zip(values).enumerate();
            rows.extend(pairs.map(|(place, (age_d, value))| PooledRow {
                age_d: *age_d,
                value: *value,
                bird,
                variance: variances.get(place).copied().unwrap_or(f64::NAN),
            }));
        }
        let groups = records.groups.iter().filter(|group| group.strain == strain);
        rows.extend(groups.map(|group| PooledRow {
            age_d: group.age_d,
            value: group.value,
            bird: group.birds.first().copied().unwrap_or_default(),
            variance: group.variance,
        }));
        rows.sort_by(|a, b| a.age_d.total_cmp(&b.age_d));
        let known = rows.iter().all(|row| row.variance.is_finite());
        Self {
            ages_d: rows.iter().map(|row| row.age_d).collect(),
            values: rows.iter().map(|row| row.value).collect(),
            birds: rows.iter().map(|row| row.bird).collect(),
            variances: if known {
                rows.iter().map(|row| row.variance).collect()
            } else {
                Vec::new()
            },
        }
    }

    /// The records of one bird.
    #[must_use]
    pub fn of_bird(records: &Records, bird: usize) -> Self {
        let (ages_d, values) = records.of(bird);
        Self {
            ages_d: ages_d.to_vec(),
            values: values.to_vec(),
            birds: vec![bird; values.len()],
            variances: records.variances_of(bird).to_vec(),
        }
    }

    fn observed<'a>(&'a self, weights: Option<&'a [f64]>) -> Observed<'a> {
        Observed {
            series: self.series(),
            birds: &self.birds,
            weights: weights.unwrap_or_default(),
        }
    }

    /// As a series to fit.
    #[must_use]
    pub fn series(&self) -> Series<'_> {
        Series {
            ages_d: &self.ages_d,
            values: &self.values,
        }
    }
}

impl Trajectories {
    /// Makes every fit that is asked for; `done` is told, from any thread, of
    /// each subject that is finished.
    ///
    /// A subject without a single record in a trait is left out.
    #[must_use]
    pub fn fit(study: &Study, request: &Request, done: &(dyn Fn(usize) + Sync)) -> Self {
        let (mut subjects, mut populations) = (Vec::new(), Vec::new());
        for (trait_index, records) in study.traits.iter().enumerate() {
            // Side by side: a strain of many birds is one fit, and one processor's work.
            let (strains, birds) = rayon::join(
                || match request.strains {
                    true => strain_fits(study, records, trait_index, request, done),
                    false => Vec::new(),
                },
                || match request.birds {
                    true => bird_fits(study, records, trait_index, request, done).collect(),
                    false => Vec::new(),
                },
            );
            subjects.extend(strains);
            subjects.extend(birds);
            if let Some(wanted) = &request.population {
                let all = population::population(study, records, trait_index, request, wanted);
                populations.extend(all);
                done(1);
            }
        }
        Self {
            curves: request.curves.clone(),
            subjects,
            populations,
        }
    }

    /// How many fits ended in a status: `converged`, `weak` or `failed`.
    #[must_use]
    pub fn count(&self, status: &str) -> usize {
        let fits = self.subjects.iter().flat_map(|subject| &subject.fits);
        let populations = self.populations.iter().flat_map(|all| &all.fits);
        fits.filter(|fit| fit.outcome.status() == status).count()
            + populations
                .filter(|fit| fit.outcome.status() == status)
                .count()
    }

    /// All fits of all birds at once, in order.
    #[must_use]
    pub fn population_fits(&self) -> Vec<&PopulationFit> {
        self.populations.iter().flat_map(|all| &all.fits).collect()
    }

    /// Subjects of one level and trait.
    pub fn of(&self, level: Level, trait_index: usize) -> impl Iterator<Item = &SubjectFits> {
        self.subjects.iter().filter(move |fits| {
            fits.subject.level == level && fits.subject.trait_index == trait_index
        })
    }
}

fn strain_fits(
    study: &Study,
    records: &Records,
    trait_index: usize,
    request: &Request,
    done: &(dyn Fn(usize) + Sync),
) -> Vec<SubjectFits> {
    let strains = (0..study.strains.len()).into_par_iter();
    let fits = strains.filter_map(|strain| {
        let pooled = Pooled::of(study, records, strain);
        let subject = Subject {
            trait_index,
            level: Level::Strain,
            strain,
            bird: None,
        };
        done(1);
        (!pooled.values.is_empty()).then(|| {
            let weights = weights(&pooled.variances);
            let observed = pooled.observed(weights.as_deref());
            subject_fits(subject, observed, request, &mut Workspace::new())
        })
    });
    fits.collect()
}

fn bird_fits<'a>(
    study: &'a Study,
    records: &'a Records,
    trait_index: usize,
    request: &'a Request,
    done: &'a (dyn Fn(usize) + Sync),
) -> impl ParallelIterator<Item = SubjectFits> + 'a {
    let birds = study.birds.par_iter().enumerate();
    birds
        .map_init(Workspace::new, move |workspace, (bird, record)| {
            let (ages_d, values) = records.of(bird);
            let subject = Subject {
                trait_index,
                level: Level::Bird,
                strain: record.strain,
                bird: Some(bird),
            };
            done(1);
            (!values.is_empty()).then(|| {
                let weights = weights(records.variances_of(bird));
                let observed = Observed {
                    series: Series { ages_d, values },
                    birds: &[],
                    weights: weights.as_deref().unwrap_or_default(),
                };
                subject_fits(subject, observed, request, workspace)
            })
        })
        .flatten_iter()
}

/// Weights of values whose error variances are known: 1 over the variance, times the
/// variances' geometric mean, so that sigma stays in grams and that of a value of
/// usual variance. `None` where all weigh alike.
fn weights(variances: &[f64]) -> Option<Box<[f64]>> {
    let usable = |variance: &f64| *variance > 0.0 && variance.is_finite();
    let first = *variances.first()?;
    let alike = |variance: &f64| variance.total_cmp(&first).is_eq();
    if !variances.iter().all(usable) || variances.iter().all(alike) {
        return None;
    }
    #[expect(clippy::cast_precision_loss, reason = "a count of values")]
    let mean_log =
        variances.iter().map(|variance| variance.ln()).sum::<f64>() / variances.len() as f64;
    let weight = |variance: &f64| (mean_log - variance.ln()).exp();
    Some(variances.iter().map(weight).collect())
}

/// A subject's records.
#[derive(Debug, Clone, Copy)]
struct Observed<'a> {
    series: Series<'a>,
    /// The bird of each record; empty where all are of one bird.
    birds: &'a [usize],
    /// The weight of each record; empty where all weigh alike.
    weights: &'a [f64],
}

fn subject_fits(
    subject: Subject,
    observed: Observed<'_>,
    request: &Request,
    workspace: &mut Workspace,
) -> SubjectFits {
    let fits = request
        .curves
        .iter()
        .map(|curve| curve_fit(curve, observed, request, workspace));
    SubjectFits {
        subject,
        fits: fits.collect(),
    }
}

/// Why a curve that is held at the hatch weight could not be fitted.
const NO_HATCH_WEIGHT: &str =
    "the weight at hatch is not known: there is no weighing at age 0, and none was given";

fn curve_fit(
    curve: &Arc<dyn Curve>,
    observed: Observed<'_>,
    request: &Request,
    workspace: &mut Workspace,
) -> CurveFit {
    if !curve.needs_hatch_weight() {
        return CurveFit {
            curve: curve.clone(),
            outcome: outcome(&**curve, observed, request, workspace),
        };
    }
    let (hatch_weight_g, after_hatch) = split_at_hatch(observed);
    let anchored = hatch_weight_g
        .or(request.hatch_weight_g)
        .and_then(|weight_g| curve.at_hatch_weight(weight_g));
    match anchored {
        Some(anchored) => CurveFit {
            outcome: outcome(&*anchored, after_hatch, request, workspace),
            curve: anchored.into(),
        },
        None => CurveFit {
            curve: curve.clone(),
            outcome: Outcome::Failed(Failure {
                reason: NO_HATCH_WEIGHT.to_owned(),
                n: observed.series.values.len(),
            }),
        },
    }
}

fn outcome(
    curve: &dyn Curve,
    observed: Observed<'_>,
    request: &Request,
    workspace: &mut Workspace,
) -> Outcome {
    if request.correlation == Correlation::None {
        if observed.weights.is_empty() {
            return fit::fit(curve, observed.series, &request.settings, workspace);
        }
        let settings = Settings {
            weights: Some(observed.weights.into()),
            ..request.settings.clone()
        };
        return fit::fit(curve, observed.series, &settings, workspace);
    }
    let by_bird = ByBird::of(observed);
    match by_bird.subjects() {
        Ok(subjects) => fit::fit_correlated(curve, &subjects, &request.settings),
        Err(error) => Outcome::Failed(Failure {
            reason: error.to_string(),
            n: observed.series.values.len(),
        }),
    }
}

/// Records bird by bird, as a correlation within birds needs them.
struct ByBird {
    starts: Vec<usize>,
    ages_d: Vec<f64>,
    values: Vec<f64>,
    groups: Vec<usize>,
    /// Empty where all are alike.
    relative_variances: Vec<f64>,
}

impl ByBird {
    fn of(observed: Observed<'_>) -> Self {
        let Series { ages_d, values } = observed.series;
        let mut order: Vec<usize> = (0..values.len()).collect();
        if !observed.birds.is_empty() {
            // Stable: ages stay ascending within a bird.
            order.sort_by_key(|row| observed.birds[*row]);
        }
        let mut starts: Vec<usize> = (0..order.len())
            .filter(|at| {
                let bird = |at: usize| observed.birds.get(order[at]);
                *at == 0 || bird(*at) != bird(at - 1)
            })
            .collect();
        let groups = vec![0; starts.len()];
        starts.push(order.len());
        Self {
            starts,
            ages_d: order.iter().map(|row| ages_d[*row]).collect(),
            values: order.iter().map(|row| values[*row]).collect(),
            groups,
            relative_variances: match observed.weights {
                [] => Vec::new(),
                weights => order.iter().map(|row| 1.0 / weights[*row]).collect(),
            },
        }
    }

    fn subjects(&self) -> Result<Subjects<'_>> {
        let subjects = Subjects::new(&self.starts, &self.ages_d, &self.values, &self.groups)?;
        match self.relative_variances.as_slice() {
            [] => Ok(subjects),
            known => subjects.with_relative_variances(known),
        }
    }
}

/// The curve and the weighings that a fit rests on: themselves, or for a curve that is
/// held at the hatch weight, that curve and the weighings after hatch.
pub(crate) fn ready<'a>(
    curve: &Arc<dyn Curve>,
    series: Series<'a>,
    hatch_weight_g: Option<f64>,
) -> std::result::Result<(Arc<dyn Curve>, Series<'a>), Failure> {
    if !curve.needs_hatch_weight() {
        return Ok((curve.clone(), series));
    }
    let observed = Observed {
        series,
        birds: &[],
        weights: &[],
    };
    let (at_hatch_g, after_hatch) = split_at_hatch(observed);
    at_hatch_g
        .or(hatch_weight_g)
        .and_then(|weight_g| curve.at_hatch_weight(weight_g))
        .map(|anchored| (Arc::from(anchored), after_hatch.series))
        .ok_or_else(|| Failure {
            reason: NO_HATCH_WEIGHT.to_owned(),
            n: series.values.len(),
        })
}

/// What follows from a curve's terms and is told of every fit, in the tables' order:
/// landmarks, ages of these masses, value and rates at these ages.
#[must_use]
pub fn derived_quantities(ages_d: &[f64], masses_g: &[f64]) -> Vec<Derived> {
    let mut wanted = vec![
        Derived::Mature,
        Derived::InflectionAge,
        Derived::InflectionWeight,
        Derived::InflectionRate,
        Derived::AgeAtFraction(0.5),
        Derived::AgeAtFraction(0.95),
        Derived::SecondPeakAge,
        Derived::SecondPeakRate,
    ];
    wanted.extend(masses_g.iter().map(|mass_g| Derived::AgeAtValue(*mass_g)));
    for age_d in ages_d {
        wanted.extend([
            Derived::ValueAt(*age_d),
            Derived::RateAt(*age_d),
            Derived::RelativeRateAt(*age_d),
        ]);
    }
    wanted
}

/// The first age, each whole day after it, and the last age; ten years at most, since
/// a table of ages in another unit must not fill the disk.
#[must_use]
pub fn days_between(first_d: f64, last_d: f64) -> Vec<f64> {
    const MOST: f64 = 3650.0;
    let step = f64::max(1.0, (last_d - first_d) / MOST);
    let mut ages_d = vec![first_d];
    let mut age_d = (first_d / step).floor() * step + step;
    while age_d < last_d {
        ages_d.push(age_d);
        age_d += step;
    }
    if last_d > first_d {
        ages_d.push(last_d);
    }
    ages_d
}

/// The mean weight at age 0, and the weighings after it. A curve that is held at
/// the hatch weight passes through it, so that weighing is no observation.
fn split_at_hatch(observed: Observed<'_>) -> (Option<f64>, Observed<'_>) {
    let Series { ages_d, values } = observed.series;
    let first_after = ages_d.partition_point(|age_d| *age_d <= 0.0);
    let at_hatch = &values[..first_after];
    #[expect(clippy::cast_precision_loss, reason = "a count of weighings")]
    let mean = (first_after > 0).then(|| at_hatch.iter().sum::<f64>() / first_after as f64);
    let after = Series {
        ages_d: &ages_d[first_after..],
        values: &values[first_after..],
    };
    let birds = observed.birds.get(first_after..).unwrap_or_default();
    let weights = observed.weights.get(first_after..).unwrap_or_default();
    (
        mean,
        Observed {
            series: after,
            birds,
            weights,
        },
    )
}
