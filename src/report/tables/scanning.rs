//! The table of scanned against unscanned birds.

use super::Columns;
use super::column::{Column, about, columns};
use crate::analysis::Scanning;
use crate::contrast::scanning_effect::Effect;
use crate::report::Table;
use crate::study::{BODY_WEIGHT, Study, Unit};

/// A row: what is compared, where, on how many.
struct ScanningRow<'a> {
    quantity: &'static str,
    strain: Option<usize>,
    age_d: Option<f64>,
    birds: (usize, usize),
    experimental_unit: &'static str,
    unit: &'static str,
    margin_from: &'a str,
    effect: &'a Result<Effect, String>,
}

/// `scanning_effect.csv`: scanned minus unscanned birds.
#[must_use]
pub fn scanning_effect(study: &Study, scanning: &Scanning) -> Table {
    let weights = scanning.weights.iter().map(|row| ScanningRow {
        quantity: BODY_WEIGHT,
        strain: row.strain,
        age_d: Some(row.age_d),
        birds: row.birds,
        experimental_unit: match row.unit {
            Unit::Bird => "bird",
            Unit::Pen => "pen",
        },
        unit: "%",
        margin_from: scanning.margin_from,
        effect: &row.effect,
    });
    let lay = scanning.lay.iter().map(|(found, effect)| ScanningRow {
        quantity: "first_egg_age",
        strain: None,
        age_d: None,
        birds: found.birds,
        experimental_unit: "bird",
        unit: "d",
        margin_from: match study.settings.scans.first_egg_margin_d {
            Some(_) => "study.toml",
            None => "the default",
        },
        effect,
    });
    let number = |row: &ScanningRow<'_>, of: fn(&Effect) -> f64| row.effect.as_ref().ok().map(of);
    columns!("scanning_effect", |row: ScanningRow<'_>| {
        quantity("", "what is compared: body_weight or first_egg_age") => row.quantity,
        strain("", "strain; empty for all strains together") => row.strain.map(|strain| &study.strains[strain]),
        age_d("d", "age at which body weights are compared") => row.age_d,
        scanned("1", "birds scanned by that age, or by the day before the first egg of all") => row.birds.0,
        unscanned("1", "birds never scanned") => row.birds.1,
        experimental_unit("", "unit of the comparison: bird or pen") => row.experimental_unit,
        unit => row.unit,
        estimate("see unit", "scanned minus unscanned; of body weight in percent of the unscanned") => number(row, |effect| effect.estimate),
        std_error("see unit", "its standard error") => number(row, |effect| effect.standard_error),
        df("1", "degrees of freedom") => number(row, |effect| effect.df),
        lower("see unit", "lower limit") => number(row, |effect| effect.interval.lower),
        upper("see unit", "upper limit") => number(row, |effect| effect.interval.upper),
        p_value("1", "chance of so great a difference where there is none") => number(row, |effect| effect.p_value),
        margin("see unit", "difference that would not matter") => number(row, |effect| effect.margin),
        margin_from("", "where the margin is from: study.toml, the targets, or the default") => row.margin_from,
        lower_90("see unit", "lower limit of the 90 % interval, which is set against the margin") => number(row, |effect| effect.equivalence.interval.lower),
        upper_90("see unit", "upper limit of the 90 % interval") => number(row, |effect| effect.equivalence.interval.upper),
        p_equivalence("1", "greater P value of the two one-sided tests against the margin") => number(row, |effect| effect.equivalence.p_value),
        finding("", "within the margin, differs, or undecided") => row.effect.as_ref().map_or("", |effect| effect.finding().name()),
        note => row.effect.as_ref().err().map_or("", |reason| reason),
    })
    .table(weights.chain(lay))
}
