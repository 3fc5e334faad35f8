//! The tables of the fits of single birds, pooled strains and models of traits: terms and fits.
//!
//! Rows of the level `population` are those of the models: the strain is named for the typical
//! bird of a group, the bird for a bird's own curve, and neither for what holds for all.

use std::borrow::Cow;

use rayon::prelude::*;

use super::Columns;
use super::column::{Column, about, columns, unit_or_one};
use crate::fit::estimable::NotEstimable;
use crate::fit::interval::{self, Estimate};
use crate::fit::mixed::{MixedFit, RandomEffect, TermScale};
use crate::fit::{Estimates, Variance, transformed};
use crate::growth::{Curve, Derived};
use crate::report::Table;
use crate::report::table::Shelf;
use crate::stats::Interval;
use crate::study::Study;
use crate::trajectory::interval::{Intervals, Method};
use crate::trajectory::{
    CurveFit, Subject, SubjectFits, TraitModel, Trajectories, derived_quantities,
};

/// What the tables of the fits hold besides the curves' terms.
#[derive(Debug, Clone, Copy)]
pub struct FitTables<'a> {
    /// Confidence of the intervals.
    pub confidence: f64,
    /// Ages at which value and rate are requested, d.
    pub ages_d: &'a [f64],
    /// Masses whose age is requested, g.
    pub weights_g: &'a [f64],
    /// How the intervals of terms and derived quantities are found.
    pub method: Method,
    /// Those intervals, where standard errors do not give them.
    pub intervals: &'a Intervals,
}

/// Whose a row is.
#[derive(Debug, Clone, Copy)]
pub(super) struct Whose<'a> {
    pub(super) level: &'static str,
    pub(super) strain: &'a str,
    pub(super) bird: &'a str,
    pub(super) trait_name: &'a str,
}

impl<'a> Whose<'a> {
    pub(super) fn of(study: &'a Study, subject: Subject) -> Self {
        Self {
            level: subject.level.name(),
            strain: &study.strains[subject.strain],
            bird: subject.bird.map_or("", |bird| &study.birds[bird].name),
            trait_name: &study.traits[subject.trait_index].name,
        }
    }

    /// Of all birds of a model.
    pub(super) fn all(study: &'a Study, model: &TraitModel) -> Self {
        Self {
            level: "population",
            strain: "",
            bird: "",
            trait_name: &study.traits[model.trait_index].name,
        }
    }

    /// Of one bird of a model.
    pub(super) fn bird(study: &'a Study, model: &TraitModel, subject: usize) -> Self {
        let bird = &study.birds[model.cohort().birds[subject]];
        Self {
            strain: &study.strains[bird.strain],
            bird: &bird.name,
            ..Self::all(study, model)
        }
    }
}

/// Subjects whose rows one thread makes at a time.
const SUBJECTS_AT_ONCE: usize = 2048;

/// A table of the subjects' rows, made some at a time in parallel, then those of the models.
pub(super) fn with_models<'a, R>(
    columns: &Columns<'_, R>,
    trajectories: &'a Trajectories,
    expected: impl Fn(&[SubjectFits]) -> usize + Sync,
    of_subject: impl Fn(&'a SubjectFits, &mut dyn FnMut(R)) + Sync,
    of_model: impl Fn(&'a TraitModel, &mut dyn FnMut(R)),
) -> Table {
    let shelf = Shelf::default();
    let chunks = trajectories.subjects.par_chunks(SUBJECTS_AT_ONCE);
    let parts = chunks.map(|subjects| {
        columns.filled_on(&shelf, expected(subjects), |add| {
            subjects.iter().for_each(|subject| of_subject(subject, add));
        })
    });
    let mut parts: Vec<Table> = parts.collect();
    parts.push(columns.filled_on(&shelf, 0, |add| {
        trajectories
            .models
            .iter()
            .for_each(|model| of_model(model, add));
    }));
    Table::joined(parts).unwrap_or_else(|| columns.table([]))
}

/// A term or derived quantity of a fit.
struct TermRow<'a> {
    whose: Whose<'a>,
    curve: Cow<'a, str>,
    term: Cow<'a, str>,
    unit: Cow<'a, str>,
    estimate: Result<Estimate, NotEstimable>,
}

/// `curve_terms.csv`: terms and derived quantities with standard errors and intervals.
///
/// What the data do not determine has no number, and the reason in its place. A weak fit
/// has its rows too, with its status in `curve_fits.csv`; a failed one has none.
#[must_use]
pub fn curve_terms(study: &Study, trajectories: &Trajectories, wanted: &FitTables<'_>) -> Table {
    let derived: Vec<(Derived, Cow<'_, str>)> = derived_quantities(wanted.ages_d, wanted.weights_g)
        .into_iter()
        .map(|what| (what, what.name()))
        .collect();
    let derived = &derived;
    let interval = |row: &TermRow<'_>| row.estimate.as_ref().ok()?.interval;
    let columns = columns!("curve_terms", |row: TermRow<'_>| {
        level => row.whose.level,
        strain => row.whose.strain,
        bird => row.whose.bird,
        trait => row.whose.trait_name,
        curve => &*row.curve,
        term => &*row.term,
        estimate("see unit", "its estimate") => row.estimate.as_ref().ok().map(|one| one.value),
        std_error("see unit", "standard error of the estimate") => row.estimate.as_ref().ok().and_then(|one| one.standard_error),
        lower("see unit", "lower limit of the interval") => interval(row).map(|limits| limits.lower),
        upper("see unit", "upper limit of the interval") => interval(row).map(|limits| limits.upper),
        status => status(&row.estimate),
        reason => row.estimate.as_ref().err().map(ToString::to_string),
        limits("", "which limits there are: both, open below, open above, open (the data set none), or none (none could be computed)") => row.estimate.as_ref().ok().map(limits_word),
        unit("", "unit of the estimate, its standard error and limits; 1 for a pure number") => unit_or_one(&row.unit),
    });
    with_models(
        &columns,
        trajectories,
        |subjects| {
            let fits = subjects.iter().flat_map(|subject| &subject.fits);
            fits.map(|fit| fit.curve.terms().len() + derived.len())
                .sum()
        },
        |SubjectFits { subject, fits }, add| {
            for (at, CurveFit { curve, outcome }) in fits.iter().enumerate() {
                let Some(estimates) = outcome.estimates() else {
                    continue;
                };
                let own = |place| wanted.intervals.of(*subject, at, place);
                curve_rows(
                    (Whose::of(study, *subject), &**curve),
                    estimates,
                    (wanted, derived, &own),
                    add,
                );
                if let Some(ar1) = estimates.ar1 {
                    let level = wanted.confidence;
                    add(TermRow {
                        whose: Whose::of(study, *subject),
                        curve: curve.name().to_owned().into(),
                        term: "ar1".into(),
                        unit: "".into(),
                        estimate: Ok(transformed::share(ar1.value, ar1.standard_error, level)),
                    });
                }
            }
        },
        |model, add| model_terms(study, model, (wanted, derived), add),
    )
}

/// The quantities that follow from a curve's terms, and their names.
type DerivedNames<'a> = &'a [(Derived, Cow<'a, str>)];

/// Terms and derived quantities of one curve; intervals other than Wald's are those of `own`.
fn curve_rows<'a>(
    (whose, curve): (Whose<'a>, &dyn Curve),
    estimates: &Estimates,
    (wanted, derived, own): (
        &FitTables<'_>,
        DerivedNames<'a>,
        &dyn Fn(usize) -> Option<Interval>,
    ),
    add: &mut dyn FnMut(TermRow<'a>),
) {
    let level = wanted.confidence;
    let terms = curve.terms();
    let of_terms = terms.iter().enumerate().map(|(index, term)| {
        let estimate = interval::term(curve, estimates, index, level);
        (term.name.clone(), term.unit.clone(), estimate)
    });
    let of_derived = derived.iter().map(|(what, name)| {
        let estimate = interval::derived(curve, estimates, *what, level);
        (
            Cow::Owned(name.to_string()),
            Cow::Borrowed(what.unit()),
            estimate,
        )
    });
    for (place, (term, unit, estimate)) in of_terms.chain(of_derived).enumerate() {
        if estimate == Err(NotEstimable::Absent) {
            continue;
        }
        let interval = |estimate: &Estimate| match wanted.method {
            Method::Wald => estimate.interval,
            Method::Profile | Method::Bootstrap { .. } => own(place),
        };
        add(TermRow {
            whose,
            curve: curve.name().to_owned().into(),
            term,
            unit,
            estimate: estimate.map(|estimate| Estimate {
                interval: interval(&estimate),
                ..estimate
            }),
        });
    }
}

/// The typical birds of a model, its variances, and its birds.
fn model_terms<'a>(
    study: &'a Study,
    model: &'a TraitModel,
    (wanted, derived): (&FitTables<'_>, DerivedNames<'a>),
    add: &mut dyn FnMut(TermRow<'a>),
) {
    let level = wanted.confidence;
    let curve = &*model.curve();
    let name = || Cow::Owned(curve.name().to_owned());
    for (at, group) in model.groups().iter().enumerate() {
        let Some(estimates) = model.typical(at) else {
            continue;
        };
        let whose = Whose {
            strain: &group.name,
            ..Whose::all(study, model)
        };
        let own = |place| wanted.intervals.of_group((model.trait_index, at), place);
        curve_rows((whose, curve), &estimates, (wanted, derived, &own), add);
    }
    if let Some((fit, mixed)) = model
        .growth()
        .and_then(|fit| Some((fit, fit.outcome.fit()?)))
    {
        for (term, unit, estimate) in spreads(mixed, &*fit.curve, fit.options.variance, level) {
            add(TermRow {
                whose: Whose::all(study, model),
                curve: name(),
                term: term.into(),
                unit: unit.into(),
                estimate,
            });
        }
    }
    for subject in 0..model.cohort().birds.len() {
        let Some(estimates) = model.bird(subject) else {
            continue;
        };
        for (index, term) in curve.terms().iter().enumerate() {
            let estimate = if model.birds_differ_in(&term.name) {
                interval::term(curve, &estimates, index, level)
            } else {
                Err(NotEstimable::Undetermined(format!(
                    "birds were not found to differ in {}: that of their group stands for all",
                    term.name
                )))
            };
            add(TermRow {
                whose: Whose::bird(study, model, subject),
                curve: name(),
                term: term.name.clone(),
                unit: term.unit.clone(),
                estimate,
            });
        }
    }
}

/// Standard deviations and correlations of a mixed model: name, unit, estimate. On the log
/// scale a standard deviation is a share, and has no unit.
fn spreads(
    mixed: &MixedFit,
    curve: &dyn Curve,
    variance: Variance,
    level: f64,
) -> Vec<(String, String, Result<Estimate, NotEstimable>)> {
    let terms = curve.terms();
    let unit = |effects: &[RandomEffect], of: &dyn Fn(&str) -> String, name: &str| {
        let effect = effects.iter().find(|one| of(&terms[one.term].name) == name);
        match effect {
            Some(effect) if effect.scale == TermScale::Natural => {
                terms[effect.term].unit.to_string()
            }
            None if name == "sigma" && variance == Variance::Constant => "g".to_owned(),
            _ => String::new(),
        }
    };
    let of_birds = mixed
        .spread_terms(curve, level)
        .into_iter()
        .map(|(name, estimate)| {
            let unit = unit(&mixed.random, &|term| format!("sd({term})"), &name);
            (name, unit, estimate)
        });
    let of_pens = mixed
        .cluster_spread(curve, level)
        .into_iter()
        .map(|(name, estimate)| {
            let unit = unit(&mixed.cluster, &str::to_owned, &name);
            (format!("sd_pen({name})"), unit, estimate)
        });
    of_birds.chain(of_pens).collect()
}

/// Whether the data determine a quantity, in the column `status`.
pub(super) fn status<T>(estimate: &Result<T, NotEstimable>) -> &'static str {
    match estimate {
        Ok(_) => "supported",
        Err(_) => "not estimable",
    }
}

/// Which limits an estimate has: an open side is one on which the data set none, and one
/// without any has none that could be computed.
fn limits_word(estimate: &Estimate) -> &'static str {
    match estimate.interval {
        None => "none",
        Some(found) => match (found.lower.is_finite(), found.upper.is_finite()) {
            (true, true) => "both",
            (false, true) => "open below",
            (true, false) => "open above",
            (false, false) => "open",
        },
    }
}

/// How a fit ended.
struct FitRow<'a> {
    whose: Whose<'a>,
    curve: String,
    n: usize,
    status: &'static str,
    reason: String,
    rss: Option<f64>,
    sigma: Option<f64>,
    log_lik: Option<f64>,
    /// AIC, AICc, BIC.
    criteria: [Option<f64>; 3],
    iterations: Option<usize>,
    variance_power: Option<f64>,
    /// Of a mixed model.
    mixed: Option<(&'a crate::trajectory::PopulationFit, &'a MixedFit)>,
}

/// `curve_fits.csv`: how each fit ended, and of a mixed model how it was made and the
/// precision of its maximum.
#[must_use]
pub fn curve_fits(study: &Study, trajectories: &Trajectories) -> Table {
    let columns = columns!("curve_fits", |row: FitRow<'_>| {
        level => row.whose.level,
        strain => row.whose.strain,
        bird => row.whose.bird,
        trait => row.whose.trait_name,
        curve => &*row.curve,
        n("1", "observations") => row.n,
        fit_status => row.status,
        fit_reason => &*row.reason,
        rss("1", "residual sum of squares, g^2; weighted where the variance is not constant") => row.rss,
        sigma("1", "residual standard deviation: g where it is constant, else relative") => row.sigma,
        log_lik("1", "Gaussian log-likelihood at the maximum-likelihood variance; restricted for a mixed model by reml") => row.log_lik,
        aic => row.criteria[0],
        aicc => row.criteria[1],
        bic => row.criteria[2],
        iterations("1", "steps of the fit") => row.iterations,
        variance_power("1", "power of the mean with which the standard deviation grows") => row.variance_power,
        estimator("", "of a mixed model, how the likelihood is worked out: alternating, laplace or quadrature") => row.mixed.map(|(_, mixed)| super::models::estimator(mixed.estimator)),
        criterion("", "of a mixed model, what is maximised: ml (likelihood) or reml (restricted likelihood)") => row.mixed.map(|(fit, _)| super::models::criterion(fit.options.criterion)),
        covariance("", "of a mixed model, covariance of the random effects: diagonal or full") => row.mixed.map(|(fit, _)| super::models::covariance(fit.options.covariance)),
        birds("1", "of a mixed model, birds in it") => row.mixed.map(|(fit, _)| fit.cohort.birds.len()),
        groups("1", "of a mixed model, groups of birds (strains, or strains by treatment or pen) in it") => row.mixed.map(|(fit, _)| fit.cohort.groups.len()),
        parameters("1", "of a mixed model, parameters estimated") => row.mixed.map(|(_, mixed)| mixed.parameters),
        gradient("1", "of a mixed model, distance to the maximum, in standard errors") => row.mixed.map(|(_, mixed)| mixed.certificate.gradient),
        least_eigenvalue("1", "of a mixed model, least eigenvalue of the information scaled to unit diagonal: positive at a true maximum, near 0 where something is not identified") => row.mixed.map(|(_, mixed)| mixed.certificate.least_eigenvalue),
    });
    with_models(
        &columns,
        trajectories,
        |_| 0,
        |SubjectFits { subject, fits }, add| {
            for CurveFit { curve, outcome } in fits {
                let estimates = outcome.estimates();
                add(FitRow {
                    whose: Whose::of(study, *subject),
                    curve: curve.name().to_owned(),
                    n: outcome.n(),
                    status: outcome.status(),
                    reason: outcome.reason(),
                    rss: estimates.map(|fit| fit.rss),
                    sigma: estimates.map(|fit| fit.sigma),
                    log_lik: estimates.map(|fit| fit.log_lik),
                    criteria: [
                        estimates.map(Estimates::aic),
                        estimates.and_then(Estimates::aicc),
                        estimates.map(Estimates::bic),
                    ],
                    iterations: estimates.map(|fit| fit.iterations),
                    variance_power: estimates.map(|fit| fit.variance_power),
                    mixed: None,
                });
            }
        },
        |model, add| add(model_fit(study, model)),
    )
}

fn model_fit<'a>(study: &'a Study, model: &'a TraitModel) -> FitRow<'a> {
    let mut row = FitRow {
        whose: Whose::all(study, model),
        curve: model.curve().name().to_owned(),
        n: model.cohort().records(),
        status: model.status(),
        reason: model.reasons().join("; "),
        rss: None,
        sigma: None,
        log_lik: None,
        criteria: [None; 3],
        iterations: None,
        variance_power: None,
        mixed: None,
    };
    if let Some(fit) = model.allometry() {
        row.n = fit.n;
        row.reason = String::new();
        row.sigma = Some(fit.residual_sd.value);
        row.log_lik = Some(fit.log_lik);
    }
    if let Some(fit) = model.growth() {
        row.n = fit.n();
        row.status = fit.outcome.status();
        row.reason = fit.outcome.reasons().join("; ");
        if let Some(mixed) = fit.outcome.fit() {
            // In the residuals' own units, each over its spread at a fitted value of 1.
            let residuals = fit.residuals().into_iter();
            let squares: f64 = residuals.map(|one| one.standardised.powi(2)).sum();
            row.rss = Some(squares * mixed.sigma * mixed.sigma);
            row.sigma = Some(mixed.sigma);
            row.log_lik = Some(mixed.log_lik);
            row.criteria = [mixed.aic(), mixed.aicc(), mixed.bic()].map(Some);
            row.iterations = Some(mixed.certificate.iterations);
            row.variance_power = Some(mixed.variance_power());
            row.mixed = Some((fit, mixed));
        }
    }
    row
}
