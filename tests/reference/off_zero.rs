//! Subjects' own curves where a variance is estimated as zero, against whole matrices in R.
//!
//! Values and script: `reference/off_zero/SOURCE.md`.

use pinfeather::fit::mixed::{
    Criterion, GroupedTerms, MixedFit, MixedModel, MixedOptions, RandomTerm, Subjects,
};

use crate::pens::line;
use crate::support::{close, expected, number, reference};

/// Eight birds on lines: first observations, ages, values, groups.
fn birds() -> (Vec<usize>, Vec<f64>, Vec<f64>, Vec<usize>) {
    let (mut starts, mut ages_d, mut values) = (Vec::new(), Vec::new(), Vec::new());
    let (mut groups, mut last) = (Vec::new(), String::new());
    let table = csv::Reader::from_path(reference("pens/line.csv"));
    for record in table.expect("table").records() {
        let record = record.expect("row");
        if !record[2].ends_with("-2") {
            continue;
        }
        if record[2] != last {
            record[2].clone_into(&mut last);
            starts.push(values.len());
            groups.push(usize::from(&record[0] == "b"));
        }
        ages_d.push(record[3].parse().expect("age"));
        values.push(record[4].parse().expect("value"));
    }
    starts.push(values.len());
    (starts, ages_d, values, groups)
}

fn fit(random: &[&str], unsupported: &[&str]) -> (MixedFit, &'static str) {
    let named = |terms: &[&str]| terms.iter().map(|term| RandomTerm::natural(term)).collect();
    let options = MixedOptions {
        grouped: GroupedTerms::All,
        random: named(random),
        unsupported: named(unsupported),
        criterion: Criterion::RestrictedLikelihood,
        ..MixedOptions::default()
    };
    let curve = line();
    let (starts, ages_d, values, groups) = birds();
    let subjects = Subjects::new(&starts, &ages_d, &values, &groups).expect("columns");
    let outcome = MixedModel::new(&curve, &options)
        .expect("options")
        .fit(&subjects);
    let status = outcome.status();
    (*outcome.into_fit().expect("a fit"), status)
}

/// The birds' lines are those of the penalised likelihood; all else is that of the model
/// without the variance, which has converged.
#[test]
fn birds_lines_allow_for_a_variance_that_is_estimated_as_zero() {
    let expected = expected("off_zero/expected.json");
    assert!(number(&expected["sd_over_sigma_reml"][1]) < 1e-6);
    let (plain, _) = fit(&["a"], &[]);
    let (allowing, status) = fit(&["a"], &["b"]);
    assert_eq!(status, "converged");
    for (at, (a, b)) in (0..8).map(|at| (at, (&expected["a"][at], &expected["b"][at]))) {
        // R's optimiser leaves the SDs good to 1e-6 or so.
        let [ours_a, ours_b] = *allowing.subject(at) else {
            panic!("two terms")
        };
        close(&format!("a of bird {at}"), ours_a, number(a), 1e-6);
        close(&format!("b of bird {at}"), ours_b, number(b), 1e-6);
    }
    assert_eq!(plain.fixed, allowing.fixed);
    assert_eq!(plain.random, allowing.random);
    assert_eq!(plain.fixed_covariance, allowing.fixed_covariance);
    assert!((plain.log_lik - allowing.log_lik).abs() < 1e-12);
    // Without the variance a bird's slope is that of its group, for certain but for its error.
    let slope_variance = |fit: &MixedFit, bird| fit.subject_covariance(bird)[3];
    assert!((0..8).all(|bird| slope_variance(&allowing, bird) > slope_variance(&plain, bird)));
    assert_eq!(plain.reliabilities.len(), allowing.reliabilities.len());
}

#[test]
fn a_term_cannot_be_random_and_unsupported() {
    let options = MixedOptions {
        random: vec![RandomTerm::natural("a")],
        unsupported: vec![RandomTerm::natural("a")],
        ..MixedOptions::default()
    };
    let curve = line();
    let error = MixedModel::new(&curve, &options).expect_err("refused");
    assert!(error.to_string().contains("among the random terms too"));
}
