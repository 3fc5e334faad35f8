//! Data that cannot carry a mixed model: a reason in words, through the library and
//! the command, whatever the estimator; never a panic, never a NaN.

use super::*;

/// Name, birds, curve, and words of which one must be among the reasons (none needed
/// where the data are sound).
fn cases() -> Vec<(&'static str, Birds, &'static str, &'static [&'static str])> {
    let good = gompertz_birds(12, 1, 1);
    let bird = |from: &Birds, at: usize| -> Vec<(f64, f64)> {
        let range = from.starts[at]..from.starts[at + 1];
        from.ages_d[range.clone()]
            .iter()
            .copied()
            .zip(from.values[range].iter().copied())
            .collect()
    };
    let mut one_weighing = Birds::default();
    for at in 0..10 {
        one_weighing.add(&format!("b{at}"), 0, [bird(&good, at)[at]]);
    }
    let mut identical = Birds::default();
    for at in 0..8 {
        identical.add(&format!("b{at}"), 0, bird(&good, 0));
    }
    let curve = built_in("gompertz").expect("curve");
    let mut exact = Birds::default();
    for at in 0..8 {
        let rows = (0..10).map(|week| {
            let age_d = 7.0 + 14.0 * f64::from(week);
            (age_d, curve.value(age_d, &[1900.0, 0.025, 50.0]))
        });
        exact.add(&format!("b{at}"), 0, rows);
    }
    // Growth that has not begun to slow: no inflection, no asymptote.
    let mut rising = Birds::default();
    let mut normal = normals(2);
    for at in 0..10 {
        let first_g = 40.0 + 2.0 * normal();
        let rows: Vec<(f64, f64)> = (1..9)
            .map(|week| 7.0 * f64::from(week))
            .map(|age_d| (age_d, first_g * (0.05 * age_d).exp() + 2.0 * normal()))
            .collect();
        rising.add(&format!("b{at}"), at % 2, rows);
    }
    let mut constant = Birds::default();
    for at in 0..6 {
        constant.add(
            &format!("b{at}"),
            0,
            (1..8).map(|week| (7.0 * f64::from(week), 500.0)),
        );
    }
    let mut pair = Birds::default();
    for at in 0..12 {
        pair.add(&format!("b{at}"), usize::from(at < 2), bird(&good, at));
    }
    let mut two = Birds::default();
    two.add("b0", 0, bird(&good, 0));
    two.add("b1", 0, bird(&good, 1));
    let mut single = Birds::default();
    single.add("b0", 0, bird(&good, 0));
    let mut sparse = good.clone();
    sparse.add("lone", 0, [(21.0, 300.0)]);
    vec![
        (
            "one weighing a bird",
            one_weighing,
            "gompertz",
            &["one observation"],
        ),
        ("identical birds", identical, "gompertz", &["goes to zero"]),
        (
            "birds exactly on one curve",
            exact,
            "gompertz",
            &["exactly on one curve", "goes to zero", "no likelihood"],
        ),
        (
            "a curve that no strain supports",
            rising,
            "gompertz",
            &[
                "asymptote",
                "inflection",
                "not settle",
                "standard error",
                "rising",
            ],
        ),
        (
            "constant weights",
            constant,
            "gompertz",
            &["start", "exactly", "no likelihood", "no finite value"],
        ),
        ("a strain of two birds", pair, "gompertz", &[]),
        ("two birds", two, "gompertz", &["only 2 subjects"]),
        ("one bird", single, "gompertz", &["one subject only"]),
        ("a bird weighed once among others", sparse, "gompertz", &[]),
        (
            "one strain only",
            good,
            "two-phase-gompertz",
            &["second", "standard error", "goes to zero", "A2", "not"],
        ),
    ]
}

#[test]
fn the_library_gives_a_reason() {
    for (name, birds, curve, words) in cases() {
        let curve = built_in(curve).expect("curve");
        for estimator in [
            Estimator::Alternating,
            Estimator::Laplace,
            Estimator::Quadrature {
                nodes: Nodes::Fixed(3),
            },
        ] {
            let names: &[&str] = if curve.terms().len() > 3 {
                &["A1", "A2"]
            } else {
                &["A", "k", "ti"]
            };
            let options = MixedOptions {
                grouped: GroupedTerms::All,
                random: random(names),
                estimator,
                ..MixedOptions::default()
            };
            let model = MixedModel::new(&*curve, &options).expect("options");
            let outcome = model.fit(&birds.subjects());
            let reasons = outcome.reasons().join("; ");
            println!("{name}, {estimator:?}: {} {reasons}", outcome.status());
            assert!(
                words.is_empty() || words.iter().any(|word| reasons.contains(word)),
                "{name}, {estimator:?}: {} {reasons}",
                outcome.status()
            );
            if let Some(fit) = outcome.fit() {
                let numbers = fit.subject_terms.iter().chain(&fit.group_terms);
                assert!(
                    numbers.clone().all(|x| x.is_finite()),
                    "{name}, {estimator:?}"
                );
                assert!(fit.log_lik.is_finite() && fit.sigma.is_finite(), "{name}");
            }
        }
    }
}

#[test]
fn the_command_gives_a_reason_and_no_nan() {
    for (name, birds, curve, _) in cases() {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::write(folder.path().join("weights.csv"), birds.csv()).expect("a file");
        for more in [
            "",
            " --estimator laplace --covariance full",
            " --restricted",
            " --correlation ar1",
        ] {
            let call = format!(
                "fit weights.csv --group strain --curve {curve} --level population,strain --out out{more}"
            );
            let output = pinfeather(folder.path(), &call);
            let errors = String::from_utf8_lossy(&output.stderr).into_owned();
            assert_eq!(output.status.code(), Some(0), "{name}{more}: {errors}");
            let tables = folder.path().join("out/tables");
            no_nan(&tables);
            let fits = rows(&tables.join("curve_fits.csv"));
            let row = fits
                .iter()
                .find(|row| row["level"] == "population")
                .expect("a row of the population");
            assert!(["converged", "weak", "failed"].contains(&&*row["status"]));
            assert_eq!(
                row["status"] == "converged",
                row["reason"].is_empty(),
                "{name}{more}"
            );
            if row["status"] != "converged" {
                assert!(!row["reason"].is_empty(), "{name}{more}");
            }
        }
    }
}
