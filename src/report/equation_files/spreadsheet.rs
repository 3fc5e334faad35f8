//! A CSV table with formulas: inputs in the first columns, to be filled in below; the terms of the
//! equation; the corrected mass and its standard error. Functions and commas as in English
//! spreadsheets.

use super::{Parts, number};
use crate::composition::EquationPiece;

const ALPHABET: &[u8; 26] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZ";

/// The letters of a column, counted from 0: A to Z, AA, ...
fn letters(mut place: usize) -> String {
    let mut text = String::new();
    loop {
        text.insert(0, char::from(ALPHABET[place % ALPHABET.len()]));
        if place < 26 {
            return text;
        }
        place = place / 26 - 1;
    }
}

/// A cell of CSV.
fn cell(text: &str) -> String {
    format!("\"{}\"", text.replace('"', "\"\""))
}

pub(super) fn csv(parts: &Parts<'_>) -> String {
    let count = parts.inputs.len();
    let input = |name: &str| {
        let place = parts.inputs.iter().position(|input| input.name == name);
        format!("{}2", letters(place.unwrap_or_default()))
    };
    let term = |place: usize| format!("{}2", letters(count + place));
    let p = parts.equation.columns.len();
    let mut header: Vec<String> = parts
        .inputs
        .iter()
        .map(|input| input.name.to_owned())
        .collect();
    let mut row: Vec<String> = parts
        .inputs
        .iter()
        .map(|input| match (input.levels, input.range) {
            (Some(levels), _) => levels[0].clone(),
            (None, Some([least, greatest])) => number(f64::midpoint(least, greatest)),
            (None, None) => "1".to_owned(),
        })
        .collect();
    for (column, pieces) in parts.equation.columns.iter().zip(parts.columns()) {
        header.push(format!("term {column}"));
        let factors: Vec<String> = pieces
            .iter()
            .map(|piece| match piece {
                EquationPiece::Number(name) => input(name),
                EquationPiece::Log(name) => format!("LN({})", input(name)),
                EquationPiece::Level { factor, level } => {
                    format!(
                        "IF({}=\"{}\",1,0)",
                        input(factor),
                        level.replace('"', "\"\"")
                    )
                }
            })
            .collect();
        row.push(match factors.is_empty() {
            true => "1".to_owned(),
            false => format!("={}", factors.join("*")),
        });
    }
    let value = format!("{}2", letters(count + p));
    let sum: Vec<String> = parts
        .equation
        .coefficients
        .iter()
        .enumerate()
        .map(|(j, b)| format!("{}*({})", term(j), number(*b)))
        .collect();
    header.push(parts.response().to_owned());
    row.push(match parts.is_log() {
        true => format!("=EXP({}+{})", sum.join("+"), number(parts.half_variance())),
        false => format!("={}", sum.join("+")),
    });
    if let Some(errors) = &parts.errors {
        let mut products = Vec::new();
        for i in 0..p {
            for j in 0..=i {
                let twice = if i == j { 1.0 } else { 2.0 };
                let entry = twice * errors.covariance[i][j];
                products.push(format!("{}*{}*({})", term(i), term(j), number(entry)));
            }
        }
        let shared = products.join("+");
        let variance = number(errors.residual_variance);
        header.push("std_error".to_owned());
        row.push(if parts.is_log() {
            format!("={value}*SQRT({shared}+EXP({variance})-1)")
        } else if errors.power.abs() < f64::MIN_POSITIVE {
            format!("=SQRT({shared}+{variance})")
        } else {
            let name = parts.equation.provenance.variance_of.as_deref();
            let of = name.map_or(value, input);
            format!(
                "=SQRT({shared}+{variance}*ABS({of})^({}))",
                number(2.0 * errors.power)
            )
        });
    }
    let line = |cells: &[String]| {
        let cells: Vec<String> = cells.iter().map(|text| cell(text)).collect();
        cells.join(",") + "\n"
    };
    let mut text = line(&header) + &line(&row) + "\n";
    for (key, note) in &parts.notes {
        text += &line(&[format!("{key}: {note}")]);
    }
    text
}
