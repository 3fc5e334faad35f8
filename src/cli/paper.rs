//! What a paper is written from: tables with sensible digits, methods, and a skeleton
//! of the results, all from what was run.

use super::options::FitOptions;
use super::output::Output;
use crate::analysis::Analysis;
use crate::contrast::Adjust;
use crate::report::latex::{Printed, longtable};
use crate::report::paper_tables::{PaperWishes, paper_contrasts, paper_terms};
use crate::report::told::Told;
use crate::report::{Table, methods, protocol, results_words};

/// Where the files go, under the results' folder.
const FOLDER: &str = "paper";

/// Adds the paper's tables and words to the files and to the page; to be called when all
/// other tables and the figures are there, since the words point to them.
pub(crate) fn add(results: &Analysis, fit: &FitOptions, output: &mut Output) {
    let study = &results.study;
    let wishes = PaperWishes {
        confidence: fit.confidence,
        ages_d: fit.ages_d(study),
        masses_g: fit.weights_g(study),
    };
    let terms = paper_terms(study, &results.growth.trajectories, &wishes);
    if terms.rows() > 0 {
        save(output, "terms.tex", terms_latex(&terms, fit.confidence));
        output.findings.tables.push(terms);
    }
    let comparison = results.differences.as_ref().map(|found| &found.comparison);
    if let Some(comparison) = comparison {
        let contrasts = paper_contrasts(study, comparison, &wishes);
        if contrasts.rows() > 0 {
            let text = contrasts_latex(&contrasts, fit.confidence);
            save(output, "contrasts.tex", text);
            output.findings.tables.push(contrasts);
        }
    }
    let figures: Vec<String> = output
        .page
        .iter()
        .flat_map(|page| &page.figures)
        .map(|figure| figure.name.clone())
        .collect();
    let told = Told {
        study,
        trajectories: &results.growth.trajectories,
        comparison,
        adjust: Adjust::default(),
        repeatability: results.scans.precision.iter().flatten().next(),
        equations: results
            .scans
            .equations
            .as_ref()
            .map_or(&[], |found| &found.chosen),
        masses: results.scans.masses.as_ref(),
        variance: fit.variance.unwrap_or_default(),
        correlation: fit.population.correlation(),
        wishes: &wishes,
        seed: fit.seed,
        tables: &output.findings.tables,
        methods: &output.findings.methods,
        figures: &figures,
        software: concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION")),
    };
    let methods = methods::methods(&told);
    let protocol = protocol::protocol(study, &results.scans);
    let results = results_words::results(&told);
    save(output, "methods.md", methods.markdown());
    save(output, "results.md", results.markdown());
    if let Some(protocol) = protocol {
        save(output, "protocol.md", protocol);
    }
    if let Some(page) = &mut output.page {
        page.methods = Some(methods);
        page.results = Some(results);
    }
}

fn save(output: &mut Output, name: &str, text: String) {
    let place = output.beside(FOLDER);
    output.save(place.as_ref(), name, text.into_bytes());
}

fn percent(confidence: f64) -> String {
    format!("{} %", (confidence * 1e4).round() / 1e2)
}

/// What the digits are, said under both tables.
const DIGITS: &str =
    "Standard errors with two significant digits, estimates and intervals with the same decimals.";

fn terms_latex(table: &Table, confidence: f64) -> String {
    let interval = format!("{} interval", percent(confidence));
    longtable(&Printed {
        table,
        caption: "Terms of the growth curves and what follows from them",
        label: "tab:growth-terms",
        headings: &[
            ("estimate_se", "estimate \u{b1} SE"),
            ("interval", &interval),
        ],
        notes_of: Some(("note", "curve")),
        notes: &[format!(
            "{DIGITS} Pooled: one curve through all records of a strain, records taken as independent. Mixed: the typical bird of a mixed model of all birds."
        )],
    })
}

fn contrasts_latex(table: &Table, confidence: f64) -> String {
    let interval = format!("{} interval", percent(confidence));
    longtable(&Printed {
        table,
        caption: "Differences between strains",
        label: "tab:growth-contrasts",
        headings: &[
            ("difference_se", "difference \u{b1} SE"),
            ("interval", &interval),
            ("percent", "%"),
            ("p_adjusted", "adjusted p"),
        ],
        notes_of: Some(("note", "curve")),
        notes: &[format!(
            "{DIGITS} %: the difference as a percentage of the second strain's value. p values adjusted over the terms of a trait and the comparisons by the greatest t (with the mean of all strains, by Holm's method)."
        )],
    })
}
