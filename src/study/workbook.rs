//! A sheet of a workbook (.xlsx, .ods): which one, and its cells.
//!
//! Whatever the file claims to be, memory stays bounded: see `archive.rs`.

use std::io::Cursor;
use std::path::{Path, PathBuf};

use calamine::{CellErrorType, Data, DataRef, Dimensions, Ods, Reader, SheetVisible, Xlsx};

use super::archive::{self, Kind};
use super::faults::{Faults, Place, listed, nearest, quoted};
use super::format::Writing;
use super::sheet::{Cell, Cells, SEPARATOR, Sheet, address, written_out};
use super::title;

/// A table's path taken apart: `book.xlsx#Sheet` is a file and a sheet in it.
///
/// Only the name of a workbook is taken apart; `a#b.csv` is a file.
#[must_use]
pub fn file_and_sheet(path: &Path) -> (PathBuf, Option<String>) {
    let whole = path.to_string_lossy();
    let endings = [".xlsx#", ".xlsm#", ".ods#"];
    let lower = whole.to_ascii_lowercase();
    let at = endings
        .iter()
        .filter_map(|ending| lower.find(ending).map(|at| at + ending.len() - 1))
        .min();
    match at {
        // A name with "#" of a file that is there is that file.
        Some(at) if !path.is_file() => (
            PathBuf::from(&whole[..at]),
            Some(whole[at + 1..].trim().to_owned()),
        ),
        _ => (path.to_owned(), None),
    }
}

/// Whether a name is that of a workbook.
pub(crate) fn is_named_workbook(path: &Path) -> bool {
    path.extension().is_some_and(|ending| {
        ["xlsx", "xlsm", "ods", "xls", "xlsb"]
            .iter()
            .any(|known| ending.eq_ignore_ascii_case(known))
    })
}

/// Reads the sheet; `None` where a fault forbids to go on.
pub(crate) fn read(
    bytes: Vec<u8>,
    file: &str,
    wanted: Option<&str>,
    writing: &Writing<'_>,
    faults: &mut Faults,
) -> Option<Sheet> {
    let known = match archive::looked_through(&bytes) {
        Ok(known) => known,
        Err(why) => {
            faults.add(
                Place::file(file),
                why.found(),
                "a workbook (.xlsx or .ods)",
                why.advice(),
            );
            return None;
        }
    };
    let (name, cells, merged) = match known.kind {
        Kind::Xlsx => from_xlsx(bytes, file, wanted, faults)?,
        Kind::Ods => from_ods(bytes, &known.spans, file, wanted, faults)?,
    };
    let name = format!("{file}#{name}");
    let mut sheet = written_out(&name, &cells, writing, faults)?;
    // Blocks of a title over the header are reported with it.
    let header_row = match writing.header_row {
        Some(row) => Some(row),
        None => title::report(&mut sheet.text, SEPARATOR, &name, faults),
    };
    let header = match header_row {
        Some(row) => row - 1,
        None => cells.list.first().map_or(0, |(row, ..)| *row),
    };
    let columns = cells
        .list
        .iter()
        .filter(|(row, ..)| *row == header)
        .map(|(_, column, _)| column + 1)
        .max()
        .unwrap_or(0);
    // What belongs to the empty cells of a block is not known.
    let before = faults.count();
    report_merged(&merged, header, columns, &name, faults);
    (faults.count() == before).then_some(sheet)
}

/// Reports a merged block in the table: its value seems to belong to every row.
fn report_merged(
    merged: &[Dimensions],
    header: u32,
    columns: u32,
    name: &str,
    faults: &mut Faults,
) {
    for Dimensions { start, end } in merged {
        if end.0 < header || start.1 >= columns || start == end {
            continue;
        }
        let block = format!(
            "the merged cells {}:{}",
            address(start.0 + 1, start.1 as usize),
            address(end.0 + 1, end.1 as usize)
        );
        let (expected, advice) = if start.0 <= header {
            (
                "one header row with a name over each column",
                "a title or a header of two rows: remove it, or if the header stands lower, give its row: header_row in study.toml (--header-row)",
            )
        } else {
            (
                "a value in each cell",
                "unmerge the cells and fill in each of them",
            )
        };
        faults.add(Place::row(name, start.0 + 1), block, expected, advice);
    }
}

fn from_xlsx(
    bytes: Vec<u8>,
    file: &str,
    wanted: Option<&str>,
    faults: &mut Faults,
) -> Option<(String, Cells, Vec<Dimensions>)> {
    let mut book = match Xlsx::new(Cursor::new(bytes)) {
        Ok(book) => book,
        Err(error) => {
            report_damage(file, &error, faults);
            return None;
        }
    };
    let visible = visible(book.sheets_metadata());
    let mut filled = Vec::new();
    for name in &visible {
        let first = book
            .worksheet_cells_reader(name)
            .and_then(|mut cells| Ok(cells.next_cell()?.is_some()));
        if first.unwrap_or(true) {
            filled.push(name.clone());
        }
    }
    let name = chosen(&book.sheet_names(), &visible, &filled, wanted, file, faults)?;
    let read = |book: &mut Xlsx<Cursor<Vec<u8>>>| {
        let mut cells = Cells::default();
        let mut reader = book.worksheet_cells_reader(&name)?;
        while let Some(record) = reader.next_cell_with_formula_metadata()? {
            let (row, column) = record.pos;
            let value = match (&record.value, &record.formula) {
                (DataRef::Empty, Some(_)) => Some(Cell::NoValue),
                (value, _) => of_xlsx(value),
            };
            if let Some(value) = value {
                cells.push(row, column, value);
                if cells.is_full() {
                    break;
                }
            }
        }
        Ok::<_, calamine::XlsxError>(cells)
    };
    let mut cells = match read(&mut book) {
        Ok(cells) => cells,
        Err(error) => {
            report_damage(file, &error, faults);
            return None;
        }
    };
    if !cells.sort() {
        report_damage(file, &"a cell stands twice in a sheet", faults);
        return None;
    }
    let merged = book.merge_cells_by_sheet_name(&name).unwrap_or_default();
    Some((name, cells, merged))
}

fn from_ods(
    bytes: Vec<u8>,
    spans: &[(String, Dimensions)],
    file: &str,
    wanted: Option<&str>,
    faults: &mut Faults,
) -> Option<(String, Cells, Vec<Dimensions>)> {
    let mut book = match Ods::new(Cursor::new(bytes)) {
        Ok(book) => book,
        Err(error) => {
            report_damage(file, &error, faults);
            return None;
        }
    };
    let visible = visible(book.sheets_metadata());
    let filled: Vec<String> = visible
        .iter()
        .filter(|name| {
            book.worksheet_range(name)
                .is_ok_and(|range| !range.is_empty())
        })
        .cloned()
        .collect();
    let name = chosen(&book.sheet_names(), &visible, &filled, wanted, file, faults)?;
    let range = match book.worksheet_range(&name) {
        Ok(range) => range,
        Err(error) => {
            report_damage(file, &error, faults);
            return None;
        }
    };
    let at =
        |offset: usize, first: u32| first.saturating_add(u32::try_from(offset).unwrap_or(u32::MAX));
    let mut cells = Cells::default();
    let (first_row, first_column) = range.start().unwrap_or_default();
    for (row, column, value) in range.used_cells() {
        if let Some(value) = of_ods(value) {
            cells.push(at(row, first_row), at(column, first_column), value);
        }
    }
    let formulas = book.worksheet_formula(&name).unwrap_or_default();
    let (first_row, first_column) = formulas.start().unwrap_or_default();
    for (row, column, _) in formulas.used_cells() {
        let (row, column) = (at(row, first_row), at(column, first_column));
        if range
            .get_value((row, column))
            .is_none_or(|value| *value == Data::Empty)
        {
            cells.push(row, column, Cell::NoValue);
        }
    }
    cells.sort();
    let merged = spans
        .iter()
        .filter(|(sheet, _)| *sheet == name)
        .map(|(_, span)| *span)
        .collect();
    Some((name, cells, merged))
}

fn report_damage(file: &str, error: &dyn std::fmt::Display, faults: &mut Faults) {
    let error = error.to_string();
    let password = error.to_lowercase().contains("password");
    let (found, advice) = if password {
        (
            "a workbook with a password".to_owned(),
            "save it without a password",
        )
    } else {
        let error = error.replace('\n', " ");
        (
            format!("a workbook that is damaged ({error})"),
            "open it in the spreadsheet, save it again, and copy it whole",
        )
    };
    faults.add(
        Place::file(file),
        found,
        "a workbook (.xlsx or .ods)",
        advice,
    );
}

fn visible(sheets: &[calamine::Sheet]) -> Vec<String> {
    sheets
        .iter()
        .filter(|sheet| sheet.visible == SheetVisible::Visible)
        .map(|sheet| sheet.name.clone())
        .collect()
}

/// The sheet by its name, or the only one that holds anything.
fn chosen(
    all: &[String],
    visible: &[String],
    filled: &[String],
    wanted: Option<&str>,
    file: &str,
    faults: &mut Faults,
) -> Option<String> {
    let Some(wanted) = wanted else {
        return match filled {
            [only] => Some(only.clone()),
            [] => {
                faults.add(
                    Place::file(file),
                    "a workbook without a filled sheet",
                    "a header row and at least one row of data",
                    "check that the right file was saved",
                );
                None
            }
            _ => {
                faults.add(
                    Place::file(file),
                    format!("the sheets {}", listed(filled)),
                    "one sheet with the table",
                    format!(
                        "name it: \"{file}#{}\", or --sheet for a bare table",
                        filled[0]
                    ),
                );
                None
            }
        };
    };
    let same = |name: &&String| name.trim().to_lowercase() == wanted.to_lowercase();
    let found = all
        .iter()
        .find(|name| *name == wanted)
        .or_else(|| all.iter().find(same));
    if found.is_none() {
        let advice = match nearest(wanted, visible.iter().map(String::as_str)) {
            Some(near) => format!("perhaps \"{near}\" is meant"),
            None => "correct the sheet's name after the #".to_owned(),
        };
        faults.add(
            Place::file(file),
            format!("the sheets {}", listed(visible)),
            format!("a sheet {}", quoted(wanted)),
            advice,
        );
    }
    found.cloned()
}

fn of_xlsx(value: &DataRef<'_>) -> Option<Cell> {
    Some(match value {
        DataRef::Empty => return None,
        DataRef::String(words) => return word(words),
        DataRef::SharedString(words) => return word(words),
        DataRef::Int(whole) => Cell::Word(whole.to_string()),
        DataRef::Float(number) => Cell::Number(*number),
        DataRef::Bool(truth) => Cell::Word(if *truth { "TRUE" } else { "FALSE" }.to_owned()),
        DataRef::DateTime(when) => date(when),
        DataRef::DateTimeIso(iso) => date_of_iso(iso),
        DataRef::DurationIso(iso) => Cell::Time(iso.clone()),
        DataRef::Error(error) => Cell::Error(error_text(error)),
    })
}

fn of_ods(value: &Data) -> Option<Cell> {
    Some(match value {
        Data::Empty => return None,
        // An error is text in an .ods.
        Data::String(words) if is_error(words) => Cell::Error(words.trim().to_owned()),
        Data::String(words) => return word(words),
        Data::Int(whole) => Cell::Word(whole.to_string()),
        Data::Float(number) => Cell::Number(*number),
        Data::Bool(truth) => Cell::Word(if *truth { "TRUE" } else { "FALSE" }.to_owned()),
        Data::DateTime(when) => date(when),
        Data::DateTimeIso(iso) => date_of_iso(iso),
        Data::DurationIso(iso) => Cell::Time(iso.clone()),
        Data::Error(error) => Cell::Error(error_text(error)),
    })
}

fn word(words: &str) -> Option<Cell> {
    let words = words.trim();
    (!words.is_empty()).then(|| Cell::Word(words.to_owned()))
}

fn error_text(error: &CellErrorType) -> String {
    error.to_string()
}

/// Whether a text is what a spreadsheet shows for a formula that failed.
pub(crate) fn is_error(words: &str) -> bool {
    const ERRORS: [&str; 9] = [
        "#DIV/0!", "#N/A", "#NAME?", "#REF!", "#VALUE!", "#NUM!", "#NULL!", "#SPILL!", "#CALC!",
    ];
    let words = words.trim();
    ERRORS.contains(&words)
        || words
            .strip_prefix("Err:")
            .is_some_and(|code| code.len() == 3 && code.bytes().all(|byte| byte.is_ascii_digit()))
}

/// A serial number with a date's format: its day. Below one it is a time of day,
/// which the format of a date would make the last day of 1899.
fn date(when: &calamine::ExcelDateTime) -> Cell {
    match when.as_datetime() {
        Some(date) if when.is_datetime() && when.as_f64() >= 1.0 => Cell::Date(date.date()),
        _ => Cell::Time(format!("a time of day ({})", when.as_f64())),
    }
}

fn date_of_iso(iso: &str) -> Cell {
    let day = iso.get(..10).unwrap_or(iso);
    match chrono::NaiveDate::parse_from_str(day, "%Y-%m-%d") {
        Ok(date) => Cell::Date(date),
        Err(_) => Cell::Time(iso.to_owned()),
    }
}
