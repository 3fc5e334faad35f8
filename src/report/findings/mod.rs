//! Findings of a command: words, tables, warnings, and entries of the run
//! record. Nothing here computes; [`crate::analysis`] has.

mod flock;
mod groups;
mod growth;
mod laboratories;
mod lay;
mod platform;
mod scans;
mod validation;

use std::collections::BTreeMap;

use super::Table;
use super::tables::answers;
use super::tables::flock::Weigh;
use crate::analysis::{Analysis, Options};
use crate::error::Result;

/// What a command reports of its results, in the order of the report.
#[derive(Debug, Default)]
pub struct Findings {
    /// The answer in words.
    pub words: Vec<String>,
    /// Result tables.
    pub tables: Vec<Table>,
    /// What needs attention.
    pub warnings: Vec<String>,
    /// Methods that options chose, for the run record.
    pub methods: BTreeMap<String, String>,
    /// Counts for the run record.
    pub counts: BTreeMap<String, usize>,
}

impl Findings {
    /// The findings of a whole study, step by step, with its list of answers; `population` is
    /// that of the forecast, in words.
    ///
    /// # Errors
    /// Corrected masses that cannot be moved to add up.
    pub fn whole(
        &mut self,
        (analysis, options): (&Analysis, &Options),
        (weigh, population): (&Weigh, &str),
    ) -> Result<()> {
        self.scans(analysis)?;
        self.growth(analysis, options);
        self.differences(analysis);
        self.densities(analysis);
        self.shifts(analysis);
        self.scanning(analysis);
        self.verdict(analysis, weigh, population);
        self.platform(analysis);
        self.lay(analysis, options.lay.as_ref());
        self.answers(analysis);
        Ok(())
    }

    /// The list of answers, before all other tables.
    pub fn answers(&mut self, analysis: &Analysis) {
        let answers = answers::answers(&analysis.answers());
        self.tables.insert(0, answers);
    }

    /// Adds a table in the place of an earlier one of its name.
    pub fn replace(&mut self, table: Table) {
        self.tables.retain(|other| other.name() != table.name());
        self.tables.push(table);
    }

    /// Adds a table's rows to those of an earlier one of its name.
    pub fn append(&mut self, table: Table) {
        let mut places = self.tables.iter();
        let earlier = places.position(|other| other.name() == table.name());
        let earlier = earlier.map(|place| self.tables.remove(place));
        self.tables
            .extend(Table::joined(earlier.into_iter().chain([table])));
    }

    fn method(&mut self, what: &str, how: impl Into<String>) {
        self.methods.insert(what.to_owned(), how.into());
    }

    fn count(&mut self, what: impl Into<String>, n: usize) {
        self.counts.insert(what.into(), n);
    }

    /// A question, and the sentences that answer it.
    fn answer(&mut self, question: &str, sentences: impl IntoIterator<Item = String>) {
        self.words.push(question.to_owned());
        self.words.extend(sentences);
    }
}
