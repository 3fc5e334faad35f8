//! `run`: the whole study in order: check, repeatability, calibrate, correct, fit,
//! target, cues, figures.

use clap::Args;

use super::correct::EquationOptions;
use super::corrected::{self, RedrawOptions};
use super::draw::PaperOptions;
use super::options::{Common, FitOptions, Input};
use super::output::Output;
use super::target::TargetOptions;
use super::{calibrate, correct, draw, fit, onset, repeatability, target};
use crate::composition::CAUTION;
use crate::composition::quality::keep;
use crate::composition::study_equations;
use crate::composition::study_masses::{self, StudyMasses};
use crate::error::Result;
use crate::report::calibration_tables::Moved;
use crate::report::pictures::Named;
use crate::report::scan_pictures::{body_parts_picture, calibration_pictures, precision_picture};
use crate::study::Study;

/// Run the whole study: growth curves, deviation from target, timing cues, figures.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather run data-demo
  pinfeather run weights.csv --bird Chick --age Time --value weight --group Diet --out results")]
pub(crate) struct RunArgs {
    #[command(flatten)]
    input: Input,
    #[command(flatten)]
    fit: FitOptions,
    #[command(flatten)]
    target: TargetOptions,
    #[command(flatten)]
    equations: EquationOptions,
    #[command(flatten)]
    redraw: RedrawOptions,
    #[command(flatten)]
    paper: PaperOptions,
}

pub(crate) fn run(args: &RunArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("run", common);
    let mut study = output.read(&args.input)?;
    let looked = args.input.check()?;
    output.attention |= looked.needs_attention();
    output.words.push("What was read?".to_owned());
    output.words.extend(
        looked
            .summary
            .lines()
            .iter()
            .map(|line| format!("  {line}")),
    );
    let mut pictures = Vec::new();
    let masses = composition(&mut study, args, &mut pictures, &mut output)?;
    let trajectories = fit::trajectories(&study, &args.fit, &mut output)?;
    fit::add(&study, &trajectories, &args.fit, &mut output);
    corrected::add_shares(
        &study,
        masses.as_ref(),
        &trajectories,
        &args.fit,
        &args.redraw,
        &mut output,
    )?;
    let deviations = target::add(&study, &args.target, args.fit.confidence, &mut output)?;
    onset::add(&study, &trajectories, &args.fit, &mut output)?;
    if output.keeps_files() {
        let confidence = args.fit.confidence;
        draw::add_pictures(&pictures, &args.paper, &mut output)?;
        draw::add(
            &study,
            &trajectories,
            &deviations,
            confidence,
            &args.paper,
            &mut output,
        )?;
    }
    output.finish()
}

/// Scans to corrected masses, as far as the study has the tables: how well the
/// scanner repeats itself, the equations, and the masses as traits of the study.
///
/// Equations that the call names go before those that the study's chemistry gives.
fn composition(
    study: &mut Study,
    args: &RunArgs,
    pictures: &mut Vec<Named>,
    output: &mut Output,
) -> Result<Option<StudyMasses>> {
    let path = &args.input.path;
    if study.scans.rows.is_empty() {
        return corrected::from_saved(study, &args.equations, path, output);
    }
    let confidence = args.fit.confidence;
    let kept = keep(study);
    let showing = args.paper.showing(confidence);
    if study.scans.has_repeats() {
        match repeatability::of_scans(study, confidence, output) {
            Ok(answer) => pictures.extend(precision_picture(&answer, &showing)?),
            // Repeats that were all rejected do not stop the rest.
            Err(error) => output.warnings.push(format!("repeatability: {error}")),
        }
    }
    if study.chemistry.rows.is_empty() || !args.equations.equation.is_empty() {
        let masses = corrected::from_saved(study, &args.equations, path, output)?;
        output.words.push(CAUTION.to_owned());
        return Ok(masses);
    }
    let mut request = calibrate::usual_request(study, path)?;
    request.settings.confidence = confidence;
    let answer = study_equations::of_study(study, &kept, &request)?;
    calibrate::add(&answer, &kept, None, &request, output)?;
    pictures.extend(calibration_pictures(study, &answer.chosen, &showing)?);
    output.words.push(CAUTION.to_owned());
    let equations: Vec<_> = answer
        .calibrations(request.wanted.part)
        .into_iter()
        .map(|calibration| calibration.equation.clone())
        .collect();
    let allowed = args.equations.allowed(study);
    let masses = study_masses::of_study(study, &kept, &equations, &allowed)?;
    correct::add(study, &kept, &masses, confidence, Moved::No, output)?;
    pictures.extend(body_parts_picture(study, &masses, &showing)?);
    corrected::enter(study, &masses, output);
    Ok(Some(masses))
}
