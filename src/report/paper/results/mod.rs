//! The results section: the numbers in place, in plain past tense, each with the table and the
//! figure that it is from. What a number means is left to the author, in square brackets.

mod comparison;
mod flock;
mod growth;
mod lay;
mod scans;

use super::Paper;
use super::words::{interval, with_interval, with_unit};
use crate::analysis::{Answer, Status};
use crate::report::prose::Prose;
use crate::report::rounding::{self, Digits};
use crate::stats::Interval;

const PREFACE: &str = "Drafted from the results of this run. Text in square brackets is for the author to complete; tables are those of the results' folder.";

impl Paper<'_> {
    /// The results in sections, as far as there are any.
    #[must_use]
    pub fn results(&self) -> Prose {
        let mut answers = self.analysis.answers();
        for answer in &mut answers {
            answer.unit = self.unit(&answer.unit).to_owned().into();
        }
        let sections = [
            ("Scanner repeatability", self.repeatability()),
            ("Phantom and effect of scanning", self.scanner_checks()),
            ("Scanner calibration", self.calibrated()),
            ("Growth and body composition", self.growth(&answers)),
            ("Comparison of groups", self.comparison(&answers)),
            ("Target weight and uniformity", self.target(&answers)),
            ("Forecasts", self.forecast_results()),
            (
                "Platform scales and treatments from an age",
                self.platform_results(),
            ),
            ("Onset of lay", self.lay(&answers)),
        ];
        let sections = sections.map(|(title, paragraphs): (_, Vec<String>)| {
            let worded = paragraphs.into_iter().map(|text| self.worded(text));
            (title, worded.collect())
        });
        Prose::new("Results", PREFACE.to_owned(), sections, Vec::new())
    }
}

/// The answers of a quantity and a trait that have a number.
fn of<'a>(answers: &'a [Answer], quantity: &str, trait_name: &str) -> Vec<&'a Answer> {
    let found = answers.iter().filter(|one| one.quantity == quantity);
    let found = found.filter(|one| one.trait_name == trait_name);
    found
        .filter(|one| one.status != Status::NotEstimable && one.estimate.is_some())
        .collect()
}

/// "Alder", "Alder / low": the group of an answer.
fn group(answer: &Answer) -> String {
    named(&[&answer.strain, &answer.treatment, &answer.pen])
}

/// The group that it is compared with.
fn other(answer: &Answer) -> String {
    named(&[&answer.strain_b, &answer.treatment_b])
}

fn named(parts: &[&str]) -> String {
    let parts: Vec<&str> = parts
        .iter()
        .copied()
        .filter(|part| !part.is_empty())
        .collect();
    parts.join(" / ")
}

/// "1725 ± 19 g".
fn estimate(answer: &Answer) -> String {
    let value = answer.estimate.unwrap_or_default();
    let printed = rounding::estimate_and_error(value, answer.std_error);
    with_unit(&printed, &answer.unit)
}

/// "96 % (95 % CI 80 to 99 %)".
fn estimate_with_interval(answer: &Answer, percent: &str) -> String {
    let value = answer.estimate.unwrap_or_default();
    with_interval(value, answer.interval, &answer.unit, percent)
}

/// "4 g below target (95 % CI −39 to 31 g)".
fn limits(limits: Interval, digits: Digits, unit: &str, percent: &str) -> String {
    format!("{percent} CI {}", interval(limits, digits, unit))
}
