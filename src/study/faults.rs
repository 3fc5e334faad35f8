//! What is wrong with what a user wrote, and where: collected, and reported all at once.
//!
//! Faults of one file with the same expectation and the same advice have one cause: more
//! than three of them are one message with a count and the first three places.

use std::collections::{BTreeSet, HashMap};
use std::fmt;

use crate::error::Error;

/// Faults listed in one go; the rest are counted.
const LISTED: usize = 50;
/// Places kept in memory; the rest are counted.
const KEPT: usize = 10_000;
/// Places of one cause that are listed each for itself; more are one message.
const APART: usize = 3;
/// Characters of a cell that a message repeats.
const CELL_SHOWN: usize = 40;

/// Where something stands in the user's files.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// The file, as the user named it.
    pub file: String,
    /// The row as a spreadsheet counts it, from 1.
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
///
/// Faults of one cause are one: its place is then what all of them share, and what was
/// found lists the first three and counts the rest.
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
    /// Cells, rows or columns that have it.
    pub count: usize,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            place,
            found,
            expected,
            advice,
            ..
        } = self;
        write!(f, "{place}: found {found}, expected {expected}; {advice}")
    }
}

/// What faults of one cause have in common.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
struct Cause {
    file: String,
    expected: String,
    advice: String,
}

/// A place in the file of a cause, and what was found there; by row, then column.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Occurrence {
    row: Option<u32>,
    column: Option<String>,
    found: String,
}

/// Where one cause shows.
#[derive(Debug, Default)]
struct Occurrences {
    /// A column may be requested more than once; what is wrong in it is one fault.
    kept: BTreeSet<Occurrence>,
    /// Those beyond the limit.
    more: usize,
}

/// All faults found so far.
#[derive(Debug, Default)]
pub(crate) struct Faults {
    causes: HashMap<Cause, Occurrences>,
    kept: usize,
    /// Faults of causes beyond the limit.
    more: usize,
    added: usize,
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
        self.added += 1;
        let cause = Cause {
            file: place.file,
            expected: expected.into(),
            advice: advice.into(),
        };
        let full = self.kept >= KEPT;
        let known = match self.causes.get_mut(&cause) {
            Some(known) => known,
            None if full => {
                self.more += 1;
                return;
            }
            None => self.causes.entry(cause).or_default(),
        };
        if full {
            known.more += 1;
            return;
        }
        self.kept += usize::from(known.kept.insert(Occurrence {
            row: place.row,
            column: place.column,
            found: found.into(),
        }));
    }

    #[cfg(feature = "program")]
    /// Adds the faults of rows that follow.
    pub(crate) fn append(&mut self, others: Self) {
        for (cause, occurrences) in others.causes {
            let before = self.added;
            for one in occurrences.kept {
                let place = Place {
                    file: cause.file.clone(),
                    row: one.row,
                    column: one.column,
                };
                self.add(place, one.found, &*cause.expected, &*cause.advice);
            }
            match self.causes.get_mut(&cause) {
                Some(known) => known.more += occurrences.more,
                None => self.more += occurrences.more,
            }
            self.added = before;
        }
        self.more += others.more;
        self.added += others.added;
    }

    /// Number of faults added so far.
    pub(crate) fn count(&self) -> usize {
        self.added
    }

    /// The faults by file and row, those of one cause as one, and how many more there are.
    pub(crate) fn sorted(self) -> (Vec<Fault>, usize) {
        let mut faults: Vec<(Place, Fault)> = Vec::new();
        for (cause, occurrences) in self.causes {
            if occurrences.kept.len() + occurrences.more > APART {
                faults.extend(cause.as_one(&occurrences));
                continue;
            }
            faults.extend(occurrences.kept.into_iter().map(|one| {
                let place = Place {
                    file: cause.file.clone(),
                    row: one.row,
                    column: one.column,
                };
                let fault = Fault {
                    place: place.clone(),
                    found: one.found,
                    expected: cause.expected.clone(),
                    advice: cause.advice.clone(),
                    count: 1,
                };
                (place, fault)
            }));
        }
        faults.sort();
        let mut faults: Vec<Fault> = faults.into_iter().map(|(_, fault)| fault).collect();
        let others = faults.iter().skip(LISTED).map(|fault| fault.count);
        let more = self.more + others.sum::<usize>();
        faults.truncate(LISTED);
        (faults, more)
    }

    /// `value`, or the error that lists all faults.
    pub(crate) fn or<T>(self, value: T) -> crate::Result<T> {
        if self.added == 0 {
            return Ok(value);
        }
        let (faults, more) = self.sorted();
        Err(Error::faults(messages(&faults, more)))
    }
}

impl Cause {
    /// All that it shows in as one fault, after the first place.
    fn as_one(&self, occurrences: &Occurrences) -> Option<(Place, Fault)> {
        let kept = &occurrences.kept;
        let first = kept.first()?;
        let one_column = kept.iter().all(|one| one.column == first.column);
        let column = first.column.clone().filter(|_| one_column);
        let where_at = |one: &Occurrence| match (one.row, &one.column) {
            (Some(row), Some(column)) if !one_column => {
                format!("row {row}, column {}", one_line(column))
            }
            (Some(row), _) => format!("row {row}"),
            (None, Some(column)) if !one_column => format!("column {}", one_line(column)),
            (None, _) => String::new(),
        };
        let alike = kept.iter().all(|one| one.found == first.found);
        let shown = kept.iter().take(APART).map(|one| match where_at(one) {
            at if alike => at,
            at if at.is_empty() => one.found.clone(),
            at => format!("{} ({at})", one.found),
        });
        let shown = shown
            .collect::<Vec<_>>()
            .join(if alike { "; " } else { ", " });
        let count = kept.len() + occurrences.more;
        let rows = kept.iter().all(|one| one.row.is_some());
        let columns = kept.iter().all(|one| one.column.is_some());
        let what = match (rows, columns) {
            (true, true) => "cells",
            (true, false) => "rows",
            (false, true) => "columns",
            (false, false) => "places",
        };
        let rest = count - APART;
        let found = if alike {
            format!(
                "{} in {count} {what} ({shown} and {rest} more)",
                first.found
            )
        } else {
            format!("{shown} and {rest} more, {count} {what} in all")
        };
        let place = |row, column| Place {
            file: self.file.clone(),
            row,
            column,
        };
        let fault = Fault {
            place: place(None, column),
            found,
            expected: self.expected.clone(),
            advice: self.advice.clone(),
            count,
        };
        Some((place(first.row, first.column.clone()), fault))
    }
}

/// One line a fault, and one for those not listed.
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

/// Rows that a message names; more are counted.
pub(crate) const ROWS_SHOWN: usize = 3;

/// Rows by number and count: `5 rows (2, 3, 4 and 2 more)`; `first` are the first few.
pub(crate) fn rows_listed(count: usize, first: &[u32]) -> String {
    let shown: Vec<String> = first.iter().take(ROWS_SHOWN).map(u32::to_string).collect();
    let rest = match count - shown.len() {
        0 => String::new(),
        rest => format!(" and {rest} more"),
    };
    let noun = if count == 1 { "row" } else { "rows" };
    format!("{count} {noun} ({}{rest})", shown.join(", "))
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
            let distance = strsim::levenshtein(&name, &lower);
            let longest = name.chars().count().max(lower.chars().count());
            let holds = name.len().min(lower.len()) >= 3
                && (name.contains(&lower) || lower.contains(&name));
            (distance * 3 <= longest || holds).then_some((distance, candidate))
        })
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
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

    fn messages_of(faults: Faults) -> Vec<String> {
        faults.or(()).unwrap_err().messages().to_vec()
    }

    #[test]
    fn a_fault_reads_where_what_expected_next() {
        let mut faults = Faults::default();
        faults.add(
            Place::cell("weighings.csv", 17, "weight_g"),
            quoted("1,25o"),
            "a mass in g such as 1250.5",
            "correct the cell",
        );
        assert_eq!(
            messages_of(faults),
            ["weighings.csv, row 17, column weight_g: found \"1,25o\", \
             expected a mass in g such as 1250.5; correct the cell"]
        );
    }

    #[test]
    fn cells_of_one_cause_are_one_message_with_the_first_three_places() {
        let mut faults = Faults::default();
        for _asked_twice in 0..2 {
            for row in (2..=73).rev() {
                let place = Place::cell("a.csv", row, "weight_g");
                faults.add(place, format!("\"{row} g\""), "a mass", "leave the number");
                let place = Place::cell("a.csv", row, if row % 2 == 0 { "d7" } else { "d14" });
                faults.add(place, "\"-1\"", "a mass above 0", "correct the cell");
            }
        }
        faults.add(Place::row("a.csv", 2), "3 cells", "4", "fill in");
        assert_eq!(
            messages_of(faults),
            [
                "a.csv, row 2: found 3 cells, expected 4; fill in",
                "a.csv: found \"-1\" in 72 cells (row 2, column d7; row 3, column d14; row 4, column d7 and 69 more), expected a mass above 0; correct the cell",
                "a.csv, column weight_g: found \"2 g\" (row 2), \"3 g\" (row 3), \"4 g\" (row 4) and 69 more, 72 cells in all, expected a mass; leave the number",
            ]
        );
    }

    #[test]
    fn faults_beyond_the_limit_are_counted() {
        let mut faults = Faults::default();
        for row in (1..=12_000).rev() {
            faults.add(Place::row("a.csv", row), "x", "y", "z");
        }
        for row in 1..=60 {
            faults.add(Place::row("b.csv", row), "x", format!("{row}"), "z");
        }
        let mut few = Faults::default();
        for row in 1..=60 {
            few.add(Place::row("b.csv", row), "x", format!("{row}"), "z");
        }
        let messages = messages_of(few);
        assert_eq!(messages.len(), LISTED + 1);
        assert!(messages[LISTED].starts_with("and 10 more"));
        let messages = messages_of(faults);
        assert!(messages[0].contains("in 12000 rows"), "{}", messages[0]);
        assert!(messages[1].starts_with("and 60 more"), "{}", messages[1]);
    }
}
