//! How does each bird and each strain of a study grow: the fits that a study asks for, made.
//!
//! A [`Request`] names curves and levels; [`Trajectories::fit`] runs every curve
//! through every trait of every bird, and of every strain with its birds pooled,
//! in parallel. Nothing is averaged: a strain's curve is a fit to all its
//! weighings, and weak or failed fits stand beside the others with their reason.

pub mod evidence;
pub mod interval;

use std::sync::Arc;

use rayon::prelude::*;

use crate::fit::choice::{self, Place};
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
    /// How to fit.
    pub settings: Settings,
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
        let spans = birds.into_iter().filter_map(span);
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
        let mut places = vec![None; self.fits.len()];
        let observations = |index: usize| self.fits[index].outcome.n();
        let mut counts: Vec<usize> = (0..self.fits.len()).map(observations).collect();
        counts.sort_unstable();
        counts.dedup();
        for n in counts {
            let alike: Vec<usize> = (0..self.fits.len())
                .filter(|index| observations(*index) == n)
                .collect();
            let outcomes: Vec<&Outcome> = alike
                .iter()
                .map(|index| &self.fits[*index].outcome)
                .collect();
            for (index, place) in alike.iter().zip(choice::places(&outcomes)) {
                places[*index] = place;
            }
        }
        places
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
}

/// Ages and values of all birds of one strain, ascending in age.
#[derive(Debug, Clone, Default)]
pub struct Pooled {
    /// Ages in days.
    pub ages_d: Vec<f64>,
    /// Values in grams.
    pub values: Vec<f64>,
    /// Index into [`Study::birds`], a value each.
    pub birds: Vec<usize>,
}

impl Pooled {
    /// Gathers the records of one strain; equal ages stay in the order of the birds.
    #[must_use]
    pub fn of(study: &Study, records: &Records, strain: usize) -> Self {
        let mut rows: Vec<(f64, f64, usize)> = Vec::new();
        for bird in study.birds_of(strain) {
            let (ages_d, values) = records.of(bird);
            rows.extend(
                ages_d
                    .iter()
                    .zip(values)
                    .map(|(age_d, value)| (*age_d, *value, bird)),
            );
        }
        rows.sort_by(|a, b| a.0.total_cmp(&b.0));
        Self {
            ages_d: rows.iter().map(|row| row.0).collect(),
            values: rows.iter().map(|row| row.1).collect(),
            birds: rows.iter().map(|row| row.2).collect(),
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
        let mut subjects = Vec::new();
        for (trait_index, records) in study.traits.iter().enumerate() {
            if request.strains {
                subjects.extend(strain_fits(study, records, trait_index, request, done));
            }
            if request.birds {
                subjects.par_extend(bird_fits(study, records, trait_index, request, done));
            }
        }
        Self {
            curves: request.curves.clone(),
            subjects,
        }
    }

    /// How many fits ended in a status: `converged`, `weak` or `failed`.
    #[must_use]
    pub fn count(&self, status: &str) -> usize {
        let fits = self.subjects.iter().flat_map(|subject| &subject.fits);
        fits.filter(|fit| fit.outcome.status() == status).count()
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
        (!pooled.values.is_empty())
            .then(|| subject_fits(subject, pooled.series(), request, &mut Workspace::new()))
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
            (!values.is_empty())
                .then(|| subject_fits(subject, Series { ages_d, values }, request, workspace))
        })
        .flatten_iter()
}

fn subject_fits(
    subject: Subject,
    series: Series<'_>,
    request: &Request,
    workspace: &mut Workspace,
) -> SubjectFits {
    let fits = request
        .curves
        .iter()
        .map(|curve| curve_fit(curve, series, request, workspace));
    SubjectFits {
        subject,
        fits: fits.collect(),
    }
}

fn curve_fit(
    curve: &Arc<dyn Curve>,
    series: Series<'_>,
    request: &Request,
    workspace: &mut Workspace,
) -> CurveFit {
    match ready(curve, series, request.hatch_weight_g) {
        Ok((curve, series)) => {
            let outcome = fit::fit(&*curve, series, &request.settings, workspace);
            CurveFit { curve, outcome }
        }
        Err(failure) => CurveFit {
            curve: curve.clone(),
            outcome: Outcome::Failed(failure),
        },
    }
}

/// The curve and the weighings that a fit rests on: themselves, or for a curve that is
/// held at the hatch weight, that curve and the weighings after hatch.
pub(crate) fn ready<'a>(
    curve: &Arc<dyn Curve>,
    series: Series<'a>,
    hatch_weight_g: Option<f64>,
) -> Result<(Arc<dyn Curve>, Series<'a>), Failure> {
    if !curve.needs_hatch_weight() {
        return Ok((curve.clone(), series));
    }
    let (at_hatch_g, after_hatch) = split_at_hatch(series);
    at_hatch_g
        .or(hatch_weight_g)
        .and_then(|weight_g| curve.at_hatch_weight(weight_g))
        .map(|anchored| (Arc::from(anchored), after_hatch))
        .ok_or_else(|| Failure {
            reason: "the weight at hatch is not known: there is no weighing at age 0, and none was given"
                .to_owned(),
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
fn split_at_hatch(series: Series<'_>) -> (Option<f64>, Series<'_>) {
    let first_after = series.ages_d.partition_point(|age_d| *age_d <= 0.0);
    let at_hatch = &series.values[..first_after];
    #[expect(clippy::cast_precision_loss, reason = "a count of weighings")]
    let mean = (first_after > 0).then(|| at_hatch.iter().sum::<f64>() / first_after as f64);
    let after = Series {
        ages_d: &series.ages_d[first_after..],
        values: &series.values[first_after..],
    };
    (mean, after)
}
