//! ChickWeight: per-bird and pooled fits against R's `nls`, and the birds that no
//! curve fits.
//!
//! Source: Crowder MJ, Hand DJ (1990) Analysis of Repeated Measures, example 5.3;
//! R 4.2.2 `nls`; see `reference/chickweight/SOURCE.md`.

use std::collections::BTreeMap;

use pinfeather::fit::{Estimates, Outcome, Series, Settings, Workspace, fit};
use pinfeather::growth::built_in;
use serde::Deserialize;
use serde_json::Value;

use crate::support::number;

#[derive(Deserialize)]
pub(crate) struct Row {
    pub(crate) bird: String,
    pub(crate) diet: String,
    age_d: f64,
    weight_g: f64,
}

fn rows() -> Vec<Row> {
    let text = include_str!("../chickweight/chickweight.csv");
    csv::Reader::from_reader(text.as_bytes())
        .deserialize()
        .map(Result::unwrap)
        .collect()
}

/// Ages and weights by a key, ascending in age.
pub(crate) fn series_by(key: impl Fn(&Row) -> String) -> BTreeMap<String, (Vec<f64>, Vec<f64>)> {
    let mut rows = rows();
    rows.sort_by(|one, other| one.age_d.total_cmp(&other.age_d));
    let mut series: BTreeMap<String, (Vec<f64>, Vec<f64>)> = BTreeMap::new();
    for row in &rows {
        let (ages, weights) = series.entry(key(row)).or_default();
        ages.push(row.age_d);
        weights.push(row.weight_g);
    }
    series
}

fn expected() -> Value {
    serde_json::from_str(include_str!("../chickweight/expected.json")).unwrap()
}

fn fitted(curve: &str, (ages, weights): &(Vec<f64>, Vec<f64>)) -> Outcome {
    let curve = built_in(curve).unwrap();
    let series = Series {
        ages_d: ages,
        values: weights,
    };
    fit(
        curve.as_ref(),
        series,
        &Settings::default(),
        &mut Workspace::new(),
    )
}

/// Compares with a fit of R. Its terms are as far from the optimum as its own
/// relative offset (up to 1e-7) times the standard error allows, so that is the
/// measure; a hundred times it covers the slow last steps of flat optima. Ours are
/// polished to an offset of 1e-9.
fn compare(what: &str, estimates: &Estimates, r: &Value) {
    let rss = number(&r["rss"]);
    assert!(
        (estimates.rss / rss - 1.0).abs() < 1e-9,
        "{what}: rss {} against {rss}",
        estimates.rss
    );
    let log_lik = number(&r["logLik"]);
    assert!(
        (estimates.log_lik - log_lik).abs() < 1e-8,
        "{what}: {} against {log_lik}",
        estimates.log_lik
    );
    assert!(
        (estimates.aic() - number(&r["AIC"])).abs() < 1e-7,
        "{what}: AIC"
    );
    assert!(
        (estimates.bic() - number(&r["BIC"])).abs() < 1e-7,
        "{what}: BIC"
    );
    assert!(
        (estimates.aicc().unwrap() - number(&r["AICc"])).abs() < 1e-7,
        "{what}: AICc"
    );
    if r["asymptote_over_10x_heaviest"] == true {
        return;
    }
    let offset = number(&r["relative_offset"]);
    for (j, name) in ["A", "k", "ti"].iter().enumerate() {
        let (term, error) = (number(&r["coef"][name]), number(&r["se"][name]));
        let distance = (estimates.terms[j] - term).abs() / error;
        assert!(
            distance < 100.0 * offset + 1e-8,
            "{what}: {name} {} against {term}, {distance:e} of its SE",
            estimates.terms[j]
        );
        let digits = (estimates.standard_error(j).unwrap() / error - 1.0).abs();
        assert!(
            digits < 1e-5,
            "{what}: SE of {name} {:?} against {error}",
            estimates.standard_error(j)
        );
    }
}

#[test]
fn every_bird_as_in_r() {
    let expected = expected();
    let (mut compared, mut refused) = (0, Vec::new());
    for (bird, series) in series_by(|row| row.bird.clone()) {
        for curve in ["logistic", "gompertz"] {
            let r = &expected["per_bird"][&bird][curve];
            let outcome = fitted(curve, &series);
            if r["status"] == "converged" {
                let what = format!("bird {bird} {curve}");
                let Some(estimates) = outcome.estimates() else {
                    // R ends at an asymptote of some 1e6 g on a valley flat to rounding.
                    assert!(
                        outcome.reason().contains("no finite asymptote"),
                        "{what}: {}",
                        outcome.reason()
                    );
                    refused.push(what);
                    continue;
                };
                compare(&what, estimates, r);
                compared += 1;
                if r["last_age_before_inflection"] == true {
                    assert!(
                        outcome.reason().contains("is before the inflection"),
                        "bird {bird} {curve}: {}",
                        outcome.reason()
                    );
                }
            } else {
                assert_ne!(
                    outcome.status(),
                    "converged",
                    "bird {bird} {curve}: R found no optimum"
                );
            }
        }
    }
    assert_eq!(refused, ["bird 38 gompertz"]);
    assert_eq!(compared, 53, "the other fits that converged in R");
}

#[test]
fn diets_pooled_as_in_r() {
    let expected = expected();
    for (diet, series) in series_by(|row| row.diet.clone()) {
        for curve in ["logistic", "gompertz"] {
            let what = format!("diet {diet} {curve}");
            let outcome = fitted(curve, &series);
            compare(
                &what,
                outcome.estimates().unwrap(),
                &expected["pooled"][format!("diet{diet}")][curve],
            );
        }
    }
}

/// Trade check E4: fits that must state why they are not to be used.
#[test]
fn fits_that_must_not_be_a_bare_number() {
    let mut series = series_by(|row| row.bird.clone());
    let ages = series["1"].0.clone();
    // Bird 29 is of a diet that the table leaves out; its weights are those of the same data set.
    let bird_29 = [
        39., 48., 59., 74., 87., 106., 134., 150., 187., 230., 279., 309.,
    ];
    series.insert("29".to_owned(), (ages, bird_29.to_vec()));
    for (curve, birds, words) in [
        ("gompertz", &["1"][..], "no finite asymptote"),
        ("logistic", &["19", "29"], "no finite asymptote"),
        (
            "logistic",
            &["18"],
            "2 values for 3 terms: at least 4 are needed",
        ),
        (
            "logistic",
            &["13", "31", "38", "39"],
            "asymptote far beyond the data",
        ),
        ("logistic", &["15", "16"], "inflection before hatch"),
    ] {
        for bird in birds {
            let outcome = fitted(curve, &series[*bird]);
            assert_ne!(outcome.status(), "converged", "bird {bird} {curve}");
            assert!(
                outcome.reason().contains(words),
                "bird {bird} {curve}: {}",
                outcome.reason()
            );
        }
    }
}
