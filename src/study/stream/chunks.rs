//! A table of any length in pieces of whole lines, of which one is in memory at a time.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use crate::study::faults::{Faults, Place};
use crate::study::format::Writing;
use crate::study::table::{Rows, Table};
use crate::study::text_file;
use crate::study::workbook::{file_and_sheet, is_named_workbook};

/// Bytes of a piece.
const PIECE: usize = 1 << 21;

/// A table of which the header is read, and the rest of its file.
pub(crate) struct LongTable {
    /// Header and first rows.
    pub(crate) head: Table,
    rest: Option<Rest>,
}

struct Rest {
    file: File,
    /// The line that the last piece ended within.
    broken: Vec<u8>,
    /// Lines before it.
    lines: u32,
}

impl LongTable {
    /// Opens a table; a sheet of a workbook, or a text in another encoding than UTF-8, is read
    /// whole, as any other table.
    pub(crate) fn open(
        path: &Path,
        name: &str,
        writing: &Writing<'_>,
        faults: &mut Faults,
    ) -> Option<Self> {
        let (plain, sheet) = file_and_sheet(path);
        if sheet.is_none() && !is_named_workbook(&plain) {
            let opened = File::open(&plain).and_then(|mut file| {
                let piece = next_piece(&mut file, Vec::new())?;
                Ok((file, piece))
            });
            match opened {
                Err(error) => {
                    text_file::unreadable(&plain, name, &error, faults);
                    return None;
                }
                Ok((file, Some((piece, broken)))) if is_plain_utf8(&piece) => {
                    let lines = lines_of(&piece);
                    let head = Table::of_text(piece, name, writing, faults)?;
                    let rest = Rest {
                        file,
                        broken,
                        lines,
                    };
                    return Some(Self {
                        head,
                        rest: Some(rest),
                    });
                }
                Ok(_) => {}
            }
        }
        let head = Table::open(path, name, writing, faults)?;
        Some(Self { head, rest: None })
    }

    /// Calls `each` with the rows of one piece after the other.
    pub(crate) fn for_each_piece(
        &mut self,
        faults: &mut Faults,
        mut each: impl FnMut(Rows<'_>, &mut Faults),
    ) {
        each(self.head.rows(), faults);
        while let Some((text, lines)) = self.next_text(faults) {
            each(self.head.rows_of(&text, lines), faults);
        }
    }

    /// The text of the next piece after the head, and the lines before it; none at the end.
    pub(crate) fn next_text(&mut self, faults: &mut Faults) -> Option<(String, u32)> {
        let rest = self.rest.as_mut()?;
        let broken = std::mem::take(&mut rest.broken);
        let before = rest.lines;
        let fault = match next_piece(&mut rest.file, broken) {
            Ok(None) => None,
            Ok(Some((piece, broken))) => {
                rest.broken = broken;
                rest.lines = before.saturating_add(lines_of(&piece));
                match String::from_utf8(piece) {
                    Ok(text) => return Some((text, before)),
                    Err(_) => Some((
                        Place::row(&self.head.file, before.saturating_add(1)),
                        "letters that are no UTF-8 in the rows that follow".to_owned(),
                        "a table as UTF-8 text",
                        "save it again as CSV UTF-8",
                    )),
                }
            }
            Err(error) => Some((
                Place::file(&self.head.file),
                format!("a file that ends in an error ({error})"),
                "a table",
                "check that the whole file can be read",
            )),
        };
        self.rest = None;
        if let Some((place, found, expected, advice)) = fault {
            faults.add(place, found, expected, advice);
        }
        None
    }
}

fn is_plain_utf8(piece: &[u8]) -> bool {
    let mark = [0xef, 0xbb, 0xbf];
    std::str::from_utf8(piece).is_ok() && (piece.starts_with(&mark) || !piece.contains(&0))
}

fn lines_of(piece: &[u8]) -> u32 {
    let ends = piece.iter().filter(|byte| **byte == b'\n').count();
    u32::try_from(ends).unwrap_or(u32::MAX)
}

/// The next whole lines, behind what the last piece left over, and what is left over now; none
/// at the end of the file.
fn next_piece(file: &mut File, mut bytes: Vec<u8>) -> std::io::Result<Option<(Vec<u8>, Vec<u8>)>> {
    loop {
        let before = bytes.len();
        let read = file.by_ref().take(PIECE as u64).read_to_end(&mut bytes)?;
        if read == 0 {
            return Ok((!bytes.is_empty()).then(|| (bytes, Vec::new())));
        }
        if let Some(end) = bytes[before..].iter().rposition(|byte| *byte == b'\n') {
            let rest = bytes.split_off(before + end + 1);
            return Ok(Some((bytes, rest)));
        }
    }
}
