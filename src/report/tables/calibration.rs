//! The tables of correction equations and of what they make of the scans.

use super::Columns;
use super::column::{Column, about, columns, unit_or_one};
use crate::composition::balance::BalanceRow;
use crate::composition::calibration::{CalibrationRow, TermRow, shown_unit};
use crate::composition::changes::ChangeRow;
use crate::composition::choice::ChoiceRow;
use crate::composition::correction::{Corrected, Corrections};
use crate::error::Result;
use crate::report::Table;
use crate::study::Study;
use crate::trajectory::redraw::ShareRow;

/// `calibration_terms.csv`: coefficients with standard errors, intervals and variance
/// inflation.
#[must_use]
pub fn calibration_terms<'a>(rows: impl IntoIterator<Item = &'a TermRow>) -> Table {
    columns!("calibration_terms", |row: &'a TermRow| {
        equation => &row.equation,
        term("", "its term") => &row.term,
        estimate("1", "coefficient of the term, in units of what the equation predicts (or its logarithm) per unit of the term") => row.estimate,
        std_error("1", "standard error of the coefficient") => row.std_error,
        lower("1", "lower limit of the coefficient") => row.lower,
        upper("1", "upper limit of the coefficient") => row.upper,
        vif("1", "variance inflation factor; empty for the intercept and where it does not exist") => row.vif,
    })
    .table(rows)
}

/// `calibration_rows.csv`: the rows behind each equation, with what each does to it.
#[must_use]
pub fn calibration_rows<'a>(rows: impl IntoIterator<Item = &'a CalibrationRow>) -> Table {
    columns!("calibration_rows", |row: &'a CalibrationRow| {
        equation => &row.equation,
        row => row.row,
        bird => &row.bird,
        observed("g", "chemistry (percent for an equation in percent)") => row.observed,
        fitted("g", "prediction of the equation, in the unit of observed") => row.fitted,
        leverage("1", "weight of the row's own value in its prediction, 0 to 1") => row.leverage,
        cooks_distance("1", "Cook's distance: how far the coefficients move without the row") => row.cooks_distance,
        studentised("1", "residual over its standard deviation estimated without the row") => row.studentised,
        left_out_error("g", "observed minus predicted by the equation fitted without that bird, in the unit of observed") => row.left_out_error,
        unit("", "unit of observed, fitted and their difference: g, %, or that of a density") => &row.unit,
    })
    .table(rows)
}

/// `calibration_choice.csv`: all candidates of each equation, best prediction of left-out
/// birds first.
#[must_use]
pub fn calibration_choice<'a>(
    rows: impl IntoIterator<Item = (&'a str, usize, &'a ChoiceRow)>,
) -> Table {
    columns!("calibration_choice", |(equation, rank, row): (&'a str, usize, &'a ChoiceRow)| {
        equation => *equation,
        rank("1", "1 predicts birds left out best; empty where they could not be predicted") => row.cross_validated_rmse.map(|_| *rank),
        candidate("", "terms of the candidate equation") => &row.candidate,
        n("1", "rows, the same for all candidates of an equation") => row.n,
        coefficients("1", "number of coefficients, intercept included") => row.coefficients,
        rmse("g", "residual standard deviation of the rows that it was fitted to (of the logarithm where that is predicted)") => row.rmse,
        cross_validated_rmse("g", "root mean square error of birds left out whole") => row.cross_validated_rmse,
        aicc("1", "AIC corrected for few observations, with the rows of one bird alike; empty for a robust fit") => row.aicc,
        note => &row.note,
        greatest_vif("1", "greatest variance inflation factor of its terms: above 10 the terms are nearly collinear") => row.greatest_vif,
        collinear("", "yes where that factor is above 10: the terms carry nearly the same information, so single coefficients mean little") => row.is_collinear(),
        unit("", "unit of the errors: g, %, or that of a density") => &row.unit,
    })
    .table(rows)
}

/// `corrected.csv`: every corrected scan.
///
/// A scan with a shelled egg whose offset is not known is `not estimable`: it has no numbers,
/// and `caution` gives the reason.
#[must_use]
pub fn corrected(corrections: &[Corrections], confidence: f64) -> Table {
    struct Row<'a> {
        of: &'a Corrections,
        row: &'a Corrected,
        /// Why there is no corrected mass.
        none: Option<&'a str>,
    }
    impl<'a> Row<'a> {
        /// The row, where it has numbers.
        fn known(&self) -> Option<&'a Corrected> {
            self.none.is_none().then_some(self.row)
        }
    }
    let interval = |one: &Row<'_>| one.of.interval(one.known()?, confidence);
    let columns = columns!("corrected", |one: Row<'_>| {
        scan => &one.row.scan,
        birds => &one.row.bird,
        strain("", "name of their strain; empty where they are of several") => &one.row.strain,
        age_d => one.row.age_d,
        trait("", "what was corrected") => &one.of.trait_name,
        birds_in_scan("1", "birds scanned together; values are means over them") => one.row.birds_in_scan,
        reading("g", "reading of the scanner per bird") => one.row.reading,
        corrected("g", "corrected value per bird; not cut at 0") => one.known().map(|row| row.corrected),
        std_error("g", "standard error for a new bird: own and shared error together") => one.known().map(|row| row.std_error),
        own_error("g", "part of it that is the bird's own") => one.known().map(|row| row.own_error),
        shared_error("g", "part of it that comes from the equation and is shared by all scans") => one.known().map(|row| row.shared_error),
        lower("g", "lower limit of the corrected value for a new bird") => interval(one).map(|limits| limits.lower),
        upper("g", "upper limit of the corrected value for a new bird") => interval(one).map(|limits| limits.upper),
        percent("%", "corrected value, percent of the scale weight") => one.known().and_then(|row| row.percent),
        percent_std_error("%", "standard error of that percentage, the scale weight taken as exact") => one.known().and_then(|row| row.percent_std_error),
        caution("", "what is unusual about the value, or why there is none") => one.none.map_or_else(|| one.row.flags.join("; "), str::to_owned),
        row => one.row.row,
        way => one.row.way.label(),
        egg("", "yes where a shelled egg was in the body") => one.none.is_some() || one.row.way.egg,
        repeat_sd("g", "standard deviation of a repeated scan in this way at this mass") => one.known().and_then(|row| row.repeat_sd),
        status => one.none.map_or("supported", |_| "not estimable"),
        unit("", "unit of reading, corrected value and errors: g, %, or that of a density") => shown_unit(&one.of.equation.provenance.unit),
    });
    columns.filled(0, |add| {
        for of in corrections {
            for row in of.rows.iter().chain(&of.egg_taken_off) {
                add(Row {
                    of,
                    row,
                    none: None,
                });
            }
            for (row, reason) in &of.with_egg {
                let none = Some(reason.as_str());
                add(Row { of, row, none });
            }
        }
    })
}

/// `changes.csv`: each bird's change between two successive scans in one way against the
/// least significant change at its mass.
#[must_use]
pub fn changes(rows: &[ChangeRow]) -> Table {
    columns!("changes", |row: &ChangeRow| {
        bird => &row.bird,
        strain => &row.strain,
        trait => &row.trait_name,
        from_age_d("d", "age at the earlier scan") => row.from_age_d,
        to_age_d("d", "age at the later scan") => row.to_age_d,
        change_g("g", "later mass minus earlier mass") => row.change_g,
        lsc_g("g", "least significant change between two single scans at these masses") => row.lsc_g,
        exceeds("", "yes where the change exceeds it") => row.exceeds(),
        way => &row.way,
    })
    .table(rows)
}

/// `balance.csv`: the parts of each scan against its scale weight, a row a part.
///
/// On request, also the parts moved by the smallest weighted change so that they add up.
///
/// # Errors
/// As [`BalanceRow::reconcile`].
pub fn balance(rows: &[BalanceRow], moved: Moved) -> Result<Table> {
    let reconciled = rows.iter().map(|row| match moved {
        Moved::No => Ok(None),
        Moved::ToAddUp => row.reconcile().map(Some),
    });
    let reconciled = reconciled.collect::<Result<Vec<_>>>()?;
    let reconciled = &reconciled;
    let columns = columns!("balance", |(row, at, place): (&BalanceRow, usize, usize)| {
        scan => &row.scan,
        birds => &row.bird,
        strain("", "name of their strain; empty where they are of several") => &row.strain,
        age_d => row.age_d,
        scale_weight_g("g", "scale weight per bird") => row.scale_weight_g,
        sum_g("g", "sum of the parts per bird") => row.balance.sum_g,
        sum_std_error("g", "standard error of that sum") => row.sum_std_error(),
        closure_pct("%", "sum of the parts, percent of the scale weight") => row.balance.closure_pct,
        part("", "which part: fat, lean, bone, feathers") => &row.parts[*place],
        value_g("g", "mass of the part as corrected (feathers: as predicted) per bird") => row.parts_g[*place],
        std_error("g", "standard error of that mass") => row.std_errors[*place],
        reconciled_g("g", "mass moved so that the parts add up to the scale weight; empty where not requested") => reconciled[*at].as_ref().map(|moved| moved.parts_g[*place]),
        moved_g("g", "reconciled minus corrected: the smallest change weighted by the parts' errors") => reconciled[*at].as_ref().map(|moved| moved.moved_g[*place]),
        // Rounding may leave a variance of -1e-20.
        reconciled_std_error("g", "standard error of the reconciled mass") => reconciled[*at].as_ref().map(|moved| moved.covariance[(*place, *place)].max(0.0).sqrt()),
        row => row.row,
    });
    let rows = rows.iter().enumerate();
    Ok(columns.table(rows.flat_map(|(at, row)| {
        let places = 0..row.parts.len();
        places.map(move |place| (row, at, place))
    })))
}

/// Whether the parts are moved to add up to the scale weight.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moved {
    /// They stay as corrected.
    No,
    /// They are moved by the smallest weighted change.
    ToAddUp,
}

/// `calibration_share.csv`: every term and derived quantity of the curves of corrected
/// traits, with the error of the fit alone and with that of the equation added.
#[must_use]
pub fn calibration_share(study: &Study, rows: &[ShareRow]) -> Table {
    columns!("calibration_share", |row: &ShareRow| {
        level => row.subject.level.name(),
        strain => &study.strains[row.subject.strain],
        bird => row.subject.bird.map(|bird| &study.birds[bird].name),
        trait => &study.traits[row.subject.trait_index].name,
        curve => &row.curve,
        term => &row.term,
        estimate("see unit", "estimate of the term") => row.estimate.value,
        std_error("see unit", "standard error of the fit alone, the equation taken as exact") => row.estimate.standard_error,
        lower("see unit", "lower limit of the fit alone") => row.estimate.interval.map(|limits| limits.lower),
        upper("see unit", "upper limit of the fit alone") => row.estimate.interval.map(|limits| limits.upper),
        redraw_sd("see unit", "standard deviation of the estimate over redraws of the equation's error") => row.redraw_sd,
        std_error_redraw("see unit", "standard error with the equation's error added") => row.std_error(),
        lower_redraw("see unit", "lower limit with the equation's error added") => row.interval().map(|limits| limits.0),
        upper_redraw("see unit", "upper limit with the equation's error added") => row.interval().map(|limits| limits.1),
        share_pct("%", "the equation's share of the variance") => row.share_pct(),
        redraws("1", "redraws whose fit gave the quantity") => row.redraws,
        failed("1", "redraws whose fit failed or did not give it") => row.failed,
        unit("", "unit of the estimate, its standard error and limits; 1 for a pure number") => unit_or_one(&row.unit),
    })
    .table(rows)
}
