//! What is said of growth: fits, models of the traits, intervals.

use super::Findings;
use crate::analysis::{Analysis, Growth, Options};
use crate::report::growth_tables::{self, Wanted};
use crate::report::population_tables::{mixed_tables, second_phase_table};
use crate::report::{calibration_tables, composition_words, population_words, words};

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
        let method = options.growth.intervals.name();
        let lost = growth.intervals.lost().iter();
        self.warnings
            .extend(lost.map(|why| format!("no intervals by {method} of {why}")));
        self.method("intervals", method);
        let wanted = wanted(growth, options);
        self.tables
            .extend(growth_tables::growth_tables(study, trajectories, &wanted));
        self.tables.extend(mixed_tables(study, trajectories));
        if options.growth.redraws > 0 {
            self.method("redraws", options.growth.redraws.to_string());
            self.answer(
                "How much of the curves' uncertainty is the equations' own?",
                composition_words::shares(study, &growth.shares),
            );
            self.tables
                .push(calibration_tables::calibration_share(study, &growth.shares));
        }
        if let Some(tests) = &growth.second_phase {
            if tests.is_empty() {
                self.warnings.push(
                    "--second-phase-test: none of the curves has two phases; name two-phase-gompertz or two-phase-logistic among them".to_owned(),
                );
            } else {
                self.words
                    .extend(population_words::second_phase(study, tests));
                self.tables.push(second_phase_table(study, tests));
            }
        }
    }

    /// How many fits ended how.
    pub fn fits(&mut self, growth: &Growth) {
        let trajectories = &growth.trajectories;
        for status in ["converged", "weak", "failed"] {
            self.count(format!("fits {status}"), trajectories.count(status));
        }
        let (weak, failed) = (trajectories.count("weak"), trajectories.count("failed"));
        if weak + failed == 0 {
            return;
        }
        // A bird that was scanned once has no curve: that is no trouble with a fit.
        let subjects = trajectories.subjects.iter();
        let fits = subjects.flat_map(|subject| &subject.fits);
        let few = fits
            .filter(|fit| fit.outcome.status() == "failed")
            .filter(|fit| fit.outcome.n() <= fit.curve.terms().len())
            .count();
        let of_them = if few > 0 {
            format!(" ({few} of these have no more records than the curve has terms)")
        } else {
            String::new()
        };
        self.warnings.push(format!(
            "{weak} fits are weak and {failed} failed{of_them}: each has its reason in curve_fits.csv"
        ));
    }

    /// The strains' pooled curves ranked, with their errors in what they have not seen.
    pub fn curve_choice(&mut self, analysis: &Analysis, options: &Options) {
        let growth = &analysis.growth;
        self.tables.push(growth_tables::curve_choice(
            &analysis.study,
            &growth.trajectories.subjects,
            &wanted(growth, options),
        ));
    }
}

fn wanted<'a>(growth: &'a Growth, options: &'a Options) -> Wanted<'a> {
    Wanted {
        confidence: options.confidence,
        ages_d: &options.ages_d,
        weights_g: &options.masses_g,
        population: !growth.trajectories.models.is_empty(),
        method: options.growth.intervals,
        intervals: &growth.intervals,
        validation: &growth.validation,
    }
}
