//! A second engine reaches the same optimum: the `levenberg-marquardt` crate, a port of MINPACK.

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::storage::Owned;
use nalgebra::{DMatrix, DVector, Dyn};
use pinfeather::fit::{Series, Settings, Workspace, fit};
use pinfeather::growth::{Curve, built_in};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

struct Problem<'a> {
    curve: &'a dyn Curve,
    series: Series<'a>,
    terms: DVector<f64>,
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
        let one =
            |(age_d, value): (&f64, &f64)| self.curve.value(*age_d, self.terms.as_slice()) - value;
        Some(DVector::from_iterator(
            self.series.values.len(),
            self.series.ages_d.iter().zip(self.series.values).map(one),
        ))
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        let p = self.terms.len();
        let mut rows = DMatrix::zeros(self.series.values.len(), p);
        let mut gradient = vec![0.0; p];
        for (i, age_d) in self.series.ages_d.iter().enumerate() {
            self.curve
                .value_and_gradient(*age_d, self.terms.as_slice(), &mut gradient);
            for (j, slope) in gradient.iter().enumerate() {
                rows[(i, j)] = *slope;
            }
        }
        Some(rows)
    }
}

/// 200 simulated birds of 12 weighings (A 2500 g, k 0.075/d, ti 26 d, each with its
/// spread; 3% errors), gompertz and logistic.
#[test]
fn same_optimum_on_simulated_birds() {
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let standard = Normal::new(0.0, 1.0).unwrap();
    let ages_d: Vec<f64> = (0..12).map(|i| 1.0 + 5.0 * f64::from(i)).collect();
    let mut workspace = Workspace::new();
    for name in ["gompertz", "logistic"] {
        let curve = built_in(name).unwrap();
        for bird in 0..100 {
            let mut normal =
                |mean: f64, share: f64| mean * (1.0 + share * standard.sample(&mut random));
            let truth = [normal(2500.0, 0.12), normal(0.075, 0.1), normal(26.0, 0.08)];
            let values: Vec<f64> = ages_d
                .iter()
                .map(|age_d| normal(curve.value(*age_d, &truth), 0.03))
                .collect();
            let series = Series {
                ages_d: &ages_d,
                values: &values,
            };
            let outcome = fit(curve.as_ref(), series, &Settings::default(), &mut workspace);
            let ours = outcome.estimates().unwrap();
            // From the truth, which our fit did not know.
            let problem = Problem {
                curve: curve.as_ref(),
                series,
                terms: DVector::from_row_slice(&truth),
            };
            let (theirs, report) = LevenbergMarquardt::new().minimize(problem);
            assert!(report.termination.was_successful());
            let rss = 2.0 * report.objective_function;
            assert!(
                (ours.rss / rss - 1.0).abs() < 1e-9,
                "{name} bird {bird}: {} {rss}",
                ours.rss
            );
            for j in 0..3 {
                // Theirs stops on the fall of the sum of squares, at the root of rounding.
                let off = (ours.terms[j] - theirs.terms[j]).abs() / ours.standard_error(j).unwrap();
                assert!(
                    off < 1e-5,
                    "{name} bird {bird}: term {j} off by {off} of its SE"
                );
            }
        }
    }
}
