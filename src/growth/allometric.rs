//! Mass of a part of the body by allometry on the weight of the whole, as a curve in age.
//!
//! With W(t) the weight curve and u = ln(W(t) / W0), W0 a fixed reference weight,
//!
//! ```text
//! m(t) = a exp(f(u) + c (t - t0)),   f(u) = b u + bend(u)
//! ```
//!
//! a is the mass at the reference weight (and reference age), b the allometric exponent
//! (Huxley JS 1932, *Problems of Relative Growth*, Methuen, London; from memory; of the
//! chemical components of pullets Gous RM et al. 1999, Poultry Science 78:812-821; from
//! memory). The bend is nothing, a change of the exponent at one weight, or a natural
//! cubic spline in u, which is straight beyond its outer knots; c is the relative change
//! with age at one weight. Terms: those of the weight curve, then a, b, the bend's, c.
//! Gradients follow by the chain rule:
//!
//! ```text
//! m_w = m f' W_w / W,   m_b = m u,   dm/dt = m h,   h = f' W' / W + c
//! h_w = f'' (W_w / W) (W' / W) + f' (W'_w / W - W' W_w / W^2)
//! ```

use std::sync::Arc;

use super::derived::{Landmarks, derived};
use super::root::rising_root;
use super::{Curve, Derived, Term};

/// How log mass depends on log weight and age.
#[derive(Debug, Clone, PartialEq)]
pub struct Allometry {
    /// Weight at which the first coefficient is the mass, g.
    pub reference_weight_g: f64,
    /// What bends the line.
    pub bend: Bend,
    /// Age at which the first coefficient is the mass, d, where there is a term for age.
    pub reference_age_d: Option<f64>,
}

/// What bends the line of log mass on log weight.
#[derive(Debug, Clone, PartialEq)]
pub enum Bend {
    /// Nothing: one exponent at all weights.
    None,
    /// The exponent changes at one weight, which is a term.
    Break,
    /// A natural cubic spline with these knots in ln(weight / reference), ascending, three
    /// or more; it has two terms fewer than knots.
    Spline(Vec<f64>),
}

impl Allometry {
    /// Number of coefficients.
    #[must_use]
    pub fn len(&self) -> usize {
        2 + self.bend_terms() + usize::from(self.reference_age_d.is_some())
    }

    /// Never: there is a mass at the reference weight at least.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        false
    }

    /// Coefficients of the bend.
    #[must_use]
    pub fn bend_terms(&self) -> usize {
        match &self.bend {
            Bend::None => 0,
            Bend::Break => 2,
            Bend::Spline(knots) => knots.len().saturating_sub(2),
        }
    }

    /// ln(weight / reference).
    #[must_use]
    pub fn log_ratio(&self, weight_g: f64) -> f64 {
        (weight_g / self.reference_weight_g).ln()
    }

    /// f and its first and second derivative in u.
    fn shape(&self, u: f64, coefficients: &[f64]) -> [f64; 3] {
        let slope = coefficients[1];
        let mut at = [slope * u, slope, 0.0];
        match &self.bend {
            Bend::None => {}
            Bend::Break => {
                let beyond = u - self.log_ratio(coefficients[3]);
                if beyond > 0.0 {
                    at[0] += coefficients[2] * beyond;
                    at[1] += coefficients[2];
                }
            }
            Bend::Spline(knots) => {
                for (k, coefficient) in coefficients[2..2 + knots.len() - 2].iter().enumerate() {
                    let basis = natural(knots, k, u);
                    for (at, basis) in at.iter_mut().zip(basis) {
                        *at += coefficient * basis;
                    }
                }
            }
        }
        at
    }

    /// Natural logarithm of the mass; writes its gradient in ln a and the other
    /// coefficients, which are the columns of a linear model of log mass (of a break, at
    /// its weight).
    ///
    /// # Shapes
    /// `coefficients`, `gradient`: [`Allometry::len`].
    pub fn log_mass(&self, u: f64, age_d: f64, coefficients: &[f64], gradient: &mut [f64]) -> f64 {
        gradient[0] = 1.0;
        gradient[1] = u;
        match &self.bend {
            Bend::None => {}
            Bend::Break => {
                let beyond = u - self.log_ratio(coefficients[3]);
                gradient[2] = beyond.max(0.0);
                gradient[3] = if beyond > 0.0 {
                    -coefficients[2] / coefficients[3]
                } else {
                    0.0
                };
            }
            Bend::Spline(knots) => {
                for k in 0..knots.len() - 2 {
                    gradient[2 + k] = natural(knots, k, u)[0];
                }
            }
        }
        let mut value = coefficients[0].ln() + self.shape(u, coefficients)[0];
        if let Some(reference_d) = self.reference_age_d {
            let last = self.len() - 1;
            gradient[last] = age_d - reference_d;
            value += coefficients[last] * gradient[last];
        }
        value
    }

    /// The coefficients as terms of a curve.
    fn terms(&self) -> Vec<Term> {
        let free = |name: String, meaning: String, unit: &'static str| Term {
            name: name.into(),
            meaning: meaning.into(),
            unit: unit.into(),
            lower: f64::NEG_INFINITY,
            upper: f64::INFINITY,
        };
        let reference_g = self.reference_weight_g;
        let mut terms = vec![
            Term {
                lower: 0.0,
                ..free(
                    format!("at_{reference_g}g"),
                    format!("mass at a body weight of {reference_g} g"),
                    "g",
                )
            },
            free(
                "b".to_owned(),
                "allometric exponent: relative gain of the part over that of the body".to_owned(),
                "",
            ),
        ];
        match &self.bend {
            Bend::None => {}
            Bend::Break => {
                terms.push(free(
                    "b_change".to_owned(),
                    "change of the allometric exponent at the break".to_owned(),
                    "",
                ));
                terms.push(Term {
                    lower: 0.0,
                    ..free(
                        "break_weight".to_owned(),
                        "body weight at which the allometric exponent changes".to_owned(),
                        BODY_WEIGHT_UNIT,
                    )
                });
            }
            Bend::Spline(knots) => {
                terms.extend((1..knots.len() - 1).map(|k| {
                    free(
                        format!("bend{k}"),
                        format!("term {k} of the natural spline in log body weight"),
                        "",
                    )
                }));
            }
        }
        if self.reference_age_d.is_some() {
            terms.push(free(
                "c_age".to_owned(),
                "relative change of the mass with age at one body weight".to_owned(),
                "1/d",
            ));
        }
        terms
    }
}

/// Grams of the whole bird, which are not to be judged by the masses of a part of it.
const BODY_WEIGHT_UNIT: &str = "g body weight";

/// The k-th basis function of a natural cubic spline beside 1 and u, with its first two
/// derivatives, in units of the square of the range of the knots (Hastie T, Tibshirani R,
/// Friedman J 2009, *The Elements of Statistical Learning*, 5.2.1; from memory).
fn natural(knots: &[f64], k: usize, u: f64) -> [f64; 3] {
    let last = knots.len() - 1;
    let end = knots[last];
    let scale = (end - knots[0]).powi(2);
    let one = |knot: f64| {
        let (x, y) = ((u - knot).max(0.0), (u - end).max(0.0));
        let width = (end - knot) * scale;
        [
            (x.powi(3) - y.powi(3)) / width,
            3.0 * (x.powi(2) - y.powi(2)) / width,
            6.0 * (x - y) / width,
        ]
    };
    let (a, b) = (one(knots[k]), one(knots[last - 1]));
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

/// Mass of a part in age: an allometry on a weight curve.
#[derive(Debug, Clone)]
pub struct AllometricCurve {
    weight: Arc<dyn Curve>,
    allometry: Allometry,
    name: String,
    terms: Vec<Term>,
}

impl AllometricCurve {
    /// The allometry on this weight curve.
    #[must_use]
    pub fn new(weight: Arc<dyn Curve>, allometry: Allometry) -> Self {
        let mut terms: Vec<Term> = weight.terms().to_vec();
        for term in &mut terms {
            term.name = format!("weight_{}", term.name).into();
            term.meaning = format!("{} (of the body weight)", term.meaning).into();
            if term.unit == "g" {
                term.unit = BODY_WEIGHT_UNIT.into();
            }
        }
        terms.extend(allometry.terms());
        Self {
            name: format!("allometry-on-{}", weight.name()),
            weight,
            allometry,
            terms,
        }
    }

    /// The weight curve.
    #[must_use]
    pub fn weight(&self) -> &Arc<dyn Curve> {
        &self.weight
    }

    /// How log mass depends on log weight and age.
    #[must_use]
    pub fn allometry(&self) -> &Allometry {
        &self.allometry
    }

    /// How many of the terms, from the first, are those of the weight curve.
    #[must_use]
    pub fn weight_terms(&self) -> usize {
        self.weight.terms().len()
    }

    /// The last age at which the weight still gains, or two years.
    fn last_gain_d(&self, terms: &[f64]) -> f64 {
        const FRACTION: f64 = 0.9999;
        const LONGEST: f64 = 730.0;
        let mut gradient = vec![0.0; self.weight_terms()];
        let own = &terms[..self.weight_terms()];
        let found = self
            .weight
            .derived(Derived::AgeAtFraction(FRACTION), own, &mut gradient);
        found
            .filter(|age_d| *age_d > 0.0)
            .unwrap_or(LONGEST)
            .min(LONGEST)
    }
}

impl Curve for AllometricCurve {
    fn name(&self) -> &str {
        &self.name
    }

    fn terms(&self) -> &[Term] {
        &self.terms
    }

    fn value(&self, age_d: f64, terms: &[f64]) -> f64 {
        let (own, coefficients) = terms.split_at(self.weight_terms());
        let weight_g = self.weight.value(age_d, own);
        if weight_g <= 0.0 {
            return 0.0;
        }
        let u = self.allometry.log_ratio(weight_g);
        let mut exponent = self.allometry.shape(u, coefficients)[0];
        if let (Some(reference_d), Some(rate)) =
            (self.allometry.reference_age_d, coefficients.last())
        {
            exponent += rate * (age_d - reference_d);
        }
        coefficients[0] * exponent.exp()
    }

    fn value_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let (own, coefficients) = terms.split_at(self.weight_terms());
        let (of_weight, of_rest) = gradient.split_at_mut(own.len());
        let weight_g = self.weight.value_and_gradient(age_d, own, of_weight);
        if weight_g <= 0.0 {
            gradient.fill(0.0);
            return 0.0;
        }
        let u = self.allometry.log_ratio(weight_g);
        let mass_g = self
            .allometry
            .log_mass(u, age_d, coefficients, of_rest)
            .exp();
        let slope = self.allometry.shape(u, coefficients)[1];
        for g in of_weight {
            *g *= mass_g * slope / weight_g;
        }
        for g in of_rest.iter_mut() {
            *g *= mass_g;
        }
        of_rest[0] /= coefficients[0];
        mass_g
    }

    fn slope_and_gradient(&self, age_d: f64, terms: &[f64], gradient: &mut [f64]) -> f64 {
        let p = self.weight_terms();
        let (own, coefficients) = terms.split_at(p);
        let mut of_weight = vec![0.0; p];
        let weight_g = self.weight.value_and_gradient(age_d, own, &mut of_weight);
        let mut of_gain = vec![0.0; p];
        let gain = self.weight.slope_and_gradient(age_d, own, &mut of_gain);
        let mass_g = self.value_and_gradient(age_d, terms, gradient);
        if weight_g <= 0.0 {
            return 0.0;
        }
        let u = self.allometry.log_ratio(weight_g);
        let [_, first, second] = self.allometry.shape(u, coefficients);
        let relative = gain / weight_g;
        let rate = match (self.allometry.reference_age_d, coefficients.last()) {
            (Some(_), Some(rate)) => *rate,
            _ => 0.0,
        };
        let h = first * relative + rate;
        for g in gradient.iter_mut() {
            *g *= h;
        }
        for (j, g) in gradient[..p].iter_mut().enumerate() {
            let w = of_weight[j] / weight_g;
            let h_w = second * w * relative + first * (of_gain[j] / weight_g - relative * w);
            *g += mass_g * h_w;
        }
        // d h / d coefficient: the basis functions' own slopes.
        let of_rest = &mut gradient[p..];
        of_rest[1] += mass_g * relative;
        match &self.allometry.bend {
            Bend::None => {}
            Bend::Break => {
                if weight_g > coefficients[3] {
                    of_rest[2] += mass_g * relative;
                }
            }
            Bend::Spline(knots) => {
                for k in 0..knots.len() - 2 {
                    of_rest[2 + k] += mass_g * natural(knots, k, u)[1] * relative;
                }
            }
        }
        if self.allometry.reference_age_d.is_some() {
            of_rest[self.allometry.len() - 1] += mass_g;
        }
        mass_g * h
    }

    /// None: the terms come from two fits, not from ages and values.
    fn start(&self, _: usize, _: &[f64], _: &[f64], _: &mut [f64]) -> bool {
        false
    }

    fn derived(&self, what: Derived, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        derived(self, what, terms, gradient)
    }
}

impl Landmarks for AllometricCurve {
    /// The mass at the mature weight; none where the mass changes with age at one weight.
    fn asymptote(&self, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        if self.allometry.reference_age_d.is_some() {
            return None;
        }
        let (own, coefficients) = terms.split_at(self.weight_terms());
        let (of_weight, of_rest) = gradient.split_at_mut(own.len());
        let mature_g = self.weight.derived(Derived::Mature, own, of_weight)?;
        if mature_g <= 0.0 {
            return None;
        }
        let u = self.allometry.log_ratio(mature_g);
        let mass_g = self.allometry.log_mass(u, 0.0, coefficients, of_rest).exp();
        let slope = self.allometry.shape(u, coefficients)[1];
        for g in of_weight {
            *g *= mass_g * slope / mature_g;
        }
        for g in of_rest.iter_mut() {
            *g *= mass_g;
        }
        of_rest[0] /= coefficients[0];
        Some(mass_g)
    }

    /// The first age from hatch on at which the mass rises through the value.
    fn age_at_value(&self, value: f64, terms: &[f64]) -> Option<f64> {
        let last_d = self.last_gain_d(terms);
        let left = |age_d: f64| self.value(age_d, terms) - value;
        let mut before_d = 0.0;
        for step in 1..=STEPS {
            let age_d = last_d * f64::from(step) / f64::from(STEPS);
            if left(before_d) <= 0.0 && left(age_d) > 0.0 {
                return Some(rising_root(left, before_d, age_d));
            }
            before_d = age_d;
        }
        None
    }

    /// The age of the greatest gain where the gain is smooth: by the implicit function
    /// theorem at a zero of the second derivative in age, which is taken by differences
    /// of the exact slope. None of a weight curve with two phases, which has two peaks.
    fn inflection_age(&self, terms: &[f64], gradient: &mut [f64]) -> Option<f64> {
        /// Half a step, d: short against growth, long against rounding.
        const H: f64 = 0.05;
        let own = &terms[..self.weight_terms()];
        self.weight
            .derived(Derived::InflectionAge, own, &mut vec![0.0; own.len()])?;
        let last_d = self.last_gain_d(terms);
        let gain = |age_d: f64, spare: &mut [f64]| self.slope_and_gradient(age_d, terms, spare);
        let grid = (1..STEPS).map(|step| last_d * f64::from(step) / f64::from(STEPS));
        let rate = |age_d: &f64| gain(*age_d, &mut vec![0.0; terms.len()]);
        let peak_d = grid.max_by(|one, other| rate(one).total_cmp(&rate(other)))?;
        let change = |age_d: f64| rate(&(age_d - H)) - rate(&(age_d + H));
        let width = last_d / f64::from(STEPS);
        let (low, high) = (peak_d - width, peak_d + width);
        if change(low) >= 0.0 || change(high) <= 0.0 {
            return None;
        }
        let age_d = rising_root(change, low, high);
        let mut below = vec![0.0; terms.len()];
        let before = gain(age_d - H, &mut below);
        let after = gain(age_d + H, gradient);
        let third = (before + after - 2.0 * rate(&age_d)) / (H * H);
        for (g, below) in gradient.iter_mut().zip(&below) {
            *g = -(*g - below) / (2.0 * H) / third;
        }
        (third < 0.0).then_some(age_d)
    }
}

/// Steps in which landmarks are looked for between hatch and the mature weight.
const STEPS: u32 = 400;

#[cfg(test)]
mod tests;
