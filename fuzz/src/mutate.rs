//! Changes to valid text that keep most of its structure.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use arbitrary::{Result, Unstructured};

/// Cells and values that readers have stumbled over, or might.
const CELLS: &[&str] = &[
    "",
    "NA",
    "-",
    "?",
    "0",
    "-0",
    "1",
    "-1",
    "1e308",
    "-1e308",
    "1e-320",
    "5e-324",
    "1e999",
    "1.129",
    "1,129",
    "1,5",
    "1'000",
    "1 000",
    "1\u{a0}000",
    "12.5 g",
    "NaN",
    "nan",
    "inf",
    "-inf",
    "9007199254740993",
    "18446744073709551616",
    "999999999999999999999999999999999999999999",
    "0x10",
    "1_000",
    "+5",
    "−5",
    "\"",
    "\"\"",
    "\"open",
    "a\"b",
    "\"a\nb\"",
    "'",
    "=A1+1",
    "@x",
    "2026-02-30",
    "2026-03-02",
    "01/02/2026",
    "30.02.2026",
    "0000-01-01",
    "9999-12-31",
    "262143-12-31",
    "45000",
    "45000.99",
    "\u{feff}",
    "\0",
    "\u{1f414}",
    "e\u{301}",
    "bird",
    "strain",
    "age_d",
    "weight_g",
    "d7",
    "week 3",
    "true",
    "#DIV/0!",
    "#",
    "..",
    "/",
    "dd/mm/yyyy",
    "[]",
    "{}",
    "[[[[1]]]]",
    "\"\\u0000\"",
    "1979-05-27T07:32:00Z",
    "null",
    "[tables]",
    "[[term]]",
    "&amp;",
    "&#0;",
    "<!--",
    "]]>",
    "<c/>",
];

/// A file of the repository.
pub(crate) fn repository(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(path)
}

/// The texts of files in folders of the repository, each cut to its first rows so that one
/// execution stays short.
pub(crate) fn corpus(
    kept: &'static OnceLock<Vec<Vec<u8>>>,
    folders: &[&str],
    endings: &[&str],
) -> &'static [Vec<u8>] {
    kept.get_or_init(|| {
        let mut files: Vec<PathBuf> = Vec::new();
        for folder in folders {
            let entries =
                std::fs::read_dir(repository(folder)).expect("the repository's own folder");
            files.extend(entries.map(|entry| entry.expect("an entry").path()));
        }
        files.retain(|file| {
            let ending = file.extension().and_then(|ending| ending.to_str());
            ending.is_some_and(|ending| endings.contains(&ending))
        });
        files.sort();
        let texts = files.iter().map(|file| {
            let bytes = std::fs::read(file).expect("a file of the repository");
            let rows = bytes.split_inclusive(|byte| *byte == b'\n');
            rows.take(120).collect::<Vec<_>>().concat()
        });
        let texts: Vec<Vec<u8>> = texts.collect();
        assert!(!texts.is_empty(), "no files under {folders:?}");
        texts
    })
}

/// Up to eight changes to a text.
pub(crate) fn mutated(u: &mut Unstructured, text: &[u8], other: &[u8]) -> Result<Vec<u8>> {
    let mut text = text.to_vec();
    for _ in 0..u.int_in_range(0..=8)? {
        change(u, &mut text, other)?;
    }
    Ok(text)
}

fn change(u: &mut Unstructured, text: &mut Vec<u8>, other: &[u8]) -> Result<()> {
    match u.int_in_range(0..=15_u8)? {
        0..=6 => {
            // A cell or a value between two marks.
            let marks: Vec<usize> = marks(text);
            let at = u.int_in_range(0..=marks.len() - 1)?;
            let (from, to) = (marks[at], marks.get(at + 1).copied().unwrap_or(text.len()));
            let from = (from + usize::from(at > 0)).min(to);
            text.splice(from..to, cell(u)?.bytes());
        }
        7 => rows(text, |rows| {
            let row = rows[u.choose_index(rows.len())?].clone();
            rows.insert(u.choose_index(rows.len())?, row);
            Ok(())
        })?,
        8 => rows(text, |rows| {
            rows.remove(u.choose_index(rows.len())?);
            Ok(())
        })?,
        9 => rows(text, |rows| {
            let (a, b) = (u.choose_index(rows.len())?, u.choose_index(rows.len())?);
            rows.swap(a, b);
            Ok(())
        })?,
        10 => {
            let mut theirs = Vec::new();
            rows(&mut other.to_vec(), |all| {
                theirs.clone_from(&all[u.choose_index(all.len())?]);
                Ok(())
            })?;
            rows(text, |rows| {
                rows.insert(u.choose_index(rows.len())?, theirs);
                Ok(())
            })?;
        }
        11 => {
            let at = u.int_in_range(0..=text.len())?;
            text.splice(at..at, cell(u)?.bytes());
        }
        12 => {
            let at = u.int_in_range(0..=text.len())?;
            let end = (at + u.int_in_range(0..=12)?).min(text.len());
            text.drain(at..end);
        }
        13 => {
            let (from, to) = (
                *u.choose(b",;\t\n.\"=[]")?,
                *u.choose(b",;\t\n.\"=[]\r \0")?,
            );
            for byte in text.iter_mut().filter(|byte| **byte == from) {
                *byte = to;
            }
        }
        14 => {
            if let Some(last) = text.len().checked_sub(1) {
                text[u.int_in_range(0..=last)?] = u.arbitrary()?;
            }
        }
        _ => {
            // Another encoding, or cut short.
            if u.arbitrary()? {
                let wide = String::from_utf8_lossy(text).into_owned();
                *text = wide.encode_utf16().flat_map(u16::to_le_bytes).collect();
                text.splice(0..0, [0xff, 0xfe]);
            } else {
                text.truncate(u.int_in_range(0..=text.len())?);
            }
        }
    }
    // A text that doubles at every change would test the disk.
    text.truncate(200_000);
    Ok(())
}

/// The beginning, and every mark between cells or around values.
fn marks(text: &[u8]) -> Vec<usize> {
    let is_mark = |byte: u8| b",;\t\n=:<>[]{}".contains(&byte);
    std::iter::once(0)
        .chain(
            text.iter()
                .enumerate()
                .filter(|(_, byte)| is_mark(**byte))
                .map(|(at, _)| at),
        )
        .collect()
}

fn rows(text: &mut Vec<u8>, work: impl FnOnce(&mut Vec<Vec<u8>>) -> Result<()>) -> Result<()> {
    let mut rows: Vec<Vec<u8>> = text
        .split_inclusive(|byte| *byte == b'\n')
        .map(<[u8]>::to_vec)
        .collect();
    if !rows.is_empty() {
        work(&mut rows)?;
        *text = rows.concat();
    }
    Ok(())
}

pub(crate) fn cell(u: &mut Unstructured) -> Result<String> {
    Ok(match u.int_in_range(0..=9_u8)? {
        0..=5 => (*u.choose(CELLS)?).to_owned(),
        6 => f64::from_bits(u.arbitrary()?).to_string(),
        7 => u.int_in_range(-2000..=5000_i32)?.to_string(),
        8 => format!(
            "{:.3}",
            f64::from(u.int_in_range(0..=3_000_000_u32)?) / 1000.0
        ),
        _ => "x".repeat(u.int_in_range(0..=300)?),
    })
}
