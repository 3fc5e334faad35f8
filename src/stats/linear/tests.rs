use super::*;
use crate::stats::Collinearity;

fn named(columns: &[(&str, &[f64])]) -> Vec<(String, Vec<f64>)> {
    let owned = columns.iter();
    owned
        .map(|(name, values)| ((*name).to_owned(), values.to_vec()))
        .collect()
}

#[test]
fn collinear_columns_are_named() {
    let a = [1.0, 2.0, 4.0, 7.0, 1.5];
    let b = [0.3, 1.0, -2.0, 5.0, 0.0];
    let sum: Vec<f64> = a.iter().zip(&b).map(|(a, b)| 2.0 * a - 3.0 * b).collect();
    let columns = named(&[
        ("fat", &a),
        ("lean", &b),
        ("both", &sum),
        ("zero", &[0.0; 5]),
    ]);
    let design = Design::new(columns).unwrap();
    let failure = fit(&design, &[1.0; 5]).unwrap_err();
    let expected = vec![
        Collinearity {
            column: "zero".to_owned(),
            of: vec![],
        },
        Collinearity {
            column: "both".to_owned(),
            of: vec!["fat".to_owned(), "lean".to_owned()],
        },
    ];
    assert_eq!(failure, Failure::Collinear(expected));
    assert!(
        failure
            .to_string()
            .contains("both is already given by fat, lean")
    );
}

#[test]
fn weights_act_as_repeated_rows() {
    let x = [1.0, 2.0, 3.0, 5.0];
    let y = [1.1, 1.9, 3.2, 4.7];
    let design = Design::with_intercept(4, named(&[("x", &x)])).unwrap();
    let weighted = fit_weighted(&design, &y, &[2.0, 1.0, 1.0, 1.0]).unwrap();
    let x5 = [1.0, 1.0, 2.0, 3.0, 5.0];
    let design = Design::with_intercept(5, named(&[("x", &x5)])).unwrap();
    let repeated = fit(&design, &[1.1, 1.1, 1.9, 3.2, 4.7]).unwrap();
    for (a, b) in weighted.coefficients.iter().zip(&repeated.coefficients) {
        assert!((a - b).abs() < 1e-13, "{a} {b}");
    }
    assert!((weighted.rss - repeated.rss).abs() < 1e-14);
}

#[test]
fn bad_input_is_answered() {
    let design = Design::with_intercept(2, named(&[("x", &[1.0, 2.0])])).unwrap();
    let too_few = fit(&design, &[1.0, 2.0]).unwrap_err();
    assert_eq!(too_few.to_string(), "2 rows, at least 3 expected");
    let x = [1.0, 2.0, 3.0];
    let design = Design::with_intercept(3, named(&[("x", &x)])).unwrap();
    assert!(matches!(
        fit(&design, &[1.0; 2]),
        Err(Failure::Lengths { .. })
    ));
    assert!(matches!(
        fit(&design, &[1.0, f64::NAN, 2.0]),
        Err(Failure::Value { row: 1, .. })
    ));
    let weights = [1.0, 0.0, 1.0];
    assert!(fit_weighted(&design, &[1.0, 2.0, 2.5], &weights).is_err());
    let constant = fit(&design, &[2.0; 3]).unwrap();
    assert!(constant.r_squared.is_none() && constant.is_exact() && constant.aicc().is_none());
}

#[test]
fn prediction_of_a_fitted_row_has_the_error_of_its_leverage() {
    let x = [1.0, 2.0, 3.0, 5.0, 8.0];
    let y = [1.1, 1.9, 3.2, 4.7, 8.4];
    let design = Design::with_intercept(5, named(&[("x", &x)])).unwrap();
    let line = fit(&design, &y).unwrap();
    let prediction = line.predict(&[1.0, 8.0]).unwrap();
    let leverage = 0.2 + (8.0f64 - 3.8).powi(2) / 30.8;
    assert!((prediction.value - line.fitted[4]).abs() < 1e-13);
    let expected = line.sigma * leverage.sqrt();
    assert!((prediction.coefficient_standard_error - expected).abs() < 1e-13);
    assert!(line.predict(&[1.0]).is_err());
}
