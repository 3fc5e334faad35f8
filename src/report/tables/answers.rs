//! `answers.csv`: every answer of an analysis, one list.

use super::Columns;
use super::column::{Column, about, columns};
use crate::analysis::Answer;
use crate::report::Table;

/// The answers, a row each.
#[must_use]
pub fn answers(answers: &[Answer]) -> Table {
    // An open side is empty.
    let limit = |side: f64| Some(side).filter(|side| side.is_finite());
    columns!("answers", |one: &Answer| {
        question("", "the question in words") => one.question,
        strain("", "strain, or the group as its model names it") => &one.strain,
        strain_b("", "the strain that it is compared with") => &one.strain_b,
        treatment("", "treatment; empty where it does not apply") => &one.treatment,
        treatment_b("", "the treatment that it is compared with") => &one.treatment_b,
        house("", "house; empty where it does not apply") => &one.house,
        pen => &one.pen,
        bird => &one.bird,
        trait => &one.trait_name,
        quantity("", "what the number is, such as typical_mass, deviation, age_in_lay_50pct") => one.quantity,
        age_d => one.age_d,
        unit("", "unit of the estimate, its standard error and limits: g, d, %, 1 or that of a reading") => &*one.unit,
        estimate("see unit", "the number; empty where the data determine none") => one.estimate,
        std_error("see unit", "standard error of the estimate") => one.std_error,
        lower("see unit", "lower limit of the interval") => one.interval.and_then(|limits| limit(limits.lower)),
        upper("see unit", "upper limit of the interval") => one.interval.and_then(|limits| limit(limits.upper)),
        p_value("1", "P value of no difference") => one.p_value,
        p_adjusted("1", "P value adjusted for the comparisons made at that age (greatest t of all pairs; with the mean of all: Holm)") => one.p_adjusted,
        n("1", "birds, or scans, behind the number") => one.n,
        model("", "the model that the number is read from") => &one.model,
        status("", "supported, weak or not estimable") => one.status.name(),
        caution("", "why there is no number, or what to be careful about") => &one.caution,
    })
    .table(answers)
}
