//! What is known of each bird's first egg, and which cues were known of it before.

use crate::stats::mean;
use crate::stats::time_to_event::EventTime;
use crate::study::{Onset, Study};

/// Birds with what is known of their first eggs and of their cues: what the lay
/// curves, the onset models and the forecasts read.
#[derive(Debug, Clone, Default)]
pub struct LayRecords {
    /// Birds, in the order of the table or the study.
    pub birds: Vec<LayBird>,
    /// Names of the strains.
    pub strains: Vec<String>,
    /// Cues.
    pub cues: Vec<CueColumn>,
    /// The age from which times are counted, d: 0 for ages themselves, else the landmark.
    pub counted_from_d: f64,
}

/// One bird.
#[derive(Debug, Clone)]
pub struct LayBird {
    /// Its name in the tables.
    pub name: String,
    /// Index into [`LayRecords::strains`].
    pub strain: usize,
    /// When it laid its first egg, in days after [`LayRecords::counted_from_d`].
    pub first_egg: EventTime,
    /// When it came under observation, not laying yet, in the same days; 0 for the start.
    pub entered: f64,
}

/// A cue of each bird.
#[derive(Debug, Clone, PartialEq)]
pub struct CueColumn {
    /// Name, with its age and unit where it has them (`weight_at_119d`).
    pub name: String,
    /// One a bird; none where it is not known.
    pub readings: Vec<Option<Reading>>,
}

/// A cue's value in one bird.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// The value.
    pub value: f64,
    /// Its standard error, where one is known.
    pub std_error: Option<f64>,
}

/// How many birds a landmark leaves out, and why.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct LeftOut {
    /// Laying by the landmark.
    pub laying: usize,
    /// Last seen before or at the landmark (dead, sold or not looked at again).
    pub gone: usize,
    /// Looked at before and after it, so that it is unknown whether it was laying.
    pub unknown: usize,
    /// Came under observation after it.
    pub entered_later: usize,
}

impl LayRecords {
    /// The birds of a study that have an onset record, without cues.
    #[must_use]
    pub fn of(study: &Study) -> Self {
        let birds = study.onset.iter().filter_map(|record| {
            Some(LayBird {
                name: study.birds[record.bird].name.clone(),
                strain: study.birds[record.bird].strain,
                first_egg: first_egg(record)?,
                entered: record.entered_d.unwrap_or(0.0),
            })
        });
        Self {
            birds: birds.collect(),
            strains: study.strains.clone(),
            cues: Vec::new(),
            counted_from_d: 0.0,
        }
    }

    /// What is known of each bird's time, in order.
    #[must_use]
    pub fn times(&self) -> Vec<EventTime> {
        self.birds.iter().map(|bird| bird.first_egg).collect()
    }

    /// Birds known to have laid.
    #[must_use]
    pub fn laid(&self) -> usize {
        let laid = self.birds.iter().filter(|bird| bird.first_egg.happened());
        laid.count()
    }

    /// Only the birds that are seen and not laying at `age_d`, their times counted from there.
    ///
    /// So predictions are not biased by later data: nothing of a bird that lays is then
    /// explained by what was measured after it laid, and no bird that died before is
    /// counted as one that was late.
    ///
    /// # Source
    /// Anderson JR, Cain KC, Gelber RD 1983, Analysis of survival by tumor response,
    /// J Clin Oncol 1:710-719 (the landmark method).
    #[must_use]
    pub fn after(&self, age_d: f64) -> (Self, LeftOut) {
        let shift = age_d - self.counted_from_d;
        let mut left_out = LeftOut::default();
        let mut kept = Vec::new();
        for (index, bird) in self.birds.iter().enumerate() {
            if bird.entered > shift {
                left_out.entered_later += 1;
                continue;
            }
            let first_egg = match bird.first_egg {
                EventTime::Exact(t) if t > shift => EventTime::Exact(t - shift),
                EventTime::After(t) if t > shift => EventTime::After(t - shift),
                EventTime::Between(lower, upper) if lower > shift => {
                    EventTime::Between(lower - shift, upper - shift)
                }
                // Seen without an egg at the landmark itself: any time after it.
                EventTime::Between(lower, upper) if lower >= shift && upper > shift => {
                    EventTime::Before(upper - shift)
                }
                EventTime::After(_) => {
                    left_out.gone += 1;
                    continue;
                }
                EventTime::Between(_, upper) | EventTime::Before(upper) if upper > shift => {
                    left_out.unknown += 1;
                    continue;
                }
                _ => {
                    left_out.laying += 1;
                    continue;
                }
            };
            kept.push((
                index,
                LayBird {
                    first_egg,
                    // Those seen at the landmark are followed from there.
                    entered: 0.0,
                    ..bird.clone()
                },
            ));
        }
        let cues = self.cues.iter().map(|cue| CueColumn {
            name: cue.name.clone(),
            readings: kept.iter().map(|(index, _)| cue.readings[*index]).collect(),
        });
        let records = Self {
            cues: cues.collect(),
            birds: kept.into_iter().map(|(_, bird)| bird).collect(),
            strains: self.strains.clone(),
            counted_from_d: age_d,
        };
        (records, left_out)
    }

    /// What was known of the first eggs at `age_d`: a later egg is not yet laid.
    #[must_use]
    pub fn as_of(&self, age_d: f64) -> Self {
        let now = age_d - self.counted_from_d;
        // A bird that enters later is not known; where cues are, all are known by then.
        let here = |bird: &&LayBird| bird.entered < now || !self.cues.is_empty();
        let birds = self.birds.iter().filter(here).map(|bird| {
            let first_egg = match bird.first_egg {
                EventTime::Exact(t) | EventTime::After(t) if t > now => EventTime::After(now),
                EventTime::Between(lower, upper) if upper > now => EventTime::After(lower.min(now)),
                known => known,
            };
            LayBird {
                first_egg,
                ..bird.clone()
            }
        });
        Self {
            birds: birds.collect(),
            ..self.clone()
        }
    }

    /// The birds for which a condition holds.
    #[must_use]
    pub(super) fn only(&self, keep: impl Fn(&LayBird) -> bool) -> Self {
        let kept: Vec<usize> = (0..self.birds.len())
            .filter(|row| keep(&self.birds[*row]))
            .collect();
        let cues = self.cues.iter().map(|cue| CueColumn {
            name: cue.name.clone(),
            readings: kept.iter().map(|row| cue.readings[*row]).collect(),
        });
        Self {
            cues: cues.collect(),
            birds: kept.iter().map(|row| self.birds[*row].clone()).collect(),
            ..self.clone()
        }
    }

    /// Strains that have a bird here, in order.
    #[must_use]
    pub fn strains_present(&self) -> Vec<usize> {
        let present = |strain: &usize| self.birds.iter().any(|bird| bird.strain == *strain);
        (0..self.strains.len()).filter(present).collect()
    }

    /// Places of the birds that have every cue, and how many have not.
    #[must_use]
    pub fn complete(&self) -> (Vec<usize>, usize) {
        let has_all = |bird: &usize| self.cues.iter().all(|cue| cue.readings[*bird].is_some());
        let rows: Vec<usize> = (0..self.birds.len()).filter(has_all).collect();
        let missing = self.birds.len() - rows.len();
        (rows, missing)
    }
}

/// A first egg on the day of hatch or a bird never seen gives no time.
fn first_egg(record: &Onset) -> Option<EventTime> {
    // A bird that enters is not laying then.
    let without = record.last_without_d.or(record.entered_d);
    let without = without.filter(|age_d| *age_d > 0.0);
    let time = match (record.first_egg_age_d, without, record.first_with_d) {
        (Some(age_d), ..) => EventTime::Exact(age_d),
        (None, Some(without), Some(with)) => EventTime::Between(without, with),
        (None, None, Some(with)) => EventTime::Before(with),
        // A bird that was checked may have laid unseen after the last check.
        (None, _, None) => EventTime::After(record.last_without_d.or(record.last_seen_age_d)?),
    };
    let (lower, upper) = time.range();
    let entered = record.entered_d.unwrap_or(0.0);
    if time == EventTime::After(lower) && lower <= entered {
        return None;
    }
    (lower > 0.0 || (upper > 0.0 && upper.is_finite())).then_some(time)
}

/// A time as one number: the middle of two looks; the limit where only one is known.
#[must_use]
pub(super) fn middle(time: EventTime) -> f64 {
    match time {
        EventTime::Exact(t) | EventTime::After(t) | EventTime::Before(t) => t,
        EventTime::Between(lower, upper) => f64::midpoint(lower, upper),
    }
}

/// Standard deviation of values about the mean of their strain, n minus strains.
pub(super) fn within_strain_sd(values: &[f64], strains: &[usize]) -> Option<f64> {
    let mut present: Vec<usize> = strains.to_vec();
    present.sort_unstable();
    present.dedup();
    let mut squares = 0.0;
    for strain in &present {
        let own: Vec<f64> = values
            .iter()
            .zip(strains)
            .filter_map(|(value, of)| (of == strain).then_some(*value))
            .collect();
        let centre = mean(&own);
        squares += own
            .iter()
            .map(|value| (value - centre).powi(2))
            .sum::<f64>();
    }
    let df = values
        .len()
        .checked_sub(present.len())
        .filter(|df| *df > 0)?;
    Some((squares / df as f64).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn records(times: &[EventTime]) -> LayRecords {
        let birds = times.iter().enumerate().map(|(index, time)| LayBird {
            name: index.to_string(),
            strain: 0,
            first_egg: *time,
            entered: 0.0,
        });
        LayRecords {
            birds: birds.collect(),
            strains: vec!["one".to_owned()],
            ..LayRecords::default()
        }
    }

    #[test]
    fn a_landmark_keeps_the_birds_that_are_seen_and_not_laying() {
        let all = records(&[
            EventTime::Exact(110.0),
            EventTime::Exact(130.0),
            EventTime::After(100.0),
            EventTime::After(168.0),
            EventTime::Between(112.0, 126.0),
            EventTime::Between(126.0, 133.0),
            EventTime::Before(112.0),
        ]);
        let (kept, left_out) = all.after(119.0);
        let expected = [
            EventTime::Exact(11.0),
            EventTime::After(49.0),
            EventTime::Between(7.0, 14.0),
        ];
        assert_eq!(kept.times(), expected);
        let counts = (left_out.laying, left_out.gone, left_out.unknown);
        assert_eq!(counts, (2, 1, 1));
    }

    #[test]
    fn what_came_later_is_not_known_as_of_an_age() {
        let all = records(&[
            EventTime::Exact(130.0),
            EventTime::Exact(150.0),
            EventTime::After(120.0),
            EventTime::Between(126.0, 150.0),
        ]);
        let expected = [
            EventTime::Exact(130.0),
            EventTime::After(140.0),
            EventTime::After(120.0),
            EventTime::After(126.0),
        ];
        assert_eq!(all.as_of(140.0).times(), expected);
    }
}
