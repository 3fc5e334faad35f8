//! What is a growth curve: its value, its gradient, its slope, and what follows from them.
//!
//! A [`Curve`] maps age in days to a mass in grams through a few [`Term`]s
//! (asymptote `A`, rate `k`, age at the inflection `ti`, ...). Every built-in
//! curve is one file here and one card in `models/curves/`; a user's own curve is
//! a card alone. Start reading at [`Curve`], then `gompertz.rs`.
//!
//! This module fits nothing: see [`crate::fit`].
//!
//! # Sources
//! Each curve's file and card name where it comes from. Authors, titles, volumes and
//! pages of Gompertz 1825, Verhulst 1838, Mitscherlich 1909, Winsor 1932, Brody 1945,
//! Weibull 1951, von Bertalanffy 1957, Richards 1959, Ratkowsky 1983 and of Tjørve and
//! Tjørve 2017 were looked up in later works' lists of references; of these papers only
//! the last was seen. What is marked "from memory" could not be looked up. The equations
//! stand on their own: value, gradient and landmarks are tested against each other.

use std::borrow::Cow;
use std::fmt::Debug;

mod allometric;
mod anchored;
mod bertalanffy;
mod card;
mod card_text;
mod derived;
mod elementary;
mod expression;
mod gompertz;
mod linearise;
mod list;
mod logistic;
mod monomolecular;
mod pair;
mod richards;
mod root;
mod sigmoid;
mod tape;
mod two_phase;
mod weibull;

pub use allometric::{AllometricCurve, Allometry, Bend};
pub use card::Card;
pub use list::{built_in, find, names, read_cards};

/// One term of a curve: what a fit estimates.
#[derive(Debug, Clone, PartialEq)]
pub struct Term {
    /// Short name as in the tables: `A`, `k`, `ti`, `m`.
    pub name: Cow<'static, str>,
    /// Meaning in words of the trade.
    pub meaning: Cow<'static, str>,
    /// Unit: `g`, `1/d`, `d`, or empty.
    pub unit: Cow<'static, str>,
    /// Least value allowed (may be minus infinity).
    pub lower: f64,
    /// Greatest value allowed (may be infinity).
    pub upper: f64,
}

impl Term {
    /// A term of a built-in curve.
    const fn new(
        name: &'static str,
        meaning: &'static str,
        unit: &'static str,
        lower: f64,
        upper: f64,
    ) -> Self {
        Self {
            name: Cow::Borrowed(name),
            meaning: Cow::Borrowed(meaning),
            unit: Cow::Borrowed(unit),
            lower,
            upper,
        }
    }
}

/// A quantity that follows from a curve's terms; [`Derived::name`] is its name in the tables.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Derived {
    /// Mass that the curve tends to, g (`mature_weight`).
    Mature,
    /// Age of the greatest rate of gain, d (`inflection_age`); none of a curve with two phases,
    /// as the next two.
    InflectionAge,
    /// Mass at that age, g (`inflection_weight`).
    InflectionWeight,
    /// Greatest rate of gain, g/d (`inflection_rate`).
    InflectionRate,
    /// Age at which a given fraction of the mature mass is reached, d
    /// (`age_at_50pct`).
    AgeAtFraction(f64),
    /// Age at which a given mass is reached, d (`age_at_1000g`).
    AgeAtValue(f64),
    /// Age of the greatest rate of the first of two phases, d (`first_peak_age`).
    FirstPeakAge,
    /// Rate of gain of the whole curve at that age, g/d (`first_peak_rate`).
    FirstPeakRate,
    /// Age of the greatest rate of the second phase, d (`second_peak_age`).
    SecondPeakAge,
    /// Rate of gain of the whole curve at that age, g/d (`second_peak_rate`).
    SecondPeakRate,
    /// Mass at a given age, g (`weight_at_126d`).
    ValueAt(f64),
    /// Rate of gain at a given age, g/d (`rate_at_126d`).
    RateAt(f64),
    /// Rate of gain as a share of the mass at a given age, 1/d
    /// (`relative_rate_at_126d`).
    RelativeRateAt(f64),
}

/// A phase that begins and ends between two ages at which a bird was weighed: how fast it
/// is, and when, the weighings do not show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// The term that is its rate.
    pub rate_term: usize,
    /// The term that is its age.
    pub age_term: usize,
    /// Last age before it, d.
    pub from_d: f64,
    /// First age after it, d.
    pub to_d: f64,
    /// Mass gained in it, g.
    pub gain_g: f64,
}

/// A growth curve: mass in g against age in days.
///
/// # Shapes
/// `terms` and `gradient` have one entry a term, in the order of [`Curve::terms`].
/// # Units
/// Days, grams; slope in g/d.
pub trait Curve: Send + Sync + Debug {
    /// The curve's name, as the tables and the command line give it.
    fn name(&self) -> &str;

    /// The terms in the curve's order.
    fn terms(&self) -> &[Term];

    /// Value at an age; writes its gradient in the terms.
    fn value_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64;

    /// Slope in age, g/d; writes the slope's gradient in the terms.
    fn slope_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64;

    /// Value at an age.
    fn value(&self, age_d: f64, terms: &[f64]) -> f64;

    /// Writes starting terms for ages (ascending) and values, both of length n.
    ///
    /// `attempt` counts from 0; a curve offers further starts at further
    /// attempts. Returns false where there is none (left).
    fn start(&self, attempt: usize, ages_d: &[f64], values: &[f64], terms: &mut [f64]) -> bool;

    /// Values and row-major Jacobian (n x p) at all ages: what a fit requires.
    fn fill(&self, ages_d: &[f64], terms: &[f64], values: &mut [f64], jacobian: &mut [f64]) {
        let p = terms.len();
        for ((age_d, value), row) in ages_d
            .iter()
            .zip(values.iter_mut())
            .zip(jacobian.chunks_exact_mut(p))
        {
            *value = self.value_and_gradient(*age_d, terms, row);
        }
    }

    /// A derived quantity and its gradient in the terms; `None` where the curve
    /// has no such quantity at these terms (no asymptote, an age never reached).
    fn derived(&self, what: Derived, terms: &[f64], gradient: &mut [f64]) -> Option<f64>;

    /// Where another naming of the terms gives the same curve (the two phases exchanged)
    /// and is the one that is reported: which term becomes the j-th. `None` where the
    /// terms are in order, as of most curves they always are.
    fn relabelled(&self, _terms: &[f64]) -> Option<&'static [usize]> {
        None
    }

    /// The phase that is a step at these terms: at no more than one of the ages
    /// (ascending) is it under way. `None` of a curve of one phase.
    fn step(&self, _ages_d: &[f64], _terms: &[f64]) -> Option<Step> {
        None
    }

    /// Whether the curve can be used only through [`Curve::at_hatch_weight`].
    ///
    /// Such a curve gives no start and no finite value until then.
    fn needs_hatch_weight(&self) -> bool {
        false
    }

    /// The curve for one bird whose weight at age 0 is known, g; `None` where the
    /// curve has no use for it or the weight is not a positive number.
    fn at_hatch_weight(&self, _weight_g: f64) -> Option<Box<dyn Curve>> {
        None
    }
}

/// Places of the terms that scale the whole curve: `A`, or `A1` and `A2`; the first term of a
/// curve without any.
#[must_use]
pub fn asymptotes(curve: &dyn Curve) -> Vec<usize> {
    let terms = curve.terms().iter().enumerate();
    let named = terms.filter(|(_, term)| ["A", "A1", "A2"].contains(&&*term.name));
    let places: Vec<usize> = named.map(|(at, _)| at).collect();
    if places.is_empty() { vec![0] } else { places }
}
