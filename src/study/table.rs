//! A text file, or a sheet of a workbook, to rows of cells: encoding, separator,
//! header, ragged rows.

use std::path::Path;

use super::encoding::{self, Decoded};
use super::faults::{Faults, Place, listed, nearest, quoted};
use super::format::{Decimal, Format, Mark, MarkEvidence, NotNumber, Separator, Writing, number};
use super::workbook::{self, Sheet, file_and_sheet};
use super::{names, pieces, title};

/// One table in memory, its header read and its rows still text.
#[derive(Debug)]
pub(crate) struct Table {
    /// The file as messages name it.
    pub(crate) file: String,
    /// The headers, trimmed.
    pub(crate) headers: Vec<String>,
    text: String,
    separator: u8,
    format: Format,
    /// Cells of a sheet that hold an error: row, column from 0, the error.
    errors: Vec<(u32, usize, String)>,
    /// Cells of a sheet that hold a date: row, column from 0.
    dates: Vec<(u32, usize)>,
    /// What to tell of how the file was read.
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
                unreadable(&path, file, &error, faults);
                return None;
            }
        };
        let sheet = if workbook::is_named_workbook(&path) || wanted.is_some() {
            let (file, _) = file_and_sheet(Path::new(file));
            let file = file.display().to_string();
            workbook::read(bytes, &file, wanted.as_deref(), writing, faults)?
        } else {
            text_file(bytes, file, writing, faults)?
        };
        let titled = match writing.header_row {
            Some(_) => None,
            None => title::over(&sheet.text, sheet.separator),
        };
        if let Some((row, found, header)) = titled {
            faults.add(
                Place::row(&sheet.name, row),
                found,
                "the header row",
                format!(
                    "the header seems to stand in row {header}: remove the rows above it, or name its \
                     row: --header-row {header}, in study.toml under [header_row]"
                ),
            );
            return None;
        }
        let mut table = Self {
            file: sheet.name,
            headers: Vec::new(),
            text: sheet.text,
            separator: sheet.separator,
            format: writing.format.clone(),
            errors: sheet.errors,
            dates: sheet.dates,
            warning: sheet.warning,
        };
        table.read_header(faults).then_some(table)
    }

    /// Whether the user says that the table is wide.
    pub(crate) fn is_wide(&self) -> bool {
        self.format.wide
    }

    /// Tells cells of a column that a spreadsheet has spoilt: formulas that failed,
    /// and, where words are expected, words that were turned into dates.
    pub(crate) fn tell_spoilt(&self, column: usize, holds_words: bool, faults: &mut Faults) {
        let header = &self.headers[column];
        for (row, _, error) in self.errors.iter().filter(|(_, at, _)| *at == column) {
            faults.add(
                Place::cell(&self.file, *row, header),
                format!("{error} in cell {}", workbook::address(*row, column)),
                "a value",
                "correct the formula, or empty the cell",
            );
        }
        for (row, _) in self
            .dates
            .iter()
            .filter(|(_, at)| holds_words && *at == column)
        {
            faults.add(
                Place::cell(&self.file, *row, header),
                format!("a date in cell {}", workbook::address(*row, column)),
                "words or a number",
                "the spreadsheet has made a date of what was typed: format the column as text and type it again",
            );
        }
    }

    /// Reads and checks the header; false where nothing can be read under it.
    fn read_header(&mut self, faults: &mut Faults) -> bool {
        let mut rows = self.all_rows();
        let header = rows.advance();
        let headers: Vec<String> = match header {
            Some(_) => rows
                .record
                .iter()
                .map(|cell| cell.trim().to_owned())
                .collect(),
            None => Vec::new(),
        };
        let has_rows = rows.advance().is_some();
        let before = faults.count();
        if has_rows && title::is_row_of_units(rows.record.iter()) {
            faults.add(
                Place::row(&self.file, rows.row),
                format!("a second header row ({})", listed(rows.record.iter().map(str::trim).filter(|cell| !cell.is_empty()))),
                "data under one header row",
                "write each unit into its header, as in weight_kg or \"age (days)\", and remove this row",
            );
        }
        for (index, header) in headers.iter().enumerate() {
            let same = |other: &String| other.eq_ignore_ascii_case(header);
            if !header.is_empty() && headers[..index].iter().any(same) {
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
        faults.count() == before
    }

    /// The rows under the header, each as long as it.
    pub(crate) fn rows(&self) -> Rows<'_> {
        let mut rows = self.all_rows();
        rows.advance();
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
        pieces.first_mut()?.advance();
        Some(pieces)
    }

    /// All rows, the header included.
    fn all_rows(&self) -> Rows<'_> {
        self.rows_of(&self.text, 0)
    }

    /// The rows of a part of the text, of which `row` lines stand before.
    fn rows_of<'a>(&'a self, text: &'a str, row: u32) -> Rows<'a> {
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
        }
    }

    /// Whether a cell says that there is no value.
    pub(crate) fn is_missing(&self, cell: &str) -> bool {
        cell.is_empty() || self.format.missing.iter().any(|code| code == cell)
    }

    /// The decimal mark of the numbers in `columns`: as the user says, or as
    /// the numbers show. `None`, with a fault, where they leave it in doubt.
    pub(crate) fn mark(&self, columns: &[usize], faults: &mut Faults) -> Option<Mark> {
        match self.format.decimal {
            Decimal::Point => return Some(Mark::Point),
            Decimal::Comma => return Some(Mark::Comma),
            Decimal::Auto => {}
        }
        // A comma inside a cell of a comma-separated table needs quotation marks.
        let comma_cells = match self.separator {
            b',' => self.text.contains('"'),
            _ => self.text.contains(','),
        };
        let points_in_doubt = self.separator == b';';
        if !comma_cells && !points_in_doubt {
            return Some(Mark::Point);
        }
        let mut evidence = MarkEvidence::default();
        let mut doubt = None;
        let mut rows = self.rows();
        while rows.advance().is_some() {
            for &column in columns {
                let cell = rows.cell(column);
                if !self.is_missing(cell) && evidence.see(cell) && doubt.is_none() {
                    doubt = Some((rows.row, column, cell.to_owned()));
                }
            }
        }
        let verdict = evidence.verdict(points_in_doubt);
        if let (None, Some((row, column, cell))) = (verdict, doubt) {
            faults.add(
                Place::cell(&self.file, row, &self.headers[column]),
                format!("{}, where the mark may stand before decimals or after thousands", quoted(&cell)),
                "a decimal mark that leaves no doubt",
                "name it under [format] in study.toml: decimal = \"point\" or \"comma\" (--decimal)",
            );
        }
        verdict
    }
}

/// The rows of a table, one after the other.
pub(crate) struct Rows<'a> {
    table: &'a Table,
    /// What the reader reads: the table's text, or a piece of it.
    text: &'a [u8],
    reader: csv::Reader<&'a [u8]>,
    record: csv::StringRecord,
    /// The row as a spreadsheet counts it: 1 is the header.
    pub(crate) row: u32,
}

impl Rows<'_> {
    /// Goes to the next row; `None` at the end.
    fn advance(&mut self) -> Option<()> {
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
            self.row = self
                .row
                .saturating_add(1)
                .saturating_add(u32::try_from(blank).unwrap_or(u32::MAX));
            // Spreadsheets pad with rows of separators: they say nothing.
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
            self.advance()?;
            let (cells, headers) = (self.record.len(), self.table.headers.len());
            let padded = || {
                self.record
                    .iter()
                    .skip(headers)
                    .all(|cell| cell.trim().is_empty())
            };
            if cells == headers || (cells > headers && padded()) {
                return Some(());
            }
            self.ragged(cells, headers, faults);
        }
    }

    fn ragged(&self, cells: usize, headers: usize, faults: &mut Faults) {
        let advice = if self.record.iter().any(|cell| cell.contains('\n')) {
            "a quotation mark is opened here and not closed: remove or close it"
        } else if cells > headers && self.table.separator == b',' {
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

    /// The place of a cell of this row.
    pub(crate) fn place(&self, column: usize) -> Place {
        Place::cell(&self.table.file, self.row, &self.table.headers[column])
    }

    /// A cell as a number, or the fault with what was `expected`; `None` also
    /// where it is missing.
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
        let cell = self.cell(column);
        faults.add(self.place(column), quoted(cell), expected, why.advice());
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

/// A text file as if it were a sheet: its text, its separator.
fn text_file(
    bytes: Vec<u8>,
    file: &str,
    writing: &Writing<'_>,
    faults: &mut Faults,
) -> Option<Sheet> {
    let Decoded { mut text, warning } = encoding::decoded(bytes, file, faults)?;
    if text.trim().is_empty() {
        let expected = "a header row and at least one row of data";
        faults.add(
            Place::file(file),
            "an empty file",
            expected,
            "check that the right file was saved",
        );
        return None;
    }
    if let Some(header) = writing.header_row {
        title::blank_above(&mut text, header);
    }
    let separator = separator(&text, file, writing.format.separator, faults)?;
    Some(Sheet {
        name: file.to_owned(),
        text,
        separator,
        warning,
        ..Sheet::default()
    })
}

/// The separator: as the user says, or the one most frequent in the header.
fn separator(text: &str, file: &str, wanted: Separator, faults: &mut Faults) -> Option<u8> {
    match wanted {
        Separator::Comma => return Some(b','),
        Separator::Semicolon => return Some(b';'),
        Separator::Tab => return Some(b'\t'),
        Separator::Auto => {}
    }
    let header = text
        .trim_start_matches(['\r', '\n'])
        .lines()
        .next()
        .unwrap_or_default();
    let mut counts = [(b',', 0), (b';', 0), (b'\t', 0)];
    let mut inside_quotes = false;
    for byte in header.bytes() {
        if byte == b'"' {
            inside_quotes = !inside_quotes;
        }
        for (separator, count) in &mut counts {
            *count += usize::from(!inside_quotes && *separator == byte);
        }
    }
    counts.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    if counts[0].1 > 0 && counts[0].1 == counts[1].1 {
        faults.add(
            Place::row(file, 1),
            "as many separators of one kind as of another",
            "commas, semicolons or tabs between the headers",
            "name it under [format] in study.toml: separator = \"comma\", \"semicolon\" or \"tab\" (--separator)",
        );
        return None;
    }
    // Without any, the table has one column and every separator reads it.
    Some(counts[0].0)
}

/// A file that cannot be read: the fault, with the name that may be meant.
fn unreadable(path: &Path, file: &str, error: &std::io::Error, faults: &mut Faults) {
    if path.is_dir() {
        faults.add(
            Place::file(file),
            "a folder",
            "a table",
            "name the file in it",
        );
        return;
    }
    if error.kind() != std::io::ErrorKind::NotFound {
        let advice = "check that you may read it and that no other program holds it";
        faults.add(
            Place::file(file),
            format!("a file that cannot be read ({error})"),
            "a table",
            advice,
        );
        return;
    }
    let folder = path
        .parent()
        .filter(|folder| !folder.as_os_str().is_empty());
    let mut names: Vec<String> = std::fs::read_dir(folder.unwrap_or(Path::new(".")))
        .into_iter()
        .flatten()
        .flatten()
        .filter(|entry| entry.path().is_file())
        .map(|entry| entry.file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let advice = match nearest(&name, names.iter().map(String::as_str)) {
        Some(near) => format!("perhaps {near} is meant"),
        None if names.is_empty() => "its folder holds no files: check the path".to_owned(),
        None => format!("its folder holds {}", listed(&names)),
    };
    faults.add(Place::file(file), "no such file", "a table", advice);
}
