//! The tables of a validation: the figures of each equation, errors by group, row by row; and
//! what saved equations were recalibrated on.

use std::borrow::Cow;

use super::Columns;
use super::column::{Column, about, columns};
use crate::composition::Equation;
use crate::composition::Recalibration;
use crate::composition::validation::{GroupRow, PairRow, Validation};
use crate::report::Table;
use crate::stats::Interval;

/// A row of `validation.csv`.
struct Figure<'a> {
    of: &'a Validation,
    quantity: Cow<'a, str>,
    numbers: [Option<f64>; 4],
    n: usize,
    status: &'a str,
    caution: &'a str,
    unit: &'a str,
}

fn limits(interval: Option<Interval>) -> [Option<f64>; 2] {
    [
        interval.map(|interval| interval.lower),
        interval.map(|interval| interval.upper),
    ]
}

/// `validation.csv`: the figures of each equation on birds that it was not fitted to, and its
/// verdict.
#[must_use]
pub fn validation(validations: &[Validation]) -> Table {
    let columns = columns!("validation", |row: Figure<'_>| {
        tissue("", "what the equation predicts: fat, lean, bone") => &row.of.trait_name,
        quantity("", "what the number is") => row.quantity.as_ref(),
        estimate("see unit", "its estimate; bias is predicted minus observed, calibration in the large observed minus predicted") => row.numbers[0],
        std_error("see unit", "standard error") => row.numbers[1],
        lower("see unit", "lower confidence limit") => row.numbers[2],
        upper("see unit", "upper confidence limit") => row.numbers[3],
        n => row.n,
        status("", "supported, weak (few birds), not estimable; in the row verdict the verdict itself") => row.status,
        caution("", "why it is weak or not estimable; in the row verdict what it rests on") => row.caution,
        unit("", "unit of the numbers in the row: g, d, %, or 1 for none") => row.unit,
        equation("", "file of the saved equation") => &row.of.equation,
    });
    let figures = validations.iter().flat_map(|of| {
        let quantities = of.quantities.iter().map(move |row| {
            let [lower, upper] = limits(row.interval);
            Figure {
                of,
                quantity: Cow::Borrowed(row.quantity),
                numbers: [row.estimate, row.std_error, lower, upper],
                n: row.n,
                status: row.standing.word(),
                caution: &row.caution,
                unit: if row.in_unit { of.unit } else { "1" },
            }
        });
        let ranges = of.ranges.iter().map(move |range| {
            let [lower, upper] = limits(range.shown);
            Figure {
                of,
                quantity: Cow::Owned(format!("{}_for_which_it_is_shown", range.of)),
                numbers: [None, None, lower, upper],
                n: of.birds.len(),
                status: match range.shown {
                    Some(_) => "supported",
                    None => "not estimable",
                },
                caution: &range.caution,
                unit: range.unit,
            }
        });
        let verdict = Figure {
            of,
            quantity: Cow::Borrowed("verdict"),
            numbers: [None; 4],
            n: of.birds.len(),
            status: of.verdict.words(),
            caution: &of.reason,
            unit: "1",
        };
        quantities.chain(ranges).chain([verdict])
    });
    columns.table(figures)
}

/// `validation_groups.csv`: errors by strain, age and mass.
#[must_use]
pub fn validation_groups(validations: &[Validation]) -> Table {
    let columns = columns!("validation_groups", |(of, row): (&Validation, &GroupRow)| {
        tissue("", "what the equation predicts: fat, lean, bone") => &of.trait_name,
        by("", "laboratory, strain, age or mass (predicted)") => row.by,
        group("", "the laboratory or strain, or the band of ages or masses") => &row.group,
        n => row.n,
        mean_observed("see unit", "mean mass by chemistry") => row.mean_observed,
        bias("see unit", "mean of predicted minus observed") => row.bias,
        std_error("see unit", "standard error of the bias") => row.std_error,
        lower("see unit", "lower confidence limit of the bias") => limits(row.interval)[0],
        upper("see unit", "upper confidence limit of the bias") => limits(row.interval)[1],
        rmse("see unit", "root mean square error") => row.rmse,
        acceptable_error("see unit", "acceptable error of the mean at that mass") => row.acceptable,
        verdict("", "what the 90 % interval of the bias shows: within the acceptable error, beyond it, or undecided") => row.verdict.word(),
        unit("", "unit of the numbers in the row: g or %") => of.unit,
        equation("", "file of the saved equation") => &of.equation,
    });
    let rows = validations
        .iter()
        .flat_map(|of| of.groups.iter().map(move |row| (of, row)));
    columns.table(rows)
}

/// `validation_pairs.csv`: what chemistry found and what the equation predicts, a row a scan.
#[must_use]
pub fn validation_pairs(validations: &[Validation]) -> Table {
    let columns = columns!("validation_pairs", |(of, row): (&Validation, &PairRow)| {
        tissue("", "what the equation predicts: fat, lean, bone") => &of.trait_name,
        bird => &row.bird,
        strain => &row.strain,
        age_d => row.age_d,
        body_weight_g("g", "scale weight") => row.body_weight_g,
        observed("see unit", "mass by chemistry") => row.observed,
        predicted("see unit", "mass that the equation predicts") => row.predicted,
        error("see unit", "predicted minus observed") => row.error(),
        std_error("see unit", "standard error of the prediction of a new bird, the bird's and the equation's part together") => row.std_error,
        lower("see unit", "lower limit of the prediction interval") => row.lower,
        upper("see unit", "upper limit of the prediction interval") => row.upper,
        outside("", "whether the observed mass lies outside the prediction interval: yes or no") => row.is_outside(),
        caution("", "what is unusual: outside the calibrated range, a strain taken for another") => row.flags.join("; "),
        row => row.row,
        unit("", "unit of the masses in the row: g or %") => of.unit,
        equation("", "file of the saved equation") => &of.equation,
    });
    let rows = validations
        .iter()
        .flat_map(|of| of.pairs.iter().map(move |row| (of, row)));
    columns.table(rows)
}

/// `recalibration.csv`: what saved equations were recalibrated on, the latest last.
#[must_use]
pub fn recalibration(equations: &[Equation]) -> Table {
    let columns = columns!("recalibration", |(of, done): (&Equation, &Recalibration)| {
        tissue("", "what the equation predicts: fat, lean, bone") => &of.provenance.response,
        changed("", "what was fitted to the new birds") => &done.changed,
        n("1", "birds that it was recalibrated on") => done.birds,
        share_taken("1", "share of the new birds' own recalibration that was taken: 0 keeps the saved equation, 1 is least squares") => done.share_taken,
        rmse_before("see unit", "root mean square error of the saved equation on these birds") => done.rmse_before,
        cross_validated_rmse("see unit", "root mean square error of birds left out of the recalibration") => done.cross_validated_rmse,
        unit("", "unit of the errors: g or %") => if of.provenance.unit == "pct" { "%" } else { "g" },
    });
    let rows = equations.iter().flat_map(|of| {
        of.provenance
            .recalibrations
            .iter()
            .map(move |done| (of, done))
    });
    columns.table(rows)
}
