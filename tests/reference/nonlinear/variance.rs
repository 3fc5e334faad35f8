//! Variance models: the reported optimum is a maximum of the full log-likelihood.

use pinfeather::fit::{Estimates, Series, Settings, Variance, Workspace, fit};
use pinfeather::growth::{Curve, Derived, Term, built_in};
use serde_json::Value;

use super::chick;

const VARIANCES: [Variance; 4] = [
    Variance::Constant,
    Variance::Proportional,
    Variance::Power,
    Variance::LogNormal,
];

/// The log-likelihood written out, observation by observation, at any terms.
fn log_likelihood(
    curve: &dyn Curve,
    series: Series<'_>,
    variance: Variance,
    terms: &[f64],
    sigma: f64,
    power: f64,
) -> f64 {
    let normal =
        |r: f64, sd: f64| -0.5 * (r / sd).powi(2) - (sd * std::f64::consts::TAU.sqrt()).ln();
    let one = |(age_d, value): (&f64, &f64)| {
        let mean = curve.value(*age_d, terms);
        match variance {
            Variance::LogNormal => normal((value / mean).ln(), sigma) - value.ln(),
            _ => normal(value - mean, sigma * mean.powf(power)),
        }
    };
    series.ages_d.iter().zip(series.values).map(one).sum()
}

fn ml_sigma(estimates: &Estimates) -> f64 {
    (estimates.rss / estimates.n as f64).sqrt()
}

#[test]
fn gradient_of_the_full_likelihood_vanishes() {
    let (ages_d, values) = &chick::series_by(|row| row.diet.clone())["1"];
    let series = Series { ages_d, values };
    for name in ["logistic", "gompertz"] {
        let curve = built_in(name).unwrap();
        for variance in VARIANCES {
            let settings = Settings {
                variance,
                ..Settings::default()
            };
            let outcome = fit(curve.as_ref(), series, &settings, &mut Workspace::new());
            let Some(estimates) = outcome.estimates() else {
                // Under a power of the mean this diet's gompertz has A near 2e4: allowed to fail, with words.
                assert!(
                    outcome.reason().contains("asymptote"),
                    "{name} {variance:?}: {}",
                    outcome.reason()
                );
                continue;
            };
            let power = if variance == Variance::Constant {
                0.0
            } else {
                estimates.variance_power
            };
            let sigma = ml_sigma(estimates);
            let at = |terms: &[f64], sigma: f64, power: f64| {
                log_likelihood(curve.as_ref(), series, variance, terms, sigma, power)
            };
            let best = at(&estimates.terms, sigma, power);
            assert!(
                (best - estimates.log_lik).abs() < 1e-8,
                "{name} {variance:?}: {best} {}",
                estimates.log_lik
            );
            // Slope along each term, the others held, in units of the standard error it
            // would then have: central differences are good to some 1e-6 of it.
            let slope = |up: f64, down: f64, step: f64| (up - down) / (2.0 * step);
            let covariance = nalgebra::Matrix3::from_row_slice(&estimates.covariance);
            let information = covariance.try_inverse().unwrap();
            for j in 0..3 {
                let error = information[(j, j)].sqrt().recip();
                let step = 1e-4;
                let moved = |by: f64| {
                    let mut terms = estimates.terms.clone();
                    terms[j] += by * error;
                    at(&terms, sigma, power)
                };
                let found = slope(moved(step), moved(-step), step);
                assert!(
                    found.abs() < 1e-4,
                    "{name} {variance:?}: slope {found} in term {j}"
                );
            }
            if variance == Variance::Power {
                let found = slope(
                    at(&estimates.terms, sigma, power + 1e-5),
                    at(&estimates.terms, sigma, power - 1e-5),
                    1e-5,
                );
                assert!(found.abs() < 5e-3, "{name}: slope {found} in the power");
            }
        }
    }
}

/// A curve and its values in units of a fixed power of given fitted values.
#[derive(Debug)]
struct Weighted<'a> {
    curve: &'a dyn Curve,
    theirs: Vec<f64>,
    power: f64,
}

impl Weighted<'_> {
    fn weight(&self, age_d: f64) -> f64 {
        self.curve.value(age_d, &self.theirs).powf(-self.power)
    }
}

impl Curve for Weighted<'_> {
    fn name(&self) -> &str {
        self.curve.name()
    }
    fn terms(&self) -> &[Term] {
        self.curve.terms()
    }
    fn value_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let weight = self.weight(age_d);
        let value = weight * self.curve.value_and_gradient(age_d, terms, gradient);
        gradient.iter_mut().for_each(|slope| *slope *= weight);
        value
    }
    fn slope_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        self.curve.slope_and_gradient(age_d, terms, gradient)
    }
    fn value(&self, age_d: f64, terms: &[f64]) -> f64 {
        self.weight(age_d) * self.curve.value(age_d, terms)
    }
    fn start(&self, _: usize, _: &[f64], _: &[f64], _: &mut [f64]) -> bool {
        false
    }
    fn derived(&self, _: Derived, _: &[f64], _: &mut [f64]) -> Option<f64> {
        None
    }
}

/// nlme's `gnls` reweights without differentiating the weights, so its fixed point is
/// not the maximum. At its weights the loop reaches its terms and standard errors; the
/// full likelihood is higher, at terms that differ much (A 269 against 496 g, power
/// 2.47 against 2.32), since this diet's asymptote hardly shows.
#[test]
fn power_of_the_mean_beside_gnls() {
    let text = include_str!("../chickweight/expected_gnls.json");
    let expected: Value = serde_json::from_str(text).unwrap();
    let r = &expected["fits"]["logistic_varpower"];
    let in_order = |what: &str| {
        ["A", "k", "ti"]
            .map(|term| r[what][term].as_f64().unwrap())
            .to_vec()
    };
    let (theirs, errors) = (in_order("coef"), in_order("se"));
    let power = r["struct"]["varStruct"]["power"].as_f64().unwrap();
    let log_lik = r["logLik"].as_f64().unwrap();
    let (ages_d, values) = &chick::series_by(|row| row.diet.clone())["1"];
    let curve = built_in("logistic").unwrap();
    let series = Series { ages_d, values };

    let weighted = Weighted {
        curve: curve.as_ref(),
        theirs: theirs.clone(),
        power,
    };
    let scaled: Vec<f64> = ages_d
        .iter()
        .zip(values)
        .map(|(age_d, y)| y * weighted.weight(*age_d))
        .collect();
    let from = Settings {
        start: Some(theirs.as_slice().into()),
        ..Settings::default()
    };
    let at_their_weights = Series {
        ages_d,
        values: &scaled,
    };
    let outcome = fit(&weighted, at_their_weights, &from, &mut Workspace::new());
    let estimates = outcome.estimates().unwrap();
    for j in 0..3 {
        // Where gnls stopped its alternation: up to 0.0017 of a standard error away.
        let off = (estimates.terms[j] - theirs[j]).abs() / errors[j];
        assert!(off < 5e-3, "term {j} off by {off} of its SE");
        let error = estimates.standard_error(j).unwrap();
        assert!(
            (error / errors[j] - 1.0).abs() < 5e-3,
            "SE of term {j}: {error} {}",
            errors[j]
        );
    }
    let at_theirs = {
        let sigma = (estimates.rss / 220.0).sqrt();
        log_likelihood(
            curve.as_ref(),
            series,
            Variance::Power,
            &theirs,
            sigma,
            power,
        )
    };
    assert!(
        (at_theirs - log_lik).abs() < 1e-5,
        "{at_theirs} against {log_lik}"
    );

    let settings = Settings {
        variance: Variance::Power,
        ..Settings::default()
    };
    let outcome = fit(curve.as_ref(), series, &settings, &mut Workspace::new());
    let full = outcome.estimates().unwrap();
    assert!(full.log_lik > log_lik, "{} against {log_lik}", full.log_lik);
    assert_eq!(full.parameters, 5);
}

/// A, its standard error, k, ti; and log-likelihood, deviance, sigma (R 4.2.2).
const NLS_WEIGHTED: ([f64; 6], [f64; 3]) = (
    [
        178.924353476762,
        10.7880950363598,
        0.190439877999456,
        0.0192641331734769,
        6.829109780632833,
        0.8976482120353287,
    ],
    [-39.16544572249452, 53.07268855137906, 2.42836681631867],
);

/// Chick 6 with weights 1 / (1 + age), against R's `nls`:
/// `nls(weight ~ A/(1+exp(-k*(Time-ti))), subset(ChickWeight, Chick == 6),
/// weights = 1/(1+Time), control = nls.control(tol = 1e-7))`, with `coef`, standard
/// errors of `summary`, `logLik`, `deviance` and `sigma`.
#[test]
fn values_of_known_variance_agree_with_nls() {
    let (ages_d, values) = &chick::series_by(|row| row.bird.clone())["6"];
    let series = Series { ages_d, values };
    let weights: Box<[f64]> = ages_d.iter().map(|age_d| 1.0 / (1.0 + age_d)).collect();
    let curve = built_in("logistic").unwrap();
    let with = |weights: Box<[f64]>, variance| {
        let settings = Settings {
            weights: Some(weights),
            variance,
            ..Settings::default()
        };
        fit(curve.as_ref(), series, &settings, &mut Workspace::new())
    };
    let outcome = with(weights.clone(), Variance::Constant);
    let found = outcome.estimates().unwrap();
    let expected = NLS_WEIGHTED;
    let terms: Vec<f64> = ["A", "k", "ti"]
        .iter()
        .map(|name| curve.terms().iter().position(|term| term.name == *name))
        .flat_map(|place| {
            let place = place.unwrap();
            [found.terms[place], found.standard_error(place).unwrap()]
        })
        .collect();
    for (found, expected) in terms.iter().zip(expected.0) {
        // R stops at a relative offset of 1e-7.
        assert!((found / expected - 1.0).abs() < 1e-6, "{found} {expected}");
    }
    for (found, expected) in [found.log_lik, found.rss, found.sigma]
        .iter()
        .zip(expected.1)
    {
        assert!((found / expected - 1.0).abs() < 1e-10, "{found} {expected}");
    }
    // Weights of another unit change sigma alone, in every variance model.
    for variance in VARIANCES {
        let tenfold = weights.iter().map(|w| 10.0 * w).collect();
        let (a, b) = (with(weights.clone(), variance), with(tenfold, variance));
        let (Some(a), Some(b)) = (a.estimates(), b.estimates()) else {
            panic!("{variance:?}: {} {}", a.reason(), b.reason());
        };
        assert!((a.log_lik - b.log_lik).abs() < 1e-8, "{variance:?}");
        assert!(
            (a.sigma * 10f64.sqrt() / b.sigma - 1.0).abs() < 1e-7,
            "{variance:?}"
        );
        for j in 0..3 {
            let (one, other) = (a.standard_error(j).unwrap(), b.standard_error(j).unwrap());
            assert!((a.terms[j] - b.terms[j]).abs() < 1e-6 * one, "{variance:?}");
            assert!((one / other - 1.0).abs() < 1e-6, "{variance:?}");
        }
    }
    // A weight for each value, above 0: else no fit, and why.
    let few = with(vec![1.0].into(), Variance::Constant);
    assert!(few.reason().contains("1 weights for"), "{}", few.reason());
    let none = with(vec![0.0; values.len()].into(), Variance::Constant);
    assert!(none.reason().contains("above 0"), "{}", none.reason());
}
