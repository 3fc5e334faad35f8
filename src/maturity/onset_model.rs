//! How do a bird's cues go with its age at first egg, and which cue predicts it best?
//!
//! Accelerated failure time models (Weibull, log-normal, log-logistic) and proportional
//! hazards, each with all cues together, with each cue alone and with none; where there
//! are several strains, each has a term, so that a cue stands for what goes with lay
//! *within* strains. All models rest on the same birds: those with every cue.
//!
//! Start reading at [`onset_models`]; one model's fit is [`OnsetFamily::fit`]; how it predicts
//! birds that it has not seen is `onset_check.rs`, the birds are `onset_subjects.rs`.

use rayon::prelude::*;

use super::cue_error::{self, Reliability};
use super::lay::{LayRecords, within_strain_sd};
use super::onset_check::{self, CrossValidated, Gain};
use super::onset_subjects::Subjects;
use crate::stats::concordance::order_agreement;
use crate::stats::distribution::normal_quantile;
use crate::stats::linear::Design;
use crate::stats::parametric_survival::{AcceleratedFit, Family, accelerated_failure};
use crate::stats::proportional_hazards::{HazardFit, Ties, proportional_hazards};
use crate::stats::resample::{Replicates, bootstrap};
use crate::stats::time_to_event::EventTime;
use crate::stats::{Failure, Interval, mean};

/// Draws of the bootstrap behind standard errors with calibrated cues.
const REPLICATES: usize = 200;

/// OnsetFamily of the age at first egg.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OnsetFamily {
    /// Accelerated failure time, Weibull.
    Weibull,
    /// Accelerated failure time, log-normal.
    LogNormal,
    /// Accelerated failure time, log-logistic.
    LogLogistic,
    /// Proportional hazards, the hazard left open; ties by Efron.
    ProportionalHazards,
}

/// Which cues a model holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CueSet {
    /// All of them together.
    All,
    /// One alone, by its place in [`LayRecords::cues`].
    One(usize),
    /// None: the strains alone.
    None,
}

/// Options of the models.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OnsetOptions {
    /// Confidence of the intervals.
    pub confidence: f64,
    /// What is done about the cues' own error.
    pub cue_error: CueError,
    /// Seed of the bootstrap.
    pub seed: u64,
}

/// What is done about the cues' own error.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum CueError {
    /// Nothing: cues as they stand. Their error draws slopes towards zero.
    #[default]
    AsMeasured,
    /// Regression calibration: each cue replaced by its best linear prediction.
    Calibrated,
}

/// All models of one set of birds.
#[derive(Debug, Clone)]
pub struct OnsetModels {
    /// Models: all cues together first, then each alone, then none; each by every law.
    pub models: Vec<OnsetModel>,
    /// Birds that lack a cue and are in no model.
    pub without_cue: usize,
    /// The age from which times are counted, d ([`LayRecords::counted_from_d`]).
    pub counted_from_d: f64,
    /// How reliable each cue is.
    pub reliabilities: Vec<Reliability>,
    /// How the cues' measurement error was treated, or why it was not.
    pub cue_error: CueError,
}

/// One model.
#[derive(Debug, Clone)]
pub struct OnsetModel {
    /// Its name in the tables: the law's, with `:CUE` for one cue and `:none` for none.
    pub name: String,
    /// OnsetFamily.
    pub law: OnsetFamily,
    /// Which cues it holds.
    pub set: CueSet,
    /// Names of those cues.
    pub cues: Vec<String>,
    /// Birds.
    pub n: usize,
    /// Birds known to have laid.
    pub events: usize,
    /// Its numbers, or why there are none.
    pub result: Result<OnsetEstimates, String>,
    /// Why its numbers are not to be relied upon; empty where nothing speaks against them.
    pub weakness: String,
    /// How it predicts birds that it was not fitted to.
    pub cross_validated: Option<CrossValidated>,
}

/// The numbers of a model.
#[derive(Debug, Clone)]
pub struct OnsetEstimates {
    /// Terms: intercept, strains against the first, cues, `log_scale`.
    pub terms: Vec<OnsetTerm>,
    /// Log-likelihood; of proportional hazards, the partial one.
    pub log_lik: f64,
    /// Akaike's criterion; comparable between accelerated failure time models, or
    /// between proportional hazards models.
    pub aic: f64,
    /// Share of comparable pairs of birds in the right order.
    pub concordance: Option<f64>,
}

/// A term: on ln age (accelerated failure time) or on the ln hazard.
#[derive(Debug, Clone, PartialEq)]
pub struct OnsetTerm {
    /// Name.
    pub name: String,
    /// Estimate.
    pub estimate: f64,
    /// Standard error.
    pub std_error: f64,
    /// Normal interval.
    pub interval: Interval,
    /// By how many days the median first egg moves for one standard deviation (within
    /// strains) more of the cue; none for other terms, for proportional hazards, and where it
    /// would double or halve.
    pub days_per_sd: Option<f64>,
}

/// A fitted law.
#[derive(Debug, Clone)]
pub(super) enum FittedFamily {
    Accelerated(AcceleratedFit),
    Hazards(HazardFit),
}

/// Fits every law to every set of cues.
///
/// Never an error: a model without an answer has the reason in its row.
///
/// # Source
/// Laws: Kalbfleisch & Prentice 1980 and Cox 1972, as in R's `survreg` and `coxph`.
#[must_use]
pub fn onset_models(records: &LayRecords, options: &OnsetOptions) -> OnsetModels {
    let (rows, without_cue) = records.complete();
    let reliabilities = cue_error::reliabilities(records, &rows);
    let subjects = Subjects::of(records, rows);
    let mut sets = vec![CueSet::All];
    if records.cues.len() > 1 {
        sets.extend((0..records.cues.len()).map(CueSet::One));
    }
    if !records.cues.is_empty() {
        sets.push(CueSet::None);
    }
    let wanted: Vec<(OnsetFamily, CueSet)> = sets
        .iter()
        .flat_map(|set| OnsetFamily::ALL.map(|law| (law, *set)))
        // Proportional hazards without any term has nothing to estimate.
        .filter(|(law, set)| law.family().is_some() || subjects.columns(*set) > 0)
        .collect();
    let models = wanted
        .into_par_iter()
        .map(|(law, set)| match options.cue_error {
            CueError::AsMeasured => model(&subjects, law, set, options.confidence),
            CueError::Calibrated => calibrated_model(records, &subjects, law, set, options),
        });
    let mut models: Vec<(OnsetModel, LeftOutErrors)> = models.collect();
    let without: Vec<(OnsetFamily, LeftOutErrors)> = models
        .iter()
        .filter(|(model, _)| model.set == CueSet::None)
        .filter(|(model, _)| {
            !model
                .cross_validated
                .is_some_and(|checked| checked.is_beyond())
        })
        .map(|(model, errors)| (model.law, errors.clone()))
        .collect();
    for (model, errors) in &mut models {
        let base = without.iter().find(|(law, _)| *law == model.law);
        if let (Some(checked), Some((_, base))) = (&mut model.cross_validated, base)
            && model.set != CueSet::None
        {
            // Beyond all ages recorded errors and their differences are not interpretable.
            checked.gain = Gain::of(base, errors).filter(|_| !checked.is_beyond());
        }
    }
    OnsetModels {
        models: models.into_iter().map(|(model, _)| model).collect(),
        without_cue,
        counted_from_d: records.counted_from_d,
        reliabilities,
        cue_error: options.cue_error,
    }
}

/// The model with its cues calibrated; as measured, and weak for it, where they cannot be.
fn calibrated_model(
    records: &LayRecords,
    subjects: &Subjects,
    law: OnsetFamily,
    set: CueSet,
    options: &OnsetOptions,
) -> (OnsetModel, LeftOutErrors) {
    if subjects.cue_places(set).is_empty() {
        return model(subjects, law, set, options.confidence);
    }
    match subjects.calibrated(records, set) {
        Ok(calibrated) => {
            let (mut model, errors) = model(&calibrated, law, set, options.confidence);
            with_bootstrap_errors(&mut model, records, subjects, options);
            (model, errors)
        }
        Err(reason) => {
            let (mut model, errors) = model(subjects, law, set, options.confidence);
            let reason = format!("cues as measured, not calibrated: {reason}");
            model.weakness = joined(&model.weakness, &reason);
            (model, errors)
        }
    }
}

fn model(
    subjects: &Subjects,
    law: OnsetFamily,
    set: CueSet,
    confidence: f64,
) -> (OnsetModel, LeftOutErrors) {
    let everyone: Vec<usize> = (0..subjects.times.len()).collect();
    let result = law.fit(subjects, set, &everyone);
    let events = subjects.times.iter().filter(|t| t.happened()).count();
    let checked = match &result {
        Ok(_) => onset_check::cross_validate(subjects, law, set),
        Err(_) => None,
    };
    let (cross_validated, errors) = checked.unzip();
    let mut weakness = subjects.weakness(set);
    if cross_validated.is_some_and(|checked| checked.is_beyond()) {
        weakness = joined(
            &weakness,
            "birds left out are predicted beyond all ages recorded",
        );
    }
    let model = OnsetModel {
        name: subjects.model_name(law, set),
        law,
        set,
        cues: subjects.names_of(set),
        n: subjects.times.len(),
        events,
        result: result
            .map(|fit| OnsetEstimates::of(&fit, subjects, set, confidence))
            .map_err(|failure| failure.to_string()),
        weakness,
        cross_validated,
    };
    (model, errors.unwrap_or_default())
}

/// Each subject's predicted median minus its first egg, d, when left out of the fit.
type LeftOutErrors = Vec<Option<f64>>;

impl OnsetFamily {
    /// All of them.
    pub const ALL: [Self; 4] = [
        Self::Weibull,
        Self::LogNormal,
        Self::LogLogistic,
        Self::ProportionalHazards,
    ];

    /// Name in the tables.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Weibull => "weibull",
            Self::LogNormal => "lognormal",
            Self::LogLogistic => "loglogistic",
            Self::ProportionalHazards => "proportional_hazards",
        }
    }

    /// The law of ln time; none for proportional hazards.
    #[must_use]
    pub fn family(self) -> Option<Family> {
        match self {
            Self::Weibull => Some(Family::Weibull),
            Self::LogNormal => Some(Family::LogNormal),
            Self::LogLogistic => Some(Family::LogLogistic),
            Self::ProportionalHazards => None,
        }
    }

    /// Fits the law to some of the birds.
    pub(super) fn fit(
        self,
        subjects: &Subjects,
        set: CueSet,
        members: &[usize],
    ) -> Result<FittedFamily, Failure> {
        let times: Vec<EventTime> = members.iter().map(|i| subjects.times[*i]).collect();
        let columns = subjects.design_columns(set, members);
        match self.family() {
            Some(family) => {
                let design = Design::with_intercept(members.len(), columns)?;
                let fit = accelerated_failure(&design, &times, family)?;
                Ok(FittedFamily::Accelerated(fit))
            }
            None => {
                let fit = proportional_hazards(&Design::new(columns)?, &times, Ties::Efron)?;
                Ok(FittedFamily::Hazards(fit))
            }
        }
    }
}

impl FittedFamily {
    /// Greater for a later first egg.
    pub(super) fn score(&self, row: &[f64]) -> Result<f64, Failure> {
        match self {
            Self::Accelerated(fit) => fit.linear_predictor(&with_intercept(row)),
            Self::Hazards(fit) => fit.log_hazard_ratio(row).map(|ratio| -ratio),
        }
    }

    /// Median time; the last event's where the curve does not fall to one half.
    pub(super) fn median(&self, row: &[f64]) -> Result<f64, Failure> {
        match self {
            Self::Accelerated(fit) => {
                let estimate = fit.quantile(&with_intercept(row), 0.5, 0.95)?;
                Ok(estimate.time)
            }
            Self::Hazards(fit) => {
                let last = fit.baseline.last().map_or(0.0, |(time, _)| *time);
                Ok(fit.quantile(row, 0.5)?.unwrap_or(last))
            }
        }
    }

    /// Probability of a first egg by a time.
    pub(super) fn laid_by(&self, row: &[f64], time: f64) -> Result<f64, Failure> {
        match self {
            Self::Accelerated(fit) => Ok(1.0 - fit.survival(&with_intercept(row), time)?),
            Self::Hazards(fit) => {
                let steps = fit.baseline.iter().take_while(|(at, _)| *at <= time);
                let hazard = steps.last().map_or(0.0, |(_, hazard)| *hazard);
                Ok(-(-hazard * fit.log_hazard_ratio(row)?.exp()).exp_m1())
            }
        }
    }

    fn coefficients(&self) -> (&[String], &[f64], Vec<f64>) {
        match self {
            Self::Accelerated(fit) => (&fit.names, &fit.coefficients, fit.standard_errors()),
            Self::Hazards(fit) => (&fit.names, &fit.coefficients, fit.standard_errors()),
        }
    }

    /// Estimates in the order of the terms' rows: coefficients, then ln sigma.
    fn all_estimates(&self) -> Vec<f64> {
        let mut all = self.coefficients().1.to_vec();
        if let Self::Accelerated(fit) = self {
            all.push(fit.scale.ln());
        }
        all
    }
}

pub(super) fn with_intercept(row: &[f64]) -> Vec<f64> {
    let mut whole = Vec::with_capacity(row.len() + 1);
    whole.push(1.0);
    whole.extend_from_slice(row);
    whole
}

impl OnsetEstimates {
    fn of(fit: &FittedFamily, subjects: &Subjects, set: CueSet, confidence: f64) -> Self {
        let z = normal_quantile(0.5 + 0.5 * confidence);
        let (names, coefficients, errors) = fit.coefficients();
        let days_per_sd = |name: &str, estimate: f64| {
            let cue = subjects.cue_names.iter().position(|cue| cue == name)?;
            let sd = within_strain_sd(&subjects.cues[cue], &subjects.strain_of)?;
            let everyone: Vec<usize> = (0..subjects.times.len()).collect();
            let centre: Vec<f64> = subjects
                .design_columns(set, &everyone)
                .iter()
                .map(|(_, values)| mean(values))
                .collect();
            let FittedFamily::Accelerated(_) = fit else {
                return None;
            };
            let shift = estimate * sd;
            (shift.abs() < std::f64::consts::LN_2)
                .then(|| Some(fit.median(&centre).ok()? * shift.exp_m1()))?
        };
        let mut terms: Vec<OnsetTerm> = names
            .iter()
            .zip(coefficients)
            .zip(errors)
            .map(|((name, estimate), std_error)| OnsetTerm {
                name: name.clone(),
                estimate: *estimate,
                std_error,
                interval: Interval::around(*estimate, z * std_error),
                days_per_sd: days_per_sd(name, *estimate),
            })
            .collect();
        let (log_lik, aic) = match fit {
            FittedFamily::Accelerated(fit) => {
                if let Some(std_error) = fit.log_scale_standard_error() {
                    terms.push(OnsetTerm {
                        name: "log_scale".to_owned(),
                        estimate: fit.scale.ln(),
                        std_error,
                        interval: Interval::around(fit.scale.ln(), z * std_error),
                        days_per_sd: None,
                    });
                }
                (fit.log_lik, fit.aic())
            }
            FittedFamily::Hazards(fit) => (fit.log_lik, fit.aic()),
        };
        let scores: Result<Vec<f64>, Failure> = (0..subjects.times.len())
            .map(|bird| fit.score(&subjects.row(set, bird)))
            .collect();
        let concordance = scores.ok().filter(|_| subjects.columns(set) > 0);
        let concordance = concordance.and_then(|scores| {
            let times = onset_check::ordered_times(&subjects.times);
            Some(order_agreement(&times, &scores).ok()?.concordance)
        });
        Self {
            terms,
            log_lik,
            aic,
            concordance,
        }
    }
}

/// Standard errors that include the error of the calibration: birds are resampled,
/// their cues recalibrated, and the model refitted.
///
/// # Source
/// Carroll RJ, Ruppert D, Stefanski LA, Crainiceanu CM 2006, Measurement Error in
/// Nonlinear Models, 2nd ed., ch. 4 (bootstrap of regression calibration; from memory).
fn with_bootstrap_errors(
    model: &mut OnsetModel,
    records: &LayRecords,
    subjects: &Subjects,
    options: &OnsetOptions,
) {
    let Ok(estimates) = &mut model.result else {
        return;
    };
    let everyone: Vec<usize> = (0..subjects.times.len()).collect();
    let once = |drawn: &[usize]| {
        let rows: Vec<usize> = drawn.iter().map(|i| subjects.rows[*i]).collect();
        let again = Subjects::of(records, rows);
        let again = again.calibrated(records, model.set).ok()?;
        // A draw without one of the strains has other terms.
        (again.strain_terms == subjects.strain_terms).then_some(())?;
        let fit = model.law.fit(&again, model.set, &everyone).ok()?;
        Some(fit.all_estimates())
    };
    let replicates = bootstrap(everyone.len(), REPLICATES, options.seed, once);
    let Some(replicates) = replicates.ok().filter(enough) else {
        model.weakness = joined(
            &model.weakness,
            "too few bootstrap draws had an answer: standard errors leave out that of the calibration",
        );
        return;
    };
    let z = normal_quantile(0.5 + 0.5 * options.confidence);
    for (k, term) in estimates.terms.iter_mut().enumerate() {
        let draws = replicates.of(k);
        let squares = crate::stats::squares_about_mean(&draws);
        term.std_error = (squares / (draws.len() as f64 - 1.0)).sqrt();
        term.interval = Interval::around(term.estimate, z * term.std_error);
    }
}

fn enough(replicates: &Replicates) -> bool {
    replicates.values.len() >= REPLICATES / 2
}

fn joined(first: &str, second: &str) -> String {
    if first.is_empty() {
        second.to_owned()
    } else {
        format!("{first}; {second}")
    }
}
