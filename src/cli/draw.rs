//! `draw`: the figures of a study.

use clap::{Args, ValueEnum};

use super::options::{Common, FitOptions, Input};
use super::output::Output;
use super::target::TargetOptions;
use super::{fit, target};
use crate::error::{Error, Result};
use crate::flock::Deviation;
use crate::report::pictures::{Named, Showing, deviation_pictures, growth_pictures};
use crate::study::Study;
use crate::trajectory::Trajectories;

/// Draw the figures: growth, rate of gain, residuals, birds, deviation from target.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather draw data-demo --width 89
  pinfeather draw weights.csv --bird Chick --age Time --value weight --group Diet --dpi 600")]
pub(crate) struct DrawArgs {
    #[command(flatten)]
    input: Input,
    #[command(flatten)]
    fit: FitOptions,
    #[command(flatten)]
    target: TargetOptions,
    #[command(flatten)]
    paper: PaperOptions,
}

/// How the figures come out.
#[derive(Debug, Args)]
#[command(next_help_heading = "Figures")]
pub(crate) struct PaperOptions {
    /// Width in mm: 89 for one column, 140 for one and a half, 182 for two
    #[arg(long, value_name = "MM", default_value = "182")]
    width: f64,
    /// Resolution of the PNG files, dots an inch
    #[arg(long, value_name = "DPI", default_value = "300")]
    dpi: u32,
    /// File formats of the figures
    #[arg(long, value_enum, value_delimiter = ',', default_values = ["svg", "png"])]
    format: Vec<FigureFormat>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum FigureFormat {
    Svg,
    Png,
}

pub(crate) fn run(args: &DrawArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("draw", common);
    if !output.keeps_files() {
        return Err(Error::call(
            "--json: draw prints no figure, expected --out DIR as well",
        ));
    }
    let study = output.read(&args.input)?;
    let trajectories = fit::trajectories(&study, &args.fit, &mut output)?;
    let deviations = target::deviations(&study, &args.target, args.fit.confidence)?;
    let confidence = args.fit.confidence;
    add(
        &study,
        &trajectories,
        &deviations,
        confidence,
        &args.paper,
        &mut output,
    )?;
    output.finish()
}

/// Adds the figures to the output.
pub(crate) fn add(
    study: &Study,
    trajectories: &Trajectories,
    deviations: &[Deviation],
    confidence: f64,
    paper: &PaperOptions,
    output: &mut Output,
) -> Result<()> {
    let showing = Showing {
        confidence,
        width_mm: paper.width,
    };
    let pictures = pictures(study, trajectories, deviations, &showing)?;
    let bar = output.progress(pictures.len(), "drawing");
    let files = rasterise(&pictures, paper, &|| bar.inc(1))?;
    bar.finish_and_clear();
    output.figures.extend(files);
    add_to_page(study, trajectories, deviations, confidence, output)
}

/// Draws the figures of the page, for a screen and for its first look.
pub(crate) fn add_to_page(
    study: &Study,
    trajectories: &Trajectories,
    deviations: &[Deviation],
    confidence: f64,
    output: &mut Output,
) -> Result<()> {
    let Some(page) = &mut output.page else {
        return Ok(());
    };
    for (figures, width_mm) in [(&mut page.figures, 140.0), (&mut page.small_figures, 89.0)] {
        let showing = Showing {
            confidence,
            width_mm,
        };
        *figures = pictures(study, trajectories, deviations, &showing)?;
    }
    Ok(())
}

fn pictures(
    study: &Study,
    trajectories: &Trajectories,
    deviations: &[Deviation],
    showing: &Showing,
) -> Result<Vec<Named>> {
    let mut pictures = growth_pictures(study, trajectories, showing)?;
    pictures.extend(deviation_pictures(study, deviations, showing)?);
    Ok(pictures)
}

/// A file name and its bytes.
type FigureFile = (String, Vec<u8>);

/// Each picture in each format asked for, in parallel.
fn rasterise(
    pictures: &[Named],
    paper: &PaperOptions,
    done: &(dyn Fn() + Sync),
) -> Result<Vec<FigureFile>> {
    use rayon::prelude::*;
    let files: Result<Vec<Vec<FigureFile>>> = pictures
        .par_iter()
        .map(|Named { name, picture }| {
            let mut files = Vec::new();
            if paper.format.contains(&FigureFormat::Svg) {
                files.push((format!("{name}.svg"), picture.svg().as_bytes().to_vec()));
            }
            if paper.format.contains(&FigureFormat::Png) {
                files.push((format!("{name}.png"), picture.png(paper.dpi)?));
            }
            done();
            Ok(files)
        })
        .collect();
    Ok(files?.concat())
}
