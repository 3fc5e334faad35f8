//! The unit of ages: how a user writes them, and how every output shows them.
//!
//! Ages are in days everywhere inside and in all tables; [`AgeUnit`] is the only place where
//! one becomes words.

use std::fmt;
use std::str::FromStr;

use serde::Deserialize;

/// The unit in which ages are written, or shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(try_from = "String")]
pub enum AgeUnit {
    /// Days; hatch is day 0.
    #[default]
    Days,
    /// Weeks; week n ends on day 7 n, so a weight "of week 3" is that of day 21.
    Weeks,
}

impl AgeUnit {
    /// Days in one of the unit.
    #[must_use]
    pub fn days(self) -> f64 {
        match self {
            Self::Days => 1.0,
            Self::Weeks => 7.0,
        }
    }

    /// An age: `115 d`, or `16 wk 3 d`; to a tenth of a day.
    #[must_use]
    pub fn show(self, age_d: f64) -> String {
        match self {
            Self::Days => format!("{} d", number(age_d)),
            Self::Weeks => {
                let (weeks, days) = weeks_and_days(age_d);
                match (number(weeks), number(days)) {
                    (weeks, days) if days == "0" => format!("{weeks} wk"),
                    (weeks, days) if weeks == "0" => format!("{days} d"),
                    (weeks, days) => format!("{weeks} wk {days} d"),
                }
            }
        }
    }

    /// Two ages: `0 to 168 d`, `0 to 24 wk`, `16 wk 3 d to 24 wk`.
    #[must_use]
    pub fn show_span(self, from_d: f64, to_d: f64) -> String {
        let (from, to) = (self.show(from_d), self.show(to_d));
        let unit = match self {
            Self::Days => " d",
            Self::Weeks => " wk",
        };
        match from.strip_suffix(unit) {
            Some(number) if to.ends_with(unit) => format!("{number} to {to}"),
            _ => format!("{from} to {to}"),
        }
    }

    /// An age and its limits, to the day: `137 d (135 to 139)`; a limit that is not known is
    /// `?`.
    #[must_use]
    pub fn show_interval(self, age_d: f64, (lower_d, upper_d): (f64, f64)) -> String {
        let limit = |side_d: f64| match (side_d.is_finite(), self) {
            (false, _) => "?".to_owned(),
            (true, Self::Days) => number(side_d.round()),
            (true, Self::Weeks) => self.show(side_d.round()),
        };
        let (lower, upper) = (limit(lower_d), limit(upper_d));
        format!("{} ({lower} to {upper})", self.show(age_d.round()))
    }

    /// An age without its unit, under a heading that has it: `115`, or `16.4` weeks.
    #[must_use]
    pub fn show_number(self, age_d: f64) -> String {
        number(age_d / self.days())
    }
}

/// Whole weeks and the days beyond them, of an age to a tenth of a day.
fn weeks_and_days(age_d: f64) -> (f64, f64) {
    let age_d = (10.0 * age_d).round() / 10.0;
    let weeks = (age_d / 7.0).trunc();
    (weeks, age_d - 7.0 * weeks)
}

/// To a tenth; a whole number has no decimals.
fn number(value: f64) -> String {
    let rounded = (10.0 * value).round() / 10.0 + 0.0;
    if (rounded - rounded.round()).abs() < 0.05 {
        format!("{rounded:.0}")
    } else {
        format!("{rounded:.1}")
    }
}

impl FromStr for AgeUnit {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text.to_ascii_lowercase().as_str() {
            "d" | "day" | "days" => Ok(Self::Days),
            "w" | "wk" | "week" | "weeks" => Ok(Self::Weeks),
            _ => Err(format!("found age unit \"{text}\", expected days or weeks")),
        }
    }
}

impl TryFrom<String> for AgeUnit {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        text.parse()
    }
}

impl fmt::Display for AgeUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Days => "days",
            Self::Weeks => "weeks",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ages_in_words() {
        let (days, weeks) = (AgeUnit::Days, AgeUnit::Weeks);
        for (age_d, in_days, in_weeks) in [
            (0.0, "0 d", "0 wk"),
            (3.0, "3 d", "3 d"),
            (112.0, "112 d", "16 wk"),
            (115.0, "115 d", "16 wk 3 d"),
            (76.5, "76.5 d", "10 wk 6.5 d"),
            // Rounded first: never 6 days and a week of 7 days beside it.
            (111.99, "112 d", "16 wk"),
        ] {
            assert_eq!(days.show(age_d), in_days);
            assert_eq!(weeks.show(age_d), in_weeks);
        }
        assert_eq!(days.show_span(0.0, 168.0), "0 to 168 d");
        assert_eq!(weeks.show_span(0.0, 168.0), "0 to 24 wk");
        assert_eq!(weeks.show_span(115.0, 168.0), "16 wk 3 d to 24 wk");
        assert_eq!(weeks.show_span(112.0, 115.0), "16 wk to 16 wk 3 d");
        assert_eq!(weeks.show_number(115.0), "16.4");
        let limits = (135.2, f64::INFINITY);
        assert_eq!(days.show_interval(137.0, limits), "137 d (135 to ?)");
        let limits = (133.0, 139.4);
        assert_eq!(
            weeks.show_interval(137.0, limits),
            "19 wk 4 d (19 wk to 19 wk 6 d)"
        );
    }
}
