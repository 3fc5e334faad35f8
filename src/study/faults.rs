//! What is wrong with what a user wrote, and where: collected, told all at once.

use std::fmt;

use crate::error::Error;

/// Faults told in one go; the rest are counted.
const TOLD: usize = 50;
/// Faults kept in memory; the rest are counted.
const KEPT: usize = 1000;
/// Characters of a cell that a message repeats.
const CELL_SHOWN: usize = 40;

/// Where something stands in the user's files.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// The file, as the user named it.
    pub file: String,
    /// The row as a spreadsheet counts it: 1 is the header.
    pub row: Option<u32>,
    /// The header of the column.
    pub column: Option<String>,
}

impl Place {
    /// A whole file.
    pub fn file(file: &str) -> Self {
        Self {
            file: file.to_owned(),
            row: None,
            column: None,
        }
    }

    /// A row of a file.
    pub fn row(file: &str, row: u32) -> Self {
        Self {
            row: Some(row),
            ..Self::file(file)
        }
    }

    /// A cell: a row and a column of a file.
    pub fn cell(file: &str, row: u32, column: &str) -> Self {
        Self {
            column: Some(column.to_owned()),
            ..Self::row(file, row)
        }
    }

    /// A column of a file.
    pub fn column(file: &str, column: &str) -> Self {
        Self {
            column: Some(column.to_owned()),
            ..Self::file(file)
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if let Some(row) = self.row {
            write!(f, ", row {row}")?;
        }
        if let Some(column) = &self.column {
            write!(f, ", column {}", one_line(column))?;
        }
        Ok(())
    }
}

/// One fault: its place, what was found, what was expected, what to do next.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Fault {
    /// Where it stands.
    pub place: Place,
    /// What was found there.
    pub found: String,
    /// What was expected there.
    pub expected: String,
    /// What to do next.
    pub advice: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            place,
            found,
            expected,
            advice,
        } = self;
        write!(f, "{place}: found {found}, expected {expected}; {advice}")
    }
}

/// All faults found so far.
#[derive(Debug, Default)]
pub(crate) struct Faults {
    kept: Vec<Fault>,
    more: usize,
}

impl Faults {
    /// Adds a fault.
    pub(crate) fn add(
        &mut self,
        place: Place,
        found: impl Into<String>,
        expected: impl Into<String>,
        advice: impl Into<String>,
    ) {
        if self.kept.len() < KEPT {
            self.kept.push(Fault {
                place,
                found: found.into(),
                expected: expected.into(),
                advice: advice.into(),
            });
        } else {
            self.more += 1;
        }
    }

    /// Number of faults so far.
    pub(crate) fn count(&self) -> usize {
        self.kept.len() + self.more
    }

    /// The faults by file and row, and how many more there are.
    pub(crate) fn sorted(mut self) -> (Vec<Fault>, usize) {
        self.kept.sort();
        // A column may be asked for more than once; what is wrong in it is told once.
        self.kept.dedup();
        let more = self.more + self.kept.len().saturating_sub(TOLD);
        self.kept.truncate(TOLD);
        (self.kept, more)
    }

    /// `value`, or the error that tells all faults.
    pub(crate) fn or<T>(self, value: T) -> crate::Result<T> {
        if self.kept.is_empty() {
            return Ok(value);
        }
        let (faults, more) = self.sorted();
        Err(Error::faults(messages(&faults, more)))
    }
}

/// One line a fault, and one for those not told.
pub(crate) fn messages(faults: &[Fault], more: usize) -> Vec<String> {
    let mut lines: Vec<String> = faults.iter().map(Fault::to_string).collect();
    if more > 0 {
        lines.push(format!(
            "and {more} more: correct these first, then check again"
        ));
    }
    lines
}

/// A cell in quotation marks, on one line, shortened when long.
pub(crate) fn quoted(cell: &str) -> String {
    if cell.is_empty() {
        return "an empty cell".to_owned();
    }
    format!("\"{}\"", one_line(cell))
}

/// A text of the user on one line, shortened when long.
fn one_line(text: &str) -> String {
    let mut shown: String = text
        .chars()
        .take(CELL_SHOWN)
        .map(|letter| {
            if letter.is_control() {
                '\u{fffd}'
            } else {
                letter
            }
        })
        .collect();
    if text.chars().nth(CELL_SHOWN).is_some() {
        shown.push('…');
    }
    shown
}

/// Names in a row, for a message: `a, b, c`; long lists are cut.
pub(crate) fn listed<S: AsRef<str>>(names: impl IntoIterator<Item = S>) -> String {
    const SHOWN: usize = 12;
    let names: Vec<String> = names
        .into_iter()
        .map(|name| one_line(name.as_ref()))
        .collect();
    let mut text = names
        .iter()
        .take(SHOWN)
        .cloned()
        .collect::<Vec<_>>()
        .join(", ");
    if names.len() > SHOWN {
        text.push_str(&format!(" and {} more", names.len() - SHOWN));
    }
    text
}

/// The known name nearest to `name`, where one is near enough to be meant.
///
/// Near enough: at most a third of the letters differ (edit distance, letter
/// case aside), or one name holds the other.
pub(crate) fn nearest<'a>(name: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let name = name.to_lowercase();
    known
        .into_iter()
        .filter_map(|candidate| {
            let lower = candidate.to_lowercase();
            let distance = edit_distance(&name, &lower);
            let longest = name.chars().count().max(lower.chars().count());
            let holds = name.len().min(lower.len()) >= 3
                && (name.contains(&lower) || lower.contains(&name));
            (distance * 3 <= longest || holds).then_some((distance, candidate))
        })
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

/// Letters to insert, delete or replace to turn one word into the other
/// (Levenshtein's distance, the textbook two-row form).
fn edit_distance(from: &str, to: &str) -> usize {
    let to: Vec<char> = to.chars().collect();
    let mut above: Vec<usize> = (0..=to.len()).collect();
    for (row, letter) in from.chars().enumerate() {
        let mut here = vec![row + 1];
        for (column, other) in to.iter().enumerate() {
            let replaced = above[column] + usize::from(letter != *other);
            here.push(replaced.min(above[column + 1] + 1).min(here[column] + 1));
        }
        above = here;
    }
    above[to.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_name_is_one_that_could_be_meant() {
        let known = ["bird", "weight_g", "age_d"];
        assert_eq!(nearest("wieght_g", known), Some("weight_g"));
        assert_eq!(nearest("Weight", known), Some("weight_g"));
        assert_eq!(nearest("colour", known), None);
    }

    #[test]
    fn a_fault_reads_where_what_expected_next() {
        let fault = Fault {
            place: Place::cell("weighings.csv", 17, "weight_g"),
            found: quoted("1,25o"),
            expected: "a mass in g such as 1250.5".into(),
            advice: "correct the cell".into(),
        };
        assert_eq!(
            fault.to_string(),
            "weighings.csv, row 17, column weight_g: found \"1,25o\", \
             expected a mass in g such as 1250.5; correct the cell"
        );
    }

    #[test]
    fn faults_beyond_the_limit_are_counted() {
        let mut faults = Faults::default();
        for row in (1..=1200).rev() {
            faults.add(Place::row("a.csv", row), "x", "y", "z");
        }
        let error = faults.or(()).unwrap_err();
        assert_eq!(error.messages().len(), TOLD + 1);
        assert!(error.messages()[TOLD].starts_with("and 1150 more"));
    }
}
