//! The cells of a sheet to the text that a table would be as CSV.
//!
//! The sheet is written out as the user's settings for tables are (decimal
//! mark, date format), so that what follows reads it like any other table: a
//! line a row, blank lines where the sheet is blank, so that rows keep their
//! numbers. What a CSV would hide is kept beside it: which cells hold formula
//! errors or formulas without a value, and which hold dates.

use std::fmt::Write as _;

use super::faults::{Faults, Place};
use super::format::{Decimal, Writing};
use super::quotes::OpenQuote;

/// Most cells read from a sheet: a million rows of eight.
const CELLS: usize = 8_388_608;
/// Between the cells of a sheet written out: the ASCII unit separator, so that a comma
/// in a cell is never taken for one.
pub(crate) const SEPARATOR: u8 = 0x1f;
/// Most bytes of the words of a sheet, and of the sheet written out as text.
const TEXT_BYTES: usize = 1 << 28;

/// A sheet as text, and what its text does not show.
#[derive(Debug, Default)]
pub(crate) struct Sheet {
    /// The file with the sheet's name, as messages name it: `book.xlsx#Sheet1`.
    pub(crate) name: String,
    /// The rows as CSV; line n is row n.
    pub(crate) text: String,
    /// The separator of that text.
    pub(crate) separator: u8,
    /// Cells that do not hold what they show: row, column from 0.
    pub(crate) spoilt: Vec<(u32, usize, Spoilt)>,
    /// Quotation marks of a text file that are not closed in their row.
    pub(crate) open_quotes: Vec<OpenQuote>,
    /// What to report of how a text file was read.
    pub(crate) warning: Option<String>,
}

/// What a spreadsheet has made of a cell.
#[derive(Debug)]
pub(crate) enum Spoilt {
    /// A formula's error.
    Error(Box<str>),
    /// A formula without a stored value.
    NoValue,
    /// A date.
    Date,
}

/// The address of a cell as a spreadsheet writes it: row 3, column 1 is `B3`.
pub(crate) fn address(row: u32, column: usize) -> String {
    let mut letters = Vec::new();
    let mut rest = column + 1;
    while rest > 0 {
        rest -= 1;
        letters.push(char::from(b'A' + u8::try_from(rest % 26).unwrap_or(0)));
        rest /= 26;
    }
    let letters: String = letters.iter().rev().collect();
    format!("{letters}{row}")
}

/// One cell, from either format.
#[derive(Debug)]
pub(crate) enum Cell {
    Word(String),
    Number(f64),
    Date(chrono::NaiveDate),
    /// A time of day or a duration, and a date that is none.
    Time(String),
    Error(String),
    /// A formula without a stored value.
    NoValue,
}

/// Cells by row and column, both from 0.
#[derive(Debug, Default)]
pub(crate) struct Cells {
    pub(crate) list: Vec<(u32, u32, Cell)>,
    /// Bytes of all words: a few bytes of a file can repeat a long one a million times.
    bytes: usize,
}

impl Cells {
    pub(crate) fn push(&mut self, row: u32, column: u32, cell: Cell) {
        self.bytes += match &cell {
            Cell::Word(words) | Cell::Time(words) | Cell::Error(words) => words.len(),
            Cell::Number(_) | Cell::Date(_) | Cell::NoValue => 0,
        };
        self.list.push((row, column, cell));
    }

    pub(crate) fn is_full(&self) -> bool {
        self.list.len() > CELLS || self.bytes > TEXT_BYTES
    }

    /// Sorts them, and returns whether each stands once.
    pub(crate) fn sort(&mut self) -> bool {
        // Spreadsheets write cells in order; nothing obliges a file to.
        self.list.sort_by_key(|(row, column, _)| (*row, *column));
        let place = |cell: &(u32, u32, Cell)| (cell.0, cell.1);
        self.list
            .windows(2)
            .all(|pair| place(&pair[0]) != place(&pair[1]))
    }
}

/// The cells as CSV text, a line a row, from the header on where its row is named.
pub(crate) fn written_out(
    name: &str,
    cells: &Cells,
    writing: &Writing<'_>,
    faults: &mut Faults,
) -> Option<Sheet> {
    let comma = writing.format.decimal == Decimal::Comma;
    let from = writing.header_row.map_or(0, |row| row - 1);
    let mut sheet = Sheet {
        name: name.to_owned(),
        separator: SEPARATOR,
        ..Sheet::default()
    };
    let (mut row, mut column) = (0, 0);
    let mut full = cells.is_full();
    for (at_row, at_column, cell) in &cells.list {
        if *at_row < from {
            continue;
        }
        if *at_row > row {
            column = 0;
        }
        let between = (at_row - row) as usize + (at_column - column) as usize;
        full = full || sheet.text.len().saturating_add(between) > TEXT_BYTES;
        if full {
            break;
        }
        for _ in row..*at_row {
            sheet.text.push('\n');
        }
        for _ in column..*at_column {
            sheet.text.push(char::from(SEPARATOR));
        }
        (row, column) = (*at_row, *at_column);
        let mut spoilt = |what| sheet.spoilt.push((row + 1, column as usize, what));
        match cell {
            Cell::Word(words) | Cell::Time(words) => push_words(&mut sheet.text, words),
            Cell::Number(number) => push_number(&mut sheet.text, *number, comma),
            Cell::Date(date) => {
                push_words(&mut sheet.text, &writing.dates.write(*date));
                spoilt(Spoilt::Date);
            }
            Cell::Error(error) => {
                push_words(&mut sheet.text, error);
                spoilt(Spoilt::Error(error.as_str().into()));
            }
            Cell::NoValue => spoilt(Spoilt::NoValue),
        }
    }
    if full {
        faults.add(
            Place::file(name),
            format!("more than {CELLS} cells, or cells that reach to the sheet's edge"),
            "a table of at most a million rows of eight columns",
            "clear what stands outside the table, or save the sheet as CSV",
        );
        return None;
    }
    sheet.text.push('\n');
    Some(sheet)
}

/// Words in one line: a sheet may break a cell into lines, a row of text may not.
fn push_words(text: &mut String, words: &str) {
    let one_line = |letter: char| match letter {
        '\n' | '\r' => ' ',
        letter if letter == char::from(SEPARATOR) => ' ',
        letter => letter,
    };
    let quoted = words.contains('"');
    if quoted {
        text.push('"');
    }
    for letter in words.chars().map(one_line) {
        text.push(letter);
        if letter == '"' {
            text.push(letter);
        }
    }
    if quoted {
        text.push('"');
    }
}

/// A number as the table writes numbers; a whole one has no decimals, so that
/// bird 12 is not bird 12.0.
fn push_number(text: &mut String, number: f64, comma: bool) {
    let from = text.len();
    // Writing to a String cannot fail.
    let _ = write!(text, "{number}");
    if comma && let Some(at) = text[from..].find('.') {
        text.replace_range(from + at..=from + at, ",");
    }
}
