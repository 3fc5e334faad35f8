//! Wide tables: a row a bird, a column for each age, the age in its header.

use super::units::{AgeUnit, MassUnit};

/// What a header such as `d7`, `week 3` or `BW_42 (g)` gives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct AgeHeader {
    /// The number in it.
    pub(crate) number: f64,
    /// The unit of the age, where it gives one.
    pub(crate) age: Option<AgeUnit>,
    /// The unit of the mass, where it gives one.
    pub(crate) mass: Option<MassUnit>,
}

/// Words that may stand beside the age.
const BESIDE: [&str; 9] = ["age", "bw", "weight", "wt", "body", "mass", "at", "t", "of"];

/// Reads a header as an age: one number, and beside it only units and words such
/// as "weight"; `None` where it is anything else.
pub(crate) fn age_header(header: &str) -> Option<AgeHeader> {
    let mut found = AgeHeader {
        number: f64::NAN,
        age: None,
        mass: None,
    };
    for part in parts(header) {
        if part.starts_with(|letter: char| letter.is_ascii_digit()) {
            if !found.number.is_nan() {
                return None;
            }
            found.number = part.parse().ok()?;
        } else if let Ok(unit) = part.parse() {
            found.age = Some(unit);
        } else if let Ok(unit) = part.parse() {
            found.mass = Some(unit);
        } else if !BESIDE.contains(&part.to_lowercase().as_str()) {
            return None;
        }
    }
    (!found.number.is_nan()).then_some(found)
}

/// Runs of digits (with a point inside) and runs of letters.
fn parts(header: &str) -> Vec<&str> {
    let kind = |letter: char| match letter {
        '0'..='9' | '.' => 1,
        _ if letter.is_alphabetic() || letter == '%' => 2,
        _ => 0,
    };
    let mut parts = Vec::new();
    let mut from = 0;
    let mut now = 0;
    for (at, letter) in header.char_indices() {
        if kind(letter) != now {
            if now != 0 {
                parts.push(&header[from..at]);
            }
            (from, now) = (at, kind(letter));
        }
    }
    if now != 0 {
        parts.push(&header[from..]);
    }
    parts.retain(|part| *part != ".");
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ages_in_headers() {
        let read = |header| age_header(header).map(|found| (found.number, found.age, found.mass));
        assert_eq!(read("d7"), Some((7.0, Some(AgeUnit::Days), None)));
        assert_eq!(read("Week 3"), Some((3.0, Some(AgeUnit::Weeks), None)));
        assert_eq!(read("42"), Some((42.0, None, None)));
        assert_eq!(read("10.5"), Some((10.5, None, None)));
        assert_eq!(read("BW_42 (g)"), Some((42.0, None, Some(MassUnit::Gram))));
        assert_eq!(
            read("weight_kg_d84"),
            Some((84.0, Some(AgeUnit::Days), Some(MassUnit::Kilogram)))
        );
        for other in ["bird", "2026-03-02", "egg1", "pen 3", "weight", "", "1.2.3"] {
            assert_eq!(read(other), None, "{other}");
        }
    }
}
