//! Birds all of whose weights are hard to believe: in another unit, or hatched on another day.

use std::fmt;

use super::course::Course;
use super::weights::{LEAST_FROM_FLOCK, SPREADS};
use super::{day, median};
use crate::study::faults::Place;
use crate::study::{Records, Study};

/// Weighings that it takes to doubt a bird and not one weight.
const FEWEST_WEIGHINGS: usize = 2;
/// One in this number of weights far from the flock is enough where one cause explains them all.
const FAR_OF: usize = 4;
/// An explanation holds where it brings the median weighing this near to the flock, on
/// the log scale (a factor of 1.5: a runt in kilograms is in kilograms).
const EXPLAINS: f64 = 0.405;
/// Days by which a day of hatch in the year before makes a bird too old.
const YEAR_D: f64 = 365.0;

/// What would bring a bird's weights, or a whole study's, to what pullets weigh: a factor of
/// the weights, one of the ages, days to take off the ages, and the same in words.
pub(super) const EXPLANATIONS: [(f64, f64, f64, &str); 6] = [
    // First, since a bird older than all of its strain may weigh any more than they do.
    (
        1.0,
        1.0,
        YEAR_D,
        "they would fit if the day of hatch were a year later",
    ),
    (1000.0, 1.0, 0.0, "they would fit if they were in kg"),
    (453.592_37, 1.0, 0.0, "they would fit if they were in lb"),
    (
        28.349_523,
        1.0,
        0.0,
        "they would fit if they were in ounces",
    ),
    (1.0, 7.0, 0.0, "they would fit if the ages were in weeks"),
    (
        10.0,
        1.0,
        0.0,
        "they would fit with the decimal mark one place to the right",
    ),
];

/// A bird all of whose weights are hard to believe.
#[derive(Debug, Clone, PartialEq)]
pub struct OddBird {
    /// Index into [`Study::birds`].
    pub index: usize,
    /// Its name.
    pub bird: String,
    /// Its first weighing.
    pub place: Place,
    /// Its weighings.
    pub weighings: usize,
    /// Its weights over those of its flock at these ages: the median of the ratios.
    pub ratio: f64,
    /// What would explain it.
    pub explanation: Option<&'static str>,
}

impl fmt::Display for OddBird {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            bird,
            place,
            weighings,
            ratio,
            explanation,
            ..
        } = self;
        let times = if *ratio < 1.0 {
            format!("{} times less", rounded(1.0 / ratio))
        } else {
            format!("{} times more", rounded(*ratio))
        };
        write!(
            f,
            "{place}: the {weighings} weights of bird {bird} are {times} than those of its strain at these ages; "
        )?;
        f.write_str(
            explanation
                .unwrap_or("compare its name, strain and day of hatch with the record sheet"),
        )
    }
}

fn rounded(ratio: f64) -> String {
    if ratio < 10.0 {
        format!("{ratio:.1}")
    } else {
        format!("{ratio:.0}")
    }
}

/// Which birds are among those found.
pub(super) fn marked(study: &Study, found: &[OddBird]) -> Vec<bool> {
    let mut odd = vec![false; study.birds.len()];
    for bird in found {
        odd[bird.index] = true;
    }
    odd
}

/// All birds whose median weight lies as far from their flock as no single weight may, or
/// some of whose weights do by a cause that explains them all: at ages a year too old, a
/// bird's last weights are what its flock weighs.
pub(super) fn odd_birds(study: &Study, records: &Records, course: &Course) -> Vec<OddBird> {
    let mut found = Vec::new();
    let (mut off, mut spreads) = (Vec::new(), Vec::new());
    for (bird, what) in study.birds.iter().enumerate() {
        let range = records.starts[bird]..records.starts[bird + 1];
        if range.len() < FEWEST_WEIGHINGS {
            continue;
        }
        off.clear();
        spreads.clear();
        for record in range.clone() {
            let log = course.logs[record];
            let own = match course.centre(what.strain, record) {
                Some(centre) => Some(log - centre),
                None => course.off(what.strain, records.ages_d[record], log),
            };
            off.extend(own);
            spreads.push(course.spread(what.strain, record));
        }
        let (Some(level), Some(spread)) = (median(&mut off), median(&mut spreads)) else {
            continue;
        };
        let limit = LEAST_FROM_FLOCK.max(SPREADS * spread);
        let all = level.abs() > limit;
        let far = off.iter().filter(|off| off.abs() > limit).count();
        if !all && (far < FEWEST_WEIGHINGS || far * FAR_OF < off.len()) {
            continue;
        }
        let explanation = EXPLANATIONS.into_iter().find(|(mass, age, days, _)| {
            let mut off: Vec<f64> = range
                .clone()
                .filter_map(|record| {
                    let age_d = records.ages_d[record] * age - days;
                    let known = day(age_d) >= 0;
                    known
                        .then(|| course.off(what.strain, age_d, course.logs[record] + mass.ln()))?
                })
                .collect();
            off.len() == range.len()
                && (all || off.iter().all(|off| off.abs() < limit))
                && median(&mut off).is_some_and(|off| off.abs() < EXPLAINS)
        });
        if !all && explanation.is_none() {
            continue;
        }
        found.push(OddBird {
            index: bird,
            bird: what.name.clone(),
            place: Place::row(&records.file, records.rows[range.start]),
            weighings: range.len(),
            ratio: level.exp(),
            explanation: explanation.map(|(.., words)| words),
        });
    }
    found
}
