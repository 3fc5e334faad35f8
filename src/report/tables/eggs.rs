//! The tables of eggs counted by pen, and of light.

use super::Columns;
use super::column::{Column, about, columns};
use crate::maturity::{EggEstimate, EggOnset, LightEffect, LightProgramme, PenDay, PenOnset};
use crate::report::Table;
use crate::study::Study;

/// `egg_counts.csv`: production of each pen by age, and its expectation by the model.
#[must_use]
pub fn egg_counts(study: &Study, eggs: &EggOnset) -> Table {
    let columns = columns!("egg_counts", |(pen, day): (&PenOnset, &PenDay)| {
        strain => pen.strain.map(|strain| &study.strains[strain]),
        pen => &study.pens[pen.pen],
        age_d("d", "age on the (last) day of the count; hatch is day 0") => f64::from(day.count.age_d),
        days("d", "days that the count covers, that day the last") => day.count.days,
        eggs("1", "eggs counted") => day.count.eggs,
        hens("1", "hens alive") => day.count.hens,
        hen_day_pct("%", "hen-day production: eggs over hens alive and days") => day.hen_day_pct,
        hen_housed_pct("%", "hen-housed production: eggs over hens at the pen's first count and days") => day.hen_housed_pct,
        fitted_hen_day_pct("%", "hen-day production by the model; empty where the pen has none") => day.fitted_pct,
        hens_in_lay_pct("%", "hens that have laid their first egg by that day, by the model; ahead of production") => day.in_lay_pct,
        row => day.count.row,
    });
    columns.table(eggs.pens.iter().flat_map(|pen| {
        let days = pen.days.iter();
        days.map(move |day| (pen, day))
    }))
}

/// Whose row it is: strain, pen, pens and hens.
struct Whose<'a> {
    level: &'static str,
    strain: Option<usize>,
    pen: Option<usize>,
    pens: usize,
    hens: f64,
    one: &'a EggEstimate,
}

/// `egg_maturity.csv`: age at sexual maturity and in lay of each group and pen.
#[must_use]
pub fn egg_maturity(study: &Study, eggs: &EggOnset) -> Table {
    let columns = columns!("egg_maturity", |row: Whose<'_>| {
        level => row.level,
        strain => row.strain.map(|strain| &study.strains[strain]),
        pen => row.pen.map(|pen| &study.pens[pen]),
        quantity("", "mean and SD of the age at sexual maturity (first egg) of the hens of a pen; age by which 5, 50 and 95 % have laid; age at 50 % hen-day production; age at its peak, and its height") => row.one.quantity.name(),
        unit => row.one.quantity.unit(),
        estimate("see unit", "the quantity, averaged over families of distributions; of a strain, its typical pen") => row.one.value.as_ref().ok().map(|one| one.value),
        std_error("see unit", "standard error: hens, days, pens, and the rise of a hen's rate") => row.one.value.as_ref().ok().and_then(|one| one.standard_error),
        lower("see unit", "lower limit of the interval") => row.one.value.as_ref().ok().and_then(|one| one.interval).map(|limits| limits.lower),
        upper("see unit", "upper limit of the interval") => row.one.value.as_ref().ok().and_then(|one| one.interval).map(|limits| limits.upper),
        by_longer_rise("see unit", "how much the estimate changes where the rise of a hen's rate takes one standard error longer") => row.one.by_longer_rise,
        pens("1", "pens") => row.pens,
        hens("1", "hens at the first count") => row.hens,
        status => if row.one.value.is_ok() { "supported" } else { "not estimable" },
        reason => row.one.value.as_ref().err().map(String::as_str),
    });
    columns.filled(0, |add| {
        for group in &eggs.groups {
            for one in &group.estimates {
                add(Whose {
                    level: "strain",
                    strain: group.strain,
                    pen: None,
                    pens: group.pens.len(),
                    hens: group.pens.iter().map(|pen| eggs.pens[*pen].hens).sum(),
                    one,
                });
            }
        }
        for pen in &eggs.pens {
            for one in &pen.estimates {
                add(Whose {
                    level: "pen",
                    strain: pen.strain,
                    pen: Some(pen.pen),
                    pens: 1,
                    hens: pen.hens,
                    one,
                });
            }
        }
    })
}

/// `light_programme.csv`: hours of light by age, pens of one programme together.
#[must_use]
pub fn light_programme(study: &Study, programmes: &[LightProgramme]) -> Table {
    type Step = (f64, f64, Option<f64>);
    let columns = columns!("light_programme", |(programme, step): (&LightProgramme, &Step)| {
        pens("", "pens with this programme, joined by +; empty for all birds of a study without pens") => {
            let names: Vec<&str> = programme.pens.iter().map(|pen| &*study.pens[*pen]).collect();
            names.join("+")
        },
        age_d("d", "age from which the hours hold") => step.0,
        hours("1", "hours of light a day") => step.1,
        lux("1", "intensity, lux; empty where it is not known") => step.2,
    });
    columns.table(programmes.iter().flat_map(|programme| {
        let steps = programme.steps.iter();
        steps.map(move |step| (programme, step))
    }))
}

/// `light_effects.csv`: how the mean age at maturity of pens goes with their light.
#[must_use]
pub fn light_effects(effects: &[LightEffect]) -> Table {
    columns!("light_effects", |row: &LightEffect| {
        quantity("", "days of mean age at maturity for a day later first increase of light, or for one hour more of light from then on; strains apart") => row.measure.name(),
        unit => row.measure.unit(),
        estimate("see unit", "slope over pens") => row.slope.as_ref().ok().map(|slope| slope.value),
        std_error("see unit", "standard error, pens as the sample") => row.slope.as_ref().ok().and_then(|slope| slope.standard_error),
        lower("see unit", "lower limit of the interval") => row.slope.as_ref().ok().and_then(|slope| slope.interval).map(|limits| limits.lower),
        upper("see unit", "upper limit of the interval") => row.slope.as_ref().ok().and_then(|slope| slope.interval).map(|limits| limits.upper),
        p_value("1", "P value of no slope") => row.p_value,
        pens("1", "pens with a programme and an age at maturity") => row.pens,
        status => if row.slope.is_ok() { "supported" } else { "not estimable" },
        reason => row.slope.as_ref().err().map(String::as_str),
    })
    .table(effects)
}
