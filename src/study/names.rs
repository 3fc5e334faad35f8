//! Names of birds and what spreadsheets do to them.

use super::faults::{Faults, quoted};
use super::table::Rows;
use super::workbook::is_error;

/// A cell without the apostrophe that guards a text from being taken for a
/// formula, as our own tables write it: `'=A1` is `=A1`.
pub(crate) fn unguarded(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(rest) if rest.starts_with(['=', '+', '-', '@']) => rest,
        _ => cell,
    }
}

/// Reports a new bird's name that is the label of a row of totals, or a number that
/// a spreadsheet has rounded; false where it is a name.
pub(crate) fn is_no_bird(
    rows: &Rows<'_>,
    column: Option<usize>,
    name: &str,
    faults: &mut Faults,
) -> bool {
    let Some(column) = column else { return false };
    let (found, advice) = if is_summary(name) {
        (
            format!("{}, the label of a row of totals", quoted(name)),
            "remove the row: sums and means are worked out here",
        )
    } else if is_error(name) {
        (
            quoted(name),
            "correct the formula in the spreadsheet, or empty the cell",
        )
    } else if is_spoilt_number(name) {
        (
            format!(
                "{}, which a spreadsheet has made of a long number",
                quoted(name)
            ),
            "take the names from where they came, in a column that is formatted as text",
        )
    } else {
        return false;
    };
    faults.add(rows.place(column), found, "a bird's name", advice);
    true
}

/// Whether a bird's name is the label of a row of totals.
fn is_summary(name: &str) -> bool {
    const LABELS: [&str; 11] = [
        "total",
        "totals",
        "grand total",
        "subtotal",
        "sum",
        "mean",
        "average",
        "avg",
        "sd",
        "std dev",
        "cv",
    ];
    let lower = name.trim().trim_end_matches([':', '.']).to_lowercase();
    LABELS.contains(&lower.as_str())
}

/// Whether a name is a number that a spreadsheet wrote with an exponent: `1.2E+05`.
fn is_spoilt_number(name: &str) -> bool {
    let Some((digits, exponent)) = name.split_once(['E', 'e']) else {
        return false;
    };
    let all_digits =
        |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    let exponent = exponent.strip_prefix('+');
    exponent.is_some_and(all_digits)
        && digits
            .split_once(['.', ','])
            .is_some_and(|(whole, rest)| all_digits(whole) && all_digits(rest))
}

/// A name with everything aside that is easily written in two ways: letter case,
/// spaces of every kind, zeros in front or after a decimal point.
fn folded(name: &str) -> String {
    let letters: String = name
        .chars()
        .filter(|letter| !letter.is_whitespace() && *letter != '\u{feff}' && *letter != '\u{200b}')
        .flat_map(char::to_lowercase)
        .collect();
    let number = without_last_zeros(&letters);
    let zeros = number.trim_start_matches('0');
    if zeros.starts_with(|letter: char| letter.is_ascii_digit()) {
        zeros.to_owned()
    } else {
        number.to_owned()
    }
}

/// A number without the zeros that a spreadsheet adds after its decimal point: `1.0` is `1`.
fn without_last_zeros(name: &str) -> &str {
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    match name.split_once('.') {
        Some((whole, part)) if digits(whole) && digits(part) => {
            name.trim_end_matches('0').trim_end_matches('.')
        }
        _ => name,
    }
}

/// Whether two names differ only in letter case, spaces or zeros that add nothing.
pub(crate) fn alike(one: &str, other: &str) -> bool {
    folded(one) == folded(other)
}

/// Pairs of names that are the same but for letter case, spaces or zeros that add nothing.
pub(crate) fn look_alikes<'a>(names: impl IntoIterator<Item = &'a str>) -> Vec<(&'a str, &'a str)> {
    let mut first = std::collections::HashMap::new();
    let mut pairs = Vec::new();
    for name in names {
        match first.entry(folded(name)) {
            std::collections::hash_map::Entry::Occupied(known) => pairs.push((*known.get(), name)),
            std::collections::hash_map::Entry::Vacant(free) => {
                free.insert(name);
            }
        }
    }
    pairs
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_as_spreadsheets_leave_them() {
        assert_eq!(unguarded("'=A1"), "=A1");
        assert_eq!(unguarded("'tis"), "'tis");
        assert!(is_summary("Total:") && !is_summary("Max"));
        assert!(is_spoilt_number("1.20E+05") && !is_spoilt_number("1E5"));
        assert_eq!(folded("A\u{a0}01 b"), "a01b");
        assert_eq!(folded("007"), "7");
        assert_eq!(folded("0"), "0");
        for (name, same) in [
            ("1.0", "1"),
            ("01.00", "1"),
            ("10", "10"),
            ("1.50", "1.5"),
            ("a1.0", "a1.0"),
        ] {
            assert_eq!(folded(name), same);
        }
        assert_eq!(look_alikes(["a1", "A 1", "b"]), [("a1", "A 1")]);
    }
}
