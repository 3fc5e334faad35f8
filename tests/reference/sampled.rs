//! The model of unnamed birds against nlme, lme4 and a likelihood written out in R.
//!
//! Where the numbers come from: `tests/reference/sampled/SOURCE.md`.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;

use pinfeather::growth::{Curve, Derived, Term};
use pinfeather::trajectory::sampled::{Cell, Part, SampledData, SampledModel};

/// log w = a + b t, a line on the log scale, so that the linear packages fit the same model.
#[derive(Debug)]
struct LogLine(Vec<Term>);

fn log_line() -> Arc<dyn Curve> {
    let term = |name: &'static str| Term {
        name: Cow::Borrowed(name),
        meaning: Cow::Borrowed(""),
        unit: Cow::Borrowed(""),
        lower: f64::NEG_INFINITY,
        upper: f64::INFINITY,
    };
    Arc::new(LogLine(vec![term("a"), term("b")]))
}

impl Curve for LogLine {
    fn name(&self) -> &'static str {
        "log line"
    }

    fn terms(&self) -> &[Term] {
        &self.0
    }

    fn value_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let value = self.value(age_d, terms);
        gradient[0] = value;
        gradient[1] = value * age_d;
        value
    }

    fn slope_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let value = self.value(age_d, terms);
        gradient[0] = terms[1] * value;
        gradient[1] = value * (1.0 + terms[1] * age_d);
        terms[1] * value
    }

    fn value(&self, age_d: f64, terms: &[f64]) -> f64 {
        (terms[0] + terms[1] * age_d).exp()
    }

    fn start(&self, _: usize, _: &[f64], _: &[f64], _: &mut [f64]) -> bool {
        false
    }

    fn derived(&self, _: Derived, _: &[f64], _: &mut [f64]) -> Option<f64> {
        None
    }
}

/// Pen and age in days.
type Place = (usize, u32);

/// What was weighed in a cell: logs of single birds, and of means with n and CV.
#[derive(Default)]
struct Weighed {
    logs: Vec<f64>,
    means: Vec<(f64, f64, Option<f64>)>,
}

/// The data of rows (kind, pen, age, bird, n, value, cv).
fn data(rows: &[[&str; 7]]) -> SampledData {
    let mut cells: BTreeMap<(usize, u32), Weighed> = BTreeMap::new();
    let mut birds: BTreeMap<&str, Vec<(Place, f64)>> = BTreeMap::new();
    for [kind, pen, age, bird, n, value, cv] in rows {
        let key = (pen.parse().unwrap(), age.parse().unwrap());
        let value: f64 = value.parse().unwrap();
        let cell = cells.entry(key).or_default();
        match *kind {
            "sample" => cell.logs.push(value),
            "crate" => cell
                .means
                .push((n.parse().unwrap(), value, cv.parse().ok())),
            _ => birds.entry(bird).or_default().push((key, value)),
        }
    }
    let mut days: Vec<u32> = cells.keys().map(|key| key.1).collect();
    days.sort_unstable();
    days.dedup();
    let pens = 1 + cells.keys().map(|key| key.0).max().unwrap();
    let mut data = SampledData {
        units: vec![0; pens],
        ..SampledData::default()
    };
    for ((pen, age), weighed) in &cells {
        let cell = data.cells.len();
        data.cells.push(Cell {
            unit: *pen,
            day: days.binary_search(age).unwrap(),
            age_d: f64::from(*age),
        });
        if !weighed.logs.is_empty() {
            let n = weighed.logs.len() as f64;
            let mean_log = weighed.logs.iter().sum::<f64>() / n;
            data.parts.push(Part::Sample {
                cell,
                n,
                mean_log,
                squares: weighed
                    .logs
                    .iter()
                    .map(|log| (log - mean_log).powi(2))
                    .sum(),
            });
        }
        for (n, log_mean, cv) in &weighed.means {
            data.parts.push(Part::Bulk {
                cell,
                n: *n,
                log_mean: *log_mean,
                cv: *cv,
            });
        }
    }
    let at = |key: &(usize, u32)| cells.keys().position(|other| other == key).unwrap();
    for weighings in birds.values() {
        data.parts.push(Part::Bird {
            cells: weighings.iter().map(|(key, _)| at(key)).collect(),
            logs: weighings.iter().map(|(_, value)| *value).collect(),
        });
    }
    data
}

/// Rows of pen, age and logarithm.
fn samples(text: &str) -> SampledData {
    let rows: Vec<Vec<&str>> = text
        .lines()
        .skip(1)
        .map(|row| row.split(',').collect())
        .collect();
    let rows: Vec<[&str; 7]> = rows
        .iter()
        .map(|row| ["sample", row[0], row[1], "", "1", row[2], ""])
        .collect();
    data(&rows)
}

fn fitted(data: &SampledData, slopes: usize) -> SampledModel {
    SampledModel::fit(&log_line(), data, vec![vec![4.5, 0.02]], slopes).unwrap()
}

#[track_caller]
fn close(found: f64, expected: f64, relative: f64) {
    assert!(
        (found - expected).abs() <= relative * expected.abs(),
        "{found} against {expected}"
    );
}

/// Pens, days across pens, and pens' own occasions are crossed: lme4 fits single birds, the model
/// their means and squares. Degrees of freedom are lmerTest's Satterthwaite.
#[test]
fn pens_days_and_occasions_are_those_of_lme4() {
    let model = fitted(&samples(include_str!("sampled/crossed.csv")), 0);
    close(model.restricted, 528.249_154_438, 1e-9);
    close(model.components.occasions.sqrt(), 0.017_689_256_171, 1e-3);
    close(model.components.days.sqrt(), 0.020_513_068_130, 1e-3);
    close(model.components.units.sqrt(), 0.022_821_359_048, 1e-3);
    close(model.sd(0, 63.0).unwrap(), 0.087_134_979_154, 1e-4);
    for (term, value, error, df) in [
        (0, 4.611_498_486, 0.021_597_947_750, 8.448_826),
        (1, 0.024_215_025_81, 0.000_269_144_921, 5.998_179),
    ] {
        let found = model.term(0, term);
        close(found.value, value, 1e-6);
        close(found.std_error, error, 1e-3);
        close(found.df, df, 0.02);
    }
}

/// SD between birds exponential in age, by nlme's `varExp`.
#[test]
fn a_spread_that_changes_with_age_is_that_of_nlme() {
    let data = samples(include_str!("sampled/spread.csv"));
    // nlme has no crossed days: a separate day for each cell takes them out.
    let mut alone = data.clone();
    for (at, cell) in alone.cells.iter_mut().enumerate() {
        cell.day = at;
    }
    let model = fitted(&alone, 1);
    close(model.restricted, 486.285_401_401, 1e-9);
    close(model.sd(0, 14.0).unwrap(), 0.126_366_494, 1e-4);
    close(model.sd(0, 112.0).unwrap(), 0.072_338_213, 1e-4);
    close(model.components.units.sqrt(), 0.029_651_313, 1e-3);
    close(model.components.occasions.sqrt(), 0.009_475_997, 3e-3);
    for (term, value, error) in [
        (0, 4.624_128_073, 0.017_205_322),
        (1, 0.023_827_585_17, 0.000_137_916_918),
    ] {
        let found = model.term(0, term);
        close(found.value, value, 1e-6);
        close(found.std_error, error, 1e-3);
    }
}

/// Samples, birds weighed together with and without a known CV, and ringed birds in one flock:
/// the same likelihood with one dense covariance matrix, maximised by R's `optim`.
#[test]
fn three_kinds_enter_one_likelihood() {
    let text = include_str!("sampled/kinds.csv");
    let rows: Vec<[&str; 7]> = text
        .lines()
        .skip(1)
        .map(|row| row.split(',').collect::<Vec<_>>().try_into().unwrap())
        .collect();
    let mut data = data(&rows);
    for (at, cell) in data.cells.iter_mut().enumerate() {
        cell.day = at;
    }
    let model = fitted(&data, 1);
    close(model.restricted, 382.639_186_1, 1e-8);
    close(model.sd(0, 14.0).unwrap(), 0.090_394_027_79, 1e-3);
    close(model.sd(0, 112.0).unwrap(), 0.111_408_803_4, 1e-3);
    close(model.components.units.sqrt(), 0.051_843_051_6, 1e-3);
    close(model.components.occasions.sqrt(), 0.007_294_653_993, 2e-2);
    let (passing, lasting_d) = model.within_birds().unwrap();
    close(passing, 0.179_658_604, 1e-2);
    close(lasting_d, 127.988_509_5, 2e-2);
    for (term, value, error) in [
        (0, 4.608_303_872, 0.027_859_891),
        (1, 0.023_888_946_09, 0.000_148_679_504_5),
    ] {
        let found = model.term(0, term);
        close(found.value, value, 1e-5);
        close(found.std_error, error, 2e-3);
    }
}

/// Crates without a spread: means alone do not show how birds differ.
#[test]
fn means_alone_have_no_spread() {
    let mut data = samples(include_str!("sampled/crossed.csv"));
    for part in &mut data.parts {
        if let Part::Sample {
            cell, n, mean_log, ..
        } = *part
        {
            *part = Part::Bulk {
                cell,
                n,
                log_mean: mean_log,
                cv: None,
            };
        }
    }
    let model = fitted(&data, 1);
    assert_eq!(model.sd(0, 50.0), None);
    assert!(model.typical(0, 100.0).std_error > 0.0);
}
