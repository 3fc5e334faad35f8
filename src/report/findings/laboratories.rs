//! Findings on one equation for several laboratories.

use super::Findings;
use crate::composition::laboratories::Laboratories;
use crate::composition::validation::QuantityRow;
use crate::report::rounding::{p_equals, significant};
use crate::report::tables::{calibration, laboratories};
use crate::stats::Interval;

impl Findings {
    /// One equation for several laboratories, and what it is worth in another.
    pub fn laboratories(&mut self, of: &Laboratories) {
        self.answer(
            "How much do laboratories differ, and what holds in another one?",
            sentences(of),
        );
        self.warnings.extend(of.warnings.iter().cloned());
        self.count("laboratories", of.laboratories.len());
        self.method(
            "laboratories",
            "restricted likelihood, Kenward-Roger; new laboratory by exact distributions of own lines",
        );
        if !of.terms.is_empty() {
            self.tables.push(calibration::calibration_terms(&of.terms));
            self.tables.push(laboratories::new_laboratory(of));
        }
        self.tables.push(laboratories::laboratories(of));
        self.tables.push(laboratories::laboratory_variation(of));
        if !of.left_out.is_empty() {
            self.tables.push(laboratories::laboratories_left_out(of));
        }
    }
}

fn sentences(of: &Laboratories) -> Vec<String> {
    let name = &of.trait_name;
    let birds: usize = of.laboratories.iter().map(|row| row.birds).sum();
    let k = of.laboratories.len();
    let mut lines = Vec::new();
    let p = |quantity: &str| {
        found(of, quantity)
            .and_then(|row| row.estimate)
            .map_or(String::new(), |p| format!(" ({})", p_equals(p)))
    };
    let about = match &of.reading {
        Some((reading, middle)) => format!(" at {reading} = {} g", significant(*middle, 3)),
        None => String::new(),
    };
    let Some(equation) = &of.equation else {
        for row in &of.laboratories {
            lines.push(format!(
                "  {name}, {} ({} birds): {} g \u{b1} {}{about}{}",
                row.laboratory,
                row.birds,
                significant(row.level[0], 4),
                significant(row.level[1], 2),
                row.slope.map_or(String::new(), |[slope, error]| format!(
                    ", slope {} \u{b1} {}",
                    significant(slope, 3),
                    significant(error, 2)
                )),
            ));
        }
        lines.push(format!(
            "  {name}: same level{}, same slope{}; two laboratories do not show how a third would differ, so that there is no equation for others",
            p("p_same_level"),
            p("p_same_slope"),
        ));
        return lines;
    };
    let terms: Vec<String> = equation
        .columns
        .iter()
        .zip(&equation.coefficients)
        .map(|(column, value)| format!("{} {column}", significant(*value, 3)))
        .collect();
    lines.push(format!(
        "  {name} = {}",
        terms
            .join(" + ")
            .replace("+ \u{2212}", "\u{2212} ")
            .replace(" intercept", "")
    ));
    let share = found(of, "share_between_laboratories");
    lines.push(format!(
        "    {k} laboratories, {birds} birds: SD between laboratories {}{about}{}{}",
        with_limits(found(of, "sd_between_laboratories"), 1.0, " g"),
        match found(of, "sd_between_slopes") {
            Some(row) => format!(
                ", of slopes {}{}",
                with_limits(Some(row), 1.0, ""),
                p("p_same_slope")
            ),
            None => String::new(),
        },
        match share {
            Some(row) => format!(
                "; {} of the variance of a bird lies between laboratories{}",
                with_limits(Some(row), 100.0, " %"),
                p("p_same_level")
            ),
            None => String::new(),
        }
    ));
    if let Some(row) = of.new.get(of.new.len() / 2) {
        let half = |interval: Interval| significant(interval.width() / 2.0, 2);
        lines.push(format!(
            "    a new laboratory's line is predicted to \u{b1} {} g, its bird to \u{b1} {} g ({:.0} %, at a prediction of {} g)",
            half(row.laboratory),
            half(row.one_bird),
            100.0 * of.confidence,
            significant(row.predicted, 3),
        ));
    }
    lines.extend(left_out(of));
    lines
}

/// How well each laboratory is predicted by the others.
fn left_out(of: &Laboratories) -> Option<String> {
    let rmse = of.left_out_rmse?;
    let biases: Vec<f64> = of
        .laboratories
        .iter()
        .filter_map(|row| row.left_out_bias)
        .collect();
    let least = biases.iter().copied().fold(f64::INFINITY, f64::min);
    let greatest = biases.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let judged = of
        .left_out
        .iter()
        .filter_map(|row| row.interval.map(|interval| interval.contains(row.observed)));
    let judged: Vec<bool> = judged.collect();
    let inside = judged.iter().filter(|inside| **inside).count();
    Some(format!(
        "    laboratories left out one at a time: root mean square error {} g, bias {} to {} g by laboratory{}",
        significant(rmse, 3),
        significant(least, 2),
        significant(greatest, 2),
        match judged.len() {
            0 => String::new(),
            n => format!("; {inside} of {n} birds within their prediction interval"),
        }
    ))
}

fn found<'a>(of: &'a Laboratories, quantity: &str) -> Option<&'a QuantityRow> {
    of.variation.iter().find(|row| row.quantity == quantity)
}

fn with_limits(row: Option<&QuantityRow>, scale: f64, unit: &str) -> String {
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
