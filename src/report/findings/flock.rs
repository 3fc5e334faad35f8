//! Findings on the flock against its target, and on its predicted weights.

use super::Findings;
use crate::analysis::{Ahead, Analysis, Verdict};
use crate::report::tables::flock::Weigh;
use crate::report::{forecast_words, sampled_words, tables, words};
use crate::study::Study;

impl Findings {
    /// Whether the flock is on target, and where it goes.
    pub fn verdict(&mut self, analysis: &Analysis, weigh: &Weigh, population: &str) {
        let Some(verdict) = &analysis.verdict else {
            return;
        };
        let study = &analysis.study;
        let Verdict {
            deviations,
            gains,
            uniformities,
            ..
        } = verdict;
        self.method(
            "uniformity",
            format!("within {} % of the mean", verdict.within_pct),
        );
        let sentences = words::verdict(study, deviations, uniformities, gains);
        if !sentences.is_empty() {
            self.answer("On target?", sentences);
            self.words
                .extend(words::birds_to_weigh(study, uniformities, weigh));
        }
        if !deviations.is_empty() {
            self.tables
                .push(tables::flock::deviation(study, deviations, gains));
        }
        self.tables
            .push(tables::flock::uniformity(study, uniformities, weigh));
        if !verdict.gain_chart.is_empty() {
            self.answer(
                "Do they gain as expected?",
                sampled_words::gains(study, &verdict.gain_chart),
            );
            self.tables
                .push(tables::flock::weekly_gain(study, &verdict.gain_chart));
        }
        if !verdict.among_earlier.is_empty() {
            let lines = words::among_earlier(study, &verdict.among_earlier, analysis.confidence);
            self.answer("How does it compare with earlier flocks?", lines);
            self.tables
                .push(tables::flock::earlier_flocks(study, &verdict.among_earlier));
        }
        if let Some(ahead) = &verdict.ahead {
            self.method("population of the forecast", population);
            self.ahead(study, ahead, analysis.confidence);
        }
        if !deviations.is_empty() || verdict.ahead.is_some() {
            self.caution();
        }
    }

    fn ahead(&mut self, study: &Study, ahead: &Ahead, confidence: f64) {
        for one in &ahead.traits {
            if one.reason.is_none() {
                let name = &study.traits[one.trait_index].name;
                self.method(
                    &format!("forecast of {name}"),
                    forecast_words::of_predictors(one),
                );
            }
        }
        let (as_of_d, shown) = (ahead.as_of_d, &ahead.shown_ages_d);
        self.answer(
            "What will they weigh?",
            forecast_words::forecast(study, as_of_d, &ahead.traits, shown, confidence),
        );
        self.tables
            .push(tables::forecast::forecast(study, as_of_d, &ahead.traits));
        if let Some(share) = ahead.in_sample {
            self.words.push(format!(
                "  no backtest: {:.0} percent of the records that the saved population was estimated from are among these weighings, so that it would be tested on the birds that it was fitted to; give the population of another flock, or leave --population out",
                100.0 * share
            ));
        } else if ahead.backtest.is_empty() {
            let none = "  no backtest: too little was weighed before the last weeks";
            self.words.push(none.to_owned());
        } else {
            self.words
                .extend(forecast_words::backtest(study, &ahead.backtest));
            self.tables
                .push(tables::forecast::backtest(study, &ahead.backtest));
        }
        self.answer(
            "Which birds departed from their predicted growth?",
            forecast_words::departures(study, &ahead.departures),
        );
        self.tables
            .push(tables::forecast::departures(study, &ahead.departures));
    }

    /// The caution that goes with every verdict and forecast, once.
    pub(super) fn caution(&mut self) {
        let present = |line: &String| line.contains(words::VERDICT_CAUTION);
        if !self.words.iter().any(present) {
            self.words.push(format!("  {}", words::VERDICT_CAUTION));
        }
    }
}
