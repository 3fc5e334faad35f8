//! What a workbook's file really is, and whether it is safe to unpack.
//!
//! A workbook is a zip archive of XML. Before anything of it is held in memory
//! it is unpacked once into nothing, counting: an archive that unpacks to
//! hundreds of times its size (a zip bomb), one that is cut short, and one that
//! is no workbook at all are told here. In an .ods a few bytes can also claim
//! that a cell is repeated a million times; those claims are added up, and the
//! blocks of merged cells, which the reader of cells does not see, are kept.

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
/// Cells that a sheet of an .ods may claim by repeating them.
const CLAIMED_CELLS: u64 = 8_388_608;

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
}

impl NoWorkbook {
    /// What was found.
    pub(crate) fn found(&self) -> String {
        match self {
            Self::Empty => "an empty file".into(),
            Self::Text => "text under the name of a workbook".into(),
            Self::OldOrLocked => "an old .xls workbook, or one with a password".into(),
            Self::Binary => "no workbook, whatever its name says".into(),
            Self::OtherArchive => "a zip archive that holds no sheets of an .xlsx or .ods".into(),
            Self::Damaged(why) => format!("a workbook that is cut short or damaged ({why})"),
            Self::Bomb => "an archive that unpacks to far more than a workbook of its size".into(),
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
        }
    }
}

/// Says what a file is, after unpacking it into nothing.
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
    let mut unpacked = 0;
    for index in 0..archive.len() {
        let part = archive.by_index(index).map_err(|error| damaged(&error))?;
        let name = part.name().map_err(|error| damaged(&error))?;
        let endings = [".xml", ".rels", ".vml"];
        if !endings.iter().any(|ending| name.ends_with(ending)) {
            // Pictures and the like are never unpacked.
            continue;
        }
        let mut part = part.take(limit - unpacked + 1);
        unpacked +=
            std::io::copy(&mut part, &mut std::io::sink()).map_err(|error| damaged(&error))?;
        if unpacked > limit {
            return Err(NoWorkbook::Bomb);
        }
    }
    let spans = match kind {
        Kind::Xlsx => Vec::new(),
        Kind::Ods => {
            let content = archive
                .by_name("content.xml")
                .map_err(|error| damaged(&error))?;
            spans(BufReader::new(content))?
        }
    };
    Ok(Known { kind, spans })
}

/// How much of a sheet is claimed so far: rows and columns up to the last filled cell.
#[derive(Debug, Default)]
struct Claimed {
    /// Row in hand, from 0, and how often it is repeated.
    row: u64,
    repeated: u64,
    /// Column in hand, from 0.
    column: u64,
    /// Rows and columns to the last filled cell.
    rows: u64,
    columns: u64,
}

impl Claimed {
    fn next_row(&mut self, repeated: u64) {
        self.row = self.row.saturating_add(self.repeated);
        self.repeated = repeated;
        self.column = 0;
    }

    fn next_cell(&mut self, repeated: u64, filled: bool) {
        self.column = self.column.saturating_add(repeated);
        if filled {
            self.rows = self.row.saturating_add(self.repeated);
            self.columns = self.columns.max(self.column);
        }
    }

    fn fits(&self) -> bool {
        self.rows.saturating_mul(self.columns) <= CLAIMED_CELLS
    }
}

/// The merged blocks of an .ods; an error where repeated cells would not fit.
fn spans(content: impl std::io::BufRead) -> Result<Vec<(String, Dimensions)>, NoWorkbook> {
    let mut reader = quick_xml::Reader::from_reader(content);
    let mut spans = Vec::new();
    let (mut sheet, mut claimed) = (String::new(), Claimed::default());
    let mut buffer = Vec::new();
    loop {
        let event = reader
            .read_event_into(&mut buffer)
            .map_err(|error| NoWorkbook::Damaged(error.to_string().replace('\n', " ")))?;
        match event {
            Event::Start(start) | Event::Empty(start) => match start.name().as_ref() {
                "table:table" => {
                    sheet = attribute(&start, "table:name").unwrap_or_default();
                    claimed = Claimed::default();
                }
                "table:table-row" => claimed.next_row(count(&start, "table:number-rows-repeated")),
                "table:table-cell" | "table:covered-table-cell" => {
                    let repeated = count(&start, "table:number-columns-repeated");
                    let (rows, columns) = (
                        count(&start, "table:number-rows-spanned"),
                        count(&start, "table:number-columns-spanned"),
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
                    let filled = attribute(&start, "office:value-type").is_some()
                        || attribute(&start, "table:formula").is_some();
                    claimed.next_cell(repeated, filled);
                    if !claimed.fits() {
                        return Err(NoWorkbook::Bomb);
                    }
                }
                _ => {}
            },
            Event::Eof => return Ok(spans),
            _ => {}
        }
        buffer.clear();
    }
}

fn clamped(number: u64) -> u32 {
    u32::try_from(number).unwrap_or(u32::MAX)
}

fn attribute(start: &BytesStart<'_>, name: &str) -> Option<String> {
    let attribute = start.try_get_attribute(name).ok().flatten()?;
    let value = attribute.normalized_value(XmlVersion::Implicit1_0).ok()?;
    Some(value.into_owned())
}

/// A number of repetitions; one where nothing is said.
fn count(start: &BytesStart<'_>, name: &str) -> u64 {
    attribute(start, name)
        .and_then(|text| text.parse().ok())
        .unwrap_or(1)
}
