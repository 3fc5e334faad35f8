//! Findings on cues, first eggs and the onset of lay.

use super::Findings;
use crate::age::AgeUnit;
use crate::analysis::{Analysis, EarlyEgg, Lay, LayOptions, Waiting};
use crate::maturity::{CueError, OnsetModel};
use crate::report::{egg_words, onset_words, tables, words};
use crate::study::Study;

/// Birds named in a warning; more are counted.
const NAMED: usize = 10;

impl Findings {
    /// When the birds come into lay, and which cue predicts it.
    pub fn lay(&mut self, analysis: &Analysis, options: Option<&LayOptions>) {
        let (Some(lay), Some(options)) = (&analysis.lay, options) else {
            return;
        };
        let study = &analysis.study;
        let ages = study.age_unit();
        let trajectories = &analysis.growth.trajectories;
        let cues = words::cues(study, trajectories, &lay.cues, &lay.cue_summary);
        if !cues.is_empty() {
            self.answer("When do the cues fall?", cues);
        }
        self.tables
            .push(tables::cues::cues(study, &lay.cues, &lay.cue_summary));
        if let Some(eggs) = &lay.eggs {
            self.answer(
                "When do pens come into lay, by their eggs?",
                egg_words::onset(study, eggs, ages),
            );
            self.count("pens with counts of eggs", eggs.pens.len());
            self.tables.push(tables::eggs::egg_maturity(study, eggs));
            self.tables.push(tables::eggs::egg_counts(study, eggs));
        }
        if !lay.light.is_empty() {
            self.tables
                .push(tables::eggs::light_programme(study, &lay.light));
            self.tables
                .push(tables::eggs::light_effects(&lay.light_effects));
        }
        if lay.records.birds.is_empty() {
            if lay.eggs.is_some() {
                self.words.extend(onset_words::light(study, lay));
                self.caution();
            }
            return;
        }
        self.early(study, &lay.early);
        self.lay_curves(lay, ages);
        self.words.extend(onset_words::light(study, lay));
        self.words
            .push("Which measure predicts first egg?".to_owned());
        match &lay.waiting {
            Some(Ok(waiting)) => {
                self.at_landmark(waiting, ages);
                self.models(waiting, options);
                self.laying(study, lay);
                self.onset_forecast(waiting, analysis.confidence, ages);
            }
            Some(Err(reason)) => self.warnings.push(reason.clone()),
            None => {}
        }
        self.caution();
    }

    /// The same of a table with one row a bird.
    pub fn lay_of_table(&mut self, lay: &Lay, options: &LayOptions, confidence: f64) {
        let ages = AgeUnit::Days;
        if let Some(waiting) = lay.waiting() {
            self.at_landmark(waiting, ages);
            self.lay_curves(lay, ages);
            self.models(waiting, options);
            self.onset_forecast(waiting, confidence, ages);
        }
        self.caution();
    }

    fn early(&mut self, study: &Study, early: &[EarlyEgg]) {
        if early.is_empty() {
            return;
        }
        let ages = study.age_unit();
        let named = early.iter().take(NAMED).map(|one| {
            let name = &study.birds[one.bird].name;
            let (egg_d, weighed_d) = (one.egg_d, one.weighed_d);
            let (egg, weighed) = (ages.show(egg_d), ages.show(weighed_d));
            format!("{name} (egg at {egg}, weighed from {weighed})")
        });
        let named = named.collect::<Vec<_>>().join(", ");
        let more = match early.len().saturating_sub(NAMED) {
            0 => String::new(),
            more => format!(" and {more} more"),
        };
        self.warnings.push(format!(
            "first egg before the first weighing, so no cue came before it: {named}{more}; check both ages"
        ));
    }

    fn at_landmark(&mut self, waiting: &Waiting, ages: AgeUnit) {
        if let Some(landmark_d) = waiting.landmark_d {
            let landmark = ages.show(landmark_d);
            self.method("landmark", landmark.clone());
            let left_out = waiting.left_out;
            self.words.push(format!(
                "  {} birds were seen and not laying at {landmark}, the landmark; times are counted from there \
                 ({} already laid, {} last seen before, {} not known{})",
                waiting.birds,
                left_out.laying,
                left_out.gone,
                left_out.unknown,
                match left_out.entered_later {
                    0 => String::new(),
                    later => format!(", {later} came under observation later"),
                }
            ));
            if !waiting.cue_curves.is_empty() {
                self.words.push(format!(
                    "  cues from curves fitted to what was weighed up to {landmark}: {}",
                    waiting.cue_curves.join(", ")
                ));
            }
        }
        if !waiting.cues_left_out.is_empty() {
            self.words.push(format!(
                "  cues of too few birds, left out: {}",
                waiting.cues_left_out.join(", ")
            ));
        }
    }

    fn lay_curves(&mut self, lay: &Lay, ages: AgeUnit) {
        let records = &lay.records;
        self.count("birds with an onset record", records.birds.len());
        self.count("birds laid", records.laid());
        if records.laid() == 0 {
            self.warnings.push(format!(
                "no bird of {} has laid: there is no age at first egg to estimate or to model, and the lay \
                 curve stays at 0",
                records.birds.len()
            ));
        }
        self.answer(
            "When do they come into lay?",
            onset_words::lay(records, &lay.curves, ages),
        );
        self.tables
            .push(tables::lay::lay_curve(records, &lay.curves));
        self.tables
            .push(tables::lay::age_in_lay(records, &lay.curves));
    }

    fn models(&mut self, waiting: &Waiting, options: &LayOptions) {
        self.method(
            "cue error",
            match options.cue_error {
                CueError::AsMeasured => "as measured",
                CueError::Calibrated => "calibrated",
            },
        );
        let models = &waiting.models;
        if models.without_cue > 0 {
            self.warnings.push(format!(
                "{} birds lack a cue and are in no onset model",
                models.without_cue
            ));
        }
        let all = models.models.iter();
        let failed: Vec<&OnsetModel> = all.filter(|model| model.result.is_err()).collect();
        if let Some(Err(reason)) = failed.first().map(|model| &model.result) {
            self.warnings.push(format!(
                "{} of {} onset models have no answer ({reason}): each has its reason in onset_fits.csv",
                failed.len(),
                models.models.len()
            ));
        }
        self.words.extend(onset_words::models(models));
        self.tables.push(tables::lay::onset_terms(models));
        self.tables.push(tables::lay::onset_fits(models));
        self.tables
            .push(tables::lay::onset_cues(&models.reliabilities));
    }

    fn laying(&mut self, study: &Study, lay: &Lay) {
        let found = &lay.at_first_egg;
        if found.values.is_empty() {
            return;
        }
        self.answer(
            "What were they like at first egg?",
            onset_words::thresholds(study, &found.thresholds),
        );
        self.tables.push(tables::lay::thresholds(
            study,
            &found.values,
            &found.thresholds,
            &found.bends,
        ));
    }

    fn onset_forecast(&mut self, waiting: &Waiting, confidence: f64, ages: AgeUnit) {
        self.words.push("When will the others lay?".to_owned());
        match &waiting.forecast {
            Ok(forecast) => {
                self.words
                    .extend(onset_words::forecast(&waiting.everyone, forecast, ages));
                self.tables
                    .push(tables::lay::onset_forecast(&waiting.everyone, forecast));
                if let Some(found) = &forecast.first_egg {
                    self.tables.push(tables::lay::first_egg_terms(found));
                }
            }
            Err(reason) => self.words.push(format!("  no forecast: {reason}")),
        }
        let rows = &waiting.backtest.rows;
        if !rows.is_empty() {
            self.words.extend(onset_words::backtest(rows, confidence));
            self.tables.push(tables::forecast::onset_backtest(rows));
        }
    }
}
