//! Does any cue predict the first egg better than no cue?

use super::onset_model::{CueSet, OnsetModel, OnsetModels};

impl OnsetModels {
    /// The model without cues that predicts birds left out best; none where there are no cues.
    #[must_use]
    pub fn without_cues(&self) -> Option<&OnsetModel> {
        let of_set = self.models.iter().filter(|model| model.set == CueSet::None);
        least_error(of_set)
    }

    /// The models with cues that are judged: those of the law that predicts best without cues.
    pub fn candidates(&self) -> impl Iterator<Item = &OnsetModel> {
        let law = self.without_cues().map(|base| base.law);
        let with_cues = move |model: &&OnsetModel| model.set != CueSet::None;
        self.models
            .iter()
            .filter(with_cues)
            .filter(move |model| Some(model.law) == law)
    }

    /// The model whose cues are recommended: of those that predict first egg better than no cue
    /// in cross-validation by more than the standard error of that difference , from at least ten birds, the one with the least error; none
    /// where no cue helps.
    #[must_use]
    pub fn recommended(&self) -> Option<&OnsetModel> {
        let helps = |model: &&OnsetModel| {
            let gain = model.cross_validated.and_then(|checked| checked.gain);
            gain.is_some_and(|gain| gain.helps())
        };
        least_error(self.candidates().filter(helps))
    }
}

/// The model with the least error in days over birds left out.
fn least_error<'a>(models: impl Iterator<Item = &'a OnsetModel>) -> Option<&'a OnsetModel> {
    let error = |model: &OnsetModel| model.cross_validated?.error_d;
    models
        .filter_map(|model| Some((error(model)?, model)))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, model)| model)
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng as _;
    use rand_distr::{Distribution as _, StandardNormal};

    use super::super::lay::{CueColumn, LayBird, LayRecords, Reading};
    use super::super::onset_model::{CueError, OnsetOptions, onset_models};
    use crate::stats::time_to_event::EventTime;

    /// Birds that lay around 30 d after the landmark, SD 6 d, followed for 36 d, with three cues
    /// of which the first explains `share` of the variance.
    fn birds(n: usize, share: f64, seed: u64) -> LayRecords {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
        let mut columns = vec![Vec::new(); 3];
        let birds = (0..n).map(|bird| {
            let cues = [normal(), normal(), normal()];
            for (column, value) in columns.iter_mut().zip(cues) {
                column.push(Some(Reading {
                    value,
                    std_error: None,
                }));
            }
            let time = 30.0 + 6.0 * (share.sqrt() * cues[0] + (1.0 - share).sqrt() * normal());
            LayBird {
                name: bird.to_string(),
                strain: 0,
                first_egg: EventTime::right_censored(time.clamp(1.0, 36.0), time < 36.0),
                entered: 0.0,
            }
        });
        LayRecords {
            birds: birds.collect(),
            strains: vec!["Alder".to_owned()],
            cues: ["a", "b", "c"]
                .into_iter()
                .zip(columns)
                .map(|(name, readings)| CueColumn {
                    name: name.to_owned(),
                    readings,
                })
                .collect(),
            counted_from_d: 105.0,
        }
    }

    fn recommended(n: usize, share: f64, seed: u64) -> Option<Vec<String>> {
        let options = OnsetOptions {
            cue_error: CueError::AsMeasured,
            confidence: 0.95,
            seed: 1,
        };
        let models = onset_models(&birds(n, share, seed), &options);
        models.recommended().map(|model| model.cues.clone())
    }

    /// 80 studies each of 12 and of 30 birds in which no cue goes with the first egg: at most 10 %.
    #[test]
    fn no_cue_is_recommended_where_none_goes_with_the_first_egg() {
        for n in [12, 30] {
            let wrong = (0..80).filter(|seed| recommended(n, 0.0, *seed).is_some());
            let wrong = wrong.count();
            assert!(wrong <= 8, "{n} birds: {wrong} of 80");
        }
    }

    #[test]
    fn a_cue_that_decides_is_recommended_and_not_from_nine_birds() {
        let studies = 0..20;
        let found = studies.filter_map(|seed| recommended(40, 0.7, seed));
        let right = found.filter(|cues| cues.iter().any(|cue| cue == "a"));
        let right = right.count();
        assert!(right >= 18, "{right} of 20");
        assert_eq!(recommended(9, 0.95, 1), None);
    }
}
