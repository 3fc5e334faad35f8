//! Derived quantities and their gradients from a curve's landmarks.
//!
//! A quantity at a fixed age takes its gradient from the curve. One at an age that
//! itself moves with the terms takes it by the implicit function theorem: where
//! f(a, terms) = p A, the gradient of a is (p dA - df) / f'(a) (standard calculus).

use std::borrow::Cow;

use super::{Curve, Derived};

/// Most terms of any curve whose quantities are derived without the heap.
const MOST_TERMS: usize = 16;

/// What a curve must know for everything in [`Derived`] to follow.
pub(super) trait Landmarks: Curve {
    /// The mass that the curve tends to, g, and its gradient.
    fn asymptote(&self, terms: &[f64], gradient: &mut [f64]) -> Option<f64>;

    /// The age at which the curve passes a value, d.
    fn age_at_value(&self, value: f64, terms: &[f64]) -> Option<f64>;

    /// The age of the greatest slope, d, and its gradient.
    fn inflection_age(&self, terms: &[f64], gradient: &mut [f64]) -> Option<f64>;

    /// The age of the first phase's greatest slope, d, and its gradient; with it
    /// the second derivative in age of the whole curve there, g/d^2.
    fn first_peak_age(&self, _terms: &[f64], _gradient: &mut [f64]) -> Option<(f64, f64)> {
        None
    }

    /// The age of the second phase's greatest slope, d, and its gradient; with it
    /// the second derivative in age of the whole curve there, g/d^2.
    fn second_peak_age(&self, _terms: &[f64], _gradient: &mut [f64]) -> Option<(f64, f64)> {
        None
    }
}

/// A derived quantity and its gradient; `None` too where either is not finite.
pub(super) fn derived<C: Landmarks>(
    curve: &C,
    what: Derived,
    terms: &[f64],
    gradient: &mut [f64],
) -> Option<f64> {
    let mut spare = [0.0; MOST_TERMS];
    let spare = spare.get_mut(..terms.len())?;
    let value = match what {
        Derived::Mature => curve.asymptote(terms, gradient)?,
        Derived::InflectionAge => curve.inflection_age(terms, gradient)?,
        Derived::InflectionWeight => {
            let age_d = curve.inflection_age(terms, gradient)?;
            let slope = curve.slope_and_gradient(age_d, terms, spare);
            let value = curve.value_and_gradient(age_d, terms, spare);
            // Total derivative: the age moves with the terms.
            for (g, s) in gradient.iter_mut().zip(spare.iter()) {
                *g = s + slope * *g;
            }
            value
        }
        Derived::InflectionRate => {
            // The slope is stationary in age here, so the age's move adds nothing.
            let age_d = curve.inflection_age(terms, gradient)?;
            curve.slope_and_gradient(age_d, terms, gradient)
        }
        Derived::AgeAtFraction(fraction) => {
            let mature = curve.asymptote(terms, gradient)?;
            let age_d = curve.age_at_value(fraction * mature, terms)?;
            for g in gradient.iter_mut() {
                *g *= fraction;
            }
            implicit_age(curve, age_d, terms, gradient, spare)
        }
        Derived::AgeAtValue(value) => {
            let age_d = curve.age_at_value(value, terms)?;
            gradient.fill(0.0);
            implicit_age(curve, age_d, terms, gradient, spare)
        }
        Derived::FirstPeakAge => curve.first_peak_age(terms, gradient)?.0,
        Derived::SecondPeakAge => curve.second_peak_age(terms, gradient)?.0,
        Derived::FirstPeakRate | Derived::SecondPeakRate => {
            let (age_d, bend) = match what {
                Derived::FirstPeakRate => curve.first_peak_age(terms, gradient)?,
                _ => curve.second_peak_age(terms, gradient)?,
            };
            let rate = curve.slope_and_gradient(age_d, terms, spare);
            for (g, s) in gradient.iter_mut().zip(spare.iter()) {
                *g = s + bend * *g;
            }
            rate
        }
        Derived::ValueAt(age_d) => curve.value_and_gradient(age_d, terms, gradient),
        Derived::RateAt(age_d) => curve.slope_and_gradient(age_d, terms, gradient),
        Derived::RelativeRateAt(age_d) => {
            let value = curve.value_and_gradient(age_d, terms, spare);
            if value.is_nan() || value <= 0.0 {
                return None;
            }
            let relative = curve.slope_and_gradient(age_d, terms, gradient) / value;
            for (g, s) in gradient.iter_mut().zip(spare.iter()) {
                *g = (*g - relative * s) / value;
            }
            relative
        }
    };
    (value.is_finite() && gradient.iter().all(|g| g.is_finite())).then_some(value)
}

/// Turns the gradient of the value looked for into that of the age where it is reached.
fn implicit_age<C: Landmarks>(
    curve: &C,
    age_d: f64,
    terms: &[f64],
    gradient: &mut [f64],
    spare: &mut [f64],
) -> f64 {
    let slope = curve.slope_and_gradient(age_d, terms, spare);
    curve.value_and_gradient(age_d, terms, spare);
    for (g, s) in gradient.iter_mut().zip(spare.iter()) {
        *g = (*g - s) / slope;
    }
    age_d
}

impl Derived {
    /// Name in the tables: `mature_weight`, `age_at_50pct`, `weight_at_126d`.
    #[must_use]
    pub fn name(self) -> Cow<'static, str> {
        match self {
            Self::Mature => "mature_weight".into(),
            Self::InflectionAge => "inflection_age".into(),
            Self::InflectionWeight => "inflection_weight".into(),
            Self::InflectionRate => "inflection_rate".into(),
            Self::AgeAtFraction(fraction) => {
                format!("age_at_{}pct", without_rounding(100.0 * fraction)).into()
            }
            Self::AgeAtValue(value_g) => format!("age_at_{}g", without_rounding(value_g)).into(),
            Self::FirstPeakAge => "first_peak_age".into(),
            Self::FirstPeakRate => "first_peak_rate".into(),
            Self::SecondPeakAge => "second_peak_age".into(),
            Self::SecondPeakRate => "second_peak_rate".into(),
            Self::ValueAt(age_d) => format!("weight_at_{}d", without_rounding(age_d)).into(),
            Self::RateAt(age_d) => format!("rate_at_{}d", without_rounding(age_d)).into(),
            Self::RelativeRateAt(age_d) => {
                format!("relative_rate_at_{}d", without_rounding(age_d)).into()
            }
        }
    }

    /// Unit: `g`, `d`, `g/d` or `1/d`.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::Mature | Self::InflectionWeight | Self::ValueAt(_) => "g",
            Self::InflectionAge
            | Self::AgeAtFraction(_)
            | Self::AgeAtValue(_)
            | Self::FirstPeakAge
            | Self::SecondPeakAge => "d",
            Self::InflectionRate | Self::FirstPeakRate | Self::SecondPeakRate | Self::RateAt(_) => {
                "g/d"
            }
            Self::RelativeRateAt(_) => "1/d",
        }
    }
}

/// 7.000000000000001 (0.07 as a percentage) is 7 in a name.
fn without_rounding(number: f64) -> f64 {
    let scaled = (number * 1e9).round() / 1e9;
    if scaled.is_finite() { scaled } else { number }
}
