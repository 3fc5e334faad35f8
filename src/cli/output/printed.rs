//! What a command prints: one JSON document, or words, and messages on standard error.

use std::io::Write;
use std::path::Path;

use anstyle::{AnsiColor, Effects, Style};
use serde::Serialize;
use serde::ser::SerializeMap;

use super::{Only, Output};
use crate::report::Table;
use crate::report::files::{EARLIER, Exchanged, RECORD};
use crate::report::summary::{Line, Role};

/// Warnings about the results that are printed below a summary; of more it gives the number.
const FEW_WARNINGS: usize = 3;
/// Changes since the run before that are printed.
const MOST_CHANGES: usize = 8;

impl Output {
    /// What happened to files that stood in the results' folder.
    pub(super) fn note_exchange(&mut self, exchanged: &Exchanged) {
        let results = self.files.results().unwrap_or(Path::new(""));
        let results = results.display();
        let Exchanged {
            kept,
            removed,
            others,
        } = exchanged;
        if !kept.is_empty() {
            self.notes.push(format!(
                "{results}: kept what stood in the way of a result and was edited, or not written by \
                 this program: {}",
                some_of(kept)
            ));
        }
        if *removed > 0 {
            self.notes.push(format!(
                "{results}: removed what the run before has written and this run does not: {}",
                files_in_words(*removed)
            ));
        }
        // What --keep has filed is no surprise.
        let filed = format!("{EARLIER}/");
        let others: Vec<String> = others
            .iter()
            .filter(|name| !name.starts_with(&filed))
            .cloned()
            .collect();
        if !others.is_empty() {
            self.notes.push(format!(
                "{results}: left alone what this run has not written: {} ({})",
                files_in_words(others.len()),
                some_of(&others)
            ));
        }
    }

    pub(super) fn print_json(&self, files: &[String]) -> std::io::Result<()> {
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

    /// In colour on a terminal alone: the stream takes the styles out elsewhere, and where
    /// NO_COLOR or TERM=dumb ask for it.
    pub(super) fn print_words(&self) -> std::io::Result<()> {
        let mut out = anstream::stdout().lock();
        for line in &self.summary {
            for (role, text) in line.pieces() {
                let style = style(*role);
                write!(out, "{style}{text}{style:#}")?;
            }
            writeln!(out)?;
        }
        for line in self.since_lines() {
            writeln!(out, "{line}")?;
        }
        let all = self.summary.is_empty() || self.details;
        for line in self.findings.words.iter().filter(|_| all) {
            writeln!(out, "{line}")?;
        }
        out.flush()
    }

    /// What has changed since the run before, in a few lines.
    fn since_lines(&self) -> Vec<String> {
        let Some(since) = &self.since else {
            return Vec::new();
        };
        let mut lines = vec![match since.changes.len() {
            0 => format!(
                "SINCE THE RESULTS OF {}: no verdict, alarm or forecast changed",
                since.date
            ),
            _ => format!("SINCE THE RESULTS OF {}", since.date),
        }];
        let shown = since.changes.iter().take(MOST_CHANGES);
        lines.extend(shown.map(|change| format!("  {change}")));
        if since.changes.len() > MOST_CHANGES {
            lines.push(format!(
                "  and {} changes more (--json lists all)",
                since.changes.len() - MOST_CHANGES
            ));
        }
        lines
    }

    /// Messages are a courtesy: where standard error is closed, they are dropped.
    pub(super) fn print_messages(&self, files: &[String]) {
        let mut out = anstream::stderr().lock();
        let style = style(Role::Uncertain);
        for note in &self.notes {
            let _ = writeln!(out, "note: {note}");
        }
        let warnings = &self.findings.warnings;
        let results = warnings.len().saturating_sub(self.of_data);
        // The summary of a whole study counts those about the results where they are many.
        let counted = self.page.is_some() && !self.summary.is_empty();
        let all = !counted || self.details || results <= FEW_WARNINGS;
        let printed = if all { warnings.len() } else { self.of_data };
        for warning in warnings.iter().take(printed) {
            let _ = writeln!(out, "{style}warning{style:#}: {warning}");
        }
        let Some(folder) = self.files.results() else {
            return;
        };
        if self.only == Some(Only::Page) {
            let _ = writeln!(out, "written: {}", folder.join("report.html").display());
            return;
        }
        let count = |start: &str| files.iter().filter(|name| name.starts_with(start)).count();
        let paper = match count("paper/") {
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
            "written to {}: {} tables, {} figure files, {paper}{page}{book}{RECORD}",
            folder.display(),
            count("tables/"),
            count("figures/")
        );
    }
}

/// How a piece of a line looks; what it means is in its words.
fn style(role: Role) -> Style {
    let colour = |colour: AnsiColor| colour.on_default().effects(Effects::BOLD);
    match role {
        Role::Text => Style::new(),
        Role::Heading => Style::new().effects(Effects::BOLD),
        Role::Good => colour(AnsiColor::Green),
        Role::Uncertain => colour(AnsiColor::Yellow),
        Role::Bad => colour(AnsiColor::Red),
    }
}

/// "1 file", "5 files".
fn files_in_words(count: usize) -> String {
    if count == 1 {
        "1 file".to_owned()
    } else {
        format!("{count} files")
    }
}

/// The first few names.
fn some_of(names: &[String]) -> String {
    const SHOWN: usize = 3;
    let shown = names[..names.len().min(SHOWN)].join(", ");
    if names.len() > SHOWN {
        format!("{shown} and {} more", names.len() - SHOWN)
    } else {
        shown
    }
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
        map.serialize_entry("counts", &output.findings.counts)?;
        let summary: Vec<String> = output.summary.iter().map(Line::to_string).collect();
        map.serialize_entry("summary", &summary)?;
        if let Some(since) = &output.since {
            map.serialize_entry("since", &since.changes)?;
        }
        map.serialize_entry("words", &output.findings.words)?;
        map.serialize_entry("notes", &output.notes)?;
        map.serialize_entry("warnings", &output.findings.warnings)?;
        map.serialize_entry("tables", &Tables(&output.findings.tables))?;
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
