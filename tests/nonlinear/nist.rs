//! NIST StRD nonlinear sets: terms, standard errors and residual sum of squares to
//! eight digits from both certified starting points.
//!
//! Source: NIST/ITL Statistical Reference Datasets; see `reference/nist_nonlinear/SOURCE.md`.

use std::collections::BTreeMap;

use pinfeather::fit::{Estimates, Series, Settings, Workspace, fit};
use serde::Deserialize;

use super::formula::Formula;

#[derive(Deserialize)]
struct Expected {
    sets: BTreeMap<String, Set>,
}

#[derive(Deserialize)]
struct Set {
    model: String,
    starts: Vec<Vec<f64>>,
    certified: Vec<f64>,
    certified_se: Vec<f64>,
    rss: f64,
}

fn expected() -> BTreeMap<String, Set> {
    let text = include_str!("../reference/nist_nonlinear/expected.json");
    serde_json::from_str::<Expected>(text).unwrap().sets
}

/// Ages and values of a set, ascending in age.
fn data(name: &str) -> (Vec<f64>, Vec<f64>) {
    let path = format!(
        "{}/tests/reference/nist_nonlinear/{name}.csv",
        env!("CARGO_MANIFEST_DIR")
    );
    let mut rows: Vec<(f64, f64)> = csv::Reader::from_path(path)
        .unwrap()
        .deserialize()
        .map(|row| row.map(|(y, x)| (x, y)).unwrap())
        .collect();
    rows.sort_by(|one, other| one.0.total_cmp(&other.0));
    rows.into_iter().unzip()
}

/// Digits that agree.
fn digits(computed: f64, certified: f64) -> f64 {
    -((computed - certified).abs() / certified.abs()).log10()
}

fn fewest_digits(estimates: &Estimates, set: &Set) -> (f64, f64, f64) {
    let p = set.certified.len();
    let least = |f: &dyn Fn(usize) -> f64| (0..p).map(f).fold(f64::INFINITY, f64::min);
    (
        least(&|j| digits(estimates.terms[j], set.certified[j])),
        least(&|j| digits(estimates.standard_error(j).unwrap(), set.certified_se[j])),
        digits(estimates.rss, set.rss),
    )
}

#[test]
fn every_set_from_both_starts() {
    let mut workspace = Workspace::new();
    let mut short = Vec::new();
    for (name, set) in expected() {
        let curve = Formula::new(&set.model, set.certified.len());
        let (ages, values) = data(&name);
        let series = Series {
            ages_d: &ages,
            values: &values,
        };
        for (which, start) in set.starts.iter().enumerate() {
            let settings = Settings {
                start: Some(start.as_slice().into()),
                ..Settings::default()
            };
            let outcome = fit(&curve, series, &settings, &mut workspace);
            let Some(estimates) = outcome.estimates() else {
                short.push(format!(
                    "{name} from start {}: {}",
                    which + 1,
                    outcome.reason()
                ));
                continue;
            };
            let (terms, errors, rss) = fewest_digits(estimates, &set);
            let exact = name == "Lanczos1";
            if terms < 8.0 || !exact && (errors < 8.0 || rss < 8.0) {
                short.push(format!(
                    "{name} from start {}: digits {terms:.1} {errors:.1} {rss:.1}",
                    which + 1
                ));
            }
        }
    }
    assert!(
        short.is_empty(),
        "short of eight digits:\n{}",
        short.join("\n")
    );
}
