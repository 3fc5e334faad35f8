//! What a paper is written from: tables with sensible digits, methods and results, all from
//! what was run.

use super::output::Output;
use crate::analysis::{Analysis, Options};
use crate::report::Paper;
use crate::report::protocol::Protocol;
use crate::report::text::Overview;

/// Where the files go, under the results' folder.
const FOLDER: &str = "paper";

/// Adds the paper's tables and words to the files and to the page; to be called when the
/// figures are there, since the words point to them.
pub(crate) fn add((analysis, options): (&Analysis, &Options), output: &mut Output) {
    let figures = output.page.iter().flat_map(|page| &page.figures);
    let figures: Vec<String> = figures.map(|figure| figure.name.clone()).collect();
    let run = output.record(Vec::new(), Vec::new());
    let overview = match &output.page {
        Some(page) => page.content.overview.clone(),
        None => Overview::of(analysis, options, None),
    };
    let paper = Paper {
        analysis,
        options,
        overview: &overview,
        figures: &figures,
        run: &run,
    };
    let (methods, results) = (paper.methods(), paper.results());
    let scanning = analysis.scanning.as_ref();
    let protocol = Protocol::of(&analysis.study, &analysis.scans, scanning);
    let place = output.beside(FOLDER);
    for (name, text) in [
        ("terms.tex", paper.terms_tex()),
        ("contrasts.tex", paper.contrasts_tex()),
        ("methods.md", Some(methods.markdown())),
        ("results.md", Some(results.markdown())),
        ("protocol.md", protocol.as_ref().map(Protocol::markdown)),
    ] {
        if let Some(text) = text {
            output.save(place.as_ref(), name, text.into_bytes());
        }
    }
    if let Some(page) = &mut output.page {
        page.methods = Some(methods);
        page.results = Some(results);
    }
}
