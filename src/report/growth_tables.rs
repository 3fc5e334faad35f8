//! The tables of the fits: terms, fits, choice of curve, curves with bands, residuals.

use rayon::prelude::*;

use crate::fit::interval::{self, Estimate, Law};
use crate::fit::{Estimates, diagnostics};
use crate::growth::{Curve, Derived};
use crate::report::Table;
use crate::report::table::Row;
use crate::study::Study;
use crate::trajectory::evidence::{Evidence, evidence};
use crate::trajectory::interval::{Intervals, Method, Validated, Validation};
use crate::trajectory::{
    CurveFit, Level, Pooled, Subject, SubjectFits, Trajectories, days_between, derived_quantities,
};

/// What the tables hold beside the curves' terms.
#[derive(Debug, Clone)]
pub struct Wanted {
    /// Confidence of the intervals.
    pub confidence: f64,
    /// Ages at which value and rate are wanted, d.
    pub ages_d: Vec<f64>,
    /// Masses whose age is wanted, g.
    pub weights_g: Vec<f64>,
    /// How the intervals of terms and derived quantities are found.
    pub method: Method,
    /// Those intervals, where standard errors do not give them.
    pub intervals: Intervals,
    /// Cross-validation of the strains' curves, where it was asked.
    pub validation: Validation,
    /// Seed of the simulated bands.
    pub seed: u64,
}

impl Wanted {
    /// The derived quantities of the terms table, in its order.
    fn derived(&self) -> Vec<Derived> {
        derived_quantities(&self.ages_d, &self.weights_g)
    }
}

/// How the rows of some subjects are made.
type Make = fn(&Study, &[SubjectFits], &Wanted) -> Table;

/// Subjects whose rows one thread makes at a time.
const SUBJECTS_AT_ONCE: usize = 2048;

/// All tables of the fits, in the order in which a reader wants them.
#[must_use]
pub fn growth_tables(study: &Study, trajectories: &Trajectories, wanted: &Wanted) -> Vec<Table> {
    let tables: [Make; 5] = [curve_terms, curve_fits, curve_choice, curves, residuals];
    let tables = tables.map(|make| {
        let parts = trajectories
            .subjects
            .par_chunks(SUBJECTS_AT_ONCE)
            .map(|subjects| make(study, subjects, wanted).finished());
        let parts: Vec<Table> = parts.collect();
        Table::joined(parts).unwrap_or_else(|| make(study, &[], wanted))
    });
    tables.into()
}

/// The first cells of every row: level, strain, bird, trait, curve.
fn begin<'a>(table: &'a mut Table, study: &Study, subject: Subject, curve: &dyn Curve) -> Row<'a> {
    let mut row = table.row();
    row.text(subject.level.name())
        .text(&study.strains[subject.strain])
        .text(subject.bird.map_or("", |bird| &study.birds[bird].name))
        .text(&study.traits[subject.trait_index].name)
        .text(curve.name());
    row
}

/// `curve_terms.csv`: terms and derived quantities with standard errors and intervals.
///
/// A weak fit has its rows too, with its status in `curve_fits.csv`; a failed one has none.
fn curve_terms(study: &Study, subjects: &[SubjectFits], wanted: &Wanted) -> Table {
    let mut table = Table::new(
        "curve_terms",
        &[
            "level",
            "strain",
            "bird",
            "trait",
            "curve",
            "term",
            "estimate",
            "std_error",
            "lower",
            "upper",
        ],
    );
    let derived = wanted.derived();
    let derived_names: Vec<_> = derived.iter().map(|what| what.name()).collect();
    for SubjectFits { subject, fits } in subjects {
        for (at, CurveFit { curve, outcome }) in fits.iter().enumerate() {
            let Some(estimates) = outcome.estimates() else {
                continue;
            };
            let curve = &**curve;
            let mut place = 0;
            let mut write = |name: &str, estimate: Option<Estimate>| {
                let own = wanted.intervals.of(*subject, at, place);
                place += 1;
                let Some(estimate) = estimate else { return };
                let interval = match wanted.method {
                    Method::Wald => estimate.interval,
                    Method::Profile | Method::Bootstrap { .. } => own,
                };
                begin(&mut table, study, *subject, curve)
                    .text(name)
                    .number(estimate.value)
                    .number(estimate.standard_error)
                    .number(interval.map(|interval| interval.lower))
                    .number(interval.map(|interval| interval.upper));
            };
            for (index, term) in curve.terms().iter().enumerate() {
                write(
                    &term.name,
                    Some(interval::term(estimates, index, wanted.confidence)),
                );
            }
            for (what, name) in derived.iter().zip(&derived_names) {
                write(
                    name,
                    interval::derived(curve, estimates, *what, wanted.confidence),
                );
            }
        }
    }
    table
}

/// `curve_fits.csv`: how each fit ended.
fn curve_fits(study: &Study, subjects: &[SubjectFits], _wanted: &Wanted) -> Table {
    let mut table = Table::new(
        "curve_fits",
        &[
            "level",
            "strain",
            "bird",
            "trait",
            "curve",
            "n",
            "status",
            "reason",
            "rss",
            "sigma",
            "log_lik",
            "aic",
            "aicc",
            "bic",
            "iterations",
            "variance_power",
        ],
    );
    for SubjectFits { subject, fits } in subjects {
        for CurveFit { curve, outcome } in fits {
            let estimates = outcome.estimates();
            begin(&mut table, study, *subject, &**curve)
                .whole(outcome.n())
                .text(outcome.status())
                .text(&outcome.reason())
                .number(estimates.map(|estimates| estimates.rss))
                .number(estimates.map(|estimates| estimates.sigma))
                .number(estimates.map(|estimates| estimates.log_lik))
                .number(estimates.map(Estimates::aic))
                .number(estimates.and_then(Estimates::aicc))
                .number(estimates.map(Estimates::bic))
                .whole(estimates.map(|estimates| estimates.iterations))
                .number(estimates.map(|estimates| estimates.variance_power));
        }
    }
    table
}

/// `curve_choice.csv`: the curves of each subject, ranked by AICc among those of
/// the same observations.
///
/// What else speaks for and against a strain's curve stands behind, cross-validation
/// where it was asked. A weak fit is ranked and says so; a failed one has no rank. A curve held at the
/// hatch weight rests on one weighing less than the others and is not ranked with them.
#[must_use]
pub fn curve_choice(study: &Study, subjects: &[SubjectFits], wanted: &Wanted) -> Table {
    let mut table = Table::new(
        "curve_choice",
        &[
            "level",
            "strain",
            "bird",
            "trait",
            "rank",
            "curve",
            "status",
            "n",
            "parameters",
            "log_lik",
            "aic",
            "aicc",
            "bic",
            "delta_aicc",
            "weight",
            "note",
            "rank_bic",
            "lack_of_fit_f",
            "lack_of_fit_p",
            "runs_p",
            "autocorrelation",
            "asymptote_supported",
            "cv_bird_rmse",
            "cv_last_rmse",
            "verdict",
        ],
    );
    for subject_fits in subjects {
        let subject = subject_fits.subject;
        let places = subject_fits.places();
        let evidence = evidence(study, subject_fits, &wanted.validation);
        let mut order: Vec<usize> = (0..places.len()).collect();
        order.sort_by_key(|index| places[*index].map_or(usize::MAX, |place| place.rank));
        for index in order {
            let CurveFit { curve, outcome } = &subject_fits.fits[index];
            let (estimates, place) = (outcome.estimates(), places[index]);
            let mut row = table.row();
            row.text(subject.level.name())
                .text(&study.strains[subject.strain])
                .text(subject.bird.map_or("", |bird| &study.birds[bird].name))
                .text(&study.traits[subject.trait_index].name)
                .whole(place.map(|place| place.rank))
                .text(curve.name())
                .text(outcome.status())
                .whole(outcome.n())
                .whole(estimates.map(|estimates| estimates.parameters))
                .number(estimates.map(|estimates| estimates.log_lik))
                .number(estimates.map(Estimates::aic))
                .number(estimates.and_then(Estimates::aicc))
                .number(estimates.map(Estimates::bic))
                .number(place.map(|place| place.delta))
                .number(place.map(|place| place.weight))
                .text(&outcome.reason());
            evidence_cells(
                &mut row,
                &evidence[index],
                wanted.validation.of(subject, index),
            );
        }
    }
    table
}

fn evidence_cells(row: &mut Row<'_>, evidence: &Evidence, validated: Validated) {
    let supported = evidence.asymptote_supported;
    row.whole(evidence.rank_bic)
        .number(evidence.lack_of_fit.map(|lack| lack.statistic))
        .number(evidence.lack_of_fit.map(|lack| lack.p_value))
        .number(evidence.runs_p)
        .number(evidence.autocorrelation)
        .text(supported.map_or("", |supported| if supported { "yes" } else { "no" }))
        .number(validated.by_bird_g)
        .number(validated.by_last_ages_g)
        .text(&evidence.verdict);
}

/// `curves.csv`: fitted curves with their bands and rate of gain: a strain's for
/// every day between its first and last weighing, a bird's at its weighings.
///
/// `lower` and `upper` hold the curve at each age by itself, the simultaneous ones at
/// all ages at once: sup-t over these ages for a strain, Scheffé's for a bird. A new
/// bird's value lies in the prediction band of its strain.
fn curves(study: &Study, subjects: &[SubjectFits], wanted: &Wanted) -> Table {
    let mut table = Table::new(
        "curves",
        &[
            "level",
            "strain",
            "bird",
            "trait",
            "curve",
            "age_d",
            "fitted",
            "lower",
            "upper",
            "simultaneous_lower",
            "simultaneous_upper",
            "rate",
            "rate_lower",
            "rate_upper",
            "prediction_lower",
            "prediction_upper",
        ],
    );
    for SubjectFits { subject, fits } in subjects {
        let ages_d = curve_ages_d(study, *subject);
        for CurveFit { curve, outcome } in fits {
            let Some(estimates) = outcome.estimates() else {
                continue;
            };
            let curve = &**curve;
            let level = wanted.confidence;
            let law = Law::of(estimates);
            let factor = law.pointwise_factor(level);
            let all = match subject.level {
                Level::Strain => law.sup_t_factor(curve, &ages_d, level, wanted.seed),
                Level::Bird => law.scheffe_factor(level),
            };
            let pointwise = law.values(curve, &ages_d, factor);
            let rates = law.rates(curve, &ages_d, factor);
            for (index, age_d) in ages_d.iter().enumerate() {
                let mut row = begin(&mut table, study, *subject, curve);
                row.number(*age_d).number(pointwise[index].value);
                limits(&mut row, &pointwise[index]);
                limits(&mut row, &pointwise[index].at_factor(all));
                row.number(rates[index].value);
                limits(&mut row, &rates[index]);
                let new_bird = match subject.level {
                    Level::Strain => {
                        interval::prediction(estimates, pointwise[index], factor).interval
                    }
                    Level::Bird => None,
                };
                row.number(new_bird.map(|interval| interval.lower))
                    .number(new_bird.map(|interval| interval.upper));
            }
        }
    }
    table
}

fn limits(row: &mut Row<'_>, estimate: &Estimate) {
    row.number(estimate.interval.map(|interval| interval.lower))
        .number(estimate.interval.map(|interval| interval.upper));
}

/// Ages at which a subject's curve is told.
pub(crate) fn curve_ages_d(study: &Study, subject: Subject) -> Vec<f64> {
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

/// `residuals.csv`: every observation beside every curve.
///
/// At strain level the bird is the one that was observed.
fn residuals(study: &Study, subjects: &[SubjectFits], _wanted: &Wanted) -> Table {
    let mut table = Table::new(
        "residuals",
        &[
            "level",
            "strain",
            "bird",
            "trait",
            "curve",
            "age_d",
            "observed",
            "fitted",
            "residual",
            "standardised",
        ],
    );
    for SubjectFits { subject, fits } in subjects {
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
            for (residual, bird) in rows.iter().zip(&pooled.birds) {
                let whose = Subject {
                    bird: Some(*bird),
                    ..*subject
                };
                begin(&mut table, study, whose, &**curve)
                    .number(residual.age_d)
                    .number(residual.value)
                    .number(residual.fitted)
                    .number(residual.residual)
                    .number(residual.standardised);
            }
        }
    }
    table
}
