//! `fit` of a long table: the birds in batches, and the tables that are chosen.

use std::path::PathBuf;

use clap::Args;

use super::choices::{self, one_of};
use super::options::Input;
use super::output::Output;
use crate::analysis::Options;
use crate::error::{Error, Result};
use crate::report::batches::{BatchFit, FitTable};
use crate::report::tables::answers::answers;
use crate::report::tables::fits::FitTables;
use crate::study::{Batches, LongWeighings, Study, Tally, TemporaryFiles};
use crate::trajectory::interval::Intervals;

/// Bytes in a megabyte.
const MEGABYTE: u64 = 1_000_000;
/// Megabytes that a batch takes while it is read, fitted and written, a curve (about 900 birds
/// with twelve weighings each; measured).
const BATCH_MB: u64 = 16;
/// Batches that go to the processors at a time, at least: fewer leave them idle.
const FEWEST_BATCHES: u64 = 8;

/// How a table that does not fit into memory is fitted.
#[derive(Debug, Args)]
#[command(next_help_heading = "Long tables")]
pub(crate) struct LongOptions {
    /// Memory in MB: birds of a bare table are read, fitted and written in batches, with the
    /// tables of --level bird as otherwise (weights that are hard to believe are not looked for)
    #[arg(long, value_name = "MB", value_parser = clap::value_parser!(u64).range(64..))]
    memory: Option<u64>,
    /// Folder for temporary files, where the rows of a bird do not stand together
    /// [default: that of the system]
    #[arg(long, value_name = "DIR", requires = "memory")]
    temporary_folder: Option<PathBuf>,
    /// Tables to write of curve_terms, curve_fits, curve_choice, curves, residuals and terms_wide
    /// (a row a bird and curve) [default: all but terms_wide]
    #[arg(long, value_name = "NAME[,NAME]", value_delimiter = ',', value_parser = one_of(choices::FIT_TABLES))]
    tables: Vec<FitTable>,
}

impl LongOptions {
    /// Whether the birds are fitted in batches.
    pub(crate) fn in_batches(&self) -> bool {
        self.memory.is_some()
    }

    /// Leaves the tables of the fits that are chosen, `terms_wide` made where it is.
    pub(crate) fn choose(&self, output: &mut Output, wide: impl FnOnce() -> crate::report::Table) {
        if self.tables.is_empty() {
            return;
        }
        let chosen = |name: &str| self.tables.iter().any(|table| table.name() == name);
        let may_go = |name: &str| FitTable::ALL.iter().any(|table| table.name() == name);
        let tables = &mut output.findings.tables;
        tables.retain(|table| !may_go(table.name()) || chosen(table.name()));
        if self.tables.contains(&FitTable::TermsWide) {
            tables.push(wide());
        }
    }

    /// The tables, in their order.
    fn tables(&self) -> Vec<FitTable> {
        let chosen = |table: &FitTable| match self.tables.is_empty() {
            true => *table != FitTable::TermsWide,
            false => self.tables.contains(table),
        };
        FitTable::ALL.into_iter().filter(chosen).collect()
    }
}

/// Fits the birds of a bare table in batches.
pub(super) fn run(
    input: &Input,
    long: &LongOptions,
    options: impl FnOnce(&Study, &Output) -> Result<Options>,
    mut output: Output,
) -> Result<u8> {
    let (table, faults) = LongWeighings::open(&input.path, &input.columns.ready())?;
    output.enter_file(&crate::study::file_and_sheet(&input.path).0)?;
    let options = options(&Study::default(), &output)?;
    let intervals = Intervals::default();
    let memory = long.memory.unwrap_or(u64::MAX);
    let curves = options.growth.request.curves.len().max(1) as u64;
    let at_once = (memory / BATCH_MB / curves).clamp(FEWEST_BATCHES, 256);
    let tables = long.tables();
    let fit = BatchFit {
        request: &options.growth.request,
        wanted: FitTables {
            confidence: options.confidence,
            ages_d: &options.ages_d,
            weights_g: &options.masses_g,
            method: options.growth.intervals,
            intervals: &intervals,
        },
        tables: &tables,
        at_once: usize::try_from(at_once).unwrap_or(usize::MAX),
    };
    let bytes = std::fs::metadata(&input.path).map_or(0, |about| about.len());
    let bar = output.progress(usize::try_from(bytes).unwrap_or(usize::MAX), "fitting");
    let mut tally = Tally::new(faults, true);
    let mut counts = write(&fit, table.in_order()?, &mut tally, &mut output, &bar)?;
    if counts.is_none() {
        let files = TemporaryFiles {
            folder: long
                .temporary_folder
                .clone()
                .unwrap_or_else(std::env::temp_dir),
            memory: memory.saturating_mul(MEGABYTE),
        };
        bar.set_position(0);
        let (_, faults) = LongWeighings::open(&input.path, &input.columns.ready())?;
        tally = Tally::new(faults, false);
        counts = write(&fit, table.by_bird(&files)?, &mut tally, &mut output, &bar)?;
    }
    bar.finish_and_clear();
    table.require_a_value(&mut tally);
    let note = table.without_value(&tally.missing);
    std::mem::take(&mut tally.faults).or(())?;
    output.note(note);
    if let Some(counts) = counts {
        output.findings.batches(&table, &tally, &counts);
    }
    output.seed = options.seed;
    output.finish()
}

/// Writes the tables of the batches; `None`, and nothing written, where a bird returns.
fn write(
    fit: &BatchFit<'_>,
    batches: Batches<'_>,
    tally: &mut Tally,
    output: &mut Output,
    bar: &indicatif::ProgressBar,
) -> Result<Option<crate::report::batches::FitCounts>> {
    let Some(results) = output.beside("") else {
        return Err(Error::call(
            "--memory: found a call without a folder for results, expected --out",
        ));
    };
    let mut writing = output.begin()?;
    let mut declared = vec![answers(&[])];
    writing.write(&results, "tables/answers.csv", |out| {
        declared[0].write_csv(out)
    })?;
    let mut files = Vec::new();
    for table in fit.empty_tables() {
        let name = format!("tables/{}.csv", table.name());
        if let Some(mut file) = writing.open(&results, &name)? {
            file.write(table.csv_header().as_bytes())?;
            files.push(file);
        }
        declared.push(table);
    }
    let done = |bytes: usize| bar.inc(bytes as u64);
    let counts = fit.write(batches, tally, (&mut files, &done))?;
    for file in files {
        writing.close(file)?;
    }
    if counts.is_some() {
        output.take_written(writing, declared);
    }
    Ok(counts)
}
