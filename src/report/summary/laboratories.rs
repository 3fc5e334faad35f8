//! The answer of a calibration over several laboratories, in ten lines.

use super::line::{Line, wrapped};
use super::scans::CAUTION;
use super::short_answer;
use crate::composition::laboratories::Laboratories;
use crate::report::laboratory_words::{
    equation_words, left_out_words, probability, share_words, with_limits,
};
use crate::report::paper::words::spaced;
use crate::report::rounding::significant;
use crate::report::text::{count, error_size};

/// Laboratories of two that a line has room for.
const MOST_LINES: usize = 3;

/// What holds in another laboratory, and how far laboratories differ, trait by trait; `saved` is
/// where the equations are kept.
#[must_use]
pub fn laboratories(all: &[Laboratories], saved: Option<&str>, place: &str) -> Vec<Line> {
    let mut lines = Vec::new();
    let (of_new, of_two): (Vec<&Laboratories>, Vec<&Laboratories>) =
        all.iter().partition(|of| of.equation.is_some());
    if !of_new.is_empty() {
        lines.push(Line::headed(
            "LABORATORIES",
            format!(
                "{:<20}{:<21}{}",
                "bird of another one", "SD between levels", "left out: error (bias)"
            ),
        ));
        lines.extend(of_new.iter().take(MOST_LINES).map(|of| of_another(of)));
    }
    if let [of] = of_new.as_slice() {
        lines.extend(of_one_trait(of));
    }
    for of in of_two.iter().take(1) {
        lines.extend(two(of));
    }
    if let (Some(saved), false) = (saved, of_new.is_empty()) {
        let equations = count(of_new.len(), "equation");
        lines.push(Line::headed("SAVED", format!("{equations} in {saved}")));
    }
    short_answer(lines, CAUTION, place)
}

/// `fat         ± 17 g at 71.3 g    5.4 g (3.2 to 13)    8.5 g (−9.3 to 8.5)`.
fn of_another(of: &Laboratories) -> Line {
    let bird = of.middle().map_or(String::new(), |row| {
        format!(
            "\u{b1} {} g at {} g",
            error_size(row.one_bird.width() / 2.0),
            significant(row.predicted, 3)
        )
    });
    let sd = with_limits(of.quantity("sd_between_laboratories"), 1.0, " g");
    let name: String = spaced(&of.trait_name).chars().take(11).collect();
    Line::plain(format!(
        "  {name:<12}{bird:<20}{sd:<21}{}",
        left_out_words(of).unwrap_or_default()
    ))
}

/// What there is room for where one equation was asked for.
fn of_one_trait(of: &Laboratories) -> Vec<Line> {
    let birds: usize = of.laboratories.iter().map(|row| row.birds).sum();
    let from = format!(
        "{}, {}; intervals {:.0} %",
        format_args!("{} laboratories", of.laboratories.len()),
        count(birds, "bird"),
        100.0 * of.confidence
    );
    let mut lines = vec![Line::headed("FROM", from)];
    if let Some(equation) = &of.equation {
        lines.extend(wrapped("EQUATION", &equation_words(equation), 2));
    }
    let mut differ = Vec::new();
    if let Some(row) = of.quantity("sd_between_slopes") {
        let same = probability(of, "p_same_slope");
        differ.push(format!(
            "slopes by SD {}{same}",
            with_limits(Some(row), 1.0, "")
        ));
    }
    differ.extend(share_words(of).map(|share| format!("{share} of a bird's variance")));
    if !differ.is_empty() {
        lines.extend(wrapped("DIFFER IN", &differ.join("; "), 2));
    }
    lines
}

/// Two laboratories: each by its own line, and that a third is not known.
fn two(of: &Laboratories) -> Vec<Line> {
    let about = match &of.reading {
        Some((reading, middle)) => format!(
            "{} at {reading} = {} g",
            of.trait_name,
            significant(*middle, 3)
        ),
        None => of.trait_name.clone(),
    };
    let mut lines = vec![Line::headed("LABORATORIES", about)];
    lines.extend(of.laboratories.iter().map(|row| {
        let name: String = row.laboratory.chars().take(11).collect();
        let slope = row.slope.map_or(String::new(), |[slope, error]| {
            format!(
                ", slope {} \u{b1} {}",
                significant(slope, 3),
                significant(error, 2)
            )
        });
        Line::plain(format!(
            "  {name:<12}{} \u{b1} {} g{slope} ({})",
            significant(row.level[0], 4),
            significant(row.level[1], 2),
            count(row.birds, "bird")
        ))
    }));
    let same = [("level", "p_same_level"), ("slope", "p_same_slope")];
    let same: Vec<String> = same
        .iter()
        .filter(|(_, quantity)| of.quantity(quantity).is_some())
        .map(|(what, quantity)| format!("same {what}{}", probability(of, quantity)))
        .collect();
    lines.push(Line::headed("SAME LINE?", same.join(", ")));
    lines.push(Line::headed(
        "NO EQUATION",
        "two laboratories do not show how a third differs; 3 are needed",
    ));
    lines
}
