//! How well the scans measure.

use super::Sentence;
use super::words::{count, error_size};
use crate::analysis::{Analysis, Answer};

/// Parts of the body, in order.
const PARTS: [&str; 3] = ["fat", "lean", "bone"];

/// The error of an equation for birds left out.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOutError {
    /// What it predicts.
    pub name: String,
    /// Root mean square error.
    pub error: f64,
    /// Its unit.
    pub unit: String,
    /// Birds.
    pub n: usize,
}

impl LeftOutError {
    /// `fat 3.5 g`.
    #[must_use]
    pub fn words(&self) -> String {
        format!("{} {} {}", self.name, error_size(self.error), self.unit)
    }
}

/// The smallest change between two single scans that is more than chance.
#[derive(Debug, Clone, PartialEq)]
pub struct SmallestChange {
    /// The trait.
    pub name: String,
    /// How it was scanned; empty where there is one way.
    pub way: String,
    /// The change.
    pub change: f64,
    /// Its unit.
    pub unit: String,
    /// Sets of repeated scans.
    pub n: usize,
}

/// How well the scans measure.
#[derive(Debug, Clone)]
pub struct Scanner {
    /// Scans.
    pub scans: usize,
    /// Scans that the study's rules reject.
    pub rejected: usize,
    /// Errors of the equations.
    pub errors: Vec<LeftOutError>,
    /// Smallest changes that are more than chance.
    pub changes: Vec<SmallestChange>,
}

impl Scanner {
    pub(super) fn of(analysis: &Analysis, answers: &[Answer]) -> Option<Self> {
        let study = &analysis.study;
        if study.scans.rows.is_empty() {
            return None;
        }
        let place = |name: &str| {
            let known = PARTS.iter().position(|part| *part == name);
            known.unwrap_or(PARTS.len())
        };
        let of = |quantity: &'static str| {
            answers
                .iter()
                .filter(move |answer| answer.quantity == quantity)
        };
        let mut errors: Vec<LeftOutError> = of("left_out_error")
            .filter_map(|answer| {
                Some(LeftOutError {
                    name: answer.trait_name.replace('_', " "),
                    error: answer.estimate?,
                    unit: answer.unit.to_string(),
                    n: answer.n.unwrap_or(0),
                })
            })
            .collect();
        errors.sort_by_key(|one| place(&one.name));
        let mut changes: Vec<SmallestChange> = of("least_significant_change")
            .filter_map(|answer| {
                Some(SmallestChange {
                    name: answer.trait_name.replace('_', " "),
                    way: answer.model.replace('=', " "),
                    change: answer.estimate?,
                    unit: answer.unit.to_string(),
                    n: answer.n.unwrap_or(0),
                })
            })
            .collect();
        changes.sort_by_key(|one| place(&one.name));
        Some(Self {
            scans: study.scans.rows.len(),
            rejected: analysis.scans.kept.rejected.len(),
            errors,
            changes,
        })
    }

    /// The errors in words, in their order.
    fn list(&self) -> String {
        let words: Vec<String> = self
            .errors
            .iter()
            .map(|one| format!("{} {} of {}", error_size(one.error), one.unit, one.name))
            .collect();
        crate::report::prose::listed(&words)
    }

    /// How well the scans measure.
    #[must_use]
    pub fn sentence(&self) -> Sentence {
        let n = self.errors.iter().map(|one| one.n).max();
        if let Some(n) = n {
            return Sentence {
                lead: format!(
                    "Corrected scans predicted birds left out to {}",
                    self.list()
                ),
                rest: format!(
                    " (root mean square error against the chemistry of {}).",
                    count(n, "bird")
                ),
            };
        }
        let changes: Vec<String> = self
            .changes
            .iter()
            .map(|one| format!("{} {} of {}", error_size(one.change), one.unit, one.name))
            .collect();
        if changes.is_empty() {
            return Sentence::plain(format!(
                "{} scans were read; they were not corrected, since the study has neither chemistry nor saved equations.",
                self.scans
            ));
        }
        Sentence::plain(format!(
            "The least significant change between two single scans was {}.",
            crate::report::prose::listed(&changes)
        ))
    }
}
