//! The fits of the birds of a long table, written as they are made.
//!
//! While some batches are fitted and their rows written as text, the next are read and those
//! before go to the files; each table is that of a study which is held in memory, byte for byte,
//! since it is made by the same functions and has a bird's rows from that bird's fits alone.

use rayon::prelude::*;

use super::files::OpenFile;
use super::paper::in_general;
use super::tables::choice::curve_choice;
use super::tables::curves::{curves, residuals};
use super::tables::fits::{FitTables, curve_fits, curve_terms};
use super::tables::wide::terms_wide;
use super::words::birds_by_their_best;
use super::{Findings, Table};
use crate::error::Result;
use crate::study::{Batch, Batches, Faults, Held, LongWeighings, Study, Tally, Values};
use crate::trajectory::interval::{Method, Validation};
use crate::trajectory::{Level, Request, Trajectories};

/// A table of the fits of single birds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FitTable {
    /// Terms and derived quantities, a row each.
    CurveTerms,
    /// How each fit ended.
    CurveFits,
    /// The curves of each bird, ranked.
    CurveChoice,
    /// Values along age.
    Curves,
    /// Observations beside the curves.
    Residuals,
    /// A row a bird and curve.
    TermsWide,
}

impl FitTable {
    /// All of them, in their order among the results.
    pub const ALL: [Self; 6] = [
        Self::CurveTerms,
        Self::CurveFits,
        Self::CurveChoice,
        Self::Curves,
        Self::Residuals,
        Self::TermsWide,
    ];

    /// The table's name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::CurveTerms => "curve_terms",
            Self::CurveFits => "curve_fits",
            Self::CurveChoice => "curve_choice",
            Self::Curves => "curves",
            Self::Residuals => "residuals",
            Self::TermsWide => "terms_wide",
        }
    }

    /// The table of these fits.
    #[must_use]
    pub fn of(self, study: &Study, fits: &Trajectories, wanted: &FitTables<'_>) -> Table {
        match self {
            Self::CurveTerms => curve_terms(study, fits, wanted),
            Self::CurveFits => curve_fits(study, fits),
            Self::CurveChoice => curve_choice(study, fits, &Validation::default()),
            Self::Curves => curves(study, fits, wanted.confidence),
            Self::Residuals => residuals(study, fits),
            Self::TermsWide => terms_wide(study, fits, wanted),
        }
    }
}

/// What is fitted in batches, and which tables are written.
pub(crate) struct BatchFit<'a> {
    /// The curves, and how they are fitted: each bird alone.
    pub(crate) request: &'a Request,
    /// What the tables hold.
    pub(crate) wanted: FitTables<'a>,
    /// The tables.
    pub(crate) tables: &'a [FitTable],
    /// Batches that are in memory at a time.
    pub(crate) at_once: usize,
}

/// How many fits ended how.
#[derive(Debug, Clone, Default)]
pub(crate) struct FitCounts {
    /// Converged, weak, failed, not fitted.
    pub(crate) fits: [usize; 4],
    /// Birds by their best curve: converged, weak, without one.
    pub(crate) birds: [usize; 3],
}

/// The status of the counts of [`FitCounts::fits`].
pub(crate) const STATUS: [&str; 4] = ["converged", "weak", "failed", "not fitted"];

impl FitCounts {
    fn of(fits: &Trajectories) -> Self {
        let mut counts = Self {
            fits: STATUS.map(|status| fits.count(status)),
            birds: [0; 3],
        };
        for bird in fits
            .subjects
            .iter()
            .filter(|fits| fits.subject.level == Level::Bird)
        {
            let place = match bird.best().map(|fit| fit.outcome.status()) {
                Some("converged") => 0,
                Some(_) => 1,
                None => 2,
            };
            counts.birds[place] += 1;
        }
        counts
    }

    fn add(&mut self, other: &Self) {
        let fits = self.fits.iter_mut().zip(other.fits);
        let birds = self.birds.iter_mut().zip(other.birds);
        fits.chain(birds).for_each(|(sum, more)| *sum += more);
    }
}

impl Findings {
    /// How many birds of a table that was fitted in batches grow by a curve, with the counts of
    /// the run record.
    pub(crate) fn batches(&mut self, table: &LongWeighings, tally: &Tally, counts: &FitCounts) {
        let name = table.trait_name();
        for (what, count) in [
            ("birds", tally.birds),
            ("strains", tally.strains()),
            (&*format!("records of {name}"), tally.values),
        ] {
            self.counts.insert(what.to_owned(), count);
        }
        for (status, count) in STATUS.into_iter().zip(counts.fits) {
            let what = match status {
                "not fitted" => "series not fitted".to_owned(),
                status => format!("fits {status}"),
            };
            self.counts.insert(what, count);
        }
        self.warnings.extend(table.warning().map(str::to_owned));
        self.warn_of_fits(counts.fits[1], counts.fits[2]);
        self.methods
            .insert("intervals".to_owned(), Method::Wald.name().to_owned());
        let [converged, weak, failed] = counts.birds;
        let mut words = vec!["How do they grow?".to_owned()];
        if converged + weak + failed > 0 {
            words.push(birds_by_their_best(converged, weak, failed));
        }
        if table.values() == Values::AnyNumber {
            words
                .iter_mut()
                .for_each(|line| *line = in_general(line, table.subject()));
        }
        self.words.extend(words);
    }
}

/// What became of one batch.
struct Done {
    held: Held,
    /// Bytes of its rows in the input.
    bytes: usize,
    counts: FitCounts,
    /// The rows of each table.
    rows: std::io::Result<Vec<Vec<u8>>>,
}

impl BatchFit<'_> {
    /// The tables without rows.
    pub(crate) fn empty_tables(&self) -> Vec<Table> {
        let fits = Trajectories {
            curves: self.request.curves.clone(),
            subjects: Vec::new(),
            models: Vec::new(),
        };
        let study = Study::default();
        let tables = self.tables.iter();
        tables
            .map(|table| table.of(&study, &fits, &self.wanted))
            .collect()
    }

    /// Fits all batches and writes the rows of the tables to `files`, one each, as long as
    /// there is no fault; `None` where a bird returns. `done` is called with the bytes of the
    /// rows that are done.
    ///
    /// # Errors
    /// A file that cannot be written, or a temporary file that cannot be read.
    pub(crate) fn write(
        &self,
        mut batches: Batches<'_>,
        tally: &mut Tally,
        (files, done): (&mut [OpenFile], &(dyn Fn(usize) + Sync)),
    ) -> Result<Option<FitCounts>> {
        let table = batches.table();
        let mut counts = FitCounts::default();
        let mut now = batches.next(self.at_once)?;
        let mut rows: Vec<Vec<Vec<u8>>> = Vec::new();
        while !now.is_empty() {
            let fit = tally.faults.count() == 0;
            let work = || -> Vec<Done> {
                let batches = now.par_iter();
                batches.map(|batch| self.done(table, batch, fit)).collect()
            };
            let (made, (next, written)) = rayon::join(work, || {
                rayon::join(|| batches.next(self.at_once), || write_rows(files, &rows))
            });
            written?;
            now = next?;
            rows.clear();
            for one in made {
                if !tally.take(one.held) {
                    return Ok(None);
                }
                done(one.bytes);
                counts.add(&one.counts);
                rows.push(one.rows.map_err(crate::error::Error::standard_output)?);
            }
        }
        write_rows(files, &rows)?;
        tally.faults.append(batches.into_faults());
        Ok(Some(counts))
    }

    /// Reads a batch, and fits its birds where there is no fault.
    fn done(&self, table: &LongWeighings, batch: &Batch, fit: bool) -> Done {
        let mut faults = Faults::default();
        let mut read = table.read(batch, &mut faults);
        let fit = fit && faults.count() == 0;
        let held = Held::of(&mut read, faults);
        let study = read.study;
        if !fit {
            return Done {
                held,
                bytes: batch.bytes(),
                counts: FitCounts::default(),
                rows: Ok(Vec::new()),
            };
        }
        let fits = Trajectories::fit(&study, self.request, &|_| {});
        let rows = self.tables.iter().map(|table| {
            let table = table.of(&study, &fits, &self.wanted);
            table.csv_rows()
        });
        Done {
            held,
            bytes: batch.bytes(),
            counts: FitCounts::of(&fits),
            rows: rows.collect(),
        }
    }
}

/// Appends the rows of some batches to the files, each in its order.
fn write_rows(files: &mut [OpenFile], batches: &[Vec<Vec<u8>>]) -> Result<()> {
    files.par_iter_mut().enumerate().try_for_each(|(at, file)| {
        let texts = batches.iter().filter_map(|tables| tables.get(at));
        texts.into_iter().try_for_each(|text| file.write(text))
    })
}
