//! What was known of a study at an age.

use super::{Onset, Records, Study};

impl Study {
    /// The study as it would have been written down when the birds were `age_d` days old:
    /// later weighings are not there, later eggs not laid, later events not happened.
    ///
    /// Birds stay where they are, so indices mean the same in both. Scans and analyses are
    /// left as they are: the traits made of them are cut like weighings.
    #[must_use]
    pub fn as_of(&self, age_d: f64) -> Self {
        let mut known = self.clone();
        known.traits = self
            .traits
            .iter()
            .map(|trait_| cut(trait_, age_d))
            .collect();
        known.events.retain(|event| event.age_d <= age_d);
        for record in &mut known.onset {
            *record = Onset {
                first_egg_age_d: record.first_egg_age_d.filter(|egg_d| *egg_d <= age_d),
                last_seen_age_d: match (record.last_seen_age_d, record.first_egg_age_d) {
                    (Some(seen_d), _) => Some(seen_d.min(age_d)),
                    // A bird that lays later was there.
                    (None, Some(egg_d)) => Some(egg_d.min(age_d)),
                    (None, None) => None,
                },
                ..*record
            };
        }
        known
    }
}

fn cut(records: &Records, age_d: f64) -> Records {
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
        let kept = first + records.ages_d[first..end].partition_point(|age| *age <= age_d);
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
                    last_seen_age_d: None,
                },
                Onset {
                    bird: 1,
                    first_egg_age_d: Some(7.0),
                    last_seen_age_d: Some(30.0),
                },
            ],
            ..Study::default()
        };
        let known = study.as_of(7.0);
        assert_eq!(known.traits[0].starts, [0, 2, 2]);
        assert_eq!(known.traits[0].of(0).1, [40.0, 80.0]);
        let told: Vec<_> = known
            .onset
            .iter()
            .map(|record| (record.first_egg_age_d, record.last_seen_age_d))
            .collect();
        assert_eq!(told, [(None, Some(7.0)), (Some(7.0), Some(7.0))]);
    }
}
