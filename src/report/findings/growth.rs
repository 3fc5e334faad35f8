//! Findings on growth: fits, models of the traits, intervals.

use super::Findings;
use crate::analysis::{Analysis, Growth, Options};
use crate::report::paper::in_general;
use crate::report::tables::fits::{self, FitTables};
use crate::report::tables::models::{model_tables, second_phase};
use crate::report::tables::{calibration, choice, curves};
use crate::report::text::density_sentences;
use crate::report::{composition_words, population_words, sampled_words, tables, words};
use crate::study::Values;

impl Findings {
    /// How birds and groups grow.
    pub fn growth(&mut self, analysis: &Analysis, options: &Options) {
        let (study, growth) = (&analysis.study, &analysis.growth);
        let trajectories = &growth.trajectories;
        self.fits(growth);
        self.words.push("How do they grow?".to_owned());
        // Single birds and pooled strains stand in the tables; the answer is the models'.
        if trajectories.models.is_empty() {
            self.words
                .extend(words::growth(study, trajectories, analysis.confidence));
        }
        self.words.extend(population_words::population(
            study,
            trajectories,
            analysis.confidence,
        ));
        if let Some(of) = &growth.sampled {
            let lines = sampled_words::sampled(study, of, analysis.confidence);
            self.words.extend(lines);
            let table = tables::sampled::sample_model(study, of, analysis.confidence);
            self.tables.push(table);
        }
        if study.values == Values::AnyNumber {
            for words in &mut self.words {
                *words = in_general(words, &study.subject);
            }
        }
        let method = options.growth.intervals.name();
        let lost = growth.intervals.lost().iter();
        self.warnings
            .extend(lost.map(|why| format!("no intervals by {method} of {why}")));
        self.method("intervals", method);
        let wanted = wanted(growth, options);
        self.tables.extend([
            fits::curve_terms(study, trajectories, &wanted),
            fits::curve_fits(study, trajectories),
            choice::curve_choice(study, trajectories, &growth.validation),
            curves::curves(study, trajectories, analysis.confidence),
            curves::residuals(study, trajectories),
        ]);
        self.tables.extend(model_tables(study, trajectories));
        if options.growth.redraws > 0 {
            self.method("redraws", options.growth.redraws.to_string());
            self.answer(
                "How much of the curves' uncertainty is the equations' own?",
                composition_words::shares(study, &growth.shares),
            );
            self.tables
                .push(calibration::calibration_share(study, &growth.shares));
        }
        if let Some(tests) = &growth.second_phase {
            if tests.is_empty() {
                self.warnings.push(
                    "--second-phase-test: none of the curves has two phases; name two-phase-gompertz or two-phase-logistic among them".to_owned(),
                );
            } else {
                self.words
                    .extend(population_words::second_phase(study, tests));
                self.tables.push(second_phase(study, tests));
            }
        }
    }

    /// What densities that the scanner reads show.
    pub fn densities(&mut self, analysis: &Analysis) {
        let Some(densities) = &analysis.densities else {
            return;
        };
        let sentences = density_sentences(analysis, analysis.study.age_unit());
        let sentences = sentences.iter().map(|sentence| format!("  {sentence}"));
        self.answer(
            "What do the densities that the scanner reads show?",
            sentences.collect::<Vec<_>>(),
        );
        if densities.models.is_empty() {
            return;
        }
        let confidence = analysis.confidence;
        self.tables
            .push(tables::densities::densities(densities, confidence));
        if densities.comparison.is_some() {
            self.tables
                .push(tables::densities::density_differences(densities));
        }
    }

    /// How many fits ended how.
    pub fn fits(&mut self, growth: &Growth) {
        let trajectories = &growth.trajectories;
        for status in ["converged", "weak", "failed", "not fitted"] {
            let name = match status {
                "not fitted" => "series not fitted".to_owned(),
                status => format!("fits {status}"),
            };
            self.count(name, trajectories.count(status));
        }
        self.warn_of_fits(trajectories.count("weak"), trajectories.count("failed"));
    }

    /// Warns of fits that are weak or failed.
    pub(in crate::report) fn warn_of_fits(&mut self, weak: usize, failed: usize) {
        if weak + failed > 0 {
            self.warnings.push(format!(
                "{weak} fits are weak and {failed} failed: each has its reason in curve_fits.csv"
            ));
        }
    }

    /// The strains' pooled curves ranked, with their errors in what they have not seen.
    pub fn curve_choice(&mut self, analysis: &Analysis) {
        let (study, growth) = (&analysis.study, &analysis.growth);
        let choice = choice::curve_choice(study, &growth.trajectories, &growth.validation);
        self.tables.push(choice);
    }
}

fn wanted<'a>(growth: &'a Growth, options: &'a Options) -> FitTables<'a> {
    FitTables {
        confidence: options.confidence,
        ages_d: &options.ages_d,
        weights_g: &options.masses_g,
        method: options.growth.intervals,
        intervals: &growth.intervals,
    }
}
