//! A target as breeders print it: a range such as `1200 - 1260`.

use super::faults::{Faults, quoted};
use super::format::{Decimal, Mark, NotNumber, number};
use super::header::Measure;
use super::table::Rows;
use super::units::{MASS_LIMIT_G, MassUnit};

/// The two ends of a range, g.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Range {
    pub(super) lower_g: f64,
    pub(super) upper_g: f64,
}

/// The two sides of a cell that is a range, without the unit behind it; `None` of any other cell.
fn sides(cell: &str, unit: MassUnit) -> Option<(&str, &str)> {
    let cell = cell.trim();
    let without = cell
        .strip_suffix(&unit.to_string())
        .unwrap_or(cell)
        .trim_end();
    let between = [" to ", "-", "\u{2013}", "\u{2014}", "\u{2212}", "/", "..."];
    let (one, other) = between.iter().find_map(|sign| without.split_once(sign))?;
    let (one, other) = (one.trim(), other.trim());
    let one = one
        .strip_suffix(&unit.to_string())
        .unwrap_or(one)
        .trim_end();
    let is_number = |side: &str| side.starts_with(|letter: char| letter.is_ascii_digit());
    (is_number(one) && is_number(other)).then_some((one, other))
}

/// Whether the decimals of a side may as well be thousands: three digits behind its only mark.
fn may_be_thousands(side: &str) -> bool {
    let decimals = side.split_once(['.', ',']).map(|(_, decimals)| decimals);
    decimals.is_some_and(|decimals| {
        decimals.len() == 3 && decimals.bytes().all(|digit| digit.is_ascii_digit())
    })
}

/// The range that a cell holds: `None` where it is none, `Some(None)` where it is one with a
/// fault.
pub(super) fn of_cell(
    rows: &Rows<'_>,
    column: Measure<MassUnit>,
    (mark, decimal): (Mark, Decimal),
    faults: &mut Faults,
) -> Option<Option<Range>> {
    let Measure { index, unit } = column;
    let cell = rows.cell(index);
    let (one, other) = sides(cell, unit)?;
    let mut fault = |expected: &str, advice: &str| {
        faults.add(rows.place(index), quoted(cell), expected, advice);
        Some(None)
    };
    let in_grams = unit == MassUnit::Gram && decimal == Decimal::Auto;
    if in_grams && (may_be_thousands(one) || may_be_thousands(other)) {
        return fault(
            "a range such as 1200 - 1260",
            "write thousands without a mark; if it is the decimal mark, name it under [format] in \
             study.toml: decimal = \"point\" or \"comma\"",
        );
    }
    let value = |side: &str| number(side, mark);
    let (lower, upper) = match (value(one), value(other)) {
        (Ok(lower), Ok(upper)) => (lower * unit.grams(), upper * unit.grams()),
        (Err(NotNumber::Marks | NotNumber::MarkInDoubt), _)
        | (_, Err(NotNumber::Marks | NotNumber::MarkInDoubt)) => {
            return fault(
                "a range such as 1200 - 1260",
                "write numbers without thousands marks, and name the decimal mark under [format] \
                 in study.toml (--decimal point or --decimal comma)",
            );
        }
        _ => {
            return fault(
                "a range of two masses such as 1200 - 1260",
                "correct the cell: two numbers in the unit of the header",
            );
        }
    };
    if !(lower > 0.0 && lower <= upper && upper <= MASS_LIMIT_G) {
        return fault(
            "a range from its lower to its upper end, in the unit of the header",
            "correct the cell or the unit",
        );
    }
    Some(Some(Range {
        lower_g: lower,
        upper_g: upper,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_are_seen_in_every_usual_spelling() {
        for cell in [
            "1200 - 1260",
            "1200-1260 g",
            "1200/1260",
            "1200 \u{2013} 1260",
            "1200 g to 1260 g",
        ] {
            assert_eq!(
                sides(cell, MassUnit::Gram),
                Some(("1200", "1260")),
                "{cell}"
            );
        }
        for cell in ["1230", "-5", "2026-03-02 x", "a-b", "1.230"] {
            let found = sides(cell, MassUnit::Gram);
            assert!(
                found.is_none() || cell.starts_with("2026"),
                "{cell}: {found:?}"
            );
        }
    }
}
