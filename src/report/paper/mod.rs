//! What a paper is written from: methods, results and tables, from an analysis and its
//! answers.
//!
//! A sentence stands only where its step was done, with what this run did; what only the
//! author can know is a prompt in square brackets. The items of the ARRIVE guidelines 2.0 are
//! covered in this way.

mod latex;
mod letters;
mod methods;
mod results;
mod sources;
mod tables;
pub(super) mod words;

pub(super) use words::{
    curve as curve_words, in_general, quantity as quantity_words, way as way_words,
};

use super::RunRecord;
use super::pictures::whole_name;
use super::text::Overview;
use crate::age::AgeUnit;
use crate::analysis::{Analysis, Options};
use crate::contrast::{Adjust, Against};
use crate::study::Values;

/// An analysis as it is written up.
#[derive(Debug, Clone, Copy)]
pub struct Paper<'a> {
    /// The typed results.
    pub analysis: &'a Analysis,
    /// The options of the analysis.
    pub options: &'a Options,
    /// The facts that the page and the terminal state too.
    pub overview: &'a Overview,
    /// File names of the figures; empty where none were drawn.
    pub figures: &'a [String],
    /// What was run on what.
    pub run: &'a RunRecord,
}

impl Paper<'_> {
    /// "95 %".
    fn percent(&self) -> String {
        format!("{} %", (self.analysis.confidence * 1e4).round() / 1e2)
    }

    /// A unit as the study has it: numbers that are no masses of birds have none.
    fn unit<'u>(&self, unit: &'u str) -> &'u str {
        match (self.analysis.study.values, unit) {
            (Values::AnyNumber, "g" | "g body weight") => "",
            (Values::AnyNumber, "g/d") => "per day",
            (_, unit) => unit,
        }
    }

    /// The unit in which ages are shown.
    fn ages(&self) -> AgeUnit {
        self.analysis.study.age_unit()
    }

    /// A text in the words of what was measured.
    fn worded(&self, text: String) -> String {
        match self.analysis.study.values {
            Values::BirdMasses => text,
            Values::AnyNumber => words::in_general(&text, &self.analysis.study.subject),
        }
    }

    /// Whether a figure was drawn, on one page or several.
    fn has_figure(&self, figure: &str) -> bool {
        self.figures.iter().any(|name| whole_name(name) == figure)
    }

    /// A pointer to tables and, where it was drawn, a figure: `(table a; figure b)`.
    fn see(&self, table: &str, figure: &str) -> String {
        if self.has_figure(figure) {
            format!("({table}; figure {figure})")
        } else {
            format!("({table})")
        }
    }

    /// Whether groups are compared with the mean of all, not pair by pair.
    fn against_mean(&self) -> bool {
        let compared = self.analysis.differences.iter();
        let compared = compared.flat_map(|found| &found.comparison.compared);
        let mut contrasts = compared.flat_map(|one| &one.contrasts);
        contrasts.any(|one| one.b == Against::MeanOfAll)
    }

    /// How P values and intervals are adjusted, a clause.
    fn adjustment(&self) -> String {
        let adjust = self.options.comparison.as_ref().map(|wanted| wanted.adjust);
        let to_mean = self.against_mean();
        match adjust.unwrap_or_default() {
            Adjust::MaxT if to_mean => {
                "P values are adjusted over all parameters of a trait and all groups by Holm's method"
            }
            Adjust::MaxT => {
                "P values are adjusted over all parameters of a trait and all pairs by the distribution of the greatest t (values at a named age or mass over their pairs)"
            }
            Adjust::Holm => "P values are adjusted over the comparisons of a parameter by Holm's method",
            Adjust::Tukey if to_mean => {
                "P values and intervals are adjusted over the comparisons of a parameter by the distribution of the greatest t"
            }
            Adjust::Tukey => {
                "P values and intervals are adjusted over the pairs of a parameter by the Tukey-Kramer method"
            }
            Adjust::None => "P values are not adjusted for multiple comparisons",
        }
        .to_owned()
    }
}
