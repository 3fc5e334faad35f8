//! The weighings of a long table, some birds at a time, in bounded memory.
//!
//! [`LongWeighings::open`] reads the header and finds the decimal mark, [`LongWeighings::in_order`]
//! gives the rows in batches of whole birds as long as the rows of a bird stand together, and
//! [`LongWeighings::by_bird`] the same batches of a table in any other order, by way of temporary
//! files. Both give the birds in the order of their first rows, as a table that is read whole, so
//! that what is made of the batches one after the other is what is made of the whole.
//! [`Tally`] takes in what the batches held: it notices a bird that returns, and holds the faults
//! of all rows.

mod cut;
mod partition;
mod seen;
mod tally;

use std::collections::VecDeque;
use std::path::{Path, PathBuf};

use super::columns::{BODY_WEIGHT, Columns, Values};
use super::decimal_mark::Marks;
use super::faults::Faults;
use super::format::Mark;
use super::header::Voice;
use super::quotes;
use super::read::{Dates, Source};
use super::records::Missing;
use super::samples;
use super::settings::{Settings, TableName};
use super::stream::LongTable;
use super::table::Table;
use super::units::DateFormat;
use super::weighings::{BatchColumns, ReadBatch};
use crate::error::{Error, Result};
use cut::Cutter;
use partition::Sorted;
pub(crate) use partition::TemporaryFiles;
pub(crate) use tally::{Held, Tally};

/// A table of weighings with a column of birds, which is not held in memory.
pub(crate) struct LongWeighings {
    path: PathBuf,
    columns: Columns,
    settings: Settings,
    dates: Dates,
    /// Header and first rows.
    head: Table,
    layout: BatchColumns,
    bird: usize,
    mark: Mark,
}

/// The rows of some birds, all rows of each.
#[derive(Debug, Default)]
pub(crate) struct Batch {
    text: String,
    /// Lines before the first row, where the rows follow each other in the table.
    before: u32,
    /// Numbers of the rows, where they do not.
    numbers: Vec<u32>,
}

impl Batch {
    /// Bytes of the rows.
    pub(crate) fn bytes(&self) -> usize {
        self.text.len()
    }
}

impl LongWeighings {
    /// Opens a table and finds its columns and its decimal mark, with the faults that leave its
    /// rows to be judged.
    ///
    /// # Errors
    /// A call that contradicts itself, or names no birds; faults without which no column is
    /// known.
    pub(crate) fn open(path: &Path, columns: &Columns) -> Result<(Self, Faults)> {
        let settings = columns.settings(path)?;
        let mut faults = Faults::default();
        let dates = Dates::new(&settings, Voice::Options, &mut faults);
        let opened = open(&settings, &mut faults);
        let found = opened.map(|table| {
            let source = source(&settings);
            let header = source.header(&table.head, TableName::Weighings);
            header.check_mapping(&mut faults);
            let sampled = samples::is_sample_table(&header, columns, false);
            let layout = match sampled {
                false => BatchColumns::find(&header, columns, &mut faults),
                true => None,
            };
            (table.head, layout, sampled)
        });
        let Some((head, layout, sampled)) = found else {
            return Err(faulty(faults, path));
        };
        let bird = layout.as_ref().and_then(BatchColumns::bird);
        let (Some(layout), Some(bird)) = (layout, bird) else {
            if faults.count() > 0 && !sampled {
                return Err(faulty(faults, path));
            }
            return Err(Error::call(format!(
                "--memory: found a table without a column of birds ({}), expected rows of ringed birds; name the column by --bird, or leave --memory out",
                path.display()
            )));
        };
        let mut table = Self {
            path: path.to_owned(),
            columns: columns.clone(),
            settings,
            dates,
            head,
            layout,
            bird,
            mark: Mark::Point,
        };
        table.mark = table.find_mark(&mut faults);
        Ok((table, faults))
    }

    /// The decimal mark of all rows, with a fault for each that leaves it in doubt.
    fn find_mark(&self, faults: &mut Faults) -> Mark {
        let numbers = self.layout.numbers(self.columns.values);
        let mut marks = match Marks::of(&self.head, &numbers) {
            Ok(marks) => marks,
            Err(mark) => return mark,
        };
        let mut in_question = marks.in_question(self.head.text());
        self.each_text(faults, |text, _| {
            in_question = in_question || marks.in_question(text);
            !in_question
        });
        if !in_question {
            return Mark::Point;
        }
        if !marks.see(self.head.rows()) {
            self.each_text(faults, |text, before| {
                !marks.see(self.head.rows_of(text, before))
            });
        }
        let (mark, columns) = marks.verdict();
        if columns.is_empty() {
            return mark;
        }
        let mut found = Faults::default();
        marks.report(self.head.rows(), (mark, &columns), &mut found);
        self.each_text(&mut Faults::default(), |text, before| {
            marks.report(
                self.head.rows_of(text, before),
                (mark, &columns),
                &mut found,
            );
            true
        });
        faults.append(found);
        Mark::InDoubt
    }

    /// Calls `each` with the texts after the head until it returns false.
    fn each_text(&self, faults: &mut Faults, mut each: impl FnMut(&str, u32) -> bool) {
        let Some(mut table) = open(&self.settings, &mut Faults::default()) else {
            return;
        };
        while let Some((text, before)) = table.next_text(faults) {
            if !each(&text, before) {
                return;
            }
        }
    }

    /// The fault of a table without any value.
    pub(crate) fn require_a_value(&self, tally: &mut Tally) {
        tally.require_a_value(&self.head.file, self.layout.value_header());
    }

    /// What must be known of how the file was read.
    pub(crate) fn warning(&self) -> Option<&str> {
        self.head.warning.as_deref()
    }

    /// Note on rows that were left out since they have no value.
    pub(crate) fn without_value(&self, missing: &Missing) -> Option<String> {
        let header = source(&self.settings).header(&self.head, TableName::Weighings);
        self.layout.without_value(&header, missing)
    }

    /// The batches of a table in which the rows of each bird stand together.
    ///
    /// # Errors
    /// A file that can no longer be opened.
    pub(crate) fn in_order(&self) -> Result<Batches<'_>> {
        let mut faults = Faults::default();
        let table = open(&self.settings, &mut faults);
        let Some(rest) = table else {
            return Err(faulty(faults, &self.path));
        };
        // Those of the header are known.
        faults = Faults::default();
        Ok(Batches {
            table: self,
            from: From::Table(Box::new(Texts::of(self, rest))),
            cutter: Cutter::new(self.head.separator(), self.bird),
            ready: VecDeque::new(),
            ended: false,
            faults,
        })
    }

    /// The batches of a table in any order, by way of temporary files.
    ///
    /// # Errors
    /// Temporary files that cannot be written.
    pub(crate) fn by_bird(&self, files: &TemporaryFiles) -> Result<Batches<'_>> {
        let mut faults = Faults::default();
        let table = open(&self.settings, &mut faults);
        let Some(rest) = table else {
            return Err(faulty(faults, &self.path));
        };
        faults = Faults::default();
        let sorted = Sorted::of(self, Texts::of(self, rest), files, &mut faults)?;
        Ok(Batches {
            table: self,
            from: From::Files(Box::new(sorted)),
            cutter: Cutter::new(self.head.separator(), self.bird),
            ready: VecDeque::new(),
            ended: false,
            faults,
        })
    }

    /// The birds of a batch and their records.
    pub(crate) fn read(&self, batch: &Batch, faults: &mut Faults) -> ReadBatch {
        let rows = match batch.numbers.is_empty() {
            true => self.head.rows_of(&batch.text, batch.before),
            false => self.head.rows_numbered(&batch.text, &batch.numbers),
        };
        let by = (&self.columns, self.mark, &self.dates);
        let mut read = self.layout.read((&self.head.file, rows), by, faults);
        read.study.settings = self.settings.clone();
        read.study.name = self.settings.name.clone().unwrap_or_default();
        read.study.subject = self.subject().to_owned();
        read
    }

    /// What a value may be.
    pub(crate) fn values(&self) -> Values {
        self.columns.values
    }

    /// The trait of the values.
    pub(crate) fn trait_name(&self) -> &str {
        self.columns.trait_name.as_deref().unwrap_or(BODY_WEIGHT)
    }

    /// One of what was measured.
    pub(crate) fn subject(&self) -> &str {
        match self.columns.values {
            Values::BirdMasses => "bird",
            Values::AnyNumber => self.columns.subject.as_deref().unwrap_or("subject"),
        }
    }
}

/// The batches of a table, one after the other.
pub(crate) struct Batches<'a> {
    table: &'a LongWeighings,
    from: From<'a>,
    cutter: Cutter,
    ready: VecDeque<Batch>,
    ended: bool,
    faults: Faults,
}

enum From<'a> {
    Table(Box<Texts<'a>>),
    Files(Box<Sorted>),
}

impl<'a> Batches<'a> {
    /// The next batches, at most `count`; none at the end.
    ///
    /// # Errors
    /// A temporary file that cannot be read.
    pub(crate) fn next(&mut self, count: usize) -> Result<Vec<Batch>> {
        while self.ready.len() < count && !self.ended {
            match &mut self.from {
                From::Table(texts) => match texts.next(&mut self.faults) {
                    Some((text, before)) => {
                        self.cutter.take(&text, before, &mut self.ready);
                    }
                    None => {
                        self.ready.extend(self.cutter.rest());
                        self.ended = true;
                    }
                },
                From::Files(sorted) => match sorted.next_batch()? {
                    Some(batch) => self.ready.push_back(batch),
                    None => self.ended = true,
                },
            }
        }
        let count = count.min(self.ready.len());
        Ok(self.ready.drain(..count).collect())
    }

    /// The table.
    pub(crate) fn table(&self) -> &'a LongWeighings {
        self.table
    }

    /// The faults of the file and of the lines, which are those of no batch.
    pub(crate) fn into_faults(self) -> Faults {
        self.faults
    }
}

/// The texts of the rows, piece by piece, each line a row.
struct Texts<'a> {
    of: &'a LongWeighings,
    rest: LongTable,
    begun: bool,
}

impl<'a> Texts<'a> {
    fn of(of: &'a LongWeighings, rest: LongTable) -> Self {
        Self {
            of,
            rest,
            begun: false,
        }
    }

    /// The next text and the lines before it.
    fn next(&mut self, faults: &mut Faults) -> Option<(String, u32)> {
        if !self.begun {
            self.begun = true;
            let rows = self.of.head.rows();
            return Some((rows.rest().to_owned(), rows.row));
        }
        let (mut text, before) = self.rest.next_text(faults)?;
        let mut open_quotes = quotes::mend(&mut text, self.of.head.separator());
        for open in &mut open_quotes {
            open.row = open.row.saturating_add(before);
        }
        self.of.head.report_quotes(&open_quotes, faults);
        Some((text, before))
    }
}

fn open(settings: &Settings, faults: &mut Faults) -> Option<LongTable> {
    let files = settings.tables.of(TableName::Weighings).as_ref();
    let file = files.and_then(|files| files.paths().first())?;
    let source = source(settings);
    let writing = source.writing(TableName::Weighings);
    LongTable::open(file, &file.display().to_string(), &writing, faults)
}

fn source(settings: &Settings) -> Source<'_> {
    static USUAL: std::sync::OnceLock<DateFormat> = std::sync::OnceLock::new();
    Source {
        folder: Path::new(""),
        settings,
        date_format: settings
            .units
            .date_format
            .as_ref()
            .unwrap_or_else(|| USUAL.get_or_init(DateFormat::default)),
        voice: Voice::Options,
    }
}

fn faulty(faults: Faults, path: &Path) -> Error {
    match faults.or(()) {
        Err(error) => error,
        Ok(()) => Error::input(format!("{}: could not be read", path.display())),
    }
}
