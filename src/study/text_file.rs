//! A text file as if it were a sheet: its text, its separator.

use std::path::Path;

use super::encoding::{self, Decoded};
use super::faults::{Faults, Place, listed, nearest};
use super::format::{Separator, Writing};
use super::sheet::Sheet;
use super::{quotes, title};

/// Reads the text; `None` where a fault forbids to go on.
pub(crate) fn read(
    bytes: Vec<u8>,
    file: &str,
    writing: &Writing<'_>,
    faults: &mut Faults,
) -> Option<Sheet> {
    let Decoded { mut text, warning } = encoding::decoded(bytes, file, faults)?;
    if text.trim().is_empty() {
        let expected = "a header row and at least one row of data";
        faults.add(
            Place::file(file),
            "an empty file",
            expected,
            "check that the right file was saved",
        );
        return None;
    }
    if let Some(header) = writing.header_row {
        title::blank_above(&mut text, header);
    }
    let mut separator = separator_of(&text, file, writing, faults)?;
    // A title may hold another sign, or none.
    if writing.header_row.is_none() && title::report(&mut text, separator, file, faults).is_some() {
        separator = separator_of(&text, file, writing, faults)?;
    }
    let open_quotes = quotes::mend(&mut text, separator);
    Some(Sheet {
        name: file.to_owned(),
        text,
        separator,
        warning,
        open_quotes,
        ..Sheet::default()
    })
}

/// The separator: as set by the user, or the one most frequent in the header.
fn separator_of(text: &str, file: &str, writing: &Writing<'_>, faults: &mut Faults) -> Option<u8> {
    match writing.format.separator {
        Separator::Comma => return Some(b','),
        Separator::Semicolon => return Some(b';'),
        Separator::Tab => return Some(b'\t'),
        Separator::Auto => {}
    }
    let header = text
        .trim_start_matches(['\r', '\n'])
        .lines()
        .next()
        .unwrap_or_default();
    let mut counts = [(b',', 0), (b';', 0), (b'\t', 0)];
    let mut inside_quotes = false;
    for byte in header.bytes() {
        if byte == b'"' {
            inside_quotes = !inside_quotes;
        }
        for (separator, count) in &mut counts {
            *count += usize::from(!inside_quotes && *separator == byte);
        }
    }
    counts.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    if counts[0].1 > 0 && counts[0].1 == counts[1].1 {
        faults.add(
            Place::row(file, writing.header_row.unwrap_or(1)),
            "as many separators of one kind as of another",
            "commas, semicolons or tabs between the headers",
            "name it under [format] in study.toml: separator = \"comma\", \"semicolon\" or \"tab\" (--separator)",
        );
        return None;
    }
    // Without any, the table has one column and every separator reads it.
    Some(counts[0].0)
}

/// A file that cannot be read: the fault, with the name that may be meant.
pub(crate) fn unreadable(path: &Path, file: &str, error: &std::io::Error, faults: &mut Faults) {
    if path.is_dir() {
        faults.add(
            Place::file(file),
            "a folder",
            "a table",
            "name the file in it",
        );
        return;
    }
    if error.kind() != std::io::ErrorKind::NotFound {
        let advice = "check that you may read it and that no other program holds it";
        faults.add(
            Place::file(file),
            format!("a file that cannot be read ({error})"),
            "a table",
            advice,
        );
        return;
    }
    let folder = path
        .parent()
        .filter(|folder| !folder.as_os_str().is_empty());
    let mut names: Vec<String> = std::fs::read_dir(folder.unwrap_or(Path::new(".")))
        .into_iter()
        .flatten()
        .flatten()
        .filter(|entry| entry.path().is_file())
        .map(|entry| entry.file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let advice = match nearest(&name, names.iter().map(String::as_str)) {
        Some(near) => format!("perhaps {near} is meant"),
        None if names.is_empty() => "its folder holds no files: check the path".to_owned(),
        None => format!("its folder holds {}", listed(&names)),
    };
    faults.add(Place::file(file), "no such file", "a table", advice);
}
