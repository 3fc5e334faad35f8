//! `run`: the whole study in order: check, repeatability, calibrate, correct, fit,
//! target, cues, figures, page.

use std::path::PathBuf;

use clap::Args;

use super::calibrate;
use super::correct::{EquationOptions, OWN};
use super::draw::{Drawing, PaperOptions};
use super::fit::RedrawOptions;
use super::lay_table::OnsetArguments;
use super::options::{Common, FitOptions, Input};
use super::output::{Output, PageParts};
use super::target::TargetOptions;
use super::{paper, verify};
use crate::analysis::{Analysis, ComparisonOptions, Forecasting, Options};
use crate::error::Result;
use crate::report::page::Content;
use crate::study::{Files, Settings, Study, TableName, file_and_sheet};

/// Run the whole study: corrected masses, growth curves, deviation from target,
/// timing cues, figures, report page.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather run data-demo
  pinfeather run weights.csv --bird ring --age days --value grams --group line --out results
  pinfeather run \"flock.xlsx#Weights\" --date Date --hatched-on 2026-03-02 --xlsx
  pinfeather run --verify results/run.json")]
pub(crate) struct RunArgs {
    /// Take the STUDY as a run record (OUT/run.json): run again what it records, and report
    /// what has changed
    #[arg(long)]
    pub(crate) verify: bool,
    /// File the results of the run before under their date (OUT/earlier/DATE) before they are
    /// replaced
    #[arg(long, conflicts_with = "verify")]
    keep: bool,
    #[command(flatten)]
    whole: WholeStudy,
    #[command(flatten)]
    paper: PaperOptions,
}

/// What the whole study in order requires: `run`, `report` and `view` share it.
#[derive(Debug, Args)]
pub(crate) struct WholeStudy {
    #[command(flatten)]
    pub(crate) input: Input,
    #[command(flatten)]
    fit: FitOptions,
    #[command(flatten)]
    target: TargetOptions,
    #[command(flatten)]
    onset: OnsetArguments,
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
    let (results, options) = args.whole.results(&mut output)?;
    if output.keeps_files() {
        Drawing(&results).add(&args.paper, &mut output)?;
    }
    paper::add((&results, &options), &mut output);
    output.summarise();
    output.compare_with_earlier(results.study.age_unit());
    if args.keep {
        output.keep_earlier()?;
    }
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
                let named = tables
                    .flat_map(|table| settings.tables.of(*table).iter().flat_map(Files::paths));
                files.extend(named.map(|table| path.join(table)));
            }
        } else {
            files.push(path.clone());
        }
        files.extend(columns.targets.iter().cloned());
        files.extend(columns.onset.iter().cloned());
        files.extend(self.fit.cards.iter().cloned());
        files.extend(self.equations.equation.iter().cloned());
        files.extend(self.target.populations().cloned());
        files.iter().map(|file| file_and_sheet(file).0).collect()
    }

    /// The options of the whole study.
    fn options(&self, study: &Study, output: &mut Output) -> Result<Options> {
        let fit = self.fit.at_every_level();
        output.enter_cards(fit.cards.as_deref())?;
        let by = fit.population.groups(study)?;
        let mut options = fit.analysis(study, output)?;
        options.scans =
            self.equations
                .scans((&self.input.path, study), options.confidence, output)?;
        options.growth.redraws = self.redraw.calibration_draws;
        options.comparison = Some(ComparisonOptions::of(by));
        options.flock = Some(self.target.flock(study, &fit, Forecasting::All, output)?);
        let mut lay = self.onset.lay();
        let of_flock = options.flock.as_ref();
        lay.population = of_flock.and_then(|flock| flock.population.clone());
        options.lay = Some(lay);
        Ok(options)
    }

    /// Reads the study and analyses it; its findings go to the output, and the page gets
    /// its title and its strains.
    pub(crate) fn results(&self, output: &mut Output) -> Result<(Analysis, Options)> {
        let study = output.read(&self.input)?;
        let looked = self.input.check()?;
        output.attention |= looked.needs_attention();
        let options = self.options(&study, output)?;
        let place = match study.scans.rows.is_empty() {
            true => None,
            false => output.models(None, calibrate::FOLDER)?,
        };
        let weigh = self.target.weigh(&study, options.confidence)?;
        let analysis = Analysis::of_owned(study, &options)?;
        let findings = &mut output.findings;
        findings.words.push("What was read?".to_owned());
        let lines = looked.summary.lines();
        let lines = lines.iter().map(|line| format!("  {line}"));
        findings.words.extend(lines);
        let population = self.target.population_name();
        findings.whole((&analysis, &options), (&weigh, &population))?;
        output.seed = options.seed;
        if let Some(equations) = &analysis.scans.equations {
            let calibrations = equations.calibrations();
            let equations = calibrations.iter().map(|one| &one.equation);
            calibrate::save((equations, &[]), place.as_ref(), output)?;
        }
        output.page = Some(PageParts {
            content: Content::of(&analysis, &options, self.input.group_column()),
            figures: Vec::new(),
            methods: None,
            results: None,
            live: None,
        });
        Ok((analysis, options))
    }

    /// The results with the figures that the page shows, and no files of them.
    pub(crate) fn page(&self, output: &mut Output) -> Result<()> {
        let (results, options) = self.results(output)?;
        Drawing(&results).add_to_page(output);
        paper::add((&results, &options), output);
        Ok(())
    }
}
