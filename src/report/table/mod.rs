//! A tidy table in columns, and the number formats that the files promise.
//!
//! Every result leaves the program as a [`Table`]: one row a thing, one column a
//! quantity, a missing value where there is none. Each output format (CSV here,
//! JSON through serde) reads the same table, so they cannot disagree.

mod cells;
mod json;
mod shelf;

use std::borrow::Cow;
use std::io::Write;
use std::ops::Range;

use rayon::prelude::*;

use self::cells::{Column, Words};
pub(super) use self::shelf::Shelf;
use self::shelf::Shelved;
use super::digits::write_number;
use super::tables::Column as About;

/// Rows of a long table that are held in memory before they go to its [`Shelf`].
const PART_ROWS: usize = 1 << 15;

/// A table of results, kept in parts so that a long one can be made in parallel and
/// joined without copying, and wait in a temporary file until it is written.
#[derive(Debug, Clone)]
pub struct Table {
    name: &'static str,
    about: Vec<About>,
    header: Vec<&'static str>,
    /// At least one; rows are written to the last.
    parts: Vec<Part>,
    /// Where the parts of a long table go.
    shelf: Option<Shelf>,
}

/// Some rows of a table, in columns.
///
/// # Shapes
/// Every column has the same number of rows once a row is complete.
#[derive(Debug, Clone)]
struct Part {
    /// Row of the table that is the first here.
    first: usize,
    rows: usize,
    /// Rows for which a column of numbers has room from its first cell on.
    expected: usize,
    /// None where they are on the shelf.
    columns: Vec<Column>,
    shelved: Option<Shelved>,
}

/// One cell, as a format reads it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Cell<'a> {
    /// There is no value.
    Missing,
    /// Words.
    Text(&'a str),
    /// A finite number.
    Number(f64),
    /// A whole number.
    Whole(i64),
}

const MISSING_WHOLE: i64 = i64::MIN;

impl Table {
    /// An empty table of these columns; its file will be `name.csv`.
    pub(super) fn declared(name: &'static str, about: &[About]) -> Self {
        Self {
            name,
            about: about.to_vec(),
            header: about.iter().map(|column| column.name).collect(),
            parts: vec![Part::empty(0, about.len())],
            shelf: None,
        }
    }

    /// An empty table of columns without unit and meaning.
    #[cfg(test)]
    pub(crate) fn new(name: &'static str, header: &[&'static str]) -> Self {
        let column = |name| About {
            name,
            unit: "",
            meaning: "",
        };
        let about: Vec<About> = header.iter().copied().map(column).collect();
        Self::declared(name, &about)
    }

    /// With a shelf for its rows, should they be many.
    pub(super) fn on(mut self, shelf: &Shelf) -> Self {
        self.shelf = Some(shelf.clone());
        self
    }

    /// With room for this number of rows: a long column that grows by doubling leaves holes in
    /// the memory.
    pub(crate) fn expecting(mut self, rows: usize) -> Self {
        for part in &mut self.parts {
            part.expected = match self.shelf {
                Some(_) => rows.min(PART_ROWS),
                None => rows,
            };
        }
        self
    }

    /// One table of the same name and header from several, rows in their order.
    ///
    /// `None` where there is none to join.
    pub(crate) fn joined(tables: impl IntoIterator<Item = Self>) -> Option<Self> {
        let mut tables = tables.into_iter();
        let mut joined = tables.next()?;
        for table in tables {
            for mut part in table.parts {
                part.first = joined.rows();
                joined.parts.push(part);
            }
        }
        Some(joined)
    }

    /// A table that gets no more rows: without the room that it kept for them.
    pub(crate) fn finished(mut self) -> Self {
        let last = self.parts.last().map_or(0, |part| part.rows);
        let enough = match self.parts.len() {
            1 => PART_ROWS / 2,
            _ => PART_ROWS / 16,
        };
        if last >= enough {
            self.shelve_last();
        }
        for part in &mut self.parts {
            part.columns.iter_mut().for_each(Column::shrink);
        }
        self
    }

    /// Puts the rows of the last part on the shelf; without room there they stay in memory.
    fn shelve_last(&mut self) {
        let (Some(shelf), Some(part)) = (&self.shelf, self.parts.last_mut()) else {
            return;
        };
        if let Ok(shelved) = shelf.put(&part.columns) {
            part.columns = Vec::new();
            part.shelved = Some(shelved);
        }
    }

    /// Reads all rows back into memory, for those who then ask for cells.
    ///
    /// # Errors
    /// Where the temporary file of a long table cannot be read.
    pub(super) fn held(&self) -> std::io::Result<()> {
        let mut shelved = self.parts.iter().filter_map(|part| part.shelved.as_ref());
        shelved.try_for_each(|one| one.hold().map(|_| ()))
    }

    /// The rows in blocks, those of a long table read from its temporary file one block at a
    /// time.
    pub(super) fn blocks(&self) -> impl Iterator<Item = std::io::Result<Block<'_>>> {
        self.parts.iter().map(|part| {
            let columns = part.columns()?;
            Ok(Block {
                rows: part.rows,
                columns,
            })
        })
    }

    /// A table of some of the rows, in memory.
    ///
    /// # Errors
    /// Where the temporary file of a long table cannot be read.
    pub(super) fn with_rows(
        &self,
        mut keep: impl FnMut(&Block<'_>, usize) -> bool,
    ) -> std::io::Result<Self> {
        let mut some = Self::declared(self.name, &self.about);
        for block in self.blocks() {
            let block = block?;
            for row in 0..block.rows {
                if keep(&block, row) {
                    let mut copy = some.row();
                    let columns = block.columns.iter();
                    columns.for_each(|column| copy.copy(column, row));
                }
            }
        }
        Ok(some)
    }

    /// The table's name.
    #[must_use]
    pub fn name(&self) -> &'static str {
        self.name
    }

    /// Column names.
    #[must_use]
    pub fn header(&self) -> &[&'static str] {
        &self.header
    }

    /// Name, unit and meaning of each column.
    #[must_use]
    pub fn columns(&self) -> &[About] {
        &self.about
    }

    /// Number of complete rows.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.parts.iter().map(|part| part.rows).sum()
    }

    /// Begins a row; write its cells in the order of the header.
    pub(super) fn row(&mut self) -> Row<'_> {
        if self.shelf.is_some() && self.parts.last().is_some_and(|part| part.rows >= PART_ROWS) {
            self.shelve_last();
            self.parts.push(Part {
                expected: PART_ROWS,
                ..Part::empty(self.rows(), self.header.len())
            });
        }
        Row {
            table: self,
            column: 0,
        }
    }

    /// The cell in `row` (from 0) and `column` (from 0).
    #[must_use]
    pub fn cell(&self, row: usize, column: usize) -> Cell<'_> {
        let part = &self.parts[self.parts.partition_point(|part| part.first <= row) - 1];
        part.cell(row - part.first, column)
    }

    /// The header row as comma-separated text.
    pub(crate) fn csv_header(&self) -> String {
        format!("{}\n", self.header.join(","))
    }

    /// The rows as comma-separated text, as [`Table::write_csv`] writes them, by one thread.
    ///
    /// # Errors
    /// Where the temporary file of a long table cannot be read.
    pub(super) fn csv_rows(&self) -> std::io::Result<Vec<u8>> {
        let mut text = Vec::new();
        for part in &self.parts {
            write_rows(&part.columns()?, 0..part.rows, &mut text);
        }
        Ok(text)
    }

    /// Writes the table as comma-separated text, UTF-8, one header row, numbers to
    /// 10 significant digits, missing cells empty.
    ///
    /// Some rows at a time are formatted in parallel, while those before them are
    /// written: the text of a large flock's table is never held whole.
    ///
    /// # Errors
    /// Those of `out`.
    pub fn write_csv(&self, out: &mut (impl Write + Send)) -> std::io::Result<()> {
        const CHUNK: usize = 4096;
        const AT_ONCE: usize = 8;
        out.write_all(self.csv_header().as_bytes())?;
        for part in &self.parts {
            let columns = part.columns()?;
            let chunks: Vec<usize> = (0..part.rows.div_ceil(CHUNK)).collect();
            let mut write =
                |texts: &[Vec<u8>]| texts.iter().try_for_each(|text| out.write_all(text));
            let mut ready = vec![Vec::new(); AT_ONCE.min(chunks.len())];
            let mut next = ready.clone();
            for some in chunks.chunks(AT_ONCE) {
                next.iter_mut().for_each(Vec::clear);
                let format = || {
                    let texts = next.par_iter_mut().zip(some);
                    texts.for_each(|(text, chunk)| {
                        let end = ((chunk + 1) * CHUNK).min(part.rows);
                        write_rows(&columns, chunk * CHUNK..end, text);
                    });
                };
                rayon::join(|| write(&ready), format).0?;
                std::mem::swap(&mut ready, &mut next);
            }
            write(&ready)?;
        }
        Ok(())
    }
}

impl Part {
    fn empty(first: usize, columns: usize) -> Self {
        Self {
            first,
            rows: 0,
            expected: 0,
            columns: vec![Column::Empty; columns],
            shelved: None,
        }
    }

    fn columns(&self) -> std::io::Result<Cow<'_, [Column]>> {
        Ok(match &self.shelved {
            Some(shelved) => Cow::Owned(shelved.read()?),
            None => Cow::Borrowed(&self.columns),
        })
    }

    /// A cell; missing where the temporary file of a long table cannot be read, which
    /// [`Table::held`] reports.
    fn cell(&self, row: usize, column: usize) -> Cell<'_> {
        let columns = match &self.shelved {
            Some(shelved) => shelved.hold().unwrap_or_default(),
            None => &self.columns,
        };
        cell(columns, row, column)
    }
}

/// Some rows of a table, in memory.
#[derive(Debug)]
pub(super) struct Block<'a> {
    /// How many.
    pub(super) rows: usize,
    columns: Cow<'a, [Column]>,
}

impl Block<'_> {
    /// The cell in `row` of the block and `column`, both from 0.
    pub(super) fn cell(&self, row: usize, column: usize) -> Cell<'_> {
        cell(&self.columns, row, column)
    }
}

fn cell(columns: &[Column], row: usize, column: usize) -> Cell<'_> {
    match columns.get(column) {
        None | Some(Column::Empty) => Cell::Missing,
        Some(Column::Text(words)) if words.at(row).is_empty() => Cell::Missing,
        Some(Column::Text(words)) => Cell::Text(words.at(row)),
        Some(Column::Number(values)) if values[row].is_finite() => Cell::Number(values[row]),
        Some(Column::Number(_)) => Cell::Missing,
        Some(Column::Whole(values)) if values[row] == MISSING_WHOLE => Cell::Missing,
        Some(Column::Whole(values)) => Cell::Whole(values[row]),
    }
}

/// Appends rows as comma-separated text.
///
/// Rows begin alike (level, strain, bird, trait, curve): as far as a row's first
/// words are those of the row before, their text is copied from there.
fn write_rows(columns: &[Column], rows: Range<usize>, text: &mut Vec<u8>) {
    let leading: Vec<&Words> = columns
        .iter()
        .map_while(|column| match column {
            Column::Text(words) => Some(words),
            _ => None,
        })
        .collect();
    // Ends of the leading fields in the row before, and where that row starts.
    let mut ends = vec![0; leading.len()];
    let mut before = None;
    for row in rows {
        let start = text.len();
        let alike = before.map_or(0, |_| {
            leading
                .iter()
                .take_while(|words| words.place_at(row) == words.place_at(row - 1))
                .count()
        });
        if let (Some(before), Some(last)) = (before, alike.checked_sub(1)) {
            text.extend_from_within(before..before + ends[last]);
        }
        for (words, end) in leading[alike..].iter().zip(&mut ends[alike..]) {
            text.extend_from_slice(words.field_at(row).as_bytes());
            text.push(b',');
            *end = text.len() - start;
        }
        for column in &columns[leading.len()..] {
            match column {
                Column::Empty => {}
                Column::Text(words) => {
                    text.extend_from_slice(words.field_at(row).as_bytes());
                }
                Column::Number(values) if values[row].is_finite() => {
                    write_number(text, values[row]);
                }
                Column::Whole(values) if values[row] != MISSING_WHOLE => {
                    write_whole(text, values[row]);
                }
                Column::Number(_) | Column::Whole(_) => {}
            }
            text.push(b',');
        }
        if let Some(last) = text.last_mut() {
            *last = b'\n';
        }
        before = Some(start);
    }
}

/// A row being written. Cells go into the columns in order; a row is complete
/// when its last column has its cell.
#[derive(Debug)]
pub(super) struct Row<'a> {
    table: &'a mut Table,
    column: usize,
}

impl Row<'_> {
    /// Words; empty words are a missing cell.
    pub(super) fn text(&mut self, words: &str) -> &mut Self {
        let column = self.next();
        if matches!(column, Column::Empty) {
            *column = Column::Text(Words::default());
        }
        match column {
            Column::Text(column) => column.push(words),
            Column::Number(_) | Column::Whole(_) | Column::Empty => {
                unreachable!("a column of numbers was given words")
            }
        }
        self
    }

    /// A number; one that is not finite is a missing cell.
    pub(super) fn number(&mut self, value: impl Into<Option<f64>>) -> &mut Self {
        let value = value.into().unwrap_or(f64::NAN);
        let expected = self.expected();
        let column = self.next();
        if matches!(column, Column::Empty) {
            *column = Column::Number(Vec::with_capacity(expected));
        }
        match column {
            Column::Number(column) => column.push(value),
            Column::Text(_) | Column::Whole(_) | Column::Empty => {
                unreachable!("a column of words was given a number")
            }
        }
        self
    }

    /// A whole number.
    pub(super) fn whole(&mut self, value: impl Into<Option<usize>>) -> &mut Self {
        let value = value.into().map_or(MISSING_WHOLE, |value| {
            i64::try_from(value).unwrap_or(i64::MAX)
        });
        let column = self.next();
        if matches!(column, Column::Empty) {
            *column = Column::Whole(Vec::new());
        }
        match column {
            Column::Whole(column) => column.push(value),
            Column::Text(_) | Column::Number(_) | Column::Empty => {
                unreachable!("a column of words was given a count")
            }
        }
        self
    }

    /// A copy of a cell.
    fn copy(&mut self, column: &Column, row: usize) {
        match column {
            Column::Empty => {}
            Column::Text(words) => {
                self.text(words.at(row));
            }
            Column::Number(values) => {
                self.number(values[row]);
            }
            Column::Whole(values) => {
                self.whole(usize::try_from(values[row]).ok());
            }
        }
    }

    fn expected(&self) -> usize {
        self.table.parts.last().map_or(0, |part| part.expected)
    }

    fn next(&mut self) -> &mut Column {
        let column = self.column;
        self.column += 1;
        let last = self.table.parts.len() - 1;
        let part = &mut self.table.parts[last];
        if self.column == part.columns.len() {
            part.rows += 1;
        }
        &mut part.columns[column]
    }
}

fn write_whole(text: &mut Vec<u8>, value: i64) {
    // Writing to a Vec cannot fail.
    let _ = write!(text, "{value}");
}

#[cfg(test)]
mod tests;
