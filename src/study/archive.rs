//! What a workbook's file really is, and whether it is safe to unpack.
//!
//! A workbook is a zip archive of XML. Before anything of it is held in memory
//! every part of it is unpacked once into nothing, whatever its name, counting: an
//! archive that unpacks to hundreds of times its size (a zip bomb), one that is cut
//! short, and one that is no workbook at all are reported here. In an .ods a few bytes
//! can also claim that a cell, a row or a space is repeated a million times; those
//! claims are added up over all sheets, and the blocks of merged cells, which the
//! reader of cells does not see, are kept. Empty cells and rows behind the last filled
//! one, which spreadsheet programs repeat to the sheet's edge, claim nothing. Every
//! part of XML from which cells come must close what it opens: the reader of cells looks
//! for the end of an .ods sheet for ever, and a sheet that is cut short has lost rows.

use std::io::{BufReader, Cursor, Read};

use calamine::Dimensions;
use quick_xml::XmlVersion;
use quick_xml::events::{BytesStart, Event};
use zip::ZipArchive;

/// Unpacked bytes that every archive may have.
const FREE_BYTES: u64 = 64 << 20;
/// Beyond those, unpacked bytes for each byte of the file: sheets of numbers
/// unpack to some ten to forty times their size, bombs to a thousand times.
const EXPANSION: u64 = 100;
/// Unpacked bytes that no archive may have.
const MOST_BYTES: u64 = 1 << 30;
/// Cells that the sheets of an .ods may claim together by repeating them.
const CLAIMED_CELLS: u64 = 8_388_608;
/// Formats of cells, each of which takes hundreds of bytes in memory and five in the
/// file: spreadsheet programs have at most 65,490.
const CELL_FORMATS: u64 = 1 << 18;
/// Bytes of words that they may claim together in the same way.
const CLAIMED_BYTES: u64 = 1 << 27;

/// Which workbook a file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    Xlsx,
    Ods,
}

/// What is known of a workbook before it is read.
#[derive(Debug)]
pub(crate) struct Known {
    pub(crate) kind: Kind,
    /// Merged blocks of an .ods, each with its sheet.
    pub(crate) spans: Vec<(String, Dimensions)>,
}

/// Why a file is not read as a workbook.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum NoWorkbook {
    Empty,
    Text,
    OldOrLocked,
    Binary,
    OtherArchive,
    Damaged(String),
    Bomb,
    Repeats,
}

impl NoWorkbook {
    /// What was found.
    pub(crate) fn found(&self) -> String {
        match self {
            Self::Empty => "an empty file".into(),
            Self::Text => "text under the name of a workbook".into(),
            Self::OldOrLocked => "an old .xls workbook, or one with a password".into(),
            Self::Binary => "no workbook, despite its name".into(),
            Self::OtherArchive => "a zip archive that holds no sheets of an .xlsx or .ods".into(),
            Self::Damaged(why) => format!("a workbook that is cut short or damaged ({why})"),
            Self::Bomb => "an archive that unpacks to far more than a workbook of its size".into(),
            Self::Repeats => format!(
                "cells or spaces repeated to more than {CLAIMED_CELLS} cells or {CLAIMED_BYTES} letters"
            ),
        }
    }

    /// What to do next.
    pub(crate) fn advice(&self) -> &'static str {
        match self {
            Self::Empty => "check that the right file was saved",
            Self::Text => "give it the ending .csv",
            Self::OldOrLocked => "save it as .xlsx without a password",
            Self::Binary | Self::OtherArchive => {
                "open it in the spreadsheet and save it as .xlsx, .ods or CSV UTF-8"
            }
            Self::Damaged(_) => "copy or export the whole file again",
            Self::Bomb => "do not trust it; save the sheet as CSV UTF-8 if it is your own",
            Self::Repeats => "clear what stands outside the tables, or save the sheet as CSV UTF-8",
        }
    }
}

/// The kind of a file, after a test unpacking that keeps nothing.
///
/// # Errors
/// Why it is not to be read as a workbook.
pub(crate) fn looked_through(bytes: &[u8]) -> Result<Known, NoWorkbook> {
    match bytes {
        [] => return Err(NoWorkbook::Empty),
        [b'P', b'K', ..] => {}
        [0xd0, 0xcf, 0x11, 0xe0, ..] => return Err(NoWorkbook::OldOrLocked),
        _ if bytes.contains(&0) => return Err(NoWorkbook::Binary),
        _ => return Err(NoWorkbook::Text),
    }
    let damaged =
        |error: &dyn std::fmt::Display| NoWorkbook::Damaged(error.to_string().replace('\n', " "));
    let mut archive = ZipArchive::new(Cursor::new(bytes)).map_err(|error| damaged(&error))?;
    let kind = if archive.index_for_name("xl/workbook.xml").is_some() {
        Kind::Xlsx
    } else if archive.index_for_name("content.xml").is_some() {
        Kind::Ods
    } else if archive.index_for_name("xl/workbook.bin").is_some() {
        return Err(NoWorkbook::Binary);
    } else {
        return Err(NoWorkbook::OtherArchive);
    };
    let packed = bytes.len() as u64;
    let limit = MOST_BYTES.min(FREE_BYTES.max(packed.saturating_mul(EXPANSION)));
    let mut unpacked = Unpacked::default();
    for index in 0..archive.len() {
        let part = archive.by_index(index).map_err(|error| damaged(&error))?;
        let mut part = part.take(limit - unpacked.bytes + 1);
        std::io::copy(&mut part, &mut unpacked).map_err(|error| damaged(&error))?;
        if unpacked.bytes > limit
            || unpacked.shared_words > CLAIMED_CELLS
            || unpacked.formats > CELL_FORMATS
        {
            return Err(NoWorkbook::Bomb);
        }
    }
    let mut spans = Vec::new();
    for index in 0..archive.len() {
        let part = archive.by_index(index).map_err(|error| damaged(&error))?;
        let name = part.name().map_err(|error| damaged(&error))?.into_owned();
        let part = BufReader::new(part);
        match (kind, name.rsplit_once('/')) {
            (Kind::Ods, None) if name == "content.xml" => spans = merged(&name, part)?,
            (Kind::Ods, Some(("META-INF", "manifest.xml"))) => closed(&name, part, |_| Ok(()))?,
            (Kind::Xlsx, Some((folder, file)))
                if folder.starts_with("xl") && file.ends_with(".xml") =>
            {
                closed(&name, part, |event| references(&name, event))?;
            }
            _ => {}
        }
    }
    Ok(Known { kind, spans })
}

/// Shows every event of a part of XML; an error where an element is not closed at its end.
fn closed(
    name: &str,
    part: impl std::io::BufRead,
    mut each: impl FnMut(&Event<'_>) -> Result<(), NoWorkbook>,
) -> Result<(), NoWorkbook> {
    let damaged = |why: String| NoWorkbook::Damaged(format!("{name}: {}", why.replace('\n', " ")));
    let mut reader = quick_xml::Reader::from_reader(part);
    let (mut buffer, mut depth) = (Vec::new(), 0_usize);
    loop {
        let event = reader
            .read_event_into(&mut buffer)
            .map_err(|error| damaged(error.to_string()))?;
        match &event {
            Event::Start(_) => depth += 1,
            // An end without a beginning is an error of the reader's.
            Event::End(_) => depth = depth.saturating_sub(1),
            Event::Eof if depth > 0 => {
                return Err(damaged("it ends inside an element".to_owned()));
            }
            Event::Eof => return Ok(()),
            _ => {}
        }
        each(&event)?;
        buffer.clear();
    }
}

/// An error where an .xlsx names a cell that no sheet can have: the reader would count past
/// the greatest number.
fn references(name: &str, event: &Event<'_>) -> Result<(), NoWorkbook> {
    let (Event::Start(start) | Event::Empty(start)) = event else {
        return Ok(());
    };
    let is_cell = |one: &str| {
        let digits = one.bytes().filter(u8::is_ascii_digit).count();
        // XFD1048576 is the last; `$` may stand before column and row.
        digits <= 7 && one.len() - digits <= 5
    };
    for text in ["r", "ref"].iter().filter_map(|key| attribute(start, key)) {
        if !text.split([':', ' ']).all(is_cell) || !text.split(' ').all(runs_on) {
            let shown: String = text.chars().take(40).collect();
            return Err(NoWorkbook::Damaged(format!(
                "{name}: found the cell {shown}, which no sheet has"
            )));
        }
    }
    Ok(())
}

/// Whether a range of cells ends where it begins or after it: the reader takes the difference.
fn runs_on(range: &str) -> bool {
    let place = |cell: &str| {
        let (mut row, mut column) = (0_u64, 0_u64);
        for byte in cell.bytes() {
            match byte.to_ascii_uppercase() {
                digit @ b'0'..=b'9' => row = 10 * row + u64::from(digit - b'0'),
                letter @ b'A'..=b'Z' => column = 26 * column + u64::from(letter - b'A') + 1,
                _ => {}
            }
        }
        (row, column)
    };
    let Some((first, last)) = range.split_once(':') else {
        return true;
    };
    let (first, last) = (place(first), place(last));
    first.0 <= last.0 && first.1 <= last.1
}

/// Unpacked bytes, and elements among them that a reader keeps one by one.
#[derive(Debug, Default)]
struct Unpacked {
    bytes: u64,
    /// Elements `si`.
    shared_words: u64,
    /// Elements `xf`.
    formats: u64,
    /// The last bytes, in which an element may have begun.
    last: Vec<u8>,
}

impl std::io::Write for Unpacked {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.bytes += bytes.len() as u64;
        self.last.extend_from_slice(bytes);
        for three in self.last.windows(3) {
            match three {
                [b'<' | b':', b's', b'i'] => self.shared_words += 1,
                [b'<' | b':', b'x', b'f'] => self.formats += 1,
                _ => {}
            }
        }
        let kept = self.last.len().saturating_sub(2);
        self.last.drain(..kept);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// How much the sheets claim so far: cells up to the last filled one, and their words.
#[derive(Debug, Default)]
struct Claimed {
    /// Row in hand, from 0, and how often it is repeated.
    row: u64,
    repeated: u64,
    /// Column in hand, from 0, and how often its cell is repeated: 0 outside a filled cell.
    column: u64,
    cell_repeated: u64,
    /// Rows and columns of this sheet to the last filled cell.
    rows: u64,
    columns: u64,
    /// Cells of the sheets before.
    before: u64,
    /// Bytes of words of all sheets.
    bytes: u64,
}

impl Claimed {
    fn next_sheet(&mut self) {
        *self = Self {
            before: self.cells(),
            bytes: self.bytes,
            ..Self::default()
        };
    }

    fn next_row(&mut self, repeated: u64) {
        self.row = self.row.saturating_add(self.repeated);
        self.repeated = repeated;
        self.column = 0;
    }

    fn next_cell(&mut self, repeated: u64, filled: bool) {
        self.column = self.column.saturating_add(repeated);
        self.cell_repeated = 0;
        if filled {
            self.cell_repeated = repeated;
            self.rows = self.row.saturating_add(self.repeated);
            self.columns = self.columns.max(self.column);
        }
    }

    fn end_cell(&mut self) {
        self.cell_repeated = 0;
    }

    /// Bytes of the filled cell in hand, held once for each time that it is repeated.
    fn add_bytes(&mut self, bytes: u64) {
        let times = self.cell_repeated.saturating_mul(self.repeated);
        self.bytes = self.bytes.saturating_add(bytes.saturating_mul(times));
    }

    fn cells(&self) -> u64 {
        let own = self.rows.saturating_mul(self.columns);
        self.before.saturating_add(own)
    }

    fn fits(&self) -> bool {
        self.cells() <= CLAIMED_CELLS && self.bytes <= CLAIMED_BYTES
    }
}

/// The merged blocks of an .ods; an error where what is repeated would not fit.
fn merged(
    name: &str,
    content: impl std::io::BufRead,
) -> Result<Vec<(String, Dimensions)>, NoWorkbook> {
    let mut spans = Vec::new();
    let (mut sheet, mut claimed) = (String::new(), Claimed::default());
    closed(name, content, |event| {
        let is_whole = matches!(event, Event::Empty(_));
        match event {
            Event::Start(start) | Event::Empty(start) => match start.name().as_ref() {
                "table:table" => {
                    sheet = attribute(start, "table:name").unwrap_or_default();
                    claimed.next_sheet();
                }
                "table:table-row" => claimed.next_row(count(start, "table:number-rows-repeated")),
                "table:table-cell" | "table:covered-table-cell" => {
                    let repeated = count(start, "table:number-columns-repeated");
                    let (rows, columns) = (
                        count(start, "table:number-rows-spanned"),
                        count(start, "table:number-columns-spanned"),
                    );
                    if rows > 1 || columns > 1 {
                        let last = |first: u64, span: u64| {
                            clamped(first.saturating_add(span.saturating_sub(1)))
                        };
                        let span = Dimensions {
                            start: (clamped(claimed.row), clamped(claimed.column)),
                            end: (last(claimed.row, rows), last(claimed.column, columns)),
                        };
                        spans.push((sheet.clone(), span));
                    }
                    // Whatever a value is written by: type, number, words, date or formula.
                    let values = || {
                        start.attributes().flatten().filter(|attribute| {
                            let name = attribute.key.as_ref();
                            name == "table:formula" || name.starts_with("office:")
                        })
                    };
                    claimed.next_cell(repeated, values().next().is_some());
                    let bytes: usize = values().map(|attribute| attribute.value.len()).sum();
                    claimed.add_bytes(bytes as u64);
                    if is_whole {
                        claimed.end_cell();
                    }
                }
                "text:s" => claimed.add_bytes(count(start, "text:c")),
                _ => {}
            },
            Event::End(end) if end.name().as_ref().ends_with("table-cell") => claimed.end_cell(),
            Event::Text(text) => claimed.add_bytes(text.len() as u64),
            Event::GeneralRef(_) => claimed.add_bytes(4),
            _ => {}
        }
        if claimed.fits() {
            Ok(())
        } else {
            Err(NoWorkbook::Repeats)
        }
    })?;
    Ok(spans)
}

fn clamped(number: u64) -> u32 {
    u32::try_from(number).unwrap_or(u32::MAX)
}

fn attribute(start: &BytesStart<'_>, name: &str) -> Option<String> {
    let attribute = start.try_get_attribute(name).ok().flatten()?;
    let value = attribute.normalized_value(XmlVersion::Implicit1_0).ok()?;
    Some(value.into_owned())
}

/// A number of repetitions; 1 by default.
fn count(start: &BytesStart<'_>, name: &str) -> u64 {
    attribute(start, name)
        .and_then(|text| text.parse().ok())
        .unwrap_or(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Found by random inputs: the reader takes the last row minus the first.
    #[test]
    fn a_range_that_ends_before_it_begins_is_refused() {
        for range in ["A1", "A1:A1", "A1:D30", "$B$2:$AA$2"] {
            assert!(runs_on(range), "{range}");
        }
        for range in ["A5:A1", "B1:A9", "AA1:Z1"] {
            assert!(!runs_on(range), "{range}");
        }
    }
}
