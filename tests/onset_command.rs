//! The command `onset` against R, through its tables, and on what it cannot answer.
//!
//! R's values are in `tests/reference/time_to_event/` (`SOURCE.md`: survreg, coxph,
//! survfit, concordance of the survival package).

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

fn pinfeather(folder: &Path, arguments: &str) -> Output {
    Command::new(env!("CARGO_BIN_EXE_pinfeather"))
        .current_dir(folder)
        .args(arguments.split(' '))
        .output()
        .unwrap()
}

fn reference(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/reference/time_to_event")
        .join(name)
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

type Row = HashMap<String, String>;

fn rows(folder: &Path, table: &str) -> Vec<Row> {
    let file = folder.join(format!("results/tables/{table}.csv"));
    let mut reader = csv::Reader::from_path(&file).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

fn number(row: &Row, column: &str) -> f64 {
    row[column]
        .parse()
        .unwrap_or_else(|_| panic!("{column} of {row:?}"))
}

/// Digits in which two numbers agree: the log relative error.
fn digits(found: f64, expected: f64) -> f64 {
    -((found - expected).abs() / expected.abs()).log10()
}

fn run_reference(set: &str, time: &str, status: &str, terms: &str) -> (tempfile::TempDir, Value) {
    let folder = tempfile::tempdir().unwrap();
    let table = format!("{set}.csv");
    std::fs::copy(reference(&table), folder.path().join(&table)).unwrap();
    let call = format!("onset {table} --time {time} --event {status} --cues {terms}");
    let output = pinfeather(folder.path(), &call);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let expected = std::fs::read_to_string(reference("expected.json")).unwrap();
    let expected: Value = serde_json::from_str(&expected).unwrap();
    (folder, expected["fits"][set].clone())
}

const SETS: [(&str, &str, &str, &str); 3] = [
    ("veteran", "time", "status", "karno,age,trt"),
    ("lung", "time", "status", "age,sex,ph.ecog"),
    ("ovarian", "futime", "fustat", "age,rx"),
];

/// Estimates, standard errors, log-likelihoods, AIC and concordance of R's survreg and
/// coxph (Efron's ties), to 6 digits.
#[test]
fn the_models_equal_those_of_r() {
    for (set, time, status, cues) in SETS {
        let (folder, expected) = run_reference(set, time, status, cues);
        let terms = rows(folder.path(), "onset_terms");
        let fits = rows(folder.path(), "onset_fits");
        for (model, key) in [
            ("weibull", "weibull"),
            ("lognormal", "lognormal"),
            ("loglogistic", "loglogistic"),
            ("proportional_hazards", "cox_efron"),
        ] {
            let expected = &expected[key];
            let names = expected["coef"].as_object().unwrap();
            let errors = expected["se"].as_array().unwrap();
            let of = |term: &str| {
                let row = terms
                    .iter()
                    .find(|row| row["model"] == model && row["term"] == term);
                row.unwrap_or_else(|| panic!("{set} {model} {term}"))
            };
            let close = |found: f64, expected: f64, what: &str| {
                let digits = digits(found, expected);
                assert!(digits >= 6.0, "{set} {model} {what}: {found} {expected}");
            };
            let mut order: Vec<&str> = cues.split(',').collect();
            if key != "cox_efron" {
                order.insert(0, "(Intercept)");
                let log_scale = of("log_scale");
                let number_of = |key: &str| expected[key].as_f64().unwrap();
                // The set whose ln sigma is 0.0206 loses two digits to nearness to zero.
                close(
                    number(log_scale, "estimate"),
                    number_of("log_scale"),
                    "log_scale",
                );
                close(
                    number(log_scale, "std_error"),
                    number_of("se_log_scale"),
                    "its se",
                );
            }
            for (k, name) in order.iter().enumerate() {
                let row = of(if *name == "(Intercept)" {
                    "intercept"
                } else {
                    name
                });
                close(
                    number(row, "estimate"),
                    names[*name].as_f64().unwrap(),
                    name,
                );
                close(number(row, "std_error"), errors[k].as_f64().unwrap(), name);
            }
            let fit = fits.iter().find(|row| row["model"] == model).unwrap();
            close(
                number(fit, "log_lik"),
                expected["logLik"].as_f64().unwrap(),
                "log-likelihood",
            );
            if let Some(aic) = expected["AIC"].as_f64() {
                close(number(fit, "aic"), aic, "AIC");
            }
            close(
                number(fit, "concordance"),
                expected["concordance"].as_f64().unwrap(),
                "concordance",
            );
        }
    }
}

/// R's survfit: share without the event with Greenwood's error, and the median with its
/// limits.
#[test]
fn the_lay_curve_equals_that_of_r() {
    for (set, time, status, cues) in SETS {
        let (folder, expected) = run_reference(set, time, status, cues);
        let curve = rows(folder.path(), "lay_curve");
        let km = &expected["km"];
        let values = |key: &str| -> Vec<f64> {
            let values = km[key].as_array().unwrap().iter();
            values.map(|value| value.as_f64().unwrap()).collect()
        };
        let shares = values("surv_first8");
        let errors = values("greenwood_se_first8");
        for (k, time) in values("time_first8").iter().enumerate() {
            // 1e-9: the tables hold ten digits.
            assert!(
                (number(&curve[k], "age_d") - time).abs() < 1e-9,
                "{set} {k}"
            );
            let share = 1.0 - number(&curve[k], "share_in_lay");
            assert!((share - shares[k]).abs() < 1e-9, "{set} {k}");
            assert!(
                (number(&curve[k], "std_error") - errors[k]).abs() < 1e-9,
                "{set} {k}"
            );
        }
        let ages = rows(folder.path(), "age_in_lay");
        let half = ages.iter().find(|row| row["in_lay_pct"] == "50").unwrap();
        for (column, key) in [
            ("age_d", "median"),
            ("lower", "median_lower"),
            ("upper", "median_upper"),
        ] {
            match km[key].as_f64() {
                Some(expected) => {
                    assert!(
                        (number(half, column) - expected).abs() < 1e-9,
                        "{set} {key}"
                    );
                }
                None => assert_eq!(half[column], "", "{set} {key}"),
            }
        }
    }
}
