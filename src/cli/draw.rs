//! `draw`: the figures of a study.

use clap::{Args, ValueEnum};

use super::choices::{self, one_of};
use super::options::Common;
use super::output::{Only, Output};
use super::run::WholeStudy;
use crate::analysis::Analysis;
use crate::error::{Error, Result};
use crate::figure::{Frame, Picture, Size, Theme};
use crate::report::pictures::{Drawn, Named, Showing, frame_of};
use crate::report::whole_pictures;

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
        let order = whole_pictures::order(self.0);
        let frame = frame_of(&self.0.study, None);
        let common = (confidence, frame, &order[..]);
        add_pictures(paper, common, output, |showing, drawn| {
            whole_pictures::answers(self.0, showing, drawn);
            whole_pictures::supplement(self.0, showing, drawn);
        })?;
        self.add_to_page(output);
        Ok(())
    }

    /// Draws the figures of the page.
    pub(crate) fn add_to_page(&self, output: &mut Output) {
        let Some(page) = &mut output.page else {
            return;
        };
        let drawn = whole_pictures::of_page(self.0);
        page.figures = drawn.pictures;
        for failed in drawn.failed {
            // The same figure fails at every width: one warning.
            if !output.findings.warnings.contains(&failed) {
                output.findings.warnings.push(failed);
            }
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
