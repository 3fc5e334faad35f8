//! `run --verify`: does the same run still give the same results, byte for byte?

use std::path::{Path, PathBuf};

use clap::Parser;

use super::options::Common;
use super::output::Output;
use super::{Cli, Command, dispatch};
use crate::error::{Error, Result, read_file};
use crate::report::{InputFile, OutputFile, RunRecord};

/// Runs again what a record says, into a folder of its own that is removed
/// afterwards, and tells what has changed.
pub(crate) fn run(path: &Path, common: &Common) -> Result<u8> {
    let then = read(path)?;
    let mut output = Output::new("run", common).without_files();
    let mut changes = changed_inputs(&then, path)?;
    let again = Folder::new();
    let now = run_again(&then, path, &again.0)?;
    let results = path.parent().unwrap_or(Path::new(""));
    changes.extend(changed_outputs(&then, &now, results, &again.0));
    for (what, same) in [
        ("the counts", then.counts == now.counts),
        ("the warnings", then.warnings == now.warnings),
    ] {
        if !same {
            changes.push(format!("{what} of the run have changed"));
        }
    }
    if then.version != now.version {
        changes.push(format!(
            "the program is version {}, the record of version {}",
            now.version, then.version
        ));
    }
    output.attention = !changes.is_empty();
    output.words = if changes.is_empty() {
        vec![format!(
            "nothing has changed: {} input files and {} result files are the same, byte for byte",
            then.inputs.len(),
            then.outputs.len()
        )]
    } else {
        let mut words = vec![format!("changed since {}:", path.display())];
        words.extend(changes.into_iter().map(|change| format!("  {change}")));
        words
    };
    output.finish()
}

fn read(path: &Path) -> Result<RunRecord> {
    let file = if path.is_dir() {
        path.join("run.json")
    } else {
        path.to_owned()
    };
    serde_json::from_slice(&read_file(&file)?).map_err(|error| {
        Error::input(format!(
            "{}: found no run record of this program ({error}), expected the run.json of a results \
             folder; check the path",
            file.display()
        ))
    })
}

/// Inputs whose bytes are others now.
fn changed_inputs(then: &RunRecord, path: &Path) -> Result<Vec<String>> {
    let mut changes = Vec::new();
    let mut gone = Vec::new();
    for input in &then.inputs {
        match InputFile::digest(Path::new(&input.path)) {
            Ok(now) if now == *input => {}
            Ok(now) => changes.push(format!(
                "input {}: {} bytes, before {}, with other contents",
                input.path, now.bytes, input.bytes
            )),
            Err(_) => gone.push(format!(
                "{}: found no file {}, expected the input that {} names; run from the folder in \
                 which it was run then",
                input.path,
                input.path,
                path.display()
            )),
        }
    }
    if gone.is_empty() {
        Ok(changes)
    } else {
        Err(Error::faults(gone))
    }
}

/// Runs the record's call into `folder`, and reads the new record.
fn run_again(then: &RunRecord, path: &Path, folder: &Path) -> Result<RunRecord> {
    let program = std::iter::once(then.program.as_str());
    let call = program.chain(then.arguments.iter().map(String::as_str));
    let mut cli = Cli::try_parse_from(call).map_err(|error| {
        let first = error
            .to_string()
            .lines()
            .next()
            .unwrap_or_default()
            .to_owned();
        Error::input(format!(
            "{}: found the call {} of version {}, which this version {} does not read ({first}); \
             run it with that version",
            path.display(),
            then.arguments.join(" "),
            then.version,
            env!("CARGO_PKG_VERSION")
        ))
    })?;
    if matches!(
        cli.command,
        Command::Completions(_) | Command::Man(_) | Command::New(_)
    ) {
        return Err(Error::input(format!(
            "{}: found a record of {}, expected one of a command with results; check the path",
            path.display(),
            then.command
        )));
    }
    cli.common.out = Some(folder.to_owned());
    cli.common.arguments.clone_from(&then.arguments);
    (cli.common.json, cli.common.quiet) = (false, true);
    (cli.common.strict, cli.common.silent) = (false, true);
    dispatch(&cli)?;
    read(folder)
}

/// Results that are other, gone, or new; where the old table still lies beside
/// the record, how many of its rows.
fn changed_outputs(then: &RunRecord, now: &RunRecord, results: &Path, again: &Path) -> Vec<String> {
    let mut changes = Vec::new();
    for old in &then.outputs {
        match now.outputs.iter().find(|new| new.path == old.path) {
            None => changes.push(format!("{}: written then, not now", old.path)),
            Some(new) if new == old => {}
            Some(_) => changes.push(format!(
                "{}: {}",
                old.path,
                difference(old, results, again).unwrap_or_else(|| "other bytes".to_owned())
            )),
        }
    }
    let known = |new: &&OutputFile| then.outputs.iter().any(|old| old.path == new.path);
    let new = now.outputs.iter().filter(|new| !known(new));
    changes.extend(new.map(|new| format!("{}: written now, not then", new.path)));
    changes
}

/// How a table differs from the one that lies beside the record, if that is still
/// the one recorded.
fn difference(old: &OutputFile, results: &Path, again: &Path) -> Option<String> {
    if !old.path.ends_with(".csv") {
        return None;
    }
    let kept = InputFile::digest(&results.join(&old.path)).ok()?;
    if kept.sha256 != old.sha256 {
        return None;
    }
    let text = |folder: &Path| {
        let bytes = read_file(&folder.join(&old.path)).ok()?;
        String::from_utf8(bytes).ok()
    };
    let (before, after) = (text(results)?, text(again)?);
    let (before, after): (Vec<&str>, Vec<&str>) =
        (before.lines().collect(), after.lines().collect());
    let pairs = || before.iter().zip(&after).enumerate();
    let differ = pairs().filter(|(_, (one, other))| one != other).count()
        + before.len().abs_diff(after.len());
    let first = pairs().find(|(_, (one, other))| one != other);
    let first = match first {
        Some((row, (one, other))) => {
            format!("; first row {}: \"{one}\" then, \"{other}\" now", row + 1)
        }
        None => String::new(),
    };
    let rows = |lines: &[&str]| lines.len().saturating_sub(1);
    Some(format!(
        "{differ} of {} rows differ ({} then){first}",
        rows(&after),
        rows(&before)
    ))
}

/// A folder that goes when it is no longer needed.
struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        let name = format!("pinfeather-verify-{}", std::process::id());
        Self(std::env::temp_dir().join(name))
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        // What cannot be removed from the temporary folder does no harm there.
        let _ = std::fs::remove_dir_all(&self.0);
    }
}
