//! Linear mixed models with known error variances against nlme and a dense likelihood:
//! `known_variances/SOURCE.md`.

use nalgebra::DMatrix;
use pinfeather::stats::linear_mixed::{Likelihood, LinearMixed};

use crate::support::{close, expected, number, numbers, reference};

/// The made-up scans; `known` and `slopes` set what is in the model.
fn model(known: bool, residual: bool, slopes: bool) -> LinearMixed {
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .from_path(reference("known_variances/scans.csv"))
        .unwrap();
    let rows: Vec<(String, usize, [f64; 3])> = reader
        .records()
        .map(|row| {
            let row = row.unwrap();
            let at = |i: usize| row[i].parse::<f64>().unwrap();
            let strain = ["A", "B", "C"].iter().position(|own| *own == &row[1]);
            (row[0].to_owned(), strain.unwrap(), [at(2), at(3), at(4)])
        })
        .collect();
    let mut starts = vec![0];
    for at in 1..=rows.len() {
        if rows.get(at).is_none_or(|row| row.0 != rows[at - 1].0) {
            starts.push(at);
        }
    }
    let n = rows.len();
    LinearMixed {
        starts,
        response: rows.iter().map(|row| row.2[2]).collect(),
        fixed: DMatrix::from_fn(n, 4, |row, column| match column {
            3 => rows[row].2[0],
            strain => f64::from(u8::from(rows[row].1 == strain)),
        }),
        random: DMatrix::from_fn(n, if slopes { 2 } else { 1 }, |row, column| {
            if column == 0 { 1.0 } else { rows[row].2[0] }
        }),
        known_variances: rows
            .iter()
            .map(|row| if known { row.2[1] } else { 0.0 })
            .collect(),
        residual,
    }
}

/// Log-likelihoods to 1e-6, fixed effects and standard errors to a relative 1e-6: nlme
/// iterates to 1e-12 on its own scale, where the fixed effects have moved by the square
/// root of that. Variances are flat there: 1e-4.
#[test]
fn likelihoods_effects_and_errors_are_those_of_nlme_and_of_a_dense_likelihood() {
    let all = expected("known_variances/expected.json");
    for (name, known, residual, slopes) in [
        ("known", true, false, false),
        ("free", false, true, false),
        ("slopes", false, true, true),
        ("sum", true, true, false),
    ] {
        for (method, likelihood) in [("ML", Likelihood::Full), ("REML", Likelihood::Restricted)] {
            let case = format!("{name}_{method}");
            let fit = model(known, residual, slopes).fit(likelihood).unwrap();
            let expected = &all[case.as_str()];
            let log_lik = fit.log_lik;
            println!(
                "{case}: {log_lik} {} rounds, {}",
                fit.iterations,
                log_lik - number(&expected["log_lik"])
            );
            assert!(
                (log_lik - number(&expected["log_lik"])).abs() < 1e-6,
                "{case}: {log_lik} {}",
                expected["log_lik"]
            );
            for (j, (fixed, error)) in numbers(&expected["fixed"])
                .into_iter()
                .zip(numbers(&expected["standard_errors"]))
                .enumerate()
            {
                close(&case, fit.fixed[j], fixed, 1e-6);
                close(&case, fit.covariance[(j, j)].sqrt(), error, 1e-6);
            }
            for (found, expected) in fit.variances().iter().zip(numbers(&expected["variances"])) {
                if expected > 0.0 {
                    close(&case, *found, expected, 1e-4);
                }
            }
        }
    }
}

/// Leaving a value out and fitting the rest at the same variances gives the same error.
#[test]
fn left_out_errors_are_those_of_a_fit_without_the_value() {
    let whole = model(true, true, false);
    let fit = whole.fit(Likelihood::Full).unwrap();
    let errors = fit.left_out(&whole);
    for row in [0, 7, 40] {
        let mut without = whole.clone();
        // A value of huge variance is as good as none.
        without.known_variances[row] = 1e12;
        let other = without
            .at_variances(Likelihood::Full, &fit.variances())
            .unwrap();
        let subject = whole.starts.partition_point(|start| *start <= row) - 1;
        let predicted =
            (whole.fixed.row(row) * &other.fixed)[0] + other.modes(&without, subject)[0];
        let (error, variance) = errors[row].unwrap();
        close("error", error, whole.response[row] - predicted, 1e-6);
        assert!(variance > whole.known_variances[row] + fit.residual_variance);
    }
}

/// Values that birds do not share beyond chance: the variance between birds is removed.
#[test]
fn a_vanished_variance_is_zero_and_no_parameter() {
    let mut model = model(false, true, false);
    // Alternating within each bird, so that birds are more alike than chance has it.
    for block in model.starts.clone().windows(2) {
        for row in block[0]..block[1] {
            let sign = if (row - block[0]) % 2 == 0 { 0.1 } else { -0.1 };
            model.response[row] = 4.0 + model.fixed[(row, 3)] + sign;
        }
    }
    let fit = model.fit(Likelihood::Full).unwrap();
    assert_eq!(fit.random_variances, [0.0]);
    assert_eq!(fit.parameters, 5);
    assert!(fit.variance_errors[1].is_none());
}
