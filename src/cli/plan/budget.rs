//! What do scans, birds and carcasses of the next study cost, and which are needed?

use std::path::{Path, PathBuf};

use clap::Args;

use super::PlanArgs;
use crate::analysis::{Options, PilotScans};
use crate::cli::draw::add_pictures;
use crate::cli::options::Common;
use crate::cli::output::Output;
use crate::composition::study_masses::read_equations;
use crate::error::{Error, Result};
use crate::plan::budget::BudgetFile;
use crate::report::tables::budget as budget_tables;
use crate::report::tables::carcasses::{self as carcass_tables, PlannedCarcasses};
use crate::report::{budget_pictures, budget_words, carcass_words, summary};
use crate::study::{Study, Way};

/// Scans and carcasses under a budget.
#[derive(Debug, Args)]
#[command(next_help_heading = "Scans and carcasses under a budget")]
pub(super) struct BudgetOptions {
    /// Weigh ways of scanning, repeats, birds and carcasses by what they cost: a TOML with
    /// prices, minutes, limits and requirements (see the guide); the pilot is a study folder with
    /// scans and chemistry
    #[arg(
        long,
        value_name = "FILE",
        conflicts_with_all = OTHER_QUESTIONS
    )]
    pub(super) budget: Option<PathBuf>,
    /// Numbers of birds to be analysed for the next equations: expected error of the
    /// equations, and the best split over strains and ages
    #[arg(
        long,
        value_name = "N[,N]",
        value_delimiter = ',',
        conflicts_with_all = OTHER_QUESTIONS
    )]
    pub(super) carcasses: Vec<usize>,
}

/// Options of the questions that a budget does not answer.
const OTHER_QUESTIONS: [&str; 9] = [
    "population",
    "precision",
    "detect",
    "cue",
    "weeks",
    "scans",
    "pens",
    "calibration_sd",
    "curve",
];

impl BudgetOptions {
    /// Whether the call is about scans and carcasses and not about growth curves.
    pub(super) fn asked(&self) -> bool {
        self.budget.is_some() || !self.carcasses.is_empty()
    }
}

pub(super) fn run(args: &PlanArgs, common: &Common) -> Result<u8> {
    let asked = &args.budget;
    if let Some(few) = asked.carcasses.iter().find(|birds| **birds == 0) {
        return Err(Error::call(format!(
            "--carcasses {few}: expected numbers of birds from 1"
        )));
    }
    let mut output = Output::new("plan", common);
    output.seed = args.limits.seed;
    let path = match &args.path {
        Some(path) if path.is_dir() => path,
        _ => {
            return Err(Error::call(
                "--budget or --carcasses: found no study folder, expected a pilot with scans and chemistry; name its folder",
            ));
        }
    };
    let study = Study::read_folder(path)?;
    output.take(&study, path)?;
    let file = match &asked.budget {
        Some(file) => {
            output.enter_file(file)?;
            Some((file, BudgetFile::read(file, args.wanted.confidence)?))
        }
        None => None,
    };
    let mut options = Options::of(&study)?;
    options.confidence = args.wanted.confidence;
    options.scans.equations = read_equations(&args.calibration.equation)?;
    for equation in &options.scans.equations {
        output.enter_file(Path::new(&equation.file))?;
    }
    let (mut ages_d, mut ways, mut traits) = (args.wanted.at_age.clone(), Vec::new(), Vec::new());
    ages_d.sort_by(f64::total_cmp);
    if let Some((_, file)) = &file {
        if ages_d.is_empty() {
            ages_d.clone_from(&file.ages_d);
        }
        let way = |scan: &crate::plan::budget::ScanCost| Way {
            restraint: scan.restraint.clone(),
            birds: scan.birds,
            egg: false,
        };
        ways = file.budget.scans.iter().map(way).collect();
        let required = file.budget.requirements.iter();
        traits = required
            .map(|requirement| requirement.trait_name.clone())
            .collect();
    }
    let pilot = PilotScans::of(&study, &options, &ages_d, (&ways, &traits));
    let pilot = pilot.map_err(|error| match &file {
        // What a budget requires and the pilot does not have.
        Some((file, _)) => {
            let messages = error.messages().iter();
            let lines = messages.map(|line| format!("{}, {line}", file.display()));
            Error::faults(lines.collect())
        }
        None => error,
    })?;
    let level = args.wanted.confidence;
    let plan = file.map(|(_, file)| pilot.weigh(file.budget));
    if let Some(plan) = &plan {
        let names: Vec<String> = ways.iter().map(Way::label).collect();
        output.attention |= plan.offers.chosen.is_none();
        let findings = &mut output.findings;
        findings.words.extend(budget_words::budget(&pilot, plan));
        findings.tables.push(budget_tables::designs(plan));
        findings.tables.push(budget_tables::precision(plan));
        let components = budget_tables::components(&pilot, &names);
        findings.tables.push(components);
        let showing = (level, crate::figure::Frame::default(), &[][..]);
        add_pictures(&args.paper, showing, &mut output, |showing, drawn| {
            budget_pictures::budget_picture(plan, showing, drawn);
        })?;
    }
    let mut plans = Vec::new();
    if !asked.carcasses.is_empty() {
        for with_pilot in [false, true] {
            plans.push(pilot.carcasses(&study, (with_pilot, level))?);
        }
    }
    let planned = (!plans.is_empty()).then_some(PlannedCarcasses {
        plans: &plans,
        birds: &asked.carcasses,
    });
    if let Some(planned) = planned {
        let findings = &mut output.findings;
        findings.words.extend(carcass_words::carcasses(planned));
        findings.tables.push(carcass_tables::precision(planned));
        findings.tables.push(carcass_tables::split(planned));
    }
    output.answer_with(|place| summary::budget(plan.as_ref(), planned, place));
    output.finish()
}
