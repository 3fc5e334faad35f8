use super::*;
use crate::growth::built_in;

fn curves() -> Vec<(AllometricCurve, Vec<f64>)> {
    let weight = [1380.0, 0.03, 42.4, 400.0, 0.085, 120.0];
    let of = |bend: Bend, age: Option<f64>, rest: &[f64]| {
        let allometry = Allometry {
            reference_weight_g: 800.0,
            bend,
            reference_age_d: age,
        };
        let curve = AllometricCurve::new(built_in("two-phase-gompertz").unwrap(), allometry);
        let terms = [&weight[..], rest].concat();
        assert_eq!(curve.terms().len(), terms.len());
        (curve, terms)
    };
    vec![
        of(Bend::None, None, &[60.0, 1.4]),
        of(Bend::None, Some(90.0), &[60.0, 1.4, -0.001]),
        of(Bend::Break, None, &[60.0, 1.1, 0.7, 1100.0]),
        of(Bend::Spline(vec![-1.5, 0.0, 0.8]), None, &[60.0, 1.3, 0.4]),
        of(
            Bend::Spline(vec![-1.5, -0.5, 0.2, 0.8]),
            Some(90.0),
            &[60.0, 1.3, 0.4, -0.2, 0.002],
        ),
    ]
}

/// Central differences of step 1e-6 err by 1e-9 or so of the gradient.
#[test]
fn gradients_agree_with_differences() {
    for (curve, terms) in curves() {
        let p = terms.len();
        type What<'a> = dyn Fn(&[f64], &mut [f64]) -> Option<f64> + 'a;
        let check = |what: &What<'_>, words: &str| {
            let mut gradient = vec![0.0; p];
            let Some(value) = what(&terms, &mut gradient) else {
                return;
            };
            for j in 0..p {
                let step = 1e-6 * terms[j].abs().max(1e-3);
                let at = |by: f64| {
                    let mut moved = terms.clone();
                    moved[j] += by;
                    what(&moved, &mut vec![0.0; p]).unwrap()
                };
                let found = (at(step) - at(-step)) / (2.0 * step);
                let scale = gradient[j].abs().max(value.abs() / terms[j].abs().max(1.0));
                assert!(
                    (found - gradient[j]).abs() < 2e-4 * scale,
                    "{words}, term {j}: {found} {gradient:?}"
                );
            }
        };
        for age_d in [10.0, 60.0, 112.0, 168.0] {
            check(&|t, g| Some(curve.value_and_gradient(age_d, t, g)), "value");
            check(&|t, g| Some(curve.slope_and_gradient(age_d, t, g)), "slope");
            let slope = curve.slope_and_gradient(age_d, &terms, &mut vec![0.0; p]);
            let ages = [age_d - 1e-4, age_d + 1e-4].map(|at| curve.value(at, &terms));
            assert!(((ages[1] - ages[0]) / 2e-4 / slope - 1.0).abs() < 1e-6);
        }
        for what in [
            Derived::Mature,
            Derived::AgeAtFraction(0.5),
            Derived::AgeAtValue(40.0),
            Derived::InflectionAge,
            Derived::InflectionRate,
        ] {
            check(&|t, g| curve.derived(what, t, g), &what.name());
        }
    }
}

#[test]
fn landmarks_that_are_absent_are_none() {
    let all = curves();
    let (curve, terms) = &all[1];
    let mut gradient = vec![0.0; terms.len()];
    assert_eq!(curve.derived(Derived::Mature, terms, &mut gradient), None);
    let (curve, terms) = &all[0];
    let mut gradient = vec![0.0; terms.len()];
    let most = curve
        .derived(Derived::Mature, terms, &mut gradient)
        .unwrap();
    let beyond = Derived::AgeAtValue(1.01 * most);
    assert_eq!(curve.derived(beyond, terms, &mut gradient), None);
    assert_eq!(
        curve.derived(Derived::SecondPeakAge, terms, &mut gradient),
        None
    );
    let half = curve.derived(Derived::AgeAtFraction(0.5), terms, &mut gradient);
    let value = curve.value(half.unwrap(), terms);
    assert!((value / most - 0.5).abs() < 1e-9);
}
