//! `calibrate`: which equation turns readings into chemistry?

use std::path::{Path, PathBuf};

use clap::Args;

use super::choices::{self, one_of};
use super::options::{Common, FormatOptions, confidence};
use super::output::{Output, plain_name};
use crate::analysis::Scans;
use crate::composition::calibration::{Calibration, Settings, Weighting};
use crate::composition::study_equations::{
    Chosen, Request, calibrate_best, digest_of_inputs, of_study,
};
use crate::composition::{CAUTION, Formula, Frame, digest};
use crate::error::{Error, Result, read_file};
use crate::report::files::Place;
use crate::report::summary;
use crate::study::Study;

/// Fit the equations that put scanner readings on the chemistry scale, judge them by
/// birds left out whole, and save them.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather calibrate data-demo
  pinfeather calibrate pairs.csv --response fat_chem \\
      --terms fat_scan,lean_scan,age,strain,fat_scan*strain --bird bird
  pinfeather calibrate pairs.csv --response fat_chem --terms fat_scan --terms fat_scan,age

Terms are columns, log(COLUMN), or products such as fat_scan*strain; 0 among them leaves the
intercept out (a line through 0), as in R. --terms given several
times are candidates, of which the best predictor of birds left out is kept. In a study
folder the candidates stand in study.toml under [calibration.terms].")]
pub(crate) struct CalibrateArgs {
    /// A study folder (with study.toml), or one table: a row a scan beside its chemistry
    #[arg(value_name = "STUDY|TABLE")]
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
    #[command(flatten, next_help_heading = "How a bare table is written")]
    format: FormatOptions,
}

/// The folder of saved equations in a results folder.
pub(crate) const FOLDER: &str = "models/corrections";

pub(crate) fn run(args: &CalibrateArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("calibrate", common);
    if args.path.is_dir() {
        if args.bird.is_some() {
            return Err(Error::call(
                "--bird: found with a study folder, expected with a bare table; a study's columns are named in study.toml",
            ));
        }
        let study = Study::read_folder(&args.path)?;
        output.take(&study, &args.path)?;
        let request = request(args, &study)?;
        let place = output.models(args.save.as_deref(), FOLDER)?;
        let scans = Scans::rules(&study);
        let found = of_study(&study, &scans.kept, &request)?;
        output.findings.study_equations(&found, &scans);
        save(&found.calibrations(), place.as_ref(), &mut output)?;
        let saved = place
            .is_some()
            .then(|| output.path_of(args.save.as_deref(), FOLDER));
        let plucked = found.plucked.as_ref();
        output.answer_with(|results| {
            summary::calibration(&found.chosen, plucked, saved.as_deref(), results)
        });
    } else {
        let place = output.models(args.save.as_deref(), FOLDER)?;
        let chosen = bare(args, &mut output)?;
        let equations: Vec<&Calibration> = vec![&chosen.calibration];
        let chosen = std::slice::from_ref(&chosen);
        output.findings.equations(chosen, &equations);
        save(&equations, place.as_ref(), &mut output)?;
        let saved = place
            .is_some()
            .then(|| output.path_of(args.save.as_deref(), FOLDER));
        output.answer_with(|results| summary::calibration(chosen, None, saved.as_deref(), results));
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
    let files = [&tables.scans, &tables.chemistry].into_iter().flatten();
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

fn bare(args: &CalibrateArgs, output: &mut Output) -> Result<Chosen> {
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
    let settings = Settings {
        weighting: args.weighting.map_or(Weighting::Ordinary, Into::into),
        bird,
        reading: args.reading.clone(),
        confidence: args.confidence,
        deming_ratio: args.deming_ratio,
        scanner: String::new(),
        input_digest: digest(&read_file(&args.path)?),
    };
    calibrate_best(&frame, response, &candidates, &settings)
}

/// Saves equations, a file each.
pub(crate) fn save(
    equations: &[&Calibration],
    place: Option<&Place>,
    output: &mut Output,
) -> Result<()> {
    for calibration in equations {
        let name = format!(
            "{}.toml",
            plain_name(&calibration.equation.provenance.response)
        );
        let text = calibration.equation.to_toml()?;
        output.save(place, &name, text.into_bytes());
    }
    Ok(())
}
