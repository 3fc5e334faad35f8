//! `fit --level population` and its tables.

use super::*;

fn number(cell: &str) -> f64 {
    cell.parse()
        .unwrap_or_else(|_| panic!("a number, not {cell:?}"))
}

/// The demo's strains, terms and birds stand where the contract requires.
#[test]
fn the_demo_has_the_rows_of_the_contract() {
    let folder = tempfile::tempdir().expect("a folder");
    let demo = root("data-demo");
    let call = format!(
        "fit {} --curve two-phase-gompertz,gompertz --level population --details --out out",
        demo.display()
    );
    let output = pinfeather(folder.path(), &call);
    let words = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(0));
    assert!(
        words.contains("the typical bird of Alder: mature"),
        "{words}"
    );
    let tables = folder.path().join("out/tables");
    no_nan(&tables);
    let terms = rows(&tables.join("curve_terms.csv"));
    assert!(terms.iter().all(|row| row["level"] == "population"));
    let of = |strain: &str, bird: &str, term: &str| {
        let found = terms.iter().find(|row| {
            row["strain"] == strain
                && row["bird"] == bird
                && row["term"] == term
                && row["curve"] == "two-phase-gompertz"
        });
        found.unwrap_or_else(|| panic!("no row {strain} {bird} {term}"))
    };
    for strain in ["Alder", "Birch", "Cedar"] {
        for term in [
            "A1",
            "k1",
            "ti1",
            "A2",
            "k2",
            "ti2",
            "mature_weight",
            "second_peak_age",
        ] {
            let row = of(strain, "", term);
            assert!(number(&row["std_error"]) > 0.0);
            assert!(number(&row["lower"]) < number(&row["estimate"]));
        }
    }
    for term in ["sd(A1)", "sd(ti2)", "cor(A1,ti1)", "cor(A2,ti2)", "sigma"] {
        let row = of("", "", term);
        assert!(row["estimate"].parse::<f64>().is_ok(), "{term}");
    }
    let birds = rows(&demo.join("birds.csv"));
    let weighed = terms
        .iter()
        .filter(|row| !row["bird"].is_empty() && row["curve"] == "two-phase-gompertz")
        .count();
    let weighings = rows(&demo.join("weighings.csv"));
    let with_weighings = birds
        .iter()
        .filter(|bird| weighings.iter().any(|row| row["bird"] == bird["bird"]))
        .count();
    assert_eq!(weighed, 6 * with_weighings, "a row a bird and term");
    let choice = rows(&tables.join("curve_choice.csv"));
    assert_eq!(
        (&*choice[0]["rank"], &*choice[0]["curve"]),
        ("1", "two-phase-gompertz")
    );
    let curves = rows(&tables.join("curves.csv"));
    assert!(
        curves
            .iter()
            .any(|row| row["strain"] == "Cedar" && row["bird"].is_empty())
    );
    assert!(curves.iter().any(|row| row["bird"] == birds[0]["bird"]));
    let residuals = rows(&tables.join("residuals.csv"));
    for row in residuals.iter().take(50) {
        let sum = number(&row["marginal_fitted"]) + number(&row["marginal_residual"]);
        close("marginal", sum, number(&row["observed"]), 1e-8);
    }
    let effects = rows(&tables.join("random_effects.csv"));
    let ti2 = effects
        .iter()
        .find(|row| row["term"] == "ti2")
        .expect("ti2");
    assert_eq!(ti2["scale"], "log of the excess over ti1");
    let fits = rows(&tables.join("curve_fits.csv"));
    let certificate = fits.iter().find(|row| row["level"] == "population");
    let certificate = certificate.expect("a mixed fit");
    assert!(number(&certificate["gradient"]) < 1e-4);
    assert!(number(&certificate["least_eigenvalue"]) > 0.0);
    let phases = rows(&tables.join("second_phase_birds.csv"));
    assert_eq!(phases.len(), with_weighings);
    let dictionary = rows(&tables.join("dictionary.csv"));
    let source = dictionary
        .iter()
        .find(|row| row["table"] == "second_phase_birds" && row["column"] == "source");
    assert!(source.is_some_and(|row| row["meaning"].contains("at least 0.5")));
}

/// A bird weighed only before the spurt borrows it; one weighed throughout does not.
#[test]
fn a_bird_without_late_weighings_borrows_its_spurt() {
    let folder = tempfile::tempdir().expect("a folder");
    let demo = root("data-demo");
    let strains = rows(&demo.join("birds.csv"));
    let mut text = String::from("bird,strain,date,weight_g,hatch_date\n");
    let first = &strains[0];
    for row in &rows(&demo.join("weighings.csv")) {
        let mut of = strains.iter();
        let bird = of.find(|bird| bird["bird"] == row["bird"]).expect("a bird");
        // The first bird's weighings end at 70 d; its strain's second phase peaks at 120.
        if row["bird"] != first["bird"] || *row["date"] < *"2025-05-12" {
            let (name, date) = (&row["bird"], &row["date"]);
            let (strain, hatched) = (&bird["strain"], &bird["hatch_date"]);
            text += &format!("{name},{strain},{date},{},{hatched}\n", row["weight_g"]);
        }
    }
    std::fs::write(folder.path().join("weights.csv"), text).expect("a file");
    let call = "fit weights.csv --group strain --date date --hatch-date hatch_date --curve two-phase-gompertz --level population --out out";
    let output = pinfeather(folder.path(), call);
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let phases = rows(&folder.path().join("out/tables/second_phase_birds.csv"));
    for row in &phases {
        if row["bird"] == first["bird"] {
            assert_eq!(row["source"], "borrowed", "{row:?}");
        }
    }
    let own = phases.iter().filter(|row| row["source"] == "data").count();
    assert!(own > phases.len() / 2, "{own} of {}", phases.len());
}

/// One phase where there is one, two where there are two; nineteen simulations cannot
/// give a p-value below 0.05, and give it where every simulated difference is less.
#[test]
fn the_second_phase_is_tested_against_simulated_studies() {
    let folder = tempfile::tempdir().expect("a folder");
    let demo = root("data-demo");
    let call = format!(
        "fit {} --curve two-phase-gompertz --level population --second-phase-test 19 --random A1,A2 --out out --threads 2",
        demo.display()
    );
    let output = pinfeather(folder.path(), &call);
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let tests = rows(&folder.path().join("out/tables/second_phase.csv"));
    assert_eq!(tests.len(), 4, "all and three strains");
    assert_eq!(tests[0]["strain"], "all");
    for row in &tests {
        assert!(number(&row["lr_statistic"]) > 50.0, "{row:?}");
        let valid = number(&row["simulations"]);
        close("p", number(&row["p_value"]), 1.0 / (1.0 + valid), 1e-9);
    }
    let again = pinfeather(
        folder.path(),
        &call.replace("--out out --threads 2", "--out again --threads 1"),
    );
    assert_eq!(again.status.code(), Some(0));
    for table in ["second_phase", "curve_terms", "curve_fits"] {
        let read = |out: &str| {
            std::fs::read(folder.path().join(format!("{out}/tables/{table}.csv"))).expect("a table")
        };
        assert_eq!(read("out"), read("again"), "{table}");
    }
    std::fs::write(
        folder.path().join("weights.csv"),
        gompertz_birds(12, 1, 6).csv(),
    )
    .expect("a file");
    let call = "fit weights.csv --curve two-phase-gompertz --level population --second-phase-test 19 --random A1,A2 --out one";
    let output = pinfeather(folder.path(), call);
    assert_eq!(output.status.code(), Some(0));
    let tests = rows(&folder.path().join("one/tables/second_phase.csv"));
    assert_eq!(tests.len(), 1);
    if !tests[0]["p_value"].is_empty() {
        assert!(number(&tests[0]["p_value"]) > 0.05, "{:?}", tests[0]);
    }
}

/// Residuals correlated in age at strain level: the exact maximum of the marginal
/// model, as found by direct search (`reference/chickweight_mixed/SOURCE.md`).
#[test]
fn a_strain_with_correlated_residuals_is_at_the_exact_maximum() {
    let folder = tempfile::tempdir().expect("a folder");
    let reference = root("tests/reference/chickweight_mixed");
    let expected: serde_json::Value = serde_json::from_str(
        &std::fs::read_to_string(reference.join("expected_gnls_direct.json")).expect("file"),
    )
    .expect("json");
    for (name, variance) in [("logistic_corcar1", "constant"), ("logistic_both", "power")] {
        let call = format!(
            "fit {}/chickweight.csv --group diet --curve logistic --level strain --correlation ar1 --variance {variance} --out {name}",
            reference.display()
        );
        let output = pinfeather(folder.path(), &call);
        assert_eq!(
            output.status.code(),
            Some(0),
            "{}",
            String::from_utf8_lossy(&output.stderr)
        );
        let tables = folder.path().join(name).join("tables");
        let theirs = &expected["fits"][name];
        let fits = rows(&tables.join("curve_fits.csv"));
        let row = fits
            .iter()
            .find(|row| row["strain"] == "1")
            .expect("diet 1");
        let log_lik = theirs["logLik"].as_f64().expect("a number");
        assert!((number(&row["log_lik"]) - log_lik).abs() < 1e-6, "{row:?}");
        let terms = rows(&tables.join("curve_terms.csv"));
        for (term, key) in [("A", "A"), ("ti", "ti"), ("ar1", "Phi")] {
            let mut of = terms.iter();
            let row = of
                .find(|row| row["strain"] == "1" && row["term"] == term)
                .expect("a row");
            // The direct search stops at 1e-6 in its terms.
            close(
                term,
                number(&row["estimate"]),
                theirs[key].as_f64().expect("a number"),
                1e-5,
            );
            assert!(number(&row["std_error"]) > 0.0);
        }
    }
}

/// Fixed effects by treatment, as study.toml or the call requests.
#[test]
fn treatments_have_fixed_effects_where_they_are_asked_for() {
    let folder = tempfile::tempdir().expect("a folder");
    let birds = gompertz_birds(24, 2, 9);
    let mut text = String::from("bird,strain,treatment\n");
    for (at, name) in birds.names.iter().enumerate() {
        let strain = ["Ash", "Birch"][birds.groups[at]];
        text += &format!(
            "{name},{strain},{}\n",
            if at % 4 < 2 { "full" } else { "restricted" }
        );
    }
    let write =
        |name: &str, text: &str| std::fs::write(folder.path().join(name), text).expect("a file");
    write("birds.csv", &text);
    write("weighings.csv", &birds.csv());
    let toml = "[tables]\nbirds = \"birds.csv\"\nweighings = \"weighings.csv\"\n";
    write(
        "study.toml",
        &format!("{toml}[fit]\nfixed_effects_by = [\"strain\", \"treatment\"]\n"),
    );
    let call = "fit . --curve gompertz --level population --out out";
    let output = pinfeather(folder.path(), call);
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let terms = rows(&folder.path().join("out/tables/curve_terms.csv"));
    let groups: Vec<&str> = terms
        .iter()
        .filter(|row| row["term"] == "A" && row["bird"].is_empty())
        .map(|row| &*row["strain"])
        .collect();
    assert_eq!(
        groups,
        [
            "Ash / full",
            "Birch / full",
            "Ash / restricted",
            "Birch / restricted"
        ]
    );
    let output = pinfeather(folder.path(), &format!("{call} --fixed-by strain"));
    assert_eq!(output.status.code(), Some(0));
    let terms = rows(&folder.path().join("out/tables/curve_terms.csv"));
    let count = terms
        .iter()
        .filter(|row| row["term"] == "A" && row["bird"].is_empty())
        .count();
    assert_eq!(count, 2);
}

/// Options that do not go together, and the message.
#[test]
fn options_that_do_not_go_together_are_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(
        folder.path().join("weights.csv"),
        gompertz_birds(6, 1, 2).csv(),
    )
    .expect("a file");
    for (options, expected) in [
        (
            "--level strain --random A",
            "expected --level population among the levels",
        ),
        (
            "--level population --nodes 7",
            "expected --estimator quadrature beside it",
        ),
        (
            "--level population --restricted --estimator laplace",
            "only the alternating estimator",
        ),
        (
            "--level population --criterion reml --restricted",
            "cannot be used with",
        ),
        (
            "--level population --random A,w",
            "has none of that name; it has A, k, ti",
        ),
        ("--level population --random A,A", "named twice"),
        (
            "--level population --estimator quadrature --nodes 40",
            "take fewer nodes or fewer random terms",
        ),
        (
            "--level population --fixed-by treatment",
            "found no treatment in the tables",
        ),
        ("--level population --covariance banded", "invalid value"),
    ] {
        let call = format!("fit weights.csv --curve gompertz --out out {options}");
        let output = pinfeather(folder.path(), &call);
        let errors = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{options}: {errors}");
        assert!(errors.contains(expected), "{options}: {errors}");
        assert!(
            !folder.path().join("out").exists(),
            "{options}: nothing is written"
        );
    }
}
