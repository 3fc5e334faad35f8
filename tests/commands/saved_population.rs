//! A population saved and read again: the same to the last digit, and a damaged file refused.

use std::path::{Path, PathBuf};

use pinfeather::study::sealed;
use pinfeather::trajectory::BirdPopulation;

use crate::support::pinfeather_with;

/// Populations of the demo's body weights by these options.
fn saved(folder: &Path, options: &[&str]) -> PathBuf {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo");
    let (demo, out) = (demo.to_str().unwrap(), folder.to_str().unwrap());
    let mut arguments = vec!["fit", demo, "--level", "population", "--out", out];
    arguments.extend(options);
    let output = pinfeather_with(Path::new("."), &arguments);
    let errors = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{errors}");
    folder.join("models/populations")
}

#[test]
fn it_reads_back_as_it_was_and_a_damaged_file_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    for curve in ["gompertz", "anchored-gompertz"] {
        let options = ["--curve", curve, "--variance", "power"];
        let populations = saved(folder.path(), &options);
        let path = populations.join(format!("body_weight_{curve}.toml"));
        let text = std::fs::read_to_string(&path).unwrap();
        let read = BirdPopulation::read(&path, &[]).unwrap();
        assert_eq!(read.to_toml().unwrap(), text);
        assert_eq!(read.groups.len(), 3);
        assert!(read.origin.input_digest.starts_with("sha256:"));
        assert!(read.origin.saved_by.starts_with("pinfeather "));
    }
    let options = [
        "--curve",
        "gompertz",
        "--variance",
        "power",
        "--correlation",
        "none",
    ];
    let populations = saved(folder.path(), &options);
    let path = populations.join("body_weight_gompertz.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let cases = [
        (
            text.replace("sigma = ", "sigma = 1"),
            "cut short or changed",
        ),
        (text[..text.len() / 2].to_owned(), "cut short or changed"),
        (String::new(), "no digest"),
        (sealed(&text.replace("version 2", "version 7")), "version 7"),
        (sealed(&text.replace("sigma =", "sigmas =")), "row "),
        (
            sealed(&text.replace("curve = \"gompertz\"", "curve = \"gompert\"")),
            "did you mean gompertz",
        ),
        (
            sealed(&text.replace("curve = \"gompertz\"", "curve = \"richards\"")),
            "the term m where its place is",
        ),
        (
            sealed(&text.replacen("term = \"ti\"", "term = \"tu\"", 1)),
            "the term ti where its place is",
        ),
        (
            sealed(&text.replace("unit = \"g\"\nfixed_by", "unit = \"kg\"\nfixed_by")),
            "expected g",
        ),
        (
            sealed(&text.replace("correlation = \"none\"", "correlation = \"ar2\"")),
            "expected one of none, ar1",
        ),
    ];
    for (damaged, expected) in cases {
        std::fs::write(&path, &damaged).unwrap();
        let error = BirdPopulation::read(&path, &[]).unwrap_err().to_string();
        assert!(
            error.contains(expected),
            "expected \"{expected}\" in: {error}"
        );
        assert!(error.contains("body_weight_gompertz.toml"), "{error}");
    }
}

#[test]
fn a_folder_for_no_population_is_a_wrong_call() {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo");
    let output = pinfeather_with(
        Path::new("."),
        &["fit", demo.to_str().unwrap(), "--save-population", "x"],
    );
    assert_eq!(output.status.code(), Some(2));
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(errors.contains("--level population"), "{errors}");
}

#[test]
fn the_shipped_example_states_that_it_is_invented_and_is_what_the_demo_gives() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let shipped = BirdPopulation::read(
        &root.join("models/populations/invented_body_weight.toml"),
        &[],
    )
    .unwrap();
    assert!(shipped.origin.note.starts_with("INVENTED"));
    let folder = tempfile::tempdir().unwrap();
    let options = [
        "--curve",
        "two-phase-gompertz",
        "--variance",
        "power",
        "--covariance",
        "full",
    ];
    let path = saved(folder.path(), &options).join("body_weight_two-phase-gompertz.toml");
    let fitted = BirdPopulation::read(&path, &[]).unwrap();
    assert_eq!(fitted.groups, shipped.groups);
    assert_eq!(fitted.origin.input_digest, shipped.origin.input_digest);
    let (ours, theirs) = (fitted.population.numbers(), shipped.population.numbers());
    for (ours, theirs) in ours.fixed.iter().zip(&theirs.fixed) {
        // Where the alternation stops, seen through other instructions of the processor.
        assert!((ours / theirs - 1.0).abs() < 1e-6, "{ours} {theirs}");
    }
}
