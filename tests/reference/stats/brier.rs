//! Brier scores against R: `brier/SOURCE.md`.

use std::path::Path;

use pinfeather::stats::brier::brier_score;
use pinfeather::stats::time_to_event::EventTime;

#[test]
fn brier_scores_are_those_of_survfit_and_the_formula() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/brier");
    let mut reader = csv::Reader::from_path(path.join("lung.csv")).unwrap();
    let rows: Vec<Vec<f64>> = reader
        .records()
        .map(|row| {
            row.unwrap()
                .iter()
                .map(|cell| cell.parse().unwrap())
                .collect()
        })
        .collect();
    let times: Vec<EventTime> = rows
        .iter()
        .map(|row| EventTime::right_censored(row[0], row[1] > 0.5))
        .collect();
    let expected: serde_json::Value =
        serde_json::from_str(include_str!("../brier/expected.json")).unwrap();
    for (place, at) in [100.0, 200.0, 310.0, 500.0, 700.0].into_iter().enumerate() {
        let laid: Vec<Option<f64>> = rows.iter().map(|row| Some(row[place + 2])).collect();
        let found = brier_score(&times, &laid, at).unwrap();
        let expected = expected[format!("p{at:.0}")].as_f64().unwrap();
        assert!(
            (found / expected - 1.0).abs() < 1e-12,
            "{at}: {found} {expected}"
        );
    }
}
