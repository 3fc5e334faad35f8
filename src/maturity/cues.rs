//! At which age does each cue fall, how precisely is that known, and how long before the first egg?

use std::collections::HashSet;
use std::fmt;

use crate::error::{Error, Result};
use crate::fit::estimable::NotEstimable;
use crate::fit::interval::check_confidence;
use crate::fit::{Outcome, interval};
use crate::growth::{Curve, Derived};
use crate::study::{Onset, Study};

/// A fit and whose it is.
#[derive(Debug, Clone, Copy)]
pub struct FittedCurve<'a> {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// Index into [`Study::strains`].
    pub strain: usize,
    /// Index into [`Study::birds`]; none for a curve of the whole strain.
    pub bird: Option<usize>,
    /// The curve that was fitted.
    pub curve: &'a dyn Curve,
    /// How the fit ended.
    pub outcome: &'a Outcome,
    /// First age with data, d.
    pub first_age_d: f64,
    /// Last age with data, d.
    pub last_age_d: f64,
}

/// Which cues are requested, and the level of the intervals.
#[derive(Debug, Clone, PartialEq)]
pub struct CueOptions {
    /// Weights whose ages are cues, g.
    pub thresholds_g: Vec<f64>,
    /// Confidence of the intervals, between 0 and 1.
    pub confidence: f64,
}

impl Default for CueOptions {
    /// No thresholds, 95 percent.
    fn default() -> Self {
        Self {
            thresholds_g: Vec::new(),
            confidence: 0.95,
        }
    }
}

/// One row of `cues.csv`: a cue of one bird or strain.
#[derive(Debug, Clone)]
pub struct Cue {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// Index into [`Study::strains`].
    pub strain: usize,
    /// Index into [`Study::birds`]; none for a strain.
    pub bird: Option<usize>,
    /// Name of the curve.
    pub curve: String,
    /// Which age of the curve it is.
    pub cue: Derived,
    /// That age, or why there is none.
    pub age: std::result::Result<CueAge, NoCue>,
    /// The bird's first egg.
    pub first_egg: FirstEgg,
}

/// A cue's age.
#[derive(Debug, Clone, PartialEq)]
pub struct CueAge {
    /// Estimate, d.
    pub estimate_d: f64,
    /// Delta-method standard error, d; none where a term that it hangs on is held at its bound.
    pub std_error_d: Option<f64>,
    /// t interval on the fit's residual degrees of freedom, d.
    pub interval_d: Option<(f64, f64)>,
    /// Whether the data stand behind it.
    pub support: Support,
}

/// Whether the data stand behind a cue.
#[derive(Debug, Clone, PartialEq)]
pub enum Support {
    /// A converged fit, and an age between the first and last weighing.
    Supported,
    /// A converged fit, but the age lies beyond the data (first and last age, d).
    Extrapolated(f64, f64),
    /// The fit is weak, for this reason.
    Weak(String),
}

/// Why there is no age.
#[derive(Debug, Clone, PartialEq)]
pub enum NoCue {
    /// The fit failed, for this reason.
    FitFailed(String),
    /// The fitted curve never comes there.
    NotReached,
    /// The data do not determine its age, for this reason.
    NotEstimable(String),
}

/// What is known of a bird's first egg.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FirstEgg {
    /// Seen at this age, d.
    At(f64),
    /// Not seen until the bird was last looked at, at this age (d) where it is known.
    NotYet(Option<f64>),
    /// Nothing recorded, or not of a single bird.
    NotRecorded,
}

/// All cues of all fits, in the order of the fits.
///
/// A cue that none of a curve's fits has (the second peak of a one-phase curve) is
/// left out; a threshold is requested and always has its row.
///
/// # Errors
/// A call error where a threshold or the confidence is out of range. A failed fit
/// is a row with its reason.
pub fn cues(study: &Study, fits: &[FittedCurve<'_>], options: &CueOptions) -> Result<Vec<Cue>> {
    check(options)?;
    let mut onset: Vec<Option<&Onset>> = vec![None; study.birds.len()];
    for record in &study.onset {
        onset[record.bird] = Some(record);
    }
    let rows: Vec<Cue> = fits
        .iter()
        .flat_map(|fit| asked(options).map(move |what| (fit, what)))
        .map(|(fit, what)| Cue {
            trait_index: fit.trait_index,
            strain: fit.strain,
            bird: fit.bird,
            curve: fit.curve.name().to_owned(),
            cue: what,
            age: cue_age(fit, what, options.confidence),
            first_egg: FirstEgg::of(fit.bird.and_then(|bird| onset[bird])),
        })
        .collect();
    let known: HashSet<(String, String)> = rows
        .iter()
        .filter(|row| row.age.is_ok())
        .map(|row| (row.curve.clone(), row.cue.name().into_owned()))
        .collect();
    let kept = |row: &Cue| {
        matches!(row.cue, Derived::AgeAtValue(_))
            || known.contains(&(row.curve.clone(), row.cue.name().into_owned()))
    };
    Ok(rows.into_iter().filter(kept).collect())
}

fn check(options: &CueOptions) -> Result<()> {
    check_confidence(options.confidence)?;
    let bad = |threshold: &&f64| !threshold.is_finite() || **threshold <= 0.0;
    if let Some(threshold_g) = options.thresholds_g.iter().find(bad) {
        return Err(Error::call(format!(
            "cue threshold {threshold_g} g, expected grams above zero"
        )));
    }
    Ok(())
}

fn asked(options: &CueOptions) -> impl Iterator<Item = Derived> {
    [
        Derived::InflectionAge,
        Derived::FirstPeakAge,
        Derived::SecondPeakAge,
        Derived::AgeAtFraction(0.5),
        Derived::AgeAtFraction(0.95),
    ]
    .into_iter()
    .chain(options.thresholds_g.iter().map(|g| Derived::AgeAtValue(*g)))
}

fn cue_age(
    fit: &FittedCurve<'_>,
    what: Derived,
    confidence: f64,
) -> std::result::Result<CueAge, NoCue> {
    let (estimates, weak) = match fit.outcome {
        Outcome::Converged(estimates) => (estimates, None),
        Outcome::Weak(estimates, _) => (estimates, Some(fit.outcome.reason())),
        Outcome::Failed(failure) => return Err(NoCue::FitFailed(failure.reason.clone())),
    };
    let age = interval::derived(fit.curve, estimates, what, confidence)?;
    let support = match weak {
        Some(reason) => Support::Weak(reason),
        None if (fit.first_age_d..=fit.last_age_d).contains(&age.value) => Support::Supported,
        None => Support::Extrapolated(fit.first_age_d, fit.last_age_d),
    };
    Ok(CueAge {
        estimate_d: age.value,
        std_error_d: age.standard_error,
        interval_d: age.interval.map(|i| (i.lower, i.upper)),
        support,
    })
}

impl FirstEgg {
    fn of(onset: Option<&Onset>) -> Self {
        match onset {
            None => Self::NotRecorded,
            Some(onset) => match onset.first_egg_d() {
                Some(age_d) => Self::At(age_d),
                None if onset.has_laid() => Self::NotRecorded,
                None => Self::NotYet(onset.last_seen_age_d.or(onset.last_without_d)),
            },
        }
    }
}

impl Cue {
    /// First egg minus cue, d; positive where the cue came before the egg.
    #[must_use]
    pub fn difference_d(&self) -> Option<f64> {
        match (&self.age, self.first_egg) {
            (Ok(age), FirstEgg::At(first_egg_d)) => Some(first_egg_d - age.estimate_d),
            _ => None,
        }
    }

    /// `supported`, `extrapolated`, `weak`, `failed`, `not reached` or `not estimable`.
    #[must_use]
    pub fn status(&self) -> &'static str {
        match &self.age {
            Ok(CueAge {
                support: Support::Supported,
                ..
            }) => "supported",
            Ok(CueAge {
                support: Support::Extrapolated(..),
                ..
            }) => "extrapolated",
            Ok(CueAge {
                support: Support::Weak(_),
                ..
            }) => "weak",
            Err(NoCue::FitFailed(_)) => "failed",
            Err(NoCue::NotReached) => "not reached",
            Err(NoCue::NotEstimable(_)) => "not estimable",
        }
    }

    /// What the numbers do not show, in words; empty where there is nothing to add.
    #[must_use]
    pub fn note(&self) -> String {
        let mut notes = Vec::new();
        match &self.age {
            Ok(age) => {
                if age.support != Support::Supported {
                    notes.push(age.support.to_string());
                }
                if age.std_error_d.is_none() {
                    notes.push("no standard error: a term is held at its bound".to_owned());
                }
            }
            Err(reason) => notes.push(reason.to_string()),
        }
        if let FirstEgg::NotYet(last_seen_d) = self.first_egg {
            notes.push(match last_seen_d {
                Some(age_d) => format!("no egg until {age_d} d"),
                None => "no egg yet".to_owned(),
            });
        }
        notes.join("; ")
    }
}

impl fmt::Display for Support {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Supported => Ok(()),
            Self::Extrapolated(first_d, last_d) => {
                write!(f, "beyond the data, {first_d} to {last_d} d")
            }
            Self::Weak(reason) => write!(f, "weak fit: {reason}"),
        }
    }
}

impl From<NotEstimable> for NoCue {
    fn from(why: NotEstimable) -> Self {
        match why {
            NotEstimable::Absent => Self::NotReached,
            NotEstimable::Undetermined(reason) => Self::NotEstimable(reason),
        }
    }
}

impl fmt::Display for NoCue {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::FitFailed(reason) => write!(f, "no fit: {reason}"),
            Self::NotReached => NotEstimable::Absent.fmt(f),
            Self::NotEstimable(reason) => write!(f, "not estimable: {reason}"),
        }
    }
}
