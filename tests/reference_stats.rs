//! The general statistics against published and certified values.
//!
//! Each folder of `tests/reference/` holds data, expected values and a SOURCE.md.
//! Agreement is counted in digits: the log relative error
//! -log10(|found - expected| / |expected|), or of |found| where 0 is expected.

use std::path::PathBuf;

use serde_json::Value;

#[path = "reference_stats/agreement.rs"]
mod agreement;
#[path = "reference_stats/linear.rs"]
mod linear;
#[path = "reference_stats/precision.rs"]
mod precision;
#[path = "reference_stats/time_to_event.rs"]
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

fn reference(path: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/reference")
        .join(path)
}

fn expected(path: &str) -> Value {
    let text = std::fs::read_to_string(reference(path)).expect("expected values");
    serde_json::from_str(&text).expect("JSON")
}

fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("a number, not {value}"))
}

fn numbers(value: &Value) -> Vec<f64> {
    value
        .as_array()
        .expect("a list")
        .iter()
        .map(number)
        .collect()
}

/// Digits that agree.
fn digits(found: f64, expected: f64) -> f64 {
    let scale = if expected == 0.0 { 1.0 } else { expected.abs() };
    let error = (found - expected).abs() / scale;
    -error.max(1e-16).log10()
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
