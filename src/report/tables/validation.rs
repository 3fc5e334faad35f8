//! The tables of a validation: the figures of each equation, errors by group, row by row, and
//! what equations were recalibrated on.

use std::borrow::Cow;

use super::Columns;
use super::column::{Column, about, columns};
use crate::composition::validation::{GroupRow, PairRow, Validation};
use crate::composition::{Equation, Recalibration};
use crate::report::Table;
use crate::stats::Interval;

/// A row of `validation.csv`.
struct Figure<'a> {
    of: &'a Validation,
    quantity: Cow<'a, str>,
    estimate: Option<f64>,
    std_error: Option<f64>,
    interval: Option<Interval>,
    status: &'a str,
    caution: &'a str,
    unit: &'a str,
}

/// The figures of an equation, where its verdict is shown, and the verdict.
fn figures(of: &Validation) -> Vec<Figure<'_>> {
    let mut rows: Vec<Figure<'_>> = of
        .quantities
        .iter()
        .map(|row| Figure {
            of,
            quantity: row.quantity.into(),
            estimate: row.estimate,
            std_error: row.std_error,
            interval: row.interval,
            status: row.standing.word(),
            caution: &row.caution,
            unit: if row.in_unit { of.unit } else { "1" },
        })
        .collect();
    rows.extend(of.ranges.iter().map(|range| Figure {
        of,
        quantity: format!("{}_for_which_it_is_shown", range.of).into(),
        estimate: None,
        std_error: None,
        interval: range.shown,
        status: match range.shown {
            Some(_) => "supported",
            None => "not estimable",
        },
        caution: &range.caution,
        unit: range.unit,
    }));
    rows.push(Figure {
        of,
        quantity: "verdict".into(),
        estimate: None,
        std_error: None,
        interval: None,
        status: of.verdict.words(),
        caution: &of.reason,
        unit: "1",
    });
    rows
}

/// `validation.csv`: the figures of each equation on birds that it was not fitted to, and its
/// verdict.
#[must_use]
pub fn validation(validations: &[Validation]) -> Table {
    columns!("validation", |row: Figure<'_>| {
        tissue("", "what the equation predicts: fat, lean, bone") => &row.of.trait_name,
        quantity("", "what the number is: bias is predicted minus observed, calibration in the large observed minus predicted") => &*row.quantity,
        estimate("see unit", "the number; empty where the birds do not give it") => row.estimate,
        std_error("see unit", "standard error of the estimate") => row.std_error,
        lower("see unit", "lower limit of the interval") => row.interval.map(|interval| interval.lower),
        upper("see unit", "upper limit of the interval") => row.interval.map(|interval| interval.upper),
        n("1", "birds") => row.of.birds.len(),
        status("", "supported, weak (few birds) or not estimable; in the row verdict the verdict") => row.status,
        caution("", "why it is weak or not estimable; in the row verdict what it rests on") => row.caution,
        unit => row.unit,
        equation("", "file of the saved equation") => &row.of.equation,
    })
    .table(validations.iter().flat_map(figures))
}

/// `validation_groups.csv`: errors by strain, age and mass.
#[must_use]
pub fn validation_groups(validations: &[Validation]) -> Table {
    let rows = validations.iter();
    let rows = rows.flat_map(|of| of.groups.iter().map(move |row| (of, row)));
    columns!("validation_groups", |(of, row): (&Validation, &GroupRow)| {
        tissue("", "what the equation predicts: fat, lean, bone") => &of.trait_name,
        by("", "what the birds are grouped by: strain, age or (predicted) mass") => row.by,
        group("", "the strain, or the band of ages or masses") => &row.group,
        n("1", "birds") => row.n,
        mean_observed("see unit", "mean mass by chemistry") => row.mean_observed,
        bias("see unit", "mean of predicted minus observed") => row.bias,
        std_error("see unit", "standard error of the bias") => row.std_error,
        lower("see unit", "lower limit of the bias") => row.interval.map(|interval| interval.lower),
        upper("see unit", "upper limit of the bias") => row.interval.map(|interval| interval.upper),
        rmse("see unit", "root mean square error") => row.rmse,
        acceptable_error("see unit", "acceptable error of the mean at that mass") => row.acceptable,
        verdict("", "what the 90 % interval of the bias shows: within the acceptable error, beyond it, or undecided") => row.verdict.word(),
        unit => of.unit,
        equation("", "file of the saved equation") => &of.equation,
    })
    .table(rows)
}

/// `validation_pairs.csv`: what chemistry found and what the equation predicts, a row a scan.
#[must_use]
pub fn validation_pairs(validations: &[Validation]) -> Table {
    let rows = validations.iter();
    let rows = rows.flat_map(|of| of.pairs.iter().map(move |row| (of, row)));
    columns!("validation_pairs", |(of, row): (&Validation, &PairRow)| {
        tissue("", "what the equation predicts: fat, lean, bone") => &of.trait_name,
        bird => &row.bird,
        strain => &row.strain,
        age_d => row.age_d,
        body_weight_g("g", "scale weight") => row.body_weight_g,
        observed("see unit", "mass by chemistry") => row.observed,
        predicted("see unit", "mass that the equation predicts") => row.predicted,
        error("see unit", "predicted minus observed") => row.error(),
        std_error("see unit", "standard error of the prediction of a new bird, its own and the equation's part together") => row.std_error,
        lower("see unit", "lower limit of the prediction interval") => row.lower,
        upper("see unit", "upper limit of the prediction interval") => row.upper,
        outside("", "whether the observed mass lies outside the prediction interval") => row.is_outside(),
        flags("", "what is unusual: outside the calibrated range, a strain taken for another") => row.flags.join("; "),
        row => row.row,
        unit => of.unit,
        equation("", "file of the saved equation") => &of.equation,
    })
    .table(rows)
}

/// `recalibration.csv`: what saved equations were recalibrated on, the latest last.
#[must_use]
pub fn recalibration(equations: &[Equation]) -> Table {
    let rows = equations.iter().flat_map(|equation| {
        let of = &equation.provenance;
        of.recalibrations.iter().map(move |done| (equation, done))
    });
    columns!("recalibration", |(of, done): (&Equation, &Recalibration)| {
        tissue("", "what the equation predicts: fat, lean, bone") => &of.provenance.response,
        changed("", "what was fitted to the new birds: intercept, intercept and slope, all coefficients") => &done.changed,
        n("1", "birds") => done.birds,
        share_taken("1", "share of the birds' own recalibration that was taken: 0 keeps the saved equation, 1 is least squares") => done.share_taken,
        rmse_before("see unit", "root mean square error of the saved equation on these birds") => done.rmse_before,
        cross_validated_rmse("see unit", "root mean square error of birds left out of the recalibration") => done.cross_validated_rmse,
        unit => if of.provenance.unit == "pct" { "%" } else { "g" },
    })
    .table(rows)
}
