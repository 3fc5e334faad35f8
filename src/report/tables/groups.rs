//! The tables of the comparison between groups and of the relations between traits.

use std::borrow::Cow;

use super::Columns;
use super::column::{Column, about, columns, unit_or_one};
use crate::contrast::allometry::{Allometry, Answer, GroupAllometry, Value as Term};
use crate::contrast::fat_share::{FatShare, Share};
use crate::contrast::{
    AgeDifference, Compared, Comparison, Contrast, Groups, NoContrast, PairByAge,
};
use crate::report::Table;
use crate::study::Study;

/// `contrasts.csv`: each term and derived quantity, each pair of groups.
#[must_use]
pub fn contrasts(study: &Study, comparison: &Comparison) -> Table {
    let names = &comparison.groups.names;
    let columns = columns!("contrasts", |row: ContrastRow<'_>| {
        trait => &study.traits[row.compared.trait_index].name,
        curve => &row.compared.curve,
        term => row.found.map_or_else(|none| &none.term, |found| &found.term),
        strain_a => &names[row.found.map_or_else(|none| none.a, |found| found.a)],
        strain_b => row.found.map_or_else(|none| none.b, |found| found.b).name(names),
        difference("see unit", "value in the first group minus value in the second") => row.found.ok().map(|found| found.difference),
        std_error("see unit", "standard error of the difference") => row.found.ok().and_then(|found| found.standard_error),
        lower("see unit", "lower limit of the difference; simultaneous for all pairs under Tukey's adjustment, unless birds were resampled") => row.found.ok().and_then(|found| Some(found.interval?.lower)),
        upper("see unit", "upper limit of the difference; simultaneous for all pairs under Tukey's adjustment, unless birds were resampled") => row.found.ok().and_then(|found| Some(found.interval?.upper)),
        percent("%", "difference, percent of the second group's value") => row.found.ok().and_then(|found| found.percent),
        p_value("1", "P value of no difference") => row.found.ok().and_then(|found| found.p_value),
        p_adjusted("1", "P value adjusted as requested; by default over all terms of the trait and all pairs by the greatest t, where a value named by an age or a mass is adjusted over its pairs alone (with the mean of all: Holm)") => row.found.ok().and_then(|found| found.p_adjusted),
        unit("", "unit of the difference, its standard error and limits; 1 for a pure number") => unit_or_one(row.found.map_or_else(|none| &none.unit, |found| &found.unit)),
        level("", "strain: a pooled fit of each group; population: one mixed model of all birds") => row.level,
        status => row.found.map_or("not estimable", |_| "supported"),
        reason => row.found.err().map(|none| none.reason.to_string()),
        lower_adjusted("see unit", "lower limit of the difference, of all comparisons over which P is adjusted together; empty where that adjustment has no interval") => row.found.ok().and_then(|found| Some(found.simultaneous?.lower)),
        upper_adjusted("see unit", "upper limit of the difference, of all comparisons over which P is adjusted together; empty where that adjustment has no interval") => row.found.ok().and_then(|found| Some(found.simultaneous?.upper)),
    });
    let compared = comparison.compared.iter();
    let rows = compared.filter_map(|compared| Some((compared, compared.joint.as_ref()?)));
    columns.table(rows.flat_map(|(compared, joint)| {
        let found = compared.contrasts.iter().map(Ok);
        let level = joint.source.level();
        found
            .chain(compared.not_estimable.iter().map(Err))
            .map(move |found| ContrastRow {
                compared,
                level,
                found,
            })
    }))
}

/// A contrast, or why it has no number.
struct ContrastRow<'a> {
    compared: &'a Compared,
    level: &'static str,
    found: Result<&'a Contrast, &'a NoContrast>,
}

/// A test of whole curves, or of the exponents of an allometry.
struct TestRow<'a> {
    trait_index: usize,
    curve: String,
    test: &'a str,
    pair: Option<(usize, usize)>,
    statistic: f64,
    df1: usize,
    df2: Option<f64>,
    p: (f64, Option<f64>),
}

/// `curve_tests.csv`: is one curve, or one exponent of an allometry, enough for all?
#[must_use]
pub fn curve_tests(study: &Study, comparison: &Comparison, allometries: &[Allometry]) -> Table {
    let names = &comparison.groups.names;
    let columns = columns!("curve_tests", |row: TestRow<'_>| {
        trait => &study.traits[row.trait_index].name,
        curve("", "name of the growth curve, or allometry and its reference trait") => &*row.curve,
        test("", "what is tested, and how") => row.test,
        strain_a("", "first group, or all together") => row.pair.map_or("all", |pair| &names[pair.0]),
        strain_b("", "second group, or all together") => row.pair.map_or("all", |pair| &names[pair.1]),
        statistic("1", "F, or twice the difference in log-likelihood (chi-squared)") => row.statistic,
        df1("1", "degrees of freedom of the difference") => row.df1,
        df2("1", "denominator degrees of freedom of F") => row.df2,
        p_value("1", "P value of one curve (or exponent) for all") => row.p.0,
        p_adjusted("1", "P value adjusted for the number of pairs (Holm, unless none was requested); that of all groups together is not adjusted") => row.p.1,
    });
    columns.filled(0, |add| {
        for compared in &comparison.compared {
            for test in &compared.tests {
                add(TestRow {
                    trait_index: compared.trait_index,
                    curve: compared.curve.clone(),
                    test: test.test,
                    pair: test.pair,
                    statistic: test.statistic,
                    df1: test.df1,
                    df2: Some(test.df2),
                    p: (test.p_value, Some(test.p_adjusted)),
                });
            }
        }
        for allometry in allometries {
            let found = allometry.answer.as_ref().ok();
            if let Some((statistic, df1, p)) = found.and_then(|found| found.equal_exponents) {
                add(TestRow {
                    trait_index: allometry.trait_index,
                    curve: format!("allometry on {}", study.traits[allometry.on].name),
                    test: "likelihood ratio (equal exponents)",
                    pair: None,
                    statistic,
                    df1,
                    df2: None,
                    p: (p, Some(p)),
                });
            }
        }
    })
}

/// `difference_by_age.csv`: the difference between two curves, with its bands.
#[must_use]
pub fn difference_by_age(study: &Study, comparison: &Comparison) -> Table {
    let names = &comparison.groups.names;
    let columns = columns!("difference_by_age", |(compared, pair, at): (&Compared, &PairByAge, &AgeDifference)| {
        trait => &study.traits[compared.trait_index].name,
        curve => &compared.curve,
        strain_a => &names[pair.a],
        strain_b => pair.b.name(names),
        age_d => at.age_d,
        difference("g", "value of the first group's curve minus that of the second") => at.difference,
        std_error("g", "standard error of the difference") => at.standard_error,
        lower("g", "lower limit at this age alone") => at.interval.map(|limits| limits.lower),
        upper("g", "upper limit at this age alone") => at.interval.map(|limits| limits.upper),
        simultaneous_lower("g", "lower limit of the band that is simultaneous over all these ages (tube formula)") => at.simultaneous.map(|band| band.lower),
        simultaneous_upper("g", "upper limit of the band that is simultaneous over all these ages (tube formula)") => at.simultaneous.map(|band| band.upper),
        differs("", "yes where the simultaneous band excludes 0") => at.differs(),
    });
    let pairs = comparison.compared.iter().flat_map(|compared| {
        let pairs = compared.by_age.iter();
        pairs.map(move |pair| (compared, pair))
    });
    columns.table(pairs.flat_map(|(compared, pair)| {
        let ages = pair.ages.iter();
        ages.map(move |at| (compared, pair, at))
    }))
}

/// `allometry.csv`: how a trait grows with another, by group.
#[must_use]
pub fn allometry(study: &Study, groups: &Groups, allometries: &[Allometry]) -> Table {
    struct Row<'a> {
        of: &'a Allometry,
        answer: &'a Answer,
        group: &'a GroupAllometry,
        term: Cow<'a, str>,
        value: Term,
        isometry_p: Option<f64>,
    }
    let columns = columns!("allometry", |row: Row<'_>| {
        trait("", "trait whose mass y is predicted: ln y = log_coefficient + exponent ln x") => &study.traits[row.of.trait_index].name,
        on("", "reference trait, of mass x") => &study.traits[row.of.on].name,
        strain("", "name of the group") => &groups.names[row.group.group],
        term("", "exponent, log_coefficient (of masses in g), or mass_at_...g: the trait's mass where x is that mass") => &*row.term,
        estimate("see unit", "its estimate") => row.value.value,
        std_error("see unit", "standard error of the estimate") => row.value.standard_error,
        lower("see unit", "lower limit of the interval") => row.value.interval.map(|limits| limits.lower),
        upper("see unit", "upper limit of the interval") => row.value.interval.map(|limits| limits.upper),
        birds("1", "birds of the group") => row.group.birds,
        n("1", "pairs of records of the group") => row.group.n,
        random("", "what differs between birds: intercept and slope, intercept, or nothing") => row.answer.random,
        isometry_p("1", "P value of an exponent of 1") => row.isometry_p,
        unit => if row.term.starts_with("mass_at") { "g" } else { "1" },
    });
    columns.filled(0, |add| {
        for of in allometries {
            let Ok(answer) = &of.answer else {
                continue;
            };
            let at_reference = format!("mass_at_{:.0}g", answer.reference_g);
            for group in &answer.groups {
                for (term, value, isometry_p) in [
                    ("exponent".into(), group.exponent, group.isometry_p),
                    ("log_coefficient".into(), group.log_coefficient, None),
                    (at_reference.clone().into(), group.at_reference, None),
                ] {
                    add(Row {
                        of,
                        answer,
                        group,
                        term,
                        value,
                        isometry_p,
                    });
                }
            }
        }
    })
}

/// `fat_share.csv`: fat as a percentage of the body along age, by group.
#[must_use]
pub fn fat_share(study: &Study, groups: &Groups, shares: &[FatShare]) -> Table {
    let of = |found: &FatShare| {
        let names = found.of.iter().map(|index| &*study.traits[*index].name);
        names.collect::<Vec<_>>().join(" + ")
    };
    let columns = columns!("fat_share", |(found, share): (&FatShare, &Share)| {
        strain("", "name of the group") => &groups.names[found.group],
        age_d => share.age_d,
        percent("%", "fat in percent of the total, from the curves of both") => share.percent,
        std_error("%", "standard error of that percentage") => share.standard_error,
        lower("%", "lower limit of that percentage") => share.interval.map(|limits| limits.lower),
        upper("%", "upper limit of that percentage") => share.interval.map(|limits| limits.upper),
        trait("", "fat trait that is the share") => &study.traits[found.fat].name,
        of("", "what it is a share of: body_weight, or the sum of fat, lean and bone") => of(found),
        curve("", "name of the growth curve of both masses") => &found.curve,
    });
    columns.table(shares.iter().flat_map(|found| {
        let shares = found.shares.iter().flatten();
        shares.map(move |share| (found, share))
    }))
}
