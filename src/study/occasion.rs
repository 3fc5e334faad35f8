//! Which weighings belong together: the birds of a strain on one weighing day.

use std::collections::BTreeSet;

use super::{Records, Study};
use crate::error::{Error, Result};

/// How ages are matched where weighings are put together by age.
///
/// Ages are rounded to the nearest whole multiple of the step (a half goes up).
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AgeMatching {
    /// Only equal ages, to the last digit.
    Exact,
    /// Ages rounded to a multiple of this number of days.
    RoundedTo(f64),
}

impl Default for AgeMatching {
    /// To the whole day.
    fn default() -> Self {
        Self::RoundedTo(1.0)
    }
}

/// Birds that hatched further apart than this (d) are different batches: their weights are
/// not averaged even where they are weighed on one day.
const ONE_BATCH_D: i64 = 7;

/// The occasion of a weighing within its strain. Occasions sort by time.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct OccasionKey {
    /// Days: of the calendar where the strain's weighings go by date, else of age.
    pub day: f64,
    /// Batch of birds hatched together, by date of hatch; 0 where occasions go by age.
    pub batch: usize,
}

/// The occasion of every weighing of a trait.
#[derive(Debug, Clone)]
pub struct Occasions {
    keys: Vec<OccasionKey>,
    batches: Vec<usize>,
    hatch_days: Vec<f64>,
}

impl Occasions {
    /// The occasions of `records`, a table of `study`.
    ///
    /// Birds hatched on different days are weighed either on one date, at different ages, or
    /// at one age, on different dates. Each strain's weighings go by date where all its birds
    /// have a date of hatch and its dates of weighing are no more than its ages; otherwise
    /// they go by age.
    #[must_use]
    pub fn of(study: &Study, records: &Records, matching: AgeMatching) -> Self {
        let mut all = Self {
            keys: vec![OccasionKey { day: 0.0, batch: 0 }; records.ages_d.len()],
            batches: vec![0; study.birds.len()],
            hatch_days: vec![0.0; study.birds.len()],
        };
        let mut strains: Vec<Vec<usize>> = vec![Vec::new(); study.strains.len()];
        for (bird, what) in study.birds.iter().enumerate() {
            if let Some(birds) = strains.get_mut(what.strain)
                && !records.of(bird).0.is_empty()
            {
                birds.push(bird);
            }
        }
        for birds in &strains {
            if let Some(hatch_days) = hatch_days(study, birds) {
                all.by_date(records, birds, &hatch_days, matching);
            } else {
                all.fill(records, birds, |age_d, _| matching.key(age_d));
            }
        }
        all
    }

    /// Goes by date where that makes no more occasions than age does.
    fn by_date(
        &mut self,
        records: &Records,
        birds: &[usize],
        hatch_days: &[i64],
        matching: AgeMatching,
    ) {
        let (mut dates, mut ages) = (BTreeSet::new(), BTreeSet::new());
        for (bird, hatch_day) in birds.iter().zip(hatch_days) {
            for age_d in records.of(*bird).0 {
                let date = (age_d + *hatch_day as f64 + 0.5).floor();
                dates.insert(date.to_bits());
                ages.insert(matching.key(*age_d).to_bits());
            }
        }
        if dates.len() > ages.len() {
            return self.fill(records, birds, |age_d, _| matching.key(age_d));
        }
        let mut order: Vec<(i64, usize)> = hatch_days
            .iter()
            .copied()
            .zip(birds.iter().copied())
            .collect();
        order.sort_unstable();
        let mut batch = 0;
        for (at, (hatch_day, bird)) in order.iter().enumerate() {
            if at > 0 && hatch_day - order[at - 1].0 > ONE_BATCH_D {
                batch += 1;
            }
            self.batches[*bird] = batch;
            let hatch_day = *hatch_day as f64;
            self.hatch_days[*bird] = hatch_day;
        }
        self.fill(records, birds, |age_d, hatch_day| {
            (age_d + hatch_day + 0.5).floor()
        });
    }

    fn fill(&mut self, records: &Records, birds: &[usize], day: impl Fn(f64, f64) -> f64) {
        for bird in birds {
            let (hatch_day, batch) = (self.hatch_days[*bird], self.batches[*bird]);
            for row in records.starts[*bird]..records.starts[bird + 1] {
                let day = day(records.ages_d[row], hatch_day);
                self.keys[row] = OccasionKey { day, batch };
            }
        }
    }

    /// The occasion of each of a bird's weighings, ascending.
    #[must_use]
    pub fn of_bird(&self, records: &Records, bird: usize) -> &[OccasionKey] {
        &self.keys[records.starts[bird]..records.starts[bird + 1]]
    }

    /// The bird's batch.
    #[must_use]
    pub fn batch(&self, bird: usize) -> usize {
        self.batches[bird]
    }

    /// Days from the date of hatch of a bird to day 0 of its strain's occasions, which is added
    /// to its ages; 0 where occasions go by age.
    #[must_use]
    pub fn hatch_day(&self, bird: usize) -> f64 {
        self.hatch_days[bird]
    }
}

/// Days of hatch, one a bird; none where one is not known or all hatched on one day.
fn hatch_days(study: &Study, birds: &[usize]) -> Option<Vec<i64>> {
    let day = |bird: &usize| {
        let date = study.birds[*bird].hatch_date?;
        Some(
            date.signed_duration_since(chrono::NaiveDate::default())
                .num_days(),
        )
    };
    let days: Vec<i64> = birds.iter().map(day).collect::<Option<_>>()?;
    days.windows(2)
        .any(|pair| pair[0] != pair[1])
        .then_some(days)
}

/// The birds that were weighed on one occasion.
#[derive(Debug)]
pub struct Occasion {
    /// Index into [`Study::strains`].
    pub strain: usize,
    /// Index into [`Study::pens`], where occasions are of pens.
    pub pen: Option<usize>,
    /// Batch of birds hatched together.
    pub batch: usize,
    /// The birds, at least one, in the study's order.
    pub members: Vec<Member>,
}

impl Occasion {
    /// Mean age of its birds, d.
    #[must_use]
    pub fn mean_age_d(&self) -> f64 {
        let n = self.members.len() as f64;
        self.members.iter().map(|m| m.age_d).sum::<f64>() / n
    }

    /// Ages of its youngest and its oldest bird, d.
    #[must_use]
    pub fn age_range_d(&self) -> (f64, f64) {
        let ends = (f64::INFINITY, f64::NEG_INFINITY);
        self.members.iter().fold(ends, |(youngest, oldest), m| {
            (youngest.min(m.age_d), oldest.max(m.age_d))
        })
    }
}

/// One bird at an occasion; several weighings of it there count as their mean.
#[derive(Debug, Clone, Copy)]
pub struct Member {
    /// Mean age, d.
    pub age_d: f64,
    /// Mean value, g.
    pub value: f64,
    /// Index into [`Study::birds`].
    pub bird: usize,
    /// The first of its records here, counted from the study's first.
    pub first_row: usize,
    /// How many records it has here.
    pub weighings: usize,
}

/// What the birds of an occasion have in common beside the day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Grouping {
    /// The strain.
    Strain,
    /// Strain and pen; birds without a pen are left out.
    Pen,
}

/// All occasions of a trait, by group and time.
#[must_use]
pub fn occasions(
    study: &Study,
    records: &Records,
    grouping: Grouping,
    matching: AgeMatching,
) -> Vec<Occasion> {
    let all = Occasions::of(study, records, matching);
    let mut keyed: Vec<(usize, Option<usize>, OccasionKey, Member)> = Vec::new();
    for (b, bird) in study.birds.iter().enumerate() {
        for row in records.starts[b]..records.starts[b + 1] {
            let pen = match (grouping, study.pen_at(b, records.ages_d[row])) {
                (Grouping::Strain, _) => None,
                (Grouping::Pen, Some(pen)) => Some(pen),
                (Grouping::Pen, None) => continue,
            };
            let member = Member {
                age_d: records.ages_d[row],
                value: records.values[row],
                bird: b,
                first_row: row,
                weighings: 1,
            };
            keyed.push((bird.strain, pen, all.keys[row], member));
        }
    }
    // Stable, so that birds stay in the study's order within a group.
    keyed.sort_by(|a, b| {
        let groups = (a.0, a.1).cmp(&(b.0, b.1));
        let days = groups.then(a.2.day.total_cmp(&b.2.day));
        days.then(a.2.batch.cmp(&b.2.batch))
    });
    keyed
        .chunk_by(|a, b| (a.0, a.1, a.2) == (b.0, b.1, b.2))
        .map(|group| Occasion {
            strain: group[0].0,
            pen: group[0].1,
            batch: group[0].2.batch,
            members: merged(group.iter().map(|entry| entry.3)),
        })
        .collect()
}

impl AgeMatching {
    /// Whether the step can be rounded to.
    ///
    /// # Errors
    /// A call error where it cannot.
    pub fn check(self) -> Result<()> {
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
    #[must_use]
    pub fn key(self, age_d: f64) -> f64 {
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
                let w = last.weighings as f64;
                last.age_d = (last.age_d * w + member.age_d) / (w + 1.0);
                last.value = (last.value * w + member.value) / (w + 1.0);
                last.weighings += 1;
            }
            _ => birds.push(member),
        }
    }
    birds
}
