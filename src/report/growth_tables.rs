//! The tables of the fits: terms, fits, choice of curve, curves with bands, residuals.

use rayon::prelude::*;

use crate::fit::estimable::{Fitted, NotEstimable};
use crate::fit::interval::{self, Estimate, Law};
use crate::fit::{Estimates, diagnostics, transformed};
use crate::growth::{Curve, Derived};
use crate::report::Table;
use crate::report::population_tables::population_tables;
use crate::report::table::Row;
use crate::study::Study;
use crate::trajectory::evidence::{Evidence, evidence};
use crate::trajectory::interval::{Intervals, Method, Validated, Validation};
use crate::trajectory::{
    CurveFit, Level, Limits, Pooled, Subject, SubjectFits, Trajectories, days_between,
    derived_quantities,
};

/// What the tables hold beside the curves' terms.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'a> {
    /// Confidence of the intervals.
    pub confidence: f64,
    /// Ages at which value and rate are wanted, d.
    pub ages_d: &'a [f64],
    /// Masses whose age is wanted, g.
    pub weights_g: &'a [f64],
    /// Whether all birds were fitted at once too: residuals then have columns for it.
    pub population: bool,
    /// How the intervals of terms and derived quantities are found.
    pub method: Method,
    /// Those intervals, where standard errors do not give them.
    pub intervals: &'a Intervals,
    /// Cross-validation of the strains' curves, where it was asked.
    pub validation: &'a Validation,
}

impl Wanted<'_> {
    /// The derived quantities of the terms table, in its order.
    pub(crate) fn derived(&self) -> Vec<Derived> {
        derived_quantities(self.ages_d, self.weights_g)
    }
}

/// How the rows of some subjects are made.
type Make = fn(&Study, &[SubjectFits], &Wanted) -> Table;

/// Subjects whose rows one thread makes at a time.
const SUBJECTS_AT_ONCE: usize = 2048;

/// All tables of the fits, in the order in which a reader wants them.
#[must_use]
pub fn growth_tables(
    study: &Study,
    trajectories: &Trajectories,
    wanted: &Wanted<'_>,
) -> Vec<Table> {
    let tables: [Make; 5] = [curve_terms, curve_fits, curve_choice, curves, residuals];
    let of_populations = population_tables(study, trajectories, wanted);
    let mut of_populations = of_populations.into_iter();
    let tables = tables.map(|make| {
        let parts = trajectories
            .subjects
            .par_chunks(SUBJECTS_AT_ONCE)
            .map(|subjects| make(study, subjects, wanted).finished());
        let mut parts: Vec<Table> = parts.collect();
        parts.extend(of_populations.next().filter(|part| part.rows() > 0));
        Table::joined(parts).unwrap_or_else(|| make(study, &[], wanted))
    });
    tables.into()
}

/// The first cells of every row: level, strain, bird, trait, curve.
fn begin<'a>(table: &'a mut Table, study: &Study, subject: Subject, curve: &dyn Curve) -> Row<'a> {
    whose(study, subject).begin(table, curve)
}

fn whose(study: &Study, subject: Subject) -> Whose<'_> {
    Whose {
        level: subject.level.name(),
        strain: &study.strains[subject.strain],
        bird: subject.bird.map_or("", |bird| &study.birds[bird].name),
        trait_name: &study.traits[subject.trait_index].name,
    }
}

/// Whose a row is.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Whose<'a> {
    pub(crate) level: &'a str,
    pub(crate) strain: &'a str,
    pub(crate) bird: &'a str,
    pub(crate) trait_name: &'a str,
}

impl Whose<'_> {
    /// The first cells of every row: level, strain, bird, trait, curve.
    pub(crate) fn begin<'a>(&self, table: &'a mut Table, curve: &dyn Curve) -> Row<'a> {
        let mut row = table.row();
        row.text(self.level)
            .text(self.strain)
            .text(self.bird)
            .text(self.trait_name)
            .text(curve.name());
        row
    }
}

/// The cells of an estimate: value, standard error, limits, status, reason, and which
/// limits there are.
pub(crate) fn estimate_cells(row: &mut Row<'_>, estimate: &Result<Estimate, NotEstimable>) {
    let known = estimate.as_ref().ok();
    let interval = known.and_then(|estimate| estimate.interval);
    row.number(known.map(|estimate| estimate.value))
        .number(known.and_then(|estimate| estimate.standard_error))
        .number(interval.map(|interval| interval.lower))
        .number(interval.map(|interval| interval.upper));
    row.text(status(estimate));
    match estimate {
        Ok(_) => row.text(""),
        Err(reason) => row.text(&reason.to_string()),
    };
    row.text(known.map_or("", limits_word));
}

/// Whether the data determine a quantity, in the column `status`.
pub(crate) fn status<T>(estimate: &Result<T, NotEstimable>) -> &'static str {
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

pub(crate) fn terms_table() -> Table {
    Table::new(
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
            "status",
            "reason",
            "limits",
        ],
    )
}

/// `curve_terms.csv`: terms and derived quantities with standard errors and intervals.
///
/// What the data do not determine has no number, and the reason in its place. A weak fit
/// has its rows too, with its status in `curve_fits.csv`; a failed one has none.
fn curve_terms(study: &Study, subjects: &[SubjectFits], wanted: &Wanted<'_>) -> Table {
    let derived = wanted.derived();
    let fits = subjects.iter().flat_map(|subject| &subject.fits);
    let rows = fits.map(|fit| fit.curve.terms().len() + derived.len());
    let mut table = terms_table().expecting(rows.sum());
    let derived_names: Vec<_> = derived.iter().map(|what| what.name()).collect();
    for SubjectFits { subject, fits } in subjects {
        for (at, CurveFit { curve, outcome }) in fits.iter().enumerate() {
            let Some(estimates) = outcome.estimates() else {
                continue;
            };
            let curve = &**curve;
            let mut place = 0;
            let mut write = |name: &str, estimate: Result<Estimate, NotEstimable>| {
                let own = wanted.intervals.of(*subject, at, place);
                place += 1;
                if estimate == Err(NotEstimable::Absent) {
                    return;
                }
                let with_interval = |estimate: Estimate| Estimate {
                    interval: match wanted.method {
                        Method::Wald => estimate.interval,
                        Method::Profile | Method::Bootstrap { .. } => own,
                    },
                    ..estimate
                };
                let mut row = begin(&mut table, study, *subject, curve);
                row.text(name);
                estimate_cells(&mut row, &estimate.map(with_interval));
            };
            for (index, term) in curve.terms().iter().enumerate() {
                let level = wanted.confidence;
                write(&term.name, interval::term(curve, estimates, index, level));
            }
            for (what, name) in derived.iter().zip(&derived_names) {
                write(
                    name,
                    interval::derived(curve, estimates, *what, wanted.confidence),
                );
            }
            if let Some(ar1) = estimates.ar1 {
                let level = wanted.confidence;
                write(
                    "ar1",
                    Ok(transformed::share(ar1.value, ar1.standard_error, level)),
                );
            }
        }
    }
    table
}

pub(crate) fn fits_table() -> Table {
    Table::new(
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
    )
}

/// `curve_fits.csv`: how each fit ended.
fn curve_fits(study: &Study, subjects: &[SubjectFits], _wanted: &Wanted<'_>) -> Table {
    let mut table = fits_table();
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

pub(crate) fn choice_table() -> Table {
    Table::new(
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
    )
}

/// `curve_choice.csv`: the curves of each subject, ranked by AICc among those of
/// the same observations.
///
/// A weak fit is ranked and says so; a failed one has no rank. A curve held at the
/// hatch weight rests on one weighing less than the others and is not ranked with them.
#[must_use]
pub fn curve_choice(study: &Study, subjects: &[SubjectFits], wanted: &Wanted<'_>) -> Table {
    let mut table = choice_table();
    for subject_fits in subjects {
        let subject = subject_fits.subject;
        let places = subject_fits.places();
        let evidence = evidence(study, subject_fits, wanted.validation);
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

/// The cells of [`evidence_cells`] where nothing was looked at.
pub(crate) fn no_evidence_cells(row: &mut Row<'_>) {
    row.whole(None)
        .number(None)
        .number(None)
        .number(None)
        .number(None)
        .text("")
        .number(None)
        .number(None)
        .text("");
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

pub(crate) fn curves_table() -> Table {
    Table::new(
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
    )
}

/// `curves.csv`: fitted curves with their bands and rate of gain: a strain's for
/// every day between its first and last weighing, a bird's at its weighings.
///
/// `lower` and `upper` hold the curve at each age by itself, the simultaneous ones at
/// all these ages at once. A new bird's value lies in the prediction band of its strain.
fn curves(study: &Study, subjects: &[SubjectFits], wanted: &Wanted<'_>) -> Table {
    let mut table = curves_table().expecting(observations(
        subjects
            .iter()
            .filter(|fits| fits.subject.level == Level::Bird),
    ));
    for SubjectFits { subject, fits } in subjects {
        let ages_d = curve_ages_d(study, *subject);
        for CurveFit { curve, outcome } in fits {
            let Some(estimates) = outcome.estimates() else {
                continue;
            };
            let curve = &**curve;
            let level = wanted.confidence;
            let pooled = subject.level == Level::Strain;
            let bands = Bands {
                level,
                new_bird: if pooled {
                    NewBird::Residuals
                } else {
                    NewBird::Untold
                },
            };
            write_curve(
                &mut table,
                &whose(study, *subject),
                (curve, estimates),
                &ages_d,
                bands,
            );
        }
    }
    table
}

/// Which bands of a curve are told.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Bands<'a> {
    /// Their confidence.
    pub(crate) level: f64,
    /// Where a new bird's values are to be expected.
    pub(crate) new_bird: NewBird<'a>,
}

/// Where a new bird's values are to be expected.
#[derive(Debug, Clone, Copy)]
pub(crate) enum NewBird<'a> {
    /// The curve is one bird's own.
    Untold,
    /// About one curve through all birds, by its residuals.
    Residuals,
    /// Between these limits, one pair an age.
    Limits(&'a [Limits]),
}

/// The rows of one curve.
pub(crate) fn write_curve(
    table: &mut Table,
    whose: &Whose<'_>,
    (curve, estimates): (&dyn Curve, &Estimates),
    ages_d: &[f64],
    bands: Bands<'_>,
) {
    let law = Law::of(estimates);
    let fitted = Fitted::of(curve, estimates);
    let factor = law.pointwise_factor(bands.level);
    let all = law.band_factor(curve, ages_d, bands.level);
    let pointwise = law.values(curve, ages_d, bands.level);
    let rates = law.rates(curve, ages_d, bands.level);
    for (index, age_d) in ages_d.iter().enumerate() {
        let mut row = whose.begin(table, curve);
        row.number(*age_d).number(pointwise[index].value);
        limits(&mut row, &pointwise[index]);
        limits(&mut row, &pointwise[index].at_factor(all));
        let rate = Some(&rates[index]).filter(|rate| {
            let what = Derived::RateAt(*age_d);
            fitted.supports(what, rate).is_ok()
        });
        row.number(rate.map(|rate| rate.value));
        let of_rate = rate.and_then(|rate| rate.interval);
        row.number(of_rate.map(|interval| interval.lower))
            .number(of_rate.map(|interval| interval.upper));
        let new_bird = match bands.new_bird {
            NewBird::Untold => None,
            NewBird::Residuals => interval::prediction(estimates, pointwise[index], factor)
                .interval
                .map(|interval| (interval.lower, interval.upper)),
            NewBird::Limits(limits) => limits[index],
        };
        row.number(new_bird.map(|limits| limits.0))
            .number(new_bird.map(|limits| limits.1));
    }
}

/// Rows of a table that has one for each observation of each fit.
fn observations<'a>(subjects: impl Iterator<Item = &'a SubjectFits>) -> usize {
    let fits = subjects.flat_map(|subject| &subject.fits);
    fits.map(|fit| fit.outcome.n()).sum()
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

pub(crate) fn residuals_table(wanted: &Wanted<'_>) -> Table {
    const COLUMNS: &[&str] = &[
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
    ];
    const WITH_POPULATION: &[&str] = &[
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
        "marginal_fitted",
        "marginal_residual",
        "marginal_standardised",
        "normalised",
    ];
    let columns = if wanted.population {
        WITH_POPULATION
    } else {
        COLUMNS
    };
    Table::new("residuals", columns)
}

/// `residuals.csv`: every observation beside every curve.
///
/// At strain level the bird is the one that was observed.
fn residuals(study: &Study, subjects: &[SubjectFits], wanted: &Wanted<'_>) -> Table {
    let mut table = residuals_table(wanted).expecting(observations(subjects.iter()));
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
            for (residual, bird) in rows.zip(&pooled.birds) {
                let whose = Subject {
                    bird: Some(*bird),
                    ..*subject
                };
                let mut row = begin(&mut table, study, whose, &**curve);
                row.number(residual.age_d)
                    .number(residual.value)
                    .number(residual.fitted)
                    .number(residual.residual)
                    .number(residual.standardised);
                if wanted.population {
                    row.number(None).number(None).number(None).number(None);
                }
            }
        }
    }
    table
}
