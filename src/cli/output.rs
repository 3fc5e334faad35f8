//! Where results go: files, standard output, standard error.
//!
//! Everything is gathered first and written last, so that a wrong input or a
//! failed step leaves no half of a result behind.

use std::collections::BTreeMap;
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde::Serialize;
use serde::ser::SerializeMap;

use super::options::{Common, Input, study_files};
use crate::error::{self, Error, Result};
use crate::report::page::{self, Page};
use crate::report::pictures::Named;
use crate::report::{InputFile, OutputFile, RunRecord, Staged, Table, workbook};
use crate::study::Study;

/// Everything that a command has to say.
#[derive(Debug)]
pub(crate) struct Output {
    command: &'static str,
    folder: Option<PathBuf>,
    json: bool,
    quiet: bool,
    strict: bool,
    page_only: bool,
    /// Whether the results are wanted as a workbook too.
    xlsx: bool,
    /// The call as given, for the run record.
    arguments: Vec<String>,
    /// Whether nothing is said: a run that is only compared with another.
    silent: bool,
    /// Result tables, in the order in which they are told.
    pub(crate) tables: Vec<Table>,
    /// Figures: file name and bytes.
    pub(crate) figures: Vec<(String, Vec<u8>)>,
    /// Other files: path and bytes.
    saved: Vec<(PathBuf, Vec<u8>)>,
    /// The answer in words, for standard output.
    pub(crate) words: Vec<String>,
    /// What needs attention.
    pub(crate) warnings: Vec<String>,
    /// What was left out or not read, as it should be.
    notes: Vec<String>,
    /// Whether the data or the fits need attention, warnings apart.
    pub(crate) attention: bool,
    /// Files read.
    pub(crate) inputs: Vec<InputFile>,
    /// Seed of everything drawn at random.
    pub(crate) seed: u64,
    /// Methods that options chose, for the run record.
    pub(crate) methods: BTreeMap<String, String>,
    /// Counts for the run record.
    pub(crate) counts: BTreeMap<String, usize>,
    /// What the report page shows besides; none where no page is wanted.
    pub(crate) page: Option<PageParts>,
}

/// What the report page shows besides words, tables and warnings.
#[derive(Debug)]
pub(crate) struct PageParts {
    /// What the study is called.
    pub(crate) title: String,
    /// Strains in the study's order.
    pub(crate) strains: Vec<String>,
    /// Figures in order.
    pub(crate) figures: Vec<Named>,
    /// The same for one column of paper.
    pub(crate) small_figures: Vec<Named>,
    /// How it was done, a paragraph a line.
    pub(crate) methods: Vec<String>,
    /// What was found, in words for a paper, a paragraph a line.
    pub(crate) results: Vec<String>,
    /// Where a live page asks whether it is out of date.
    pub(crate) watch: Option<String>,
}

impl Output {
    pub(crate) fn new(command: &'static str, common: &Common) -> Self {
        let folder = match (&common.out, common.json) {
            (Some(folder), _) => Some(folder.clone()),
            (None, true) => None,
            (None, false) => Some(PathBuf::from("results")),
        };
        Self {
            command,
            folder,
            json: common.json,
            quiet: common.quiet,
            strict: common.strict,
            page_only: false,
            xlsx: common.xlsx,
            arguments: common.arguments.clone(),
            silent: common.silent,
            tables: Vec::new(),
            figures: Vec::new(),
            saved: Vec::new(),
            words: Vec::new(),
            warnings: Vec::new(),
            notes: Vec::new(),
            attention: false,
            inputs: Vec::new(),
            seed: 0,
            methods: BTreeMap::new(),
            counts: BTreeMap::new(),
            page: None,
        }
    }

    /// A command whose answer is its words alone, such as `check`.
    pub(crate) fn without_files(mut self) -> Self {
        self.folder = None;
        self
    }

    /// A command that writes the report page and no other results.
    pub(crate) fn page_only(mut self) -> Self {
        self.page_only = true;
        self
    }

    /// Drops everything but figures and warnings: what `draw` is asked for.
    pub(crate) fn keep_figures_only(&mut self) {
        self.tables.clear();
        self.words.clear();
        self.saved.clear();
        self.page = None;
    }

    /// Reads the study, with its files in the run record and its warnings told.
    pub(crate) fn read(&mut self, input: &Input) -> Result<Study> {
        let study = input.read()?;
        self.take(&study, &input.path)?;
        Ok(study)
    }

    /// Enters a study that was read from a folder or a table.
    pub(crate) fn take(&mut self, study: &Study, path: &Path) -> Result<()> {
        for file in study_files(path, study) {
            self.enter_file(&file)?;
        }
        self.warnings.extend(study.warnings.iter().cloned());
        self.notes.extend(study.notes.iter().cloned());
        self.counts.insert("birds".to_owned(), study.birds.len());
        self.counts
            .insert("strains".to_owned(), study.strains.len());
        for records in &study.traits {
            self.counts
                .insert(format!("records of {}", records.name), records.values.len());
        }
        Ok(())
    }

    /// Enters a file that was read, once.
    pub(crate) fn enter_file(&mut self, path: &Path) -> Result<()> {
        let file = InputFile::digest(path)?;
        if !self.inputs.contains(&file) {
            self.inputs.push(file);
        }
        Ok(())
    }

    /// Adds a table in the place of an earlier one of its name.
    pub(crate) fn replace(&mut self, table: Table) {
        self.tables.retain(|other| other.name() != table.name());
        self.tables.push(table);
    }

    /// Adds a table's rows to those of an earlier one of its name.
    pub(crate) fn append(&mut self, table: Table) {
        let earlier = self
            .tables
            .iter()
            .position(|other| other.name() == table.name());
        let earlier = earlier.map(|place| self.tables.remove(place));
        self.tables
            .extend(Table::joined(earlier.into_iter().chain([table])));
    }

    /// A file to be written beside the results, such as a saved equation: in
    /// `folder` where one is given, else under the results' folder, else nowhere.
    pub(crate) fn save(&mut self, folder: Option<&Path>, beside: &str, name: &str, bytes: Vec<u8>) {
        let path = match (folder, &self.folder) {
            (Some(folder), _) => folder.join(name),
            (None, Some(results)) => results.join(beside).join(name),
            (None, None) => return,
        };
        self.saved.push((path, bytes));
    }

    /// Whether figures would be kept: they are not part of the JSON document.
    pub(crate) fn keeps_files(&self) -> bool {
        self.folder.is_some()
    }

    /// A bar on standard error for work of `length` steps, hidden where nobody looks.
    pub(crate) fn progress(&self, length: usize, what: &'static str) -> ProgressBar {
        let bar = ProgressBar::new(length as u64);
        if self.quiet || !std::io::stderr().is_terminal() {
            bar.set_draw_target(ProgressDrawTarget::hidden());
        }
        if let Ok(style) = ProgressStyle::with_template("{msg} {bar:30} {pos}/{len} {eta}") {
            bar.set_style(style);
        }
        bar.set_message(what);
        bar
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
    pub(crate) fn finish(self) -> Result<u8> {
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
        let attention = self.attention || !self.warnings.is_empty();
        Ok(u8::from(self.strict && attention))
    }

    fn write_files(&self) -> Result<Vec<String>> {
        let inside = |path: &Path| {
            let folder = self.folder.as_ref()?;
            Some(path.strip_prefix(folder).ok()?.display().to_string())
        };
        // A place of its own, named by the call, is written first: the record names it.
        let mut elsewhere = Vec::new();
        for (path, bytes) in &self.saved {
            if inside(path).is_none() {
                error::write_file(path, bytes)?;
                elsewhere.push(path.display().to_string());
            }
        }
        let Some(folder) = &self.folder else {
            return Ok(elsewhere);
        };
        let mut staged = Staged::new(folder);
        for (path, bytes) in &self.saved {
            if let Some(name) = inside(path) {
                staged.write(&name, |out| out.write_all(bytes))?;
            }
        }
        let beside = if self.page_only { 0 } else { usize::MAX };
        for table in self.tables.iter().take(beside) {
            let name = format!("tables/{}.csv", table.name());
            staged.write(&name, |out| table.write_csv(out))?;
        }
        for (figure, bytes) in self.figures.iter().take(beside) {
            staged.write(&format!("figures/{figure}"), |out| out.write_all(bytes))?;
        }
        if let Some(html) = self.html()? {
            staged.write("report.html", |out| out.write_all(html.as_bytes()))?;
        }
        if self.xlsx {
            let book = workbook(&self.tables, &self.record(Vec::new()))?;
            staged.write("results.xlsx", |out| out.write_all(&book))?;
        }
        let record = self.record(staged.files().cloned().collect());
        staged.write("run.json", |out| {
            serde_json::to_writer_pretty(&mut *out, &record)?;
            out.write_all(b"\n")
        })?;
        let files = staged.move_into_place()?;
        elsewhere.extend(files.into_iter().map(|file| file.path));
        Ok(elsewhere)
    }

    /// The report page, where one is wanted.
    pub(crate) fn html(&self) -> Result<Option<String>> {
        let Some(parts) = &self.page else {
            return Ok(None);
        };
        let record = self.record(Vec::new());
        let page = Page {
            title: &parts.title,
            answers: page::answers(&self.words),
            strains: &parts.strains,
            figures: &parts.figures,
            small_figures: &parts.small_figures,
            tables: &self.tables,
            methods: &parts.methods,
            results: &parts.results,
            warnings: &self.warnings,
            record: &record,
            watch: parts.watch.as_deref(),
        };
        page.html().map(Some)
    }

    fn record(&self, outputs: Vec<OutputFile>) -> RunRecord {
        RunRecord {
            program: env!("CARGO_PKG_NAME").to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            command: self.command.to_owned(),
            arguments: self.arguments.clone(),
            seed: self.seed,
            methods: self.methods.clone(),
            inputs: self.inputs.clone(),
            counts: self.counts.clone(),
            warnings: self.warnings.clone(),
            outputs,
        }
    }

    fn print_json(&self, files: &[String]) -> std::io::Result<()> {
        let mut out = std::io::BufWriter::new(std::io::stdout().lock());
        serde_json::to_writer(
            &mut out,
            &Document {
                output: self,
                files,
            },
        )?;
        out.write_all(b"\n")?;
        out.flush()
    }

    fn print_words(&self) -> std::io::Result<()> {
        let mut out = std::io::BufWriter::new(std::io::stdout().lock());
        for line in &self.words {
            writeln!(out, "{line}")?;
        }
        out.flush()
    }

    /// Messages are a courtesy: where standard error is closed, they are dropped.
    fn print_messages(&self, files: &[String]) {
        let mut out = std::io::stderr().lock();
        for note in &self.notes {
            let _ = writeln!(out, "note: {note}");
        }
        for warning in &self.warnings {
            let _ = writeln!(out, "warning: {warning}");
        }
        if let Some(folder) = &self.folder {
            let tables = files
                .iter()
                .filter(|name| name.starts_with("tables/"))
                .count();
            let figures = files
                .iter()
                .filter(|name| name.starts_with("figures/"))
                .count();
            if self.page_only {
                let _ = writeln!(out, "written: {}", folder.join("report.html").display());
                return;
            }
            let for_paper = files
                .iter()
                .filter(|name| name.starts_with("paper/"))
                .count();
            let paper = match for_paper {
                0 => String::new(),
                files => format!("{files} files for a paper, "),
            };
            let book = if self.xlsx { "results.xlsx, " } else { "" };
            let page = if self.page.is_some() {
                "report.html, "
            } else {
                ""
            };
            let _ = writeln!(
                out,
                "written to {}: {tables} tables, {figures} figure files, {paper}{page}{book}run.json",
                folder.display()
            );
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

/// The one JSON document of a command.
struct Document<'a> {
    output: &'a Output,
    files: &'a [String],
}

impl Serialize for Document<'_> {
    fn serialize<S: serde::Serializer>(
        &self,
        serializer: S,
    ) -> std::result::Result<S::Ok, S::Error> {
        let output = self.output;
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("program", env!("CARGO_PKG_NAME"))?;
        map.serialize_entry("version", env!("CARGO_PKG_VERSION"))?;
        map.serialize_entry("command", output.command)?;
        map.serialize_entry("inputs", &output.inputs)?;
        map.serialize_entry("counts", &output.counts)?;
        map.serialize_entry("words", &output.words)?;
        map.serialize_entry("notes", &output.notes)?;
        map.serialize_entry("warnings", &output.warnings)?;
        map.serialize_entry("tables", &Tables(&output.tables))?;
        map.serialize_entry("files", self.files)?;
        map.end()
    }
}

struct Tables<'a>(&'a [Table]);

impl Serialize for Tables<'_> {
    fn serialize<S: serde::Serializer>(
        &self,
        serializer: S,
    ) -> std::result::Result<S::Ok, S::Error> {
        serializer.collect_map(self.0.iter().map(|table| (table.name(), table)))
    }
}
