//! `draw`: the figures of a study.

use clap::{Args, ValueEnum};

use super::choices::{self, one_of};
use super::options::Common;
use super::output::{Only, Output};
use super::run::WholeStudy;
use crate::analysis::{Analysis, Lay};
use crate::composition::study_equations::Chosen;
use crate::error::{Error, Result};
use crate::figure::{Frame, Picture, Size, Theme};
use crate::flock::Deviation;
use crate::report::contrast_pictures::contrast_pictures;
use crate::report::density_pictures::density_pictures;
use crate::report::egg_pictures::egg_picture;
use crate::report::forecast_pictures::{
    forecast_pictures, uniformity_pictures, weight_prediction_figures,
};
use crate::report::onset_pictures::{first_egg_picture, lay_picture, prediction_figure};
use crate::report::phantom_pictures::phantom_picture;
use crate::report::pictures::{
    Drawn, Named, Showing, bird_pictures, deviation_pictures, frame_of, growth_pictures,
};
use crate::report::platform_pictures::platform_picture;
use crate::report::population_pictures::{
    population_pictures, random_effect_pictures, residual_pictures,
};
use crate::report::profile_pictures::profile_pictures;
use crate::report::sampled_pictures::{gain_picture, sampled_pictures};
use crate::report::scan_pictures::{
    body_parts_picture, calibration_pictures, calibration_residual_pictures, feather_share_picture,
    precision_picture,
};

/// Draw the figures of a study: all that its tables give, as `run` draws them (`plan` draws the
/// figures of plans).
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  pinfeather draw data-demo --width 89 --out paper-figures
  pinfeather draw data-demo --width 140 --format pdf,tiff --dpi 600 --theme grayscale --letters --out paper-figures
  pinfeather draw weights.csv --bird ring --age days --value grams --group line --dpi 600")]
pub(crate) struct DrawArgs {
    #[command(flatten)]
    whole: WholeStudy,
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
    /// Height in mm; where not given, what each figure's panels need
    #[arg(long, value_name = "MM")]
    height: Option<f64>,
    /// Resolution of the PNG and TIFF files, dots an inch
    #[arg(long, value_name = "DPI", default_value = "300")]
    dpi: u32,
    /// File formats of the figures
    #[arg(long, value_enum, value_delimiter = ',', default_values = ["svg", "png"])]
    format: Vec<FigureFormat>,
    /// Colours: plain for colour-blind-safe colours, grayscale for shades of grey
    #[arg(long, value_parser = one_of(choices::THEMES), default_value = "plain")]
    theme: Theme,
    /// Letter the panels of each figure: a, b, c
    #[arg(long)]
    letters: bool,
}

impl PaperOptions {
    /// Refuses what no figure can have, before anything is computed.
    pub(crate) fn check(&self) -> Result<()> {
        Size::new(self.width, self.height.unwrap_or(Size::PAGE.height_mm()))?;
        Picture::check_dpi(self.dpi)
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum FigureFormat {
    Svg,
    Pdf,
    Png,
    Tiff,
}

impl FigureFormat {
    /// Ending of the file's name, and its bytes.
    fn file(self, picture: &Picture, dpi: u32) -> Result<(&'static str, Vec<u8>)> {
        Ok(match self {
            FigureFormat::Svg => ("svg", picture.svg().as_bytes().to_vec()),
            FigureFormat::Pdf => ("pdf", picture.pdf()?),
            FigureFormat::Png => ("png", picture.png(dpi)?),
            FigureFormat::Tiff => ("tiff", picture.tiff(dpi)?),
        })
    }
}

pub(crate) fn run(args: &DrawArgs, common: &Common) -> Result<u8> {
    let mut output = Output::new("draw", common).only(Only::Figures);
    if !output.keeps_files() {
        return Err(Error::call(
            "--json: draw prints no figure, expected --out DIR as well",
        ));
    }
    args.paper.check()?;
    let (results, _) = args.whole.results(&mut output)?;
    output.keep_figures_only();
    Drawing(&results).add(&args.paper, &mut output)?;
    output.finish()
}

/// An analysis as it is drawn.
pub(crate) struct Drawing<'a>(pub(crate) &'a Analysis);

impl Drawing<'_> {
    /// Adds the figures to the output, in the formats requested, and to its page.
    pub(crate) fn add(&self, paper: &PaperOptions, output: &mut Output) -> Result<()> {
        let confidence = self.0.confidence;
        let order = self.order();
        let frame = frame_of(&self.0.study, None);
        let common = (confidence, frame, &order[..]);
        add_pictures(paper, common, output, |showing, drawn| {
            self.pictures(showing, drawn);
            let mut supplement = Drawn::default();
            self.diagnostics(showing, &mut supplement);
            drawn.supplement(supplement);
        })?;
        self.add_to_page(output);
        Ok(())
    }

    /// Draws the figures of the page.
    pub(crate) fn add_to_page(&self, output: &mut Output) {
        const WIDTH_MM: f64 = 140.0;
        let confidence = self.0.confidence;
        let order = self.order();
        let Some(page) = &mut output.page else {
            return;
        };
        let showing = Showing {
            confidence,
            width_mm: WIDTH_MM,
            height_mm: None,
            frame: frame_of(&self.0.study, None),
            order: &order,
        };
        let mut drawn = Drawn::default();
        self.pictures(&showing, &mut drawn);
        page.figures = drawn.pictures;
        for failed in drawn.failed {
            // The same figure fails at every width: one warning.
            if !output.findings.warnings.contains(&failed) {
                output.findings.warnings.push(failed);
            }
        }
    }

    /// The strains in the order in which figures choose them.
    fn order(&self) -> Vec<usize> {
        let differences = self.0.differences.as_ref();
        let comparison = differences.map(|found| &found.comparison);
        Showing::order(&self.0.study, comparison)
    }

    /// Equations that the study's chemistry gave.
    fn equations(&self) -> &[Chosen] {
        let equations = self.0.scans.equations.as_ref();
        equations.map_or(&[], |found| &found.chosen)
    }

    /// What a reviewer looks for: they are files, and not on the page.
    fn diagnostics(&self, showing: &Showing, drawn: &mut Drawn) {
        let study = &self.0.study;
        let trajectories = &self.0.growth.trajectories;
        bird_pictures(study, trajectories, showing, drawn);
        residual_pictures(study, trajectories, showing, drawn);
        random_effect_pictures(study, trajectories, showing, drawn);
        profile_pictures(study, &self.0.growth.profiles, showing, drawn);
        calibration_residual_pictures(study, self.equations(), showing, drawn);
        let verdict = self.0.verdict.as_ref();
        if let Some(ahead) = verdict.and_then(|verdict| verdict.ahead.as_ref()) {
            weight_prediction_figures(study, &ahead.backtest_weights, showing, drawn);
        }
        // Without a cue that helps, all birds of a strain have the same prediction.
        if let Some(waiting) = self.0.lay.as_ref().and_then(Lay::waiting)
            && waiting.models.recommended().is_some()
        {
            prediction_figure(study, &waiting.backtest.eggs, showing, drawn);
        }
    }

    /// The answers.
    fn pictures(&self, showing: &Showing, drawn: &mut Drawn) {
        let study = &self.0.study;
        growth_pictures(study, &self.0.growth.trajectories, showing, drawn);
        population_pictures(study, &self.0.growth.trajectories, showing, drawn);
        if let Some(found) = &self.0.differences {
            contrast_pictures(study, &found.comparison, showing, drawn);
        }
        if let Some(verdict) = &self.0.verdict {
            let sampled = self.0.growth.sampled.as_ref();
            let ringed = |row: &&Deviation| {
                sampled.is_none_or(|of| {
                    of.trait_index != row.trait_index || of.group_of(row.strain).is_none()
                })
            };
            let rows: Vec<&Deviation> = verdict.deviations.iter().filter(ringed).collect();
            deviation_pictures(study, &rows, showing, drawn);
            if let Some(of) = sampled {
                sampled_pictures((study, of), &verdict.deviations, showing, drawn);
                gain_picture((study, of), &verdict.gain_chart, showing, drawn);
            }
            let uniformities = &verdict.uniformities;
            if let Some(ahead) = &verdict.ahead {
                let ahead = (ahead.as_of_d, &ahead.traits[..]);
                forecast_pictures(study, ahead, uniformities, showing, drawn);
            }
            uniformity_pictures(study, uniformities, verdict.within_pct, showing, drawn);
        }
        if let Some(platform) = &self.0.platform {
            platform_picture(study, platform, showing, drawn);
        }
        if let Some(lay) = &self.0.lay
            && !lay.records.birds.is_empty()
        {
            lay_picture(&lay.records, &lay.curves, showing, drawn);
            let laying = &lay.at_first_egg;
            first_egg_picture(study, &laying.values, &laying.thresholds, showing, drawn);
        }
        if let Some(lay) = &self.0.lay
            && let Some(eggs) = &lay.eggs
        {
            egg_picture(study, (eggs, &lay.light), showing, drawn);
        }
        let scans = &self.0.scans;
        if let Some(Ok(precision)) = &scans.precision {
            precision_picture(precision, showing, drawn);
        }
        if let Some(densities) = &self.0.densities {
            density_pictures(densities, showing, drawn);
        }
        if let Some(phantom) = &scans.phantom {
            phantom_picture(phantom, showing, drawn);
        }
        calibration_pictures(study, self.equations(), showing, drawn);
        if let Some(equations) = &scans.equations {
            feather_share_picture(study, &equations.feather_ages, showing, drawn);
        }
        if let Some(masses) = &scans.masses {
            body_parts_picture(study, masses, showing, drawn);
        }
    }
}

/// Adds what `pictures` draws, in the formats requested, and a warning for each figure that
/// could not be drawn; nothing where no files are kept.
///
/// # Errors
/// Options that no figure can have.
pub(crate) fn add_pictures(
    paper: &PaperOptions,
    (confidence, frame, order): (f64, Frame, &[usize]),
    output: &mut Output,
    pictures: impl FnOnce(&Showing, &mut Drawn),
) -> Result<()> {
    if !output.keeps_files() {
        return Ok(());
    }
    let showing = Showing {
        confidence,
        width_mm: paper.width,
        height_mm: paper.height,
        frame: Frame {
            letter: paper.letters.then_some('a'),
            ..frame
        },
        order,
    };
    let mut drawn = Drawn::default();
    pictures(&showing, &mut drawn);
    let bar = output.progress(drawn.pictures.len(), "drawing");
    let files = rasterise(&drawn.pictures, paper, &|| bar.inc(1));
    bar.finish_and_clear();
    output.findings.warnings.extend(drawn.failed);
    for (name, files) in files {
        match files {
            Ok(files) => output.figures.extend(files),
            Err(error) => output
                .findings
                .warnings
                .push(format!("figure {name} was not written: {error}")),
        }
    }
    Ok(())
}

/// A file name and its bytes.
type FigureFile = (String, Vec<u8>);

/// Each picture in each requested format, in parallel.
fn rasterise<'a>(
    pictures: &'a [Named],
    paper: &PaperOptions,
    done: &(dyn Fn() + Sync),
) -> Vec<(&'a str, Result<Vec<FigureFile>>)> {
    use rayon::prelude::*;
    let one = |Named { name, picture }: &'a Named| {
        let picture = picture.in_theme(paper.theme);
        let mut files = Vec::new();
        for (i, format) in paper.format.iter().enumerate() {
            // A format named twice is still one file.
            if !paper.format[..i].contains(format) {
                let (ending, bytes) = format.file(&picture, paper.dpi)?;
                files.push((format!("{name}.{ending}"), bytes));
            }
        }
        Ok(files)
    };
    pictures
        .par_iter()
        .map(|named| {
            let files = one(named);
            done();
            (named.name.as_str(), files)
        })
        .collect()
}
