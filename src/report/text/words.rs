//! Numbers and names as sentences have them.

use crate::age::AgeUnit;
use crate::analysis::Answer;
use crate::report::rounding::significant;
use crate::study::{BODY_WEIGHT, Study, Values};

/// How groups are called: a table's groups may be mere numbers.
#[derive(Debug, Clone, Copy)]
pub(in crate::report) struct Naming<'a> {
    label: Option<&'a str>,
    /// The unit in which ages are shown.
    pub(in crate::report) ages: AgeUnit,
}

impl<'a> Naming<'a> {
    /// With the name of the column before the names, where all of them are numbers.
    pub(in crate::report) fn of(study: &Study, column: Option<&'a str>) -> Self {
        let numbers = study.strains.iter().all(|name| name.parse::<f64>().is_ok());
        Self {
            label: column.filter(|_| numbers),
            ages: study.age_unit(),
        }
    }

    /// The name of a group.
    pub(in crate::report) fn name(self, name: &str) -> String {
        match self.label {
            Some(label) if name.parse::<f64>().is_ok() => format!("{label} {name}"),
            _ => name.to_owned(),
        }
    }
}

/// A trait in words. Numbers that need not be masses of birds stand under the name of body
/// weight where they were given none: they are values.
pub(in crate::report) fn trait_words(study: &Study, name: &str) -> String {
    match (study.values, name) {
        (Values::AnyNumber, BODY_WEIGHT) => "value".to_owned(),
        _ => name.replace('_', " "),
    }
}

/// With a capital letter.
pub(in crate::report) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// Three significant digits, or whole numbers above a hundred.
pub(in crate::report) fn number(value: f64) -> String {
    if value.abs() >= 99.95 {
        minus(format!("{:.0}", value + 0.0))
    } else {
        significant(value, 3)
    }
}

/// A root mean square error or a least significant change: two significant digits, since from
/// tens of birds its standard error is about a tenth of it.
pub(in crate::report) fn error_size(value: f64) -> String {
    significant(value, 2)
}

/// `1 bird`, `3 birds`.
pub(in crate::report) fn count(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

/// A number with its sign, a true minus; none where it rounds to zero.
pub(in crate::report) fn signed(value: f64, decimals: usize) -> String {
    let text = format!("{value:+.decimals$}");
    if text[1..].chars().all(|digit| matches!(digit, '0' | '.')) {
        return text[1..].to_owned();
    }
    minus(text)
}

/// A true minus sign (U+2212).
fn minus(text: String) -> String {
    match text.strip_prefix('-') {
        Some(size) => format!("\u{2212}{size}"),
        None => text,
    }
}

/// A group as its strain and treatment, or its pen.
pub(in crate::report) fn whose(answer: &Answer) -> String {
    let of = [&*answer.strain, &*answer.treatment, &*answer.pen];
    let named: Vec<&str> = of.into_iter().filter(|name| !name.is_empty()).collect();
    named.join(" / ")
}

/// The group that it is compared with.
pub(super) fn whose_b(answer: &Answer) -> String {
    match (&*answer.strain_b, &*answer.treatment_b) {
        (strain, "") => strain.to_owned(),
        ("", treatment) => treatment.to_owned(),
        (strain, treatment) => format!("{strain} / {treatment}"),
    }
}

/// `a`, `a and b`, `a, b and c`; of more than `most`, the first and how many more.
pub(super) fn some_of(names: &[String], most: usize) -> String {
    match names.len().checked_sub(most) {
        None | Some(0) => crate::report::prose::listed(names),
        Some(more) => format!("{} and {more} more", names[..most].join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn signs_and_digits() {
        assert_eq!(signed(-7.34, 1), "\u{2212}7.3");
        assert_eq!(signed(-0.04, 1), "0.0");
        assert_eq!(signed(2.0, 0), "+2");
        assert_eq!(number(1720.6), "1721");
        assert_eq!(number(0.6478), "0.648");
    }

    #[test]
    fn long_lists_are_cut() {
        let names = ["a", "b", "c", "d"].map(str::to_owned);
        assert_eq!(some_of(&names, 2), "a, b and 2 more");
        assert_eq!(some_of(&names[..2], 2), "a and b");
    }
}
