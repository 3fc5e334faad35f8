//! Quotation marks that would swallow rows.
//!
//! In a CSV file a cell in quotation marks may hold line ends, so that one mark too many
//! makes one cell of all rows up to the next mark, or to the end of the file. A table of
//! data has no use for such cells: each is reported with its row and column, and the text
//! is mended so that every line is one row and whatever else is wrong can be reported too.

/// A quotation mark that is not closed in its line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct OpenQuote {
    /// Its row, from 1.
    pub(crate) row: u32,
    /// Its column, from 0.
    pub(crate) column: usize,
    pub(crate) kind: OpenKind,
}

/// What an open quotation mark seems to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum OpenKind {
    /// It opens a cell of several lines: the line ends within were made spaces.
    ManyLines,
    /// It is one mark too many, and the next one stands in another row: it was made a space.
    Stray {
        /// The row of the next mark.
        next_row: u32,
    },
    /// The same, and there is no other.
    Last,
}

/// Mends the text so that every line is a row, and reports what was mended.
///
/// A mark opens a cell only where the cell begins with it, as the reader of rows has it:
/// `5" cage` is a cell as it stands, and a doubled mark within a cell is a mark.
pub(crate) fn mend(text: &mut String, separator: u8) -> Vec<OpenQuote> {
    if !text.contains('"') {
        return Vec::new();
    }
    let mut open_quotes = Vec::new();
    let mut bytes = std::mem::take(text).into_bytes();
    let header_separators = header_separators(&bytes, separator);
    let mut rows = RowCount { row: 1, at: 0 };
    let mut from = 0;
    while let Some(open) = find(&bytes, from, b'"') {
        from = open + 1;
        if !begins_cell(&bytes, open, separator) {
            continue;
        }
        let close = closing(&bytes, open);
        let end = close.unwrap_or(bytes.len());
        if close.is_some() && !bytes[open..end].contains(&b'\n') {
            from = end + 1;
            continue;
        }
        let row = rows.up_to(&bytes, open);
        let kind = match close {
            None => OpenKind::Last,
            Some(close) if is_one_cell(&bytes, open, close, separator, header_separators) => {
                for byte in &mut bytes[open..close] {
                    if matches!(byte, b'\n' | b'\r') {
                        *byte = b' ';
                    }
                }
                from = close + 1;
                OpenKind::ManyLines
            }
            Some(close) => OpenKind::Stray {
                next_row: row.saturating_add(line_ends(&bytes[open..close])),
            },
        };
        open_quotes.push(OpenQuote {
            row,
            column: column(&bytes, open, separator),
            kind,
        });
        if kind != OpenKind::ManyLines {
            bytes[open] = b' ';
        }
    }
    // Only ASCII was put in the place of ASCII.
    *text = String::from_utf8(bytes)
        .unwrap_or_else(|error| String::from_utf8_lossy(error.as_bytes()).into_owned());
    open_quotes
}

/// Counts rows from where it counted last.
struct RowCount {
    row: u32,
    at: usize,
}

impl RowCount {
    fn up_to(&mut self, bytes: &[u8], end: usize) -> u32 {
        self.row = self.row.saturating_add(line_ends(&bytes[self.at..end]));
        self.at = end;
        self.row
    }
}

fn line_ends(bytes: &[u8]) -> u32 {
    let ends = bytes.iter().filter(|byte| **byte == b'\n').count();
    u32::try_from(ends).unwrap_or(u32::MAX)
}

fn find(bytes: &[u8], from: usize, wanted: u8) -> Option<usize> {
    let rest = bytes.get(from..)?;
    let at = rest.iter().position(|byte| *byte == wanted)?;
    Some(from + at)
}

fn begins_cell(bytes: &[u8], at: usize, separator: u8) -> bool {
    match at.checked_sub(1).and_then(|before| bytes.get(before)) {
        None => true,
        Some(before) => *before == separator || matches!(before, b'\n' | b'\r'),
    }
}

fn ends_cell(bytes: &[u8], after: usize, separator: u8) -> bool {
    match bytes.get(after) {
        None => true,
        Some(byte) => *byte == separator || matches!(byte, b'\n' | b'\r'),
    }
}

/// The mark that closes the cell opened at `open`.
fn closing(bytes: &[u8], open: usize) -> Option<usize> {
    let mut from = open + 1;
    loop {
        let mark = find(bytes, from, b'"')?;
        if bytes.get(mark + 1) != Some(&b'"') {
            return Some(mark);
        }
        from = mark + 2;
    }
}

/// Separators between the headers.
fn header_separators(bytes: &[u8], separator: u8) -> usize {
    let mut lines = bytes.split(|byte| *byte == b'\n');
    let header = lines.find(|line| !line.trim_ascii().is_empty());
    header.map_or(0, |header| column(header, header.len(), separator))
}

/// Separators between the beginning of the line and `end`, those in closed cells aside.
fn column(bytes: &[u8], end: usize, separator: u8) -> usize {
    let before = &bytes[..end];
    let start = before.iter().rposition(|byte| *byte == b'\n');
    let mut at = start.map_or(0, |start| start + 1);
    let mut column = 0;
    while at < end {
        if bytes[at] == b'"' && begins_cell(bytes, at, separator) {
            match closing(bytes, at).filter(|close| *close < end) {
                Some(close) => at = close,
                None => return column,
            }
        }
        column += usize::from(bytes[at] == separator);
        at += 1;
    }
    column
}

/// Whether the marks enclose one cell of several lines: the second ends a cell, and none
/// of the lines within looks like a row.
fn is_one_cell(bytes: &[u8], open: usize, close: usize, separator: u8, in_header: usize) -> bool {
    let separators = |line: &[u8]| line.iter().filter(|byte| **byte == separator).count();
    let mut lines = bytes[open..close].split(|byte| *byte == b'\n').skip(1);
    ends_cell(bytes, close + 1, separator)
        && !lines.any(|line| in_header > 0 && separators(line) >= in_header)
}

#[cfg(test)]
mod tests {
    use super::OpenKind::{Last, ManyLines, Stray};
    use super::*;

    fn mended(text: &str) -> (String, Vec<(u32, usize, OpenKind)>) {
        let mut text = text.to_owned();
        let open = mend(&mut text, b',');
        let open = open.iter().map(|open| (open.row, open.column, open.kind));
        (text, open.collect())
    }

    #[test]
    fn marks_that_close_in_their_line_are_left_alone() {
        for text in [
            "a,b\n1,5\" cage\n2,a \"b\" c\n",
            "a,b\r\n\"1\",\"x, y\"\r\n2,\"\"\r\n",
            "a,b\n1,\"say \"\"no\"\"\"\n2,\"\"\"\"\n",
            "a,b\n1,\"x\"",
            "a,b\n1,\"x\"y\"\n2,z\n",
        ] {
            assert_eq!(mended(text), (text.to_owned(), vec![]), "{text}");
        }
    }

    #[test]
    fn every_mark_that_swallows_rows_is_found() {
        let (text, open) = mended("a,b,c\n1,2,\"x\n1,3,y\n1,4,z\n");
        assert_eq!(text, "a,b,c\n1,2, x\n1,3,y\n1,4,z\n");
        assert_eq!(open, [(2, 2, Last)]);
        // Two stray marks, of which the second would close the first.
        let (text, open) = mended("a,b,c\r\n1,\"u,v\",\"x\r\n1,3,y\r\n1,4,\"z\r\n1,5,\"\"\r\n");
        assert_eq!(text.matches("\r\n").count(), 5);
        assert_eq!(open, [(2, 2, Stray { next_row: 4 }), (4, 2, Last)]);
        let (_, open) = mended("a,b,c\n1,2,\"x\n1,3,y\n1,4,z\"\n1,5,w\n");
        assert_eq!(open, [(2, 2, Stray { next_row: 4 })]);
    }

    #[test]
    fn a_cell_of_several_lines_is_one_row() {
        let (text, open) = mended("a,b,c\n\"x\r\ny\",2,3\n4,5,\"u\n\nv\"\n6,7,8\n");
        assert_eq!(text, "a,b,c\n\"x  y\",2,3\n4,5,\"u  v\"\n6,7,8\n");
        assert_eq!(open, [(2, 0, ManyLines), (3, 2, ManyLines)]);
    }
}
