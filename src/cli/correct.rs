//! `correct`: what are the true masses behind the readings?

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use clap::Args;

use super::options::{Common, TableColumns, confidence};
use super::output::Output;
use crate::composition::Equation;
use crate::composition::correction::AllowedStrains;
use crate::composition::quality::{Kept, keep};
use crate::composition::study_masses::{StudyMasses, of_study, read_equations};
use crate::error::{Error, Result};
use crate::report::calibration_tables::{self, Moved};
use crate::report::{composition_tables, composition_words};
use crate::study::{Study, Way};

/// Correct every scan by saved equations, with the error of a new bird and the
/// part of it that all birds share, and add the parts up against the scale weight.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather correct data-demo --equation results/models/corrections
  pinfeather correct scans.csv --equation fat.toml,lean.toml --group line

Without --equation, those under models/corrections in the study folder are used.")]
pub(crate) struct CorrectArgs {
    /// A study folder (with study.toml), or one table of scans
    #[arg(value_name = "STUDY|TABLE")]
    path: PathBuf,
    #[command(flatten)]
    equations: EquationOptions,
    /// Also move the parts by the smallest weighted change so that they add up
    #[arg(long)]
    reconcile: bool,
    /// Confidence of the intervals
    #[arg(long, value_name = "SHARE", default_value = "0.95", value_parser = confidence)]
    confidence: f64,
    #[command(flatten)]
    columns: TableColumns,
}

/// Which saved equations to use, and for whom.
#[derive(Debug, Args)]
#[command(next_help_heading = "Correction")]
pub(crate) struct EquationOptions {
    /// Saved equations: files, or a folder of them
    #[arg(long, value_name = "FILE[,FILE]", value_delimiter = ',')]
    pub(crate) equation: Vec<PathBuf>,
    /// A strain that the equations do not know, and which of theirs it is taken for
    #[arg(long, value_name = "STRAIN=KNOWN", value_delimiter = ',', value_parser = allowed)]
    pub(crate) allow_strain: Vec<(String, String)>,
    /// A way of scanning that the equations do not cover, to be corrected as if they did
    #[arg(long, value_name = "WAY")]
    pub(crate) allow_way: Vec<String>,
}

fn allowed(text: &str) -> std::result::Result<(String, String), String> {
    match text.split_once('=') {
        Some((strain, known)) if !strain.is_empty() => Ok((strain.to_owned(), known.to_owned())),
        _ => {
            Err("expected STRAIN=KNOWN, the new strain and the one that it is taken for".to_owned())
        }
    }
}

/// The folder of a study's own equations.
pub(crate) const OWN: &str = "models/corrections";

impl EquationOptions {
    /// The equations that the call names, or the study's own; none where there are none.
    pub(crate) fn read(&self, path: &Path, output: &mut Output) -> Result<Vec<Equation>> {
        let own = path.join(OWN);
        let equations = if !self.equation.is_empty() {
            read_equations(&self.equation)?
        } else if own.is_dir() {
            read_equations(&[own])?
        } else {
            Vec::new()
        };
        for equation in &equations {
            output.enter_file(Path::new(&equation.file))?;
        }
        Ok(equations)
    }

    /// Strains allowed by the call or the study.
    pub(crate) fn allowed(&self, study: &Study) -> AllowedStrains {
        let mut allowed = study.settings.calibration.allowed_strains.clone();
        allowed.extend(self.allow_strain.iter().cloned());
        allowed
    }

    /// Enters the ways of scanning that the call allows beside those of the study.
    ///
    /// # Errors
    /// [`ErrorKind::Call`](crate::ErrorKind::Call) for a way that no scan was made in.
    pub(crate) fn allow_ways(&self, study: &mut Study) -> Result<()> {
        let allowed = &mut study.settings.calibration.allowed_ways;
        allowed.extend(self.allow_way.iter().cloned());
        let ways: BTreeSet<String> = study
            .scans
            .rows
            .iter()
            .map(|scan| Way::of(scan).label())
            .collect();
        match allowed.iter().find(|way| !ways.contains(*way)) {
            Some(way) => Err(Error::call(format!(
                "--allow-way or calibration.allowed_ways: found \"{way}\", expected a way of the study's scans ({}); correct the name",
                ways.into_iter().collect::<Vec<_>>().join("; ")
            ))),
            None => Ok(()),
        }
    }
}

pub(crate) fn run(args: &CorrectArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("correct", common);
    let mut study = if args.path.is_dir() {
        Study::read_folder(&args.path)?
    } else {
        Study::read_scans(&args.path, &args.columns.ready())?
    };
    output.take(&study, &args.path)?;
    if study.scans.rows.is_empty() {
        return Err(Error::input(
            "study.toml, tables: found no scans, expected a table of readings; write scans = \"FILE\" under [tables]",
        ));
    }
    let equations = args.equations.read(&args.path, &mut output)?;
    if equations.is_empty() {
        return Err(Error::call(format!(
            "{}: found no saved equation, expected --equation FILE, or files under {OWN} in the study folder; make some by calibrate",
            args.path.display()
        )));
    }
    let moved = if args.reconcile {
        Moved::ToAddUp
    } else {
        Moved::No
    };
    args.equations.allow_ways(&mut study)?;
    let kept = keep(&study);
    let masses = of_study(&study, &kept, &equations, &args.equations.allowed(&study))?;
    add(&study, &kept, &masses, args.confidence, moved, &mut output)?;
    output.finish()
}

/// Adds the corrected masses and what they say.
pub(crate) fn add(
    study: &Study,
    kept: &Kept,
    masses: &StudyMasses,
    confidence: f64,
    moved: Moved,
    output: &mut Output,
) -> Result<()> {
    output.words.push("What are the true masses?".to_owned());
    output.words.extend(composition_words::masses(masses));
    output.warnings.extend(masses.warnings.iter().cloned());
    output
        .counts
        .insert("scans".to_owned(), study.scans.rows.len());
    output
        .counts
        .insert("scans kept".to_owned(), kept.scans.len());
    output.tables.push(calibration_tables::corrected(
        &masses.corrections,
        confidence,
    ));
    if !masses.changes.is_empty() {
        output
            .tables
            .push(calibration_tables::changes(&masses.changes));
    }
    if !masses.balance.is_empty() {
        output
            .tables
            .push(calibration_tables::balance(&masses.balance, moved)?);
    }
    output.replace(composition_tables::rejected_scans(&masses.not_used));
    Ok(())
}
