//! Ages, masses and dates as users write them, to days and grams.

use std::fmt;
use std::str::FromStr;

use chrono::NaiveDate;
use serde::Deserialize;

pub use crate::age::AgeUnit;

/// The greatest age taken for one, in days (ten years): beyond it stands a
/// date's serial number or a slip.
pub const AGE_LIMIT_D: f64 = 3650.0;
/// The shortest age after hatch taken for one, in days: a second. Nobody writes an age so
/// short; a number below it is none that was meant.
const LEAST_AGE_D: f64 = 1.0 / 86_400.0;

/// An age in days that can be one: hatch (0, also where it is written -0), or up to
/// [`AGE_LIMIT_D`].
pub(crate) fn age_in_range(age_d: f64) -> Option<f64> {
    if age_d.classify() == std::num::FpCategory::Zero {
        return Some(0.0);
    }
    Some(age_d).filter(|age_d| (LEAST_AGE_D..=AGE_LIMIT_D).contains(age_d))
}

/// The greatest body mass taken for one, in grams: far above any pullet, so
/// that only a slip or a wrong unit lies beyond.
pub const MASS_LIMIT_G: f64 = 20_000.0;
/// The greatest magnitude read where any number is allowed: its square must
/// stay a number.
pub const NUMBER_LIMIT: f64 = 1e100;

/// The unit in which masses are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub enum MassUnit {
    /// Grams.
    Gram,
    /// Kilograms.
    Kilogram,
    /// Avoirdupois pounds.
    Pound,
}

impl MassUnit {
    /// Grams in one of the unit (the pound by its definition of 1959).
    #[must_use]
    pub fn grams(self) -> f64 {
        match self {
            Self::Gram => 1.0,
            Self::Kilogram => 1000.0,
            Self::Pound => 453.592_37,
        }
    }

    /// A pullet's weight in this unit, as an example in messages.
    pub(crate) fn example(self) -> &'static str {
        match self {
            Self::Gram => "1250.5",
            Self::Kilogram => "1.2505",
            Self::Pound => "2.757",
        }
    }
}

impl FromStr for MassUnit {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text.to_ascii_lowercase().as_str() {
            "g" | "gram" | "grams" => Ok(Self::Gram),
            "kg" => Ok(Self::Kilogram),
            "lb" | "lbs" => Ok(Self::Pound),
            _ => Err(format!("found mass unit \"{text}\", expected g, kg or lb")),
        }
    }
}

impl fmt::Display for MassUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Gram => "g",
            Self::Kilogram => "kg",
            Self::Pound => "lb",
        })
    }
}

/// How dates are written; year-month-day by default.
///
/// Written as `dd/mm/yyyy` (letters d, m, y; `mmm` is a month's short name) or
/// with the percent codes of `strftime`, as in `%d.%m.%Y`.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub struct DateFormat {
    written: String,
    codes: String,
}

impl Default for DateFormat {
    fn default() -> Self {
        Self {
            written: "yyyy-mm-dd".into(),
            codes: "%Y-%m-%d".into(),
        }
    }
}

impl DateFormat {
    /// Reads a date.
    pub(crate) fn parse(&self, text: &str) -> Option<NaiveDate> {
        let date = NaiveDate::parse_from_str(text, &self.codes).ok()?;
        // `%Y` takes "24" for the year 24, which nobody means.
        (chrono::Datelike::year(&date) >= 1900).then_some(date)
    }

    /// A date in this format.
    pub(crate) fn write(&self, date: NaiveDate) -> String {
        date.format(&self.codes).to_string()
    }

    /// What to write for the first of March 2026.
    pub(crate) fn example(&self) -> String {
        NaiveDate::from_ymd_opt(2026, 3, 1)
            .map(|date| self.write(date))
            .unwrap_or_default()
    }

    /// Whether this is the default, year-month-day.
    pub(crate) fn is_default(&self) -> bool {
        *self == Self::default()
    }
}

impl FromStr for DateFormat {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let codes = if text.contains('%') {
            text.to_owned()
        } else {
            // The longest spellings first, so that a shorter one does not eat part of them.
            [
                ("yyyy", "%Y"),
                ("yy", "%y"),
                ("mmm", "%b"),
                ("mm", "%m"),
                ("dd", "%d"),
            ]
            .iter()
            .fold(text.to_lowercase(), |codes, (letters, code)| {
                codes.replace(letters, code)
            })
        };
        let complete = ["%d", "%Y"].iter().all(|code| codes.contains(code))
            || (codes.contains("%d") && codes.contains("%y"))
            || codes.contains("%F");
        let readable = chrono::format::StrftimeItems::new(&codes)
            .all(|item| item != chrono::format::Item::Error);
        // The proof of a format: a date written by it reads back.
        let reads_back = readable
            && NaiveDate::from_ymd_opt(2026, 3, 21).is_some_and(|date| {
                NaiveDate::parse_from_str(&date.format(&codes).to_string(), &codes) == Ok(date)
            });
        if complete && reads_back {
            Ok(Self {
                written: text.to_owned(),
                codes,
            })
        } else {
            Err(format!(
                "found date format \"{text}\", expected day, month and year such as dd/mm/yyyy, mm/dd/yyyy or %d.%m.%Y"
            ))
        }
    }
}

impl fmt::Display for DateFormat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.written)
    }
}

/// Lets serde read a type through its `FromStr`.
macro_rules! from_text {
    ($($kind:ty),*) => {$(
        impl TryFrom<String> for $kind {
            type Error = String;

            fn try_from(text: String) -> Result<Self, String> {
                text.parse()
            }
        }
    )*};
}
pub(crate) use from_text;
from_text!(MassUnit, DateFormat);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_are_read_by_their_format_only() {
        let day = NaiveDate::from_ymd_opt(2026, 3, 2);
        assert_eq!(DateFormat::default().parse("2026-03-02"), day);
        assert_eq!(DateFormat::default().parse("02/03/2026"), None);
        for (format, text) in [
            ("dd/mm/yyyy", "02/03/2026"),
            ("mm/dd/yyyy", "03/02/2026"),
            ("%d.%m.%Y", "2.3.2026"),
            ("dd-mmm-yy", "02-Mar-26"),
        ] {
            let format: DateFormat = format.parse().unwrap();
            assert_eq!(format.parse(text), day, "{format}");
        }
    }

    #[test]
    fn an_age_is_hatch_or_lies_between_a_second_and_ten_years() {
        assert_eq!(age_in_range(-0.0).map(f64::is_sign_positive), Some(true));
        assert_eq!(age_in_range(1e-3), Some(1e-3));
        assert_eq!(age_in_range(AGE_LIMIT_D), Some(AGE_LIMIT_D));
        for none in [5e-324, 1e-6, -1.0, 3651.0, f64::NAN, f64::INFINITY] {
            assert_eq!(age_in_range(none), None);
        }
    }

    #[test]
    fn a_date_format_without_a_day_or_year_is_refused() {
        for text in ["mm/yyyy", "dd/mm", "%Q", "", "dd/yyyy"] {
            assert!(text.parse::<DateFormat>().is_err(), "{text}");
        }
    }
}
