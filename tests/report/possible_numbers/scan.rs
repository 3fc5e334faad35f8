//! Every number that a run put out, each held against what its place can hold.

use std::fs;
use std::path::Path;

use super::columns::{self, Range};

/// No quantity of this trade is greater, in words.
const GREATEST_IN_WORDS: f64 = 1e9;
/// A double has no more digits than these.
const MOST_DIGITS: usize = 17;

/// What is wrong in all that is in a folder of results and in what the program printed.
pub(crate) fn faults(results: &Path, printed: &str) -> Vec<String> {
    let mut faults = of_words("standard output", printed);
    let mut folders = vec![results.to_owned()];
    while let Some(folder) = folders.pop() {
        let Ok(entries) = fs::read_dir(&folder) else {
            continue;
        };
        for path in entries.map(|entry| entry.unwrap().path()) {
            let name = path.strip_prefix(results).unwrap().display().to_string();
            let kind = path.extension().and_then(|kind| kind.to_str());
            match kind {
                _ if path.is_dir() => folders.push(path),
                Some("csv") => faults.extend(of_table(&path)),
                Some("md" | "tex" | "json" | "toml") => {
                    faults.extend(of_words(&name, &fs::read_to_string(&path).unwrap()));
                }
                Some("svg") => {
                    let text = of_svg(&fs::read_to_string(&path).unwrap());
                    faults.extend(of_words(&name, &text));
                }
                Some("html") => {
                    let text = without_pictures(&fs::read_to_string(&path).unwrap());
                    faults.extend(of_words(&name, &text));
                }
                _ => {}
            }
        }
    }
    faults
}

/// The cells of a table against their columns.
fn of_table(path: &Path) -> Vec<String> {
    let table = path.file_stem().unwrap().to_str().unwrap().to_owned();
    let mut reader = csv::Reader::from_path(path).unwrap();
    let header = reader.headers().unwrap().clone();
    let mut faults = Vec::new();
    for (row, record) in reader.records().enumerate() {
        let record = record.unwrap();
        let cell = |name: &str| {
            let place = header.iter().position(|column| column == name)?;
            record.get(place)
        };
        for (column, text) in header.iter().zip(&record) {
            let Ok(number) = text.parse::<f64>() else {
                let words = of_words(&format!("{table}.{column}, row {}", row + 2), text);
                faults.extend(words);
                continue;
            };
            let Some(Range { least, most }) = columns::range(&table, column, &cell) else {
                continue;
            };
            if !(least..=most).contains(&number) {
                let row: Vec<&str> = record.iter().take(9).collect();
                faults.push(format!(
                    "{table}.{column}: {text} not within {least} to {most}, {}",
                    row.join(",")
                ));
            }
        }
    }
    faults
}

/// Numbers in words: none beyond what any quantity can be, none with more digits than
/// a double has, none beyond its unit, and no word for a number that is none.
fn of_words(place: &str, text: &str) -> Vec<String> {
    let bytes = text.as_bytes();
    let mut faults = Vec::new();
    let mut at = 0;
    while at < bytes.len() {
        if !bytes[at].is_ascii_alphanumeric() {
            at += 1;
            continue;
        }
        let start = at;
        let in_word = |at: usize| {
            let byte = bytes[at];
            let exponent_sign = at > start && matches!(bytes[at - 1], b'e' | b'E');
            byte.is_ascii_alphanumeric()
                || byte == b'_'
                || (byte == b'.' && bytes.get(at + 1).is_some_and(u8::is_ascii_digit))
                || (matches!(byte, b'-' | b'+')
                    && exponent_sign
                    && bytes.get(at + 1).is_some_and(u8::is_ascii_digit))
        };
        while at < bytes.len() && in_word(at) {
            at += 1;
        }
        let word = &text[start..at];
        let about = || {
            let from = (0..=start.saturating_sub(60))
                .rev()
                .find(|i| text.is_char_boundary(*i));
            let to = ((at + 20).min(text.len())..=text.len()).find(|i| text.is_char_boundary(*i));
            text[from.unwrap_or(0)..to.unwrap_or(text.len())].replace('\n', " ")
        };
        if matches!(word, "NaN" | "nan" | "inf" | "Infinity") {
            faults.push(format!("{place}: the word {word} in \"{}\"", about()));
        }
        let Ok(number) = word.parse::<f64>() else {
            continue;
        };
        // A colour, as of a line: #009E73.
        let colour = start > 0 && bytes[start - 1] == b'#';
        if colour || !word.starts_with(|first: char| first.is_ascii_digit()) {
            continue;
        }
        let digits = word.split(['e', 'E']).next().unwrap_or("");
        let digits = digits.trim_start_matches(['0', '.']);
        let digits = digits.bytes().filter(u8::is_ascii_digit).count();
        let unit: String = text[at..]
            .chars()
            .skip(1)
            .take_while(|c| !c.is_whitespace())
            .collect();
        let unit = unit.trim_end_matches([',', ';', '.', ')', ':']);
        let most = if text[at..].starts_with([' ', '\u{a0}', '\u{202f}']) {
            columns::most_in_words(unit).unwrap_or(GREATEST_IN_WORDS)
        } else {
            GREATEST_IN_WORDS
        };
        if number > most || digits > MOST_DIGITS {
            faults.push(format!("{place}: {word} in \"{}\"", about()));
        }
    }
    faults
}

/// The text of a figure: what stands between its tags, and no coordinates.
fn of_svg(svg: &str) -> String {
    let mut text = String::new();
    let mut rest = svg;
    while let Some(end) = rest.find('>') {
        rest = &rest[end + 1..];
        let next = rest.find('<').unwrap_or(rest.len());
        text.push_str(&rest[..next]);
        text.push('\n');
        rest = &rest[next..];
    }
    text
}

/// A page without what is no text: encoded pictures and letters.
fn without_pictures(page: &str) -> String {
    let mut text = String::new();
    let mut rest = page;
    while let Some(start) = rest.find(";base64,") {
        text.push_str(&rest[..start]);
        rest = &rest[start + 8..];
        let end = rest.find(['"', '\'', ')']).unwrap_or(rest.len());
        rest = &rest[end..];
    }
    text + rest
}

#[test]
fn a_number_that_cannot_be_is_found_in_words() {
    let found = |text: &str| of_words("", text).len();
    assert_eq!(
        found("mature 1720 g (1650 to 1790), at 57.3 d; #009E73; sha 12ab34cd56"),
        0
    );
    assert_eq!(
        found(&format!("second peak at 5358{} d", "1".repeat(163))),
        1
    );
    assert_eq!(found("maximum gain -257224683715 g/d"), 1);
    assert_eq!(found("5.4e166"), 1);
    assert_eq!(found("second peak at 5358 d"), 1);
    assert_eq!(found("mean inf g, NaN, information"), 2);
    assert_eq!(
        of_svg("<svg><text x=\"1e12\">12 g</text></svg>").trim(),
        "12 g"
    );
}
