//! `answers.csv`: every answer of an analysis, one list.

use crate::analysis::Answer;
use crate::report::Table;

/// The answers, a row each.
#[must_use]
pub fn answers(answers: &[Answer]) -> Table {
    let mut table = Table::new(
        "answers",
        &[
            "question",
            "strain",
            "strain_b",
            "treatment",
            "treatment_b",
            "house",
            "pen",
            "bird",
            "trait",
            "quantity",
            "age_d",
            "unit",
            "estimate",
            "std_error",
            "lower",
            "upper",
            "p_value",
            "p_adjusted",
            "n",
            "model",
            "status",
            "caution",
        ],
    );
    for one in answers {
        // An open side is empty.
        let limit = |side: f64| Some(side).filter(|side| side.is_finite());
        table
            .row()
            .text(one.question)
            .text(&one.strain)
            .text(&one.strain_b)
            .text(&one.treatment)
            .text(&one.treatment_b)
            .text("")
            .text(&one.pen)
            .text(&one.bird)
            .text(&one.trait_name)
            .text(one.quantity)
            .number(one.age_d)
            .text(one.unit)
            .number(one.estimate)
            .number(one.std_error)
            .number(one.interval.and_then(|limits| limit(limits.lower)))
            .number(one.interval.and_then(|limits| limit(limits.upper)))
            .number(one.p_value)
            .number(one.p_adjusted)
            .whole(one.n)
            .text(&one.model)
            .text(one.status.name())
            .text(&one.caution);
    }
    table.finished()
}
