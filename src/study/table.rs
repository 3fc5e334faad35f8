//! A text file, or a sheet of a workbook, to rows of cells: encoding, separator,
//! header, ragged rows.

use std::collections::{BTreeMap, HashSet};
use std::ops::Range;
use std::path::Path;

use super::faults::{Faults, Place, listed, quoted};
use super::format::{Decimal, Format, Mark, NotNumber, Writing, number};
use super::quotes::{OpenKind, OpenQuote};
use super::sheet::{self, Sheet, Spoilt};
use super::workbook::{self, file_and_sheet};
use super::{names, pieces, text_file, title};

/// One table in memory, its header read and its rows still text.
#[derive(Debug)]
pub(crate) struct Table {
    /// The file as messages name it.
    pub(crate) file: String,
    /// The headers, trimmed.
    pub(crate) headers: Vec<String>,
    /// The row of the headers.
    header_row: u32,
    /// Rows to pass over before the first of data.
    rows_of_header: usize,
    text: String,
    separator: u8,
    format: Format,
    /// Cells of a sheet that do not hold what they show, by column: their rows.
    spoilt: BTreeMap<usize, Vec<(u32, Spoilt)>>,
    /// What to report of how the file was read.
    pub(crate) warning: Option<String>,
}

impl Table {
    /// Reads a file and its header; `None` where a fault forbids to go on.
    pub(crate) fn open(
        path: &Path,
        file: &str,
        writing: &Writing<'_>,
        faults: &mut Faults,
    ) -> Option<Self> {
        let (path, wanted) = file_and_sheet(path);
        let bytes = match std::fs::read(&path) {
            Ok(bytes) => bytes,
            Err(error) => {
                text_file::unreadable(&path, file, &error, faults);
                return None;
            }
        };
        let read = if workbook::is_named_workbook(&path) || wanted.is_some() {
            let (file, _) = file_and_sheet(Path::new(file));
            let file = file.display().to_string();
            workbook::read(bytes, &file, wanted.as_deref(), writing, faults)?
        } else {
            text_file::read(bytes, file, writing, faults)?
        };
        Self::of_sheet(read, writing, faults)
    }

    /// A text of whole lines, such as the first of a long file, as a table.
    pub(crate) fn of_text(
        bytes: Vec<u8>,
        file: &str,
        writing: &Writing<'_>,
        faults: &mut Faults,
    ) -> Option<Self> {
        let read = text_file::read(bytes, file, writing, faults)?;
        Self::of_sheet(read, writing, faults)
    }

    fn of_sheet(read: Sheet, writing: &Writing<'_>, faults: &mut Faults) -> Option<Self> {
        let mut spoilt: BTreeMap<usize, Vec<(u32, Spoilt)>> = BTreeMap::new();
        for (row, column, what) in read.spoilt {
            spoilt.entry(column).or_default().push((row, what));
        }
        let mut table = Self {
            file: read.name,
            headers: Vec::new(),
            header_row: 1,
            rows_of_header: 1,
            text: read.text,
            separator: read.separator,
            format: writing.format.clone(),
            spoilt,
            warning: read.warning,
        };
        let has_rows = table.read_header(faults);
        table.report_quotes(&read.open_quotes, faults);
        has_rows.then_some(table)
    }

    /// The place of the header row.
    pub(crate) fn header_place(&self) -> Place {
        Place::row(&self.file, self.header_row)
    }

    /// The text of all rows.
    pub(crate) fn text(&self) -> &str {
        &self.text
    }

    /// The separator of the text.
    pub(crate) fn separator(&self) -> u8 {
        self.separator
    }

    /// The decimal mark, as set by the user.
    pub(crate) fn decimal(&self) -> Decimal {
        self.format.decimal
    }

    /// Whether a cell of a text of its rows may hold a comma: in a comma-separated table it
    /// then needs quotation marks.
    pub(crate) fn may_hold_comma_cells(&self, text: &str) -> bool {
        match self.separator {
            b',' => text.contains('"'),
            _ => text.contains(','),
        }
    }

    /// Whether the user declared the table wide.
    pub(crate) fn is_wide(&self) -> bool {
        self.format.wide
    }

    /// Reports cells of a column that a spreadsheet has spoilt: formulas that failed or
    /// have no value, and, where words are expected, words that were made dates.
    pub(crate) fn report_spoilt(&self, column: usize, holds_words: bool, faults: &mut Faults) {
        let header = &self.headers[column];
        for (row, what) in self.spoilt.get(&column).into_iter().flatten() {
            let cell = sheet::address(*row, column);
            let (found, expected, advice) = match what {
                Spoilt::Error(error) => (
                    format!("{error} in cell {cell}"),
                    "a value",
                    "correct the formula, or empty the cell",
                ),
                Spoilt::NoValue => (
                    format!("a formula without a stored value in cell {cell}"),
                    "the value of the formula",
                    "open the workbook in a spreadsheet program and save it there, which stores the values",
                ),
                Spoilt::Date if holds_words => (
                    format!("a date in cell {cell}"),
                    "words or a number",
                    "the spreadsheet has made a date of what was typed: format the column as text and type it again",
                ),
                Spoilt::Date => continue,
            };
            faults.add(
                Place::cell(&self.file, *row, header),
                found,
                expected,
                advice,
            );
        }
    }

    /// Reports quotation marks that are not closed in their row.
    pub(crate) fn report_quotes(&self, open_quotes: &[OpenQuote], faults: &mut Faults) {
        for open in open_quotes {
            let place = match self.headers.get(open.column) {
                Some(header) => Place::cell(&self.file, open.row, header),
                None => Place::row(&self.file, open.row),
            };
            let (found, expected, advice) = match open.kind {
                OpenKind::ManyLines => (
                    "a line break inside a cell in quotation marks".to_owned(),
                    "a row in one line",
                    "put a space in place of the line break; if no such cell is meant, remove the quotation mark",
                ),
                OpenKind::Stray { next_row } => (
                    format!(
                        "a quotation mark that is not closed in its row (the next one stands in row {next_row})"
                    ),
                    "a cell that is closed in its row",
                    "remove the quotation mark or close it",
                ),
                OpenKind::Last => (
                    "a quotation mark that is never closed".to_owned(),
                    "a cell that is closed in its row",
                    "remove the quotation mark or close it",
                ),
            };
            faults.add(place, found, expected, advice);
        }
    }

    /// Reads and checks the header; false where there are no rows under it.
    fn read_header(&mut self, faults: &mut Faults) -> bool {
        let mut rows = self.rows_of(&self.text, 0);
        let headers: Vec<String> = match rows.step() {
            Some(()) => rows
                .record
                .iter()
                .map(|cell| cell.trim().to_owned())
                .collect(),
            None => Vec::new(),
        };
        let header_row = rows.row.max(1);
        let mut rows_of_header = 1;
        let mut has_rows = rows.step().is_some();
        if has_rows && title::is_row_of_units(rows.record.iter()) {
            faults.add(
                Place::row(&self.file, rows.row),
                format!("a second header row ({})", listed(rows.record.iter().map(str::trim).filter(|cell| !cell.is_empty()))),
                "data under one header row",
                "write each unit into its header, as in weight_kg or \"age (days)\", and remove this row",
            );
            rows_of_header = 2;
            has_rows = rows.step().is_some();
        }
        let mut seen = HashSet::new();
        for header in headers.iter().filter(|header| !header.is_empty()) {
            if !seen.insert(header.to_ascii_lowercase()) {
                faults.add(
                    Place::column(&self.file, header),
                    "the header twice",
                    "each header once",
                    "rename or remove one of the two columns",
                );
            }
        }
        if !has_rows {
            faults.add(
                Place::file(&self.file),
                "a header without rows",
                "at least one row of data",
                "check that the whole table was saved",
            );
        }
        self.headers = headers;
        self.header_row = header_row;
        self.rows_of_header = rows_of_header;
        has_rows
    }

    /// The rows under the header, each as long as it.
    pub(crate) fn rows(&self) -> Rows<'_> {
        let mut rows = self.rows_of(&self.text, 0);
        rows.pass_header();
        rows
    }

    /// The same rows in pieces of the file, in its order, each to be read by itself;
    /// `None` where the table is short, or where a line may not be a row.
    pub(crate) fn pieces(&self) -> Option<Vec<Rows<'_>>> {
        let mut row = 0;
        let mut pieces: Vec<Rows<'_>> = pieces::of_lines(&self.text)?
            .into_iter()
            .map(|piece| {
                let rows = self.rows_of(piece.text, row);
                row = row.saturating_add(piece.lines);
                rows
            })
            .collect();
        pieces.first_mut()?.pass_header();
        Some(pieces)
    }

    /// The rows of a part of the text, of which `row` lines stand before.
    pub(crate) fn rows_of<'a>(&'a self, text: &'a str, row: u32) -> Rows<'a> {
        let reader = csv::ReaderBuilder::new()
            .delimiter(self.separator)
            .has_headers(false)
            .flexible(true)
            .from_reader(text.as_bytes());
        Rows {
            table: self,
            text: text.as_bytes(),
            reader,
            record: csv::StringRecord::new(),
            row,
            numbers: &[],
            line: 0..0,
        }
    }

    #[cfg(feature = "program")]
    /// The rows of a text of single lines from anywhere in the table, by their numbers.
    pub(crate) fn rows_numbered<'a>(&'a self, text: &'a str, numbers: &'a [u32]) -> Rows<'a> {
        Rows {
            numbers,
            ..self.rows_of(text, 0)
        }
    }

    /// Whether a cell marks a missing value.
    pub(crate) fn is_missing(&self, cell: &str) -> bool {
        cell.is_empty() || self.format.missing.iter().any(|code| code == cell)
    }
}

/// The rows of a table, one after the other.
pub(crate) struct Rows<'a> {
    table: &'a Table,
    /// What the reader reads: the table's text, or a piece of it.
    text: &'a [u8],
    reader: csv::Reader<&'a [u8]>,
    record: csv::StringRecord,
    /// The row as a spreadsheet counts it, from 1.
    pub(crate) row: u32,
    /// The numbers of the rows that follow, where they are not those of the lines.
    numbers: &'a [u32],
    /// Where the row stands in the text.
    line: Range<usize>,
}

impl<'a> Rows<'a> {
    #[cfg(feature = "program")]
    /// The text after the last row that was read.
    pub(crate) fn rest(&self) -> &'a str {
        let text: &'a [u8] = self.text;
        let rest = &text[self.line.end..];
        let rest = match self.line.end.checked_sub(1).map(|last| text[last]) {
            // The second half of the line end that closed the row.
            Some(b'\r') => rest.strip_prefix(b"\n").unwrap_or(rest),
            _ => rest,
        };
        std::str::from_utf8(rest).unwrap_or_default()
    }

    #[cfg(feature = "program")]
    /// The line of the row, without its end.
    pub(crate) fn line(&self) -> &'a [u8] {
        let is_end = |byte: &u8| matches!(byte, b'\r' | b'\n');
        let text: &'a [u8] = self.text;
        let line = &text[self.line.clone()];
        let first = line.iter().position(|byte| !is_end(byte));
        let last = line.iter().rposition(|byte| !is_end(byte));
        match (first, last) {
            (Some(first), Some(last)) => &line[first..=last],
            _ => &[],
        }
    }

    fn pass_header(&mut self) {
        for _ in 0..self.table.rows_of_header {
            self.step();
        }
    }

    /// Goes to the next row, however long it is; `None` at the end.
    pub(crate) fn step(&mut self) -> Option<()> {
        let text = self.text;
        loop {
            // The reader skips blank lines without a word; a spreadsheet counts them.
            let start = usize::try_from(self.reader.position().byte()).ok()?;
            let mut blank = text[start.min(text.len())..]
                .iter()
                .take_while(|byte| matches!(byte, b'\n' | b'\r'))
                .filter(|byte| **byte == b'\n')
                .count();
            if start > 0 && text[start - 1] == b'\r' && text.get(start) == Some(&b'\n') {
                // The second half of the line end that closed the last row.
                blank -= 1;
            }
            let read = self.reader.read_record(&mut self.record);
            if !matches!(read, Ok(true)) {
                return None;
            }
            let end = usize::try_from(self.reader.position().byte()).ok()?;
            self.line = start.min(text.len())..end.min(text.len());
            self.row = match self.numbers.split_off_first() {
                Some(number) => *number,
                None => self
                    .row
                    .saturating_add(1)
                    .saturating_add(u32::try_from(blank).unwrap_or(u32::MAX)),
            };
            // Spreadsheets pad with rows of separators.
            let first = self.record.get(0).unwrap_or_default();
            if first.trim().is_empty() && self.record.iter().all(|cell| cell.trim().is_empty()) {
                continue;
            }
            return Some(());
        }
    }

    /// Goes to the next row that is as long as the header; others are faults.
    pub(crate) fn next(&mut self, faults: &mut Faults) -> Option<()> {
        loop {
            self.step()?;
            let (cells, headers) = (self.record.len(), self.table.headers.len());
            let padded = || {
                self.record
                    .iter()
                    .skip(headers)
                    .all(|cell| cell.trim().is_empty())
            };
            // A sheet has no separators that could be missing.
            let is_sheet = self.table.separator == sheet::SEPARATOR;
            if cells == headers || (cells > headers && padded()) || (cells < headers && is_sheet) {
                return Some(());
            }
            self.ragged(cells, headers, faults);
        }
    }

    fn ragged(&self, cells: usize, headers: usize, faults: &mut Faults) {
        let advice = if cells > headers && self.table.separator == b',' {
            "a comma inside a cell splits it: put the cell in quotation marks, or save the table \
             with semicolons if commas stand before decimals"
        } else if cells < headers {
            "fill in the missing cells; an empty cell still needs its separator"
        } else {
            "remove the extra cells or give them a header"
        };
        faults.add(
            Place::row(&self.table.file, self.row),
            format!("{cells} cell{}", if cells == 1 { "" } else { "s" }),
            format!("{headers} as in the header"),
            advice,
        );
    }

    /// A cell of this row, without the spaces round it.
    pub(crate) fn cell(&self, column: usize) -> &str {
        // `trim` also takes the no-break spaces that spreadsheets like.
        self.record.get(column).unwrap_or_default().trim()
    }

    /// The place of this row.
    pub(crate) fn whole_place(&self) -> Place {
        Place::row(&self.table.file, self.row)
    }

    /// The place of a cell of this row.
    pub(crate) fn place(&self, column: usize) -> Place {
        Place::cell(&self.table.file, self.row, &self.table.headers[column])
    }

    /// Whether a cell marks a missing value.
    pub(crate) fn is_missing(&self, column: usize) -> bool {
        self.table.is_missing(self.cell(column))
    }

    /// A cell as a number, or the fault with what was `expected`; `None` also
    /// where it is missing, or where its decimal mark is in doubt.
    pub(crate) fn number(
        &self,
        column: usize,
        mark: Mark,
        expected: &str,
        faults: &mut Faults,
    ) -> Option<f64> {
        let cell = self.cell(column);
        if self.table.is_missing(cell) {
            return None;
        }
        match number(cell, mark) {
            Ok(value) => Some(value),
            Err(why) => {
                self.not_a_number(column, why, expected, faults);
                None
            }
        }
    }

    #[cold]
    fn not_a_number(&self, column: usize, why: NotNumber, expected: &str, faults: &mut Faults) {
        if let Some(advice) = why.advice(self.table.format.decimal) {
            let found = quoted(self.cell(column));
            faults.add(self.place(column), found, expected, advice);
        }
    }

    /// A cell that must hold a word.
    pub(crate) fn word(&self, column: usize, expected: &str, faults: &mut Faults) -> Option<&str> {
        let cell = self.cell(column);
        if self.table.is_missing(cell) {
            faults.add(
                self.place(column),
                quoted(cell),
                expected,
                "fill in the cell or remove the row",
            );
            return None;
        }
        Some(names::unguarded(cell))
    }

    /// A cell that may hold a word.
    pub(crate) fn optional_word(&self, column: Option<usize>) -> Option<&str> {
        let cell = self.cell(column?);
        (!self.table.is_missing(cell)).then(|| names::unguarded(cell))
    }
}
