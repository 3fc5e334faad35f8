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

const EVERYTHING: [Derived; 15] = [
    Derived::Mature,
    Derived::InflectionAge,
    Derived::InflectionWeight,
    Derived::InflectionRate,
    Derived::AgeAtFraction(0.5),
    Derived::AgeAtFraction(0.95),
    Derived::AgeAtValue(400.0),
    Derived::AgeAtValue(1000.0),
    Derived::FirstPeakAge,
    Derived::FirstPeakRate,
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
            if let Some(first_d) = of(Derived::FirstPeakAge) {
                // Two phases: a peak of each, none of the sum.
                assert_eq!(first_d.to_bits(), terms[2].to_bits(), "{name}");
                let rate = of(Derived::FirstPeakRate).expect("where its age is");
                near(rate, slope(curve, first_d, terms), 1e-12 * rate, name);
                assert_eq!(of(Derived::InflectionWeight), None, "{name}");
                assert_eq!(of(Derived::InflectionRate), None, "{name}");
                return;
            }
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

/// Value and derivative in m of a richards (A 1800, k 0.04, ti 60) on both sides of m = 1
/// and of the seam between series and closed form: (m, age, value, derivative), from
/// the defining formula in mpmath 1.3.0 with 60 digits.
#[test]
fn richards_is_smooth_through_m_of_one() {
    #[rustfmt::skip]
    let expected = [
        (0.999, 35.0, 118.3396498642838, 438.7986259936133),
        (0.999, 84.0, 1227.3046908816877, 90.01165560022679),
        (0.999999999, 35.0, 118.7784640827322, 438.83036881654994),
        (0.999999999, 84.0, 1227.3946827684654, 89.97230293374776),
        (1.0, 35.0, 118.77846452156255, 438.83036884733485),
        (1.0, 84.0, 1227.3946828584376, 89.97230289441003),
        (1.000000000000001, 35.0, 118.77846452156305, 438.8303688473349),
        (1.000000000000001, 84.0, 1227.3946828584376, 89.97230289440999),
        (1.000000001, 35.0, 118.77846496039297, 438.8303688781198),
        (1.000000001, 84.0, 1227.3946829484098, 89.97230285507231),
        (1.00001, 35.0, 118.78285282678999, 438.830676601297),
        (1.00001, 84.0, 1227.3955825794997, 89.9719095186749),
        (1.0069, 35.0, 121.80702367388996, 438.99810263530605),
        (1.0069, 84.0, 1228.0145569508065, 89.70158384731918),
        (1.0071, 35.0, 121.89482365097564, 439.00165615811466),
        (1.0071, 84.0, 1228.0324964849792, 89.69375807627769),
        (1.5, 35.0, 323.4184116851257, 365.04966872208234),
        (1.5, 84.0, 1268.012267024165, 73.4636330153561),
        (4.0, 35.0, 860.4431183369287, 126.53438183586714),
        (4.0, 84.0, 1394.9180105341113, 35.68748635725667),
    ];
    let curve = curve_of("richards");
    let mut gradient = [0.0; 4];
    for (m, age_d, value, in_m) in expected {
        let found = curve.value_and_gradient(age_d, &[1800.0, 0.04, 60.0, m], &mut gradient);
        // exp of an argument of size 3 that carries two further roundings.
        near(
            found,
            value,
            4e-15 * value,
            &format!("value at m {m}, age {age_d}"),
        );
        // The closed form of L' loses at most a factor 1 / 0.02 of the last place.
        let what = format!("derivative in m at m {m}, age {age_d}");
        near(gradient[3], in_m, 3e-14 * in_m.abs(), &what);
    }
}

/// Check E14. Algebra of the curves; Tjørve KMC, Tjørve E 2017, PLoS ONE 12(6):e0178691
/// for the gompertz and richards forms.
#[test]
fn identities_of_the_inflection() {
    let e = std::f64::consts::E;
    let (a, k) = (1800.0, 0.04);
    // Curve, terms, mass at the inflection / A, greatest gain / (A k).
    let mut cases = vec![
        ("gompertz", vec![a, k, 58.0], 1.0 / e, 1.0 / e),
        ("anchored-gompertz", vec![a, k], 1.0 / e, 1.0 / e),
        ("logistic", vec![a, k, 58.0], 0.5, 0.25),
        ("anchored-logistic", vec![a, k], 0.5, 0.25),
        ("bertalanffy", vec![a, k, -5.0], 8.0 / 27.0, 4.0 / 9.0),
    ];
    for m in [0.5, 2.0 / 3.0, 1.4, 2.0, 3.0] {
        let (at, gain) = (f64::powf(m, 1.0 / (1.0 - m)), f64::powf(m, m / (1.0 - m)));
        cases.push(("richards", vec![a, k, 58.0, m], at, gain));
    }
    for (name, terms, at, gain) in cases {
        let curve = curve_of(name);
        let of = |what| derived(&*curve, what, &terms).expect("an inflection");
        // The check requires 1e-9; the closed forms give more.
        near(of(Derived::InflectionWeight) / a, at, 1e-14, name);
        near(of(Derived::InflectionRate) / (a * k), gain, 1e-14, name);
    }
}

/// Richards is the logistic at m = 2, the gompertz as m tends to 1 (E14: to 1e-6) and the
/// bertalanffy at m = 2/3, whose k is the same and whose inflection is ln 3 / k after t0.
#[test]
fn richards_contains_the_other_sigmoids() {
    let (richards, gompertz) = (curve_of("richards"), curve_of("gompertz"));
    let (logistic, bertalanffy) = (curve_of("logistic"), curve_of("bertalanffy"));
    let (a, k, ti) = (1800.0, 0.04, 58.0);
    for age_d in weekly() {
        let of = |m: f64| richards.value(age_d, &[a, k, ti, m]) / a;
        near(
            of(2.0),
            logistic.value(age_d, &[a, k, ti]) / a,
            1e-14,
            "m = 2",
        );
        near(
            of(1.0),
            gompertz.value(age_d, &[a, k, ti]) / a,
            1e-15,
            "m = 1",
        );
        let near_one = gompertz.value(age_d, &[a, k, ti]) / a;
        near(of(1.0 + 1e-7), near_one, 1e-6, "m -> 1 from above");
        near(of(1.0 - 1e-7), near_one, 1e-6, "m -> 1 from below");
        let t0 = ti - 3f64.ln() / k;
        if age_d > t0 {
            let cube = bertalanffy.value(age_d, &[a, k, t0]) / a;
            near(of(2.0 / 3.0), cube, 1e-14, "m = 2/3");
        }
    }
}

/// The two forms of one curve give one answer (Duan-yai S et al. 1999, Asian-Aus. J. Anim.
/// Sci. 12:1177-1180).
#[test]
fn an_anchored_curve_passes_the_hatch_weight_and_is_the_free_curve_there() {
    for (free, anchored) in [
        ("gompertz", "anchored-gompertz"),
        ("logistic", "anchored-logistic"),
    ] {
        let prototype = built_in(anchored).expect("in the list");
        for useless in [0.0, -38.0, f64::NAN, f64::INFINITY] {
            assert!(prototype.at_hatch_weight(useless).is_none());
        }
        let mut terms = [0.0; 2];
        let lacks = !prototype.start(0, &[0.0, 7.0, 14.0], &[38.0, 70.0, 120.0], &mut terms);
        assert!(lacks && prototype.needs_hatch_weight(), "{anchored}");
        let (free, anchored) = (curve_of(free), curve_of(anchored));
        assert!(!free.needs_hatch_weight() && free.at_hatch_weight(38.0).is_none());
        let terms = [1800.0, 0.035];
        near(anchored.value(0.0, &terms), 38.0, 1e-12 * 38.0, "at hatch");
        let ti = derived(&*anchored, Derived::InflectionAge, &terms).expect("a sigmoid");
        for age_d in weekly() {
            let same = free.value(age_d, &[1800.0, 0.035, ti]);
            near(
                anchored.value(age_d, &terms),
                same,
                1e-12 * same,
                free.name(),
            );
        }
    }
}

/// In one direction each: what a start must answer for odd weighings.
#[test]
fn starts_of_odd_weighings() {
    let start = |name: &str, ages_d: &[f64], values: &[f64]| {
        let curve = curve_of(name);
        let mut terms = vec![f64::NAN; curve.terms().len()];
        let found = curve.start(0, ages_d, values, &mut terms);
        found.then_some(terms)
    };
    for name in [
        "gompertz",
        "logistic",
        "richards",
        "bertalanffy",
        "monomolecular",
    ] {
        let ages_d = [0.0, 7.0, 14.0, 21.0];
        // Any increasing series with two distinct positive values has a start.
        for values in [
            [0.0, -3.0, 40.0, 60.0],
            [f64::NAN, 40.0, 60.0, f64::INFINITY],
            [40.0, 40.0, 40.0, 41.0],
            [1e-300, 1.0, 2.0, 3.0],
            [40.0, 60.0, 80.0, 1e300],
            [1e-6, 1.0, 1e6, 1e12],
        ] {
            let terms = start(name, &ages_d, &values);
            let finite = terms
                .as_ref()
                .is_some_and(|t| t.iter().all(|x| x.is_finite()));
            assert!(finite, "{name} on {values:?}: {terms:?}");
        }
        // Nothing that grows: no start.
        for values in [[40.0; 4], [60.0, 50.0, 40.0, 30.0], [0.0; 4], [f64::NAN; 4]] {
            assert_eq!(start(name, &ages_d, &values), None, "{name} on {values:?}");
        }
        assert_eq!(start(name, &[], &[]), None);
        assert_eq!(
            start(name, &[7.0, 7.0], &[40.0, 50.0]),
            None,
            "{name}, one age"
        );
        assert_eq!(start(name, &[7.0], &[40.0]), None);
    }
    for name in ["weibull", "two-phase-gompertz", "two-phase-logistic"] {
        assert_eq!(start(name, &[], &[]), None);
        assert_eq!(start(name, &[7.0], &[40.0]), None);
        assert_eq!(start(name, &[0.0, 7.0], &[f64::NAN; 2]), None);
        assert_eq!(start(name, &[7.0; 9], &[40.0; 9]), None);
    }
}

/// Simulated birds: weighings every week or two up to a share of the age at the inflection.
fn birds(
    curve: &dyn Curve,
    typical: &[f64],
    spread: &[f64],
    ages_d: &[f64],
    noise: f64,
    count: usize,
) -> Vec<(Vec<f64>, Vec<f64>)> {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(20);
    let mut normal = move || -> f64 { StandardNormal.sample(&mut random) };
    (0..count)
        .map(|_| {
            let terms: Vec<f64> = typical
                .iter()
                .zip(spread)
                .map(|(term, cv)| term * (1.0 + cv * normal().clamp(-2.5, 2.5)))
                .collect();
            let weighed = |t: &f64| curve.value(*t, &terms) * (1.0 + noise * normal());
            let values = ages_d.iter().map(weighed).collect();
            (terms, values)
        })
        .collect()
}

fn ages_to(last_d: f64, n: u8) -> Vec<f64> {
    (0..n)
        .map(|i| 1.0 + (last_d - 1.0) * f64::from(i) / f64::from(n - 1))
        .collect()
}

/// Whether the first `attempts` starts lead to an optimum as good as any that is
/// known: from the truth and from all of the curve's starts.
fn share_in_basin(
    curve: &dyn Curve,
    birds: &[(Vec<f64>, Vec<f64>)],
    ages_d: &[f64],
    attempts: usize,
) -> f64 {
    let mut good = 0.0;
    for (truth, values) in birds {
        let (_, first) = best_optimum(curve, ages_d, values, attempts).expect("a start");
        let (_, all) = best_optimum(curve, ages_d, values, 50).expect("a start");
        let (_, from_truth) = optimum(curve, ages_d, values, truth);
        if first <= all.min(from_truth) * (1.0 + 1e-6) {
            good += 1.0;
        }
    }
    let mut count = 0.0;
    birds.iter().for_each(|_| count += 1.0);
    good / count
}

/// The first start is in the basin of the optimum, also where the weighings end before
/// the inflection.
#[test]
fn first_start_of_a_sigmoid_leads_to_the_optimum() {
    let cases: [(&str, &[f64], &[f64], f64); 4] = [
        (
            "gompertz",
            &[2500.0, 0.075, 26.0],
            &[0.12, 0.10, 0.08],
            26.0,
        ),
        ("logistic", &[2000.0, 0.1, 40.0], &[0.12, 0.10, 0.08], 40.0),
        (
            "bertalanffy",
            &[2500.0, 0.05, -8.0],
            &[0.12, 0.10, 0.08],
            14.0,
        ),
        (
            "monomolecular",
            &[2500.0, 0.03, -1.0],
            &[0.12, 0.10, 0.08],
            40.0,
        ),
    ];
    for (name, typical, spread, ti) in cases {
        let curve = curve_of(name);
        for reach in [2.2, 1.15, 0.9] {
            let ages_d = ages_to(reach * ti, 12);
            let birds = birds(&*curve, typical, spread, &ages_d, 0.03, 200);
            let share = share_in_basin(&*curve, &birds, &ages_d, 1);
            // Measured: all of them; one bird in a hundred is left for another processor's rounding
            // on a flat optimum.
            assert!(share > 0.99, "{name} to {reach} ti: {share}");
        }
    }
}

#[test]
fn few_starts_of_the_richer_curves_lead_to_the_optimum() {
    /// Curve, typical terms, their CVs, last age, weighings.
    type Case = (&'static str, &'static [f64], &'static [f64], f64, u8);
    let cases: [Case; 5] = [
        (
            "richards",
            &[2500.0, 0.075, 30.0, 1.7],
            &[0.12, 0.10, 0.08, 0.15],
            66.0,
            12,
        ),
        (
            "weibull",
            &[1800.0, 38.0, 0.016, 1.7],
            &[0.12, 0.1, 0.1, 0.1],
            168.0,
            25,
        ),
        (
            "two-phase-gompertz",
            &[1200.0, 0.045, 40.0, 500.0, 0.09, 125.0],
            &[0.1, 0.1, 0.08, 0.1, 0.1, 0.03],
            182.0,
            27,
        ),
        (
            "two-phase-logistic",
            &[1100.0, 0.05, 50.0, 400.0, 0.1, 130.0],
            &[0.1, 0.1, 0.08, 0.1, 0.1, 0.03],
            182.0,
            27,
        ),
        (
            "anchored-gompertz",
            &[1800.0, 0.035],
            &[0.12, 0.1],
            168.0,
            25,
        ),
    ];
    for (name, typical, spread, last_d, n) in cases {
        let curve = curve_of(name);
        let ages_d = ages_to(last_d, n);
        let birds = birds(&*curve, typical, spread, &ages_d, 0.02, 100);
        // Measured: 100% but for two-phase-logistic, 99% from one start and 100% from two.
        for (attempts, least) in [(1, 0.97), (3, 0.99)] {
            let share = share_in_basin(&*curve, &birds, &ages_d, attempts);
            assert!(share >= least, "{name}, {attempts} starts: {share}");
        }
    }
}
