//! The memory of a mixed fit is linear in the birds: as many birds again take as much
//! again, by both methods.

use std::sync::atomic::Ordering;

use pinfeather::fit::mixed::{
    Covariance, Estimator, MixedModel, MixedOptions, RandomTerm, Subjects,
};
use pinfeather::growth::built_in;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::{HELD, MOST_HELD};

/// Ages and values of this number of simulated birds, twelve weighings each.
fn birds(count: usize) -> (Vec<usize>, Vec<f64>, Vec<f64>) {
    let curve = built_in("gompertz").unwrap();
    let mut random = ChaCha8Rng::seed_from_u64(17);
    let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
    let (mut starts, mut ages_d, mut values) = (vec![0], Vec::new(), Vec::new());
    for _ in 0..count {
        let terms = [
            2000.0 * (1.0 + 0.12 * normal()),
            0.03 * (1.0 + 0.08 * normal()),
            55.0 * (1.0 + 0.06 * normal()),
        ];
        for week in 0..12 {
            let age_d = 7.0 + 14.0 * f64::from(week);
            ages_d.push(age_d);
            values.push(curve.value(age_d, &terms) + 25.0 * normal());
        }
        starts.push(values.len());
    }
    (starts, ages_d, values)
}

/// Most bytes that a fit of this number of birds held at once beyond their data.
fn most_bytes(count: usize, estimator: Estimator, covariance: Covariance) -> usize {
    let (starts, ages_d, values) = birds(count);
    let groups = vec![0; count];
    let subjects = Subjects::new(&starts, &ages_d, &values, &groups).unwrap();
    let options = MixedOptions {
        random: ["A", "k", "ti"].map(RandomTerm::natural).to_vec(),
        estimator,
        covariance,
        ..MixedOptions::default()
    };
    let curve = built_in("gompertz").unwrap();
    let model = MixedModel::new(&*curve, &options).unwrap();
    let before = HELD.load(Ordering::Relaxed);
    MOST_HELD.store(before, Ordering::Relaxed);
    let outcome = model.fit(&subjects);
    let most = MOST_HELD.load(Ordering::Relaxed) - before;
    assert_eq!(outcome.status(), "converged", "{:?}", outcome.reasons());
    most
}

pub(crate) fn memory_is_linear_in_the_birds() {
    for (estimator, covariance) in [
        (Estimator::Alternating, Covariance::Diagonal),
        (Estimator::Laplace, Covariance::Full),
    ] {
        // The first fit starts the threads.
        most_bytes(64, estimator, covariance);
        // Whole tasks of 64 birds, so that no half-empty one blurs the line.
        let [few, twice, four] = [640, 1280, 2560].map(|n| most_bytes(n, estimator, covariance));
        let [one, other] = [twice - few, four - twice].map(|bytes| bytes as f64);
        println!("{estimator:?}: {few}, {twice}, {four} bytes for 640, 1280, 2560 birds");
        assert!(
            (other / one / 2.0 - 1.0).abs() < 0.05,
            "{estimator:?}: {one} bytes for the second 640 birds, {other} for the next 1280"
        );
    }
}
