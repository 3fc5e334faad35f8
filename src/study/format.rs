//! How a table writes its columns and its numbers: separator, decimal mark,
//! missing codes.

use std::str::FromStr;

use serde::Deserialize;

use super::units::{DateFormat, from_text};
use super::workbook::is_error;

/// What stands between two cells.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub enum Separator {
    /// Seen from the header line: the one of the three that it holds most often.
    #[default]
    Auto,
    /// `,`
    Comma,
    /// `;`
    Semicolon,
    /// The tabulator.
    Tab,
}

impl FromStr for Separator {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text.to_ascii_lowercase().as_str() {
            "auto" => Ok(Self::Auto),
            "comma" | "," => Ok(Self::Comma),
            "semicolon" | ";" => Ok(Self::Semicolon),
            "tab" | "\t" => Ok(Self::Tab),
            _ => Err(format!(
                "found separator \"{text}\", expected comma, semicolon, tab or auto"
            )),
        }
    }
}

/// What stands before the decimals of a number.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub enum Decimal {
    /// Read from the numbers where they leave no doubt; otherwise requested.
    #[default]
    Auto,
    /// `12.5`
    Point,
    /// `12,5`
    Comma,
}

impl FromStr for Decimal {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text.to_ascii_lowercase().as_str() {
            "auto" => Ok(Self::Auto),
            "point" | "." => Ok(Self::Point),
            "comma" | "," => Ok(Self::Comma),
            _ => Err(format!(
                "found decimal mark \"{text}\", expected point, comma or auto"
            )),
        }
    }
}

from_text!(Separator, Decimal);

/// How a table is written.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Format {
    /// What stands between two cells.
    pub separator: Separator,
    /// What stands before the decimals of a number.
    pub decimal: Decimal,
    /// Cells that mean "no value"; an empty cell always does.
    pub missing: Vec<String>,
    /// Whether the table of weighings is wide: a row a bird and a column for each
    /// age, the age in its header (`d7`, `week 3`).
    pub wide: bool,
}

/// How one table is written: what a reader of it must know.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Writing<'a> {
    pub(crate) format: &'a Format,
    pub(crate) dates: &'a DateFormat,
    /// The row of the header (from 1), where it is not the first that is filled.
    pub(crate) header_row: Option<u32>,
}

impl Default for Format {
    fn default() -> Self {
        Self {
            separator: Separator::Auto,
            decimal: Decimal::Auto,
            missing: ["NA", "na", "N/A", "n/a", ".", "-"]
                .map(str::to_owned)
                .into(),
            wide: false,
        }
    }
}

/// The decimal mark of one table, once it is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Mark {
    Point,
    Comma,
    /// Not known, and a fault reported: numbers with a mark cannot be read.
    InDoubt,
}

/// Why a cell is no number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum NotNumber {
    /// Letters or other signs where digits should be.
    Text,
    /// A number with a unit behind it, as in `1250 g`.
    Unit,
    /// Digits with a mark that may be a thousands mark or another decimal mark.
    Marks,
    /// `NaN`, `inf`, or too great for a number.
    NotFinite,
    /// What a spreadsheet shows for a formula that failed.
    Formula,
    /// A number whose mark is in doubt, which has been reported.
    MarkInDoubt,
}

impl NotNumber {
    /// What to do next, where the decimal mark is set by `decimal`; nothing where the
    /// user has been advised already.
    pub(crate) fn advice(self, decimal: Decimal) -> Option<&'static str> {
        Some(match (self, decimal) {
            (Self::Text | Self::NotFinite, _) => "correct the cell or mark it missing (NA)",
            (Self::Formula, _) => "correct the formula in the spreadsheet, or empty the cell",
            (Self::Unit, _) => {
                "leave only the number in the cell; its unit goes into the header or under [units]"
            }
            (Self::Marks, Decimal::Auto) => {
                "write numbers without thousands marks, and name the decimal mark under [format] \
                 in study.toml (--decimal point or --decimal comma)"
            }
            (Self::Marks, Decimal::Point) => {
                "write numbers without thousands marks and with the decimal point that is set"
            }
            (Self::Marks, Decimal::Comma) => {
                "write numbers without thousands marks and with the decimal comma that is set"
            }
            (Self::MarkInDoubt, _) => return None,
        })
    }
}

/// Reads a number by its decimal mark; thousands marks are never guessed.
pub(crate) fn number(cell: &str, mark: Mark) -> Result<f64, NotNumber> {
    let parsed = match mark {
        Mark::Point => cell.parse::<f64>(),
        Mark::Comma if cell.contains('.') => return Err(NotNumber::Marks),
        Mark::Comma if cell.contains(',') => cell.replacen(',', ".", 1).parse(),
        Mark::InDoubt if cell.replacen(',', ".", 1).parse::<f64>().is_ok() => {
            return if cell.contains(['.', ',']) {
                Err(NotNumber::MarkInDoubt)
            } else {
                number(cell, Mark::Point)
            };
        }
        Mark::Comma | Mark::InDoubt => cell.parse(),
    };
    match parsed {
        Ok(value) if value.is_finite() => Ok(value),
        Ok(_) => Err(NotNumber::NotFinite),
        Err(_) => Err(why_not(cell)),
    }
}

/// Why a cell that does not parse is no number.
fn why_not(cell: &str) -> NotNumber {
    let marks = |letter: char| matches!(letter, '.' | ',' | '\'' | '’') || letter.is_whitespace();
    let digits = cell.starts_with(|letter: char| letter.is_ascii_digit());
    if digits
        && cell
            .chars()
            .all(|letter| letter.is_ascii_digit() || marks(letter))
    {
        return NotNumber::Marks;
    }
    if is_error(cell) {
        return NotNumber::Formula;
    }
    let tail = cell.trim_start_matches(|letter: char| letter.is_ascii_digit() || marks(letter));
    match tail.to_ascii_lowercase().as_str() {
        "g" | "kg" | "lb" | "lbs" | "d" | "day" | "days" | "w" | "wk" | "week" | "weeks"
            if digits =>
        {
            NotNumber::Unit
        }
        _ => NotNumber::Text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_by_decimal_mark() {
        for (cell, mark, expected) in [
            ("12.5", Mark::Point, Ok(12.5)),
            ("1.5e2", Mark::Point, Ok(150.0)),
            ("12,5", Mark::Comma, Ok(12.5)),
            ("12", Mark::Comma, Ok(12.0)),
            ("12,5", Mark::Point, Err(NotNumber::Marks)),
            ("1,250.5", Mark::Point, Err(NotNumber::Marks)),
            ("1.250,5", Mark::Comma, Err(NotNumber::Marks)),
            ("1 250", Mark::Point, Err(NotNumber::Marks)),
            ("1250 g", Mark::Point, Err(NotNumber::Unit)),
            ("1,25o", Mark::Point, Err(NotNumber::Text)),
            ("NaN", Mark::Point, Err(NotNumber::NotFinite)),
            ("-inf", Mark::Point, Err(NotNumber::NotFinite)),
            ("1e999", Mark::Point, Err(NotNumber::NotFinite)),
        ] {
            assert_eq!(number(cell, mark), expected, "{cell}");
        }
    }
}
