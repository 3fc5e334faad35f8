//! All birds at once: the mixed engine where `tests/reference/mixed.rs` does not reach
//! (restricted likelihood, ordered phases, log-normal errors, known variances, threads),
//! and the population level of the command.

use std::collections::HashMap;
use std::path::Path;

use pinfeather::fit::Variance;
use pinfeather::fit::mixed::{
    Correlation, Covariance, Criterion, Estimator, GroupedTerms, MixedFit, MixedModel,
    MixedOptions, Nodes, RandomTerm, Subjects,
};
use pinfeather::growth::{Curve, built_in};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::support::{close, pinfeather, root, rows};

mod bad_input;
mod command;
mod engine;

/// Simulated birds in columns, with the name of each and its strain.
#[derive(Debug, Clone, Default)]
struct Birds {
    names: Vec<String>,
    groups: Vec<usize>,
    starts: Vec<usize>,
    ages_d: Vec<f64>,
    values: Vec<f64>,
}

impl Birds {
    fn add(&mut self, name: &str, group: usize, rows: impl IntoIterator<Item = (f64, f64)>) {
        if self.starts.is_empty() {
            self.starts.push(0);
        }
        self.names.push(name.to_owned());
        self.groups.push(group);
        for (age_d, value) in rows {
            self.ages_d.push(age_d);
            self.values.push(value);
        }
        self.starts.push(self.values.len());
    }

    fn subjects(&self) -> Subjects<'_> {
        Subjects::new(&self.starts, &self.ages_d, &self.values, &self.groups).expect("columns")
    }

    fn csv(&self) -> String {
        let mut text = String::from("bird,strain,age_d,weight_g\n");
        for (at, name) in self.names.iter().enumerate() {
            for row in self.starts[at]..self.starts[at + 1] {
                let strain = ["Ash", "Birch", "Cherry"][self.groups[at]];
                text += &format!(
                    "{name},{strain},{},{}\n",
                    self.ages_d[row], self.values[row]
                );
            }
        }
        text
    }
}

fn normals(seed: u64) -> impl FnMut() -> f64 {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    move || StandardNormal.sample(&mut random)
}

/// Gompertz birds: A 1,900 g (8 percent), k 0.025 (5), ti 50 d (5); weighed every
/// fortnight from 1 to 20 weeks; a residual of 20 g.
fn gompertz_birds(count: usize, strains: usize, seed: u64) -> Birds {
    let curve = built_in("gompertz").expect("curve");
    let mut normal = normals(seed);
    let mut birds = Birds::default();
    for bird in 0..count {
        let terms = [
            1900.0 * (1.0 + 0.08 * normal()),
            0.025 * (1.0 + 0.05 * normal()),
            50.0 * (1.0 + 0.05 * normal()),
        ];
        let rows: Vec<(f64, f64)> = (0..10)
            .map(|at| 7.0 + 14.0 * f64::from(at))
            .map(|age_d| (age_d, curve.value(age_d, &terms) + 20.0 * normal()))
            .collect();
        birds.add(&format!("b{bird}"), bird % strains, rows);
    }
    birds
}

fn random(terms: &[&str]) -> Vec<RandomTerm> {
    terms.iter().map(|term| RandomTerm::natural(term)).collect()
}

fn fit(curve: &dyn Curve, subjects: &Subjects<'_>, options: &MixedOptions) -> MixedFit {
    let outcome = MixedModel::new(curve, options)
        .expect("options")
        .fit(subjects);
    outcome
        .fit()
        .unwrap_or_else(|| panic!("{:?}", outcome.reasons()))
        .clone()
}

/// No cell of any table is a NaN or an infinity.
fn no_nan(tables: &Path) {
    for entry in std::fs::read_dir(tables).expect("tables") {
        let path = entry.expect("entry").path();
        let mut reader = csv::Reader::from_path(&path).expect("a table");
        for record in reader.records() {
            for cell in &record.expect("a row") {
                let number: Result<f64, _> = cell.parse();
                assert!(
                    number.map_or(true, f64::is_finite),
                    "{}: {cell}",
                    path.display()
                );
            }
        }
    }
}
