//! The rows of each bird together, by way of temporary files.
//!
//! 1. Every row goes to one of some files by the hash of its bird, with its number.
//! 2. Each file, which fits into memory, is sorted by the first row of its birds.
//! 3. The sorted files are merged, so that the birds come in the order of their first rows.
//!
//! The files have no names, so that they are gone with the program however it ends.

use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap};
use std::fs::File;
use std::io::{self, BufReader, BufWriter, Read, Seek, Write};
use std::path::PathBuf;

use rayon::prelude::*;

use super::cut::BATCH;
use super::seen::hash_of;
use super::{Batch, LongWeighings, Texts};
use crate::error::{Error, Result};
use crate::study::faults::Faults;

/// Bytes of a text that one thread takes rows from.
const AT_ONCE: usize = 1 << 18;

/// Where temporary files go, and how much of them may be in memory.
#[derive(Debug, Clone)]
pub(crate) struct TemporaryFiles {
    /// The folder.
    pub(crate) folder: PathBuf,
    /// Bytes of memory.
    pub(crate) memory: u64,
}

impl TemporaryFiles {
    fn file(&self) -> Result<File> {
        tempfile::tempfile_in(&self.folder).map_err(|source| self.failed(source))
    }

    /// A temporary file that cannot be written or read.
    fn failed(&self, source: io::Error) -> Error {
        Error::unwritable(&self.folder.join("(temporary file)"), source)
    }

    /// Files for a table of this length: a sixteenth of the memory each, since two are sorted
    /// at a time, beside a list of their rows.
    fn number(&self, bytes: u64) -> usize {
        let each = (self.memory / 16).max(1 << 20);
        usize::try_from(bytes / each).unwrap_or(512).clamp(4, 512)
    }
}

/// A row in a file: the first row of its bird, its number, its line.
struct SortedRow {
    first: u32,
    row: u32,
    line: Vec<u8>,
}

/// The rows of a table by bird.
pub(super) struct Sorted {
    files: TemporaryFiles,
    readers: Vec<BufReader<File>>,
    /// The next row of each file, the one of the first bird on top.
    heads: BinaryHeap<Reverse<(u32, u32, usize)>>,
    lines: Vec<Vec<u8>>,
    /// The row that begins the next batch.
    waiting: Option<SortedRow>,
}

impl Sorted {
    /// Sorts the rows; lines that are no rows are faults.
    pub(super) fn of(
        table: &LongWeighings,
        texts: Texts<'_>,
        files: &TemporaryFiles,
        faults: &mut Faults,
    ) -> Result<Self> {
        let parts = divide(table, texts, files, faults)?;
        let sorted = parts.into_par_iter().map(|part| {
            let out = files.file()?;
            sort(part, out).map_err(|source| files.failed(source))
        });
        let sorted: Vec<File> = sorted.collect::<Result<_>>()?;
        let mut merged = Self {
            files: files.clone(),
            lines: vec![Vec::new(); sorted.len()],
            readers: sorted.into_iter().map(BufReader::new).collect(),
            heads: BinaryHeap::new(),
            waiting: None,
        };
        for at in 0..merged.readers.len() {
            merged.advance(at)?;
        }
        merged.waiting = merged.pop()?;
        Ok(merged)
    }

    /// The rows of the next birds.
    pub(super) fn next_batch(&mut self) -> Result<Option<Batch>> {
        let Some(mut row) = self.waiting.take() else {
            return Ok(None);
        };
        let (mut text, mut numbers) = (Vec::with_capacity(BATCH + BATCH / 8), Vec::new());
        loop {
            text.extend_from_slice(&row.line);
            text.push(b'\n');
            numbers.push(row.row);
            match self.pop()? {
                None => break,
                Some(next) if text.len() >= BATCH && next.first != row.first => {
                    self.waiting = Some(next);
                    break;
                }
                Some(next) => row = next,
            }
        }
        let text = String::from_utf8(text).map_err(|error| {
            self.files
                .failed(io::Error::new(io::ErrorKind::InvalidData, error))
        })?;
        Ok(Some(Batch {
            text,
            before: 0,
            numbers,
        }))
    }

    fn pop(&mut self) -> Result<Option<SortedRow>> {
        let Some(Reverse((first, row, at))) = self.heads.pop() else {
            return Ok(None);
        };
        let line = std::mem::take(&mut self.lines[at]);
        self.advance(at)?;
        Ok(Some(SortedRow { first, row, line }))
    }

    /// Reads the next row of a file.
    fn advance(&mut self, at: usize) -> Result<()> {
        match read_row(&mut self.readers[at]) {
            Ok(None) => Ok(()),
            Ok(Some(next)) => {
                self.heads.push(Reverse((next.first, next.row, at)));
                self.lines[at] = next.line;
                Ok(())
            }
            Err(source) => Err(self.files.failed(source)),
        }
    }
}

/// All rows in files, those of a bird in one.
fn divide(
    table: &LongWeighings,
    mut texts: Texts<'_>,
    files: &TemporaryFiles,
    faults: &mut Faults,
) -> Result<Vec<File>> {
    let bytes = std::fs::metadata(&table.path).map_or(0, |about| about.len());
    let number = files.number(bytes);
    let mut parts = Vec::new();
    for _ in 0..number {
        parts.push(BufWriter::with_capacity(1 << 15, files.file()?));
    }
    while let Some((text, before)) = texts.next(faults) {
        let pieces: Vec<(&str, u32)> = pieces(&text, before);
        let rows = pieces.into_par_iter().map(|(text, before)| {
            let mut ragged = Faults::default();
            let mut found: Vec<Vec<u8>> = vec![Vec::new(); number];
            let mut rows = table.head.rows_of(text, before);
            while rows.next(&mut ragged).is_some() {
                let bird = rows.optional_word(Some(table.bird)).unwrap_or_default();
                let line = rows.line();
                let part = usize::try_from(hash_of(bird) % number as u64).unwrap_or_default();
                let bytes = &mut found[part];
                bytes.extend(rows.row.to_le_bytes());
                bytes.extend(length(bird.len()).to_le_bytes());
                bytes.extend(length(line.len()).to_le_bytes());
                bytes.extend(bird.as_bytes());
                bytes.extend(line);
            }
            (found, ragged)
        });
        for (found, ragged) in rows.collect::<Vec<_>>() {
            faults.append(ragged);
            for (part, bytes) in parts.iter_mut().zip(found) {
                part.write_all(&bytes)
                    .map_err(|source| files.failed(source))?;
            }
        }
    }
    let ended = parts.into_iter().map(|part| {
        let mut file = part.into_inner().map_err(io::IntoInnerError::into_error)?;
        file.rewind()?;
        Ok(file)
    });
    let ended: io::Result<Vec<File>> = ended.collect();
    ended.map_err(|source| files.failed(source))
}

/// A text in pieces of whole lines, each with the lines before it.
fn pieces(text: &str, before: u32) -> Vec<(&str, u32)> {
    let (mut rest, mut before) = (text, before);
    let mut pieces = Vec::new();
    while !rest.is_empty() {
        let from = AT_ONCE.min(rest.len());
        let end = rest.as_bytes()[from..]
            .iter()
            .position(|byte| *byte == b'\n');
        let end = end.map_or(rest.len(), |end| from + end + 1);
        let (piece, after) = rest.split_at(end);
        pieces.push((piece, before));
        let lines = piece.bytes().filter(|byte| *byte == b'\n').count();
        before = before.saturating_add(length(lines));
        rest = after;
    }
    pieces
}

fn length(bytes: usize) -> u32 {
    u32::try_from(bytes).unwrap_or(u32::MAX)
}

/// Sorts the rows of a file by the first row of their birds, into another.
fn sort(mut part: File, out: File) -> io::Result<File> {
    let mut bytes = Vec::new();
    part.read_to_end(&mut bytes)?;
    drop(part);
    let mut first_rows: HashMap<&[u8], u32> = HashMap::new();
    let mut rows: Vec<(u32, u32, &[u8])> = Vec::new();
    let mut rest = bytes.as_slice();
    while !rest.is_empty() {
        let damaged = || io::Error::from(io::ErrorKind::UnexpectedEof);
        let row = take_number(&mut rest).ok_or_else(damaged)?;
        let bird = take_number(&mut rest).ok_or_else(damaged)? as usize;
        let line = take_number(&mut rest).ok_or_else(damaged)? as usize;
        let bird = rest.split_off(..bird).ok_or_else(damaged)?;
        let line = rest.split_off(..line).ok_or_else(damaged)?;
        // Rows come in their order.
        let first = *first_rows.entry(bird).or_insert(row);
        rows.push((first, row, line));
    }
    rows.sort_unstable_by_key(|(first, row, _)| (*first, *row));
    let mut out = BufWriter::with_capacity(1 << 18, out);
    for (first, row, line) in rows {
        out.write_all(&first.to_le_bytes())?;
        out.write_all(&row.to_le_bytes())?;
        out.write_all(&length(line.len()).to_le_bytes())?;
        out.write_all(line)?;
    }
    let mut file = out.into_inner().map_err(io::IntoInnerError::into_error)?;
    file.rewind()?;
    Ok(file)
}

fn take_number(bytes: &mut &[u8]) -> Option<u32> {
    let number = bytes.split_off(..4)?.try_into().ok()?;
    Some(u32::from_le_bytes(number))
}

/// The next row of a sorted file; none at its end.
fn read_row(file: &mut BufReader<File>) -> io::Result<Option<SortedRow>> {
    let mut head = [0; 12];
    match file.read_exact(&mut head[..1]) {
        Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => return Ok(None),
        read => read?,
    }
    file.read_exact(&mut head[1..])?;
    let number =
        |at: usize| u32::from_le_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]]);
    let mut line = vec![0; number(8) as usize];
    file.read_exact(&mut line)?;
    Ok(Some(SortedRow {
        first: number(0),
        row: number(4),
        line,
    }))
}
