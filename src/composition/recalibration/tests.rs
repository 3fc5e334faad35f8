use super::super::equation::tests::equation;
use super::*;

const MINI: [f64; 17] = [
    512., 430., 520., 428., 500., 600., 364., 380., 658., 445., 432., 626., 260., 477., 259., 350.,
    451.,
];
const LARGE: [f64; 17] = [
    494., 395., 516., 434., 476., 557., 413., 442., 650., 433., 417., 656., 267., 478., 178., 423.,
    427.,
];

/// Fat = reading, as `tests/reference/validation/validation.R` has it.
fn identity() -> Equation {
    let mut equation = equation();
    equation.columns.truncate(2);
    equation.coefficients = vec![0.0, 1.0];
    equation.covariance = Some(DMatrix::from_row_slice(2, 2, &[4.0, -0.01, -0.01, 1e-4]));
    equation.provenance.residual_variance = Some(100.0);
    equation.provenance.factors.clear();
    equation.provenance.recalibrations.clear();
    equation
}

fn birds(places: impl Iterator<Item = usize>) -> Vec<Tested> {
    let bird = |place: usize| Tested {
        bird: format!("s{place}"),
        strain: String::new(),
        laboratory: String::new(),
        age_d: None,
        body_weight_g: None,
        observed: LARGE[place],
        predicted: MINI[place],
        std_error: None,
        outside: None,
        design: vec![1.0, MINI[place]],
    };
    places.map(bird).collect()
}

fn near(found: f64, expected: f64) {
    let size = expected.abs().max(1.0);
    assert!((found - expected).abs() < 1e-7 * size, "{found} {expected}");
}

/// Peak flow by two meters (Bland and Altman 1986); R 4.2, `tests/reference/validation`.
#[test]
fn coefficients_and_errors_agree_with_r() {
    let (equation, birds) = (identity(), birds(0..17));
    let full = Problem::of(&birds, &equation, Change::Full).unwrap();
    for (multiple, expected) in [(1.0, R_1), (1e8, R_GREAT)] {
        let new = full.equation(&full.moved(multiple).unwrap());
        let covariance = new.covariance.unwrap();
        near(new.coefficients[0], expected[0]);
        near(new.coefficients[1], expected[1]);
        near(covariance[(0, 0)].sqrt(), expected[2]);
        near(covariance[(1, 1)].sqrt(), expected[3]);
    }
    let intercept = Problem::of(&birds, &equation, Change::Intercept).unwrap();
    let new = intercept.equation(&intercept.moved(0.3).unwrap());
    near(new.coefficients[0], R_INTERCEPT);
    near(new.coefficients[1], 1.0);
}

const R_1: [f64; 4] = [
    0.509_517_957_288_692,
    0.994_408_718_963_883,
    1.956_982_623_932_579,
    0.006_197_687_833_022,
];
const R_GREAT: [f64; 4] = [
    11.481_778_130_918_6,
    0.969_944_067_726_078,
    10.290_136_795_709_7,
    0.022_101_388_537_930_2,
];
const R_INTERCEPT: f64 = -1.770_491_803_278_69;

/// The residual of a bird left out is that of a fit without it.
#[test]
fn birds_left_out_are_left_out() {
    let (equation, all) = (identity(), birds(0..17));
    for change in [Change::Intercept, Change::Full] {
        let problem = Problem::of(&all, &equation, change).unwrap();
        let found = problem.moved(1.0).unwrap().left_out;
        for (left, found) in found.iter().enumerate() {
            let rest = birds((0..17).filter(|place| *place != left));
            let rest = Problem::of(&rest, &equation, change).unwrap();
            let new = rest.equation(&rest.moved(1.0).unwrap());
            near(*found, LARGE[left] - new.value(&[1.0, MINI[left]]));
        }
    }
}

/// With a slope, the two kinds of shrinkage end at the saved equation and at least squares.
#[test]
fn a_slope_ends_at_least_squares() {
    let (equation, birds) = (identity(), birds(0..17));
    let slope = Problem::of(&birds, &equation, Change::Slope).unwrap();
    let new = slope.equation(&slope.moved(1e8).unwrap());
    // R: `lm(large ~ mini)`.
    assert!((new.coefficients[0] - 11.481_781_162_470_1).abs() < 1e-4);
    assert!((new.coefficients[1] - 0.969_944_061_393_396).abs() < 1e-6);
    let kept = slope.equation(&slope.moved(0.0).unwrap());
    assert_eq!(kept.coefficients, equation.coefficients);
    assert!(Problem::of(&birds[..3], &equation, Change::Slope).is_err());
}
