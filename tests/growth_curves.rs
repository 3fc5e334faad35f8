//! What every built-in curve owes: each test walks the list of curves.

use std::sync::Arc;

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::storage::Owned;
use nalgebra::{DMatrix, DVector, Dyn};
use pinfeather::growth::{Curve, Derived, built_in, names};

/// Terms at which a curve is examined: pullets of about 1.5 to 2.5 kg, and the
/// corners of each shape.
fn examined_terms(name: &str) -> Vec<Vec<f64>> {
    match name {
        "gompertz" | "logistic" => vec![
            vec![1800.0, 0.035, 58.0],
            vec![2500.0, 0.075, 26.0],
            vec![90.0, 0.2, -3.0],
        ],
        "richards" => [0.3, 0.7, 1.0 - 1e-9, 1.0, 1.0 + 1e-5, 1.019, 1.03, 2.0, 5.0]
            .iter()
            // With m < 1 the curve leaves zero at ti + ln(1 - m) / k, where its higher derivatives
            // jump: ti = 60 keeps that age away from the weekly ones.
            .map(|m| vec![1800.0, 0.04, 60.0, *m])
            .collect(),
        "bertalanffy" => vec![vec![1900.0, 0.025, -8.0], vec![3000.0, 0.012, -20.0]],
        "monomolecular" => vec![vec![1900.0, 0.015, -2.0], vec![600.0, 0.05, -1.0]],
        "weibull" => vec![
            vec![1800.0, 38.0, 0.014, 1.8],
            vec![1800.0, 38.0, 0.014, 1.0],
            vec![1500.0, 40.0, 0.02, 0.8],
        ],
        "two-phase-gompertz" => vec![
            vec![1200.0, 0.04, 45.0, 500.0, 0.09, 125.0],
            vec![900.0, 0.05, 40.0, 600.0, 0.05, 110.0],
        ],
        "two-phase-logistic" => vec![
            vec![1100.0, 0.044, 58.0, 300.0, 0.09, 132.0],
            vec![900.0, 0.05, 40.0, 600.0, 0.3, 110.0],
        ],
        "anchored-gompertz" | "anchored-logistic" => {
            vec![vec![1800.0, 0.035], vec![2500.0, 0.06]]
        }
        other => panic!("no terms to examine {other} at: add them here"),
    }
}

/// The built-in curve, made for a bird of 38 g at hatch where it needs that.
fn curve_of(name: &str) -> Arc<dyn Curve> {
    let curve = built_in(name).expect("a name of the list");
    if curve.needs_hatch_weight() {
        Arc::from(curve.at_hatch_weight(38.0).expect("38 g is a hatch weight"))
    } else {
        curve
    }
}

/// Every curve with each of its examined terms.
fn each(mut check: impl FnMut(&dyn Curve, &[f64])) {
    let mut seen = 0;
    for name in names() {
        let curve = curve_of(name);
        assert_eq!(curve.name(), name);
        for terms in examined_terms(name) {
            assert_eq!(terms.len(), curve.terms().len(), "{name}");
            check(&*curve, &terms);
            seen += 1;
        }
    }
    assert!(seen >= 10, "the list of curves is empty");
}

/// Derivative of f at x by central differences of fourth order.
fn difference(f: impl Fn(f64) -> f64, x: f64, step: f64) -> f64 {
    (8.0 * (f(x + step) - f(x - step)) - (f(x + 2.0 * step) - f(x - 2.0 * step))) / (12.0 * step)
}

/// Derivative of f in one term, the others held; the step is a share of the term.
fn difference_in_term(f: impl Fn(&[f64]) -> f64, terms: &[f64], j: usize) -> f64 {
    difference(
        |x| {
            let mut moved = terms.to_vec();
            moved[j] = x;
            f(&moved)
        },
        terms[j],
        3e-4 * terms[j].abs().max(0.01),
    )
}

/// Slope alone.
fn slope(curve: &dyn Curve, age_d: f64, terms: &[f64]) -> f64 {
    curve.slope_and_gradient(age_d, terms, &mut vec![0.0; terms.len()])
}

/// A derived quantity alone.
fn derived(curve: &dyn Curve, what: Derived, terms: &[f64]) -> Option<f64> {
    curve.derived(what, terms, &mut vec![0.0; terms.len()])
}

fn weekly() -> Vec<f64> {
    (0..=24u8).map(|w| 7.0 * f64::from(w)).collect()
}

#[track_caller]
fn near(found: f64, expected: f64, tolerance: f64, what: &str) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{what}: {found} against {expected}, off by {:e}",
        found - expected
    );
}

/// Fourth-order differences with a step of 3e-4 of a term leave (3e-4)^4 = 1e-14 of
/// truncation and 1e-16 / 3e-4 of rounding, times the curvature's constants: 1e-9.
const DIFFERENCE_TOLERANCE: f64 = 2e-9;

#[test]
fn gradient_is_the_derivative_of_the_value_in_each_term() {
    each(|curve, terms| {
        let mut gradient = vec![f64::NAN; terms.len()];
        for age_d in weekly().into_iter().skip(1) {
            let value = curve.value_and_gradient(age_d, terms, &mut gradient);
            let plain = curve.value(age_d, terms);
            near(value, plain, 1e-12 * value.abs().max(1.0), curve.name());
            for (j, found) in gradient.iter().enumerate() {
                let expected = difference_in_term(|t| curve.value(age_d, t), terms, j);
                let scale = found.abs() + terms[0] / terms[j].abs().max(0.01);
                let what = format!("{} at {terms:?}, age {age_d}, term {j}", curve.name());
                near(*found, expected, DIFFERENCE_TOLERANCE * scale, &what);
            }
        }
    });
}

#[test]
fn slope_is_the_derivative_of_the_value_in_age_and_has_its_gradient() {
    each(|curve, terms| {
        let mut gradient = vec![f64::NAN; terms.len()];
        for age_d in weekly().into_iter().skip(1) {
            let found = curve.slope_and_gradient(age_d, terms, &mut gradient);
            let what = format!("{} at {terms:?}, age {age_d}", curve.name());
            let expected = difference(|t| curve.value(t, terms), age_d, 0.02);
            near(found, expected, 1e-9 * terms[0], &what);
            for (j, found) in gradient.iter().enumerate() {
                let expected = difference_in_term(|t| slope(curve, age_d, t), terms, j);
                let scale = found.abs() + 0.1 * terms[0] / terms[j].abs().max(0.01);
                near(*found, expected, DIFFERENCE_TOLERANCE * scale, &what);
            }
        }
    });
}

#[test]
fn fill_is_value_and_gradient_at_every_age() {
    each(|curve, terms| {
        let (ages_d, p) = (weekly(), terms.len());
        let mut values = vec![f64::NAN; ages_d.len()];
        let mut jacobian = vec![f64::NAN; ages_d.len() * p];
        curve.fill(&ages_d, terms, &mut values, &mut jacobian);
        let mut gradient = vec![f64::NAN; p];
        for (i, age_d) in ages_d.iter().enumerate() {
            let value = curve.value_and_gradient(*age_d, terms, &mut gradient);
            let name = curve.name();
            assert_eq!(values[i].to_bits(), value.to_bits(), "{name}");
            assert_eq!(jacobian[i * p..(i + 1) * p], gradient[..], "{name}");
        }
    });
}

#[test]
fn extreme_ages_give_numbers() {
    each(|curve, terms| {
        let mut gradient = vec![f64::NAN; terms.len()];
        for age_d in [0.0, 1e-9, 1.0, 1e3, 1e5] {
            let value = curve.value_and_gradient(age_d, terms, &mut gradient);
            assert!(
                value.is_finite() && gradient.iter().all(|g| g.is_finite()),
                "{} at {terms:?}, age {age_d}: {value} {gradient:?}",
                curve.name()
            );
        }
    });
}

const EVERYTHING: [Derived; 13] = [
    Derived::Mature,
    Derived::InflectionAge,
    Derived::InflectionWeight,
    Derived::InflectionRate,
    Derived::AgeAtFraction(0.5),
    Derived::AgeAtFraction(0.95),
    Derived::AgeAtValue(400.0),
    Derived::AgeAtValue(1000.0),
    Derived::SecondPeakAge,
    Derived::SecondPeakRate,
    Derived::ValueAt(126.0),
    Derived::RateAt(126.0),
    Derived::RelativeRateAt(126.0),
];

#[test]
fn gradient_of_each_derived_quantity_is_its_derivative() {
    each(|curve, terms| {
        let mut gradient = vec![f64::NAN; terms.len()];
        for what in EVERYTHING {
            let Some(value) = curve.derived(what, terms, &mut gradient) else {
                continue;
            };
            for (j, found) in gradient.iter().enumerate() {
                let expected =
                    difference_in_term(|t| derived(curve, what, t).unwrap_or(f64::NAN), terms, j);
                let scale = found.abs() + (1.0 + value.abs()) / terms[j].abs().max(0.01);
                let context = format!("{} at {terms:?}: {what:?}, term {j}", curve.name());
                // Ages that come from a root are good to about 1e-12 themselves, which the
                // difference divides by its step.
                near(*found, expected, 5e-9 * scale, &context);
            }
        }
    });
}

#[test]
fn derived_quantities_satisfy_their_definitions() {
    each(|curve, terms| {
        let name = curve.name();
        let of = |what| derived(curve, what, terms);
        let mature = of(Derived::Mature).expect("all have one");
        near(curve.value(1e5, terms), mature, 1e-9 * mature, name);
        for fraction in [0.5, 0.95] {
            let age_d = of(Derived::AgeAtFraction(fraction)).expect("reached");
            let expected = fraction * mature;
            near(curve.value(age_d, terms), expected, 1e-10 * mature, name);
        }
        assert_eq!(of(Derived::AgeAtValue(1.001 * mature)), None, "{name}");
        assert_eq!(of(Derived::AgeAtFraction(1.0)), None, "{name}");
        let value = of(Derived::ValueAt(126.0)).expect("any age");
        let rate = of(Derived::RateAt(126.0)).expect("any age");
        let relative = of(Derived::RelativeRateAt(126.0)).expect("a positive weight");
        near(value, curve.value(126.0, terms), 1e-12 * mature, name);
        near(rate, slope(curve, 126.0, terms), 0.0, name);
        near(relative, rate / value, 1e-15, name);
        let Some(age_d) = of(Derived::InflectionAge) else {
            let d = terms.get(3).copied();
            let without = name == "monomolecular" || (name == "weibull" && d <= Some(1.0));
            assert!(without, "{name} at {terms:?} has no inflection");
            return;
        };
        let weight = of(Derived::InflectionWeight).expect("where its age is");
        let greatest = of(Derived::InflectionRate).expect("where its age is");
        near(weight, curve.value(age_d, terms), 1e-12 * mature, name);
        near(greatest, slope(curve, age_d, terms), 1e-12 * greatest, name);
        // Nowhere on a fine grid is the gain greater.
        for step in 0..4000u16 {
            let elsewhere = slope(curve, 0.1 * f64::from(step), terms);
            assert!(
                elsewhere <= greatest * (1.0 + 1e-12),
                "{name}: {elsewhere} > {greatest}"
            );
        }
    });
}

/// The second engine: MINPACK's Levenberg-Marquardt, as the levenberg-marquardt crate has it.
struct Problem<'a> {
    curve: &'a dyn Curve,
    ages_d: &'a [f64],
    values: &'a [f64],
    terms: DVector<f64>,
}

impl Problem<'_> {
    fn filled(&self) -> (Vec<f64>, Vec<f64>) {
        let n = self.ages_d.len();
        let mut values = vec![0.0; n];
        let mut jacobian = vec![0.0; n * self.terms.len()];
        let terms = self.terms.as_slice();
        self.curve
            .fill(self.ages_d, terms, &mut values, &mut jacobian);
        (values, jacobian)
    }
}

impl LeastSquaresProblem<f64, Dyn, Dyn> for Problem<'_> {
    type ParameterStorage = Owned<f64, Dyn>;
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;

    fn set_params(&mut self, terms: &DVector<f64>) {
        self.terms.copy_from(terms);
    }

    fn params(&self) -> DVector<f64> {
        self.terms.clone()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        let (fitted, _) = self.filled();
        let residuals = fitted.iter().zip(self.values).map(|(f, y)| f - y);
        let finite = fitted.iter().all(|v| v.is_finite());
        finite.then(|| DVector::from_iterator(fitted.len(), residuals))
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        let (_, jacobian) = self.filled();
        let finite = jacobian.iter().all(|v| v.is_finite());
        finite.then(|| DMatrix::from_row_slice(self.ages_d.len(), self.terms.len(), &jacobian))
    }
}

/// Terms and residual sum of squares from one start.
fn optimum(curve: &dyn Curve, ages_d: &[f64], values: &[f64], start: &[f64]) -> (Vec<f64>, f64) {
    let problem = Problem {
        curve,
        ages_d,
        values,
        terms: DVector::from_column_slice(start),
    };
    let engine = LevenbergMarquardt::new().with_patience(200);
    let (problem, report) = engine.minimize(problem);
    let terms = problem.terms.as_slice().to_vec();
    (terms, 2.0 * report.objective_function)
}

/// The best of a curve's first `attempts` starts.
fn best_optimum(
    curve: &dyn Curve,
    ages_d: &[f64],
    values: &[f64],
    attempts: usize,
) -> Option<(Vec<f64>, f64)> {
    let mut terms = vec![f64::NAN; curve.terms().len()];
    (0..attempts)
        .map_while(|attempt| {
            curve
                .start(attempt, ages_d, values, &mut terms)
                .then(|| optimum(curve, ages_d, values, &terms))
        })
        .min_by(|a, b| a.1.total_cmp(&b.1))
}

#[test]
fn start_is_finite_and_in_range_at_every_attempt() {
    each(|curve, terms| {
        let ages_d = weekly();
        let values: Vec<f64> = ages_d.iter().map(|t| curve.value(*t, terms)).collect();
        let mut start = vec![f64::NAN; terms.len()];
        let mut attempts = 0;
        while curve.start(attempts, &ages_d, &values, &mut start) {
            for (value, term) in start.iter().zip(curve.terms()) {
                assert!(
                    value.is_finite() && *value >= term.lower && *value <= term.upper,
                    "{}: {} = {value} at attempt {attempts}",
                    curve.name(),
                    term.name
                );
            }
            attempts += 1;
            assert!(attempts < 100, "{}: starts without end", curve.name());
        }
        assert!(attempts >= 2, "{}: {attempts} starts", curve.name());
    });
}

#[test]
fn start_then_fit_recovers_the_terms_of_exact_data() {
    each(|curve, terms| {
        let ages_d = weekly();
        let values: Vec<f64> = ages_d.iter().map(|t| curve.value(*t, terms)).collect();
        let (found, _) = best_optimum(curve, &ages_d, &values, 4).expect("a start");
        for (term, expected) in found.iter().zip(terms) {
            // Exact data: what is left is rounding in the values, times the condition of the
            // problem (worst for richards, whose m and k trade off).
            let context = format!("{} at {terms:?}: {found:?}", curve.name());
            near(*term, *expected, 2e-6 * expected.abs(), &context);
        }
    });
}
