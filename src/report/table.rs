//! A tidy table in columns, and the number formats that the files promise.
//!
//! Every result leaves the program as a [`Table`]: one row a thing, one column a
//! quantity, a missing value where there is none. Each output format (CSV here,
//! JSON through serde) reads the same table, so they cannot disagree.

use std::collections::HashMap;
use std::io::Write;

use rayon::prelude::*;
use serde::{Serialize, Serializer};

/// A table of results, kept in parts so that a long one can be made in parallel and
/// joined without copying.
#[derive(Debug, Clone)]
pub struct Table {
    name: &'static str,
    header: &'static [&'static str],
    /// At least one; rows are written to the last.
    parts: Vec<Part>,
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
    columns: Vec<Column>,
}

/// The cells of one column.
#[derive(Debug, Clone)]
enum Column {
    /// No cell has been written yet.
    Empty,
    /// Words, each distinct one stored once.
    Text(Words),
    /// Numbers; NaN is a missing cell and never leaves the table as such.
    Number(Vec<f64>),
    /// Counts and other whole numbers; `i64::MIN` is a missing cell.
    Whole(Vec<i64>),
}

impl Column {
    fn shrink(&mut self) {
        match self {
            Self::Empty => {}
            Self::Text(words) => {
                words.rows.shrink_to_fit();
                words.places = HashMap::new();
            }
            Self::Number(values) => values.shrink_to_fit(),
            Self::Whole(values) => values.shrink_to_fit(),
        }
    }
}

/// Words and, a row each, which one stands there; each is stored once while rows
/// are written.
#[derive(Debug, Clone, Default)]
struct Words {
    pool: Vec<Box<str>>,
    places: HashMap<Box<str>, u32>,
    /// Which word each row has; empty while all have the first.
    rows: Vec<u32>,
    /// Rows that have the first word, before any has another: level, trait and curve
    /// stay the same over thousands of rows.
    alike: usize,
}

impl Words {
    fn push(&mut self, word: &str) {
        if self.rows.is_empty() {
            match self.pool.first() {
                Some(first) if **first == *word => {
                    self.alike += 1;
                    return;
                }
                // The first other word: from here on each row says which.
                Some(_) => self.rows.resize(self.alike, 0),
                None => {}
            }
        }
        let place = self.place(word);
        if self.rows.is_empty() && place == 0 {
            self.alike = 1;
        } else {
            self.rows.push(place);
        }
    }

    /// Rows repeat a word or run through the same few in order: look there first.
    fn place(&mut self, word: &str) -> u32 {
        let pool_at = |place: u32| self.pool.get(place as usize).map(AsRef::as_ref);
        if let Some(last) = self.rows.last().copied() {
            for guess in [last, last + 1, 0] {
                if pool_at(guess) == Some(word) {
                    return guess;
                }
            }
        }
        if let Some(place) = self.places.get(word) {
            return *place;
        }
        let place = u32::try_from(self.pool.len()).unwrap_or(u32::MAX);
        self.pool.push(word.into());
        self.places.insert(word.into(), place);
        place
    }

    fn at(&self, row: usize) -> &str {
        let place = self.rows.get(row).copied().unwrap_or(0);
        &self.pool[place as usize]
    }
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
    /// An empty table; its file will be `name.csv`.
    #[must_use]
    pub fn new(name: &'static str, header: &'static [&'static str]) -> Self {
        let part = Part {
            first: 0,
            rows: 0,
            columns: vec![Column::Empty; header.len()],
        };
        Self {
            name,
            header,
            parts: vec![part],
        }
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
        for part in &mut self.parts {
            part.columns.iter_mut().for_each(Column::shrink);
        }
        self
    }

    /// The table's name.
    #[must_use]
    pub fn name(&self) -> &'static str {
        self.name
    }

    /// Column names.
    #[must_use]
    pub fn header(&self) -> &'static [&'static str] {
        self.header
    }

    /// Number of complete rows.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.parts.iter().map(|part| part.rows).sum()
    }

    /// Begins a row; write its cells in the order of the header.
    pub fn row(&mut self) -> Row<'_> {
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

    /// Writes the table as comma-separated text, UTF-8, one header row, numbers to
    /// 10 significant digits, missing cells empty.
    ///
    /// Some rows at a time are formatted in parallel and written in order: the text
    /// of a large flock's table is never held whole.
    ///
    /// # Errors
    /// Those of `out`.
    pub fn write_csv(&self, out: &mut impl Write) -> std::io::Result<()> {
        const CHUNK: usize = 4096;
        const AT_ONCE: usize = 16;
        writeln!(out, "{}", self.header.join(","))?;
        let chunks: Vec<(&Part, usize)> = self
            .parts
            .iter()
            .flat_map(|part| (0..part.rows.div_ceil(CHUNK)).map(move |chunk| (part, chunk)))
            .collect();
        for some in chunks.chunks(AT_ONCE) {
            let texts = some.par_iter().map(|(part, chunk)| {
                let mut text = Vec::with_capacity(CHUNK * self.header.len() * 8);
                for row in chunk * CHUNK..((chunk + 1) * CHUNK).min(part.rows) {
                    part.write_row(row, &mut text);
                }
                text
            });
            for text in texts.collect::<Vec<_>>() {
                out.write_all(&text)?;
            }
        }
        Ok(())
    }
}

impl Part {
    fn cell(&self, row: usize, column: usize) -> Cell<'_> {
        match &self.columns[column] {
            Column::Empty => Cell::Missing,
            Column::Text(words) if words.at(row).is_empty() => Cell::Missing,
            Column::Text(words) => Cell::Text(words.at(row)),
            Column::Number(values) if values[row].is_finite() => Cell::Number(values[row]),
            Column::Number(_) => Cell::Missing,
            Column::Whole(values) if values[row] == MISSING_WHOLE => Cell::Missing,
            Column::Whole(values) => Cell::Whole(values[row]),
        }
    }

    fn write_row(&self, row: usize, text: &mut Vec<u8>) {
        for column in 0..self.columns.len() {
            if column > 0 {
                text.push(b',');
            }
            match self.cell(row, column) {
                Cell::Missing => {}
                Cell::Text(words) => write_words(text, words),
                Cell::Number(value) => write_number(text, value),
                Cell::Whole(value) => write_whole(text, value),
            }
        }
        text.push(b'\n');
    }
}

/// The table as an array of one object a row, keys in the order of the header.
impl Serialize for Table {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq((0..self.rows()).map(|row| RowObject { table: self, row }))
    }
}

struct RowObject<'a> {
    table: &'a Table,
    row: usize,
}

impl Serialize for RowObject<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let cells = self.table.header.iter().enumerate();
        serializer
            .collect_map(cells.map(|(column, name)| (name, self.table.cell(self.row, column))))
    }
}

impl Serialize for Cell<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Cell::Missing => serializer.serialize_none(),
            Cell::Text(words) => serializer.serialize_str(words),
            Cell::Number(value) => serializer.serialize_f64(*value),
            Cell::Whole(value) => serializer.serialize_i64(*value),
        }
    }
}

/// A row being written. Cells go into the columns in order; a row is complete
/// when its last column has its cell.
#[derive(Debug)]
pub struct Row<'a> {
    table: &'a mut Table,
    column: usize,
}

impl Row<'_> {
    /// Words; empty words are a missing cell.
    pub fn text(&mut self, words: &str) -> &mut Self {
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
    pub fn number(&mut self, value: impl Into<Option<f64>>) -> &mut Self {
        let value = value.into().unwrap_or(f64::NAN);
        let column = self.next();
        if matches!(column, Column::Empty) {
            *column = Column::Number(Vec::new());
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
    pub fn whole(&mut self, value: impl Into<Option<usize>>) -> &mut Self {
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

/// Words as a CSV field: quoted where they hold a comma, a quote or a line break.
///
/// Words that a spreadsheet would work out as a formula get a leading apostrophe,
/// the common guard; our own reader takes it off again. Names are left as they
/// are wherever they can be: a bird called `-12` or `+7` is a number to a
/// spreadsheet and no formula, so that other programs find it under its own name.
fn write_words(text: &mut Vec<u8>, words: &str) {
    let quoted = words.contains([',', '"', '\n', '\r']);
    if quoted {
        text.push(b'"');
    }
    if is_formula(words) {
        text.push(b'\'');
    }
    if words.contains('"') {
        text.extend_from_slice(words.replace('"', "\"\"").as_bytes());
    } else {
        text.extend_from_slice(words.as_bytes());
    }
    if quoted {
        text.push(b'"');
    }
}

/// Whether a spreadsheet would work words out: they begin with a sign of a
/// formula, and more than a plain number follows.
fn is_formula(words: &str) -> bool {
    match words.as_bytes() {
        [b'=' | b'@' | b'\t' | b'\r', ..] => true,
        [b'+' | b'-', rest @ ..] => !rest
            .iter()
            .all(|byte| byte.is_ascii_digit() || *byte == b'.'),
        _ => false,
    }
}

fn write_whole(text: &mut Vec<u8>, value: i64) {
    // Writing to a Vec cannot fail.
    let _ = write!(text, "{value}");
}

const TENS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];

/// From here on ten digits round to 1e10, which has eleven.
const GREATEST_PLAIN: f64 = 9_999_999_999.5;

/// A finite number to 10 significant digits, trailing zeros cut; plain between
/// 1e-5 and 1e10, with an exponent outside.
///
/// Millions of these are written, so the common range goes through one
/// multiplication by an exact power of ten and whole-number digits.
pub(crate) fn write_number(text: &mut Vec<u8>, value: f64) {
    let magnitude = value.abs();
    if value == 0.0 {
        text.push(b'0');
    } else if (1e-5..GREATEST_PLAIN).contains(&magnitude) {
        if value < 0.0 {
            text.push(b'-');
        }
        write_plain(text, magnitude);
    } else {
        write_scientific(text, value);
    }
}

/// `00` to `99`.
const PAIRS: [[u8; 2]; 100] = {
    let mut pairs = [[b'0'; 2]; 100];
    let mut number = 0u8;
    while number < 100 {
        pairs[number as usize] = [b'0' + number / 10, b'0' + number % 10];
        number += 1;
    }
    pairs
};

/// Ten significant digits of a number in [1e-5, 1e10).
fn write_plain(text: &mut Vec<u8>, magnitude: f64) {
    // Digits before the point: 1 for [1, 10), 0 for [0.1, 1), -1 for [0.01, 0.1) ...
    let mut before: i32 = 0;
    while before < 10 && magnitude >= TENS[before.unsigned_abs() as usize] {
        before += 1;
    }
    while before < 1 && magnitude * TENS[(1 - before).unsigned_abs() as usize] < 1.0 {
        before -= 1;
    }
    let decimals = (10 - before).unsigned_abs() as usize;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "below 1e10 + 1 by construction"
    )]
    let mut digits = (magnitude * TENS[decimals] + 0.5) as u64;
    if digits >= 10_000_000_000 {
        // 9.99.. went up to 10.
        digits /= 10;
        before += 1;
    }
    let mut buffer = [b'0'; 10];
    for pair in (0..5).rev() {
        let [tens, ones] = PAIRS[(digits % 100) as usize];
        buffer[2 * pair] = tens;
        buffer[2 * pair + 1] = ones;
        digits /= 100;
    }
    let significant = 10
        - buffer
            .iter()
            .rev()
            .take_while(|digit| **digit == b'0')
            .count();
    let Ok(whole) = usize::try_from(before) else {
        text.extend_from_slice(b"0.");
        text.resize(text.len() + before.unsigned_abs() as usize, b'0');
        text.extend_from_slice(&buffer[..significant]);
        return;
    };
    if whole == 0 {
        text.push(b'0');
    }
    text.extend_from_slice(&buffer[..whole]);
    if significant > whole {
        text.push(b'.');
        text.extend_from_slice(&buffer[whole..significant]);
    }
}

fn write_scientific(text: &mut Vec<u8>, value: f64) {
    let written = format!("{value:.9e}");
    let (mantissa, exponent) = written.split_once('e').unwrap_or((&written, "0"));
    let mantissa = mantissa.trim_end_matches('0').trim_end_matches('.');
    let _ = write!(text, "{mantissa}e{exponent}");
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn written(value: f64) -> String {
        let mut text = Vec::new();
        write_number(&mut text, value);
        String::from_utf8(text).unwrap()
    }

    #[test]
    fn numbers_have_ten_digits_and_no_trailing_zeros() {
        let cases = [
            (0.0, "0"),
            (-0.0, "0"),
            (1.0, "1"),
            (0.1, "0.1"),
            (1250.5, "1250.5"),
            (-42.0, "-42"),
            (1.0 / 3.0, "0.3333333333"),
            (2.0 / 3.0, "0.6666666667"),
            (9_999_999_999.0, "9999999999"),
            (9_999_999_999.7, "1e10"),
            (0.999_999_999_99, "1"),
            (0.000_01, "0.00001"),
            (100.0, "100"),
            (99_999.999_999_9, "100000"),
            (0.000_012_345_678_912_3, "0.00001234567891"),
            (1e-6, "1e-6"),
            (1.5e10, "1.5e10"),
            (-2.25e-9, "-2.25e-9"),
            (1e300, "1e300"),
        ];
        for (value, expected) in cases {
            assert_eq!(written(value), expected, "{value:e}");
        }
    }

    proptest! {
        /// What is written reads back to within half a unit of the tenth digit.
        #[test]
        fn numbers_read_back(mantissa in -10.0f64..10.0, exponent in -30i32..30) {
            let value = mantissa * 10f64.powi(exponent);
            let back: f64 = written(value).parse().unwrap();
            // 0.5e-9 of the leading digit's place; a rounding of the scaled value adds 1e-15.
            prop_assert!((back - value).abs() <= 5.001e-10 * value.abs() * 1.000_001);
        }
    }

    #[test]
    fn parts_join_in_order() {
        let part = |names: &[&str]| {
            let mut table = Table::new("t", &["bird"]);
            for name in names {
                table.row().text(name);
            }
            table
        };
        let joined =
            Table::joined([part(&[]), part(&["a", "b"]), part(&[]), part(&["c"])]).unwrap();
        assert_eq!(joined.rows(), 3);
        let cells: Vec<Cell<'_>> = (0..3).map(|row| joined.cell(row, 0)).collect();
        assert_eq!(cells, ["a", "b", "c"].map(Cell::Text));
        let mut text = Vec::new();
        joined.write_csv(&mut text).unwrap();
        assert_eq!(text, b"bird\na\nb\nc\n");
    }

    #[test]
    fn a_column_of_one_word_may_change_it() {
        let mut table = Table::new("t", &["level"]);
        for name in ["bird", "bird", "", "bird", "strain", ""] {
            table.row().text(name);
        }
        let cells: Vec<Cell<'_>> = (0..6).map(|row| table.cell(row, 0)).collect();
        let (bird, strain) = (Cell::Text("bird"), Cell::Text("strain"));
        assert_eq!(
            cells,
            [bird, bird, Cell::Missing, bird, strain, Cell::Missing]
        );
    }

    #[test]
    fn words_are_quoted_and_never_formulas() {
        let mut table = Table::new("t", &["bird", "n", "weight_g"]);
        table.row().text("a,\"b\"").whole(3).number(1.5);
        table.row().text("=1+1").whole(None).number(f64::NAN);
        table.row().text("").whole(0).number(None);
        table.row().text("-12").whole(1).number(-2.5);
        table.row().text("-A1").whole(1).number(1.0);
        let mut text = Vec::new();
        table.write_csv(&mut text).unwrap();
        let text = String::from_utf8(text).unwrap();
        assert_eq!(
            text,
            "bird,n,weight_g\n\"a,\"\"b\"\"\",3,1.5\n'=1+1,,\n,0,\n-12,1,-2.5\n'-A1,1,1\n"
        );
        assert_eq!(
            serde_json::to_string(&table).unwrap(),
            r#"[{"bird":"a,\"b\"","n":3,"weight_g":1.5},{"bird":"=1+1","n":null,"weight_g":null},{"bird":null,"n":0,"weight_g":null},{"bird":"-12","n":1,"weight_g":-2.5},{"bird":"-A1","n":1,"weight_g":1.0}]"#
        );
    }
}
