//! Curve cards: changed ones, and cards with invented equations.

use std::sync::OnceLock;

use arbitrary::{Result, Unstructured};
use pinfeather::growth::{Card, Curve};

use crate::mutate::{corpus, mutated};
use crate::readers::refused;

/// Cards.
pub(crate) fn cards(data: &[u8]) {
    let _ = try_cards(&mut Unstructured::new(data));
}

fn try_cards(u: &mut Unstructured) -> Result<()> {
    static CARDS: OnceLock<Vec<Vec<u8>>> = OnceLock::new();
    let all = corpus(&CARDS, &["models/curves"], &["toml"]);
    let (card, other) = (u.choose(all)?, u.choose(all)?);
    let mut text = String::from_utf8_lossy(card).into_owned();
    if u.arbitrary()? {
        // Every term must stand in the equation: the card's own comes first.
        let depth = u.int_in_range(1..=6)?;
        let invented = equation(u, depth)?;
        let sign = *u.choose(&["+", "-", "*", "/", "^"])?;
        text = text
            .lines()
            .map(|line| match line.strip_prefix("equation = \"") {
                Some(rest) => {
                    let own = rest.split('"').next().unwrap_or("t");
                    format!("equation = \"({own}){sign}({invented})\"\n")
                }
                None => format!("{line}\n"),
            })
            .collect();
    }
    if u.ratio(1, 2)? {
        text = String::from_utf8_lossy(&mutated(u, text.as_bytes(), other)?).into_owned();
    }
    match Card::parse(&text, "card.toml") {
        Err(error) => refused(&error),
        Ok(card) => evaluated(&card),
    }
    Ok(())
}

/// A card that is read gives values and gradients, numbers or none; starts are finite.
fn evaluated(card: &Card) {
    let ages_d = [1.0, 28.0, 56.0, 84.0, 112.0, 140.0];
    let values = [40.0, 260.0, 650.0, 1050.0, 1300.0, 1600.0];
    let terms = card.terms().len();
    let made = card.at_hatch_weight(38.0);
    let curve: &dyn Curve = made.as_deref().unwrap_or(card);
    let (mut start, mut gradient) = (vec![0.0; terms], vec![0.0; terms]);
    for attempt in 0..4 {
        if !curve.start(attempt, &ages_d, &values, &mut start) {
            break;
        }
        assert!(
            start.iter().all(|term| term.is_finite()),
            "a start that is no number"
        );
        for age_d in ages_d {
            let value = curve.value(age_d, &start);
            let again = curve.value_and_gradient(age_d, &start, &mut gradient);
            assert!(
                value.to_bits() == again.to_bits() || value.is_nan() && again.is_nan(),
                "{value} with its gradient {again}"
            );
            curve.slope_and_gradient(age_d, &start, &mut gradient);
        }
    }
}

fn equation(u: &mut Unstructured, depth: u32) -> Result<String> {
    const FUNCTIONS: [&str; 8] = ["exp", "ln", "log10", "sqrt", "sin", "atan", "tanh", "acos"];
    if depth == 0 || u.ratio(1, 5)? {
        return Ok(match u.int_in_range(0..=4_u8)? {
            0 => "t".to_owned(),
            1 => "PI".to_owned(),
            2 => u.int_in_range(0..=3_u8)?.to_string(),
            3 => "0.5".to_owned(),
            _ => crate::mutate::cell(u)?.replace(['"', '\\', '\n', '\0'], ""),
        });
    }
    let left = equation(u, depth - 1)?;
    Ok(match u.int_in_range(0..=6_u8)? {
        0 => format!("{}({left})", u.choose(&FUNCTIONS)?),
        1 => format!("-({left})"),
        n => {
            let right = equation(u, depth - 1)?;
            let sign = ["+", "-", "*", "/", "^"][usize::from(n - 2)];
            format!("({left}){sign}({right})")
        }
    })
}
