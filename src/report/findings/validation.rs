//! Findings on equations tested on other birds.

use super::Findings;
use crate::analysis::validation_answers;
use crate::composition::Equation;
use crate::composition::validation::{HeldRange, QuantityRow, Validation, Verdict};
use crate::report::rounding::{estimate_and_error, interval, significant};
use crate::report::tables::{answers, validation};
use crate::stats;

impl Findings {
    /// Equations tested on other birds: the verdict of each, its figures, the tables.
    pub fn validation(&mut self, validations: &[Validation]) {
        self.answer(
            "Does the equation hold for these birds?",
            validations.iter().flat_map(sentences),
        );
        for one in validations {
            self.warnings.extend(one.warnings.iter().cloned());
            self.count(format!("birds of {}", one.trait_name), one.birds.len());
        }
        self.method(
            "validation",
            "two one-sided t tests at 5 %, one bird one unit",
        );
        self.tables
            .push(answers::answers(&validation_answers(validations)));
        self.tables.push(validation::validation(validations));
        self.tables.push(validation::validation_groups(validations));
        self.tables.push(validation::validation_pairs(validations));
    }

    /// Equations recalibrated on the birds that they were tested on.
    pub fn recalibration(&mut self, equations: &[Equation]) {
        let last = |equation: &Equation| equation.provenance.recalibrations.last().cloned();
        let sentences = equations.iter().filter_map(|equation| {
            let done = last(equation)?;
            if done.share_taken <= 0.0 {
                return Some(format!(
                    "  {}: kept as it is, since birds left out of {} are predicted no better after recalibration of {}",
                    equation.provenance.response, done.birds, done.changed
                ));
            }
            Some(format!(
                "  {}: {} recalibrated on {} birds, {:.0} % of what these birds alone would ask for; root mean square error {} before, {} for birds left out after",
                equation.provenance.response,
                done.changed,
                done.birds,
                100.0 * done.share_taken,
                significant(done.rmse_before, 3),
                significant(done.cross_validated_rmse, 3),
            ))
        });
        self.answer("What does recalibration give?", sentences);
        self.tables.push(validation::recalibration(equations));
    }
}

/// Verdict and figures of one equation, two or three lines.
fn sentences(one: &Validation) -> Vec<String> {
    let n = one.birds.len();
    let unit = one.unit;
    let mut verdict = format!("  {}: {}", one.trait_name, one.verdict.words());
    match one.verdict {
        Verdict::Undecided {
            more_birds: Some(more),
        } => verdict += &format!("; about {more} more birds would decide"),
        Verdict::Undecided { more_birds: None } => {
            verdict += "; no number of further birds that can be analysed follows from these";
        }
        _ => {}
    }
    let shown: Vec<String> = one.ranges.iter().filter_map(range).collect();
    if !shown.is_empty() {
        verdict += &format!(", shown for {}", shown.join(" and "));
    }
    verdict += &format!(
        " ({n} birds; acceptable error {} {unit}, {})",
        significant(one.acceptable, 2),
        one.acceptable_from
    );
    let mut figures = Vec::new();
    if let Some(bias) = found(one, "bias") {
        figures.push(format!("bias {} {unit}{}", number(bias), limits(bias)));
    }
    let agreement = (
        found(one, "lower_limit_of_agreement"),
        found(one, "upper_limit_of_agreement"),
    );
    if let (Some(lower), Some(upper)) = agreement
        && let (Some(from), Some(to)) = (lower.estimate, upper.estimate)
    {
        let ends = stats::Interval {
            lower: from,
            upper: to,
        };
        figures.push(format!(
            "limits of agreement {}",
            written(ends, lower.std_error)
        ));
    }
    if let Some(slope) = found(one, "calibration_slope") {
        figures.push(format!("slope {}{}", number(slope), limits(slope)));
    }
    let outside = one.birds.iter().filter(|bird| bird.outside == Some(true));
    let judged = one.birds.iter().filter(|bird| bird.outside.is_some());
    let (outside, judged) = (outside.count(), judged.count());
    if judged > 0 {
        figures.push(format!(
            "{outside} of {judged} outside the prediction interval"
        ));
    }
    let why = match one.verdict {
        Verdict::AsItIs => String::new(),
        _ => format!(" ({})", one.reason),
    };
    vec![verdict, format!("    {}{why}", figures.join(", "))]
}

fn range(range: &HeldRange) -> Option<String> {
    let shown = range.shown?;
    let name = match range.of {
        "age" => "ages",
        _ => "masses",
    };
    Some(format!(
        "{name} {} to {} {}",
        significant(shown.lower, 3),
        significant(shown.upper, 3),
        range.unit
    ))
}

fn found<'a>(one: &'a Validation, quantity: &str) -> Option<&'a QuantityRow> {
    let mut rows = one.quantities.iter();
    rows.find(|row| row.quantity == quantity && row.estimate.is_some())
}

fn number(row: &QuantityRow) -> String {
    let value = row.estimate.unwrap_or_default();
    let written = estimate_and_error(value, row.std_error);
    // The interval already shows it.
    written
        .split(" \u{b1}")
        .next()
        .unwrap_or_default()
        .to_owned()
}

fn limits(row: &QuantityRow) -> String {
    match row.interval {
        Some(limits) => format!(" ({})", written(limits, row.std_error)),
        None => String::new(),
    }
}

fn written(limits: stats::Interval, std_error: Option<f64>) -> String {
    interval(Some(limits), std_error)
}
