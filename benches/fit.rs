//! Time of one fit of 12 weighings from automatic start, with standard errors and certificate.
//!
//! `cargo bench --bench fit`. The birds are simulated: A 2500 g (12% between birds),
//! k 0.075/d (10%), ti 26 d (8%), errors of 3% of the weight, 12 ages from day 1 to
//! 2.2 times ti (or less, where the name states so); fixed seed.

use std::hint::black_box;

use divan::Bencher;
use divan::counter::ItemsCount;
use pinfeather::fit::{Series, Settings, Workspace, fit};
use pinfeather::growth::built_in;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal, Uniform};

/// So few that a sample fits between two interruptions: read the fastest.
const BIRDS: usize = 100;
const AGES: usize = 12;

fn main() {
    if let Ok(path) = std::env::var("BIRDS_CSV") {
        compare(&path);
    } else {
        divan::main();
    }
}

/// Writes the birds of the first benchmark for `compare_fit.sh` and prints our own time for them.
fn compare(path: &str) {
    let birds = birds(2.2, 1.0, 1.0);
    let mut table = "bird,age_d,weight_g\n".to_owned();
    for (bird, (ages, weights)) in birds.iter().enumerate() {
        for (age_d, weight_g) in ages.iter().zip(weights) {
            table += &format!("{bird},{age_d},{weight_g}\n");
        }
    }
    std::fs::write(path, table).unwrap();
    for name in ["gompertz", "logistic", "richards"] {
        let curve = built_in(name).unwrap();
        let mut workspace = Workspace::new();
        let mut best = f64::INFINITY;
        let mut failed = 0;
        for _ in 0..20 {
            failed = 0;
            let began = std::time::Instant::now();
            for (ages, weights) in &birds {
                let series = Series {
                    ages_d: ages,
                    values: weights,
                };
                let outcome = fit(curve.as_ref(), series, &Settings::default(), &mut workspace);
                failed += usize::from(outcome.estimates().is_none());
            }
            best = best.min(began.elapsed().as_secs_f64());
        }
        let each = 1e6 * best / birds.len() as f64;
        println!("ours\t{name}\t{}\t{each:.2}\t{failed}", birds.len());
    }
}

/// Ages and weights of the birds, whose last age is `reach` times the mean age at
/// the inflection; shapes m between `least` and `greatest`.
fn birds(reach: f64, least: f64, greatest: f64) -> Vec<([f64; AGES], [f64; AGES])> {
    let mut random = ChaCha8Rng::seed_from_u64(20_240_613);
    let standard = Normal::new(0.0, 1.0).unwrap();
    let shape = Uniform::new_inclusive(least, greatest).unwrap();
    let curve = built_in("richards").unwrap();
    (0..BIRDS)
        .map(|_| {
            let mut normal =
                |mean: f64, share: f64| mean * (1.0 + share * standard.sample(&mut random));
            let terms = [normal(2500.0, 0.12), normal(0.075, 0.1), normal(26.0, 0.08)];
            let terms = [terms[0], terms[1], terms[2], shape.sample(&mut random)];
            let last = 26.0 * reach;
            let ages = std::array::from_fn(|i| 1.0 + (last - 1.0) * i as f64 / (AGES - 1) as f64);
            let weights = ages.map(|age_d| {
                curve.value(age_d, &terms) * (1.0 + 0.03 * standard.sample(&mut random))
            });
            (ages, weights)
        })
        .collect()
}

fn fits(bencher: Bencher<'_, '_>, name: &str, birds: &[([f64; AGES], [f64; AGES])]) {
    let curve = built_in(name).unwrap();
    let settings = Settings::default();
    let mut workspace = Workspace::new();
    bencher
        .counter(ItemsCount::new(birds.len()))
        .bench_local(|| {
            for (ages, weights) in birds {
                let series = Series {
                    ages_d: ages,
                    values: weights,
                };
                black_box(fit(curve.as_ref(), series, &settings, &mut workspace));
            }
        });
}

#[divan::bench(sample_count = 300, sample_size = 1)]
fn gompertz_100_birds_12_ages(bencher: Bencher<'_, '_>) {
    fits(bencher, "gompertz", &birds(2.2, 1.0, 1.0));
}

#[divan::bench(sample_count = 300, sample_size = 1)]
fn richards_100_birds_12_ages(bencher: Bencher<'_, '_>) {
    fits(bencher, "richards", &birds(2.2, 1.1, 2.3));
}

#[divan::bench(sample_count = 300, sample_size = 1)]
fn gompertz_100_birds_to_1_15_ti(bencher: Bencher<'_, '_>) {
    fits(bencher, "gompertz", &birds(1.15, 1.0, 1.0));
}

#[divan::bench(sample_count = 300, sample_size = 1)]
fn richards_100_birds_to_1_15_ti(bencher: Bencher<'_, '_>) {
    fits(bencher, "richards", &birds(1.15, 1.1, 2.3));
}
