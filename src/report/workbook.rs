//! The results as one workbook: notes first, then a sheet a table.
//!
//! The same tables give the same bytes: the file's time of making is fixed.
//! Numbers stand there whole; their format only shows some five digits.

use rust_xlsxwriter::{
    DocProperties, ExcelDateTime, Format, FormatAlign, Workbook, Worksheet, XlsxError,
};

use super::{Cell, RunRecord, Table};
use crate::error::{Error, Result};

/// Rows that a sheet holds, the header apart.
const SHEET_ROWS: usize = 1_048_575;
/// Letters that a cell holds.
const CELL_LETTERS: usize = 32_767;
/// Letters that a sheet's name holds.
const NAME_LETTERS: usize = 31;
/// Widest and narrowest column, in letters.
const WIDTHS: (usize, usize) = (8, 60);
/// Rows looked at for a column's width and format.
const LOOKED_AT: usize = 2000;

/// The tables as an .xlsx file.
///
/// Words stay words: a cell that begins like a formula is text.
///
/// # Errors
/// [`ErrorKind::Output`](crate::ErrorKind::Output) where the writer refuses.
pub fn workbook(tables: &[Table], record: &RunRecord) -> Result<Vec<u8>> {
    written(tables, record).map_err(|source| {
        let source = std::io::Error::other(source);
        Error::unwritable(std::path::Path::new("results.xlsx"), source)
    })
}

fn written(tables: &[Table], record: &RunRecord) -> std::result::Result<Vec<u8>, XlsxError> {
    let mut book = Workbook::new();
    // A fixed time: the same results give the same bytes.
    let made = ExcelDateTime::from_ymd(2000, 1, 1)?;
    let properties = DocProperties::new()
        .set_title(format!("{} {}", record.program, record.command))
        .set_creation_datetime(&made);
    book.set_properties(&properties);
    notes(book.add_worksheet(), tables, record)?;
    let header = Format::new()
        .set_bold()
        .set_background_color(0x00E8_EEF4)
        .set_border_bottom(rust_xlsxwriter::FormatBorder::Thin);
    for table in tables.iter().filter(|table| fits(table)) {
        let sheet = book.add_worksheet();
        sheet.set_name(sheet_name(table))?;
        write_table(sheet, table, &header)?;
    }
    book.save_to_buffer()
}

fn fits(table: &Table) -> bool {
    table.rows() <= SHEET_ROWS
}

fn sheet_name(table: &Table) -> String {
    table.name().chars().take(NAME_LETTERS).collect()
}

fn write_table(
    sheet: &mut Worksheet,
    table: &Table,
    header: &Format,
) -> std::result::Result<(), XlsxError> {
    table.held().map_err(XlsxError::IoError)?;
    for (column, name) in table.header().iter().enumerate() {
        let at = u16::try_from(column).unwrap_or(u16::MAX);
        sheet.write_string_with_format(0, at, *name, header)?;
        let (format, width) = shown(table, column);
        sheet.set_column_width(at, width as f64 + 2.0)?;
        sheet.set_column_format(at, &format)?;
        for row in 0..table.rows() {
            let line = u32::try_from(row + 1).unwrap_or(u32::MAX);
            match table.cell(row, column) {
                Cell::Missing => {}
                Cell::Text(words) => {
                    sheet.write_string(line, at, short(words))?;
                }
                Cell::Number(value) => {
                    sheet.write_number_with_format(line, at, value, &format)?;
                }
                Cell::Whole(value) => {
                    sheet.write_number_with_format(line, at, value as f64, &format)?;
                }
            }
        }
    }
    sheet.set_freeze_panes(1, 0)?;
    let (rows, columns) = (table.rows(), table.header().len());
    if rows > 0 && columns > 0 {
        let last_row = u32::try_from(rows).unwrap_or(u32::MAX);
        let last_column = u16::try_from(columns - 1).unwrap_or(u16::MAX);
        sheet.autofilter(0, 0, last_row, last_column)?;
    }
    Ok(())
}

fn short(words: &str) -> &str {
    match words.char_indices().nth(CELL_LETTERS) {
        Some((end, _)) => &words[..end],
        None => words,
    }
}

/// How a column's cells are shown, and the letters that it takes.
fn shown(table: &Table, column: usize) -> (Format, usize) {
    let mut letters = table.header()[column].len();
    let mut magnitudes = Vec::new();
    let mut whole = true;
    for row in 0..table.rows().min(LOOKED_AT) {
        match table.cell(row, column) {
            Cell::Text(words) => letters = letters.max(words.chars().count()),
            Cell::Number(value) => {
                whole &=
                    value.fract().total_cmp(&0.0).is_eq() || value.fract().total_cmp(&-0.0).is_eq();
                if value.abs() > 0.0 {
                    magnitudes.push(value.abs().log10());
                }
            }
            Cell::Whole(_) | Cell::Missing => {}
        }
    }
    let width = letters.clamp(WIDTHS.0, WIDTHS.1);
    if magnitudes.is_empty() || whole {
        return (Format::new(), width);
    }
    magnitudes.sort_by(f64::total_cmp);
    let median = magnitudes[magnitudes.len() / 2];
    // Five digits of the middle number, neither more than eight decimals nor fewer than none.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "from 0 to 8"
    )]
    let decimals = (4.0 - median.floor()).clamp(0.0, 8.0) as usize;
    let format = match decimals {
        8 if median < -6.0 => "0.000E+00".to_owned(),
        0 => "0".to_owned(),
        _ => format!("0.{}", "0".repeat(decimals)),
    };
    (Format::new().set_num_format(format), width)
}

/// What was run on what, and what the columns mean.
fn notes(
    sheet: &mut Worksheet,
    tables: &[Table],
    record: &RunRecord,
) -> std::result::Result<(), XlsxError> {
    sheet.set_name("notes")?;
    let bold = Format::new().set_bold();
    let wrapped = Format::new().set_text_wrap().set_align(FormatAlign::Top);
    sheet.set_column_width(0, 24)?;
    sheet.set_column_width(1, 26)?;
    sheet.set_column_width(2, 90)?;
    let mut line = 0;
    let heading = |sheet: &mut Worksheet, line: &mut u32, words: &str| {
        *line += u32::from(*line > 0);
        sheet.write_string_with_format(*line, 0, words, &bold)?;
        *line += 1;
        Ok::<(), XlsxError>(())
    };
    let row = |sheet: &mut Worksheet, line: &mut u32, cells: [&str; 3]| {
        for (column, cell) in (0_u16..).zip(cells) {
            if !cell.is_empty() {
                sheet.write_string_with_format(*line, column, short(cell), &wrapped)?;
            }
        }
        *line += 1;
        Ok::<(), XlsxError>(())
    };
    heading(sheet, &mut line, "What was run")?;
    row(
        sheet,
        &mut line,
        [
            "program",
            &format!("{} {}", record.program, record.version),
            "",
        ],
    )?;
    row(sheet, &mut line, ["command", &record.command, ""])?;
    row(
        sheet,
        &mut line,
        ["arguments", "", &record.arguments.join(" ")],
    )?;
    for input in &record.inputs {
        let digest = format!("{} bytes, SHA-256 {}", input.bytes, input.sha256);
        row(sheet, &mut line, ["input", &input.path, &digest])?;
    }
    for (what, count) in &record.counts {
        row(sheet, &mut line, ["count", what, &count.to_string()])?;
    }
    if !record.warnings.is_empty() {
        heading(sheet, &mut line, "What needs attention")?;
        for warning in &record.warnings {
            row(sheet, &mut line, ["warning", "", warning])?;
        }
    }
    heading(sheet, &mut line, "What the columns mean")?;
    for table in tables {
        if !fits(table) {
            let note = format!(
                "{} rows do not fit a sheet: read tables/{}.csv",
                table.rows(),
                table.name()
            );
            row(sheet, &mut line, [table.name(), "", &note])?;
        }
        for column in table.columns() {
            row(
                sheet,
                &mut line,
                [table.name(), column.name, column.meaning],
            )?;
        }
    }
    Ok(())
}

/// Tables written as CSV, as the sheets of an .xlsx file: numbers as numbers, days
/// (year-month-day) as dates, all else as words.
///
/// # Errors
/// [`ErrorKind::Output`](crate::ErrorKind::Output) where the writer refuses.
pub fn tables_workbook(sheets: &[(&str, &str)]) -> Result<Vec<u8>> {
    let write = || {
        let mut book = Workbook::new();
        let made = ExcelDateTime::from_ymd(2000, 1, 1)?;
        book.set_properties(&DocProperties::new().set_creation_datetime(&made));
        let bold = Format::new().set_bold();
        let day = Format::new().set_num_format("yyyy-mm-dd");
        for (name, csv) in sheets {
            let sheet = book.add_worksheet();
            sheet.set_name(*name)?.set_freeze_panes(1, 0)?;
            for (row, line) in (0_u32..).zip(csv.lines()) {
                for (column, cell) in (0_u16..).zip(line.split(',')) {
                    if row == 0 {
                        sheet.write_string_with_format(row, column, cell, &bold)?;
                        sheet.set_column_width(column, 14)?;
                    } else if let Ok(number) = cell.parse::<f64>() {
                        sheet.write_number(row, column, number)?;
                    } else if let Some(date) = date(cell) {
                        sheet.write_datetime_with_format(row, column, &date, &day)?;
                    } else if !cell.is_empty() {
                        sheet.write_string(row, column, cell)?;
                    }
                }
            }
        }
        book.save_to_buffer()
    };
    write().map_err(|source: XlsxError| {
        let source = std::io::Error::other(source);
        Error::unwritable(std::path::Path::new("tables.xlsx"), source)
    })
}

/// A cell that is a day, year-month-day.
fn date(cell: &str) -> Option<ExcelDateTime> {
    let mut parts = cell.split('-');
    let (year, month, day) = (parts.next()?, parts.next()?, parts.next()?);
    ExcelDateTime::from_ymd(year.parse().ok()?, month.parse().ok()?, day.parse().ok()?).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    fn record() -> RunRecord {
        RunRecord {
            program: "pinfeather".into(),
            version: "0".into(),
            command: "fit".into(),
            arguments: vec!["fit".into(), "w.csv".into()],
            seed: 0,
            methods: std::collections::BTreeMap::new(),
            inputs: Vec::new(),
            counts: BTreeMap::new(),
            warnings: vec!["=2 fits are weak".into()],
            outputs: Vec::new(),
            saved: Vec::new(),
        }
    }

    #[test]
    fn the_same_tables_give_the_same_bytes() {
        let mut table = Table::new("curve_terms", &["bird", "estimate"]);
        table.row().text("=1+1").number(1_250.123_456_789);
        table.row().text("b").number(f64::NAN);
        let tables = [table];
        let one = workbook(&tables, &record()).unwrap();
        // The writer's own clock counts in seconds.
        std::thread::sleep(std::time::Duration::from_millis(1100));
        assert_eq!(one, workbook(&tables, &record()).unwrap());
    }
}
