//! How does each bird and each strain of a study grow: the fits that a study requires, made.
//!
//! A [`Request`] names curves and levels; [`Trajectories::fit`] runs every curve
//! through every trait of every bird, and of every strain with its birds pooled,
//! in parallel, and through all birds at once by a mixed model (`population.rs`).
//! Nothing is averaged: a strain's curve is a fit to all its weighings, and weak or
//! failed fits stand beside the others with their reason.

mod bird_population;
mod cohort;
mod known_birds;
mod mixed_attempt;
mod model_choice;
mod observed;
mod population;
mod population_interval;
mod saved_population;
mod second_phase;
mod trait_model;
mod unit;

pub mod allometric;
pub mod evidence;
pub mod interval;
pub mod profiles;
pub mod redraw;
pub mod sampled;

use std::sync::Arc;

pub use bird_population::{BirdPopulation, KnownGroup, Origin, SavedFirstEgg};
pub use cohort::{Blocks, Cohort, Group, group_of};
pub(crate) use known_birds::KnownBirds;
pub use model_choice::{Likelihood, MOST_BIRDS, Step, Tried};
use observed::{ByBird, Observed, weights};
pub use observed::{Pooled, ready, usual_variance};
pub use population::{Limits, PopulationFit, PopulationRequest, RandomTerms, check};
pub(crate) use population_interval::Redrawn;
use rayon::prelude::*;
pub use second_phase::{
    BirdSecondPhase, PhaseTest, SecondPhase, SecondPhaseSource, Simulation, bird_second_phases,
    second_phase, simulated_studies,
};
pub use trait_model::{Described, TraitModel};

pub use unit::{Because, Design, NotTestable, check_unit, pen_terms};

use crate::fit::choice::{self, Candidate, Place};
use crate::fit::mixed::Correlation;
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
    /// How all birds are fitted as one population, where that is requested.
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
    /// The curve, anchored at the subject's hatch weight where it requires one.
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
    /// The curves as requested.
    pub curves: Vec<Arc<dyn Curve>>,
    /// Trait by trait: the strains, then the birds, in the study's order.
    pub subjects: Vec<SubjectFits>,
    /// The model of all birds of each trait, where requested.
    pub models: Vec<TraitModel>,
}

impl Trajectories {
    /// The curve by which a trait's strains are compared: of the curves that most of
    /// them converge with, the one of least AICc over these strains. `None` where no
    /// strain has a fit.
    #[must_use]
    pub fn best_of_strains(&self, trait_index: usize) -> Option<Arc<dyn Curve>> {
        let strains: Vec<&SubjectFits> = self.of(Level::Strain, trait_index).collect();
        let judged = self.curves.iter().enumerate().filter_map(|(place, curve)| {
            let mut converged = 0;
            let mut fitted = 0;
            let mut aicc = 0.0_f64;
            for fits in &strains {
                if let Some(estimates) = fits.fits[place].outcome.estimates() {
                    fitted += 1;
                    aicc += estimates.aicc().unwrap_or(f64::INFINITY);
                    converged +=
                        usize::from(matches!(fits.fits[place].outcome, Outcome::Converged(_)));
                }
            }
            (fitted > 0).then_some((converged, fitted, aicc, curve))
        });
        let best = judged.max_by(|one, other| {
            (one.0, one.1)
                .cmp(&(other.0, other.1))
                .then(other.2.total_cmp(&one.2))
        });
        best.map(|(.., curve)| curve.clone())
    }

    /// Makes every fit of the request; `done` is called, from any thread, after
    /// each subject that is finished.
    ///
    /// A subject without a single record in a trait is left out.
    #[must_use]
    pub fn fit(study: &Study, request: &Request, done: &(dyn Fn(usize) + Sync)) -> Self {
        let (mut subjects, mut models) = (Vec::new(), Vec::<TraitModel>::new());
        let follow = following_weight(study);
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
                let curves = (&request.curves[..], request.hatch_weight_g);
                let mut known = models.iter();
                let weight =
                    known.find(|model| wanted.allometry && Some(model.trait_index) == follow);
                let model = match weight {
                    Some(weight) => {
                        TraitModel::following(study, (trait_index, weight), curves, wanted)
                    }
                    None => TraitModel::choose(study, records, trait_index, curves, wanted),
                };
                models.extend(model);
                done(1);
            }
        }
        Self {
            curves: request.curves.clone(),
            subjects,
            models,
        }
    }

    /// How many fits ended in a status: `converged`, `weak` or `failed`.
    #[must_use]
    pub fn count(&self, status: &str) -> usize {
        let fits = self.subjects.iter().flat_map(|subject| &subject.fits);
        fits.filter(|fit| fit.outcome.status() == status).count()
            + self
                .models
                .iter()
                .filter(|model| model.status() == status)
                .count()
    }

    /// The model of all birds of a trait, where it was requested.
    #[must_use]
    pub fn model(&self, trait_index: usize) -> Option<&TraitModel> {
        self.models
            .iter()
            .find(|model| model.trait_index == trait_index)
    }

    /// Subjects of one level and trait.
    pub fn of(&self, level: Level, trait_index: usize) -> impl Iterator<Item = &SubjectFits> {
        self.subjects.iter().filter(move |fits| {
            fits.subject.level == level && fits.subject.trait_index == trait_index
        })
    }
}

/// The trait that the others follow: body weight, where it stands before them.
fn following_weight(study: &Study) -> Option<usize> {
    let mut traits = study.traits.iter();
    traits.position(|records| records.name == crate::study::BODY_WEIGHT)
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

fn curve_fit(
    curve: &Arc<dyn Curve>,
    observed: Observed<'_>,
    request: &Request,
    workspace: &mut Workspace,
) -> CurveFit {
    match observed.ready(curve, request.hatch_weight_g) {
        Ok((curve, observed)) => CurveFit {
            outcome: outcome(&*curve, observed, request, workspace),
            curve,
        },
        Err(failure) => CurveFit {
            curve: curve.clone(),
            outcome: Outcome::Failed(failure),
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
            tried: false,
        }),
    }
}

/// Quantities derived from a curve's terms for every fit, in the tables' order:
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
        Derived::FirstPeakAge,
        Derived::FirstPeakRate,
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
