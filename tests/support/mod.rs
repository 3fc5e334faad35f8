//! What the test binaries share: the program, tables of results, reference values.

#![allow(dead_code, reason = "each test binary uses a part of it")]

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

pub(crate) mod allometry;
pub(crate) mod platform;
pub(crate) mod scans;
pub(crate) mod study_laboratories;
pub(crate) mod validation;

/// A row of a table of results, by column name.
pub(crate) type Row = HashMap<String, String>;

/// A path inside the project.
pub(crate) fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// A file of the reference data.
pub(crate) fn reference(file: &str) -> PathBuf {
    root("tests/reference").join(file)
}

/// The expected values in a JSON file of the reference data.
pub(crate) fn expected(file: &str) -> Value {
    let path = reference(file);
    let text = std::fs::read_to_string(&path)
        .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    serde_json::from_str(&text).expect("JSON")
}

#[track_caller]
pub(crate) fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("a number, not {value}"))
}

#[track_caller]
pub(crate) fn numbers(value: &Value) -> Vec<f64> {
    let list = value.as_array().expect("a list");
    list.iter().map(number).collect()
}

/// Runs the program in a folder, its arguments separated by white space.
pub(crate) fn pinfeather(folder: &Path, call: &str) -> Output {
    pinfeather_with(folder, &call.split_whitespace().collect::<Vec<_>>())
}

/// As [`pinfeather`], for arguments that hold spaces.
pub(crate) fn pinfeather_with(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_pinfeather"))
        .current_dir(folder)
        .args(arguments)
        .output()
        .expect("the program runs")
}

/// Standard output of a call that must end with exit status 0.
#[track_caller]
pub(crate) fn done(folder: &Path, call: &str) -> String {
    let output = pinfeather(folder, call);
    let errors = text(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{call}: {errors}");
    text(&output.stdout)
}

pub(crate) fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("UTF-8")
}

/// Rows of a table of results.
#[track_caller]
pub(crate) fn rows(file: &Path) -> Vec<Row> {
    let mut reader =
        csv::Reader::from_path(file).unwrap_or_else(|error| panic!("{}: {error}", file.display()));
    let rows = reader.deserialize().map(|row| row.expect("a row"));
    rows.collect()
}

/// A cell as a number.
#[track_caller]
pub(crate) fn cell(row: &Row, column: &str) -> f64 {
    row[column]
        .parse()
        .unwrap_or_else(|_| panic!("{column} of {row:?}"))
}

/// Decimal digits in which two numbers agree: the log relative error, 16 at the most.
pub(crate) fn digits(found: f64, expected: f64) -> f64 {
    let scale = if expected == 0.0 { 1.0 } else { expected.abs() };
    let error = (found - expected).abs() / scale;
    -error.max(1e-16).log10()
}

/// Agreement to a relative difference; a NaN does not pass.
#[track_caller]
pub(crate) fn close(what: &str, found: f64, expected: f64, relative: f64) {
    let off = (found - expected).abs() / expected.abs().max(1e-300);
    assert!(
        off <= relative,
        "{what}: found {found}, expected {expected}, relative difference {off:.1e}"
    );
}

/// Agreement to an absolute difference; a NaN does not pass.
#[track_caller]
pub(crate) fn close_within(found: f64, expected: f64, tolerance: f64, what: &str) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{what}: found {found}, expected {expected}"
    );
}

/// The model of each trait with these random terms by an amount, constant residual spread,
/// by maximum likelihood: nothing is chosen but among the curves.
pub(crate) fn models_with(
    study: &pinfeather::study::Study,
    curves: &[std::sync::Arc<dyn pinfeather::growth::Curve>],
    random: &[&str],
) -> Vec<pinfeather::trajectory::TraitModel> {
    use pinfeather::fit::Variance;
    use pinfeather::fit::mixed::{Correlation, Covariance, Criterion, RandomScale};
    use pinfeather::study::FixedEffectOf;
    use pinfeather::trajectory::{PopulationRequest, RandomTerms, TraitModel};
    let names = random.iter().map(|term| (*term).to_owned());
    let wanted = PopulationRequest {
        random: RandomTerms::Named(names.collect()),
        scale: Some(RandomScale::Natural),
        covariance: Some(Covariance::Diagonal),
        variance: Some(Variance::Constant),
        correlation: Some(Correlation::None),
        criterion: Some(Criterion::Likelihood),
        ..PopulationRequest::chosen(vec![FixedEffectOf::Strain])
    };
    let traits = study.traits.iter().enumerate();
    traits
        .filter_map(|(at, records)| TraitModel::choose(study, records, at, (curves, None), &wanted))
        .collect()
}
