//! What a study is to estimate.

use crate::fit::mixed::{Population, SpreadParameter};
use crate::fit::profile::Quantity;
use crate::growth::{self, Derived};

/// What is estimated of a strain, of two, or of a bird.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Estimand {
    /// A term or derived quantity of a strain's typical bird.
    Value(Quantity),
    /// Its difference between two strains.
    Contrast(Quantity),
    /// A quantity of a single bird, from the bird's scans: a cue.
    Cue(Quantity),
    /// How birds differ and scans err.
    Spread(SpreadParameter),
}

impl Estimand {
    /// The word in the tables.
    #[must_use]
    pub fn kind(self) -> &'static str {
        match self {
            Self::Value(Quantity::Term(_)) => "term",
            Self::Value(Quantity::Derived(_)) => "derived",
            Self::Contrast(_) => "contrast",
            Self::Cue(_) => "cue",
            Self::Spread(_) => "spread",
        }
    }
}

/// One quantity that a study is to estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct Target {
    /// What it is.
    pub what: Estimand,
    /// Its name in the tables: `A`, `mature_weight`, `sd(A)`.
    pub name: String,
    /// Its unit; empty where it has none.
    pub unit: String,
    /// Indices of the strains: one, two of a contrast, none of the spread.
    pub strains: Vec<usize>,
    /// What 100 percent are: the value in the population, of a contrast that in the
    /// second strain, of a cue the SD between birds.
    pub value: f64,
    /// True value of what is estimated: the same, but of a contrast the difference.
    pub truth: f64,
    /// Variance that one pen a strain adds where the factor that a pen's birds share in their
    /// asymptotes has an SD of 1 on the log scale.
    pub between_pens: f64,
}

/// Everything that a study of this population can estimate: terms, these derived
/// quantities, their differences, birds' own values, and the spread.
#[must_use]
pub fn targets(population: &Population, derived: &[Derived]) -> Vec<Target> {
    let terms = population.curve().terms();
    let mut quantities: Vec<(String, String, Quantity)> = terms
        .iter()
        .enumerate()
        .map(|(at, term)| {
            (
                term.name.to_string(),
                term.unit.to_string(),
                Quantity::Term(at),
            )
        })
        .collect();
    quantities.extend(derived.iter().map(|what| {
        let unit = what.unit().to_owned();
        (what.name().into_owned(), unit, Quantity::Derived(*what))
    }));
    let groups = population.groups();
    let value = |group: usize, quantity: Quantity| {
        let own = population.group_terms(group);
        quantity.value(&**population.curve(), &own, &mut vec![0.0; own.len()])
    };
    let mut targets = Vec::new();
    let mut add = |what, (name, unit): (&str, &str), strains: &[usize], value, truth| {
        targets.push(Target {
            between_pens: between_pens(population, what, strains),
            what,
            name: name.to_owned(),
            unit: unit.to_owned(),
            strains: strains.to_vec(),
            value,
            truth,
        });
    };
    for (name, unit, quantity) in &quantities {
        for group in 0..groups {
            if let Some(value) = value(group, *quantity) {
                add(
                    Estimand::Value(*quantity),
                    (name, unit),
                    &[group],
                    value,
                    value,
                );
            }
        }
    }
    for (name, unit, quantity) in &quantities {
        for a in 0..groups {
            for b in a + 1..groups {
                if let (Some(of_a), Some(of_b)) = (value(a, *quantity), value(b, *quantity)) {
                    let what = Estimand::Contrast(*quantity);
                    add(what, (name, unit), &[a, b], of_b, of_a - of_b);
                }
            }
        }
    }
    for (name, unit, quantity) in &quantities {
        for group in 0..groups {
            if let Some(between) = between(population, group, *quantity) {
                add(
                    Estimand::Cue(*quantity),
                    (name, unit),
                    &[group],
                    between,
                    between,
                );
            }
        }
    }
    for parameter in population.spread_parameters() {
        if let Some((name, value)) = population.spread_value(parameter) {
            add(Estimand::Spread(parameter), (&name, ""), &[], value, value);
        }
    }
    targets
}

/// What pens add to the variance of a target, to first order: the birds of a pen share one factor
/// of all asymptotes A, so that a quantity with slopes q' in them gains (sum of q' A)^2.
fn between_pens(population: &Population, what: Estimand, strains: &[usize]) -> f64 {
    let (Estimand::Value(quantity) | Estimand::Contrast(quantity)) = what else {
        return 0.0;
    };
    let curve = population.curve();
    let asymptotes = growth::asymptotes(&**curve);
    let of_strain = |group: &usize| {
        let own = population.group_terms(*group);
        let mut gradient = vec![0.0; own.len()];
        let known = quantity.value(&**curve, &own, &mut gradient);
        let parts = asymptotes.iter().map(|at| gradient[*at] * own[*at]);
        known.map_or(0.0, |_| parts.sum::<f64>().powi(2))
    };
    strains.iter().map(of_strain).sum()
}

/// SD between birds of a quantity, to first order; `None` where birds do not differ.
fn between(population: &Population, group: usize, quantity: Quantity) -> Option<f64> {
    let own = population.group_terms(group);
    let mut gradient = vec![0.0; own.len()];
    quantity.value(&**population.curve(), &own, &mut gradient)?;
    let own = population.random_gradient(group, &gradient);
    let variance = (population.random_matrix() * &own).dot(&own);
    (variance > 0.0 && variance.is_finite()).then(|| variance.sqrt())
}

/// Variance of a value or contrast with one bird a strain, were each bird's own curve
/// known without error: what birds differ by remains.
pub(super) fn variance_of_known_birds(population: &Population, target: &Target) -> f64 {
    match target.what {
        Estimand::Value(quantity) | Estimand::Contrast(quantity) => target
            .strains
            .iter()
            .filter_map(|group| between(population, *group, quantity))
            .map(|sd| sd * sd)
            .sum(),
        Estimand::Cue(_) | Estimand::Spread(_) => 0.0,
    }
}
