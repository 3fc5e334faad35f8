//! Where results go: files, standard output, standard error.
//!
//! Everything is gathered first and written last, so that a wrong input or a
//! failed step leaves no half of a result behind.

use std::collections::BTreeMap;
use std::io::{IsTerminal, Write};
use std::path::PathBuf;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde::Serialize;
use serde::ser::SerializeMap;

use super::options::{Common, Input};
use crate::error::{self, Error, Result};
use crate::report::{InputFile, RunRecord, Table};
use crate::study::Study;

/// Everything that a command has to say.
#[derive(Debug)]
pub(crate) struct Output {
    command: &'static str,
    folder: Option<PathBuf>,
    json: bool,
    quiet: bool,
    strict: bool,
    /// Result tables, in the order in which they are told.
    pub(crate) tables: Vec<Table>,
    /// Figures: file name and bytes.
    pub(crate) figures: Vec<(String, Vec<u8>)>,
    /// The answer in words, for standard output.
    pub(crate) words: Vec<String>,
    /// What needs attention.
    pub(crate) warnings: Vec<String>,
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
            tables: Vec::new(),
            figures: Vec::new(),
            words: Vec::new(),
            warnings: Vec::new(),
            attention: false,
            inputs: Vec::new(),
            seed: 0,
            methods: BTreeMap::new(),
            counts: BTreeMap::new(),
        }
    }

    /// A command whose answer is its words alone, such as `check`.
    pub(crate) fn without_files(mut self) -> Self {
        self.folder = None;
        self
    }

    /// Reads the study, with its files in the run record and its warnings told.
    pub(crate) fn read(&mut self, input: &Input) -> Result<Study> {
        let study = input.read()?;
        for file in input.files(&study) {
            self.inputs.push(InputFile::digest(&file)?);
        }
        self.warnings.extend(study.warnings.iter().cloned());
        self.counts.insert("birds".to_owned(), study.birds.len());
        self.counts
            .insert("strains".to_owned(), study.strains.len());
        for records in &study.traits {
            self.counts
                .insert(format!("records of {}", records.name), records.values.len());
        }
        Ok(study)
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

    /// Writes the files, prints the answer, and gives the exit status.
    ///
    /// # Errors
    /// Where a file or standard output cannot be written.
    pub(crate) fn finish(self) -> Result<u8> {
        let files = self.write_files()?;
        let printed = if self.json {
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
        let Some(folder) = &self.folder else {
            return Ok(Vec::new());
        };
        let mut names = Vec::new();
        for table in &self.tables {
            let name = format!("tables/{}.csv", table.name());
            error::write_file_with(&folder.join(&name), |file| table.write_csv(file))?;
            names.push(name);
        }
        for (figure, bytes) in &self.figures {
            let name = format!("figures/{figure}");
            error::write_file(&folder.join(&name), bytes)?;
            names.push(name);
        }
        let record = self.record(names.clone());
        let mut text = serde_json::to_vec_pretty(&record)
            .map_err(|source| Error::unwritable(&folder.join("run.json"), source.into()))?;
        text.push(b'\n');
        error::write_file(&folder.join("run.json"), &text)?;
        names.push("run.json".to_owned());
        Ok(names)
    }

    fn record(&self, outputs: Vec<String>) -> RunRecord {
        RunRecord {
            program: env!("CARGO_PKG_NAME").to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            command: self.command.to_owned(),
            arguments: arguments_without_output(),
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
            let _ = writeln!(
                out,
                "written to {}: {tables} tables, {figures} figure files, run.json",
                folder.display()
            );
        }
    }
}

/// The command line as given, less the program and the output folder, which does
/// not change a result.
fn arguments_without_output() -> Vec<String> {
    let mut kept = Vec::new();
    let mut given = std::env::args_os()
        .skip(1)
        .map(|argument| argument.to_string_lossy().into_owned());
    while let Some(argument) = given.next() {
        if argument == "--out" || argument == "-o" {
            given.next();
        } else if !argument.starts_with("--out=") {
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
