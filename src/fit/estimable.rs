//! What a fit may report: an estimate, or why the data do not determine it.
//!
//! Every term and derived quantity that leaves the program passes [`Fitted`], so that
//! no output can show a number that the data do not determine. The rules, by the unit
//! of the quantity (limits are common practice, no source; a fit is weak by the same
//! ones, see `support.rs`):
//!
//! - a mass lies within twice the largest value, its standard error within half of
//!   the greater of the two; a mass that is a term of the curve within half of itself;
//! - an age lies no further beyond the ages weighed than they span, its standard error
//!   within half of that span; the inflection lies among the ages weighed;
//! - a rate of gain lies within twice the largest value a day, its standard error
//!   within half of the greater of it and the mean gain, largest value / span of ages;
//! - a relative rate (1/d) lies within a hundred over the span of ages: growth that is
//!   over in a hundredth of the time weighed is a step between two weighings. Its
//!   standard error lies within half of the greater of it and 1 / span of ages, that of
//!   a term of the curve within half of itself;
//! - a term lies within the range that its curve is described for, and so does every term
//!   that a quantity follows from, but for the mass and the rate at an age near the data;
//! - what follows from another quantity (the age at half of the mature mass) is
//!   determined where that is.
//!
//! An estimate on a bound is the bound's, not the data's.

use std::fmt;

use super::interval::{Estimate, SamplingDistribution};
use super::support::{self, GREATEST_REACH, GREATEST_RELATIVE_ERROR, Shown};
use super::{Estimates, Series};
use crate::growth::{Curve, Derived, Term};
use crate::stats::Interval;

/// How far the data reach, by which a fit's quantities are judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reach {
    /// First age, d.
    pub first_d: f64,
    /// Last age, d.
    pub last_d: f64,
    /// Largest value.
    pub largest: f64,
}

impl Reach {
    /// That of no data.
    pub(crate) const NOTHING: Self = Self {
        first_d: f64::INFINITY,
        last_d: f64::NEG_INFINITY,
        largest: 0.0,
    };

    /// That of a series with at least one value.
    pub(crate) fn of(series: Series<'_>) -> Self {
        Self::NOTHING.and(series)
    }

    /// That of these data and a further series.
    pub(crate) fn and(self, series: Series<'_>) -> Self {
        let ages_d = series.ages_d.iter().copied();
        Self {
            first_d: ages_d.clone().fold(self.first_d, f64::min),
            last_d: ages_d.fold(self.last_d, f64::max),
            largest: support::largest(series.values).max(self.largest),
        }
    }

    /// Days from the first to the last age.
    #[must_use]
    pub fn span_d(&self) -> f64 {
        self.last_d - self.first_d
    }

    /// Whether an age lies no further beyond the ages weighed than they span.
    #[must_use]
    pub fn is_near(&self, age_d: f64) -> bool {
        let beyond = (GREATEST_REACH - 1.0) * self.span_d();
        (self.first_d - beyond..=self.last_d + beyond).contains(&age_d)
    }

    /// Greatest relative rate, 1/d.
    fn fastest(&self) -> f64 {
        100.0 / self.span_d()
    }

    fn far(&self, what: &str) -> NotEstimable {
        NotEstimable::Undetermined(format!(
            "{what} lies far beyond the ages weighed ({} to {} d)",
            Shown(self.first_d),
            Shown(self.last_d)
        ))
    }
}

/// Why a quantity has no number.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NotEstimable {
    /// The curve has no such quantity at its terms: it never comes there.
    Absent,
    /// The data do not determine it: why, in words.
    Undetermined(String),
}

impl fmt::Display for NotEstimable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Absent => f.write_str("the fitted curve never comes there"),
            Self::Undetermined(reason) => f.write_str(reason),
        }
    }
}

/// A fitted curve with what its data determine.
#[derive(Debug, Clone, Copy)]
pub struct Fitted<'a> {
    /// The curve.
    pub curve: &'a dyn Curve,
    /// Its terms and their covariance.
    pub law: SamplingDistribution<'a>,
    /// How far the data reach.
    pub reach: Reach,
}

impl<'a> Fitted<'a> {
    /// A curve with its estimates.
    #[must_use]
    pub fn of(curve: &'a dyn Curve, estimates: &'a Estimates) -> Self {
        Self {
            curve,
            law: SamplingDistribution::of(estimates),
            reach: estimates.reach,
        }
    }

    /// A term, by its place in the curve's order, with its interval at `level`.
    ///
    /// # Errors
    /// [`NotEstimable::Undetermined`].
    pub fn term(&self, index: usize, level: f64) -> Result<Estimate, NotEstimable> {
        let estimate = self.law.term(index, level);
        match self.doubt(index, &estimate) {
            None => Ok(estimate),
            Some(reason) => Err(NotEstimable::Undetermined(reason)),
        }
    }

    /// A quantity that follows from the terms, with its interval at `level`.
    ///
    /// # Errors
    /// [`NotEstimable::Absent`] where the curve has none at its terms.
    pub fn derived(&self, what: Derived, level: f64) -> Result<Estimate, NotEstimable> {
        let estimate = self.law.derived(self.curve, what, level);
        let estimate = estimate.ok_or(NotEstimable::Absent)?;
        self.supports(what, &estimate)?;
        Ok(estimate)
    }

    /// Whether the data determine an estimate of a derived quantity.
    ///
    /// # Errors
    /// Why they do not.
    pub fn supports(&self, what: Derived, estimate: &Estimate) -> Result<(), NotEstimable> {
        let reach = &self.reach;
        if !matches!(
            what,
            Derived::ValueAt(_) | Derived::RateAt(_) | Derived::RelativeRateAt(_)
        ) && let Some(reason) = self.beyond_range(what)
        {
            return Err(NotEstimable::Undetermined(reason));
        }
        match what {
            Derived::InflectionAge
            | Derived::InflectionWeight
            | Derived::InflectionRate
            | Derived::FirstPeakAge
            | Derived::FirstPeakRate => {
                if let Some(weak) = support::inflection_weakness(self.curve, reach, self.law.terms)
                {
                    return Err(NotEstimable::Undetermined(weak.reason));
                }
            }
            Derived::Mature => {
                if let Some(weak) = support::asymptote_weakness(self.curve, reach, self.law.terms) {
                    return Err(NotEstimable::Undetermined(weak.reason));
                }
            }
            Derived::AgeAtFraction(_) => {
                self.derived(Derived::Mature, 0.95)?;
            }
            Derived::SecondPeakRate => {
                self.derived(Derived::SecondPeakAge, 0.95)?;
            }
            Derived::ValueAt(age_d) | Derived::RateAt(age_d) | Derived::RelativeRateAt(age_d) => {
                if !reach.is_near(age_d) {
                    return Err(reach.far(&format!("{} d", Shown(age_d))));
                }
            }
            Derived::AgeAtValue(_) | Derived::SecondPeakAge => {}
        }
        self.within(what.unit(), estimate)
    }

    /// The first term beyond the range that the curve is described for of those that a
    /// derived quantity follows from.
    fn beyond_range(&self, what: Derived) -> Option<String> {
        let mut gradient = vec![0.0; self.law.terms.len()];
        self.curve.derived(what, self.law.terms, &mut gradient)?;
        let terms = self.curve.terms().iter().zip(self.law.terms);
        let mut felt = terms.zip(&gradient).filter(|(_, slope)| **slope != 0.0);
        felt.find_map(|((term, value), _)| beyond_range(term, *value))
    }

    /// An interval whose limits beyond ten times what the data reach are open: infinite
    /// (common practice, no source). `unit` is the quantity's.
    #[must_use]
    pub fn opened(&self, unit: &str, interval: Interval) -> Interval {
        const FAR: f64 = 10.0;
        let Reach {
            first_d,
            last_d,
            largest,
        } = self.reach;
        let beyond_d = FAR * self.reach.span_d();
        let (least, most) = match unit {
            "g" | "g/d" => (-FAR * largest, FAR * largest),
            "d" => (first_d - beyond_d, last_d + beyond_d),
            "1/d" => (-FAR * self.reach.fastest(), FAR * self.reach.fastest()),
            _ => return interval,
        };
        Interval {
            lower: if interval.lower < least {
                f64::NEG_INFINITY
            } else {
                interval.lower
            },
            upper: if interval.upper > most {
                f64::INFINITY
            } else {
                interval.upper
            },
        }
    }

    /// The limits by unit.
    fn within(&self, unit: &str, estimate: &Estimate) -> Result<(), NotEstimable> {
        let Reach { largest, .. } = self.reach;
        let span_d = self.reach.span_d();
        let value = estimate.value.abs();
        let (most, measure, words) = match unit {
            "g" => (
                largest,
                value.max(largest),
                "of it and of the largest value",
            ),
            "d" => (f64::INFINITY, span_d, "of the range of ages"),
            "g/d" => (
                largest,
                value.max(largest / span_d),
                "of it and of the mean gain",
            ),
            "1/d" => (
                self.reach.fastest() / GREATEST_REACH,
                value.max(1.0 / span_d),
                "of it",
            ),
            _ => (f64::INFINITY, value, "of it"),
        };
        if unit == "d" && !self.reach.is_near(estimate.value) {
            return Err(self.reach.far("it"));
        }
        let reason = if value > GREATEST_REACH * most {
            format!(
                "it lies far beyond the data (largest value {})",
                Shown(largest)
            )
        } else if estimate.standard_error.unwrap_or(0.0) > GREATEST_RELATIVE_ERROR * measure {
            format!("its standard error is more than half {words}")
        } else {
            return Ok(());
        };
        Err(NotEstimable::Undetermined(reason))
    }

    /// Why the data do not determine a term; `None` where they do.
    fn doubt(&self, index: usize, estimate: &Estimate) -> Option<String> {
        let (curve, reach, terms) = (self.curve, &self.reach, self.law.terms);
        let term = &curve.terms()[index];
        let of_whole = match &*term.unit {
            "g" => support::asymptote_weakness(curve, reach, terms),
            "d" => support::inflection_weakness(curve, reach, terms),
            _ => None,
        };
        let of_whole = of_whole.filter(|weak| weak.term == Some(index));
        // A term on its bound has no variance; neither has any term of an exact fit.
        let exact = || self.law.covariance.iter().all(|entry| *entry == 0.0);
        of_whole
            .map(|weak| weak.reason)
            .or_else(|| (estimate.standard_error.is_none() && !exact()).then(|| on_bound(term)))
            .or_else(|| own_doubt(term, estimate.value, estimate.standard_error, reach))
    }
}

/// Why the data do not determine a term, by its value and standard error; `None`
/// where they do.
pub(super) fn own_doubt(
    term: &Term,
    value: f64,
    standard_error: Option<f64>,
    reach: &Reach,
) -> Option<String> {
    if let Some(reason) = beyond_range(term, value) {
        return Some(reason);
    }
    let name = &term.name;
    let far = match &*term.unit {
        "g" => value.abs() > GREATEST_REACH * reach.largest,
        "d" => !reach.is_near(value),
        "1/d" => value.abs() > reach.fastest(),
        _ => false,
    };
    if far {
        return Some(format!("{name} lies far beyond the data"));
    }
    let error = standard_error?;
    // A term in days is a place on the age axis, whose zero has no meaning for it:
    // there the range of ages is the measure.
    let (measure, of) = match &*term.unit {
        "d" => (reach.span_d(), "of the range of ages"),
        _ => (value.abs(), "of it"),
    };
    (error > GREATEST_RELATIVE_ERROR * measure).then(|| {
        let share = 100.0 * error / measure;
        let share = if share > 1000.0 {
            "over 1000".to_owned()
        } else {
            format!("{share:.0}")
        };
        format!("standard error of {name} is {share}% {of}")
    })
}

/// A term outside the range that its curve is described for: a mixed fit has no bounds.
fn beyond_range(term: &Term, value: f64) -> Option<String> {
    (!(term.lower..=term.upper).contains(&value)).then(|| {
        let name = &term.name;
        format!("{name} lies beyond the range that the curve is described for")
    })
}

/// A term at the end of its range.
pub(super) fn on_bound(term: &Term) -> String {
    format!("{} is at the end of its range", term.name)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::{Settings, Workspace, fit};
    use crate::growth::built_in;

    /// The Gompertz curve through values of these ages, fitted.
    fn fitted(value: impl Fn(f64) -> f64) -> (std::sync::Arc<dyn Curve>, Estimates) {
        let ages_d: Vec<f64> = (0..10).map(|week| 14.0 * f64::from(week)).collect();
        let values: Vec<f64> = ages_d.iter().map(|age_d| value(*age_d)).collect();
        let curve = built_in("gompertz").expect("a curve");
        let series = Series {
            ages_d: &ages_d,
            values: &values,
        };
        let outcome = fit(&*curve, series, &Settings::default(), &mut Workspace::new());
        let estimates = outcome.estimates().expect("numbers").clone();
        (curve, estimates)
    }

    fn gompertz(age_d: f64) -> f64 {
        1700.0 * (-(-0.03 * (age_d - 55.0)).exp()).exp()
    }

    #[test]
    fn exact_data_give_all_terms() {
        let (curve, estimates) = fitted(gompertz);
        let fitted = Fitted::of(&*curve, &estimates);
        for (index, truth) in [1700.0, 0.03, 55.0].into_iter().enumerate() {
            let places = ["A", "k", "ti"].map(|name| {
                let mut terms = curve.terms().iter();
                terms.position(|term| term.name == name).unwrap_or_default()
            });
            let found = fitted.term(places[index], 0.95).expect("an exact term");
            assert!((found.value / truth - 1.0).abs() < 1e-6);
        }
        let what = Derived::AgeAtValue(1e6);
        assert_eq!(fitted.derived(what, 0.95), Err(NotEstimable::Absent));
    }

    #[test]
    fn what_follows_from_an_undetermined_quantity_is_undetermined() {
        let (curve, mut estimates) = fitted(gompertz);
        // As though the weighings had ended at 28 d, long before the inflection at 55 d.
        estimates.reach = Reach {
            first_d: 0.0,
            last_d: 28.0,
            largest: gompertz(28.0),
        };
        let fitted = Fitted::of(&*curve, &estimates);
        for what in [
            Derived::Mature,
            Derived::InflectionAge,
            Derived::InflectionRate,
            Derived::AgeAtFraction(0.95),
        ] {
            let found = fitted.derived(what, 0.95);
            assert!(
                matches!(found, Err(NotEstimable::Undetermined(_))),
                "{what:?}"
            );
        }
        assert!(fitted.derived(Derived::ValueAt(28.0), 0.95).is_ok());
        assert!(fitted.derived(Derived::ValueAt(60.0), 0.95).is_err());
        // The reason has numbers of the data only.
        let Err(NotEstimable::Undetermined(reason)) = fitted.derived(Derived::Mature, 0.95) else {
            panic!("a mature mass that no weighing came near");
        };
        let largest = format!("{:.1}", estimates.reach.largest);
        assert!(reason.contains(&largest), "{reason}");
        assert!(!reason.contains("1700"), "{reason}");
        let wide = Interval {
            lower: 40.0,
            upper: 1e5,
        };
        let opened = fitted.opened("g", wide);
        assert_eq!((opened.lower, opened.upper), (40.0, f64::INFINITY));
    }

    #[test]
    fn a_term_beyond_its_cards_range_and_what_follows_from_it_are_undetermined() {
        let (curve, mut estimates) = fitted(gompertz);
        let k = curve.terms().iter().position(|term| term.name == "k");
        estimates.terms[k.expect("a rate")] = -0.03;
        let fitted = Fitted::of(&*curve, &estimates);
        let reason = "k lies beyond the range that the curve is described for";
        let undetermined = Err(NotEstimable::Undetermined(reason.to_owned()));
        assert_eq!(fitted.term(k.expect("a rate"), 0.95), undetermined);
        assert_eq!(fitted.derived(Derived::InflectionRate, 0.95), undetermined);
        assert!(fitted.derived(Derived::ValueAt(60.0), 0.95).is_ok());
    }
}
