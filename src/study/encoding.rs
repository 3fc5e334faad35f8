//! A file's bytes as text, where that is unambiguous.
//!
//! UTF-8 is taken as it stands, UTF-16 where it has that byte-order mark. Other bytes
//! can only be judged by what they make: they are read as Windows-1252, which holds all
//! of Latin-1's letters, with a warning that repeats the first word made in this way, so
//! that the user can check it. What holds both UTF-8 letters and other bytes, or signs
//! that no table has, is refused.

use encoding_rs::{Encoding, UTF_16BE, UTF_16LE, WINDOWS_1252};

use super::faults::{Faults, Place, quoted};

const RESAVE: &str = "save it again as CSV UTF-8";
const DAMAGED: &str = "the file is damaged or is no text: export the table again";

/// A file's text, and a warning on how it was read.
#[derive(Debug)]
pub(crate) struct Decoded {
    pub(crate) text: String,
    /// How the guessed encoding reads the first word that depends on it.
    pub(crate) warning: Option<String>,
}

/// The file's bytes as text with line feeds, or a fault that names the encoding.
pub(crate) fn decoded(bytes: Vec<u8>, file: &str, faults: &mut Faults) -> Option<Decoded> {
    let read = match bytes.as_slice() {
        [b'P', b'K', 3, 4, ..] | [0xd0, 0xcf, 0x11, 0xe0, ..] => Err(Refused {
            row: None,
            found: "a spreadsheet workbook".to_owned(),
            advice: "save the sheet as CSV UTF-8 and name that file",
        }),
        [0xff, 0xfe, rest @ ..] => utf16(rest, UTF_16LE),
        [0xfe, 0xff, rest @ ..] => utf16(rest, UTF_16BE),
        _ => eight_bits(bytes, file),
    };
    match read {
        Ok(mut decoded) => {
            if decoded.text.starts_with('\u{feff}') {
                decoded.text.drain(..'\u{feff}'.len_utf8());
            }
            if decoded.text.contains('\r') && !decoded.text.contains('\n') {
                decoded.text = decoded.text.replace('\r', "\n");
            }
            Some(decoded)
        }
        Err(refused) => {
            let place = refused
                .row
                .map_or_else(|| Place::file(file), |row| Place::row(file, row));
            faults.add(
                place,
                refused.found,
                "a table as UTF-8 text",
                refused.advice,
            );
            None
        }
    }
}

/// Bytes that are no text that can be read without a guess.
struct Refused {
    row: Option<u32>,
    found: String,
    advice: &'static str,
}

/// The row (from 1) of the line that is at `offset`.
fn row_of(bytes: &[u8], offset: usize) -> u32 {
    let before = &bytes[..offset];
    let feeds = before.iter().filter(|byte| **byte == b'\n').count();
    u32::try_from(feeds + 1).unwrap_or(u32::MAX)
}

/// UTF-16 after its byte-order mark.
fn utf16(bytes: &[u8], encoding: &'static Encoding) -> Result<Decoded, Refused> {
    let text = encoding
        .decode_without_bom_handling_and_without_replacement(bytes)
        .ok_or_else(|| Refused {
            row: None,
            found: "UTF-16 text that is cut short or damaged".to_owned(),
            advice: "export the whole table again, as CSV UTF-8",
        })?
        .into_owned();
    match text.find('\0') {
        Some(offset) => Err(zero_byte(text.as_bytes(), offset)),
        None => Ok(Decoded {
            text,
            warning: None,
        }),
    }
}

fn zero_byte(bytes: &[u8], offset: usize) -> Refused {
    Refused {
        row: Some(row_of(bytes, offset)),
        found: "a zero byte".to_owned(),
        advice: DAMAGED,
    }
}

/// UTF-8, or else Windows-1252.
fn eight_bits(bytes: Vec<u8>, file: &str) -> Result<Decoded, Refused> {
    if let Some(offset) = bytes.iter().position(|byte| *byte == 0) {
        let nulls = bytes.iter().filter(|byte| **byte == 0).count();
        return Err(if nulls * 3 > bytes.len() {
            Refused {
                row: None,
                found: "UTF-16 text without its mark (every other byte is zero)".to_owned(),
                advice: RESAVE,
            }
        } else {
            zero_byte(&bytes, offset)
        });
    }
    match String::from_utf8(bytes) {
        Ok(text) => Ok(Decoded {
            text,
            warning: None,
        }),
        Err(error) => windows_1252(error.as_bytes(), error.utf8_error().valid_up_to(), file),
    }
}

/// Bytes of which the one at `first` is no UTF-8, as Windows-1252.
fn windows_1252(bytes: &[u8], first: usize, file: &str) -> Result<Decoded, Refused> {
    let row = row_of(bytes, first);
    let refused = |offset: usize, what: &str, advice| Refused {
        row: Some(row_of(bytes, offset)),
        found: format!("byte {:#04x}, {what}", bytes[offset]),
        advice,
    };
    if bytes.utf8_chunks().any(|chunk| !chunk.valid().is_ascii()) {
        let what = "which is no UTF-8, in a file that has UTF-8 letters elsewhere";
        return Err(refused(first, what, RESAVE));
    }
    // Five bytes have no letter in Windows-1252; no table holds control bytes.
    let no_letter = |byte: u8| matches!(byte, 0x81 | 0x8d | 0x8f | 0x90 | 0x9d);
    let control = |byte: u8| byte.is_ascii_control() && !matches!(byte, b'\t' | b'\n' | b'\r');
    let wrong = |byte: &u8| no_letter(*byte) || control(*byte);
    if let Some(offset) = bytes.iter().position(wrong) {
        let what = "which is neither UTF-8 nor Windows-1252 text";
        return Err(refused(offset, what, DAMAGED));
    }
    let word = word_around(bytes, first);
    let word = WINDOWS_1252.decode_without_bom_handling(word).0;
    Ok(Decoded {
        warning: Some(format!(
            "{file}, row {row}: found byte {:#04x}, which is no UTF-8, and read the file as Windows-1252, \
             which makes {} here: check that word, and save the table as CSV UTF-8 if it is wrong",
            bytes[first],
            quoted(&word)
        )),
        text: WINDOWS_1252
            .decode_without_bom_handling(bytes)
            .0
            .into_owned(),
    })
}

/// The bytes around `at` up to the nearest separators, spaces and quotation marks.
fn word_around(bytes: &[u8], at: usize) -> &[u8] {
    let ends = |byte: &u8| byte.is_ascii_whitespace() || matches!(byte, b',' | b';' | b'"');
    let start = bytes[..at].iter().rposition(ends).map_or(0, |end| end + 1);
    let length = bytes[at..].iter().position(ends);
    &bytes[start..length.map_or(bytes.len(), |length| at + length)]
}
