//! Which weighings belong together: the birds of a strain or pen at one age.

use crate::error::{Error, Result};
use crate::study::{Records, Study};

/// How ages are matched before birds are put together.
///
/// Birds that hatched on different days are weighed on one day at different
/// ages. Ages are rounded to the nearest whole multiple of the step (a half goes
/// up) and birds with the same rounded age form one group; its age is the mean
/// of their true ages.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AgeMatching {
    /// Only equal ages, to the last digit.
    Exact,
    /// Ages rounded to a multiple of so many days.
    RoundedTo(f64),
}

impl Default for AgeMatching {
    /// To the whole day.
    fn default() -> Self {
        Self::RoundedTo(1.0)
    }
}

/// The birds that were weighed at one age.
#[derive(Debug)]
pub(super) struct Occasion {
    pub(super) strain: usize,
    pub(super) pen: Option<usize>,
    pub(super) members: Vec<Member>,
}

impl Occasion {
    /// Mean age of its birds, d; an occasion has at least one.
    pub(super) fn mean_age_d(&self) -> f64 {
        #[expect(
            clippy::cast_precision_loss,
            reason = "a count of birds, far below 2^52"
        )]
        let n = self.members.len() as f64;
        self.members.iter().map(|m| m.age_d).sum::<f64>() / n
    }
}

/// One bird at an occasion; several weighings of it there count as their mean.
#[derive(Debug, Clone, Copy)]
pub(super) struct Member {
    pub(super) age_d: f64,
    pub(super) value: f64,
    weighings: f64,
    bird: usize,
}

/// What the birds of an occasion have in common beside their age.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Grouping {
    Strain,
    Pen,
}

/// All occasions of a trait, by group and age.
pub(super) fn occasions(
    study: &Study,
    records: &Records,
    grouping: Grouping,
    matching: AgeMatching,
) -> Vec<Occasion> {
    let mut keyed: Vec<(usize, Option<usize>, f64, Member)> = Vec::new();
    for (b, bird) in study.birds.iter().enumerate() {
        let pen = match (grouping, bird.pen) {
            (Grouping::Strain, _) => None,
            (Grouping::Pen, Some(pen)) => Some(pen),
            (Grouping::Pen, None) => continue,
        };
        let (ages_d, values) = records.of(b);
        for (age_d, value) in ages_d.iter().zip(values) {
            let member = Member {
                age_d: *age_d,
                value: *value,
                weighings: 1.0,
                bird: b,
            };
            keyed.push((bird.strain, pen, matching.key(*age_d), member));
        }
    }
    // Stable, so that birds stay in the study's order within a group.
    keyed.sort_by(|a, b| (a.0, a.1).cmp(&(b.0, b.1)).then(a.2.total_cmp(&b.2)));
    keyed
        .chunk_by(|a, b| (a.0, a.1) == (b.0, b.1) && a.2.total_cmp(&b.2).is_eq())
        .map(|group| Occasion {
            strain: group[0].0,
            pen: group[0].1,
            members: merged(group.iter().map(|entry| entry.3)),
        })
        .collect()
}

impl AgeMatching {
    /// A step that cannot be rounded to is a wrong call.
    pub(super) fn check(self) -> Result<()> {
        match self {
            Self::RoundedTo(step_d) if !(step_d > 0.0 && step_d.is_finite()) => {
                Err(Error::call(format!(
                    "ages matched to {step_d} d, expected a number of days above zero, such as 1 or 7"
                )))
            }
            _ => Ok(()),
        }
    }

    /// Ages with the same key belong together.
    pub(super) fn key(self, age_d: f64) -> f64 {
        match self {
            Self::RoundedTo(step_d) if step_d > 0.0 => (age_d / step_d + 0.5).floor() * step_d,
            _ => age_d,
        }
    }
}

/// A bird's weighings follow one another here; they become their mean.
fn merged(members: impl Iterator<Item = Member>) -> Vec<Member> {
    let mut birds: Vec<Member> = Vec::new();
    for member in members {
        match birds.last_mut() {
            Some(last) if last.bird == member.bird => {
                let w = last.weighings;
                last.age_d = (last.age_d * w + member.age_d) / (w + 1.0);
                last.value = (last.value * w + member.value) / (w + 1.0);
                last.weighings += 1.0;
            }
            _ => birds.push(member),
        }
    }
    birds
}
