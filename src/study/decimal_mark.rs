//! Which mark stands before the decimals of a table's numbers.
//!
//! The mark is as set by the user, or as the numbers show. Where they leave it in doubt it
//! is requested: a mark that may stand after thousands is never guessed. In a column of
//! grams that is so whenever all numbers with the mark have exactly three decimals, since
//! 1.129 beside 980 is rather 1129 than 1.129 g; masses in kilograms have three decimals
//! as a rule.

use super::faults::{Faults, quoted};
use super::format::{Decimal, Mark};
use super::header::Measure;
use super::table::{Rows, Table};
use super::units::{AgeUnit, MassUnit};

/// A column of numbers, and the unit of mass that they are in.
#[derive(Debug, Clone, Copy)]
pub(crate) struct NumberColumn {
    pub(crate) index: usize,
    /// `None` for ages, percentages and numbers of any kind.
    pub(crate) unit: Option<MassUnit>,
}

impl NumberColumn {
    /// A column of numbers that are no masses.
    pub(crate) fn plain(index: usize) -> Self {
        Self { index, unit: None }
    }
}

impl From<Measure<MassUnit>> for NumberColumn {
    fn from(mass: Measure<MassUnit>) -> Self {
        Self {
            index: mass.index,
            unit: Some(mass.unit),
        }
    }
}

impl From<Measure<AgeUnit>> for NumberColumn {
    fn from(age: Measure<AgeUnit>) -> Self {
        Self::plain(age.index)
    }
}

/// The decimal mark of the numbers in `columns`; a fault for each cell that leaves it in
/// doubt.
pub(crate) fn of(table: &Table, columns: &[NumberColumn], faults: &mut Faults) -> Mark {
    let mut marks = match Marks::of(table, columns) {
        Ok(marks) => marks,
        Err(mark) => return mark,
    };
    if !marks.in_question(table.text()) {
        return Mark::Point;
    }
    marks.see(table.rows());
    let (mark, in_doubt) = marks.verdict();
    if in_doubt.is_empty() {
        return mark;
    }
    marks.report(table.rows(), (mark, &in_doubt), faults);
    Mark::InDoubt
}

/// The evidence on the decimal mark of a table, whose rows may come in pieces.
pub(crate) struct Marks<'a> {
    table: &'a Table,
    columns: &'a [NumberColumn],
    evidence: Vec<MarkEvidence>,
}

impl<'a> Marks<'a> {
    /// No evidence yet, or the mark that the user has set.
    pub(crate) fn of(table: &'a Table, columns: &'a [NumberColumn]) -> Result<Self, Mark> {
        match table.decimal() {
            Decimal::Point => Err(Mark::Point),
            Decimal::Comma => Err(Mark::Comma),
            Decimal::Auto => Ok(Self {
                table,
                columns,
                evidence: vec![MarkEvidence::default(); columns.len()],
            }),
        }
    }

    /// Whether `1.250` may be 1250 whatever its column.
    fn points_in_doubt(&self) -> bool {
        self.table.separator() == b';'
    }

    /// Whether a text holds anything that could put the point as decimal mark in question.
    pub(crate) fn in_question(&self, text: &str) -> bool {
        self.points_in_doubt() || self.table.may_hold_comma_cells(text) || holds_thousands(text)
    }

    /// Takes evidence from rows until nothing more can be learnt; whether that is so.
    pub(crate) fn see(&mut self, mut rows: Rows<'_>) -> bool {
        // Only a point is proven for good: with both marks proven it is the mark.
        let settled = |(column, evidence): (&NumberColumn, &MarkEvidence)| {
            evidence.point || column.unit != Some(MassUnit::Gram)
        };
        while rows.step().is_some() {
            for (column, evidence) in self.columns.iter().zip(&mut self.evidence) {
                let cell = rows.cell(column.index);
                if !self.table.is_missing(cell) {
                    evidence.see(cell);
                }
            }
            if self.evidence.iter().any(|column| column.point)
                && self.columns.iter().zip(&self.evidence).all(settled)
            {
                return true;
            }
        }
        false
    }

    /// The mark, and the columns whose cells leave it in doubt.
    pub(crate) fn verdict(&self) -> (Mark, Vec<usize>) {
        let all = self
            .evidence
            .iter()
            .copied()
            .fold(MarkEvidence::default(), MarkEvidence::and);
        let mark = all.verdict(self.points_in_doubt());
        let in_doubt = |column: &NumberColumn, evidence: &MarkEvidence| {
            (mark == Mark::InDoubt || column.unit == Some(MassUnit::Gram))
                && evidence.leaves_thousands(mark)
        };
        let columns = self.columns.iter().zip(&self.evidence);
        let in_doubt = columns
            .filter(|(column, evidence)| in_doubt(column, evidence))
            .map(|(column, _)| column.index);
        (mark, in_doubt.collect())
    }

    /// Reports the cells of rows that leave the mark in doubt.
    pub(crate) fn report(
        &self,
        mut rows: Rows<'_>,
        (mark, columns): (Mark, &[usize]),
        faults: &mut Faults,
    ) {
        let asked = |sign: char| match mark {
            Mark::Point => sign == '.',
            Mark::Comma => sign == ',',
            Mark::InDoubt => true,
        };
        while rows.step().is_some() {
            for &column in columns {
                let cell = rows.cell(column);
                let doubtful =
                    mark_of(cell).is_some_and(|(sign, thousands)| thousands && asked(sign));
                if doubtful && !self.table.is_missing(cell) {
                    in_doubt(&rows, column, faults);
                }
            }
        }
    }
}

/// The fault that the mark of a cell may stand before decimals or after thousands.
pub(crate) fn in_doubt(rows: &Rows<'_>, column: usize, faults: &mut Faults) {
    faults.add(
        rows.place(column),
        quoted(rows.cell(column)),
        "a mark that stands clearly before decimals or after thousands",
        "write thousands without a mark; if it is the decimal mark, name it under [format] in \
         study.toml: decimal = \"point\" or \"comma\" (--decimal)",
    );
}

/// What one number shows of the decimal mark of its table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shown {
    /// A point before decimals.
    Point,
    /// A mark that may stand after thousands.
    Thousands,
    /// Another mark, or none.
    Other,
}

/// What one cell shows, in a table of grams whose decimal mark nothing else has shown.
pub(crate) fn shown_by(cell: &str) -> Shown {
    match mark_of(cell) {
        Some((_, true)) => Shown::Thousands,
        Some(('.', false)) => Shown::Point,
        _ => Shown::Other,
    }
}

/// Whether a number such as `1.129` stands anywhere in the text.
fn holds_thousands(text: &str) -> bool {
    let bytes = text.as_bytes();
    let digits = |from: usize, to: usize| {
        bytes
            .get(from..to)
            .is_some_and(|part| part.iter().all(u8::is_ascii_digit))
    };
    text.match_indices('.').any(|(at, _)| {
        at > 0
            && digits(at - 1, at)
            && digits(at + 1, at + 4)
            && !bytes.get(at + 4).is_some_and(u8::is_ascii_digit)
    })
}

/// Evidence from the numbers of a column or a table on its decimal mark.
#[derive(Debug, Clone, Copy, Default)]
struct MarkEvidence {
    point: bool,
    comma: bool,
    point_or_thousands: bool,
    comma_or_thousands: bool,
}

impl MarkEvidence {
    /// Takes in one cell.
    fn see(&mut self, cell: &str) {
        match mark_of(cell) {
            Some(('.', true)) => self.point_or_thousands = true,
            Some((_, true)) => self.comma_or_thousands = true,
            Some(('.', false)) => self.point = true,
            Some((_, false)) => self.comma = true,
            None => {}
        }
    }

    fn and(self, other: Self) -> Self {
        Self {
            point: self.point || other.point,
            comma: self.comma || other.comma,
            point_or_thousands: self.point_or_thousands || other.point_or_thousands,
            comma_or_thousands: self.comma_or_thousands || other.comma_or_thousands,
        }
    }

    /// The mark of the table.
    ///
    /// `points_in_doubt`: whether `1.250` may be 1250 whatever its column (in a table with
    /// semicolons, the habit of countries with decimal commas).
    fn verdict(self, points_in_doubt: bool) -> Mark {
        match (self.point, self.comma) {
            (false, true) => Mark::Comma,
            // With both proven, each cell with a comma is then a fault.
            (true, _) => Mark::Point,
            (false, false) if self.comma_or_thousands => Mark::InDoubt,
            (false, false) if self.point_or_thousands && points_in_doubt => Mark::InDoubt,
            (false, false) => Mark::Point,
        }
    }

    /// Whether the marks of a column of grams may all stand after thousands, although
    /// `mark` is the decimal mark: no number of it has other than three decimals.
    fn leaves_thousands(self, mark: Mark) -> bool {
        match mark {
            Mark::Point => self.point_or_thousands && !self.point,
            Mark::Comma => self.comma_or_thousands && !self.comma,
            Mark::InDoubt => self.point_or_thousands || self.comma_or_thousands,
        }
    }
}

/// The one mark of a number, and whether it may stand after thousands; `None` where there
/// is none, or both: then the cell is a fault whichever is decimal.
fn mark_of(cell: &str) -> Option<(char, bool)> {
    let cell = cell.strip_prefix(['-', '+']).unwrap_or(cell);
    let plain = cell
        .bytes()
        .all(|byte| byte.is_ascii_digit() || byte == b',' || byte == b'.');
    if !plain {
        return None;
    }
    match (cell.split_once('.'), cell.split_once(',')) {
        (Some(halves), None) => Some(('.', like_thousands(halves))),
        (None, Some(halves)) => Some((',', like_thousands(halves))),
        _ => None,
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
    fn the_mark_is_seen_only_where_nothing_is_in_doubt() {
        let verdict = |cells: &[&str]| {
            let mut evidence = MarkEvidence::default();
            for cell in cells {
                evidence.see(cell);
            }
            evidence.verdict(true)
        };
        assert_eq!(verdict(&["35", "1250"]), Mark::Point);
        assert_eq!(verdict(&["12,5", "1,250"]), Mark::Comma);
        assert_eq!(verdict(&["0,125"]), Mark::Comma);
        assert_eq!(verdict(&["12.5", "1.250"]), Mark::Point);
        assert_eq!(verdict(&["1,250"]), Mark::InDoubt);
        assert_eq!(verdict(&["1.250"]), Mark::InDoubt);
    }

    #[test]
    fn numbers_like_thousands_are_found_in_a_text() {
        for (text, holds) in [
            ("a,1.129\n", true),
            ("a;38.125", true),
            ("a,1.12\nb,1.1295\n", false),
            ("a.123,b", false),
            ("1250", false),
        ] {
            assert_eq!(holds_thousands(text), holds, "{text}");
        }
    }
}
