//! `correct`: what are the true masses behind the readings?

use std::path::{Path, PathBuf};

use clap::Args;

use super::calibrate;
use super::options::{Common, TableColumns, confidence};
use super::output::Output;
use crate::analysis::{ScanOptions, Scans};
use crate::composition::study_masses::read_equations;
use crate::error::{Error, Result};
use crate::report::summary;
use crate::report::tables::calibration::Moved;
use crate::study::Study;

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
    /// Strain of the equations to use for a strain that they do not cover
    #[arg(long, alias = "allow-strain", value_name = "STRAIN=KNOWN", value_delimiter = ',', value_parser = allowed)]
    pub(crate) map_strain: Vec<(String, String)>,
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
    /// How the scans of a study become masses: by the equations that the call names, those
    /// that the study's chemistry gives, or else those saved in its folder.
    pub(crate) fn scans(
        &self,
        (path, study): (&Path, &Study),
        confidence: f64,
        output: &mut Output,
    ) -> Result<ScanOptions> {
        // The study's own chemistry goes before equations that lie in its folder.
        let by_chemistry = self.equation.is_empty() && !study.chemistry.rows.is_empty();
        let has_scans = !study.scans.rows.is_empty();
        let mut options = self.saved((has_scans && !by_chemistry).then_some(path))?;
        if by_chemistry && has_scans {
            let mut request = calibrate::usual_request(study, path)?;
            request.settings.confidence = confidence;
            options.equations_by = Some(request);
        }
        for equation in options.equations.iter().chain(&options.saved_with_study) {
            output.enter_file(Path::new(&equation.file))?;
        }
        Ok(options)
    }

    /// The equations that the call names, or those in the study's folder, where it is looked
    /// into; none where there are none.
    fn saved(&self, path: Option<&Path>) -> Result<ScanOptions> {
        let own = path.map(|path| path.join(OWN));
        let mut options = ScanOptions {
            allowed_strains: self.map_strain.iter().cloned().collect(),
            allowed_ways: self.allow_way.clone(),
            ..ScanOptions::default()
        };
        if !self.equation.is_empty() {
            options.equations = read_equations(&self.equation)?;
        } else if let Some(own) = own.filter(|own| own.is_dir()) {
            options.saved_with_study = read_equations(&[own])?;
        }
        Ok(options)
    }
}

pub(crate) fn run(args: &CorrectArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("correct", common);
    let study = if args.path.is_dir() {
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
    // The command corrects by saved equations, whether or not there is chemistry.
    let mut options = args.equations.saved(Some(&args.path))?;
    let own = std::mem::take(&mut options.saved_with_study);
    options.equations.extend(own);
    if options.equations.is_empty() {
        return Err(Error::call(format!(
            "{}: found no saved equation, expected --equation FILE, or files under {OWN} in the study folder; make some by calibrate",
            args.path.display()
        )));
    }
    for equation in &options.equations {
        output.enter_file(Path::new(&equation.file))?;
    }
    let moved = if args.reconcile {
        Moved::ToAddUp
    } else {
        Moved::No
    };
    let (study, scans) = Scans::corrected(study, &options)?;
    if let Some(masses) = &scans.masses {
        let of = (&study, &scans);
        output
            .findings
            .corrected(of, masses, args.confidence, moved)?;
        output.answer_with(|place| summary::corrected(masses, place));
    }
    output.finish()
}
