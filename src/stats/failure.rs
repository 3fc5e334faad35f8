//! Why there are no numbers.

use std::fmt;

/// A column that is a linear combination of the columns before it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Collinearity {
    /// The column that adds nothing.
    pub column: String,
    /// The columns that it is a sum of multiples of; empty if it is all zero.
    pub of: Vec<String>,
}

/// Why the data given cannot answer the question; there are then no numbers to misuse.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Failure {
    /// Too few rows (subjects, pairs, events) for this statistic.
    TooFew {
        /// What is counted, plural.
        what: &'static str,
        /// How many there are.
        found: usize,
        /// How many it takes.
        needed: usize,
    },
    /// Two inputs that go together differ in length.
    Lengths {
        /// Which input.
        what: &'static str,
        /// Its length.
        found: usize,
        /// The length that the other one has.
        expected: usize,
    },
    /// A value that the method cannot take.
    Value {
        /// Which input.
        what: String,
        /// Row, counted from 0.
        row: usize,
        /// What stands there.
        found: f64,
        /// What was expected.
        expected: &'static str,
    },
    /// Times that lie before an age or between two, of a method that takes exact and
    /// right-censored times alone.
    OtherCensoring {
        /// How many there are.
        found: usize,
    },
    /// A setting outside its range.
    Setting {
        /// Which setting.
        what: &'static str,
        /// What was given.
        found: f64,
        /// What was expected.
        expected: &'static str,
    },
    /// Columns that are sums of multiples of others.
    Collinear(Vec<Collinearity>),
    /// All values are the same, so a spread or a slope does not exist.
    NoVariation {
        /// Of what.
        what: String,
    },
    /// The likelihood rises without end as this term grows: the term separates
    /// those with the event from those without.
    Unbounded {
        /// The term.
        term: String,
    },
    /// The search ended without meeting its criterion.
    NotConverged {
        /// Iterations taken.
        iterations: usize,
    },
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooFew {
                what,
                found,
                needed,
            } => write!(f, "{found} {what}, at least {needed} expected"),
            Self::Lengths {
                what,
                found,
                expected,
            } => write!(f, "{what}: {found} values, {expected} expected"),
            Self::Value {
                what,
                row,
                found,
                expected,
            } => write!(
                f,
                "{what}, value {}: {found}, {expected} expected",
                row.saturating_add(1)
            ),
            Self::OtherCensoring { found } => write!(
                f,
                "{found} times are known to lie before an age or between two, and this method takes only exact times and those after an age; use the models that take all"
            ),
            Self::Setting {
                what,
                found,
                expected,
            } => write!(f, "{what} {found}: {expected} expected"),
            Self::Collinear(columns) => {
                for (i, column) in columns.iter().enumerate() {
                    let separator = if i == 0 { "" } else { "; " };
                    write!(f, "{separator}{column}")?;
                }
                write!(f, "; leave out one of each set")
            }
            Self::NoVariation { what } => {
                write!(f, "{what}: all values are the same, some spread expected")
            }
            Self::Unbounded { term } => write!(
                f,
                "{term}: its estimate grows without end, since it separates the subjects with the event from those without; leave it out or join its groups"
            ),
            Self::NotConverged { iterations } => write!(
                f,
                "no convergence in {iterations} iterations; try fewer terms"
            ),
        }
    }
}

impl fmt::Display for Collinearity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.of.is_empty() {
            write!(f, "{} is zero throughout", self.column)
        } else {
            write!(
                f,
                "{} is already given by {}",
                self.column,
                self.of.join(", ")
            )
        }
    }
}

impl std::error::Error for Failure {}

/// Refuses a confidence level that is not between 0 and 1.
pub(crate) fn check_level(level: f64) -> Result<(), Failure> {
    if level > 0.0 && level < 1.0 {
        Ok(())
    } else {
        Err(Failure::Setting {
            what: "level",
            found: level,
            expected: "a share between 0 and 1, such as 0.95",
        })
    }
}

/// Refuses too few of something.
pub(crate) fn check_count(what: &'static str, found: usize, needed: usize) -> Result<(), Failure> {
    if found >= needed {
        Ok(())
    } else {
        Err(Failure::TooFew {
            what,
            found,
            needed,
        })
    }
}

/// Refuses an input whose length differs from that of its companion.
pub(crate) fn check_length(
    what: &'static str,
    found: usize,
    expected: usize,
) -> Result<(), Failure> {
    if found == expected {
        Ok(())
    } else {
        Err(Failure::Lengths {
            what,
            found,
            expected,
        })
    }
}

/// Refuses NaN and infinities.
pub(crate) fn check_finite(what: &str, values: &[f64]) -> Result<(), Failure> {
    match values.iter().position(|value| !value.is_finite()) {
        None => Ok(()),
        Some(row) => Err(Failure::Value {
            what: what.to_owned(),
            row,
            found: values[row],
            expected: "a finite number",
        }),
    }
}
