//! The marginal likelihood where its search was lost before: subjects whose modes are far,
//! covariances that go singular, and the number of nodes (`reference/marginal/SOURCE.md`).

use std::path::Path;

use pinfeather::fit::Variance;
use pinfeather::fit::mixed::{
    Covariance, Estimator, GroupedTerms, MixedModel, MixedOptions, MixedOutcome, Nodes, RandomTerm,
    Subjects,
};
use pinfeather::fit::profile::Quantity;
use pinfeather::growth::built_in;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde_json::Value;

const CHOSEN: Estimator = Estimator::Quadrature {
    nodes: Nodes::Converged,
};

#[derive(Default)]
struct Birds {
    starts: Vec<usize>,
    ages_d: Vec<f64>,
    values: Vec<f64>,
    groups: Vec<usize>,
}

impl Birds {
    fn read(file: &str, subject: &str, group: Option<&str>, value: &str) -> Self {
        let path = reference().join(file);
        let mut reader = csv::Reader::from_path(path).expect("reference table");
        let headers = reader.headers().expect("header").clone();
        let column = |name: &str| headers.iter().position(|h| h == name).expect("column");
        let (mut birds, mut last, mut labels) = (Self::default(), None, Vec::new());
        for record in reader.records() {
            let record = record.expect("row");
            let name = record[column(subject)].to_owned();
            if last.as_ref() != Some(&name) {
                last = Some(name);
                birds.starts.push(birds.values.len());
                let label = group.map(|group| record[column(group)].to_owned());
                let known = labels.iter().position(|known| *known == label);
                birds.groups.push(known.unwrap_or(labels.len()));
                if known.is_none() {
                    labels.push(label);
                }
            }
            birds
                .ages_d
                .push(record[column("age_d")].parse().expect("age"));
            birds
                .values
                .push(record[column(value)].parse().expect("value"));
        }
        birds.starts.push(birds.values.len());
        birds
    }

    /// Gompertz birds: A 1,900 g (8 percent), k 0.025 (5), ti 50 d (5); 8 weighings with a
    /// residual of 25 g.
    fn flock(birds: usize, seed: u64) -> Self {
        let curve = built_in("gompertz").expect("curve");
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
        let mut flock = Self {
            starts: vec![0],
            groups: vec![0; birds],
            ..Self::default()
        };
        for _ in 0..birds {
            let terms = [
                1900.0 * (1.0 + 0.08 * normal()),
                0.025 * (1.0 + 0.05 * normal()),
                50.0 * (1.0 + 0.05 * normal()),
            ];
            for at in 0..8 {
                let age_d = 7.0 + 16.0 * f64::from(at);
                flock.ages_d.push(age_d);
                let value = curve.value(age_d, &terms) + 25.0 * normal();
                flock.values.push(value);
            }
            flock.starts.push(flock.values.len());
        }
        flock
    }

    fn fit(&self, curve: &str, options: &MixedOptions) -> MixedOutcome {
        let curve = built_in(curve).expect("curve");
        let subjects = Subjects::new(&self.starts, &self.ages_d, &self.values, &self.groups);
        let model = MixedModel::new(&*curve, options).expect("options");
        model.fit(&subjects.expect("columns"))
    }
}

fn reference() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference")
}

fn chicks() -> Birds {
    let file = "chickweight_mixed/chickweight.csv";
    Birds::read(file, "bird", Some("diet"), "weight_g")
}

/// Chicks of diets 1 and 3 with at least 8 weighings, as one group.
fn known_chicks() -> Birds {
    let (all, mut birds) = (chicks(), Birds::default());
    birds.starts.push(0);
    for (chick, group) in all.groups.iter().enumerate() {
        let range = all.starts[chick]..all.starts[chick + 1];
        if group % 2 == 0 && range.len() >= 8 {
            birds.ages_d.extend_from_slice(&all.ages_d[range.clone()]);
            birds.values.extend_from_slice(&all.values[range]);
            birds.starts.push(birds.values.len());
            birds.groups.push(0);
        }
    }
    birds
}

fn options(random: &[&str], covariance: Covariance, estimator: Estimator) -> MixedOptions {
    MixedOptions {
        random: random
            .iter()
            .map(|term| RandomTerm::natural(term))
            .collect(),
        covariance,
        estimator,
        ..MixedOptions::default()
    }
}

/// lme4's nlmer, whose Laplace approximation takes the same curvature. Its search stops by
/// the deviance: with ti random it ends 2e-5 of log-likelihood below the maximum found here,
/// which leaves its estimates sqrt(2 x 2e-5), some 0.01 standard errors, away.
#[test]
fn laplace_is_that_of_lme4_for_one_random_term() {
    let birds = Birds::read("nlme_examples/orange.csv", "tree", None, "circumference_mm");
    let text = std::fs::read_to_string(reference().join("marginal/expected.json"));
    let all: Value = serde_json::from_str(&text.expect("file")).expect("json");
    for term in ["A", "ti"] {
        let options = options(&[term], Covariance::Diagonal, Estimator::Laplace);
        let outcome = birds.fit("logistic", &options);
        let ours = outcome.fit().expect("a fit");
        let theirs = &all["lme4_orange"][term];
        let number = |name: &str| theirs[name].as_f64().expect("a number");
        assert!(
            (-1e-6..1e-4).contains(&(ours.log_lik - number("log_lik"))),
            "{term}: {} {}",
            ours.log_lik,
            number("log_lik")
        );
        let theirs = [number("A"), 1.0 / number("scal"), number("ti")];
        for (effect, theirs) in ours.fixed.iter().zip(theirs) {
            let off = (effect.value - theirs).abs();
            assert!(off < 0.01 * effect.standard_error, "{effect:?} {theirs}");
        }
        let (effect, theirs) = (ours.random[0], number("sd"));
        let error = effect.standard_error.expect("an error");
        assert!((effect.standard_deviation - theirs).abs() < 0.01 * error);
        assert!((ours.sigma / number("sigma") - 1.0).abs() < 1e-3);
    }
}

/// The likelihood at the quadrature's own estimates by brute force: a sum over a grid, no
/// rule and no derivative (`reference/marginal/integrate.R`).
#[test]
fn quadrature_is_the_integral() {
    let text = std::fs::read_to_string(reference().join("marginal/expected.json"));
    let all: Value = serde_json::from_str(&text.expect("file")).expect("json");
    let ours = known_chicks().fit("logistic", &options(&["A", "ti"], Covariance::Full, CHOSEN));
    let ours = ours.fit().expect("a fit");
    let theirs = all["chicks_A_ti"]["log_lik"].as_f64().expect("number");
    // The rule that chooses the nodes promises 0.001.
    assert!(
        (ours.log_lik - theirs).abs() < 1e-3,
        "{} {theirs}",
        ours.log_lik
    );
}

/// A subject's mode that Gauss-Newton steps reach in hundreds of rounds, or not at all, is
/// no reason to give up: the maximum is there.
#[test]
fn chicks_of_four_diets_have_a_maximum_by_laplace_and_by_quadrature() {
    let birds = chicks();
    for covariance in [Covariance::Diagonal, Covariance::Full] {
        for variance in [Variance::Constant, Variance::Power] {
            // Five nodes: what matters here is that each subject's mode is found.
            let five = Estimator::Quadrature {
                nodes: Nodes::Fixed(5),
            };
            let plain = (covariance, variance) == (Covariance::Diagonal, Variance::Constant);
            let estimators = [Estimator::Laplace, five];
            for estimator in estimators.into_iter().take(1 + usize::from(plain)) {
                let options = MixedOptions {
                    grouped: GroupedTerms::All,
                    variance,
                    ..options(&["A", "k", "ti"], covariance, estimator)
                };
                let outcome = birds.fit("logistic", &options);
                let what = format!("{covariance:?} {variance:?} {estimator:?}");
                let ours = outcome.fit();
                let ours = ours.unwrap_or_else(|| panic!("{what}: {:?}", outcome.reasons()));
                assert!(ours.certificate.gradient < 1e-3, "{what}");
            }
        }
    }
}

/// Every flock of 12 birds has a fit by either estimator, and one whose covariance is
/// singular is marked as weak. (18 of 40 were called converged, 33 of 120 failed.)
#[test]
fn a_singular_covariance_is_weak_by_every_estimator() {
    let mut singular = 0;
    for seed in 0..12 {
        let birds = Birds::flock(12, seed);
        for estimator in [Estimator::Alternating, Estimator::Laplace] {
            let options = options(&["A", "k", "ti"], Covariance::Full, estimator);
            let outcome = birds.fit("gompertz", &options);
            let ours = outcome.fit();
            let ours = ours.unwrap_or_else(|| panic!("{seed}: {:?}", outcome.reasons()));
            let reasons = outcome.reasons().join("; ");
            let named = reasons.contains("singular")
                || reasons.contains("have a correlation of")
                || reasons.contains("goes to zero");
            assert_eq!(named, !ours.vanished.is_empty(), "{seed}: {reasons}");
            if !ours.vanished.is_empty() {
                assert_eq!(outcome.status(), "weak");
                singular += 1;
            }
            let q = 3;
            let correlations = nalgebra::DMatrix::from_fn(q, q, |k, l| {
                let size = |k: usize| ours.random_covariance[k * q + k].sqrt();
                ours.random_covariance[k * q + l] / (size(k) * size(l))
            });
            let least = if correlations.iter().all(|value| value.is_finite()) {
                nalgebra::SymmetricEigen::new(correlations)
                    .eigenvalues
                    .min()
            } else {
                0.0
            };
            assert!(
                outcome.status() != "converged" || least > 1e-3,
                "{seed} {estimator:?}: converged with an eigenvalue of {least}"
            );
        }
    }
    assert!(singular > 0, "the test has such a flock");
}

/// The number of nodes is chosen: more of them change nothing that matters, and the fit
/// states how many it took.
#[test]
fn nodes_are_added_until_more_change_nothing() {
    let birds = known_chicks();
    let of = |estimator: Estimator| {
        let outcome = birds.fit(
            "logistic",
            &options(&["A", "ti"], Covariance::Full, estimator),
        );
        outcome.fit().expect("a fit").clone()
    };
    let ours = of(CHOSEN);
    let Estimator::Quadrature {
        nodes: Nodes::Fixed(taken),
    } = ours.estimator
    else {
        panic!("{:?}", ours.estimator);
    };
    assert!(taken > 1);
    let twice = of(Estimator::Quadrature {
        nodes: Nodes::Fixed(2 * taken + 1),
    });
    // The rule that is stated: 0.001 of log-likelihood, 0.01 standard errors.
    assert!(
        (ours.log_lik - twice.log_lik).abs() < 1e-3,
        "{taken} nodes: {} and {}",
        ours.log_lik,
        twice.log_lik
    );
    for (ours, twice) in ours.fixed.iter().zip(&twice.fixed) {
        assert!((ours.value - twice.value).abs() < 0.01 * ours.standard_error);
    }
}

/// The profiles of all terms of all diets have both ends, which the lost modes left empty.
#[test]
fn every_profile_of_the_chicks_has_its_limits() {
    let birds = chicks();
    let options = MixedOptions {
        grouped: GroupedTerms::All,
        ..options(&["A", "k", "ti"], Covariance::Diagonal, Estimator::Laplace)
    };
    let curve = built_in("logistic").expect("curve");
    let subjects = Subjects::new(&birds.starts, &birds.ages_d, &birds.values, &birds.groups);
    let subjects = subjects.expect("columns");
    let model = MixedModel::new(&*curve, &options).expect("options");
    let outcome = model.fit(&subjects);
    let ours = outcome.fit().expect("a fit");
    let wanted: Vec<(usize, Quantity)> = (0..4)
        .flat_map(|group| (0..3).map(move |term| (group, Quantity::Term(term))))
        .collect();
    let found = model.profile(&subjects, ours, &wanted, 1.96);
    for ((group, quantity), limits) in wanted.into_iter().zip(found.expect("a maximum")) {
        let Quantity::Term(term) = quantity else {
            continue;
        };
        let limits = limits.unwrap_or_else(|| panic!("{group} {term}: no limits"));
        let value = ours.group(group)[term];
        assert!(limits.lower < value && value < limits.upper, "{limits:?}");
        assert!(limits.lower.is_finite() && limits.upper.is_finite());
    }
}
