//! What a run did and found, as far as the words of a paper tell it.

use std::collections::BTreeMap;

use crate::composition::repeatability::Repeatability;
use crate::composition::study_equations::Chosen;
use crate::composition::study_masses::StudyMasses;
use crate::contrast::{Adjust, Comparison};
use crate::fit::Variance;
use crate::fit::mixed::Correlation;
use crate::report::pictures::whole_name;
use crate::report::table::Cell;
use crate::report::{Table, paper_tables::PaperWishes};
use crate::study::Study;
use crate::trajectory::Trajectories;

/// A run, told by its results and its tables: a step is told where it left one.
#[derive(Debug, Clone, Copy)]
pub struct Told<'a> {
    /// What was read, corrected masses among the traits.
    pub study: &'a Study,
    /// Every fit.
    pub trajectories: &'a Trajectories,
    /// The strains compared, where there were two or more.
    pub comparison: Option<&'a Comparison>,
    /// How its p values were adjusted.
    pub adjust: Adjust,
    /// How well the scanner repeated itself, where scans were repeated.
    pub repeatability: Option<&'a Repeatability>,
    /// Equations fitted in this run, with their candidates.
    pub equations: &'a [Chosen],
    /// Corrected masses.
    pub masses: Option<&'a StudyMasses>,
    /// How the spread of the residuals depended on the fitted value.
    pub variance: Variance,
    /// Correlation of a bird's residuals.
    pub correlation: Correlation,
    /// What the paper's tables tell.
    pub wishes: &'a PaperWishes,
    /// Seed of everything drawn at random.
    pub seed: u64,
    /// Result tables.
    pub tables: &'a [Table],
    /// Methods that options chose, by name.
    pub methods: &'a BTreeMap<String, String>,
    /// File names of the figures; empty where none were drawn.
    pub figures: &'a [String],
    /// Program and version.
    pub software: &'a str,
}

impl<'a> Told<'a> {
    /// The table of that name, where it has rows.
    pub(super) fn table(&self, name: &str) -> Option<Read<'a>> {
        let mut tables = self.tables.iter();
        let table = tables.find(|table| table.name() == name)?;
        (table.rows() > 0).then_some(Read { table })
    }

    /// Whether there is a table of that name, be it without a row.
    pub(super) fn has_table(&self, name: &str) -> bool {
        self.tables.iter().any(|table| table.name() == name)
    }

    /// Confidence of the intervals, percent.
    pub(super) fn percent(&self) -> f64 {
        (self.wishes.confidence * 1e4).round() / 1e2
    }

    /// Whether a figure was drawn, on one page or several.
    pub(super) fn has_figure(&self, figure: &str) -> bool {
        self.figures.iter().any(|name| whole_name(name) == figure)
    }

    /// A pointer to a table and, where it was drawn, a figure: `(a.csv; figure b)`.
    pub(super) fn see(&self, table: &str, figure: &str) -> String {
        if self.has_figure(figure) {
            format!("({table}.csv; figure {figure})")
        } else {
            format!("({table}.csv)")
        }
    }
}

/// A result table, read by the names of its columns.
#[derive(Debug, Clone, Copy)]
pub(super) struct Read<'a> {
    table: &'a Table,
}

impl<'a> Read<'a> {
    /// Its rows.
    pub(super) fn rows(self) -> impl Iterator<Item = ReadRow<'a>> {
        (0..self.table.rows()).map(move |row| ReadRow {
            table: self.table,
            row,
        })
    }

    /// The words of a column, each once, in order of first appearance.
    pub(super) fn words(self, column: &str) -> Vec<&'a str> {
        let mut words: Vec<&str> = Vec::new();
        for word in self.rows().map(|row| row.text(column)) {
            if !words.contains(&word) {
                words.push(word);
            }
        }
        words
    }
}

/// One row of a result table.
#[derive(Debug, Clone, Copy)]
pub(super) struct ReadRow<'a> {
    table: &'a Table,
    row: usize,
}

impl<'a> ReadRow<'a> {
    fn cell(self, column: &str) -> Cell<'a> {
        let header = self.table.header();
        let place = header.iter().position(|name| *name == column);
        debug_assert!(place.is_some(), "{} has no {column}", self.table.name());
        place.map_or(Cell::Missing, |place| self.table.cell(self.row, place))
    }

    /// Words; empty where there are none.
    pub(super) fn text(self, column: &str) -> &'a str {
        match self.cell(column) {
            Cell::Text(words) => words,
            _ => "",
        }
    }

    /// A number.
    #[expect(clippy::cast_precision_loss, reason = "counts are far below 2^52")]
    pub(super) fn number(self, column: &str) -> Option<f64> {
        match self.cell(column) {
            Cell::Number(number) => Some(number),
            Cell::Whole(whole) => Some(whole as f64),
            Cell::Text(_) | Cell::Missing => None,
        }
    }

    /// A count.
    pub(super) fn whole(self, column: &str) -> Option<i64> {
        match self.cell(column) {
            Cell::Whole(whole) => Some(whole),
            _ => None,
        }
    }
}
