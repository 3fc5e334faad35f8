//! A scanning protocol in numbered steps, written from a study's own evidence: every number has
//! its n and its table, and what the study has no evidence for is a bracketed prompt.
//!
//! [`Protocol::of`] makes the steps; `paper/protocol.md` and the report page render the same.

mod corrections;
mod single_scans;
mod ways;

use crate::analysis::{Scanning, Scans};
use crate::composition::CAUTION;
use crate::composition::phantom::LEAST_DAYS;
use crate::report::rounding::significant;
use crate::report::text::{phantom_limits, phantom_sentences, scanning_sentences};
use crate::study::{Feathers, Scan, Study, WHOLE};

/// Before the text is used.
const PREFACE: &str = "Written by the program from this study's scans. Each number has its n and \
the table that it stands in. Square brackets mark what the study has no evidence for, or what only \
the laboratory can supply: complete them before the protocol is used, and have it approved by the local \
animal-care body and the radiation protection officer.";

/// A scanning protocol.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Protocol {
    /// What it is, and what is to be done before it is used.
    pub preface: &'static str,
    /// Cautions.
    pub cautions: String,
    /// The steps, in their order.
    pub steps: Vec<Step>,
}

/// A step of the protocol.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// Its heading.
    pub title: &'static str,
    /// What is to be done, each with its evidence, or a prompt in square brackets.
    pub lines: Vec<String>,
}

impl Protocol {
    /// The protocol of a study; none where it has no scans.
    #[must_use]
    pub fn of(study: &Study, found: &Scans, scanning: Option<&Scanning>) -> Option<Self> {
        let scans = &study.scans.rows;
        if scans.is_empty() {
            return None;
        }
        let precision = found.precision.iter().flatten().next();
        let steps: [(&str, Vec<String>); 12] = [
            ("Before the first bird", before(found)),
            ("Weigh the bird", single_scans::weighing(scans)),
            ("Restraint", ways::restraint(precision)),
            ("Position", vec!["[Position of the bird, and of head, wings and legs in the field: the study does not compare positions.]".to_owned()]),
            ("One bird or several in a scan", ways::together(precision, scans)),
            ("Feathers", corrections::feathers(scans, found)),
            ("Egg in the body", corrections::eggs(scans, found)),
            ("Check the scan", single_scans::rules(study, found)),
            ("Repeat scans", ways::repeats(precision)),
            ("Body regions", single_scans::regions(study, found)),
            ("Correct the readings", corrections::equations(found)),
            ("Record", records(scans, found, (study, scanning))),
        ];
        Some(Self {
            preface: PREFACE,
            cautions: format!(
                "{CAUTION} [Longest time in restraint, and signs at which a bird is released.]"
            ),
            steps: steps
                .into_iter()
                .map(|(title, lines)| Step { title, lines })
                .collect(),
        })
    }

    /// As Markdown.
    #[must_use]
    pub fn markdown(&self) -> String {
        let mut text = format!(
            "# Scanning protocol\n\n{}\n\nCautions: {}\n",
            self.preface, self.cautions
        );
        for (place, step) in self.steps.iter().enumerate() {
            text += &format!("\n## {}. {}\n\n", place + 1, step.title);
            for line in &step.lines {
                text += &format!("- {line}\n");
            }
        }
        text
    }
}

fn before(found: &Scans) -> Vec<String> {
    let mut lines = vec!["[Scanner, software version, scan mode, field, settings.]".to_owned()];
    lines.extend(daily_phantom(found));
    lines.push("[Fasting and water before the scan: the study does not compare them.]".to_owned());
    lines
}

/// The daily phantom: limits and what the study's own log shows.
fn daily_phantom(found: &Scans) -> Vec<String> {
    let Some(phantom) = &found.phantom else {
        return vec!["[Daily phantom: which one, how often, limits of its control chart, and what is done where a reading lies outside: the study has no phantom log.]".to_owned()];
    };
    let known = phantom.charts.iter().filter_map(|chart| {
        let name = match &*chart.scanner {
            "" => chart.reading.clone(),
            scanner => format!("{} ({scanner})", chart.reading),
        };
        Some(format!("{name}: {}", phantom_limits(chart)?))
    });
    let known: Vec<String> = known.collect();
    let mut lines = vec![match known.is_empty() {
        true => format!(
            "[Daily phantom: limits of its control chart: the log has fewer than {LEAST_DAYS} days.]"
        ),
        false => format!(
            "Measure the phantom before the first bird of each day of scanning, and scan no bird where a reading lies outside its limits: {} (individuals chart, 3 sigma by moving ranges; phantom.csv).",
            known.join("; ")
        ),
    }];
    lines.extend(
        phantom_sentences(phantom)
            .into_iter()
            .map(|sentence| format!("In this study: {sentence} See phantom.csv.")),
    );
    lines.push("[Which phantom, how it is placed, and what is done where a reading lies outside: repeat, call for service, correct.]".to_owned());
    lines
}

fn records(
    scans: &[Scan],
    found: &Scans,
    (study, scanning): (&Study, Option<&Scanning>),
) -> Vec<String> {
    let any = |is: &dyn Fn(&Scan) -> bool| scans.iter().any(is);
    let fields: Vec<&str> = [
        ("scan number", true),
        ("bird or birds", true),
        ("age or date", true),
        ("repeat", any(&|scan| scan.repeat > 1)),
        ("region", any(&|scan| scan.region != WHOLE)),
        ("restraint", any(&|scan| !scan.restraint.is_empty())),
        ("birds in the scan", any(&|scan| scan.birds.len() > 1)),
        ("feathers", any(&|scan| scan.feathers != Feathers::Unknown)),
        ("scale weight", any(&|scan| scan.scale_weight_g.is_finite())),
        ("marks (movement, egg)", any(&|scan| !scan.marks.is_empty())),
    ]
    .into_iter()
    .filter_map(|(field, used)| used.then_some(field))
    .collect();
    let mut lines = vec![
        format!(
            "Record for each scan, as this study does: {}, fat, lean and bone ({} readings; scans).",
            fields.join(", "),
            scans.len()
        ),
        match &found.phantom {
            Some(_) => "Record the phantom's reading of each day (phantom.csv). [Operator, scanner and software version, time in restraint, and anything unusual: the study has no columns for them.]",
            None => "[Operator, scanner and software version, phantom reading of the day, time in restraint, and anything unusual: the study has no columns for them.]",
        }
        .to_owned(),
    ];
    match scanning {
        Some(scanning) => lines.extend(
            scanning_sentences(study, scanning)
                .into_iter()
                .map(|sentence| format!("{sentence} See scanning_effect.csv.")),
        ),
        None => lines.push("[Growth and age at first egg of scanned against unscanned birds: not compared in this run. Scanning itself must not change them.]".to_owned()),
    }
    lines
}

fn share(k: usize, n: usize) -> String {
    format!(
        "{k} of {n} ({} %)",
        significant(100.0 * k as f64 / n.max(1) as f64, 2)
    )
}

/// `restraint=tube` as `tube`.
fn plain(method: &str) -> &str {
    method.split_once('=').map_or(method, |(_, name)| name)
}

fn grams(value: f64) -> String {
    format!("{} g", significant(value, 2))
}
