//! Forecasts of subjects against best linear unbiased prediction in closed form.
//!
//! Values, versions and script: `reference/forecast/SOURCE.md`.

use std::path::Path;
use std::sync::Arc;

use pinfeather::fit::mixed::{
    Correlation, Covariance, Forecast, MixedModel, MixedOptions, Population, PopulationNumbers,
    RandomTerm, Subjects,
};
use pinfeather::growth::{Curve, Derived, Term};
use serde_json::Value;

use crate::support::{expected, numbers};

/// a + b age.
#[derive(Debug)]
struct Line([Term; 2]);

impl Line {
    fn new() -> Self {
        Self(["a", "b"].map(|name| Term {
            name: name.into(),
            meaning: "".into(),
            unit: "".into(),
            lower: f64::NEG_INFINITY,
            upper: f64::INFINITY,
        }))
    }
}

impl Curve for Line {
    fn name(&self) -> &str {
        "line"
    }
    fn terms(&self) -> &[Term] {
        &self.0
    }
    fn value_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        gradient.copy_from_slice(&[1.0, age_d]);
        terms[0] + terms[1] * age_d
    }
    fn slope_and_gradient(&self, _: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        gradient.copy_from_slice(&[0.0, 1.0]);
        terms[1]
    }
    fn value(&self, age_d: f64, terms: &[f64]) -> f64 {
        terms[0] + terms[1] * age_d
    }
    fn start(&self, attempt: usize, _: &[f64], _: &[f64], terms: &mut [f64]) -> bool {
        terms.copy_from_slice(&[17.0, 0.6]);
        attempt == 0
    }
    fn derived(&self, _: Derived, _: &[f64], _: &mut [f64]) -> Option<f64> {
        None
    }
}

fn folder() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/forecast")
}

/// The children of Orthodont, the first `kept` observations of each.
struct Children {
    starts: Vec<usize>,
    ages_d: Vec<f64>,
    values: Vec<f64>,
    groups: Vec<usize>,
}

impl Children {
    fn first(kept: usize) -> Self {
        let mut reader = csv::Reader::from_path(folder().join("orthodont.csv")).expect("table");
        let rows: Vec<csv::StringRecord> = reader.records().map(|row| row.expect("row")).collect();
        let mut children = Self {
            starts: vec![0],
            ages_d: Vec::new(),
            values: Vec::new(),
            groups: Vec::new(),
        };
        for own in rows.chunk_by(|a, b| a[0] == b[0]) {
            for row in own.iter().take(kept) {
                children.ages_d.push(row[1].parse().expect("age"));
                children.values.push(row[2].parse().expect("value"));
            }
            children.starts.push(children.ages_d.len());
            children.groups.push(0);
        }
        children
    }

    fn subjects(&self) -> Subjects<'_> {
        Subjects::new(&self.starts, &self.ages_d, &self.values, &self.groups).expect("columns")
    }
}

fn population(expected: &Value, correlation: Correlation) -> Population {
    let number = |name: &str| expected[name].as_f64().expect("number");
    let count =
        |name: &str| usize::try_from(expected[name].as_u64().expect("count")).expect("count");
    let correlated = correlation == Correlation::Ar1;
    let options = MixedOptions {
        random: ["a", "b"].map(RandomTerm::natural).to_vec(),
        covariance: Covariance::Full,
        correlation,
        ..MixedOptions::default()
    };
    let of_correlation = if correlated {
        "beta_covariance_ar1"
    } else {
        "beta_covariance"
    };
    let plain = PopulationNumbers {
        groups: 1,
        fixed: numbers(&expected["beta"]),
        fixed_covariance: numbers(&expected[of_correlation]),
        random_covariance: numbers(&expected["random_covariance"]),
        sigma: number("sigma"),
        power: None,
        ar1: correlated.then(|| number("phi")),
        subjects: count("subjects"),
        observations: count("observations"),
    };
    Population::new(Arc::new(Line::new()), &options, &plain).expect("population")
}

/// To 10 digits: both sides solve systems of a condition of some 1e4 in double precision.
fn close(what: &str, ours: f64, theirs: f64) {
    assert!(
        (ours - theirs).abs() <= 1e-10 * theirs.abs(),
        "{what}: ours {ours}, expected {theirs}"
    );
}

fn compare(
    kept: usize,
    age_d: f64,
    correlation: Correlation,
    name: &str,
    error: fn(&Forecast) -> f64,
) {
    let expected = expected("forecast/expected.json");
    let children = Children::first(kept);
    let ages_d = [age_d];
    let forecasts = population(&expected, correlation)
        .forecast(&children.subjects(), |_| &ages_d)
        .expect("forecasts");
    let theirs = numbers(&expected[name]);
    assert_eq!(theirs.len(), 2 * forecasts.len());
    for (child, theirs) in theirs.chunks_exact(2).enumerate() {
        let ours = forecasts.of(child, 0).expect("a forecast");
        close(&format!("{name}, child {child}"), ours.value, theirs[0]);
        close(
            &format!("{name}, error of child {child}"),
            error(&ours),
            theirs[1],
        );
    }
}

#[test]
fn a_new_subject_known_by_one_or_two_observations() {
    let error = |forecast: &Forecast| forecast.prediction_error;
    compare(2, 14.0, Correlation::None, "two_known_at_14", error);
    compare(1, 14.0, Correlation::None, "one_known_at_14", error);
}

#[test]
fn residuals_that_fade_carry_the_last_one_on() {
    let error = |forecast: &Forecast| forecast.prediction_error;
    compare(3, 14.0, Correlation::Ar1, "three_known_at_14_ar1", error);
}

#[test]
fn the_error_of_a_fitted_subjects_line_is_hendersons() {
    let error = |forecast: &Forecast| forecast.standard_error;
    compare(4, 16.0, Correlation::None, "henderson_at_16", error);
}

#[test]
fn the_mean_of_ten_does_not_average_the_fixed_effects_error_away() {
    let expected = expected("forecast/expected.json");
    let children = Children::first(4);
    let forecasts = population(&expected, Correlation::None)
        .forecast(&children.subjects(), |_| &[16.0])
        .expect("forecasts");
    let theirs = numbers(&expected["henderson_mean_of_ten_at_16"]);
    let first_ten: Vec<(usize, usize)> = (0..10).map(|child| (child, 0)).collect();
    let ours = forecasts.mean_of(&first_ten).expect("a forecast");
    close("mean", ours.value, theirs[0]);
    close("its error", ours.standard_error, theirs[1]);
    close("of ten new observations", ours.prediction_error, theirs[2]);
    // R's nlme itself prints some 7 digits of agreement with the closed form.
    let blup = numbers(&expected["nlme_predict_at_16"]);
    for (child, theirs) in blup.iter().enumerate() {
        let ours = forecasts.of(child, 0).expect("a forecast").value;
        assert!((ours - theirs).abs() < 1e-6, "{ours} {theirs}");
    }
}

#[test]
fn a_population_in_numbers_is_the_same_population() {
    let population = population(&expected("forecast/expected.json"), Correlation::Ar1);
    let curve = population.curve().clone();
    let again = Population::new(curve, population.options(), &population.numbers()).expect("again");
    assert_eq!(again.numbers(), population.numbers());
}

#[test]
fn a_fits_population_brings_its_own_subjects_to_the_same_place() {
    // Orange trees: the nonlinear curve, its asymptote random.
    let mut reader = csv::Reader::from_path(
        Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/nlme_examples/orange.csv"),
    )
    .expect("table");
    let headers = reader.headers().expect("header").clone();
    let column = |name: &str| headers.iter().position(|h| h == name).expect("column");
    let (tree, age, size) = (column("tree"), column("age_d"), column("circumference_mm"));
    let rows: Vec<csv::StringRecord> = reader.records().map(|row| row.expect("row")).collect();
    let (mut starts, mut ages_d, mut values, mut groups) = (vec![0], vec![], vec![], vec![]);
    for own in rows.chunk_by(|a, b| a[tree] == b[tree]) {
        ages_d.extend(own.iter().map(|row| row[age].parse::<f64>().expect("age")));
        values.extend(
            own.iter()
                .map(|row| row[size].parse::<f64>().expect("size")),
        );
        starts.push(values.len());
        groups.push(0);
    }
    let subjects = Subjects::new(&starts, &ages_d, &values, &groups).expect("columns");
    let curve = pinfeather::growth::built_in("logistic").expect("curve");
    let options = MixedOptions {
        random: vec![RandomTerm::natural("A")],
        ..MixedOptions::default()
    };
    let model = MixedModel::new(&*curve, &options).expect("model");
    let outcome = model.fit(&subjects);
    let fit = outcome.fit().expect("a fit");
    let population = fit.population(&model, &curve);
    assert_eq!(population.options().random, options.random);
    let forecasts = population.forecast(&subjects, |_| &[]).expect("forecasts");
    for subject in 0..subjects.len() {
        let again = forecasts.terms(subject).expect("a mode");
        for (again, fitted) in again.iter().zip(fit.subject(subject)) {
            // The alternation ends 1e-7 of a standard error or so from each mode.
            assert!((again / fitted - 1.0).abs() < 1e-6, "{again} {fitted}");
        }
        let pairs = forecasts
            .covariance(subject)
            .iter()
            .zip(fit.subject_covariance(subject));
        for (again, fitted) in pairs {
            assert!(
                (again - fitted).abs() <= 1e-5 * fitted.abs(),
                "{again} {fitted}"
            );
        }
    }
}
