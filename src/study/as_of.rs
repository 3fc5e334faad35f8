//! What was known of a study at an age.

use std::collections::BTreeMap;

use super::{AgeMatching, Occasions, Onset, Records, Study};

impl Study {
    /// The study as it would have been written down when the birds were `age_d` days old:
    /// later weighings are not there, later eggs not laid, later events not happened.
    ///
    /// Birds stay where they are, so indices mean the same in both. Scans and analyses are
    /// left as they are: the traits made of them are cut like weighings.
    #[must_use]
    pub fn as_of(&self, age_d: f64) -> Self {
        self.cut_at(age_d, |records| {
            records.ages_d.iter().map(|own_d| *own_d <= age_d).collect()
        })
    }

    /// The same by occasion: birds that hatched some days apart and were weighed on one day
    /// are known together, once the youngest of them were `age_d` days old.
    #[must_use]
    pub fn as_of_occasion(&self, age_d: f64) -> Self {
        self.cut_at(age_d, |records| {
            let clock = Occasions::of(self, records, AgeMatching::default());
            let mut youngest_d: BTreeMap<(usize, u64, usize), f64> = BTreeMap::new();
            let mut keys = Vec::with_capacity(records.ages_d.len());
            for (bird, what) in self.birds.iter().enumerate() {
                let ages_d = records.of(bird).0;
                for (own_d, on) in ages_d.iter().zip(clock.of_bird(records, bird)) {
                    let key = (what.strain, on.day.to_bits(), on.batch);
                    let youngest = youngest_d.entry(key).or_insert(*own_d);
                    *youngest = youngest.min(*own_d);
                    keys.push(key);
                }
            }
            keys.iter().map(|key| youngest_d[key] <= age_d).collect()
        })
    }

    fn cut_at(&self, age_d: f64, kept: impl Fn(&Records) -> Vec<bool>) -> Self {
        let mut known = self.clone();
        let cut = |records: &Records| cut(records, age_d, &kept(records));
        known.traits = self.traits.iter().map(cut).collect();
        known.moves.retain(|one| one.age_d <= age_d);
        for own in self.moves.chunk_by(|a, b| a.bird == b.bird) {
            known.birds[own[0].bird].pen = Some(own[0].from);
        }
        known.settle_pens();
        known.samples = self.samples.as_of(age_d);
        known.events.retain(|event| event.age_d <= age_d);
        known.light.retain(|light| light.age_d <= age_d);
        for pen in &mut known.eggs {
            pen.counts.retain(|count| f64::from(count.age_d) <= age_d);
        }
        known.eggs.retain(|pen| !pen.counts.is_empty());
        known
            .onset
            .retain(|record| record.entered_d.is_none_or(|entered_d| entered_d < age_d));
        // A day of unknown age cannot be set before or after.
        let days = &mut known.stream.days;
        days.retain(|day| day.age_d.is_none_or(|day_d| day_d <= age_d));
        for record in &mut known.onset {
            *record = Onset {
                first_egg_age_d: record.first_egg_age_d.filter(|egg_d| *egg_d <= age_d),
                // A bird that lays later was there.
                last_seen_age_d: record
                    .last_seen_age_d
                    .or(record.first_egg_age_d)
                    .or(record.first_with_d)
                    .map(|seen_d| seen_d.min(age_d)),
                last_without_d: record.last_without_d.map(|check_d| check_d.min(age_d)),
                first_with_d: record.first_with_d.filter(|check_d| *check_d <= age_d),
                ..*record
            };
        }
        known
    }
}

/// The records that are kept, of each bird up to the first that is not.
fn cut(records: &Records, age_d: f64, kept: &[bool]) -> Records {
    let groups = records.groups.iter();
    let mut cut = Records {
        groups: groups
            .filter(|group| group.age_d <= age_d)
            .cloned()
            .collect(),
        name: records.name.clone(),
        file: records.file.clone(),
        missing: records.missing,
        duplicates: records.duplicates,
        starts: vec![0],
        ..Records::default()
    };
    for bounds in records.starts.windows(2) {
        let (first, end) = (bounds[0], bounds[1]);
        let kept = first + kept[first..end].iter().take_while(|kept| **kept).count();
        cut.ages_d.extend(&records.ages_d[first..kept]);
        cut.values.extend(&records.values[first..kept]);
        cut.rows.extend(&records.rows[first..kept]);
        let variances = records.variances.get(first..kept).unwrap_or_default();
        cut.variances.extend(variances);
        cut.starts.push(cut.ages_d.len());
    }
    cut
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_came_later_is_not_there() {
        let study = Study {
            traits: vec![Records {
                starts: vec![0, 3, 4],
                ages_d: vec![0.0, 7.0, 14.0, 21.0],
                values: vec![40.0, 80.0, 130.0, 210.0],
                rows: vec![2, 3, 4, 5],
                ..Records::default()
            }],
            onset: vec![
                Onset {
                    bird: 0,
                    first_egg_age_d: Some(20.0),
                    ..Onset::default()
                },
                Onset {
                    bird: 1,
                    first_egg_age_d: Some(7.0),
                    last_seen_age_d: Some(30.0),
                    ..Onset::default()
                },
            ],
            ..Study::default()
        };
        let known = study.as_of(7.0);
        assert_eq!(known.traits[0].starts, [0, 2, 2]);
        assert_eq!(known.traits[0].of(0).1, [40.0, 80.0]);
        let spans: Vec<_> = known
            .onset
            .iter()
            .map(|record| (record.first_egg_age_d, record.last_seen_age_d))
            .collect();
        assert_eq!(spans, [(None, Some(7.0)), (Some(7.0), Some(7.0))]);
    }
}
