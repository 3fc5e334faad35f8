//! The general statistics against published and certified values.
//!
//! Each folder of `tests/reference/` holds data, expected values and a SOURCE.md.
//! Agreement is counted in digits: the log relative error
//! -log10(|found - expected| / |expected|), or of |found| where 0 is expected.

use crate::support::{digits, expected, number, numbers, reference};

mod agreement;
mod brier;
mod linear;
mod precision;
mod spread;
mod time_to_event;

/// Columns of a reference CSV, by name.
struct Table {
    header: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Table {
    fn read(path: &str) -> Self {
        let mut reader = csv::Reader::from_path(reference(path)).expect("reference table");
        let header = reader.headers().expect("header");
        let header = header.iter().map(str::to_owned).collect();
        let rows = reader.records().map(|row| {
            let row = row.expect("row");
            row.iter().map(str::to_owned).collect()
        });
        let rows = rows.collect();
        Self { header, rows }
    }

    fn column(&self, name: &str) -> Vec<f64> {
        let j = self.header.iter().position(|h| h == name);
        let j = j.unwrap_or_else(|| panic!("no column {name}"));
        let values = self.rows.iter().map(|row| row[j].parse().expect("number"));
        values.collect()
    }

    fn text(&self, name: &str) -> Vec<String> {
        let j = self.header.iter().position(|h| h == name).expect("column");
        self.rows.iter().map(|row| row[j].clone()).collect()
    }
}

#[track_caller]
fn agree(what: &str, found: f64, expected: f64, wanted: f64) {
    let reached = digits(found, expected);
    // NaN must not pass.
    assert!(
        reached >= wanted,
        "{what}: {found} for {expected}, {reached:.1} digits of {wanted}"
    );
}

#[track_caller]
fn all_agree(what: &str, found: &[f64], expected: &[f64], wanted: f64) {
    assert_eq!(found.len(), expected.len(), "{what}: length");
    for (i, (found, expected)) in found.iter().zip(expected).enumerate() {
        agree(&format!("{what} {i}"), *found, *expected, wanted);
    }
}
