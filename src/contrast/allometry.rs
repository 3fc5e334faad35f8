//! How does one mass grow with another: ln y = a + b ln x, by group.
//!
//! The exponent b is 1 where a tissue keeps its share of the body, above where it
//! gains on it. Records of a bird are alike, so birds have random intercepts and
//! slopes: one linear mixed model of all birds by the engine of [`crate::fit::mixed`]
//! (maximum likelihood, fixed effects by group, random intercept and slope with their
//! correlation). Where that has no maximum, fewer random effects are tried, at last
//! none, and the table names them. ln x is taken from its mean, which leaves b alone.
//!
//! Equality of the exponents is tested by the likelihood ratio of the models with one
//! exponent and one a group.
//!
//! # Source
//! Huxley JS (1932) Problems of Relative Growth (from memory).

use crate::error::Result;
use crate::fit::interval::SamplingDistribution;
use crate::fit::mixed::{
    Covariance, GroupedTerms, MixedFit, MixedModel, MixedOptions, RandomTerm, Subjects,
};
use crate::growth::{Curve, Derived, Term};
use crate::stats::Interval;
use crate::stats::distribution::{chi_squared_upper, t_two_sided};
use crate::study::{Records, Study};

use super::grouping::Groups;

/// Records of two traits this many days apart belong together.
const SAME_DAY_D: f64 = 1.0;

/// The allometry of one trait on another, group by group.
#[derive(Debug, Clone, PartialEq)]
pub struct Allometry {
    /// Index of the trait into the study's.
    pub trait_index: usize,
    /// Index of the trait that it is regressed on.
    pub on: usize,
    /// Birds by group; equality of exponents; or why there is none.
    pub answer: std::result::Result<Answer, String>,
}

/// A fitted allometry.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// Terms of each group that has records.
    pub groups: Vec<GroupAllometry>,
    /// What differs between birds, in words: `intercept and slope`, `intercept`, `nothing`.
    pub random: &'static str,
    /// Test of one exponent for all groups, where there are two: statistic, degrees of
    /// freedom, p value.
    pub equal_exponents: Option<(f64, usize, f64)>,
    /// Geometric mean of the trait regressed on, g.
    pub reference_g: f64,
}

/// The allometry of one group.
#[derive(Debug, Clone, PartialEq)]
pub struct GroupAllometry {
    /// Index into the names of the groups.
    pub group: usize,
    /// Birds.
    pub birds: usize,
    /// Pairs of records.
    pub n: usize,
    /// b, with its standard error and interval.
    pub exponent: Value,
    /// a, ln g.
    pub log_coefficient: Value,
    /// The trait's mass at the reference mass, g.
    pub at_reference: Value,
    /// Two-sided P value of an exponent of 1.
    pub isometry_p: Option<f64>,
}

/// A value with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Value {
    /// The estimate.
    pub value: f64,
    /// Standard error, where there is one.
    pub standard_error: Option<f64>,
    /// Interval.
    pub interval: Option<Interval>,
}

/// Pairs of records, bird by bird, as logarithms.
#[derive(Default)]
struct Pairs {
    starts: Vec<usize>,
    logs_x: Vec<f64>,
    logs_y: Vec<f64>,
    groups: Vec<usize>,
    /// The group of the study that each group is.
    kept: Vec<usize>,
}

impl Pairs {
    fn of(study: &Study, groups: &Groups, of: usize, on: usize) -> Self {
        let mut rows: Vec<(usize, Vec<(f64, f64)>)> = Vec::new();
        for (bird, group) in groups.of_bird.iter().enumerate() {
            let Some(group) = group else { continue };
            let mut pairs = together(&study.traits[of], &study.traits[on], bird);
            pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
            if !pairs.is_empty() {
                rows.push((*group, pairs));
            }
        }
        let mut kept: Vec<usize> = rows.iter().map(|row| row.0).collect();
        kept.sort_unstable();
        kept.dedup();
        let mut pairs = Self {
            starts: vec![0],
            kept,
            ..Self::default()
        };
        for (group, row) in rows {
            let place = pairs.kept.iter().position(|kept| *kept == group);
            pairs.groups.push(place.unwrap_or_default());
            pairs.logs_x.extend(row.iter().map(|pair| pair.0));
            pairs.logs_y.extend(row.iter().map(|pair| pair.1));
            pairs.starts.push(pairs.logs_x.len());
        }
        pairs
    }
}

/// ln x and ln y of one bird, each record of y with the nearest of x within a day.
fn together(of: &Records, on: &Records, bird: usize) -> Vec<(f64, f64)> {
    let (ages_d, values) = of.of(bird);
    let (other_ages_d, others) = on.of(bird);
    let pair = |(age_d, value): (&f64, &f64)| {
        let (apart_d, other) = other_ages_d
            .iter()
            .zip(others)
            .map(|(other_d, other)| ((other_d - age_d).abs(), *other))
            .min_by(|a, b| a.0.total_cmp(&b.0))?;
        (apart_d <= SAME_DAY_D && other > 0.0 && *value > 0.0).then(|| (other.ln(), value.ln()))
    };
    ages_d.iter().zip(values).filter_map(pair).collect()
}

/// The allometry of every trait of a study but `on` upon it.
///
/// # Errors
/// None that a user brings about: data that cannot answer are reported in
/// [`Allometry::answer`].
pub fn allometries(
    study: &Study,
    groups: &Groups,
    on: usize,
    confidence: f64,
) -> Result<Vec<Allometry>> {
    let mut all = Vec::new();
    for of in (0..study.traits.len()).filter(|of| *of != on) {
        let pairs = Pairs::of(study, groups, of, on);
        all.push(Allometry {
            trait_index: of,
            on,
            answer: answer(&pairs, confidence)?,
        });
    }
    Ok(all)
}

fn answer(pairs: &Pairs, confidence: f64) -> Result<std::result::Result<Answer, String>> {
    if pairs.logs_x.is_empty() {
        return Ok(Err(
            "no bird has both masses above zero on one day".to_owned()
        ));
    }
    let centre = pairs.logs_x.iter().sum::<f64>() / pairs.logs_x.len() as f64;
    let centred: Vec<f64> = pairs.logs_x.iter().map(|x| x - centre).collect();
    let subjects = Subjects::new(&pairs.starts, &centred, &pairs.logs_y, &pairs.groups)?;
    let mut reason = String::new();
    for (random, words) in [
        (&["intercept", "slope"][..], "intercept and slope"),
        (&["intercept"], "intercept"),
        (&[], "nothing"),
    ] {
        let options = MixedOptions {
            grouped: GroupedTerms::All,
            random: random
                .iter()
                .map(|term| RandomTerm::natural(term))
                .collect(),
            covariance: Covariance::Full,
            ..MixedOptions::default()
        };
        let outcome = MixedModel::new(&Line, &options)?.fit(&subjects);
        match outcome.fit() {
            Some(fit) => {
                let equal_exponents = equal_exponents(&subjects, fit, &options)?;
                let mixed = !random.is_empty();
                let groups = (0..pairs.kept.len())
                    .map(|group| group_allometry(pairs, fit, group, centre, mixed, confidence));
                return Ok(Ok(Answer {
                    groups: groups.collect(),
                    random: words,
                    equal_exponents,
                    reference_g: centre.exp(),
                }));
            }
            None if reason.is_empty() => reason = outcome.reasons().join("; "),
            None => {}
        }
    }
    Ok(Err(reason))
}

fn equal_exponents(
    subjects: &Subjects<'_>,
    fit: &MixedFit,
    options: &MixedOptions,
) -> Result<Option<(f64, usize, f64)>> {
    if subjects.group_count() < 2 {
        return Ok(None);
    }
    let one = MixedOptions {
        grouped: GroupedTerms::Named(vec!["intercept".to_owned()]),
        ..options.clone()
    };
    let outcome = MixedModel::new(&Line, &one)?.fit(subjects);
    Ok(outcome.fit().map(|one| {
        let statistic = (2.0 * (fit.log_lik - one.log_lik)).max(0.0);
        let df = subjects.group_count() - 1;
        (statistic, df, chi_squared_upper(statistic, df as f64))
    }))
}

fn group_allometry(
    pairs: &Pairs,
    fit: &MixedFit,
    group: usize,
    centre: f64,
    mixed: bool,
    confidence: f64,
) -> GroupAllometry {
    let birds = pairs.groups.iter().filter(|place| **place == group).count();
    let n = pairs
        .groups
        .iter()
        .zip(pairs.starts.windows(2))
        .filter(|(place, _)| **place == group)
        .map(|(_, bounds)| bounds[1] - bounds[0])
        .sum();
    let (all, fixed) = if mixed {
        (pairs.groups.len(), pairs.kept.len())
    } else {
        (pairs.logs_y.len(), 2 * pairs.kept.len())
    };
    let law = SamplingDistribution {
        terms: fit.group(group),
        covariance: fit.group_covariance(group),
        df: all.saturating_sub(fixed).max(1) as f64,
        error: None,
    };
    let factor = law.pointwise_factor(confidence);
    let value = |gradient: [f64; 2]| {
        let value = gradient[0] * law.terms[0] + gradient[1] * law.terms[1];
        let standard_error = law.standard_error(&gradient);
        Value {
            value,
            standard_error,
            interval: standard_error.map(|error| Interval::around(value, factor * error)),
        }
    };
    let exponent = value([0.0, 1.0]);
    let at_centre = value([1.0, 0.0]);
    GroupAllometry {
        group: pairs.kept[group],
        birds,
        n,
        exponent,
        log_coefficient: value([1.0, -centre]),
        at_reference: Value {
            value: at_centre.value.exp(),
            standard_error: at_centre
                .standard_error
                .map(|error| error * at_centre.value.exp()),
            interval: at_centre.interval.map(|interval| Interval {
                lower: interval.lower.exp(),
                upper: interval.upper.exp(),
            }),
        },
        isometry_p: exponent
            .standard_error
            .map(|error| t_two_sided((exponent.value - 1.0) / error, law.df)),
    }
}

/// A straight line, as the mixed engine takes curves: intercept at 0, slope.
#[derive(Debug)]
struct Line;

const TERMS: [Term; 2] = [free("intercept"), free("slope")];

const fn free(name: &'static str) -> Term {
    Term {
        name: std::borrow::Cow::Borrowed(name),
        meaning: std::borrow::Cow::Borrowed("of the line through the logarithms"),
        unit: std::borrow::Cow::Borrowed(""),
        lower: f64::NEG_INFINITY,
        upper: f64::INFINITY,
    }
}

static LINE_TERMS: [Term; 2] = TERMS;

impl Curve for Line {
    fn name(&self) -> &'static str {
        "line"
    }

    fn terms(&self) -> &[Term] {
        &LINE_TERMS
    }

    fn value_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        gradient[0] = 1.0;
        gradient[1] = age_d;
        self.value(age_d, terms)
    }

    fn slope_and_gradient(&self, _age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        gradient[0] = 0.0;
        gradient[1] = 1.0;
        terms[1]
    }

    fn value(&self, age_d: f64, terms: &[f64]) -> f64 {
        terms[0] + terms[1] * age_d
    }

    fn start(&self, attempt: usize, ages_d: &[f64], values: &[f64], terms: &mut [f64]) -> bool {
        let n = values.len() as f64;
        let (mean_x, mean_y) = (
            ages_d.iter().sum::<f64>() / n,
            values.iter().sum::<f64>() / n,
        );
        let squares: f64 = ages_d.iter().map(|x| (x - mean_x).powi(2)).sum();
        let products: f64 = ages_d
            .iter()
            .zip(values)
            .map(|(x, y)| (x - mean_x) * (y - mean_y))
            .sum();
        if attempt > 0 || squares <= 0.0 {
            return false;
        }
        terms[1] = products / squares;
        terms[0] = mean_y - terms[1] * mean_x;
        true
    }

    fn derived(&self, _what: Derived, _terms: &[f64], _gradient: &mut [f64]) -> Option<f64> {
        None
    }
}
