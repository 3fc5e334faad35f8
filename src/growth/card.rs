//! A curve from a card: a text file with an equation, its terms and how to start.
//!
//! ```toml
//! name = "brody"
//! description = "Mass after hatch when the gain falls from the start"
//! equation = "A - (A - w0) * exp(-k*t)"
//! mature = "A"                          # what the curve tends to; left out: nothing
//! age_range_d = [0.0, 250.0]            # where ages are looked for; left out: 0 to 1000
//! source = "Brody S 1945, Bioenergetics and Growth"
//!
//! [[term]]
//! name = "A"
//! meaning = "mature mass"
//! unit = "g"
//! lower = 1.0                           # left out: no limit; likewise upper
//! # ... and one [[term]] each for w0 and k
//!
//! [[start]]                             # one or more, tried in turn
//! A = "1.2 * y_max"
//! w0 = "y_first"
//! k = "1 / t_half"
//! ```
//!
//! In place of `[[start]]`, `start = "like gompertz"` takes the starts of a built-in
//! curve that has the same terms. `hatch_weight = "w0"` names a symbol of the equation
//! that stands for the bird's known weight at hatch: no term, and the card then needs
//! [`Curve::at_hatch_weight`].
//!
//! Every fault of a card is reported, with file, key, what was found and what was expected.

use std::path::Path;
use std::sync::Arc;

use super::card_text::{Rule, Summary, Written, read};
use super::derived::{Landmarks, derived};
use super::expression::{Expression, MOST_SYMBOLS};
use super::root::{falling_root, rising_root};
use super::{Curve, Derived, Term};
use crate::error::{Result, read_file};

/// Steps in which the stated ages are searched for a crossing or a peak.
const AGE_STEPS: u16 = 400;

/// A growth curve read from a card; it fits exactly as a built-in one does.
#[derive(Debug, Clone)]
pub struct Card {
    inner: Arc<Inner>,
    /// Hatch weight of the bird at hand, g; NaN until it is known.
    hatch_weight_g: f64,
}

/// What all birds share. Symbols are in the order t, terms, hatch weight.
#[derive(Debug)]
struct Inner {
    written: Written,
    value: Expression,
    mature: Option<Expression>,
}

impl Card {
    /// Reads a card from a file.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Input`]: the file cannot be read, or the card has faults; each
    /// names the file, the key, what was found and what was expected.
    pub fn read(path: &Path) -> Result<Self> {
        let bytes = read_file(path)?;
        Self::parse(
            &String::from_utf8_lossy(&bytes),
            &path.display().to_string(),
        )
    }

    /// Reads a card from its text; `origin` stands for the file in messages.
    ///
    /// # Errors
    /// As [`Card::read`].
    pub fn parse(text: &str, origin: &str) -> Result<Self> {
        let written = read(text, origin)?;
        let symbols = written.symbols();
        let fault = |key: &str, found: String| {
            crate::Error::input(format!("{origin}: {key}: found {found}"))
        };
        let compile = |key: &str, text: &str| {
            Expression::parse(text, &symbols).map_err(|found| fault(key, found))
        };
        let mature = written.mature.as_ref();
        let inner = Inner {
            value: compile("equation", &written.equation)?,
            mature: mature.map(|text| compile("mature", text)).transpose()?,
            written,
        };
        let card = Self {
            inner: Arc::new(inner),
            hatch_weight_g: f64::NAN,
        };
        if card.gives_a_number() {
            Ok(card)
        } else {
            Err(fault(
                "equation",
                "no finite value at any start and age, expected a curve: check the equation, the \
                 starts and the signs in exponents"
                    .to_owned(),
            ))
        }
    }

    /// The card's description of the curve, empty if nothing.
    #[must_use]
    pub fn description(&self) -> &str {
        &self.inner.written.description
    }

    /// Where the curve is from, empty if the card does not state it.
    #[must_use]
    pub fn source(&self) -> &str {
        &self.inner.written.source
    }

    /// The equation, as the card has it.
    #[must_use]
    pub fn equation(&self) -> &str {
        &self.inner.written.equation
    }

    /// Whether the equation can be evaluated at all: at some age with some start for
    /// a pullet that grows from 40 g to 1.8 kg.
    fn gives_a_number(&self) -> bool {
        let ages_d = [0.0, 28.0, 56.0, 84.0, 112.0, 140.0];
        let values = [40.0, 260.0, 650.0, 1050.0, 1380.0, 1600.0];
        let made = Self {
            hatch_weight_g: 40.0,
            ..self.clone()
        };
        let mut terms = vec![f64::NAN; made.terms().len()];
        let mut attempt = 0;
        while made.start(attempt, &ages_d, &values, &mut terms) {
            let everywhere = [0.5, 1.0, 5.0, 20.0, 50.0, 100.0, 1000.0].iter();
            if everywhere
                .chain(&ages_d)
                .any(|age_d| made.value(*age_d, &terms).is_finite())
            {
                return true;
            }
            attempt += 1;
        }
        false
    }

    /// Age, terms and hatch weight in the order of the symbols.
    #[inline]
    fn symbols(&self, age_d: f64, terms: &[f64]) -> [f64; MOST_SYMBOLS] {
        let mut symbols = [f64::NAN; MOST_SYMBOLS];
        symbols[0] = age_d;
        // The card's reader allows no more terms than there is room for.
        for (symbol, term) in symbols[1..].iter_mut().zip(terms) {
            *symbol = *term;
        }
        if let Some(symbol) = symbols.get_mut(1 + terms.len()) {
            *symbol = self.hatch_weight_g;
        }
        symbols
    }

    /// Ages of the search grid.
    fn ages(&self) -> impl Iterator<Item = f64> {
        let [first, last] = self.inner.written.age_range_d;
        (0..=AGE_STEPS).map(move |i| first + (last - first) * f64::from(i) / f64::from(AGE_STEPS))
    }

    fn slope(&self, age_d: f64, terms: &[f64]) -> f64 {
        self.inner.value.slope(&self.symbols(age_d, terms))
    }

    fn bend(&self, age_d: f64, terms: &[f64]) -> f64 {
        self.inner.value.bend(&self.symbols(age_d, terms))
    }
}

impl Curve for Card {
    fn name(&self) -> &str {
        &self.inner.written.name
    }

    fn terms(&self) -> &[Term] {
        &self.inner.written.terms
    }

    fn value(&self, age_d: f64, terms: &[f64]) -> f64 {
        self.inner.value.value(&self.symbols(age_d, terms))
    }

    fn value_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let symbols = self.symbols(age_d, terms);
        self.inner.value.value_and_gradient(&symbols, gradient)
    }

    fn slope_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let symbols = self.symbols(age_d, terms);
        self.inner.value.slope_and_gradient(&symbols, gradient)
    }

    /// The card's starts in turn; a start worked out from the weighings that falls
    /// outside a term's range is moved to its edge.
    fn start(&self, attempt: usize, ages_d: &[f64], values: &[f64], terms: &mut [f64]) -> bool {
        match &self.inner.written.rule {
            Rule::Like { curve, places } => {
                let curve = if curve.needs_hatch_weight() {
                    curve.at_hatch_weight(self.hatch_weight_g).map(Arc::from)
                } else {
                    Some(Arc::clone(curve))
                };
                let mut theirs = [f64::NAN; MOST_SYMBOLS];
                let Some(theirs) = theirs.get_mut(..terms.len()) else {
                    return false;
                };
                if !curve.is_some_and(|curve| curve.start(attempt, ages_d, values, theirs)) {
                    return false;
                }
                for (term, place) in terms.iter_mut().zip(places) {
                    *term = theirs.get(*place).copied().unwrap_or(f64::NAN);
                }
            }
            Rule::Explicit(starts) => {
                let Some(start) = starts.get(attempt) else {
                    return false;
                };
                let Some(summary) = Summary::of(ages_d, values) else {
                    return false;
                };
                let summary = summary.values();
                for (term, start) in terms.iter_mut().zip(start) {
                    *term = start.value(&summary);
                }
            }
        }
        for (value, term) in terms.iter_mut().zip(self.terms()) {
            if !value.is_finite() {
                return false;
            }
            *value = value.max(term.lower).min(term.upper);
        }
        true
    }

    fn derived(&self, what: Derived, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        derived(self, what, terms, gradient)
    }

    fn needs_hatch_weight(&self) -> bool {
        self.inner.written.hatch_weight.is_some() && self.hatch_weight_g.is_nan()
    }

    fn at_hatch_weight(&self, weight_g: f64) -> Option<Box<dyn Curve>> {
        let usable =
            self.inner.written.hatch_weight.is_some() && weight_g > 0.0 && weight_g.is_finite();
        usable.then(|| {
            Box::new(Self {
                inner: Arc::clone(&self.inner),
                hatch_weight_g: weight_g,
            }) as Box<dyn Curve>
        })
    }
}

impl Landmarks for Card {
    fn asymptote(&self, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        let mature = self.inner.mature.as_ref()?;
        let symbols = self.symbols(f64::NAN, terms);
        Some(mature.value_and_gradient(&symbols, gradient))
    }

    /// The first age in the stated range at which the curve rises through the value.
    fn age_at_value(&self, value: f64, terms: &[f64]) -> Option<f64> {
        let left = |age_d: f64| self.value(age_d, terms) - value;
        let later = self.ages().skip(1);
        self.ages()
            .zip(later)
            .find(|(age_d, next)| left(*age_d) <= 0.0 && left(*next) > 0.0)
            .map(|(age_d, next)| rising_root(left, age_d, next))
    }

    /// The greatest slope of a grid over the stated ages, then the zero of its slope
    /// between the neighbours; `None` where it is at an end of the range.
    ///
    /// Gradient by the implicit function theorem: -f_tt_theta / f_ttt, both as
    /// fourth-order differences in age of f_t_theta and f_tt.
    fn inflection_age(&self, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        let [first, last] = self.inner.written.age_range_d;
        let step = (last - first) / f64::from(AGE_STEPS);
        let slope = |age_d: &f64| self.slope(*age_d, terms);
        let top = self
            .ages()
            .filter(|age_d| slope(age_d).is_finite())
            .max_by(|a, b| slope(a).total_cmp(&slope(b)))?;
        let (low, high) = (top - step, top + step);
        let bend = |age_d: f64| self.bend(age_d, terms);
        if !(bend(low) > 0.0 && bend(high) < 0.0) || low < first || high > last {
            return None;
        }
        let age_d = falling_root(bend, low, high);
        let h = 0.02 * step;
        let weights = [(-2.0, 1.0), (-1.0, -8.0), (1.0, 8.0), (2.0, -1.0)];
        let mut moved = [0.0; MOST_SYMBOLS];
        let moved = moved.get_mut(..terms.len())?;
        let mut jerk = 0.0;
        gradient.fill(0.0);
        for (steps, weight) in weights {
            self.slope_and_gradient(age_d + steps * h, terms, moved);
            jerk += weight * bend(age_d + steps * h);
            for (g, m) in gradient.iter_mut().zip(moved.iter()) {
                *g -= weight * m;
            }
        }
        for g in gradient.iter_mut() {
            *g /= jerk;
        }
        Some(age_d)
    }
}
