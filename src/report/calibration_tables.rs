//! The tables of correction equations and of what they make of the scans.

use crate::composition::balance::BalanceRow;
use crate::composition::calibration::{CalibrationRow, TermRow};
use crate::composition::changes::ChangeRow;
use crate::composition::choice::ChoiceRow;
use crate::composition::correction::Corrections;
use crate::error::Result;
use crate::report::Table;
use crate::study::Study;
use crate::trajectory::redraw::ShareRow;

/// `calibration_terms.csv`: coefficients with standard errors, intervals and
/// variance inflation (empty for the intercept and where it does not exist).
#[must_use]
pub fn calibration_terms<'a>(rows: impl IntoIterator<Item = &'a TermRow>) -> Table {
    let mut table = Table::new(
        "calibration_terms",
        &[
            "equation",
            "term",
            "estimate",
            "std_error",
            "lower",
            "upper",
            "vif",
        ],
    );
    for row in rows {
        table
            .row()
            .text(&row.equation)
            .text(&row.term)
            .number(row.estimate)
            .number(row.std_error)
            .number(row.lower)
            .number(row.upper)
            .number(row.vif);
    }
    table
}

/// `calibration_rows.csv`: the rows behind each equation, with what each does to it.
///
/// `row` is that of the input table; `left_out_error` is observed less predicted
/// by the equation fitted without that bird.
#[must_use]
pub fn calibration_rows<'a>(rows: impl IntoIterator<Item = &'a CalibrationRow>) -> Table {
    let mut table = Table::new(
        "calibration_rows",
        &[
            "equation",
            "row",
            "bird",
            "observed",
            "fitted",
            "leverage",
            "cooks_distance",
            "studentised",
            "left_out_error",
        ],
    );
    for row in rows {
        table
            .row()
            .text(&row.equation)
            .whole(row.row as usize)
            .text(&row.bird)
            .number(row.observed)
            .number(row.fitted)
            .number(row.leverage)
            .number(row.cooks_distance)
            .number(row.studentised)
            .number(row.left_out_error);
    }
    table
}

/// `calibration_choice.csv`: all candidates of each equation, best prediction of
/// left-out birds first.
#[must_use]
pub fn calibration_choice<'a>(
    rows: impl IntoIterator<Item = (&'a str, usize, &'a ChoiceRow)>,
) -> Table {
    let mut table = Table::new(
        "calibration_choice",
        &[
            "equation",
            "rank",
            "candidate",
            "n",
            "coefficients",
            "rmse",
            "cross_validated_rmse",
            "aicc",
            "note",
            "greatest_vif",
            "collinear",
        ],
    );
    for (equation, rank, row) in rows {
        table
            .row()
            .text(equation)
            .whole(row.cross_validated_rmse.map(|_| rank))
            .text(&row.candidate)
            .whole(row.n)
            .whole(row.coefficients)
            .number(row.rmse)
            .number(row.cross_validated_rmse)
            .number(row.aicc)
            .text(&row.note)
            .number(row.greatest_vif)
            .text(row.is_collinear().map_or("", yes));
    }
    table
}

/// `corrected.csv`: every corrected scan. `std_error` is that for a new bird;
/// `own_error` and `shared_error` are its two parts, the second common to all
/// scans that the equation corrects. `way` is the way of scanning, `repeat_sd` what
/// repositioning the bird does to the value. A scan with a shelled egg whose offset is
/// not known is `not estimable`: it has no numbers, and `flags` says why.
#[must_use]
pub fn corrected(corrections: &[Corrections], confidence: f64) -> Table {
    let mut table = Table::new(
        "corrected",
        &[
            "scan",
            "bird",
            "strain",
            "age_d",
            "trait",
            "birds_in_scan",
            "reading",
            "corrected",
            "std_error",
            "own_error",
            "shared_error",
            "lower",
            "upper",
            "percent",
            "percent_std_error",
            "flags",
            "row",
            "way",
            "egg",
            "repeat_sd",
            "status",
        ],
    );
    for corrections in corrections {
        for row in corrections.rows.iter().chain(&corrections.egg_taken_off) {
            let interval = corrections.interval(row, confidence);
            table
                .row()
                .text(&row.scan)
                .text(&row.bird)
                .text(&row.strain)
                .number(row.age_d)
                .text(&corrections.trait_name)
                .whole(row.birds_in_scan)
                .number(row.reading)
                .number(row.corrected)
                .number(row.std_error)
                .number(row.own_error)
                .number(row.shared_error)
                .number(interval.map(|interval| interval.lower))
                .number(interval.map(|interval| interval.upper))
                .number(row.percent)
                .number(row.percent_std_error)
                .text(&row.flags.join("; "))
                .whole(row.row as usize)
                .text(&row.way.label())
                .text(yes(row.way.egg))
                .number(row.repeat_sd)
                .text("supported");
        }
        for (row, reason) in &corrections.with_egg {
            let mut cells = table.row();
            cells
                .text(&row.scan)
                .text(&row.bird)
                .text(&row.strain)
                .number(row.age_d)
                .text(&corrections.trait_name)
                .whole(row.birds_in_scan)
                .number(row.reading);
            for _ in 0..8 {
                cells.number(None);
            }
            cells
                .text(reason)
                .whole(row.row as usize)
                .text(&row.way.label())
                .text(yes(true))
                .number(None)
                .text("not estimable");
        }
    }
    table
}

/// `changes.csv`: each bird's change between two successive scans in one way against the
/// least significant change at its mass.
#[must_use]
pub fn changes(rows: &[ChangeRow]) -> Table {
    let mut table = Table::new(
        "changes",
        &[
            "bird",
            "strain",
            "trait",
            "from_age_d",
            "to_age_d",
            "change_g",
            "lsc_g",
            "exceeds",
            "way",
        ],
    );
    for row in rows {
        table
            .row()
            .text(&row.bird)
            .text(&row.strain)
            .text(&row.trait_name)
            .number(row.from_age_d)
            .number(row.to_age_d)
            .number(row.change_g)
            .number(row.lsc_g)
            .text(row.exceeds().map_or("", yes))
            .text(&row.way);
    }
    table
}

/// `balance.csv`: the parts of each scan against its scale weight, a row a part.
///
/// With `reconcile`, also the parts moved by the smallest weighted change so that
/// they add up.
///
/// # Errors
/// As [`BalanceRow::reconcile`].
pub fn balance(rows: &[BalanceRow], moved: Moved) -> Result<Table> {
    let mut table = Table::new(
        "balance",
        &[
            "scan",
            "bird",
            "strain",
            "age_d",
            "scale_weight_g",
            "sum_g",
            "sum_std_error",
            "closure_pct",
            "part",
            "value_g",
            "std_error",
            "reconciled_g",
            "moved_g",
            "reconciled_std_error",
            "row",
        ],
    );
    for row in rows {
        let reconciled = match moved {
            Moved::No => None,
            Moved::ToAddUp => Some(row.reconcile()?),
        };
        let reconciled = reconciled.as_ref();
        for (place, part) in row.parts.iter().enumerate() {
            table
                .row()
                .text(&row.scan)
                .text(&row.bird)
                .text(&row.strain)
                .number(row.age_d)
                .number(row.scale_weight_g)
                .number(row.balance.sum_g)
                .number(row.sum_std_error())
                .number(row.balance.closure_pct)
                .text(part)
                .number(row.parts_g[place])
                .number(row.std_errors[place])
                .number(reconciled.map(|reconciled| reconciled.parts_g[place]))
                .number(reconciled.map(|reconciled| reconciled.moved_g[place]))
                .number(reconciled.map(|reconciled| {
                    // Rounding may leave a variance of -1e-20.
                    reconciled.covariance[(place, place)].max(0.0).sqrt()
                }))
                .whole(row.row as usize);
        }
    }
    Ok(table)
}

/// Whether the parts are moved to add up to the scale weight.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moved {
    /// They stay as corrected.
    No,
    /// They are moved by the smallest weighted change.
    ToAddUp,
}

/// `calibration_share.csv`: every term and derived quantity of the curves of
/// corrected traits, with the width of the fit alone (`std_error`, `lower`, `upper`)
/// and with the equation's own error added (`std_error_redraw`, `lower_redraw`,
/// `upper_redraw`); `share_pct` is the equation's share of the variance.
#[must_use]
pub fn calibration_share(study: &Study, rows: &[ShareRow]) -> Table {
    let mut table = Table::new(
        "calibration_share",
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
            "redraw_sd",
            "std_error_redraw",
            "lower_redraw",
            "upper_redraw",
            "share_pct",
            "redraws",
            "failed",
        ],
    );
    for row in rows {
        let subject = row.subject;
        let wider = row.interval();
        table
            .row()
            .text(subject.level.name())
            .text(&study.strains[subject.strain])
            .text(subject.bird.map_or("", |bird| &study.birds[bird].name))
            .text(&study.traits[subject.trait_index].name)
            .text(&row.curve)
            .text(&row.term)
            .number(row.estimate.value)
            .number(row.estimate.standard_error)
            .number(row.estimate.interval.map(|interval| interval.lower))
            .number(row.estimate.interval.map(|interval| interval.upper))
            .number(row.redraw_sd)
            .number(row.std_error())
            .number(wider.map(|wider| wider.0))
            .number(wider.map(|wider| wider.1))
            .number(row.share_pct())
            .whole(row.redraws)
            .whole(row.failed);
    }
    table
}

fn yes(is: bool) -> &'static str {
    if is { "yes" } else { "no" }
}
