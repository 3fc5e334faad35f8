//! Forecasts of 10,000 new birds from a saved population: the file read, each bird brought
//! to its mode from its weighings so far, 14 later ages each with its errors, and the mean
//! of all. `cargo bench --bench forecast`.

use divan::Bencher;
use pinfeather::fit::mixed::{
    Covariance, MixedOptions, Population, PopulationNumbers, RandomTerm, Subjects,
};
use pinfeather::growth::built_in;
use pinfeather::trajectory::{BirdPopulation, KnownGroup, Origin};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

const BIRDS: usize = 10_000;

fn main() {
    divan::main();
}

/// A population of 200 birds of two lines, its numbers round.
fn population(curve: &str, terms: &[f64], random: &[&str]) -> BirdPopulation {
    let p = terms.len();
    let typical: Vec<f64> = terms.iter().flat_map(|term| [*term, 1.05 * term]).collect();
    let diagonal = |values: &[f64]| -> Vec<f64> {
        let n = values.len();
        let at = |at: usize| {
            if at / n == at % n {
                values[at / n].powi(2)
            } else {
                0.0
            }
        };
        (0..n * n).map(at).collect()
    };
    let fixed: Vec<f64> = typical.iter().map(|term| 0.01 * term).collect();
    let spreads: Vec<f64> = (0..random.len()).map(|at| 0.08 * terms[at]).collect();
    let options = MixedOptions {
        grouped: pinfeather::fit::mixed::GroupedTerms::All,
        random: random
            .iter()
            .map(|term| RandomTerm::natural(term))
            .collect(),
        ordered: if p > 3 {
            vec![("ti1".to_owned(), "ti2".to_owned())]
        } else {
            Vec::new()
        },
        covariance: Covariance::Full,
        ..MixedOptions::default()
    };
    let numbers = PopulationNumbers {
        groups: 2,
        fixed: typical,
        fixed_covariance: diagonal(&fixed),
        random_covariance: diagonal(&spreads),
        sigma: 25.0,
        power: None,
        ar1: None,
        subjects: 200,
        observations: 2400,
    };
    let curve = built_in(curve).expect("curve");
    let groups = ["Line 1", "Line 2"].map(|name| KnownGroup {
        name: name.to_owned(),
        birds: 100,
        first_age_d: 0.0,
        last_age_d: 168.0,
    });
    BirdPopulation {
        population: Population::new(curve, &options, &numbers).expect("population"),
        groups: groups.to_vec(),
        origin: Origin {
            trait_name: "body_weight".to_owned(),
            unit: "g".to_owned(),
            fixed_by: vec![pinfeather::study::FixedEffectOf::Strain],
            status: "converged".to_owned(),
            reasons: Vec::new(),
            usual_variance_g2: None,
            study: "a benchmark".to_owned(),
            note: String::new(),
            input_digest: String::new(),
            fingerprint: pinfeather::study::Fingerprint::default(),
            saved_by: String::new(),
        },
        first_egg: None,
        file: String::new(),
    }
}

fn measure(bencher: Bencher<'_, '_>, known: &BirdPopulation) {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("population.toml");
    std::fs::write(&path, known.to_toml().expect("text")).expect("written");
    // Eight weighings, to ten weeks.
    let starts: Vec<usize> = (0..=BIRDS).map(|bird| 8 * bird).collect();
    let ages_d: Vec<f64> = (0..BIRDS * 8)
        .map(|at| [0.0, 7.0, 14.0, 21.0, 35.0, 49.0, 63.0, 70.0][at % 8])
        .collect();
    let groups: Vec<usize> = (0..BIRDS).map(|bird| bird % 2).collect();
    let none = vec![0.0; ages_d.len()];
    let ages = Subjects::new(&starts, &ages_d, &none, &groups).expect("columns");
    let mut random = ChaCha8Rng::seed_from_u64(1);
    let values = known.population.simulate(&ages, &mut random);
    let later: Vec<f64> = (11..25).map(|week| 7.0 * f64::from(week)).collect();
    bencher.bench(|| {
        let saved = BirdPopulation::read(&path, &[]).expect("population");
        let subjects = Subjects::new(&starts, &ages_d, &values, &groups).expect("columns");
        let forecasts = saved
            .population
            .forecast(&subjects, |_| &later[..])
            .expect("forecasts");
        let quantile = forecasts.quantile(0.95);
        let mut sum = 0.0;
        for at in 0..later.len() {
            for bird in 0..BIRDS {
                if let Some(forecast) = forecasts.of(bird, at) {
                    let (lower, upper) = forecast.interval(quantile);
                    sum += upper - lower;
                }
            }
            let all: Vec<(usize, usize)> = (0..BIRDS).map(|bird| (bird, at)).collect();
            sum += forecasts.mean_of(&all).map_or(0.0, |mean| mean.value);
        }
        sum
    });
}

#[divan::bench(sample_count = 10)]
fn gompertz_10_000_birds_8_weighings_14_ages(bencher: Bencher<'_, '_>) {
    let known = population("gompertz", &[2000.0, 0.03, 55.0], &["A", "k", "ti"]);
    measure(bencher, &known);
}

#[divan::bench(sample_count = 10)]
fn two_phase_gompertz_10_000_birds_8_weighings_14_ages(bencher: Bencher<'_, '_>) {
    let terms = [1500.0, 0.03, 50.0, 400.0, 0.1, 140.0];
    let known = population("two-phase-gompertz", &terms, &["A1", "ti1", "A2", "ti2"]);
    measure(bencher, &known);
}
