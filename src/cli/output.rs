//! Where results go: files, standard output, standard error.
//!
//! Everything is gathered first and written last, so that a wrong input or a
//! failed step leaves no half of a result behind.

mod printed;
mod progress;

use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use indicatif::ProgressBar;

use super::options::{Common, Input, study_files};
use crate::age::AgeUnit;
use crate::analysis::{Analysis, Options, Progress};
use crate::error::{Error, Result};
use crate::report::files::{Place, Places, RECORD, Writing, date_of, keep_earlier, owner_file};
use crate::report::page::{self, Content, Page};
use crate::report::pictures::Named;
use crate::report::summary::{self, Line, Scope};
use crate::report::tables::dictionary;
use crate::report::text::Overview;
use crate::report::{Findings, InputFile, OutputFile, Prose, RunRecord, Table, since, workbook};
use crate::study::Study;

/// The output of a command.
#[derive(Debug)]
pub(crate) struct Output {
    command: &'static str,
    files: Places,
    json: bool,
    quiet: bool,
    strict: bool,
    /// How many of the warnings are about the data: those are printed whatever else is not.
    of_data: usize,
    /// Whether everything is printed where there is a summary.
    details: bool,
    /// The answers in a few lines, printed in place of all words; empty where there is none.
    summary: Vec<Line>,
    only: Option<Only>,
    /// Whether the results are requested as a workbook too.
    xlsx: bool,
    /// The call as given, for the run record.
    arguments: Vec<String>,
    /// Whether nothing is printed: a run that is only compared with another.
    silent: bool,
    /// Words, tables, warnings, and entries of the run record.
    pub(crate) findings: Findings,
    /// Tables of which the rows are written already, without rows, and their files.
    written: Option<(Writing, Vec<Table>)>,
    /// Figures: file name and bytes.
    pub(crate) figures: Vec<(String, Vec<u8>)>,
    /// Other files: place, name and bytes.
    saved: Vec<(Place, String, Vec<u8>)>,
    /// What has changed since the run before, and when that was.
    since: Option<Since>,
    /// What the reader should know and need not act upon; not in the run record.
    notes: Vec<String>,
    /// Whether the data or the fits need attention, warnings apart.
    pub(crate) attention: bool,
    /// Files read.
    pub(crate) inputs: Vec<InputFile>,
    /// Seed of everything drawn at random.
    pub(crate) seed: u64,
    /// What the report page shows besides; none where no page is requested.
    pub(crate) page: Option<PageParts>,
}

/// The one kind of result that a command writes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Only {
    /// The report page.
    Page,
    /// The figures.
    Figures,
}

/// What has changed since the run before.
#[derive(Debug)]
struct Since {
    /// Day on which its results were written.
    date: String,
    /// A line a change.
    changes: Vec<String>,
}

/// What the report page shows besides words, tables and warnings.
#[derive(Debug)]
pub(crate) struct PageParts {
    /// The results of the study, and what the page draws itself.
    pub(crate) content: Content,
    /// Figures in order.
    pub(crate) figures: Vec<Named>,
    /// How it was done; none before it is written.
    pub(crate) methods: Option<Prose>,
    /// What was found, in words for a paper; none before it is written.
    pub(crate) results: Option<Prose>,
    /// Additional text of a page that follows the study.
    pub(crate) live: Option<page::Live>,
}

impl Output {
    pub(crate) fn new(command: &'static str, common: &Common) -> Self {
        let folder = match (&common.out, common.json) {
            (Some(folder), _) => Some(folder.as_path()),
            (None, true) => None,
            (None, false) => Some(Path::new("results")),
        };
        let mut files = Places::new(&common.root, folder);
        if common.xlsx {
            files.with_workbook();
        }
        Self {
            command,
            files,
            json: common.json,
            quiet: common.quiet,
            strict: common.strict,
            of_data: 0,
            details: common.details,
            summary: Vec::new(),
            only: None,
            xlsx: common.xlsx,
            arguments: common.arguments.clone(),
            silent: common.silent,
            findings: Findings::default(),
            written: None,
            figures: Vec::new(),
            saved: Vec::new(),
            since: None,
            notes: Vec::new(),
            attention: false,
            inputs: Vec::new(),
            seed: 0,
            page: None,
        }
    }

    /// A command whose answer is its words alone, such as `check`.
    pub(crate) fn without_files(mut self) -> Self {
        self.files.without_results();
        self
    }

    /// A command that writes one kind of result.
    pub(crate) fn only(mut self, only: Only) -> Self {
        self.only = Some(only);
        self
    }

    /// Drops everything but figures and warnings: what `draw` writes.
    pub(crate) fn keep_figures_only(&mut self) {
        self.findings.tables.clear();
        self.findings.words.clear();
        self.page = None;
    }

    /// Reads the study, with its files in the run record and what is hard to believe in it
    /// among the warnings.
    pub(crate) fn read(&mut self, input: &Input) -> Result<Study> {
        let study = input.read()?;
        self.take(&study, &input.path)?;
        Ok(study)
    }

    /// Enters a study that was read from a folder or a table.
    pub(crate) fn take(&mut self, study: &Study, path: &Path) -> Result<()> {
        if path.is_dir() {
            self.files.study(path);
        }
        self.enter_files(&study_files(path, study))?;
        self.findings
            .warnings
            .extend(study.warnings.iter().cloned());
        self.findings.warnings.extend(study.doubts().warnings());
        self.of_data = self.findings.warnings.len();
        self.notes.extend(study.notes.iter().cloned());
        self.findings
            .counts
            .insert("birds".to_owned(), study.birds.len());
        self.findings
            .counts
            .insert("strains".to_owned(), study.strains.len());
        for records in &study.traits {
            self.findings
                .counts
                .insert(format!("records of {}", records.name), records.values.len());
        }
        Ok(())
    }

    /// Enters a file that was read, once; it may not lie where results go.
    pub(crate) fn enter_file(&mut self, path: &Path) -> Result<()> {
        self.enter_files(&[path.to_owned()])
    }

    /// Enters the curve cards of a folder, where one is given; its faults are reported
    /// by whoever reads the cards.
    pub(crate) fn enter_cards(&mut self, folder: Option<&Path>) -> Result<()> {
        let entries = folder.and_then(|folder| std::fs::read_dir(folder).ok());
        let paths = entries
            .into_iter()
            .flatten()
            .flatten()
            .map(|entry| entry.path());
        let is_card = |path: &PathBuf| path.extension().is_some_and(|ending| ending == "toml");
        let mut cards: Vec<PathBuf> = paths.filter(is_card).collect();
        cards.sort();
        self.enter_files(&cards)
    }

    fn enter_files(&mut self, paths: &[PathBuf]) -> Result<()> {
        self.files.read(paths)?;
        for path in paths {
            let file = InputFile::digest(path)?;
            if !self.inputs.contains(&file) {
                self.note_open(path);
                self.inputs.push(file);
            }
        }
        Ok(())
    }

    /// Adds a note, where there is one.
    pub(crate) fn note(&mut self, note: Option<String>) {
        self.notes.extend(note);
    }

    /// Notes that a file which is read is open in a spreadsheet program.
    pub(crate) fn note_open(&mut self, path: &Path) {
        if let Some(owner) = owner_file(path) {
            let note = format!(
                "{}: it is open in a spreadsheet program ({} lies beside it); what was read is what \
                 was saved last",
                path.display(),
                owner.file_name().unwrap_or_default().to_string_lossy()
            );
            if !self.notes.contains(&note) {
                self.notes.push(note);
            }
        }
    }

    /// A place for saved models, to be requested before they are computed: `folder` where
    /// one is given, else `beside` in the results' folder, else none.
    pub(crate) fn models(&mut self, folder: Option<&Path>, beside: &str) -> Result<Option<Place>> {
        match self.only {
            Some(_) => Ok(None),
            None => self.files.models(folder, beside),
        }
    }

    /// The folder of [`Self::models`] in words.
    pub(crate) fn path_of(&self, folder: Option<&Path>, beside: &str) -> String {
        let results = self.files.results().unwrap_or(Path::new(""));
        let folder = folder.map_or_else(|| results.join(beside), Path::to_owned);
        folder.display().to_string()
    }

    /// A place in the results' folder, if there is one.
    pub(crate) fn beside(&self, inside: &str) -> Option<Place> {
        match self.only {
            Some(_) => None,
            None => self.files.beside(inside),
        }
    }

    /// A file to be written to a place, such as a saved equation; nowhere where there is none.
    pub(crate) fn save(&mut self, place: Option<&Place>, name: &str, bytes: Vec<u8>) {
        if let Some(place) = place {
            self.saved.push((place.clone(), name.to_owned(), bytes));
        }
    }

    /// Has the answers printed in a few lines, all words with `--details` alone.
    pub(crate) fn summarise(&mut self) {
        let Some(overview) = self.page.as_ref().map(|page| &page.content.overview) else {
            return;
        };
        let page = match self.files.results() {
            Some(folder) => folder.join("report.html").display().to_string(),
            None => "--details".to_owned(),
        };
        let warnings = self.findings.warnings.len();
        self.summary = summary::summary(overview, warnings, (Scope::Whole, &page));
    }

    /// Looks for results of the same study in the results folder, and for what has changed since.
    pub(crate) fn compare_with_earlier(&mut self, ages: AgeUnit) {
        let (Some(folder), Some(input)) = (self.files.results(), self.inputs.first()) else {
            return;
        };
        let Some(before) = since::Findings::of_folder(folder, &input.path) else {
            return;
        };
        let now = since::Findings::of_tables(&self.findings.tables);
        self.since = date_of(&folder.join(RECORD)).map(|date| Since {
            date,
            changes: since::changes(&before, &now, ages),
        });
    }

    /// Files the results of the run before under their date.
    pub(crate) fn keep_earlier(&mut self) -> Result<()> {
        let Some(folder) = self.files.results() else {
            return Ok(());
        };
        if let Some(place) = keep_earlier(folder)? {
            self.notes.push(format!(
                "results of the run before filed in {}",
                place.display()
            ));
        }
        Ok(())
    }

    /// Has the answers to a command's own question printed in a few lines, where there are
    /// any; `column` is that of the groups where they are not strains.
    pub(crate) fn summarise_own(
        &mut self,
        scope: Scope,
        (analysis, options): (&Analysis, &Options),
        column: Option<&str>,
    ) {
        let overview = Overview::of(analysis, options, column);
        if !overview.answers() {
            return;
        }
        let warnings = self.findings.warnings.len();
        self.answer_with(|place| summary::summary(&overview, warnings, (scope, place)));
    }

    /// Has these lines printed in place of all words; they are given the place of everything
    /// else.
    pub(crate) fn answer_with(&mut self, lines: impl FnOnce(&str) -> Vec<Line>) {
        let place = match self.files.results() {
            Some(folder) => folder.join("tables").display().to_string(),
            None => "--details".to_owned(),
        };
        self.summary = lines(&place);
    }

    /// Whether figures would be kept: they are not part of the JSON document.
    pub(crate) fn keeps_files(&self) -> bool {
        self.files.results().is_some()
    }

    /// A bar on standard error for work of `length` steps, hidden where nobody looks.
    pub(crate) fn progress(&self, length: usize, what: &'static str) -> ProgressBar {
        progress::bar(self.quiet, length, what)
    }

    /// Bars for the steps of an analysis.
    pub(crate) fn bars(&self) -> Arc<dyn Progress> {
        Arc::new(progress::Bars::new(self.quiet))
    }

    /// Prints the address of a live page at once.
    pub(crate) fn announce(address: &str) -> std::io::Result<()> {
        let mut out = std::io::stdout().lock();
        writeln!(out, "{address}")?;
        out.flush()
    }

    /// Writes the files, prints the answer, and gives the exit status.
    ///
    /// # Errors
    /// Where a file or standard output cannot be written.
    pub(crate) fn finish(mut self) -> Result<u8> {
        let files = self.write_files()?;
        let printed = if self.silent {
            Ok(())
        } else if self.json {
            self.print_json(&files)
        } else {
            self.print_words()
        };
        printed.map_err(Error::standard_output)?;
        if !self.quiet {
            self.print_messages(&files);
        }
        let attention = self.attention || !self.findings.warnings.is_empty();
        Ok(u8::from(self.strict && attention))
    }

    /// Begins to write, for tables whose rows come some at a time.
    pub(crate) fn begin(&self) -> Result<Writing> {
        self.files.begin()
    }

    /// Takes over what was written; of the tables the columns go into the dictionary.
    pub(crate) fn take_written(&mut self, writing: Writing, tables: Vec<Table>) {
        self.written = Some((writing, tables));
    }

    fn write_files(&mut self) -> Result<Vec<String>> {
        let (mut writing, written) = match self.written.take() {
            Some(written) => written,
            None => (self.files.begin()?, Vec::new()),
        };
        for (place, name, bytes) in &self.saved {
            writing.write(place, name, |out| out.write_all(bytes))?;
        }
        if let Some(results) = self.files.beside("") {
            let rest = if self.only == Some(Only::Page) {
                0
            } else {
                usize::MAX
            };
            for table in self.findings.tables.iter().take(rest) {
                let name = format!("tables/{}.csv", table.name());
                writing.write(&results, &name, |out| table.write_csv(out))?;
            }
            let tables: Vec<&Table> = written.iter().chain(&self.findings.tables).collect();
            if rest > 0 && !tables.is_empty() {
                let dictionary = dictionary(tables);
                writing.write(&results, "tables/dictionary.csv", |out| {
                    dictionary.write_csv(out)
                })?;
            }
            for (figure, bytes) in self.figures.iter().take(rest) {
                let name = format!("figures/{figure}");
                writing.write(&results, &name, |out| out.write_all(bytes))?;
            }
            if !self.summary.is_empty() {
                let lines = self.findings.words.iter().chain(&self.findings.warnings);
                let text: String = lines.flat_map(|line| [line.as_str(), "\n"]).collect();
                writing.write(&results, "details.txt", |out| {
                    out.write_all(text.as_bytes())
                })?;
            }
            if let Some(html) = self.html()? {
                writing.write(&results, "report.html", |out| {
                    out.write_all(html.as_bytes())
                })?;
            }
            if self.xlsx {
                let book = workbook(&self.findings.tables, &self.record(Vec::new(), Vec::new()))?;
                writing.write(&results, "results.xlsx", |out| out.write_all(&book))?;
            }
            let record = self.record(writing.results().to_vec(), writing.saved());
            writing.write(&results, RECORD, |out| {
                serde_json::to_writer_pretty(&mut *out, &record)?;
                out.write_all(b"\n")
            })?;
        }
        let saved = writing.saved();
        let files = saved.iter().chain(writing.results());
        let files = files.map(|file| file.path.clone()).collect();
        let exchanged = self.files.exchange(writing)?;
        self.note_exchange(&exchanged);
        Ok(files)
    }

    /// The report page, where one is requested.
    pub(crate) fn html(&self) -> Result<Option<String>> {
        let Some(parts) = &self.page else {
            return Ok(None);
        };
        let record = self.record(Vec::new(), Vec::new());
        let page = Page {
            content: &parts.content,
            figures: &parts.figures,
            tables: &self.findings.tables,
            methods: parts.methods.as_ref(),
            results: parts.results.as_ref(),
            warnings: &self.findings.warnings,
            record: &record,
            live: parts.live.as_ref(),
        };
        page.html().map(Some)
    }

    pub(crate) fn record(&self, outputs: Vec<OutputFile>, saved: Vec<OutputFile>) -> RunRecord {
        RunRecord {
            program: env!("CARGO_PKG_NAME").to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            command: self.command.to_owned(),
            arguments: self.arguments.clone(),
            seed: self.seed,
            methods: self.findings.methods.clone(),
            inputs: self.inputs.clone(),
            counts: self.findings.counts.clone(),
            warnings: self.findings.warnings.clone(),
            outputs,
            saved,
        }
    }
}

/// A part of a file's name, such as what an equation predicts; other letters than these
/// are no part of one on some system.
pub(crate) fn plain_name(name: &str) -> String {
    let plain = |c: char| {
        if c.is_alphanumeric() || "_-".contains(c) {
            c
        } else {
            '_'
        }
    };
    name.chars().map(plain).collect()
}

/// A call without what does not change a result: the program, the output folder,
/// the number of threads.
pub(crate) fn without_output(call: impl IntoIterator<Item = String>) -> Vec<String> {
    const LEFT_OUT: [&str; 3] = ["--out", "-o", "--threads"];
    let mut kept = Vec::new();
    let mut given = call.into_iter().skip(1);
    while let Some(argument) = given.next() {
        if LEFT_OUT.contains(&argument.as_str()) {
            given.next();
        } else if !LEFT_OUT
            .iter()
            .any(|option| argument.starts_with(&format!("{option}=")))
        {
            kept.push(argument);
        }
    }
    kept
}
