//! No output holds a number that its place cannot hold: what the data do not determine
//! has no number anywhere, not a digit of it.

mod columns;
mod scan;
mod studies;

use std::path::{Path, PathBuf};
use std::process::Command;

fn root(path: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// Runs the program, which is to end with this status; the faults of all that it put out.
fn faults(folder: &Path, call: &[&str], expected: i32) -> Vec<String> {
    let out = folder.join("out");
    let output = Command::new(env!("CARGO_BIN_EXE_pinfeather"))
        .current_dir(folder)
        .args(call)
        .arg("--out")
        .arg(&out)
        .output()
        .unwrap();
    let status = output.status.code();
    let printed = String::from_utf8(output.stdout).unwrap();
    let messages = String::from_utf8(output.stderr).unwrap();
    let mut faults = scan::faults(&out, &format!("{printed}{messages}"));
    if status != Some(expected) {
        faults.push(format!("{call:?}, status {status:?}: {messages}"));
    }
    let _ = std::fs::remove_dir_all(out);
    faults
}

/// None, or the first three of each place.
fn assert_none(faults: &[String]) {
    let place = |fault: &String| fault.rsplit_once(": ").map(|parts| parts.0.to_owned());
    let shown = faults.iter().enumerate().filter(|(at, fault)| {
        let alike = |one: &&String| place(one) == place(fault);
        faults[..*at].iter().filter(alike).count() < 3
    });
    let shown: Vec<&str> = shown.map(|(_, fault)| fault.as_str()).collect();
    assert!(
        faults.is_empty(),
        "{} faults:\n{}",
        faults.len(),
        shown.join("\n")
    );
}

#[test]
fn the_demo_puts_out_no_number_that_cannot_be() {
    let folder = tempfile::tempdir().unwrap();
    let demo = root("data-demo");
    let demo = demo.to_str().unwrap();
    let calls: [&[&str]; 5] = [
        &["run", demo, "--format", "svg"],
        &[
            "plan",
            demo,
            "--curve",
            "two-phase-gompertz",
            "--scans",
            "6",
            "--studies",
            "20",
        ],
        &["contrast", demo, "--curve", "two-phase-gompertz,richards"],
        &["onset", demo],
        &["target", demo, "--forecast", "147,168", "--as-of", "112"],
    ];
    let all: Vec<String> = calls
        .iter()
        .flat_map(|call| faults(folder.path(), call, 0))
        .collect();
    assert_none(&all);
}

#[test]
fn a_study_refused_puts_out_no_number_that_cannot_be() {
    let folder = tempfile::tempdir().unwrap();
    let study = root("tests/data/demo-faulty");
    let study = study.to_str().unwrap();
    assert_none(&faults(folder.path(), &["run", study], 2));
}

/// Runs the generated studies of these numbers.
fn odd_studies(seeds: std::ops::Range<u64>) {
    let mut all = Vec::new();
    for seed in seeds {
        let folder = tempfile::tempdir().unwrap();
        let study = folder.path().join("study");
        std::fs::create_dir(&study).unwrap();
        let what = studies::write(seed, &study);
        let of_run = faults(folder.path(), &["run", "study", "--format", "svg"], 0);
        eprintln!("{what}: {} faults", of_run.len());
        all.extend(of_run.into_iter().map(|fault| format!("{what}: {fault}")));
    }
    assert_none(&all);
}

#[test]
fn odd_studies_1_to_10_put_out_no_number_that_cannot_be() {
    odd_studies(0..10);
}

#[test]
fn odd_studies_11_to_20_put_out_no_number_that_cannot_be() {
    odd_studies(10..20);
}

#[test]
fn odd_studies_21_to_30_put_out_no_number_that_cannot_be() {
    odd_studies(20..30);
}

#[test]
fn odd_studies_31_to_40_put_out_no_number_that_cannot_be() {
    odd_studies(30..40);
}
