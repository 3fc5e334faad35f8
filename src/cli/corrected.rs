//! Corrected fat, lean and bone as traits of a study, for every command that fits.

use std::path::Path;

use clap::Args;

use super::correct::EquationOptions;
use super::options::FitOptions;
use super::output::Output;
use crate::composition::correction::Corrections;
use crate::composition::quality::keep;
use crate::composition::series::records;
use crate::composition::study_masses::{StudyMasses, of_study};
use crate::error::{Error, Result};
use crate::report::{calibration_tables, composition_words};
use crate::study::Study;
use crate::trajectory::Trajectories;
use crate::trajectory::derived_quantities;
use crate::trajectory::redraw::{RedrawRequest, shares};

/// How the equation's error is carried into the curves.
#[derive(Debug, Args)]
#[command(next_help_heading = "Correction")]
pub(crate) struct RedrawOptions {
    /// Draw the equations' coefficients anew so many times and refit: both widths in
    /// calibration_share.csv
    #[arg(long, value_name = "N", default_value = "0", value_parser = redraws)]
    redraw: u64,
}

/// 0 for none, or enough for a spread.
fn redraws(text: &str) -> std::result::Result<u64, String> {
    match text.parse() {
        Ok(n) if n != 1 && n <= 1_000_000 => Ok(n),
        _ => Err("expected 0 for none, or a number of redraws from 2 such as 200".to_owned()),
    }
}

/// Adds the corrected traits to the study, by the equations that the call names or
/// the study's own; nothing where it has neither scans nor equations.
pub(crate) fn from_saved(
    study: &mut Study,
    options: &EquationOptions,
    path: &Path,
    output: &mut Output,
) -> Result<Option<StudyMasses>> {
    if study.scans.rows.is_empty() {
        if options.equation.is_empty() {
            return Ok(None);
        }
        return Err(Error::call(
            "--equation: found for a study without scans, expected a table of readings; write scans = \"FILE\" under [tables]",
        ));
    }
    let equations = options.read(path, output)?;
    if equations.is_empty() {
        output.words.push(
            "Scans are not corrected: there is no saved equation (calibrate makes them, run does all in order)."
                .to_owned(),
        );
        return Ok(None);
    }
    options.allow_ways(study)?;
    let kept = keep(study);
    let masses = of_study(study, &kept, &equations, &options.allowed(study))?;
    enter(study, &masses, output);
    output.words.push("What are the true masses?".to_owned());
    output.words.extend(composition_words::masses(&masses));
    output.warnings.extend(masses.warnings.iter().cloned());
    Ok(Some(masses))
}

/// Enters corrected masses as traits beside body weight.
pub(crate) fn enter(study: &mut Study, masses: &StudyMasses, output: &mut Output) {
    for corrections in grams(masses) {
        let values: Vec<f64> = corrections.rows.iter().map(|row| row.corrected).collect();
        let records = records(study, corrections, &values);
        output.counts.insert(
            format!("records of {}", records.name),
            records.values.len() + records.groups.len(),
        );
        study.traits.push(records);
    }
}

/// Masses in grams are traits; a percentage is derived from them.
fn grams(masses: &StudyMasses) -> impl Iterator<Item = &Corrections> {
    masses
        .corrections
        .iter()
        .filter(|corrections| corrections.equation.provenance.unit == "g")
}

/// Refits the corrected traits under redrawn equations and adds both widths.
pub(crate) fn add_shares(
    study: &Study,
    masses: Option<&StudyMasses>,
    trajectories: &Trajectories,
    fit: &FitOptions,
    options: &RedrawOptions,
    output: &mut Output,
) -> Result<()> {
    if options.redraw == 0 {
        return Ok(());
    }
    output.seed = fit.seed;
    output
        .methods
        .insert("redraws".to_owned(), options.redraw.to_string());
    let Some(masses) = masses else {
        return Err(Error::call(
            "--redraw: found without corrected scans, expected a study with scans and equations; name them by --equation",
        ));
    };
    let traits: Vec<&Corrections> = grams(masses).collect();
    let bar = output.progress(
        usize::try_from(options.redraw).unwrap_or(usize::MAX),
        "redrawing",
    );
    let redrawn = |replicate: u64| {
        let of_trait = |(place, corrections): (usize, &&Corrections)| {
            // A stream of its own for each trait: two would else get the same draws.
            let stream = replicate * traits.len() as u64 + place as u64;
            let values = corrections.redraw(fit.seed, stream)?;
            Ok(records(study, corrections, &values))
        };
        traits
            .iter()
            .enumerate()
            .map(of_trait)
            .collect::<Result<Vec<_>>>()
    };
    let wanted = RedrawRequest {
        redraws: options.redraw,
        derived: derived_quantities(&fit.ages_d(study), &fit.weights_g(study)),
        confidence: fit.confidence,
    };
    let request = fit.request(study)?;
    let rows = shares(study, trajectories, &request, &wanted, &redrawn, &|| {
        bar.inc(1)
    })?;
    bar.finish_and_clear();
    output
        .words
        .push("How much of the curves' uncertainty is the equations' own?".to_owned());
    output.words.extend(composition_words::shares(study, &rows));
    output
        .tables
        .push(calibration_tables::calibration_share(study, &rows));
    Ok(())
}
