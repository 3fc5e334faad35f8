//! Mixed fits: gompertz, three random effects, 12 weighings a bird; the sizes are in
//! the names. `cargo bench --bench mixed`. `compare_mixed.R` times R's nlme on the
//! same birds (`cargo bench --bench mixed -- --write FILE` writes them).

use divan::Bencher;
use pinfeather::fit::mixed::{
    Covariance, Estimator, MixedFit, MixedModel, MixedOptions, RandomTerm, Subjects,
};
use pinfeather::growth::built_in;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Simulated birds: A 2,000 g (12 percent), k 0.03 (8), ti 55 d (6), residual 25 g.
struct Birds {
    starts: Vec<usize>,
    ages_d: Vec<f64>,
    values: Vec<f64>,
    groups: Vec<usize>,
}

impl Birds {
    fn new(count: usize) -> Self {
        let curve = built_in("gompertz").expect("a built-in curve");
        let mut random = ChaCha8Rng::seed_from_u64(20_251_125);
        let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
        let mut birds = Self {
            starts: vec![0],
            ages_d: Vec::new(),
            values: Vec::new(),
            groups: vec![0; count],
        };
        for _ in 0..count {
            let terms = [
                2000.0 * (1.0 + 0.12 * normal()),
                0.03 * (1.0 + 0.08 * normal()),
                55.0 * (1.0 + 0.06 * normal()),
            ];
            for week in 0..12 {
                let age = 7.0 + 14.0 * f64::from(week);
                birds.ages_d.push(age);
                birds
                    .values
                    .push(curve.value(age, &terms) + 25.0 * normal());
            }
            birds.starts.push(birds.values.len());
        }
        birds
    }

    fn subjects(&self) -> Subjects<'_> {
        Subjects::new(&self.starts, &self.ages_d, &self.values, &self.groups).expect("columns")
    }
}

fn options(estimator: Estimator, covariance: Covariance) -> MixedOptions {
    MixedOptions {
        random: ["A", "k", "ti"].map(RandomTerm::natural).to_vec(),
        estimator,
        covariance,
        ..MixedOptions::default()
    }
}

fn fit(model: &MixedModel<'_>, subjects: &Subjects<'_>) -> MixedFit {
    let outcome = model.fit(subjects);
    outcome.fit().expect("a fit").clone()
}

fn run(bencher: Bencher<'_, '_>, count: usize, estimator: Estimator, covariance: Covariance) {
    let birds = Birds::new(count);
    let curve = built_in("gompertz").expect("a built-in curve");
    let model = MixedModel::new(&*curve, &options(estimator, covariance)).expect("options");
    bencher.bench_local(|| fit(&model, &birds.subjects()));
}

#[divan::bench(args = [50, 500, 5_000, 50_000], sample_count = 5, sample_size = 1)]
fn alternating_diagonal(bencher: Bencher<'_, '_>, birds: usize) {
    run(bencher, birds, Estimator::Alternating, Covariance::Diagonal);
}

#[divan::bench(args = [50, 500, 5_000, 50_000], sample_count = 3, sample_size = 1)]
fn laplace_full(bencher: Bencher<'_, '_>, birds: usize) {
    run(bencher, birds, Estimator::Laplace, Covariance::Full);
}

/// 1,000 refits of 50 birds drawn with replacement, from the fit of all.
#[divan::bench(args = [Estimator::Alternating, Estimator::Laplace], sample_count = 1, sample_size = 1)]
fn bootstrap_1000_of_50(bencher: Bencher<'_, '_>, estimator: Estimator) {
    use rand::Rng;
    use rayon::prelude::*;
    let birds = Birds::new(50);
    let curve = built_in("gompertz").expect("a built-in curve");
    let model =
        MixedModel::new(&*curve, &options(estimator, Covariance::Diagonal)).expect("options");
    let subjects = birds.subjects();
    let all = fit(&model, &subjects);
    bencher.bench_local(|| {
        (0..1000_u64)
            .into_par_iter()
            .map(|replicate| {
                let mut random = ChaCha8Rng::seed_from_u64(replicate);
                let drawn: Vec<usize> = (0..50).map(|_| random.random_range(0..50)).collect();
                let outcome = model.fit_from(&subjects.draw(&drawn), &all);
                outcome.fit().map_or(0.0, |fit| fit.fixed[0].value)
            })
            .sum::<f64>()
    });
}

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    if let Some(at) = arguments.iter().position(|argument| argument == "--write") {
        let birds = Birds::new(500);
        let mut text = String::from("bird,age_d,weight_g\n");
        for bird in 0..birds.groups.len() {
            for row in birds.starts[bird]..birds.starts[bird + 1] {
                text += &format!("{bird},{},{}\n", birds.ages_d[row], birds.values[row]);
            }
        }
        std::fs::write(&arguments[at + 1], text).expect("a writable file");
        return;
    }
    divan::main();
}
