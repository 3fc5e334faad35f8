//! Which cues were known of each bird at the landmark, and how precisely?
//!
//! Cues are read off curves that were fitted to weighings up to the landmark only. Each
//! trait's cues come from one curve for all birds, so that they mean the same: the one
//! that most birds' AICc puts first.

use std::collections::BTreeMap;

use super::cues::FittedCurve;
use super::lay::{CueColumn, LayRecords, Reading};
use crate::fit::estimable::NotEstimable;
use crate::fit::interval;
use crate::fit::{Outcome, choice};
use crate::growth::Derived;
use crate::study::{BODY_WEIGHT, Study};

/// A cue must be known of this share of the birds, or it would decide which birds count.
const KNOWN_SHARE: f64 = 0.8;
/// A curve speaks for a landmark that lies no further than this beyond its last weighing, d:
/// two weeks, so that one missed weekly weighing is no loss.
const REACH_D: f64 = 14.0;

/// Cues at a landmark.
#[derive(Debug, Clone, Default)]
pub struct LandmarkCues {
    /// One column a cue, a reading a bird of the records.
    pub columns: Vec<CueColumn>,
    /// Which curve each trait's cues come from, in words.
    pub curves: Vec<String>,
    /// Cues that too few birds have, in words.
    pub left_out: Vec<String>,
}

/// The cues of the birds in `records` from curves fitted to what was known at the landmark.
///
/// `fits`: of the study as it was at the landmark; those of strains are not looked at.
#[must_use]
pub fn landmark_cues(
    study: &Study,
    fits: &[FittedCurve<'_>],
    landmark_d: f64,
    records: &LayRecords,
) -> LandmarkCues {
    let place: BTreeMap<&str, usize> = records
        .birds
        .iter()
        .enumerate()
        .map(|(place, bird)| (bird.name.as_str(), place))
        .collect();
    let mut all = Vec::new();
    let mut curves = Vec::new();
    for (trait_index, trait_) in study.traits.iter().enumerate() {
        let own: Vec<&FittedCurve<'_>> = fits
            .iter()
            .filter(|fit| fit.trait_index == trait_index && fit.bird.is_some())
            .collect();
        let Some(curve) = usual_curve(&own) else {
            continue;
        };
        curves.push(format!("{} by {curve}", trait_.name));
        for named_cues in named_cues(&trait_.name, landmark_d, study) {
            let mut column = CueColumn {
                name: named_cues.name,
                readings: vec![None; records.birds.len()],
            };
            let second_peak = named_cues.what == Derived::SecondPeakAge;
            for fit in &own {
                let right = fit.curve.name() == curve || second_peak;
                let bird = fit
                    .bird
                    .and_then(|bird| place.get(study.birds[bird].name.as_str()));
                if let (true, Some(bird)) = (right, bird) {
                    let read = reading(fit, named_cues.what, landmark_d);
                    column.readings[*bird] = column.readings[*bird].or(read);
                }
            }
            if has(&own, curve, named_cues.what) || second_peak {
                all.push(column);
            }
        }
    }
    all.extend(shares(&all, study, landmark_d));
    LandmarkCues {
        curves,
        ..sifted(all, landmark_d)
    }
}

/// Whether the curve has such a quantity at all: one phase has no first peak, two have no one
/// inflection.
fn has(fits: &[&FittedCurve<'_>], curve: &str, what: Derived) -> bool {
    let ages = [Derived::InflectionAge, Derived::FirstPeakAge];
    let of_curve = fits.iter().filter(|fit| fit.curve.name() == curve);
    let mut fitted = of_curve.filter_map(|fit| Some((fit, fit.outcome.estimates()?)));
    !ages.contains(&what)
        || fitted.any(|(fit, estimates)| {
            let found = interval::derived(fit.curve, estimates, what, 0.95);
            !matches!(found, Err(NotEstimable::Absent))
        })
}

/// A quantity and what it is called as a cue.
struct NamedCue {
    name: String,
    what: Derived,
}

fn named_cues(trait_name: &str, landmark_d: f64, study: &Study) -> Vec<NamedCue> {
    let mut all = vec![
        Derived::ValueAt(landmark_d),
        Derived::RateAt(landmark_d),
        Derived::InflectionAge,
        Derived::FirstPeakAge,
        Derived::SecondPeakAge,
    ];
    if trait_name == BODY_WEIGHT {
        let thresholds_g = &study.settings.cues.thresholds_g;
        all.extend(thresholds_g.iter().map(|g| Derived::AgeAtValue(*g)));
    }
    let named = |what: Derived| {
        let name = what.name();
        NamedCue {
            name: if trait_name == BODY_WEIGHT {
                name.into_owned()
            } else {
                match what {
                    Derived::ValueAt(_) => name.replacen("weight", trait_name, 1),
                    _ => format!("{trait_name}_{name}"),
                }
            },
            what,
        }
    };
    all.into_iter().map(named).collect()
}

/// The curve that AICc puts first for most birds, converged before weak.
pub(super) fn usual_curve<'a>(fits: &[&'a FittedCurve<'_>]) -> Option<&'a str> {
    let mut by_bird: BTreeMap<Option<usize>, Vec<&'a FittedCurve<'_>>> = BTreeMap::new();
    for fit in fits {
        by_bird.entry(fit.bird).or_default().push(fit);
    }
    let mut votes: BTreeMap<&str, usize> = BTreeMap::new();
    for fits in by_bird.values() {
        let outcomes: Vec<&Outcome> = fits.iter().map(|fit| fit.outcome).collect();
        let ranked = fits.iter().zip(choice::places(&outcomes));
        let first = ranked
            .filter(|(fit, _)| fit.outcome.estimates().is_some())
            .min_by_key(|(fit, place)| {
                let weak = matches!(fit.outcome, Outcome::Weak(..));
                (weak, place.as_ref().map_or(usize::MAX, |place| place.rank))
            });
        if let Some((fit, _)) = first {
            *votes.entry(fit.curve.name()).or_default() += 1;
        }
    }
    votes
        .into_iter()
        .max_by_key(|(_, votes)| *votes)
        .map(|(curve, _)| curve)
}

/// A value at the landmark stands on the weighings around it, whatever becomes of the
/// asymptote; an age must lie within the weighings of a converged fit.
fn reading(fit: &FittedCurve<'_>, what: Derived, landmark_d: f64) -> Option<Reading> {
    let estimates = fit.outcome.estimates()?;
    // The level does not matter: only the standard error is read.
    let estimate = interval::derived(fit.curve, estimates, what, 0.95).ok()?;
    let supported = match what {
        Derived::ValueAt(_) | Derived::RateAt(_) => fit.last_age_d >= landmark_d - REACH_D,
        _ => {
            matches!(fit.outcome, Outcome::Converged(_))
                && (fit.first_age_d..=fit.last_age_d).contains(&estimate.value)
        }
    };
    supported.then_some(Reading {
        value: estimate.value,
        std_error: estimate.standard_error,
    })
}

/// Each trait's percent of the body weight at the landmark, their errors independent.
fn shares(columns: &[CueColumn], study: &Study, landmark_d: f64) -> Vec<CueColumn> {
    let name = Derived::ValueAt(landmark_d).name();
    let of = |name: &str| columns.iter().find(|column| column.name == name);
    let Some(weight) = of(&name) else {
        return Vec::new();
    };
    let others = study
        .traits
        .iter()
        .filter(|trait_| trait_.name != BODY_WEIGHT);
    let share = |trait_name: &str| {
        let part = of(&name.replacen("weight", trait_name, 1))?;
        let pairs = part.readings.iter().zip(&weight.readings);
        let readings = pairs.map(|(part, whole)| share_of(part.as_ref()?, whole.as_ref()?));
        Some(CueColumn {
            name: name.replacen("weight", &format!("{trait_name}_share_pct"), 1),
            readings: readings.collect(),
        })
    };
    others.filter_map(|trait_| share(&trait_.name)).collect()
}

/// Part as a percentage of the whole, by the delta method.
pub(super) fn share_of(part: &Reading, whole: &Reading) -> Option<Reading> {
    if whole.value <= 0.0 {
        return None;
    }
    let share = part.value / whole.value;
    let std_error = part.std_error.zip(whole.std_error);
    let std_error = std_error.map(|(part, of)| 100.0 * part.hypot(share * of) / whole.value);
    Some(Reading {
        value: 100.0 * share,
        std_error,
    })
}

fn sifted(all: Vec<CueColumn>, landmark_d: f64) -> LandmarkCues {
    let mut cues = LandmarkCues::default();
    for column in all {
        let birds = column.readings.len();
        let known = column.readings.iter().flatten().count();
        if known as f64 >= KNOWN_SHARE * birds as f64 && known > 0 {
            cues.columns.push(column);
        } else {
            cues.left_out.push(format!(
                "{} (known of {known} of {birds} birds at {landmark_d} d)",
                column.name
            ));
        }
    }
    cues
}
