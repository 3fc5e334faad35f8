//! Several laboratories in words: for the terminal's lines and the details.

use crate::composition::Equation;
use crate::composition::laboratories::Laboratories;
use crate::composition::validation::QuantityRow;
use crate::stats::Interval;

use super::rounding::{p_equals, significant};

/// `fat = −0.728 + 0.856 fat_scan − 0.333 age`.
pub(super) fn equation_words(equation: &Equation) -> String {
    let terms: Vec<String> = equation
        .columns
        .iter()
        .zip(&equation.coefficients)
        .map(|(column, value)| format!("{} {column}", significant(*value, 3)))
        .collect();
    format!(
        "{} = {}",
        equation.provenance.response,
        terms
            .join(" + ")
            .replace("+ \u{2212}", "\u{2212} ")
            .replace(" intercept", "")
    )
}

/// ` (P < 0.001)`; nothing where there is no such test.
pub(super) fn probability(of: &Laboratories, quantity: &str) -> String {
    of.quantity(quantity)
        .and_then(|row| row.estimate)
        .map_or(String::new(), |p| format!(" ({})", p_equals(p)))
}

/// `5.4 g (3.2 to 13)`.
pub(super) fn with_limits(row: Option<&QuantityRow>, scale: f64, unit: &str) -> String {
    let Some((row, estimate)) = row.and_then(|row| Some((row, row.estimate?))) else {
        return "not estimable".to_owned();
    };
    let number = |value: f64| significant(scale * value, 2);
    match row.interval {
        Some(limits) => format!(
            "{}{unit} ({} to {})",
            number(estimate),
            number(limits.lower),
            number(limits.upper)
        ),
        None => format!("{}{unit}", number(estimate)),
    }
}

/// `63 % (34 to 92)`: how much of the variance of a bird lies between laboratories.
pub(super) fn share_words(of: &Laboratories) -> Option<String> {
    let row = of.quantity("share_between_laboratories")?;
    Some(with_limits(Some(row), 100.0, " %"))
}

/// `8.5 g (−9.3 to 8.5)`: error of birds of laboratories left out, and bias by laboratory.
pub(super) fn left_out_words(of: &Laboratories) -> Option<String> {
    let rmse = of.left_out_rmse?;
    let biases = of.laboratories.iter().filter_map(|row| row.left_out_bias);
    let least = biases.clone().fold(f64::INFINITY, f64::min);
    let greatest = biases.fold(f64::NEG_INFINITY, f64::max);
    Some(format!(
        "{} g ({} to {})",
        significant(rmse, 2),
        significant(least, 2),
        significant(greatest, 2)
    ))
}

/// Everything that is said of them, for the details: the equation, a line a laboratory, and how
/// far they differ.
pub(super) fn details(of: &Laboratories) -> Vec<String> {
    let mut lines = Vec::new();
    match &of.equation {
        Some(equation) => lines.push(format!("  {}", equation_words(equation))),
        None => lines.push(format!(
            "  {}: two laboratories, of which no equation for a third follows",
            of.trait_name
        )),
    }
    lines.extend(table(of));
    let about = match &of.reading {
        Some((reading, middle)) => format!(" at {reading} = {} g", significant(*middle, 3)),
        None => String::new(),
    };
    if of.equation.is_none() {
        lines.push(format!(
            "    levels{about}: the same{}; slopes: the same{}",
            probability(of, "p_same_level"),
            probability(of, "p_same_slope"),
        ));
        return lines;
    }
    lines.push(format!(
        "    SD between laboratories{about}: {}; the same level{}",
        with_limits(of.quantity("sd_between_laboratories"), 1.0, " g"),
        probability(of, "p_same_level"),
    ));
    if let Some(row) = of.quantity("sd_between_slopes") {
        lines.push(format!(
            "    SD of their slopes: {}; the same slope{}",
            with_limits(Some(row), 1.0, ""),
            probability(of, "p_same_slope"),
        ));
    }
    if let Some(share) = share_words(of) {
        lines.push(format!(
            "    share of a bird's variance between laboratories: {share}"
        ));
    }
    if let Some(row) = of.middle() {
        let half = |interval: Interval| significant(interval.width() / 2.0, 2);
        lines.push(format!(
            "    another laboratory: its line \u{b1} {} g, its bird \u{b1} {} g ({:.0} %, at {} g)",
            half(row.laboratory),
            half(row.one_bird),
            100.0 * of.confidence,
            significant(row.predicted, 3),
        ));
    }
    lines.extend(left_out(of));
    lines
}

/// A line a laboratory.
fn table(of: &Laboratories) -> Vec<String> {
    let names = of
        .laboratories
        .iter()
        .map(|row| row.laboratory.chars().count());
    let wide = names.max().unwrap_or(0).max("laboratory".len()) + 2;
    let head = format!(
        "    {:<wide$}{:>5}  {:<17}{:<17}{:<16}{}",
        "laboratory", "birds", "level, g", "slope", "bias left out", "outside"
    );
    let rows = of.laboratories.iter().map(|row| {
        let pair = |[value, error]: [f64; 2]| {
            format!("{} \u{b1} {}", significant(value, 3), significant(error, 2))
        };
        let bias = row.left_out_bias;
        let bias = bias.map_or(String::new(), |bias| format!("{} g", significant(bias, 2)));
        let outside = row.outside.map_or(String::new(), |n| n.to_string());
        let line = format!(
            "    {:<wide$}{:>5}  {:<17}{:<17}{:<16}{}",
            row.laboratory,
            row.birds,
            pair(row.level),
            row.slope.map_or(String::new(), pair),
            bias,
            outside
        );
        line.trim_end().to_owned()
    });
    std::iter::once(head).chain(rows).collect()
}

/// How well laboratories are predicted by the others.
fn left_out(of: &Laboratories) -> Option<String> {
    let rmse = of.left_out_rmse?;
    let judged: Vec<bool> = of
        .left_out
        .iter()
        .filter_map(|row| Some(row.interval?.contains(row.observed)))
        .collect();
    let inside = judged.iter().filter(|inside| **inside).count();
    let within = match judged.len() {
        0 => String::new(),
        n => format!("; {inside} of {n} birds in their prediction intervals"),
    };
    Some(format!(
        "    laboratories left out one at a time: RMSE {} g{within}",
        significant(rmse, 3)
    ))
}
