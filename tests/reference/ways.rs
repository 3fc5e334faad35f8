//! Offsets of ways of scanning against nlme: `ways/SOURCE.md`.

use std::path::Path;

use pinfeather::composition::way_offsets::{OffsetKind, WayReading, way_offsets};

fn readings(file: &str) -> Vec<WayReading> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/ways");
    let mut reader = csv::Reader::from_path(path.join(file)).unwrap();
    let rows = reader.records().map(|row| {
        let row = row.unwrap();
        WayReading {
            subjects: row[0]
                .split('+')
                .map(|bird| bird.parse().unwrap())
                .collect(),
            way: row[1].parse().unwrap(),
            value: row[2].parse().unwrap(),
        }
    });
    rows.collect()
}

fn expected() -> serde_json::Value {
    serde_json::from_str(include_str!("ways/expected.json")).unwrap()
}

fn close(found: f64, expected: &serde_json::Value, tolerance: f64) {
    let expected = expected.as_f64().unwrap();
    assert!(
        (found - expected).abs() <= tolerance * expected.abs(),
        "{found} {expected}"
    );
}

/// The ratios of spread are where a likelihood is flat: both searches leave 1e-5 of
/// them, and offsets follow them by less.
#[test]
fn constant_offsets_are_those_of_gls() {
    let found = way_offsets(&readings("constant.csv"), &[false; 3]).unwrap();
    let expected = &expected()["constant"];
    assert!(!found.proportional_spread && found.offsets[0].is_none());
    for way in [1, 2] {
        let offset = found.offsets[way].as_ref().unwrap();
        assert_eq!(offset.kind, OffsetKind::Constant);
        close(offset.constant_g, &expected["offsets"][way - 1], 1e-5);
        let error = found.covariance[(offset.place, offset.place)].sqrt();
        close(error, &expected["std_errors"][way - 1], 1e-4);
        close(offset.spread_ratio, &expected["ratios"][way - 1], 1e-4);
    }
    close(found.covariance[(0, 1)], &expected["covariance"], 1e-3);
    close(found.spread, &expected["sigma"], 1e-4);
    close(found.log_likelihood, &expected["log_likelihood"], 1e-9);
    close(found.df as f64, &expected["df"], 0.0);
}

/// Logarithms are another model by the square of a spread of 0.004 to 0.011: 1e-4 of a
/// share of 0.032, and as much again in its error.
#[test]
fn shares_are_those_of_gls_and_lme_in_logarithms() {
    let found = way_offsets(&readings("proportional.csv"), &[false; 2]).unwrap();
    let expected = &expected()["proportional"];
    let offset = found.offsets[1].as_ref().unwrap();
    assert_eq!(offset.kind, OffsetKind::Proportional);
    assert!(found.proportional_spread);
    let log_offset = expected["log_offset"].as_f64().unwrap();
    assert!((offset.share.ln_1p() - log_offset).abs() < 1e-4);
    let mixed = expected["mixed_log_offset"].as_f64().unwrap();
    assert!((offset.share.ln_1p() - mixed).abs() < 1e-4);
    let error = found.covariance[(0, 0)].sqrt() / (1.0 + offset.share);
    close(error, &expected["std_error"], 0.01);
    // Ours is of the reading in the reference way.
    let ratio = offset.spread_ratio / (1.0 + offset.share);
    close(ratio, &expected["ratio"], 0.01);
    close(found.spread, &expected["sigma"], 0.01);
}

#[test]
fn too_few_comparisons_give_no_offset() {
    let mut all = readings("constant.csv");
    all.retain(|row| row.way == 0 || row.subjects[0] < 3);
    let found = way_offsets(&all, &[false; 3]);
    assert!(found.is_none(), "{found:?}");
}
