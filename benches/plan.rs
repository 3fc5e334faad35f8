//! Plans: a search for the smallest design, and 500 simulated studies of 40 birds with
//! mixed fits. `cargo bench --bench plan`.

use divan::Bencher;
use pinfeather::fit::mixed::{
    GroupedTerms, MixedOptions, Population, PopulationNumbers, RandomTerm,
};
use pinfeather::growth::{Derived, built_in};
use pinfeather::plan::confirm::{Layout, Studies, confirm};
use pinfeather::plan::schedule::{Limits, optimum};
use pinfeather::plan::{Allocation, targets};

/// Two strains of gompertz pullets: A 2,000 and 1,900 g (SD 200), k 0.03 (0.002), ti 55 d
/// (3), residual SD 25 g.
fn pullets() -> Population {
    let options = MixedOptions {
        grouped: GroupedTerms::All,
        random: ["A", "k", "ti"].map(RandomTerm::natural).to_vec(),
        ..MixedOptions::default()
    };
    let numbers = PopulationNumbers {
        groups: 2,
        fixed: vec![2000.0, 1900.0, 0.03, 0.03, 55.0, 55.0],
        fixed_covariance: vec![0.0; 36],
        random_covariance: vec![4e4, 0.0, 0.0, 0.0, 4e-6, 0.0, 0.0, 0.0, 9.0],
        sigma: 25.0,
        power: None,
        ar1: None,
        subjects: 80,
        observations: 960,
    };
    let curve = built_in("gompertz").expect("a built-in curve");
    Population::new(curve, &options, &numbers).expect("a population")
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn confirm_500_studies_of_40_birds_8_scans(bencher: Bencher<'_, '_>) {
    let population = pullets();
    let targets = targets(&population, &[Derived::Mature, Derived::AgeAtFraction(0.5)]);
    let ages_d = [2.0, 4.0, 6.0, 8.0, 10.0, 14.0, 18.0, 24.0].map(|week| 7.0 * week);
    let studies = Studies {
        count: 500,
        seed: 1,
        level: 0.95,
    };
    bencher.bench_local(|| {
        let wanted = (&targets[..], &[][..]);
        let layout = Layout {
            allocation: Allocation::of_birds(2),
            birds: 20,
            ages_d: &ages_d,
        };
        confirm(&population, layout, wanted, studies, &|| {}).expect("ages")
    });
}

#[divan::bench(args = [4, 6, 8], sample_count = 5, sample_size = 1)]
fn best_ages_of_24_weeks(bencher: Bencher<'_, '_>, scans: usize) {
    let population = pullets();
    let weeks = Limits {
        first_d: 7.0,
        step_d: 7.0,
        ages: 24,
        gap: 1,
    };
    bencher.bench_local(|| optimum(&population, &weeks, scans, 1).expect("a schedule"));
}

fn main() {
    divan::main();
}
