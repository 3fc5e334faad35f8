//! A population as a file: readable TOML with a digest of its text, by which a new flock
//! is judged from its first weighings.

use std::path::Path;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::bird_population::{BirdPopulation, KnownGroup, Origin, SavedFirstEgg};
use super::population::ordered_terms;
use crate::error::{Error, Result};
use crate::fit::Variance;
use crate::fit::mixed::{
    Correlation, Covariance, Criterion, Estimator, GroupedTerms, MixedOptions, Nodes, Population,
    PopulationNumbers, RandomScale, RandomTerm,
};
use crate::growth::{self, Curve};
use crate::study::{read_sealed, saved_keys, sealed};

/// First line of every saved population.
const FORMAT: &str = "pinfeather population, version 2";

/// That of files without first eggs, which are read as well.
const FORMAT_WITHOUT_EGGS: &str = "pinfeather population, version 1";

/// What a saved population is called in messages.
const WHAT: &str = "population";

/// The file's keys, in the file's order.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Saved {
    format: String,
    #[serde(skip_serializing_if = "String::is_empty", default)]
    digest: String,
    population: Origin,
    model: Model,
    group: Vec<KnownGroup>,
    fixed: Vec<Fixed>,
    #[serde(default)]
    random: Vec<Random>,
    /// Rows in the order of `fixed`, on the terms' scales.
    fixed_covariance: Matrix,
    /// Rows in the order of `random`, on the terms' scales.
    random_covariance: Matrix,
    /// How first eggs follow the birds' growth.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    first_egg: Option<SavedFirstEgg>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Model {
    curve: String,
    /// Weight at hatch through which an anchored curve goes, g.
    #[serde(skip_serializing_if = "Option::is_none")]
    hatch_weight_g: Option<f64>,
    estimator: String,
    criterion: String,
    covariance: String,
    variance: String,
    correlation: String,
    sigma: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    variance_power: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    ar1: Option<f64>,
    birds: usize,
    records: usize,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Fixed {
    term: String,
    #[serde(skip_serializing_if = "String::is_empty", default)]
    unit: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    group: Option<String>,
    value: f64,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Random {
    term: String,
    scale: String,
    standard_deviation: f64,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Matrix {
    rows: Vec<Vec<f64>>,
}

/// A choice and its word in the file.
type Words<T> = &'static [(&'static str, T)];

const VARIANCES: Words<Variance> = &[
    ("constant", Variance::Constant),
    ("proportional", Variance::Proportional),
    ("power", Variance::Power),
    ("lognormal", Variance::LogNormal),
];
const CORRELATIONS: Words<Correlation> = &[("none", Correlation::None), ("ar1", Correlation::Ar1)];
const COVARIANCES: Words<Covariance> = &[
    ("diagonal", Covariance::Diagonal),
    ("full", Covariance::Full),
];
const CRITERIA: Words<Criterion> = &[
    ("ml", Criterion::Likelihood),
    ("reml", Criterion::RestrictedLikelihood),
];
const SCALES: Words<RandomScale> = &[("natural", RandomScale::Natural), ("log", RandomScale::Log)];

fn word<T: PartialEq>(words: Words<T>, choice: &T) -> String {
    let found = words.iter().find(|(_, known)| known == choice);
    found.map_or(String::new(), |(word, _)| (*word).to_owned())
}

fn choice<T: Copy>(words: Words<T>, key: &str, word: &str) -> Result<T> {
    let found = words.iter().find(|(known, _)| *known == word);
    found.map(|(_, choice)| *choice).ok_or_else(|| {
        let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        Error::input(format!(
            "{key}: found \"{word}\", expected one of {}; use the version of this program that saved it",
            known.join(", ")
        ))
    })
}

/// "alternating", "laplace" or "quadrature 5" (of a fit, with the number of nodes used).
fn estimator_word(estimator: Estimator) -> String {
    match estimator {
        Estimator::Alternating => "alternating".to_owned(),
        Estimator::Laplace => "laplace".to_owned(),
        Estimator::Quadrature {
            nodes: Nodes::Fixed(nodes),
        } => format!("quadrature {nodes}"),
        Estimator::Quadrature {
            nodes: Nodes::Converged,
        } => "quadrature".to_owned(),
    }
}

fn estimator(word: &str) -> Result<Estimator> {
    match (word, word.strip_prefix("quadrature ").map(str::parse)) {
        ("alternating", _) => Ok(Estimator::Alternating),
        ("laplace", _) => Ok(Estimator::Laplace),
        ("quadrature", _) => Ok(Estimator::Quadrature {
            nodes: Nodes::Converged,
        }),
        (_, Some(Ok(nodes))) => Ok(Estimator::Quadrature {
            nodes: Nodes::Fixed(nodes),
        }),
        _ => Err(Error::input(format!(
            "estimator: found \"{word}\", expected alternating, laplace or quadrature with its nodes; use the version of this program that saved it"
        ))),
    }
}

impl BirdPopulation {
    /// The population as the text of its file.
    ///
    /// # Errors
    /// [`ErrorKind::Input`](crate::ErrorKind::Input) where a number of it cannot be written.
    pub fn to_toml(&self) -> Result<String> {
        let (numbers, options) = (self.population.numbers(), self.population.options());
        let curve = &**self.population.curve();
        let terms = curve.terms();
        let mut fixed = Vec::new();
        for (term, grouped) in terms.iter().zip(grouped(options, curve)) {
            let names: Vec<Option<String>> = if grouped {
                let names = self.groups.iter().map(|group| Some(group.name.clone()));
                names.collect()
            } else {
                vec![None]
            };
            for group in names {
                let value = numbers.fixed[fixed.len()];
                fixed.push(Fixed {
                    term: term.name.to_string(),
                    unit: term.unit.to_string(),
                    group,
                    value,
                });
            }
        }
        let q = options.random.len();
        let random = options
            .random
            .iter()
            .enumerate()
            .map(|(at, random)| Random {
                term: random.term.clone(),
                scale: word(SCALES, &random.scale),
                standard_deviation: numbers.random_covariance[at * q + at].sqrt(),
            });
        let saved = Saved {
            format: FORMAT.to_owned(),
            digest: String::new(),
            population: self.origin.clone(),
            model: Model {
                curve: curve.name().to_owned(),
                hatch_weight_g: self
                    .holds_hatch_weight()
                    .then(|| curve.value(0.0, &self.population.group_terms(0))),
                estimator: estimator_word(options.estimator),
                criterion: word(CRITERIA, &options.criterion),
                covariance: word(COVARIANCES, &options.covariance),
                variance: word(VARIANCES, &options.variance),
                correlation: word(CORRELATIONS, &options.correlation),
                sigma: numbers.sigma,
                variance_power: numbers.power,
                ar1: numbers.ar1,
                birds: numbers.subjects,
                records: numbers.observations,
            },
            group: self.groups.clone(),
            random: random.collect(),
            fixed_covariance: Matrix::of(&numbers.fixed_covariance, fixed.len()),
            random_covariance: Matrix::of(&numbers.random_covariance, q),
            first_egg: self.first_egg.clone(),
            fixed,
        };
        let text = toml::to_string(&saved).map_err(|error| {
            Error::input(format!(
                "population of {}: found numbers that cannot be written ({error}), expected finite ones; check the fit",
                self.origin.trait_name
            ))
        })?;
        Ok(sealed(&text))
    }

    /// Reads a saved population and checks that it is whole and unchanged; `cards` are
    /// curves beside the built-in ones.
    ///
    /// # Errors
    /// [`ErrorKind::Input`](crate::ErrorKind::Input) where the file is not there, cut short,
    /// changed since it was saved, or no population; a curve or a term that is not known.
    pub fn read(path: &Path, cards: &[Arc<dyn Curve>]) -> Result<Self> {
        let file = path.display().to_string();
        let text = read_sealed(path, WHAT)?;
        let saved: Saved = saved_keys(&text, &file, WHAT)?;
        if ![FORMAT, FORMAT_WITHOUT_EGGS].contains(&saved.format.as_str()) {
            return Err(Error::input(format!(
                "{file}: found the format \"{}\", expected {FORMAT}; use the version of this program that saved it",
                saved.format
            )));
        }
        let mut population = saved
            .ready(cards)
            .map_err(|error| Error::input(format!("{file}: {error}")))?;
        population.file = file;
        Ok(population)
    }
}

/// Which terms have a fixed effect in each group.
fn grouped(options: &MixedOptions, curve: &dyn Curve) -> Vec<bool> {
    let terms = curve.terms().iter();
    terms
        .map(|term| match &options.grouped {
            GroupedTerms::None => false,
            GroupedTerms::All => true,
            GroupedTerms::Named(names) => names.iter().any(|name| *name == term.name),
        })
        .collect()
}

impl Matrix {
    fn of(values: &[f64], n: usize) -> Self {
        let rows = (0..n).map(|row| values[row * n..(row + 1) * n].to_vec());
        Self {
            rows: rows.collect(),
        }
    }

    fn values(&self) -> Vec<f64> {
        self.rows.concat()
    }
}

impl Saved {
    fn ready(self, cards: &[Arc<dyn Curve>]) -> Result<BirdPopulation> {
        if self.population.unit != "g" {
            return Err(Error::input(format!(
                "unit: found \"{}\", expected g; save the population of masses in grams",
                self.population.unit
            )));
        }
        let curve = self.curve(cards)?;
        let groups: Vec<&str> = self.group.iter().map(|group| &*group.name).collect();
        let (grouped, fixed) = self.fixed_of(&*curve, &groups)?;
        let model = &self.model;
        let random = self.random.iter().map(|random| {
            Ok(RandomTerm {
                term: random.term.clone(),
                scale: choice(SCALES, "scale", &random.scale)?,
            })
        });
        let options = MixedOptions {
            unsupported: Vec::new(),
            grouped: GroupedTerms::Named(grouped),
            random: random.collect::<Result<Vec<_>>>()?,
            cluster: Vec::new(),
            common_cluster: false,
            between_clusters: false,
            ordered: ordered_terms(&*curve),
            covariance: choice(COVARIANCES, "covariance", &model.covariance)?,
            variance: choice(VARIANCES, "variance", &model.variance)?,
            correlation: choice(CORRELATIONS, "correlation", &model.correlation)?,
            criterion: choice(CRITERIA, "criterion", &model.criterion)?,
            estimator: estimator(&model.estimator)?,
        };
        let numbers = PopulationNumbers {
            groups: self.group.len(),
            fixed,
            fixed_covariance: self.fixed_covariance.values(),
            random_covariance: self.random_covariance.values(),
            sigma: model.sigma,
            power: model.variance_power,
            ar1: model.ar1,
            subjects: model.birds,
            observations: model.records,
        };
        if let Some(first_egg) = &self.first_egg {
            let terms: Vec<&str> = curve.terms().iter().map(|term| &*term.name).collect();
            first_egg.check(self.group.len(), &terms)?;
        }
        let population = Population::new(curve, &options, &numbers)?;
        Ok(BirdPopulation {
            population,
            groups: self.group,
            origin: self.population,
            first_egg: self.first_egg,
            file: String::new(),
        })
    }

    fn curve(&self, cards: &[Arc<dyn Curve>]) -> Result<Arc<dyn Curve>> {
        let curve = growth::find(&self.model.curve, cards).map_err(|error| {
            Error::input(format!(
                "curve: {error}; name the folder of its card by --cards"
            ))
        })?;
        let Some(weight_g) = self.model.hatch_weight_g else {
            return Ok(curve);
        };
        let anchored = curve.at_hatch_weight(weight_g).ok_or_else(|| {
            Error::input(format!(
                "hatch_weight_g: found {weight_g} for the curve {}, expected none, or a mass above 0 for an anchored curve",
                self.model.curve
            ))
        })?;
        Ok(anchored.into())
    }

    /// Names of the terms with an effect in each group, and all effects in the engine's
    /// order.
    fn fixed_of(&self, curve: &dyn Curve, groups: &[&str]) -> Result<(Vec<String>, Vec<f64>)> {
        let mut rows = self.fixed.iter();
        let (mut grouped, mut values) = (Vec::new(), Vec::new());
        for term in curve.terms() {
            let own: Vec<&Fixed> = rows
                .clone()
                .take_while(|row| row.term == term.name)
                .collect();
            rows.nth(own.len().saturating_sub(1));
            let names: Vec<Option<&str>> = own.iter().map(|row| row.group.as_deref()).collect();
            let of_groups: Vec<Option<&str>> = groups.iter().map(|name| Some(*name)).collect();
            if names == of_groups {
                grouped.push(term.name.to_string());
            } else if names != [None] {
                let known: Vec<&str> = curve.terms().iter().map(|term| &*term.name).collect();
                return Err(Error::input(format!(
                    "fixed effects: found {} rows for the term {} where its place is, expected one for each of the {} groups in their order; the curve {} has the terms {}",
                    own.len(),
                    term.name,
                    groups.len(),
                    curve.name(),
                    known.join(", ")
                )));
            }
            values.extend(own.iter().map(|row| row.value));
        }
        match rows.next() {
            Some(row) => Err(Error::input(format!(
                "fixed effects: found the term {}, which the curve {} does not have or which stands out of order",
                row.term,
                curve.name()
            ))),
            None => Ok((grouped, values)),
        }
    }
}
