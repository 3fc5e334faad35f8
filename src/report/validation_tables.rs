//! The tables of a validation: the figures of each equation, errors by group, row by row.

use crate::composition::Equation;
use crate::composition::validation::Validation;
use crate::report::Table;

/// `validation.csv`: the figures of each equation on birds that it was not fitted to, and its
/// verdict.
#[must_use]
pub fn validation(validations: &[Validation]) -> Table {
    let mut table = Table::new(
        "validation",
        &[
            "tissue",
            "quantity",
            "estimate",
            "std_error",
            "lower",
            "upper",
            "n",
            "status",
            "caution",
            "unit",
            "equation",
        ],
    );
    for one in validations {
        for row in &one.quantities {
            table
                .row()
                .text(&one.trait_name)
                .text(row.quantity)
                .number(row.estimate)
                .number(row.std_error)
                .number(row.interval.map(|interval| interval.lower))
                .number(row.interval.map(|interval| interval.upper))
                .whole(row.n)
                .text(row.standing.word())
                .text(&row.caution)
                .text(if row.in_unit { one.unit } else { "1" })
                .text(&one.equation);
        }
        for range in &one.ranges {
            let quantity = format!("{}_for_which_it_is_shown", range.of);
            table
                .row()
                .text(&one.trait_name)
                .text(&quantity)
                .number(None)
                .number(None)
                .number(range.shown.map(|shown| shown.lower))
                .number(range.shown.map(|shown| shown.upper))
                .whole(one.birds.len())
                .text(match range.shown {
                    Some(_) => "supported",
                    None => "not estimable",
                })
                .text(&range.caution)
                .text(range.unit)
                .text(&one.equation);
        }
        table
            .row()
            .text(&one.trait_name)
            .text("verdict")
            .number(None)
            .number(None)
            .number(None)
            .number(None)
            .whole(one.birds.len())
            .text(one.verdict.words())
            .text(&one.reason)
            .text("1")
            .text(&one.equation);
    }
    table.finished()
}

/// `validation_groups.csv`: errors by strain, age and mass.
#[must_use]
pub fn validation_groups(validations: &[Validation]) -> Table {
    let mut table = Table::new(
        "validation_groups",
        &[
            "tissue",
            "by",
            "group",
            "n",
            "mean_observed",
            "bias",
            "std_error",
            "lower",
            "upper",
            "rmse",
            "acceptable_error",
            "verdict",
            "unit",
            "equation",
        ],
    );
    for one in validations {
        for row in &one.groups {
            table
                .row()
                .text(&one.trait_name)
                .text(row.by)
                .text(&row.group)
                .whole(row.n)
                .number(row.mean_observed)
                .number(row.bias)
                .number(row.std_error)
                .number(row.interval.map(|interval| interval.lower))
                .number(row.interval.map(|interval| interval.upper))
                .number(row.rmse)
                .number(row.acceptable)
                .text(row.verdict.word())
                .text(one.unit)
                .text(&one.equation);
        }
    }
    table.finished()
}

/// `validation_pairs.csv`: what chemistry found and what the equation predicts, a row a scan.
#[must_use]
pub fn validation_pairs(validations: &[Validation]) -> Table {
    let mut table = Table::new(
        "validation_pairs",
        &[
            "tissue",
            "bird",
            "strain",
            "age_d",
            "body_weight_g",
            "observed",
            "predicted",
            "error",
            "std_error",
            "lower",
            "upper",
            "outside",
            "flags",
            "row",
            "unit",
            "equation",
        ],
    );
    for one in validations {
        for row in &one.pairs {
            table
                .row()
                .text(&one.trait_name)
                .text(&row.bird)
                .text(&row.strain)
                .number(row.age_d)
                .number(row.body_weight_g)
                .number(row.observed)
                .number(row.predicted)
                .number(row.error())
                .number(row.std_error)
                .number(row.lower)
                .number(row.upper)
                .text(match row.is_outside() {
                    Some(true) => "yes",
                    Some(false) => "no",
                    None => "",
                })
                .text(&row.flags.join("; "))
                .whole(row.row as usize)
                .text(one.unit)
                .text(&one.equation);
        }
    }
    table.finished()
}

/// `recalibration.csv`: what saved equations were recalibrated on, the latest last.
#[must_use]
pub fn recalibration(equations: &[Equation]) -> Table {
    let mut table = Table::new(
        "recalibration",
        &[
            "tissue",
            "changed",
            "n",
            "share_taken",
            "rmse_before",
            "cross_validated_rmse",
            "unit",
        ],
    );
    for equation in equations {
        let of = &equation.provenance;
        for done in &of.recalibrations {
            table
                .row()
                .text(&of.response)
                .text(&done.changed)
                .whole(done.birds)
                .number(done.share_taken)
                .number(done.rmse_before)
                .number(done.cross_validated_rmse)
                .text(if of.unit == "pct" { "%" } else { "g" });
        }
    }
    table.finished()
}
