//! Formula, coefficients and covariance, printed.

use super::{Parts, number};
use crate::composition::EquationPiece;
use crate::report::rounding::significant;

/// How a language writes what a formula is made of.
struct Style {
    times: &'static str,
    text: fn(&str) -> String,
    level: fn(&str, &str) -> String,
    log: fn(&str) -> String,
    number: fn(f64) -> String,
}

const MARKDOWN: Style = Style {
    times: " \u{d7} ",
    text: |text| {
        text.replace('|', "\\|")
            .replace('_', "\\_")
            .replace('*', "\\*")
    },
    level: |factor, level| format!("[{factor} = {level}]"),
    log: |name| format!("ln({name})"),
    number: |value| significant(value, 5),
};

const LATEX: Style = Style {
    times: " \\times ",
    text: latex_text,
    level: |factor, level| format!("[\\text{{{factor}}} = \\text{{{level}}}]"),
    log: |name| format!("\\ln(\\text{{{name}}})"),
    number: |value| significant(value, 5).replace('\u{2212}', "-"),
};

fn latex_text(text: &str) -> String {
    let mut written = String::new();
    for letter in text.chars() {
        match letter {
            '&' | '%' | '$' | '#' | '_' | '{' | '}' => {
                written.push('\\');
                written.push(letter);
            }
            '\\' => written.push_str("\\textbackslash{}"),
            '~' => written.push_str("\\textasciitilde{}"),
            '^' => written.push_str("\\textasciicircum{}"),
            letter => written.push(letter),
        }
    }
    written
}

/// The sum of the terms, rounded for reading.
fn sum(parts: &Parts<'_>, style: &Style, plain: fn(String) -> String) -> String {
    let mut written = String::new();
    for (pieces, b) in parts.columns().zip(&parts.equation.coefficients) {
        let factors: Vec<String> = pieces
            .iter()
            .map(|piece| match piece {
                EquationPiece::Number(name) => plain((style.text)(name)),
                EquationPiece::Log(name) => (style.log)(&(style.text)(name)),
                EquationPiece::Level { factor, level } => {
                    (style.level)(&(style.text)(factor), &(style.text)(level))
                }
            })
            .collect();
        let sign = match (written.is_empty(), *b < 0.0) {
            (true, false) => "",
            (true, true) => "-",
            (false, false) => " + ",
            (false, true) => " - ",
        };
        let mut term = vec![(style.number)(b.abs())];
        term.extend(factors);
        written += sign;
        written += &term.join(style.times);
    }
    written
}

fn error_in_words(parts: &Parts<'_>) -> String {
    let Some(errors) = &parts.errors else {
        return "The equation has no covariance or residual variance, so that no standard error follows from it.".to_owned();
    };
    let variance = number(errors.residual_variance);
    let own = if parts.is_log() {
        format!("m^2 (exp({variance}) - 1)")
    } else if errors.power.abs() < f64::MIN_POSITIVE {
        variance
    } else {
        format!(
            "{variance} |{}|^{}",
            errors.of.as_deref().unwrap_or("m"),
            number(2.0 * errors.power)
        )
    };
    let shared = if parts.is_log() { "m^2 x'Vx" } else { "x'Vx" };
    format!(
        "Standard error of the mass m of a new bird: sqrt({shared} + {own}), x the values of the terms, V the covariance below; {shared} is shared by all birds."
    )
}

pub(super) fn markdown(parts: &Parts<'_>) -> String {
    let text = MARKDOWN.text;
    let name = text(parts.response());
    let sum = sum(parts, &MARKDOWN, |name| name);
    let mut page = format!("# Correction equation for {name}\n\n");
    page += &match parts.is_log() {
        true => format!(
            "{name} = exp({sum} + {})\n\n",
            significant(parts.half_variance(), 5)
        ),
        false => format!("{name} = {sum}\n\n"),
    };
    page += "A term in square brackets is 1 where it holds and 0 elsewhere. Compute from the full digits below.\n\n";
    page += &format!("{}\n\n", text(&error_in_words(parts)));
    page += "| term | coefficient |\n| --- | --- |\n";
    for (column, b) in parts
        .equation
        .columns
        .iter()
        .zip(&parts.equation.coefficients)
    {
        page += &format!("| {} | {} |\n", text(&column.to_string()), number(*b));
    }
    if let Some(errors) = &parts.errors {
        page += "\n| covariance |";
        for column in &parts.equation.columns {
            page += &format!(" {} |", text(&column.to_string()));
        }
        page += &format!("\n|{}\n", " --- |".repeat(1 + parts.equation.columns.len()));
        for (column, row) in parts.equation.columns.iter().zip(&errors.covariance) {
            let cells: Vec<String> = row.iter().map(|v| number(*v)).collect();
            page += &format!(
                "| {} | {} |\n",
                text(&column.to_string()),
                cells.join(" | ")
            );
        }
    }
    page += "\n";
    for (key, note) in &parts.notes {
        page += &format!("- {key}: {}\n", text(note));
    }
    page
}

pub(super) fn latex(parts: &Parts<'_>) -> String {
    let name = latex_text(parts.response());
    let sum = sum(parts, &LATEX, |name| format!("\\text{{{name}}}"));
    let mut page = String::from("% Needs the package amsmath.\n");
    page += "\\begin{equation*}\n";
    page += &match parts.is_log() {
        true => format!(
            "\\text{{{name}}} = \\exp\\bigl({sum} + {}\\bigr)\n",
            significant(parts.half_variance(), 5)
        ),
        false => format!("\\text{{{name}}} = {sum}\n"),
    };
    page += "\\end{equation*}\n";
    page += "A term in square brackets is 1 where it holds and 0 elsewhere. Compute from the full digits in the table.\n";
    page += &format!("{}\n\n", latex_text(&error_in_words(parts)));
    page += "\\begin{tabular}{lr}\nterm & coefficient \\\\\n\\hline\n";
    for (column, b) in parts
        .equation
        .columns
        .iter()
        .zip(&parts.equation.coefficients)
    {
        page += &format!(
            "{} & {} \\\\\n",
            latex_text(&column.to_string()),
            number(*b)
        );
    }
    page += "\\end{tabular}\n\n";
    if let Some(errors) = &parts.errors {
        page += &format!(
            "\\begin{{tabular}}{{l{}}}\ncovariance",
            "r".repeat(errors.covariance.len())
        );
        for column in &parts.equation.columns {
            page += &format!(" & {}", latex_text(&column.to_string()));
        }
        page += " \\\\\n\\hline\n";
        for (column, row) in parts.equation.columns.iter().zip(&errors.covariance) {
            let cells: Vec<String> = row.iter().map(|v| number(*v)).collect();
            page += &format!(
                "{} & {} \\\\\n",
                latex_text(&column.to_string()),
                cells.join(" & ")
            );
        }
        page += "\\end{tabular}\n\n";
    }
    page += "\\begin{itemize}\n";
    for (key, note) in &parts.notes {
        page += &format!("\\item {key}: {}\n", latex_text(note));
    }
    page += "\\end{itemize}\n";
    page
}
