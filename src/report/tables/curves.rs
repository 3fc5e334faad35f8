//! The tables along age: fitted curves with their bands, and residuals.

use std::borrow::Cow;

use super::Columns;
use super::column::{Column, about, columns};
use super::fits::{Whose, with_models};
use crate::fit::estimable::Fitted;
use crate::fit::interval::{self, Estimate, SamplingDistribution};
use crate::fit::{Estimates, diagnostics};
use crate::growth::{Curve, Derived};
use crate::report::Table;
use crate::stats::Interval;
use crate::study::Study;
use crate::trajectory::{
    CurveFit, Level, Limits, Pooled, Subject, SubjectFits, TraitModel, Trajectories, days_between,
};

/// One age of a curve.
struct CurveRow<'a> {
    whose: Whose<'a>,
    curve: Cow<'a, str>,
    age_d: f64,
    value: Estimate,
    simultaneous: Option<Interval>,
    rate: Option<Estimate>,
    new_bird: Limits,
}

/// `curves.csv`: fitted curves with their bands and rate of gain: a group's for every day
/// between its first and last weighing, a bird's at its weighings.
#[must_use]
pub fn curves(study: &Study, trajectories: &Trajectories, confidence: f64) -> Table {
    let columns = columns!("curves", |row: CurveRow<'_>| {
        level => row.whose.level,
        strain => row.whose.strain,
        bird => row.whose.bird,
        trait => row.whose.trait_name,
        curve => &*row.curve,
        age_d => row.age_d,
        fitted("g", "value of the curve at that age") => row.value.value,
        lower("g", "lower limit of the curve at this age alone") => row.value.interval.map(|limits| limits.lower),
        upper("g", "upper limit of the curve at this age alone") => row.value.interval.map(|limits| limits.upper),
        simultaneous_lower("g", "lower limit of the band that is simultaneous over all these ages (tube formula)") => row.simultaneous.map(|limits| limits.lower),
        simultaneous_upper("g", "upper limit of the band that is simultaneous over all these ages (tube formula)") => row.simultaneous.map(|limits| limits.upper),
        rate("g/d", "growth rate at that age") => row.rate.map(|rate| rate.value),
        rate_lower("g/d", "lower limit of the rate") => row.rate.and_then(|rate| Some(rate.interval?.lower)),
        rate_upper("g/d", "upper limit of the rate") => row.rate.and_then(|rate| Some(rate.interval?.upper)),
        prediction_lower("g", "lower limit of a new bird's value at that age; of groups only") => row.new_bird.map(|limits| limits.0),
        prediction_upper("g", "upper limit of a new bird's value at that age; of groups only") => row.new_bird.map(|limits| limits.1),
    });
    with_models(
        &columns,
        trajectories,
        |subjects| {
            observations(
                subjects
                    .iter()
                    .filter(|fits| fits.subject.level == Level::Bird),
            )
        },
        |SubjectFits { subject, fits }, add| {
            let ages_d = curve_ages_d(study, *subject);
            let whose = Whose::of(study, *subject);
            let new_bird = match subject.level {
                Level::Strain => NewBird::Residuals,
                Level::Bird => NewBird::None,
            };
            for CurveFit { curve, outcome } in fits {
                if let Some(estimates) = outcome.estimates() {
                    let name = curve.name().into();
                    let curve = (&**curve, estimates);
                    curve_rows((whose, name), curve, (&ages_d, confidence), new_bird, add);
                }
            }
        },
        |model, add| model_curves(study, model, confidence, add),
    )
}

fn model_curves<'a>(
    study: &'a Study,
    model: &'a TraitModel,
    confidence: f64,
    add: &mut dyn FnMut(CurveRow<'a>),
) {
    let curve = &*model.curve();
    let name = || Cow::Owned(curve.name().to_owned());
    let limits = model.growth().and_then(|fit| fit.new_bird(confidence));
    for (at, group) in model.groups().iter().enumerate() {
        let (Some(estimates), Some((first_d, last_d))) = (model.typical(at), model.age_span(at))
        else {
            continue;
        };
        let whose = Whose {
            strain: &group.name,
            ..Whose::all(study, model)
        };
        let ages_d = days_between(first_d, last_d);
        // A new bird differs by its random effects as well as by its residuals.
        let limits = limits.as_ref().map(|limits| limits(at, &ages_d));
        let new_bird = limits.as_deref().map_or(NewBird::None, NewBird::Limits);
        curve_rows(
            (whose, name()),
            (curve, &estimates),
            (&ages_d, confidence),
            new_bird,
            add,
        );
    }
    for subject in 0..model.cohort().birds.len() {
        let Some(estimates) = model.bird(subject) else {
            continue;
        };
        let mut ages_d = model.cohort().ages_of(subject).to_vec();
        ages_d.dedup();
        let whose = Whose::bird(study, model, subject);
        curve_rows(
            (whose, name()),
            (curve, &estimates),
            (&ages_d, confidence),
            NewBird::None,
            add,
        );
    }
}

/// Where a new bird's values are to be expected.
#[derive(Clone, Copy)]
enum NewBird<'a> {
    /// The curve is one bird's own.
    None,
    /// About one curve through all birds, by its residuals.
    Residuals,
    /// Between these limits, one pair an age.
    Limits(&'a [Limits]),
}

/// The rows of one curve.
fn curve_rows<'a>(
    (whose, name): (Whose<'a>, Cow<'a, str>),
    (curve, estimates): (&dyn Curve, &Estimates),
    (ages_d, level): (&[f64], f64),
    new_bird: NewBird<'_>,
    add: &mut dyn FnMut(CurveRow<'a>),
) {
    let law = SamplingDistribution::of(estimates);
    let fitted = Fitted::of(curve, estimates);
    let factor = law.pointwise_factor(level);
    let all = law.band_factor(curve, ages_d, level);
    let values = law.values(curve, ages_d, level);
    let rates = law.rates(curve, ages_d, level);
    for (at, age_d) in ages_d.iter().enumerate() {
        let (value, rate) = (values[at], rates[at]);
        let supported = fitted.supports(Derived::RateAt(*age_d), &rate).is_ok();
        add(CurveRow {
            whose,
            curve: name.clone(),
            age_d: *age_d,
            value,
            simultaneous: value.at_factor(all).interval,
            rate: supported.then_some(rate),
            new_bird: match new_bird {
                NewBird::None => None,
                NewBird::Residuals => interval::prediction(estimates, value, factor)
                    .interval
                    .map(|limits| (limits.lower, limits.upper)),
                NewBird::Limits(limits) => limits[at],
            },
        });
    }
}

/// Rows of a table that has one for each observation of each fit.
fn observations<'a>(subjects: impl Iterator<Item = &'a SubjectFits>) -> usize {
    let fits = subjects.flat_map(|subject| &subject.fits);
    fits.map(|fit| fit.outcome.n()).sum()
}

/// Ages at which a subject's curve is reported.
pub(in crate::report) fn curve_ages_d(study: &Study, subject: Subject) -> Vec<f64> {
    match subject.bird {
        Some(bird) => {
            let mut ages_d = study.traits[subject.trait_index].of(bird).0.to_vec();
            ages_d.dedup();
            ages_d
        }
        None => {
            let (first_d, last_d) = subject.age_span(study);
            days_between(first_d, last_d)
        }
    }
}

/// An observation beside a curve.
struct ResidualRow<'a> {
    whose: Whose<'a>,
    curve: &'a str,
    residual: diagnostics::Residual,
    marginal: Option<Marginal>,
}

/// An observation beside the typical curve of its bird's group.
struct Marginal {
    fitted: f64,
    residual: f64,
    standardised: Option<f64>,
    normalised: Option<f64>,
}

/// `residuals.csv`: every observation beside every curve; the columns of the typical curve
/// are there where a model was fitted.
///
/// At strain level the bird is the one that was observed.
#[must_use]
pub fn residuals(study: &Study, trajectories: &Trajectories) -> Table {
    let mut columns = columns!("residuals", |row: ResidualRow<'_>| {
        level => row.whose.level,
        strain => row.whose.strain,
        bird => row.whose.bird,
        trait => row.whose.trait_name,
        curve => row.curve,
        age_d => row.residual.age_d,
        observed("g", "what was weighed") => row.residual.value,
        fitted("g", "value of the curve at that age; at level population that of the bird's own curve") => row.residual.fitted,
        residual("g", "observed minus fitted") => row.residual.residual,
        standardised("1", "residual over its standard deviation under the fit") => row.residual.standardised,
    });
    if !trajectories.models.is_empty() {
        columns = columns!(columns, |row| {
            marginal_fitted("g", "value of the typical curve of the bird's group") => row.marginal.as_ref().map(|one| one.fitted),
            marginal_residual("g", "observed minus the typical curve of the bird's group; it includes the bird's own deviation") => row.marginal.as_ref().map(|one| one.residual),
            marginal_standardised("1", "marginal residual over its standard deviation, that between birds included") => row.marginal.as_ref().and_then(|one| one.standardised),
            normalised("1", "standardised residual, decorrelated from the observation before") => row.marginal.as_ref().and_then(|one| one.normalised),
        });
    }
    with_models(
        &columns,
        trajectories,
        |subjects| observations(subjects.iter()),
        |SubjectFits { subject, fits }, add| {
            let records = &study.traits[subject.trait_index];
            let pooled = match subject.level {
                Level::Strain => Pooled::of(study, records, subject.strain),
                Level::Bird => Pooled::of_bird(records, subject.bird.unwrap_or_default()),
            };
            for CurveFit { curve, outcome } in fits {
                let Some(estimates) = outcome.estimates() else {
                    continue;
                };
                let rows = diagnostics::residuals(&**curve, pooled.series(), estimates);
                for (residual, bird) in rows.zip(&pooled.birds) {
                    let bird = Some(*bird);
                    add(ResidualRow {
                        whose: Whose::of(study, Subject { bird, ..*subject }),
                        curve: curve.name(),
                        residual,
                        marginal: None,
                    });
                }
            }
        },
        |model, add| {
            let Some(fit) = model.growth().filter(|fit| fit.outcome.fit().is_some()) else {
                return;
            };
            for one in fit.residuals() {
                add(ResidualRow {
                    whose: Whose::bird(study, model, one.subject),
                    curve: fit.curve.name(),
                    residual: diagnostics::Residual {
                        age_d: one.age_d,
                        value: one.value,
                        fitted: one.fitted,
                        residual: one.conditional(),
                        standardised: one.standardised,
                    },
                    marginal: Some(Marginal {
                        fitted: one.marginal_fitted,
                        residual: one.marginal(),
                        standardised: one.marginal_standardised.into(),
                        normalised: one.normalised.into(),
                    }),
                });
            }
        },
    )
}
