//! The tables of the comparison between groups and of how traits go together.

use crate::contrast::allometry::{Allometry, Value};
use crate::contrast::fat_share::FatShare;
use crate::contrast::{Comparison, Groups};
use crate::report::Table;
use crate::study::Study;

/// `contrasts.csv`: each term and derived quantity, each pair of groups.
#[must_use]
pub fn contrasts(study: &Study, comparison: &Comparison) -> Table {
    let mut table = Table::new(
        "contrasts",
        &[
            "trait",
            "curve",
            "term",
            "strain_a",
            "strain_b",
            "difference",
            "std_error",
            "lower",
            "upper",
            "percent",
            "p_value",
            "p_adjusted",
            "unit",
            "level",
            "status",
            "reason",
        ],
    );
    let names = &comparison.groups.names;
    for compared in &comparison.compared {
        let Some(joint) = &compared.joint else {
            continue;
        };
        for contrast in &compared.contrasts {
            table
                .row()
                .text(&study.traits[compared.trait_index].name)
                .text(&compared.curve)
                .text(&contrast.term)
                .text(&names[contrast.a])
                .text(contrast.b.name(names))
                .number(contrast.difference)
                .number(contrast.standard_error)
                .number(contrast.interval.map(|interval| interval.lower))
                .number(contrast.interval.map(|interval| interval.upper))
                .number(contrast.percent)
                .number(contrast.p_value)
                .number(contrast.p_adjusted)
                .text(&contrast.unit)
                .text(joint.source.level())
                .text("supported")
                .text("");
        }
        for none in &compared.not_estimable {
            let mut row = table.row();
            row.text(&study.traits[compared.trait_index].name)
                .text(&compared.curve)
                .text(&none.term)
                .text(&names[none.a])
                .text(none.b.name(names));
            for _ in 5..12 {
                row.number(None);
            }
            row.text(&none.unit)
                .text(joint.source.level())
                .text("not estimable")
                .text(&none.reason.to_string());
        }
    }
    table
}

/// `curve_tests.csv`: is one curve, or one exponent of an allometry, enough for all?
#[must_use]
pub fn curve_tests(study: &Study, comparison: &Comparison, allometries: &[Allometry]) -> Table {
    let mut table = Table::new(
        "curve_tests",
        &[
            "trait",
            "curve",
            "test",
            "strain_a",
            "strain_b",
            "statistic",
            "df1",
            "df2",
            "p_value",
            "p_adjusted",
        ],
    );
    let names = &comparison.groups.names;
    for compared in &comparison.compared {
        for test in &compared.tests {
            let name = |place: Option<usize>| place.map_or("all", |group| names[group].as_str());
            table
                .row()
                .text(&study.traits[compared.trait_index].name)
                .text(&compared.curve)
                .text(test.test)
                .text(name(test.pair.map(|pair| pair.0)))
                .text(name(test.pair.map(|pair| pair.1)))
                .number(test.statistic)
                .whole(test.df1)
                .number(test.df2)
                .number(test.p_value)
                .number(test.p_adjusted);
        }
    }
    for allometry in allometries {
        let found = allometry.answer.as_ref().ok();
        let Some((statistic, df, p_value)) = found.and_then(|answer| answer.equal_exponents) else {
            continue;
        };
        table
            .row()
            .text(&study.traits[allometry.trait_index].name)
            .text(&format!("allometry on {}", study.traits[allometry.on].name))
            .text("likelihood ratio (equal exponents)")
            .text("all")
            .text("all")
            .number(statistic)
            .whole(df)
            .number(None)
            .number(p_value)
            .number(p_value);
    }
    table
}

/// `difference_by_age.csv`: the difference between two curves, with its bands.
#[must_use]
pub fn difference_by_age(study: &Study, comparison: &Comparison) -> Table {
    let mut table = Table::new(
        "difference_by_age",
        &[
            "trait",
            "curve",
            "strain_a",
            "strain_b",
            "age_d",
            "difference",
            "std_error",
            "lower",
            "upper",
            "simultaneous_lower",
            "simultaneous_upper",
            "differs",
        ],
    );
    let names = &comparison.groups.names;
    for compared in &comparison.compared {
        for pair in &compared.by_age {
            for at in &pair.ages {
                let differs = at
                    .differs()
                    .map(|differs| if differs { "yes" } else { "no" });
                table
                    .row()
                    .text(&study.traits[compared.trait_index].name)
                    .text(&compared.curve)
                    .text(&names[pair.a])
                    .text(pair.b.name(names))
                    .number(at.age_d)
                    .number(at.difference)
                    .number(at.standard_error)
                    .number(at.interval.map(|interval| interval.lower))
                    .number(at.interval.map(|interval| interval.upper))
                    .number(at.simultaneous.map(|band| band.lower))
                    .number(at.simultaneous.map(|band| band.upper))
                    .text(differs.unwrap_or_default());
            }
        }
    }
    table
}

/// `allometry.csv`: how a trait grows with another, by group.
#[must_use]
pub fn allometry(study: &Study, groups: &Groups, allometries: &[Allometry]) -> Table {
    let mut table = Table::new(
        "allometry",
        &[
            "trait",
            "on",
            "strain",
            "term",
            "estimate",
            "std_error",
            "lower",
            "upper",
            "birds",
            "n",
            "random",
            "isometry_p",
        ],
    );
    for allometry in allometries {
        let Ok(answer) = &allometry.answer else {
            continue;
        };
        let at_reference = format!("mass_at_{:.0}g", answer.reference_g);
        for group in &answer.groups {
            let mut write = |term: &str, value: Value, isometry_p: Option<f64>| {
                table
                    .row()
                    .text(&study.traits[allometry.trait_index].name)
                    .text(&study.traits[allometry.on].name)
                    .text(&groups.names[group.group])
                    .text(term)
                    .number(value.value)
                    .number(value.standard_error)
                    .number(value.interval.map(|interval| interval.lower))
                    .number(value.interval.map(|interval| interval.upper))
                    .whole(group.birds)
                    .whole(group.n)
                    .text(answer.random)
                    .number(isometry_p);
            };
            write("exponent", group.exponent, group.isometry_p);
            write("log_coefficient", group.log_coefficient, None);
            write(&at_reference, group.at_reference, None);
        }
    }
    table
}

/// `fat_share.csv`: fat as a percentage of the body along age, by group.
#[must_use]
pub fn fat_share(study: &Study, groups: &Groups, shares: &[FatShare]) -> Table {
    let mut table = Table::new(
        "fat_share",
        &[
            "strain",
            "age_d",
            "percent",
            "std_error",
            "lower",
            "upper",
            "trait",
            "of",
            "curve",
        ],
    );
    for found in shares {
        let names: Vec<&str> = found
            .of
            .iter()
            .map(|index| study.traits[*index].name.as_str())
            .collect();
        for share in found.shares.iter().flatten() {
            table
                .row()
                .text(&groups.names[found.group])
                .number(share.age_d)
                .number(share.percent)
                .number(share.standard_error)
                .number(share.interval.map(|interval| interval.lower))
                .number(share.interval.map(|interval| interval.upper))
                .text(&study.traits[found.fat].name)
                .text(&names.join(" + "))
                .text(&found.curve);
        }
    }
    table
}
