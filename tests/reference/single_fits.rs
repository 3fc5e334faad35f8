//! Fits of single birds against the best optimum that an independent program found: see
//! `tests/reference/single_birds/SOURCE.md`.

use pinfeather::fit::profile::{self, Quantity};
use pinfeather::fit::{Estimates, Outcome, Series, Settings, Variance, Workspace, fit};
use pinfeather::growth::{Curve, built_in};
use serde::Deserialize;

#[derive(Deserialize)]
struct Bird {
    curve: String,
    variance: String,
    name: String,
    ages_d: Vec<f64>,
    values: Vec<f64>,
    hatch_weight_g: Option<f64>,
    terms: Option<Vec<f64>>,
    power: Option<f64>,
    log_lik: f64,
    end: String,
}

impl Bird {
    fn label(&self) -> String {
        format!("{} {} {}", self.curve, self.variance, self.name)
    }

    fn settings(&self) -> Settings {
        Settings {
            variance: match self.variance.as_str() {
                "constant" => Variance::Constant,
                "proportional" => Variance::Proportional,
                "power" => Variance::Power,
                _ => Variance::LogNormal,
            },
            ..Settings::default()
        }
    }

    fn series(&self) -> Series<'_> {
        Series {
            ages_d: &self.ages_d,
            values: &self.values,
        }
    }

    fn outcome(&self) -> Outcome {
        let curve = built_in(&self.curve).unwrap();
        let anchored = self
            .hatch_weight_g
            .and_then(|weight_g| curve.at_hatch_weight(weight_g));
        let curve: &dyn Curve = anchored.as_deref().unwrap_or(&*curve);
        fit(
            curve,
            self.series(),
            &self.settings(),
            &mut Workspace::new(),
        )
    }
}

fn birds() -> Vec<Bird> {
    serde_json::from_str(include_str!("single_birds/expected.json")).unwrap()
}

/// Log-likelihoods agree to 1e-6: both ends are polished, at an optimum the likelihood is
/// flat, and the reference's own ends from different starts differ by up to 1e-7.
const LOG_LIK: f64 = 1e-6;

#[test]
fn every_bird_ends_at_the_best_optimum_that_is_known() {
    let mut missed = Vec::new();
    for bird in birds().iter().filter(|bird| bird.end == "optimum") {
        let outcome = bird.outcome();
        let Some(estimates) = outcome.estimates() else {
            missed.push(format!("{}: {}", bird.label(), outcome.reason()));
            continue;
        };
        if (estimates.log_lik - bird.log_lik).abs() > LOG_LIK {
            let (found, known) = (estimates.log_lik, bird.log_lik);
            missed.push(format!("{}: {found} for {known}", bird.label()));
        } else if matches!(outcome, Outcome::Converged(_)) {
            agree(bird, estimates);
        }
    }
    assert!(missed.is_empty(), "{}", missed.join("\n"));
}

/// Terms to a hundredth of a standard error: a log-likelihood right to 1e-6 leaves
/// sqrt(2e-6) = 0.0014 of one in each direction; the power, whose standard error is some
/// 0.1 here, to 0.001.
fn agree(bird: &Bird, estimates: &Estimates) {
    let known = bird.terms.as_ref().unwrap();
    for (j, (found, known)) in estimates.terms.iter().zip(known).enumerate() {
        let error = estimates.standard_error(j).unwrap();
        assert!(
            (found - known).abs() < 0.01 * error,
            "{} term {j}: {found} for {known}",
            bird.label()
        );
    }
    if let Some(power) = bird.power {
        let found = estimates.variance_power;
        assert!((found - power).abs() < 1e-3, "{}: {found}", bird.label());
    }
}

#[test]
fn a_step_as_the_best_fit_is_named_with_the_ages_around_it() {
    for bird in birds().iter().filter(|bird| bird.end == "step") {
        let outcome = bird.outcome();
        let reason = outcome.reason();
        assert_ne!(outcome.status(), "converged", "{}", bird.label());
        assert!(
            reason.contains("the best fit has a step of") && reason.contains("between the ages"),
            "{}: {reason}",
            bird.label()
        );
    }
}

/// The least sum of squares with one term held: by fits of the curve of one term less,
/// from many starts, which share no line with the profile.
mod held {
    use super::*;
    use pinfeather::growth::{Derived, Term};

    #[derive(Debug)]
    struct Held<'a> {
        curve: &'a dyn Curve,
        terms: Vec<Term>,
        at: usize,
        value: f64,
    }

    impl Held<'_> {
        fn all(&self, terms: &[f64]) -> Vec<f64> {
            let mut all = terms.to_vec();
            all.insert(self.at, self.value);
            all
        }
    }

    impl Curve for Held<'_> {
        fn name(&self) -> &str {
            "held"
        }
        fn terms(&self) -> &[Term] {
            &self.terms
        }
        fn value_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
            let mut all = vec![0.0; terms.len() + 1];
            let value = self
                .curve
                .value_and_gradient(age_d, &self.all(terms), &mut all);
            all.remove(self.at);
            gradient.copy_from_slice(&all);
            value
        }
        fn slope_and_gradient(&self, _: f64, _: &[f64], _: &mut [f64]) -> f64 {
            unreachable!("a fit uses no slope")
        }
        fn value(&self, age_d: f64, terms: &[f64]) -> f64 {
            self.curve.value(age_d, &self.all(terms))
        }
        fn start(&self, _: usize, _: &[f64], _: &[f64], _: &mut [f64]) -> bool {
            false
        }
        fn derived(&self, _: Derived, _: &[f64], _: &mut [f64]) -> Option<f64> {
            None
        }
    }

    /// Least RSS with a term at a value, from the estimate's terms and from others around.
    pub(super) fn least(
        curve: &dyn Curve,
        bird: &Bird,
        from: &[f64],
        at: usize,
        value: f64,
    ) -> Option<f64> {
        let mut terms = curve.terms().to_vec();
        terms.remove(at);
        let held = Held {
            curve,
            terms,
            at,
            value,
        };
        let mut start = from.to_vec();
        start.remove(at);
        let mut workspace = Workspace::new();
        let scales = [1.0, 0.5, 0.8, 1.25, 2.0];
        let starts = (0..start.len()).flat_map(|j| {
            let start = start.clone();
            scales.map(move |scale| {
                let mut start = start.clone();
                start[j] *= scale;
                start
            })
        });
        let fits = starts.filter_map(|start| {
            let settings = Settings {
                start: Some(start.into()),
                ..bird.settings()
            };
            let outcome = fit(&held, bird.series(), &settings, &mut workspace);
            outcome.estimates().map(|estimates| estimates.rss)
        });
        fits.reduce(f64::min)
    }
}

/// At each limit the criterion is as great as requested, however the constrained minimum is
/// looked for; where the term of another at the end of its range is let go, the limit
/// moves out.
#[test]
fn a_profile_limit_is_where_the_constrained_fit_is_as_bad_as_asked() {
    let mut limits = 0;
    for bird in birds().iter().filter(|bird| {
        bird.variance == "constant" && bird.hatch_weight_g.is_none() && bird.end == "optimum"
    }) {
        let curve = built_in(&bird.curve).unwrap();
        let outcome = bird.outcome();
        let estimates = outcome.estimates().unwrap();
        let df = estimates.df as f64;
        let t =
            pinfeather::fit::interval::SamplingDistribution::of(estimates).pointwise_factor(0.95);
        for term in 0..estimates.terms.len() {
            let quantity = Quantity::Term(term);
            let Some(interval) =
                profile::interval(&*curve, bird.series(), estimates, quantity, 0.95)
            else {
                continue;
            };
            for limit in [interval.lower, interval.upper] {
                if !limit.is_finite() {
                    continue;
                }
                let least = held::least(&*curve, bird, &estimates.terms, term, limit);
                let Some(least) = least else { continue };
                let tau = (df * (least / estimates.rss - 1.0)).max(0.0).sqrt();
                limits += 1;
                // The limit is found to 1e-9 of tau, and its minimum to some 1e-8 of the sum.
                assert!(
                    tau > t - 1e-3,
                    "{} term {term} limit {limit}: {tau} for {t}",
                    bird.label()
                );
            }
        }
    }
    assert!(limits > 30, "{limits}");
}

/// Along a ridge the walk outward ends somewhere: that is no limit.
#[test]
fn an_open_profile_has_no_limit() {
    let birds = birds();
    let bird = birds
        .iter()
        .find(|bird| bird.label() == "richards constant cross 10")
        .unwrap();
    let curve = built_in(&bird.curve).unwrap();
    let outcome = bird.outcome();
    let interval = profile::interval(
        &*curve,
        bird.series(),
        outcome.estimates().unwrap(),
        Quantity::Term(2),
        0.95,
    );
    // ti and A run away together: the best asymptote is none.
    assert!(interval.unwrap().upper.is_infinite(), "{interval:?}");
}
