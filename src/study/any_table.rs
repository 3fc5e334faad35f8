//! A table with arbitrary columns: each holds numbers or words, inferred from its cells.

use std::path::Path;

use super::decimal_mark::{self, NumberColumn};
use super::faults::{Faults, Place, quoted};
use super::format::{Format, Writing, number};
use super::table::Table;
use super::units::DateFormat;
use crate::error::Result;

/// A table of columns by name.
///
/// # Shapes
/// Every column has as many entries as `rows`.
#[derive(Debug, Clone)]
pub struct AnyTable {
    /// The file, as the user named it.
    pub file: String,
    /// Row of the file behind each row (1 is the header).
    pub rows: Vec<u32>,
    /// Columns in the order of the header.
    pub columns: Vec<(String, AnyColumn)>,
    /// A warning on how the file was read.
    pub warning: Option<String>,
}

/// One column.
#[derive(Debug, Clone, PartialEq)]
pub enum AnyColumn {
    /// All cells are numbers or missing (NaN).
    Numbers(Vec<f64>),
    /// Words, empty where missing.
    Words(Vec<String>),
}

/// Reads a table whose columns are not known beforehand.
///
/// A column is one of numbers where every cell that is not missing reads as one.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) with each fault's file and row.
pub fn read_columns(path: &Path, format: &Format) -> Result<AnyTable> {
    let mut faults = Faults::default();
    let table = read(path, format, &mut faults);
    let empty = AnyTable {
        file: String::new(),
        rows: Vec::new(),
        columns: Vec::new(),
        warning: None,
    };
    faults.or(table.unwrap_or(empty))
}

fn read(path: &Path, format: &Format, faults: &mut Faults) -> Option<AnyTable> {
    let file = path.display().to_string();
    let dates = DateFormat::default();
    let writing = Writing {
        format,
        dates: &dates,
        header_row: None,
    };
    let table = Table::open(path, &file, &writing, faults)?;
    let file = table.file.clone();
    for column in 0..table.headers.len() {
        table.report_spoilt(column, false, faults);
    }
    for (place, header) in table.headers.iter().enumerate() {
        if header.is_empty() {
            let expected = "a name for every column";
            faults.add(
                table.header_place(),
                format!("no header over column {}", place + 1),
                expected,
                "name the column",
            );
        }
    }
    let all: Vec<NumberColumn> = (0..table.headers.len()).map(NumberColumn::plain).collect();
    let mark = decimal_mark::of(&table, &all, faults);
    let mut words: Vec<Vec<String>> = vec![Vec::new(); all.len()];
    let mut rows_of = Vec::new();
    let mut rows = table.rows();
    while rows.next(faults).is_some() {
        rows_of.push(rows.row);
        for (column, words) in words.iter_mut().enumerate() {
            words.push(
                rows.optional_word(Some(column))
                    .unwrap_or_default()
                    .to_owned(),
            );
        }
    }
    let mut columns = Vec::new();
    for (header, words) in table.headers.iter().zip(words) {
        let numbers: std::result::Result<Vec<f64>, _> = words
            .iter()
            .map(|word| {
                if word.is_empty() {
                    Ok(f64::NAN)
                } else {
                    number(word, mark)
                }
            })
            .collect();
        if let Ok(numbers) = &numbers
            && let Some(at) = numbers
                .iter()
                .position(|number| number.abs() > super::NUMBER_LIMIT)
        {
            let place = Place::cell(&file, rows_of[at], header);
            faults.add(
                place,
                quoted(&words[at]),
                "a number between -1e100 and 1e100",
                "correct the cell or mark it missing (NA)",
            );
        }
        columns.push((
            header.clone(),
            numbers.map_or(AnyColumn::Words(words), AnyColumn::Numbers),
        ));
    }
    Some(AnyTable {
        file,
        rows: rows_of,
        columns,
        warning: table.warning,
    })
}
