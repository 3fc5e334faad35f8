//! `validate`: does a saved equation hold for other birds?

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use clap::Args;

use super::calibrate::{FOLDER, save};
use super::choices::{self, one_of};
use super::correct::EquationOptions;
use super::draw::{PaperOptions, add_pictures};
use super::options::{Common, FormatOptions, confidence};
use super::output::Output;
use crate::analysis::Scans;
use crate::composition::recalibration::{Change, recalibrate};
use crate::composition::study_equations::digest_of_inputs;
use crate::composition::study_masses::read_equations;
use crate::composition::validation::{
    Acceptable, Birds, Validation, ValidationOptions, validate_all,
};
use crate::composition::{CAUTION, Equation, Frame};
use crate::error::{Error, Result, read_file};
use crate::report::summary;
use crate::report::validation_pictures::validation_pictures;
use crate::study::{Files, Study};

/// Test saved equations on birds that they were not fitted to: another laboratory's, another
/// strain's, a later trial's. The verdict is by equivalence: usable as it is, after
/// recalibration, not usable, or undecided.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather validate pairs.csv --equation results/models/corrections
  pinfeather validate pairs.csv --equation fat.toml --acceptable 12
  pinfeather validate other-study --equation fat.toml,lean.toml --acceptable fat=5%,lean=40
  pinfeather validate pairs.csv --equation fat.toml --recalibrate intercept --save recalibrated

A bare table has a row a scan of an analysed bird: the columns that the equations read
(fat_scan, age, strain, ...), the chemistry in grams of the fresh part (fat_chem, ...), bird,
and as far as known strain, age, body_weight, feathers, part, basis and restraint.")]
pub(crate) struct ValidateArgs {
    /// A study folder (with study.toml), or one table: a row a scan beside its chemistry
    #[arg(value_name = "STUDY|TABLE")]
    path: PathBuf,
    #[command(flatten)]
    equations: EquationOptions,
    /// Greatest acceptable error of the mean, in grams or percent of the mass, by tissue or for
    /// all [default: each equation's own error on birds left out]
    #[arg(long, value_name = "[TISSUE=]GRAMS|PERCENT%", value_delimiter = ',', value_parser = acceptable)]
    acceptable: Vec<(String, Acceptable)>,
    /// Recalibrate the equations on these birds, with shrinkage towards the saved ones by the
    /// error of birds left out
    #[arg(long, value_parser = one_of(choices::CHANGES))]
    recalibrate: Option<Change>,
    /// Folder for the equations with this test in their history, recalibrated where that is requested
    /// for [default: models/corrections in the results' folder, where they are recalibrated]
    #[arg(long, value_name = "DIR")]
    save: Option<PathBuf>,
    /// Confidence of the intervals
    #[arg(long, value_name = "SHARE", default_value = "0.95", value_parser = confidence)]
    confidence: f64,
    #[command(flatten)]
    paper: PaperOptions,
    #[command(flatten, next_help_heading = "How a bare table is written")]
    format: FormatOptions,
}

fn acceptable(text: &str) -> std::result::Result<(String, Acceptable), String> {
    let (tissue, size) = text.split_once('=').unwrap_or(("", text));
    let (number, percent) = match size.trim().strip_suffix('%') {
        Some(number) => (number, true),
        None => (size, false),
    };
    match number.trim().parse::<f64>() {
        Ok(number) if number > 0.0 && number.is_finite() => Ok((
            tissue.trim().to_owned(),
            if percent {
                Acceptable::Percent(number)
            } else {
                Acceptable::Absolute(number)
            },
        )),
        _ => Err("expected grams or percent above 0, such as 12, 5% or fat=12".to_owned()),
    }
}

pub(crate) fn run(args: &ValidateArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("validate", common);
    args.paper.check()?;
    if args.equations.equation.is_empty() {
        return Err(Error::call(format!(
            "{}: found no --equation, expected the saved equations to test, as in --equation fat.toml; make some by calibrate",
            args.path.display()
        )));
    }
    let equations = read_equations(&args.equations.equation)?;
    for equation in &equations {
        output.enter_file(Path::new(&equation.file))?;
    }
    let options = options(args, &equations)?;
    let place = match (args.recalibrate, &args.save) {
        (None, None) => None,
        _ => output.models(args.save.as_deref(), FOLDER)?,
    };
    let tests = if args.path.is_dir() {
        let study = Study::read_folder(&args.path)?;
        output.take(&study, &args.path)?;
        let scans = Scans::rules(&study);
        validate_all(Birds::Study(&study, &scans.kept), &equations, &options)?
    } else {
        let frame = Frame::read(&args.path, &args.format.ready())?;
        output.enter_file(&args.path)?;
        validate_all(Birds::Table(&frame), &equations, &options)?
    };
    output.findings.validation(&tests.tested);
    output.answer_with(|place| summary::validation(&tests.tested, place));
    output.findings.warnings.extend(tests.skipped);
    if args.recalibrate.is_some() || args.save.is_some() {
        let new = after_test(args, &equations, &tests.tested)?;
        if args.recalibrate.is_some() {
            output.findings.recalibration(&new);
        }
        save((&new, &[]), place.as_ref(), &mut output)?;
    }
    output.findings.words.push(CAUTION.to_owned());
    add_pictures(
        &args.paper,
        (args.confidence, crate::figure::Frame::default(), &[]),
        &mut output,
        |showing, drawn| validation_pictures(&tests.tested, showing, drawn),
    )?;
    output.finish()
}

/// The equations with this test in their history, recalibrated on its birds where that is requested
/// for.
fn after_test(
    args: &ValidateArgs,
    equations: &[Equation],
    tested: &[Validation],
) -> Result<Vec<Equation>> {
    let mut files: Vec<PathBuf> = vec![args.path.clone()];
    if args.path.is_dir() {
        let study = Study::read_folder(&args.path)?;
        let tables = &study.settings.tables;
        let named = [&tables.scans, &tables.chemistry]
            .into_iter()
            .flatten()
            .flat_map(Files::paths);
        files = named.map(|file| args.path.join(file)).collect();
    }
    let bytes: Result<Vec<Vec<u8>>> = files.iter().map(|file| read_file(file)).collect();
    let digest = digest_of_inputs(&bytes?);
    let mut new = Vec::new();
    let mut faults = Vec::new();
    for validation in tested {
        let of = |equation: &&Equation| equation.label() == validation.equation;
        let Some(equation) = equations.iter().find(of) else {
            continue;
        };
        let record = validation.record(equation, &digest)?;
        let moved = match args.recalibrate {
            Some(change) => recalibrate(&validation.birds, equation, change, &digest),
            None => Ok(equation.clone()),
        };
        match moved {
            Ok(mut equation) => {
                equation.provenance.validations.push(record);
                new.push(equation);
            }
            Err(error) => faults.extend(error.messages().iter().cloned()),
        }
    }
    if faults.is_empty() {
        Ok(new)
    } else {
        Err(Error::faults(faults))
    }
}

fn options(args: &ValidateArgs, equations: &[Equation]) -> Result<ValidationOptions> {
    let mut acceptable = BTreeMap::new();
    for (tissue, size) in &args.acceptable {
        let known = |name: &str| equations.iter().any(|one| one.provenance.response == name);
        if !tissue.is_empty() && !known(tissue) {
            let names = equations.iter().map(|one| one.provenance.response.as_str());
            return Err(Error::call(format!(
                "--acceptable {tissue}: found no equation for it, expected one of {}; correct the name",
                names.collect::<Vec<_>>().join(", ")
            )));
        }
        if acceptable.insert(tissue.clone(), *size).is_some() {
            return Err(Error::call(format!(
                "--acceptable: found two values for {}, expected one; leave one out",
                if tissue.is_empty() {
                    "all tissues"
                } else {
                    tissue
                }
            )));
        }
    }
    Ok(ValidationOptions {
        confidence: args.confidence,
        acceptable,
        strains: args.equations.map_strain.iter().cloned().collect(),
        ways: args.equations.allow_way.clone(),
    })
}
