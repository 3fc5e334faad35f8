//! Findings on the comparison of groups.

use super::Findings;
use crate::analysis::{Analysis, Differences};
use crate::report::text::{scanning_sentences, shift_sentences};
use crate::report::{contrast_words, tables};

impl Findings {
    /// What treatments that start at an age do from there on.
    pub fn shifts(&mut self, analysis: &Analysis) {
        let study = &analysis.study;
        if analysis.shifts.is_empty() {
            return;
        }
        let sentences = shift_sentences(analysis, study.age_unit());
        let sentences = sentences.iter().map(|sentence| format!("  {sentence}"));
        self.answer(
            "What do the treatments do from their start on?",
            sentences.collect::<Vec<_>>(),
        );
        if analysis.shifts.iter().any(|one| !one.rows.is_empty()) {
            let table = tables::treatment_start::treatment_start(study, &analysis.shifts);
            self.tables.push(table);
        }
    }

    /// Whether scanning itself changes growth and the age at first egg.
    pub fn scanning(&mut self, analysis: &Analysis) {
        let Some(scanning) = &analysis.scanning else {
            return;
        };
        let study = &analysis.study;
        let sentences = scanning_sentences(study, scanning);
        let sentences = sentences.iter().map(|sentence| format!("  {sentence}"));
        self.answer(
            "Does scanning itself change growth or the age at first egg?",
            sentences.collect::<Vec<_>>(),
        );
        self.tables
            .push(tables::scanning::scanning_effect(study, scanning));
    }

    /// How the groups differ.
    pub fn differences(&mut self, analysis: &Analysis) {
        let Some(Differences {
            comparison,
            allometries,
            fat_shares,
        }) = &analysis.differences
        else {
            return;
        };
        let (study, groups) = (&analysis.study, &comparison.groups);
        self.answer(
            "Do they differ?",
            contrast_words::differences(study, comparison),
        );
        self.words
            .extend(contrast_words::allometries(study, groups, allometries));
        self.warnings.extend(contrast_words::warnings(
            study,
            comparison,
            allometries,
            fat_shares,
        ));
        self.tables.extend([
            tables::groups::contrasts(study, comparison),
            tables::groups::curve_tests(study, comparison, allometries),
            tables::groups::difference_by_age(study, comparison),
        ]);
        if !allometries.is_empty() {
            self.tables
                .push(tables::groups::allometry(study, groups, allometries));
        }
        if !fat_shares.is_empty() {
            self.tables
                .push(tables::groups::fat_share(study, groups, fat_shares));
        }
    }
}
