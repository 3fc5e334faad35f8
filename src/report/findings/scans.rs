//! Findings on scans, equations and corrected masses.

use super::Findings;
use crate::analysis::{Analysis, Scans};
use crate::composition::CAUTION;
use crate::composition::calibration::Calibration;
use crate::composition::repeatability::Repeatability;
use crate::composition::study_equations::{Chosen, StudyEquations};
use crate::composition::study_masses::StudyMasses;
use crate::error::Result;
use crate::report::tables::calibration::Moved;
use crate::report::{composition_words, tables};
use crate::study::Study;

/// Scans that stay as they are.
const UNCORRECTED: &str = "Scans are not corrected: there is neither a saved equation (--equation) nor chemistry to fit one to.";

impl Findings {
    pub(super) fn scans(&mut self, analysis: &Analysis) -> Result<()> {
        let (study, scans) = (&analysis.study, &analysis.scans);
        if study.scans.rows.is_empty() {
            return Ok(());
        }
        match &scans.precision {
            Some(Ok(precision)) => self.precision(study, scans, precision),
            // Repeats that were all rejected do not stop the rest.
            Some(Err(reason)) => self.warnings.push(format!("repeatability: {reason}")),
            None => {}
        }
        if let Some(equations) = &scans.equations {
            self.study_equations(equations, scans);
        }
        self.masses(analysis)?;
        self.words.push(CAUTION.to_owned());
        Ok(())
    }

    /// How well a study's scanner repeats itself.
    pub fn precision(&mut self, study: &Study, scans: &Scans, precision: &Repeatability) {
        self.repeatability(precision);
        self.tables
            .push(tables::scans::protocol(&precision.protocol));
        let regions = &scans.regions;
        if !regions.is_empty() {
            let open = regions.iter().filter(|row| !row.within).count();
            if open > 0 {
                self.warnings.push(format!(
                    "{}: {open} of {} sums of regions miss the whole by more than {} percent, or lack a region: see regions.csv",
                    study.scans.file,
                    regions.len(),
                    study.settings.scans.region_tolerance_pct
                ));
            }
            self.tables.push(tables::scans::regions(regions));
        }
        let rejected = scans.kept.rejected.iter();
        let rejected: Vec<_> = rejected.map(|row| (row.clone(), String::new())).collect();
        self.words.push(format!(
            "  {} of {} scans rejected by the study's rules, each with its reason",
            rejected.len(),
            study.scans.rows.len()
        ));
        self.replace(tables::scans::rejected_scans(&rejected));
    }

    /// How well readings repeat themselves, of a study or a table.
    pub fn repeatability(&mut self, precision: &Repeatability) {
        self.answer(
            "How well does the scanner repeat itself?",
            composition_words::repeatability(precision),
        );
        self.warnings.extend(precision.warnings.iter().cloned());
        self.tables
            .push(tables::scans::repeatability(&precision.rows));
        if !precision.methods.is_empty() {
            self.tables
                .push(tables::scans::method_ratios(&precision.methods));
        }
        if !precision.groups.is_empty() {
            self.append(tables::scans::agreement(&precision.groups));
        }
    }

    /// All findings on a study's analysed birds.
    pub fn study_equations(&mut self, found: &StudyEquations, scans: &Scans) {
        let chosen = found.chosen.iter();
        let mut equations: Vec<&Calibration> = chosen.map(|chosen| &chosen.calibration).collect();
        if let Some(plucked) = &found.plucked {
            equations.push(&plucked.feather_mass);
            equations.extend(plucked.effects.iter().map(|(_, effect)| effect));
        }
        self.equations(&found.chosen, &equations);
        self.laboratories_of_study(&found.laboratories);
        self.warnings.extend(found.warnings.iter().cloned());
        if let Some(plucked) = &found.plucked {
            self.answer(
                "What do feathers add to a reading?",
                composition_words::plucked(plucked),
            );
            if !plucked.routes.is_empty() {
                self.tables
                    .push(tables::scans::feather_routes(&plucked.routes));
            }
        }
        self.tables
            .push(tables::scans::feathers(&found.feather_ages));
        self.tables.push(tables::scans::closure(&found.closure));
        let rejected = scans.kept.rejected.iter();
        let rejected: Vec<_> = rejected
            .map(|row| (row.clone(), String::new()))
            .chain(found.without_pair())
            .collect();
        self.replace(tables::scans::rejected_scans(&rejected));
    }

    /// Equations, and the candidates that they were chosen among.
    pub fn equations(&mut self, chosen: &[Chosen], equations: &[&Calibration]) {
        self.answer(
            "How well do readings predict the chemical masses?",
            composition_words::calibration(chosen),
        );
        for equation in equations {
            self.warnings.extend(equation.warnings.iter().cloned());
        }
        let terms = equations.iter().flat_map(|equation| &equation.terms);
        self.tables
            .push(tables::calibration::calibration_terms(terms));
        let rows = equations.iter().flat_map(|equation| &equation.rows);
        self.tables
            .push(tables::calibration::calibration_rows(rows));
        let choice = chosen.iter().flat_map(|chosen| {
            let name = chosen.calibration.equation.provenance.response.as_str();
            let ranked = chosen.choice.rows.iter().enumerate();
            ranked.map(move |(place, row)| (name, place + 1, row))
        });
        self.tables
            .push(tables::calibration::calibration_choice(choice));
        let agreement = chosen
            .iter()
            .flat_map(|chosen| chosen.calibration.agreement.iter().cloned());
        let agreement: Vec<_> = agreement.collect();
        self.append(tables::scans::agreement(&agreement));
    }

    /// That the masses of a study's scans are corrected, or why there are none, in a sentence,
    /// for a command that uses them.
    pub fn masses_used(&mut self, analysis: &Analysis) {
        let (study, scans) = (&analysis.study, &analysis.scans);
        if study.scans.rows.is_empty() {
            return;
        }
        let Some(masses) = &scans.masses else {
            self.words.push(UNCORRECTED.to_owned());
            return;
        };
        self.count_masses(study);
        self.warnings.extend(masses.warnings.iter().cloned());
        let traits = masses.corrections.iter();
        let traits: Vec<&str> = traits.map(|one| &*one.trait_name).collect();
        let by = match &scans.equations {
            Some(_) => "equations fitted to the study's chemistry",
            None => "saved equations",
        };
        self.words.push(format!(
            "The readings of {} are corrected by {by}; calibrate and correct show how.",
            traits.join(", ")
        ));
    }

    /// The corrected masses of a study, or that there are none.
    fn masses(&mut self, analysis: &Analysis) -> Result<()> {
        let (study, scans) = (&analysis.study, &analysis.scans);
        match &scans.masses {
            Some(masses) => {
                self.count_masses(study);
                let confidence = analysis.confidence;
                self.corrected((study, scans), masses, confidence, Moved::No)
            }
            None => {
                self.words.push(UNCORRECTED.to_owned());
                Ok(())
            }
        }
    }

    /// Records of the traits that came by correction.
    fn count_masses(&mut self, study: &Study) {
        for records in &study.traits {
            let n = records.values.len() + records.groups.len();
            let count = self.counts.entry(format!("records of {}", records.name));
            count.or_insert(n);
        }
    }

    /// Corrected masses.
    ///
    /// # Errors
    /// Parts that cannot be moved to add up.
    pub fn corrected(
        &mut self,
        (study, scans): (&Study, &Scans),
        masses: &StudyMasses,
        confidence: f64,
        moved: Moved,
    ) -> Result<()> {
        self.answer(
            "What are the true masses?",
            composition_words::masses(masses),
        );
        self.warnings.extend(masses.warnings.iter().cloned());
        self.count("scans", study.scans.rows.len());
        self.count("scans kept", scans.kept.scans.len());
        self.tables.push(tables::calibration::corrected(
            &masses.corrections,
            confidence,
        ));
        if !masses.changes.is_empty() {
            self.tables
                .push(tables::calibration::changes(&masses.changes));
        }
        if !masses.balance.is_empty() {
            self.tables
                .push(tables::calibration::balance(&masses.balance, moved)?);
        }
        self.replace(tables::scans::rejected_scans(&masses.not_used));
        Ok(())
    }
}
