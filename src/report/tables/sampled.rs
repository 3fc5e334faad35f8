//! The table of the model of birds weighed without names.

use super::Columns;
use super::column::{Column, about, columns};
use crate::report::Table;
use crate::stats::distribution::t_two_sided_quantile;
use crate::study::Study;
use crate::trajectory::sampled::{LogEstimate, SampledModel, SampledTrait};

/// A row: of a group, or of all.
struct Row {
    group: String,
    term: String,
    meaning: String,
    unit: String,
    estimate: f64,
    std_error: Option<f64>,
    limits: Option<(f64, f64)>,
    df: Option<f64>,
    note: String,
}

/// `sample_model.csv`: terms of the curves and of the variation between birds, pens, days and
/// occasions.
#[must_use]
pub fn sample_model(study: &Study, of: &SampledTrait, confidence: f64) -> Table {
    let rows = of.model.as_ref().map_or_else(
        |why| vec![none(of, why)],
        |model| rows(of, model, confidence),
    );
    columns!("sample_model", |row: &Row| {
        trait => &study.traits[of.trait_index].name,
        group("", "strain, or strain and treatment; empty where it is of all") => &row.group,
        curve => of.model.as_ref().map_or("", |model| model.curve.name()),
        term("", "term of the curve, or SD between birds (at an age), pens, days, occasions") => &row.term,
        meaning("", "what it is") => &row.meaning,
        unit("", "unit of the estimate") => &row.unit,
        estimate("see unit", "the estimate") => row.estimate.is_finite().then_some(row.estimate),
        std_error("see unit", "its standard error") => row.std_error,
        lower("see unit", "lower limit of its interval") => row.limits.map(|limits| limits.0),
        upper("see unit", "upper limit of its interval") => row.limits.map(|limits| limits.1),
        df("1", "degrees of freedom of the interval (Satterthwaite)") => row.df.filter(|df| *df < 1e5),
        note("", "why there is no number") => &row.note,
    })
    .table(&rows)
}

fn none(of: &SampledTrait, why: &str) -> Row {
    Row {
        group: of
            .sampled
            .groups
            .first()
            .map_or_else(String::new, |group| group.name.clone()),
        term: String::new(),
        meaning: "model of the samples".to_owned(),
        unit: String::new(),
        estimate: f64::NAN,
        std_error: None,
        limits: None,
        df: None,
        note: why.to_owned(),
    }
}

fn rows(of: &SampledTrait, model: &SampledModel, confidence: f64) -> Vec<Row> {
    let mut rows = Vec::new();
    for (group, named) in of.sampled.groups.iter().enumerate() {
        for (at, term) in model.curve.terms().iter().enumerate() {
            let LogEstimate {
                value,
                std_error,
                df,
            } = model.term(group, at);
            let reach = t_two_sided_quantile(confidence, df) * std_error;
            rows.push(Row {
                group: named.name.clone(),
                term: term.name.to_string(),
                meaning: term.meaning.to_string(),
                unit: term.unit.to_string(),
                estimate: value,
                std_error: Some(std_error),
                limits: Some((value - reach, value + reach)),
                df: Some(df),
                note: String::new(),
            });
        }
        let (first_d, last_d) = of.age_span(group);
        for age_d in [first_d, last_d] {
            if let Some(sd) = model.sd(group, age_d) {
                let meaning = format!("SD between birds of a pen at {age_d} d, of logarithms");
                rows.push(plain(&named.name, "sd_birds", meaning, ("%", 100.0 * sd)));
            }
        }
    }
    let percent = |variance: f64| ("%", 100.0 * variance.sqrt());
    let components = &model.components;
    for (term, meaning, variance) in [
        (
            "sd_pens",
            "SD between pens of a group, of logarithms",
            components.units,
        ),
        (
            "sd_days",
            "SD between days that all pens of a group have in common, of logarithms",
            components.days,
        ),
        (
            "sd_occasions",
            "SD between occasions of one pen, of logarithms",
            components.occasions,
        ),
    ] {
        rows.push(plain("", term, meaning.to_owned(), percent(variance)));
    }
    if let Some((passing, lasting_d)) = model.within_birds() {
        let meaning = "share of the variance between ringed birds that passes between weighings";
        rows.push(plain(
            "",
            "passing_share",
            meaning.to_owned(),
            ("1", passing),
        ));
        let meaning =
            "days after which the correlation of a ringed bird's weighings has fallen to 1/e";
        rows.push(plain("", "lasting_d", meaning.to_owned(), ("d", lasting_d)));
    }
    rows
}

fn plain(group: &str, term: &str, meaning: String, (unit, estimate): (&str, f64)) -> Row {
    Row {
        group: group.to_owned(),
        term: term.to_owned(),
        meaning,
        unit: unit.to_owned(),
        estimate,
        std_error: None,
        limits: None,
        df: None,
        note: String::new(),
    }
}
