//! Regression through 0 and Deming's line with its interval, against R:
//! `tests/reference/through_zero/SOURCE.md`.

use pinfeather::composition::calibration::{Settings, calibrate};
use pinfeather::composition::{Formula, Frame};
use pinfeather::stats::agreement::deming;
use pinfeather::study::Format;

const DATA: &str = include_str!("through_zero/data.csv");
const EXPECTED: &str = include_str!("through_zero/expected.csv");

fn expected(key: &str) -> f64 {
    let row = EXPECTED.lines().find_map(|line| line.strip_prefix(key));
    row.unwrap().trim_start_matches(',').parse().unwrap()
}

/// Ten digits: R prints seventeen, and both refine nothing further in so small a problem.
#[track_caller]
fn close(found: f64, key: &str) {
    let expected = expected(key);
    assert!(
        (found / expected - 1.0).abs() < 1e-10,
        "{key}: {found} for {expected}"
    );
}

fn frame() -> Frame {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("pairs.csv");
    std::fs::write(&path, DATA).unwrap();
    Frame::read(&path, &Format::default()).unwrap()
}

#[test]
fn a_regression_without_intercept_is_that_of_r() {
    let settings = Settings {
        bird: Some("bird".to_owned()),
        ..Settings::default()
    };
    for (terms, model) in [("0,fat_scan", "slope"), ("-1, fat_scan, strain", "strains")] {
        let formula: Formula = terms.parse().unwrap();
        assert!(formula.to_string().starts_with("0,fat_scan"));
        let found = calibrate(&frame(), "fat_chem", &formula, &settings).unwrap();
        for term in &found.terms {
            close(term.estimate, &format!("{model} {}", term.term));
            close(term.std_error, &format!("{model} {} se", term.term));
        }
        assert!(found.terms.iter().all(|term| term.term != "intercept"));
        let strains = if model == "slope" { 1 } else { 3 };
        assert_eq!(found.terms.len(), strains);
    }
    assert!("0".parse::<Formula>().is_err());
}

#[test]
fn the_interval_of_demings_line_is_the_jackknife_worked_out_in_r() {
    let column = |at: usize| -> Vec<f64> {
        let rows = DATA.lines().skip(1);
        rows.map(|row| row.split(',').nth(at).unwrap().parse().unwrap())
            .collect()
    };
    let line = deming(&column(2), &column(3), 2.0, 0.95).unwrap();
    close(line.slope, "deming slope");
    close(line.intercept, "deming intercept");
    close(line.slope_interval.lower, "deming slope lower");
    close(line.slope_interval.upper, "deming slope upper");
    close(line.intercept_interval.lower, "deming intercept lower");
    close(line.intercept_interval.upper, "deming intercept upper");
}

#[test]
fn the_residual_sd_of_a_candidate_is_in_grams_whatever_the_weights() {
    use pinfeather::composition::calibration::Weighting;
    use pinfeather::composition::choice::choose;
    let settings = Settings {
        bird: Some("bird".to_owned()),
        weighting: Weighting::PowerOfMean,
        ..Settings::default()
    };
    let formula: Formula = "fat_scan".parse().unwrap();
    let row = &choose(
        &frame(),
        "fat_chem",
        std::slice::from_ref(&formula),
        &settings,
    )
    .unwrap()
    .rows[0];
    let fitted = calibrate(&frame(), "fat_chem", &formula, &settings).unwrap();
    let squares = fitted
        .rows
        .iter()
        .map(|row| (row.observed - row.fitted).powi(2));
    let squares: f64 = squares.sum();
    let expected = (squares / (fitted.rows.len() as f64 - 2.0)).sqrt();
    // The same sum in another order.
    assert!(
        (row.rmse.unwrap() / expected - 1.0).abs() < 1e-12,
        "{row:?} {expected}"
    );
}
