//! Mixed and marginal models against R's nlme and gnls, and against themselves.
//!
//! Values, versions and scripts: `reference/nlme_examples/SOURCE.md` and
//! `reference/chickweight_mixed/SOURCE.md`.

use std::path::Path;

use pinfeather::fit::Variance;
use pinfeather::fit::mixed::{
    Correlation, Covariance, Estimator, GroupedTerms, MixedFit, MixedModel, MixedOptions,
    MixedOutcome, RandomTerm, Subjects,
};
use pinfeather::growth::built_in;
use pinfeather::growth::{Curve, Derived, Term};
use serde_json::Value;

/// Rows of a table as series: subject, group, age, value by column name.
struct Table {
    names: Vec<String>,
    starts: Vec<usize>,
    ages_d: Vec<f64>,
    values: Vec<f64>,
    groups: Vec<usize>,
}

impl Table {
    fn read(file: &str, subject: &str, group: Option<&str>, age: &str, value: &str) -> Self {
        let path = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("tests/reference")
            .join(file);
        let mut reader = csv::Reader::from_path(&path).expect("reference table");
        let headers = reader.headers().expect("header").clone();
        let column = |name: &str| headers.iter().position(|h| h == name).expect("column");
        let (subject, age, value) = (column(subject), column(age), column(value));
        let group = group.map(column);
        let mut table = Self {
            names: Vec::new(),
            starts: Vec::new(),
            ages_d: Vec::new(),
            values: Vec::new(),
            groups: Vec::new(),
        };
        let mut labels: Vec<String> = Vec::new();
        for record in reader.records() {
            let record = record.expect("row");
            if table.names.last().map(String::as_str) != Some(&record[subject]) {
                table.names.push(record[subject].to_owned());
                table.starts.push(table.values.len());
                let label = group.map_or_else(String::new, |group| record[group].to_owned());
                let at = labels.iter().position(|known| *known == label);
                table.groups.push(at.unwrap_or_else(|| {
                    labels.push(label);
                    labels.len() - 1
                }));
            }
            table.ages_d.push(record[age].parse().expect("age"));
            table.values.push(record[value].parse().expect("value"));
        }
        table.starts.push(table.values.len());
        table
    }

    fn subjects(&self) -> Subjects<'_> {
        Subjects::new(&self.starts, &self.ages_d, &self.values, &self.groups).expect("columns")
    }
}

fn chicks() -> Table {
    let file = "chickweight_mixed/chickweight.csv";
    Table::read(file, "bird", Some("diet"), "age_d", "weight_g")
}

/// Chicks of these groups (0 = diet 1) with at least so many weighings.
fn some_chicks(groups: &[usize], least: usize) -> (Table, Subjects<'static>) {
    let mut table = chicks();
    let keep: Vec<usize> = (0..table.groups.len())
        .filter(|at| {
            groups.contains(&table.groups[*at]) && table.starts[at + 1] - table.starts[*at] >= least
        })
        .collect();
    for group in &mut table.groups {
        // Diets 1 and 3 become groups 0 and 1.
        *group /= 2;
    }
    let subjects = table.subjects().draw(&keep);
    (table, subjects)
}

fn expected(file: &str) -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/reference")
        .join(file);
    serde_json::from_str(&std::fs::read_to_string(path).expect("file")).expect("json")
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn close(what: &str, ours: f64, theirs: f64, relative: f64) {
    let size = theirs.abs().max(1e-300);
    assert!(
        (ours - theirs).abs() <= relative * size,
        "{what}: ours {ours}, expected {theirs}, relative difference {:.2e}",
        (ours - theirs).abs() / size
    );
}

fn fit(curve: &dyn Curve, subjects: &Subjects<'_>, options: &MixedOptions) -> MixedFit {
    let outcome = MixedModel::new(curve, options)
        .expect("options")
        .fit(subjects);
    outcome
        .fit()
        .unwrap_or_else(|| panic!("{:?}", outcome.reasons()))
        .clone()
}

/// Everything that nlme prints, in one comparison.
///
/// Fixed effects to `digits` (the classical method stops when its own tolerance of
/// 1e-7 is met; two starts of it share 6 to 9 digits), SDs to 5 digits (flat
/// directions), the log-likelihood to 1e-3 as required.
fn compare(ours: &MixedFit, theirs: &Value, fixed: &[&str], digits: f64) {
    assert_eq!(theirs["status"], "converged");
    close_log_lik(ours, theirs);
    assert_eq!(ours.n as u64, theirs["n"].as_u64().expect("n"));
    if let Some(df) = theirs["df"].as_u64() {
        assert_eq!(ours.parameters as u64, df);
        close("AIC", ours.aic(), number(&theirs["AIC"]), 1e-6);
        close("BIC", ours.bic(), number(&theirs["BIC"]), 1e-6);
    }
    for (at, name) in fixed.iter().enumerate() {
        close(
            name,
            ours.fixed[at].value,
            number(&theirs["fixed"][name]),
            digits,
        );
        let variance = number(&theirs["fixed_vcov"][at][at]);
        close(
            &format!("SE of {name}"),
            ours.fixed[at].standard_error,
            variance.sqrt(),
            1e-4,
        );
    }
    let sds = theirs["random_sd"].as_object().expect("SDs");
    for (at, (name, sd)) in sds.iter().enumerate() {
        // serde_json sorts names: A, k, ti and Asym, xmid come in this order anyway.
        close(
            &format!("SD of {name}"),
            ours.random[at].standard_deviation,
            number(sd),
            5e-5,
        );
    }
    close("sigma", ours.sigma, number(&theirs["residual_sd"]), 5e-5);
}

fn close_log_lik(ours: &MixedFit, theirs: &Value) {
    let expected = number(&theirs["logLik"]);
    assert!(
        (ours.log_lik - expected).abs() < 1e-3,
        "log-likelihood: ours {}, expected {expected}",
        ours.log_lik
    );
}

fn random(terms: &[&str]) -> Vec<RandomTerm> {
    terms.iter().map(|term| RandomTerm::natural(term)).collect()
}

/// R's SSasymp: Asym + (R0 - Asym) exp(-exp(lrc) t).
#[derive(Debug)]
struct Asymptotic(Vec<Term>);

impl Asymptotic {
    fn new() -> Self {
        let term = |name: &'static str| Term {
            name: name.into(),
            meaning: "".into(),
            unit: "".into(),
            lower: f64::NEG_INFINITY,
            upper: f64::INFINITY,
        };
        Self(vec![term("Asym"), term("R0"), term("lrc")])
    }
}

impl Curve for Asymptotic {
    fn name(&self) -> &str {
        "asymptotic"
    }
    fn terms(&self) -> &[Term] {
        &self.0
    }
    fn value_and_gradient(&self, age: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let decay = (-terms[2].exp() * age).exp();
        gradient[0] = 1.0 - decay;
        gradient[1] = decay;
        gradient[2] = -(terms[1] - terms[0]) * decay * terms[2].exp() * age;
        terms[0] + (terms[1] - terms[0]) * decay
    }
    fn slope_and_gradient(&self, _: f64, _: &[f64], _: &mut [f64]) -> f64 {
        unreachable!("a mixed fit needs no slope")
    }
    fn value(&self, age: f64, terms: &[f64]) -> f64 {
        terms[0] + (terms[1] - terms[0]) * (-terms[2].exp() * age).exp()
    }
    fn start(&self, attempt: usize, _: &[f64], _: &[f64], terms: &mut [f64]) -> bool {
        // The start of nlme's help page.
        terms.copy_from_slice(&[103.0, -8.5, -3.3]);
        attempt == 0
    }
    fn derived(&self, _: Derived, _: &[f64], _: &mut [f64]) -> Option<f64> {
        None
    }
}

#[test]
fn orange_trees_by_the_alternating_method() {
    let table = Table::read(
        "nlme_examples/orange.csv",
        "tree",
        None,
        "age_d",
        "circumference_mm",
    );
    let logistic = built_in("logistic").expect("curve");
    let options = MixedOptions {
        random: random(&["A"]),
        ..MixedOptions::default()
    };
    let ours = fit(&*logistic, &table.subjects(), &options);
    let theirs = &expected("nlme_examples/expected.json")["fits"]["orange_A"];
    compare(&ours, theirs, &["A", "k", "ti"], 1e-6);
    for (at, name) in table.names.iter().enumerate() {
        let mode = number(&theirs["blup"][name]["coef"]["A"]);
        close(
            &format!("A of tree {name}"),
            ours.subject(at)[0],
            mode,
            1e-6,
        );
    }
}

#[test]
fn orange_trees_with_three_independent_effects() {
    // R 4.2.2, nlme 3.1.162, pdDiag(Asym + xmid + scal ~ 1), SSlogis, ML. Here the
    // third effect is on k = 1/scal, so only the likelihood's size can be compared:
    // the linearised models differ by the curvature of 1/scal.
    let table = Table::read(
        "nlme_examples/orange.csv",
        "tree",
        None,
        "age_d",
        "circumference_mm",
    );
    let logistic = built_in("logistic").expect("curve");
    let options = MixedOptions {
        random: random(&["A", "ti", "k"]),
        ..MixedOptions::default()
    };
    let ours = fit(&*logistic, &table.subjects(), &options);
    assert!((ours.log_lik + 131.550431).abs() < 0.02, "{}", ours.log_lik);
    close("A", ours.fixed[0].value, 191.1435864, 1e-3);
}

#[test]
fn loblolly_pines_by_the_alternating_method() {
    let table = Table::read(
        "nlme_examples/loblolly.csv",
        "seed",
        None,
        "age_y",
        "height_ft",
    );
    let curve = Asymptotic::new();
    let options = MixedOptions {
        random: random(&["Asym"]),
        ..MixedOptions::default()
    };
    let ours = fit(&curve, &table.subjects(), &options);
    let theirs = &expected("nlme_examples/expected.json")["fits"]["loblolly_SSasymp"];
    compare(&ours, theirs, &["Asym", "R0", "lrc"], 1e-6);
    for (name, mode) in theirs["blup"].as_object().expect("modes") {
        let at = table
            .names
            .iter()
            .position(|known| known == name)
            .expect("seed");
        let mode = number(&mode["coef"]["Asym"]);
        close(&format!("Asym of {name}"), ours.subject(at)[0], mode, 1e-6);
    }
    let brody = built_in("monomolecular").expect("curve");
    let options = MixedOptions {
        random: random(&["A"]),
        ..MixedOptions::default()
    };
    let ours = fit(&*brody, &table.subjects(), &options);
    let theirs = &expected("nlme_examples/expected.json")["fits"]["loblolly_brody"];
    compare(&ours, theirs, &["A", "k", "t0"], 1e-6);
}

#[test]
fn soybeans_with_spread_that_follows_the_fitted_value() {
    let table = Table::read(
        "nlme_examples/soybean.csv",
        "plot",
        None,
        "time_d",
        "weight_g",
    );
    let logistic = built_in("logistic").expect("curve");
    let mut options = MixedOptions {
        random: random(&["A"]),
        variance: Variance::Power,
        ..MixedOptions::default()
    };
    let ours = fit(&*logistic, &table.subjects(), &options);
    let theirs = &expected("nlme_examples/expected.json")["fits"]["soybean_A_toolkit_varpower"];
    // nlme's own error terms move in the sixth digit between parameterisations
    // (soybean_A_varpower against soybean_A_toolkit_varpower).
    compare(&ours, theirs, &["A", "k", "ti"], 2e-6);
    let power = ours.power.expect("a power").value;
    close("power", power, number(&theirs["varStruct"]["power"]), 2e-6);
    options.random = random(&["A", "ti"]);
    options.variance = Variance::Constant;
    let ours = fit(&*logistic, &table.subjects(), &options);
    let theirs = &expected("nlme_examples/expected.json")["fits"]["soybean_diag"];
    close_log_lik(&ours, theirs);
    close(
        "Asym",
        ours.fixed[0].value,
        number(&theirs["fixed"]["Asym"]),
        1e-5,
    );
    close(
        "xmid",
        ours.fixed[2].value,
        number(&theirs["fixed"]["xmid"]),
        1e-5,
    );
    close(
        "scal",
        1.0 / ours.fixed[1].value,
        number(&theirs["fixed"]["scal"]),
        1e-5,
    );
}

#[test]
fn fifty_chicks_by_the_alternating_method() {
    let table = chicks();
    let logistic = built_in("logistic").expect("curve");
    let options = MixedOptions {
        random: random(&["A", "ti"]),
        ..MixedOptions::default()
    };
    let mut one_group = table.groups.clone();
    one_group.fill(0);
    let subjects = Subjects::new(&table.starts, &table.ages_d, &table.values, &one_group);
    let ours = fit(&*logistic, &subjects.expect("columns"), &options);
    let theirs = expected("chickweight_mixed/expected_all.json");
    close_log_lik(&ours, &theirs);
    close(
        "Asym",
        ours.fixed[0].value,
        number(&theirs["fixed"]["Asym"]),
        1e-6,
    );
    close(
        "scal",
        1.0 / ours.fixed[1].value,
        number(&theirs["fixed"]["scal"]),
        1e-6,
    );
    close(
        "xmid",
        ours.fixed[2].value,
        number(&theirs["fixed"]["xmid"]),
        1e-6,
    );
    for (at, name) in ["Asym", "xmid"].into_iter().enumerate() {
        let sd = ours.random[at].standard_deviation;
        close(name, sd, number(&theirs["random_sd"][name]), 1e-5);
    }
}

#[test]
fn chicks_of_two_diets_by_the_alternating_method() {
    let (_, subjects) = some_chicks(&[0, 2], 8);
    let theirs = expected("chickweight_mixed/expected_mixed.json");
    let logistic = built_in("logistic").expect("curve");
    let cases: [(&str, &[&str], Covariance); 4] = [
        (
            "logistic_A_ti_k_diag",
            &["A", "k", "ti"],
            Covariance::Diagonal,
        ),
        ("logistic_A_ti_diag", &["A", "ti"], Covariance::Diagonal),
        ("logistic_A_ti_full", &["A", "ti"], Covariance::Full),
        ("logistic_A_ti_k_full", &["A", "k", "ti"], Covariance::Full),
    ];
    for (name, terms, covariance) in cases {
        let options = MixedOptions {
            random: random(terms),
            covariance,
            ..MixedOptions::default()
        };
        let ours = fit(&*logistic, &subjects, &options);
        let theirs = &theirs["fits"][name];
        compare(&ours, theirs, &["A", "k", "ti"], 1e-5);
        if covariance == Covariance::Full {
            let last = terms.len() - 1;
            let correlation = number(&theirs["random_corr"][0][last]);
            close(
                "correlation",
                ours.random_correlation(0, last),
                correlation,
                1e-4,
            );
        }
        // The five birds of the file are the first five of the table.
        for at in 0..5 {
            let modes = &theirs["blup"][(at + 1).to_string()]["coef"];
            for (term, name) in ["A", "k", "ti"].into_iter().enumerate() {
                close(name, ours.subject(at)[term], number(&modes[name]), 1e-4);
            }
        }
    }
}

#[test]
fn chicks_with_fixed_effects_of_their_diet() {
    let (_, subjects) = some_chicks(&[0, 2], 8);
    let logistic = built_in("logistic").expect("curve");
    let options = MixedOptions {
        grouped: GroupedTerms::All,
        random: random(&["A", "ti"]),
        ..MixedOptions::default()
    };
    let ours = fit(&*logistic, &subjects, &options);
    let all = expected("chickweight_mixed/expected_mixed.json");
    let theirs = &all["fits"]["logistic_A_ti_diag_diet_effects"];
    close_log_lik(&ours, theirs);
    for (term, name) in ["A", "k", "ti"].into_iter().enumerate() {
        let base = number(&theirs["fixed"][format!("{name}.(Intercept)")]);
        let difference = number(&theirs["fixed"][format!("{name}.diet3")]);
        close(name, ours.fixed[2 * term].value, base, 1e-5);
        close(
            name,
            ours.fixed[2 * term + 1].value,
            base + difference,
            1e-5,
        );
        // SE of the difference, from the covariance of the two.
        let at = |a: usize, b: usize| ours.fixed_covariance[a * 6 + b];
        let (a, b) = (2 * term, 2 * term + 1);
        let variance = at(a, a) + at(b, b) - 2.0 * at(a, b);
        let expected = number(&theirs["fixed_vcov"][b][b]);
        close("SE of a difference", variance.sqrt(), expected.sqrt(), 1e-4);
    }
}

#[test]
fn marginal_models_by_the_alternation_equal_gnls() {
    let (_, subjects) = some_chicks(&[0], 1);
    let theirs = &expected("chickweight_mixed/expected_gnls.json")["fits"];
    let logistic = built_in("logistic").expect("curve");
    let cases = [
        ("logistic_varpower", Variance::Power, Correlation::None),
        ("logistic_corcar1", Variance::Constant, Correlation::Ar1),
    ];
    for (name, variance, correlation) in cases {
        let options = MixedOptions {
            variance,
            correlation,
            ..MixedOptions::default()
        };
        let ours = fit(&*logistic, &subjects, &options);
        let theirs = &theirs[name];
        assert!(
            (ours.log_lik - number(&theirs["logLik"])).abs() < 1e-3,
            "{name} {}",
            ours.log_lik
        );
        for (at, term) in ["A", "k", "ti"].into_iter().enumerate() {
            // gnls' correlated fit converged only with a loose inner tolerance.
            let digits = if correlation == Correlation::Ar1 {
                1e-4
            } else {
                1e-5
            };
            close(
                term,
                ours.fixed[at].value,
                number(&theirs["coef"][term]),
                digits,
            );
        }
        if let Some(power) = ours.power {
            close(
                "power",
                power.value,
                number(&theirs["struct"]["varStruct"]["power"]),
                1e-5,
            );
        }
        if let Some(phi) = ours.ar1 {
            close(
                "phi",
                phi.value,
                number(&theirs["struct"]["corStruct"]["Phi"]),
                1e-5,
            );
        }
    }
}
#[test]
fn zz_debug() {
    let (_, subjects) = some_chicks(&[0, 2], 8);
    let logistic = built_in("logistic").expect("curve");
    let options = MixedOptions { random: random(&["A", "k", "ti"]), ..MixedOptions::default() };
    let ours = fit(&*logistic, &subjects, &options);
    println!("{:?} {:?} {:?} {}", ours.fixed.iter().map(|f| f.value).collect::<Vec<_>>(), ours.random, ours.sigma, ours.log_lik);
    for i in 0..28 { println!("B {i} {:?}", ours.subject(i)); }
    println!("{:?}", ours.certificate);
}
