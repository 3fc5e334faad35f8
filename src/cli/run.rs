//! `run`: the whole study in order: check, repeatability, calibrate, correct, fit,
//! target, cues, figures, page.

use std::path::PathBuf;

use clap::Args;

use super::correct::{EquationOptions, OWN};
use super::corrected::{self, RedrawOptions};
use super::draw::{Drawing, PaperOptions};
use super::lay_table::OnsetWishes;
use super::options::{Common, FitOptions, Input};
use super::output::{Output, PageParts};
use super::target::{Looked, TargetOptions};
use super::{calibrate, contrast, correct, fit, onset, paper, repeatability, verify};
use crate::analysis::{Analysis, Scans};
use crate::composition::CAUTION;
use crate::composition::quality::keep;
use crate::composition::study_equations;
use crate::composition::study_masses;
use crate::error::Result;
use crate::report::answer_table;
use crate::report::calibration_tables::Moved;
use crate::study::{Settings, Study, TableName, file_and_sheet};
use crate::trajectory::profiles;

/// Run the whole study: corrected masses, growth curves, deviation from target,
/// timing cues, figures, report page.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather run data-demo
  pinfeather run weights.csv --bird Chick --age Time --value weight --group Diet --out results
  pinfeather run \"flock.xlsx#Weights\" --date Date --hatched-on 2026-03-02 --xlsx
  pinfeather run --verify results/run.json")]
pub(crate) struct RunArgs {
    /// Take the STUDY as a run record (OUT/run.json): run again what it records, and say whether
    /// anything has changed, and what
    #[arg(long)]
    pub(crate) verify: bool,
    #[command(flatten)]
    whole: WholeStudy,
    #[command(flatten)]
    paper: PaperOptions,
}

/// What the whole study in order asks for: `run`, `report` and `view` share it.
#[derive(Debug, Args)]
pub(crate) struct WholeStudy {
    #[command(flatten)]
    pub(crate) input: Input,
    #[command(flatten)]
    fit: FitOptions,
    #[command(flatten)]
    target: TargetOptions,
    #[command(flatten)]
    onset: OnsetWishes,
    #[command(flatten)]
    equations: EquationOptions,
    #[command(flatten)]
    redraw: RedrawOptions,
}

pub(crate) fn run(args: &RunArgs, common: &Common) -> Result<u8> {
    if args.verify {
        return verify::run(&args.whole.input.path, common);
    }
    args.paper.check()?;
    let mut output = Output::new("run", common);
    let results = args.whole.results(&mut output)?;
    if output.keeps_files() {
        Drawing(&results).add(&args.paper, &mut output)?;
    }
    paper::add(&results, &args.whole.fit, &mut output);
    output.finish()
}

impl WholeStudy {
    /// Every file and folder that the call reads, whether or not it is there.
    ///
    /// The tables of a study are those that its study.toml names; of one that cannot be
    /// read there is nothing to read beyond it.
    pub(crate) fn files(&self) -> Vec<PathBuf> {
        let Input { path, columns } = &self.input;
        let mut files: Vec<PathBuf> = Vec::new();
        if path.is_dir() {
            files.extend([path.join("study.toml"), path.join(OWN)]);
            if let Ok(settings) = Settings::read(path) {
                let tables = TableName::ALL.iter();
                let named = tables.filter_map(|table| settings.tables.of(*table).as_ref());
                files.extend(named.map(|table| path.join(table)));
            }
        } else {
            files.push(path.clone());
        }
        files.extend(columns.targets.iter().cloned());
        files.extend(columns.onset.iter().cloned());
        files.extend(self.fit.cards.iter().cloned());
        files.extend(self.equations.equation.iter().cloned());
        files.extend(self.target.population().cloned());
        files.iter().map(|file| file_and_sheet(file).0).collect()
    }

    /// Reads, corrects, fits and judges; words and tables go to the output, and the
    /// page gets its title and its strains.
    pub(crate) fn results(&self, output: &mut Output) -> Result<Analysis> {
        let mut study = output.read(&self.input)?;
        let looked = self.input.check()?;
        output.attention |= looked.needs_attention();
        output.words.push("What was read?".to_owned());
        output.words.extend(
            looked
                .summary
                .lines()
                .iter()
                .map(|line| format!("  {line}")),
        );
        let scans = self.composition(&mut study, output)?;
        let wishes = self.fit.at_every_level();
        let trajectories = fit::trajectories(&study, &wishes, output)?;
        fit::add(&study, &trajectories, &wishes, output);
        corrected::add_shares(
            &study,
            scans.masses.as_ref(),
            &trajectories,
            &self.fit,
            &self.redraw,
            output,
        )?;
        let comparison = contrast::add_usual(&study, &trajectories, &wishes, output)?;
        let profiles = profiles::of_strains(&study, &trajectories, self.fit.confidence);
        let allowed = self.equations.allowed(&study).into_iter().collect();
        let fit = (&self.fit, allowed);
        let traits = Looked::WithTarget;
        let verdict = self.target.add(&study, &study, None, fit, traits, output)?;
        let lay = onset::add(&study, &trajectories, &self.fit, &self.onset, output)?;
        output.page = Some(PageParts {
            title: study.name.clone(),
            strains: study.strains.clone(),
            figures: Vec::new(),
            small_figures: Vec::new(),
            methods: Vec::new(),
            results: Vec::new(),
            live: None,
        });
        let analysis = Analysis {
            ages_d: self.fit.ages_d(&study),
            confidence: self.fit.confidence,
            study,
            trajectories,
            comparison,
            profiles,
            verdict,
            lay,
            scans,
        };
        output
            .tables
            .insert(0, answer_table::answers(&analysis.answers()));
        Ok(analysis)
    }

    /// The results with the figures that the page shows, and no files of them.
    pub(crate) fn page(&self, output: &mut Output) -> Result<()> {
        let results = self.results(output)?;
        Drawing(&results).add_to_page(output);
        paper::add(&results, &self.fit, output);
        Ok(())
    }

    /// Scans to corrected masses, as far as the study has the tables: how well the
    /// scanner repeats itself, the equations, and the masses as traits of the study.
    ///
    /// Equations that the call names go before those that the study's chemistry gives.
    fn composition(&self, study: &mut Study, output: &mut Output) -> Result<Scans> {
        let path = &self.input.path;
        let mut results = Scans::default();
        if study.scans.rows.is_empty() {
            results.masses = corrected::from_saved(study, &self.equations, path, output)?;
            return Ok(results);
        }
        let confidence = self.fit.confidence;
        let kept = keep(study);
        if study.scans.has_repeats() {
            match repeatability::of_scans(study, confidence, output) {
                Ok(answer) => results.repeatability = Some(answer),
                // Repeats that were all rejected do not stop the rest.
                Err(error) => output.warnings.push(format!("repeatability: {error}")),
            }
        }
        if study.chemistry.rows.is_empty() || !self.equations.equation.is_empty() {
            results.masses = corrected::from_saved(study, &self.equations, path, output)?;
            output.words.push(CAUTION.to_owned());
            return Ok(results);
        }
        self.equations.allow_ways(study)?;
        let mut request = calibrate::usual_request(study, path)?;
        request.settings.confidence = confidence;
        let place = output.models(None, calibrate::FOLDER)?;
        let answer = study_equations::of_study(study, &kept, &request)?;
        calibrate::add(&answer, &kept, place.as_ref(), &request, output)?;
        output.words.push(CAUTION.to_owned());
        let equations: Vec<_> = answer
            .calibrations(request.wanted.part)
            .into_iter()
            .map(|calibration| calibration.equation.clone())
            .collect();
        let allowed = self.equations.allowed(study);
        let masses = study_masses::of_study(study, &kept, &equations, &allowed)?;
        correct::add(study, &kept, &masses, confidence, Moved::No, output)?;
        corrected::enter(study, &masses, output);
        results.chosen = answer.chosen;
        results.feathers = answer.feather_ages;
        results.masses = Some(masses);
        Ok(results)
    }
}
