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
    /// Seen from the numbers, where they leave no doubt; otherwise asked for.
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
}

impl NotNumber {
    /// What to do next.
    pub(crate) fn advice(self) -> &'static str {
        match self {
            Self::Text | Self::NotFinite => "correct the cell or mark it missing (NA)",
            Self::Formula => "correct the formula in the spreadsheet, or empty the cell",
            Self::Unit => {
                "leave only the number in the cell; its unit goes into the header or under [units]"
            }
            Self::Marks => {
                "write numbers without thousands marks, and name the decimal mark under [format] \
                 in study.toml (--decimal point or --decimal comma)"
            }
        }
    }
}

/// Reads a number with a known decimal mark; thousands marks are never guessed.
pub(crate) fn number(cell: &str, mark: Mark) -> Result<f64, NotNumber> {
    let parsed = match mark {
        Mark::Point => cell.parse::<f64>(),
        Mark::Comma if cell.contains('.') => return Err(NotNumber::Marks),
        Mark::Comma if cell.contains(',') => cell.replacen(',', ".", 1).parse(),
        Mark::Comma => cell.parse(),
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

/// What the numbers of a table say about its decimal mark.
#[derive(Debug, Default)]
pub(crate) struct MarkEvidence {
    point: bool,
    comma: bool,
    point_or_thousands: bool,
    comma_or_thousands: bool,
}

impl MarkEvidence {
    /// Takes in one cell; true where that cell is in doubt.
    pub(crate) fn see(&mut self, cell: &str) -> bool {
        let cell = cell.strip_prefix(['-', '+']).unwrap_or(cell);
        let plain = cell
            .bytes()
            .all(|byte| byte.is_ascii_digit() || byte == b',' || byte == b'.');
        if !plain {
            return false;
        }
        let (point, comma) = (cell.split_once('.'), cell.split_once(','));
        match (point, comma) {
            (Some(halves), None) if like_thousands(halves) => self.point_or_thousands = true,
            (None, Some(halves)) if like_thousands(halves) => self.comma_or_thousands = true,
            (Some(_), None) => self.point = true,
            (None, Some(_)) => self.comma = true,
            // No mark says nothing; both marks are a fault whichever is decimal.
            _ => {}
        }
        self.comma_or_thousands || self.point_or_thousands
    }

    /// The mark, or `None` where it is in doubt.
    ///
    /// `points_in_doubt`: whether `1.250` may be 1250 here (in a table with
    /// semicolons, the habit of countries with decimal commas).
    pub(crate) fn verdict(&self, points_in_doubt: bool) -> Option<Mark> {
        match (self.point, self.comma) {
            (false, true) => Some(Mark::Comma),
            // With both proven, each cell with a comma is then told as a fault.
            (true, _) => Some(Mark::Point),
            (false, false) if self.comma_or_thousands => None,
            (false, false) if self.point_or_thousands && points_in_doubt => None,
            (false, false) => Some(Mark::Point),
        }
    }
}

/// Whether a number's halves could be thousands and the rest, as in `1,250`.
fn like_thousands((before, after): (&str, &str)) -> bool {
    (1..=3).contains(&before.len())
        && !before.starts_with('0')
        && after.len() == 3
        && after.bytes().all(|byte| byte.is_ascii_digit())
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

    #[test]
    fn the_mark_is_seen_only_where_nothing_is_in_doubt() {
        let verdict = |cells: &[&str]| {
            let mut evidence = MarkEvidence::default();
            for cell in cells {
                evidence.see(cell);
            }
            evidence.verdict(true)
        };
        assert_eq!(verdict(&["35", "1250"]), Some(Mark::Point));
        assert_eq!(verdict(&["12,5", "1,250"]), Some(Mark::Comma));
        assert_eq!(verdict(&["0,125"]), Some(Mark::Comma));
        assert_eq!(verdict(&["12.5", "1.250"]), Some(Mark::Point));
        assert_eq!(verdict(&["1,250"]), None);
        assert_eq!(verdict(&["1.250"]), None);
    }
}
