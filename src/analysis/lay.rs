//! When do the birds come into lay, and which cue predicts it?

use std::sync::Arc;

use super::growth_to_lay::GrowthToLay;
use super::options::{LayOptions, Options};
use super::pen_eggs;
use crate::error::{Error, Result};
use crate::fit::{Estimates, Outcome, Weakness};
use crate::growth::Curve;
use crate::maturity::{
    self, AtFirstEgg, Backtests, Breakpoint, Cue, CueOptions, CueSummary, EggOnset, FittedCurve,
    ForecastOptions, LayCurve, LayRecords, LeftOut, LightEffect, LightProgramme, OnsetForecast,
    OnsetModels, OnsetOptions, Threshold,
};
use crate::study::Study;
use crate::trajectory::{Request, SubjectFits, TraitModel, Trajectories};

/// Timing cues, and what is known of first eggs and forecast.
#[derive(Debug, Default)]
pub struct Lay {
    /// Cues of each bird and strain.
    pub cues: Vec<Cue>,
    /// How steady each cue's distance from the first egg is, by strain.
    pub cue_summary: Vec<CueSummary>,
    /// First eggs, as far as they are known; no birds where none are written down.
    pub records: LayRecords,
    /// Birds whose first egg comes before their first weighing.
    pub early: Vec<EarlyEgg>,
    /// Shares in lay by age.
    pub curves: Vec<LayCurve>,
    /// Models of birds that were not laying at the landmark, or why there are none; `None`
    /// where no first eggs are written down.
    pub waiting: Option<std::result::Result<Waiting, String>>,
    /// What the birds were like when they laid.
    pub at_first_egg: Laying,
    /// Onset by eggs counted in pens, where they were.
    pub eggs: Option<EggOnset>,
    /// Light programmes, as far as they are written down.
    pub light: Vec<LightProgramme>,
    /// How maturity goes with light where pens differ in it.
    pub light_effects: Vec<LightEffect>,
}

/// A bird whose first egg comes before its first weighing: no cue came before it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EarlyEgg {
    /// Index into [`Study::birds`].
    pub bird: usize,
    /// Age at first egg, d.
    pub egg_d: f64,
    /// Age at the first weighing, d.
    pub weighed_d: f64,
}

/// Birds that were seen and not laying at the landmark.
#[derive(Debug)]
pub struct Waiting {
    /// Age at which they are looked at, d; `None`: from the start of a table.
    pub landmark_d: Option<f64>,
    /// How many they are.
    pub birds: usize,
    /// Those that were left out.
    pub left_out: LeftOut,
    /// Curves that the cues were read from, in words; none of a table's own cues.
    pub cue_curves: Vec<String>,
    /// Cues that too few birds have, in words.
    pub cues_left_out: Vec<String>,
    /// How cues go with the first egg.
    pub models: OnsetModels,
    /// Everyone with a record: whom the forecast is of.
    pub everyone: LayRecords,
    /// When the others will lay, or why that is not known.
    pub forecast: std::result::Result<OnsetForecast, String>,
    /// How such forecasts would have come true.
    pub backtest: Backtests,
}

/// What the birds were like when they laid.
#[derive(Debug, Default)]
pub struct Laying {
    /// Bird by bird.
    pub values: Vec<AtFirstEgg>,
    /// By strain.
    pub thresholds: Vec<Threshold>,
    /// Whether the age at first egg bends with a measure.
    pub bends: Vec<Breakpoint>,
}

/// What first eggs are request.
#[derive(Debug, Clone, Copy)]
pub struct LayRequest<'a> {
    /// Age as of which, d; `None`: all that is known.
    pub as_of_d: Option<f64>,
    /// Confidence of the intervals.
    pub confidence: f64,
    /// Seed of everything drawn at random.
    pub seed: u64,
    /// How the onset of lay is looked at.
    pub wanted: &'a LayOptions,
}

impl Lay {
    /// The cues and first eggs of a study; `known` is the study as of the age request for, and
    /// the trajectories are its.
    ///
    /// # Errors
    /// A landmark at which nobody was waiting, a cue that is none, a lay curve that cannot be
    /// estimated.
    pub(super) fn of(
        (study, known): (&Study, &Study),
        trajectories: &Trajectories,
        (options, wanted): (&Options, &LayOptions),
    ) -> Result<Self> {
        let curves = Curves::of(known, trajectories);
        let fits = curves.all();
        let cue_options = CueOptions {
            thresholds_g: options.masses_g.clone(),
            confidence: options.confidence,
        };
        let cues = maturity::cues(known, &fits, &cue_options)?;
        let mut lay = Self {
            cue_summary: maturity::summarise(&cues, options.confidence)?,
            cues,
            eggs: pen_eggs::egg_onset(known, options.confidence),
            light: maturity::light_programmes(known),
            ..Self::default()
        };
        lay.light_effects = maturity::light_effects(
            &lay.light,
            &pen_eggs::pens(known, lay.eggs.as_ref()),
            options.confidence,
        );
        let everyone = LayRecords::of(study);
        if everyone.birds.is_empty() {
            return Ok(lay);
        }
        lay.early = early_eggs(study);
        let request = LayRequest {
            as_of_d: options.as_of_d,
            confidence: options.confidence,
            seed: options.seed,
            wanted,
        };
        lay.records = request.known(&everyone);
        lay.curves = request.curves(&lay.records)?;
        let landmark_d = landmark(study, &lay.records, request);
        let growth = GrowthToLay::of((study, known), trajectories, (options, wanted));
        lay.waiting = Some(match waiting_at(&everyone, landmark_d) {
            Ok((mut records, left_out)) => {
                let found = cues_at(study, landmark_d, &records, options);
                records.cues = found.columns;
                select(&mut records, wanted, landmark_d)?;
                Ok(Waiting {
                    cue_curves: found.curves,
                    cues_left_out: found.left_out,
                    ..request.waiting(
                        (everyone, records),
                        (Some(landmark_d), left_out),
                        growth.as_ref(),
                    )
                })
            }
            Err(error) if wanted.landmark_d.is_some() => return Err(error),
            Err(error) => Err(error.to_string()),
        });
        if options.as_of_d.is_none() && matches!(lay.waiting, Some(Ok(_))) {
            let (confidence, seed) = (options.confidence, options.seed);
            let (values, thresholds) = maturity::thresholds(study, &fits, confidence);
            lay.at_first_egg = Laying {
                values,
                thresholds,
                bends: maturity::bends(study, confidence, seed),
            };
        }
        Ok(lay)
    }

    /// The first eggs of a table with one row a bird, and the cues in its columns.
    ///
    /// # Errors
    /// A landmark at which nobody was waiting, a lay curve that cannot be estimated.
    pub fn of_table(everyone: LayRecords, request: LayRequest<'_>) -> Result<Self> {
        let (waiting, left_out) = match request.wanted.landmark_d {
            Some(landmark_d) => waiting_at(&everyone, landmark_d)?,
            None => (everyone.clone(), LeftOut::default()),
        };
        let records = request.known(&waiting);
        let from = (request.wanted.landmark_d, left_out);
        Ok(Self {
            curves: request.curves(&records)?,
            records,
            waiting: Some(Ok(request.waiting((everyone, waiting), from, None))),
            ..Self::default()
        })
    }

    /// The forecast of the birds that were waiting, where there is one.
    #[must_use]
    pub fn forecast(&self) -> Option<&OnsetForecast> {
        self.waiting()?.forecast.as_ref().ok()
    }

    /// The birds that were waiting at the landmark, where there are some.
    #[must_use]
    pub fn waiting(&self) -> Option<&Waiting> {
        self.waiting.as_ref()?.as_ref().ok()
    }
}

impl LayRequest<'_> {
    fn known(self, records: &LayRecords) -> LayRecords {
        match self.as_of_d {
            Some(age_d) => records.as_of(age_d),
            None => records.clone(),
        }
    }

    fn curves(self, records: &LayRecords) -> Result<Vec<LayCurve>> {
        maturity::lay_curves(records, self.confidence, self.seed)
            .map_err(|failure| Error::input(format!("lay curve: {failure}")))
    }

    /// Models, forecast and backtest of the birds waiting; a forecast as of a given age is
    /// set against what came after it, otherwise each week's.
    fn waiting(
        self,
        (everyone, waiting): (LayRecords, LayRecords),
        (landmark_d, left_out): (Option<f64>, LeftOut),
        growth: Option<&GrowthToLay<'_>>,
    ) -> Waiting {
        let models = maturity::onset_models(
            &self.known(&waiting),
            &OnsetOptions {
                confidence: self.confidence,
                cue_error: self.wanted.cue_error,
                seed: self.seed,
            },
        );
        let as_of_d = self.as_of_d.unwrap_or_else(|| last_seen(&everyone));
        let forecast_at = |as_of_d: f64| {
            let by_growth = |growth: &GrowthToLay<'_>| {
                growth.forecast(&everyone, as_of_d, (self.confidence, self.seed))
            };
            if let Some(forecast) = growth.and_then(by_growth) {
                return Ok(forecast);
            }
            let wanted = ForecastOptions {
                as_of_d,
                confidence: self.confidence,
                seed: self.seed,
            };
            maturity::forecast_onset(&everyone, &waiting, &wanted)
        };
        let forecast = forecast_at(as_of_d);
        let backtest = match (&forecast, self.as_of_d) {
            (Ok(forecast), Some(_)) => maturity::backtest_of(forecast),
            (Err(_), Some(_)) => Backtests::default(),
            (_, None) => {
                let ages_d = maturity::backtest_ages_d(&waiting);
                maturity::backtest(&ages_d, &|as_of_d| forecast_at(as_of_d).ok())
            }
        };
        Waiting {
            landmark_d,
            birds: waiting.birds.len(),
            left_out,
            cue_curves: Vec::new(),
            cues_left_out: Vec::new(),
            models,
            forecast,
            backtest,
            everyone,
        }
    }
}

/// The curves that cues are read from, of birds and strains.
#[derive(Debug, Default)]
struct Curves<'a> {
    /// Of single fits, where a trait has no model.
    single: Vec<FittedCurve<'a>>,
    /// Of the traits' models.
    modelled: Vec<Modelled>,
}

/// A curve of a trait's model: a bird's, or that of a strain's typical bird.
#[derive(Debug)]
struct Modelled {
    trait_index: usize,
    strain: usize,
    bird: Option<usize>,
    curve: Arc<dyn Curve>,
    outcome: Outcome,
    span_d: (f64, f64),
}

impl<'a> Curves<'a> {
    /// Those of each trait's model, or else every single fit.
    fn of(study: &Study, trajectories: &'a Trajectories) -> Self {
        let mut curves = Self::default();
        for model in &trajectories.models {
            curves.modelled.extend(modelled(study, model));
        }
        let has_model = |trait_index: usize| {
            let mut modelled = curves.modelled.iter();
            modelled.any(|one| one.trait_index == trait_index)
        };
        let single = trajectories.subjects.iter();
        let single = single.filter(|fits| !has_model(fits.subject.trait_index));
        curves.single = single
            .flat_map(|SubjectFits { subject, fits }| {
                let (first_age_d, last_age_d) = subject.age_span(study);
                fits.iter().map(move |fit| FittedCurve {
                    trait_index: subject.trait_index,
                    strain: subject.strain,
                    bird: subject.bird,
                    curve: &*fit.curve,
                    outcome: &fit.outcome,
                    first_age_d,
                    last_age_d,
                })
            })
            .collect();
        curves
    }

    fn all(&self) -> Vec<FittedCurve<'_>> {
        let modelled = self.modelled.iter().map(|one| FittedCurve {
            trait_index: one.trait_index,
            strain: one.strain,
            bird: one.bird,
            curve: &*one.curve,
            outcome: &one.outcome,
            first_age_d: one.span_d.0,
            last_age_d: one.span_d.1,
        });
        modelled.chain(self.single.iter().copied()).collect()
    }
}

/// The curves of a model's typical birds, where each is of one strain, and of its birds.
fn modelled(study: &Study, model: &TraitModel) -> Vec<Modelled> {
    let weak: Vec<Weakness> = match model.status() {
        "weak" => model.reasons().into_iter().map(weakness).collect(),
        _ => Vec::new(),
    };
    let outcome = |estimates: Estimates| match weak.as_slice() {
        [] => Outcome::Converged(estimates),
        weak => Outcome::Weak(estimates, weak.to_vec()),
    };
    let one = |strain, bird, estimates: Option<Estimates>, span_d: Option<(f64, f64)>| {
        Some(Modelled {
            trait_index: model.trait_index,
            strain,
            bird,
            curve: model.curve(),
            outcome: outcome(estimates?),
            span_d: span_d?,
        })
    };
    let groups = model.groups().iter().enumerate();
    let strains = groups
        .filter_map(|(at, group)| one(group.strain?, None, model.typical(at), model.age_span(at)));
    let records = &study.traits[model.trait_index];
    let birds = model.cohort().birds.iter().enumerate();
    let birds = birds.filter_map(|(subject, bird)| {
        let ages_d = records.of(*bird).0;
        let span_d = ages_d.first().copied().zip(ages_d.last().copied());
        let strain = study.birds[*bird].strain;
        one(strain, Some(*bird), model.bird(subject), span_d)
    });
    strains.chain(birds).collect()
}

fn weakness(reason: &str) -> Weakness {
    Weakness {
        term: None,
        reason: reason.to_owned(),
    }
}

/// First eggs before the first weighing.
fn early_eggs(study: &Study) -> Vec<EarlyEgg> {
    let early = study.onset.iter().filter_map(|record| {
        let egg_d = record.first_egg_d()?;
        let weighed = study.traits.iter();
        let firsts = weighed.filter_map(|t| t.of(record.bird).0.first().copied());
        let weighed_d = firsts.fold(f64::INFINITY, f64::min);
        (egg_d < weighed_d && weighed_d.is_finite()).then_some(EarlyEgg {
            bird: record.bird,
            egg_d,
            weighed_d,
        })
    });
    early.collect()
}

/// The last age at which a bird was seen, d.
fn last_seen(records: &LayRecords) -> f64 {
    let seen = records.birds.iter().map(|bird| bird.first_egg.range().0);
    seen.fold(0.0, f64::max)
}

/// The landmark request for, the study's light stimulation, or the day before the first
/// egg; never later than the age of the forecast.
fn landmark(study: &Study, known: &LayRecords, request: LayRequest<'_>) -> f64 {
    let earliest_egg = || {
        let laid = known.birds.iter().filter(|bird| bird.first_egg.happened());
        let first = laid
            .map(|bird| bird.first_egg.range().0)
            .fold(f64::INFINITY, f64::min);
        if first.is_finite() {
            (first.ceil() - 1.0).max(0.0)
        } else {
            last_seen(known)
        }
    };
    let named = study.settings.ages.get("light_stimulation").copied();
    let age_d = request.wanted.landmark_d.or(named);
    let age_d = age_d.unwrap_or_else(earliest_egg);
    request.as_of_d.map_or(age_d, |as_of_d| age_d.min(as_of_d))
}

/// The birds seen and not laying at the landmark, and how many are left out.
fn waiting_at(records: &LayRecords, age_d: f64) -> Result<(LayRecords, LeftOut)> {
    if !(age_d.is_finite() && age_d >= 0.0) {
        return Err(Error::call(format!(
            "--landmark {age_d}: expected an age in days of 0 or more"
        )));
    }
    let (kept, left_out) = records.after(age_d);
    if kept.birds.is_empty() {
        return Err(Error::call(format!(
            "--landmark {age_d}: found no bird seen and not laying at that age, expected some; \
             choose an earlier age"
        )));
    }
    Ok((kept, left_out))
}

/// Cues at the landmark, of curves fitted to what was weighed up to it.
fn cues_at(
    study: &Study,
    landmark_d: f64,
    records: &LayRecords,
    options: &Options,
) -> maturity::LandmarkCues {
    let known = study.as_of(landmark_d);
    let wanted = &options.growth.request;
    let request = Request {
        birds: wanted.population.is_none(),
        strains: false,
        ..wanted.clone()
    };
    let progress = &options.progress;
    progress.begin(
        "fitting to the landmark",
        study.traits.len() * study.birds.len(),
    );
    let trajectories = Trajectories::fit(&known, &request, &|done| progress.advance(done));
    progress.end();
    let curves = Curves::of(&known, &trajectories);
    maturity::landmark_cues(&known, &curves.all(), landmark_d, records)
}

/// Keeps the cues that are request for.
fn select(records: &mut LayRecords, wanted: &LayOptions, landmark_d: f64) -> Result<()> {
    if wanted.cues.is_empty() {
        return Ok(());
    }
    let names: Vec<&str> = records.cues.iter().map(|cue| &*cue.name).collect();
    let mut request = wanted.cues.iter();
    if let Some(unknown) = request.find(|name| !names.contains(&name.as_str())) {
        return Err(Error::call(format!(
            "--cues {unknown}: found no such cue at {landmark_d} d, expected some of {}; correct the name",
            names.join(", ")
        )));
    }
    records.cues.retain(|cue| wanted.cues.contains(&cue.name));
    Ok(())
}
