//! `calibrate`: which equation turns readings into chemistry?

use std::path::{Path, PathBuf};

use clap::Args;

use super::choices::{self, one_of};
use super::options::{Common, FormatOptions, confidence};
use super::output::{Output, plain_name};
use crate::analysis::Scans;
use crate::composition::calibration::{Calibration, Settings, Weighting};
use crate::composition::laboratories::{calibrate_laboratories, names};
use crate::composition::study_equations::{Request, calibrate_best, digest_of_inputs, of_study};
use crate::composition::{CAUTION, Equation, Formula, Frame, digest};
use crate::error::{Error, Result, read_file};
use crate::report::equation_files::{self, Form};
use crate::report::files::Place;
use crate::report::summary;
use crate::study::{Files, Study};

/// Fit the equations that put scanner readings on the chemistry scale, judge them by
/// birds left out whole, and save them.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather calibrate data-demo
  pinfeather calibrate pairs.csv --response fat_chem \\
      --terms fat_scan,lean_scan,age,strain,fat_scan*strain --bird bird
  pinfeather calibrate data-demo/laboratories/pairs.csv --response fat_chem --terms fat_scan,age
  pinfeather calibrate fat.toml --export r,spreadsheet --save exported
  pinfeather calibrate pairs.csv --response fat_chem --terms fat_scan --terms fat_scan,age

Terms are columns, log(COLUMN), or products such as fat_scan*strain; 0 among them leaves the
intercept out (a line through 0), as in R. --terms given several
times are candidates, of which the best predictor of birds left out is kept. In a study
folder the candidates stand in study.toml under [calibration.terms].")]
pub(crate) struct CalibrateArgs {
    /// A study folder (with study.toml), one table (a row a scan beside its chemistry), or a
    /// saved equation to be exported
    #[arg(value_name = "STUDY|TABLE|EQUATION")]
    path: PathBuf,
    /// Column of chemistry, or log(COLUMN)
    #[arg(long, value_name = "COLUMN")]
    response: Option<String>,
    /// Terms of the equation; once for each candidate
    #[arg(long, value_name = "TERM[,TERM]")]
    terms: Vec<String>,
    /// Column that names the bird [default: bird, if there is one]
    #[arg(long, value_name = "COLUMN")]
    bird: Option<String>,
    /// Column that names the laboratory or scanner of each row, or none: with several, one
    /// equation for a new laboratory, and how far they differ [default: laboratory, if there is
    /// one]
    #[arg(long, value_name = "COLUMN")]
    laboratory: Option<String>,
    /// Column of readings that the chemistry is compared with [default: fat_scan for fat_chem]
    #[arg(long, value_name = "COLUMN")]
    reading: Option<String>,
    /// How rows count [default: the study's, or ordinary]
    #[arg(long, value_parser = one_of(choices::WEIGHTINGS))]
    weighting: Option<Weighting>,
    /// Error variance of the prediction over that of the chemistry, for Deming's line
    #[arg(long, value_name = "RATIO", default_value = "1")]
    deming_ratio: f64,
    /// Confidence of the intervals
    #[arg(long, value_name = "SHARE", default_value = "0.95", value_parser = confidence)]
    confidence: f64,
    /// Folder for the equations [default: models/corrections in the results' folder]
    #[arg(long, value_name = "DIR")]
    save: Option<PathBuf>,
    /// Write each equation in these forms as well, beside its file; each computes mass and
    /// standard error
    #[arg(long, value_name = "FORM[,FORM]", value_delimiter = ',', value_parser = one_of(choices::FORMS))]
    export: Vec<Form>,
    #[command(flatten, next_help_heading = "How a bare table is written")]
    format: FormatOptions,
}

/// The folder of saved equations in a results folder.
pub(crate) const FOLDER: &str = "models/corrections";

pub(crate) fn run(args: &CalibrateArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("calibrate", common);
    if args.path.extension().is_some_and(|ending| ending == "toml") {
        return export_saved(args, output);
    }
    if args.path.is_dir() {
        for (option, given) in [("--bird", &args.bird), ("--laboratory", &args.laboratory)] {
            if given.is_some() {
                return Err(Error::call(format!(
                    "{option}: found with a study folder, expected with a bare table; a study's columns are named in study.toml",
                )));
            }
        }
        let study = Study::read_folder(&args.path)?;
        output.take(&study, &args.path)?;
        let request = request(args, &study)?;
        let place = output.models(args.save.as_deref(), FOLDER)?;
        let scans = Scans::rules(&study);
        let found = of_study(&study, &scans.kept, &request)?;
        output.findings.study_equations(&found, &scans);
        let calibrations = found.calibrations();
        let equations = calibrations.iter().map(|one| &one.equation);
        save((equations, &args.export), place.as_ref(), &mut output)?;
        let saved = place
            .is_some()
            .then(|| output.path_of(args.save.as_deref(), FOLDER));
        let plucked = found.plucked.as_ref();
        output.answer_with(|results| {
            let laboratories = &found.laboratories;
            let saved = saved.as_deref();
            summary::calibration(&found.chosen, laboratories, plucked, saved, results)
        });
    } else {
        let place = output.models(args.save.as_deref(), FOLDER)?;
        let bare = Bare::read(args, &mut output)?;
        if let Some(column) = bare.laboratories(args)? {
            let request = (bare.response.as_str(), bare.candidates.as_slice());
            let found = calibrate_laboratories(&bare.frame, request, &column, &bare.settings)?;
            let found = std::slice::from_ref(&found);
            output.findings.laboratories(found);
            let equations = found.iter().filter_map(|one| one.equation.as_ref());
            save((equations, &args.export), place.as_ref(), &mut output)?;
            let saved = place
                .is_some()
                .then(|| output.path_of(args.save.as_deref(), FOLDER));
            output.answer_with(|results| summary::laboratories(found, saved.as_deref(), results));
        } else {
            let chosen = calibrate_best(
                &bare.frame,
                &bare.response,
                &bare.candidates,
                &bare.settings,
            )?;
            let equations: Vec<&Calibration> = vec![&chosen.calibration];
            let chosen = std::slice::from_ref(&chosen);
            output.findings.equations(chosen, &equations);
            let equations = equations.iter().map(|one| &one.equation);
            save((equations, &args.export), place.as_ref(), &mut output)?;
            let saved = place
                .is_some()
                .then(|| output.path_of(args.save.as_deref(), FOLDER));
            output.answer_with(|results| {
                summary::calibration(chosen, &[], None, saved.as_deref(), results)
            });
        }
    }
    output.findings.words.push(CAUTION.to_owned());
    output.finish()
}

/// What the study's settings and the call ask for; the call goes first.
fn request(args: &CalibrateArgs, study: &Study) -> Result<Request> {
    let mut request = usual_request(study, &args.path)?;
    let settings = &mut request.settings;
    settings.confidence = args.confidence;
    settings.deming_ratio = args.deming_ratio;
    settings.reading.clone_from(&args.reading);
    if let Some(weighting) = args.weighting {
        settings.weighting = weighting;
    }
    match (&args.response, args.terms.as_slice()) {
        (None, []) => {}
        (Some(response), []) => {
            let of_study = |(name, _): &(String, Vec<Formula>)| name == response;
            if !request.responses.iter().any(of_study) {
                return Err(Error::call(format!(
                    "--response {response}: found no terms for it, expected --terms or a line under [calibration.terms] in study.toml"
                )));
            }
            request.responses.retain(of_study);
        }
        (Some(response), terms) => {
            request.responses = vec![(response.clone(), formulas(terms)?)];
        }
        (None, _) => {
            return Err(Error::call(
                "--terms: found without --response, expected the column of chemistry that they are for",
            ));
        }
    }
    Ok(request)
}

/// What the study's settings ask for, with the digest of its tables.
pub(crate) fn usual_request(study: &Study, folder: &Path) -> Result<Request> {
    let mut request = Request::of(study)?;
    let tables = &study.settings.tables;
    let files = [&tables.scans, &tables.chemistry]
        .into_iter()
        .flatten()
        .flat_map(Files::paths);
    let bytes: Result<Vec<Vec<u8>>> = files.map(|file| read_file(&folder.join(file))).collect();
    request.settings.input_digest = digest_of_inputs(&bytes?);
    Ok(request)
}

fn formulas(terms: &[String]) -> Result<Vec<Formula>> {
    terms
        .iter()
        .map(|terms| {
            terms
                .parse()
                .map_err(|error: Error| Error::call(format!("--{error}")))
        })
        .collect()
}

/// A bare table, and the request.
struct Bare {
    frame: Frame,
    response: String,
    candidates: Vec<Formula>,
    settings: Settings,
}

/// The column of laboratories, where none is named.
const LABORATORY: &str = "laboratory";

impl Bare {
    fn read(args: &CalibrateArgs, output: &mut Output) -> Result<Self> {
        let (Some(response), false) = (&args.response, args.terms.is_empty()) else {
            return Err(Error::call(format!(
                "{}: found a bare table without --response and --terms, expected both, as in --response fat_chem --terms fat_scan,age",
                args.path.display()
            )));
        };
        let candidates = formulas(&args.terms)?;
        let frame = Frame::read(&args.path, &args.format.ready())?;
        output.enter_file(&args.path)?;
        output.findings.warnings.extend(frame.warning.clone());
        output.findings.counts.insert("rows".to_owned(), frame.n());
        let usual = frame
            .columns
            .contains_key("bird")
            .then(|| "bird".to_owned());
        let bird = args.bird.clone().or(usual);
        if bird.is_none() {
            output.findings.warnings.push(format!(
                "{}: no column names the bird, so each row is left out by itself; name it by --bird where a bird has several rows",
                args.path.display()
            ));
        }
        Ok(Self {
            settings: Settings {
                weighting: args.weighting.map_or(Weighting::Ordinary, Into::into),
                bird,
                reading: args.reading.clone(),
                confidence: args.confidence,
                deming_ratio: args.deming_ratio,
                input_digest: digest(&read_file(&args.path)?),
                ..Settings::default()
            },
            frame,
            response: response.clone(),
            candidates,
        })
    }

    /// The column of laboratories; none where there is no such column, all rows are of one, or
    /// none is requested.
    fn laboratories(&self, args: &CalibrateArgs) -> Result<Option<String>> {
        let column = match args.laboratory.as_deref() {
            Some("none") => return Ok(None),
            Some(named) => {
                self.frame.column(named)?;
                named
            }
            None if self.frame.columns.contains_key(LABORATORY) => LABORATORY,
            None => return Ok(None),
        };
        if names(&self.frame, column).len() > 1 {
            return Ok(Some(column.to_owned()));
        }
        match args.laboratory {
            None => Ok(None),
            Some(_) => Err(Error::input(format!(
                "{}, column {column}: found one laboratory, expected several; leave --laboratory out",
                self.frame.file
            ))),
        }
    }
}

/// A saved equation in other forms.
fn export_saved(args: &CalibrateArgs, mut output: Output) -> Result<u8> {
    let others = [
        ("--response", args.response.is_some()),
        ("--terms", !args.terms.is_empty()),
        ("--bird", args.bird.is_some()),
        ("--laboratory", args.laboratory.is_some()),
        ("--reading", args.reading.is_some()),
        ("--weighting", args.weighting.is_some()),
    ];
    if let Some((option, _)) = others.iter().find(|(_, given)| *given) {
        return Err(Error::call(format!(
            "{option}: found with a saved equation, expected with a study or table; leave it out to export the equation"
        )));
    }
    if args.export.is_empty() {
        return Err(Error::call(format!(
            "{}: found a saved equation without --export, expected the forms to write it in, as in --export r,python",
            args.path.display()
        )));
    }
    let place = output.models(args.save.as_deref(), FOLDER)?;
    let equation = Equation::read(&args.path)?;
    output.enter_file(&args.path)?;
    let saved = digest(equation.to_toml()?.as_bytes());
    let files = exported(&equation, &args.export, &saved);
    let names: Vec<&str> = files.iter().map(|(name, _)| name.as_str()).collect();
    output.findings.words.push(format!(
        "{} written as {}",
        equation.provenance.response,
        names.join(", ")
    ));
    for (name, text) in &files {
        output.save(place.as_ref(), name, text.clone().into_bytes());
    }
    output.finish()
}

/// Names and texts of an equation in other forms.
fn exported(equation: &Equation, forms: &[Form], saved: &str) -> Vec<(String, String)> {
    let stem = plain_name(&equation.provenance.response);
    let forms = forms.iter().map(|form| {
        let name = format!("{stem}.{}", form.ending());
        (name, equation_files::export(equation, *form, saved))
    });
    forms.collect()
}

/// Saves equations, a file each, and in other forms beside it.
pub(crate) fn save<'a>(
    (equations, forms): (impl IntoIterator<Item = &'a Equation>, &[Form]),
    place: Option<&Place>,
    output: &mut Output,
) -> Result<()> {
    for equation in equations {
        let name = format!("{}.toml", plain_name(&equation.provenance.response));
        let text = equation.to_toml()?;
        for (name, text) in exported(equation, forms, &digest(text.as_bytes())) {
            output.save(place, &name, text.into_bytes());
        }
        output.save(place, &name, text.into_bytes());
    }
    Ok(())
}
