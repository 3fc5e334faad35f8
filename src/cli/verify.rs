//! `run --verify`: does the same run still give the same results, byte for byte?

use std::path::{Path, PathBuf};

use clap::Parser;

use super::options::Common;
use super::output::Output;
use super::{Cli, dispatch, interrupted};
use crate::error::{Error, Result, read_file};
use crate::report::files::{RECORD, Root, Standing, others_in, recorded};
use crate::report::{InputFile, OutputFile, RunRecord};

/// Runs again the call of a record, into a private folder that is removed afterwards, and
/// reports separately how the inputs are now, how the files are that the run has left, and
/// whether running again gives the same.
pub(crate) fn run(path: &Path, common: &Common) -> Result<u8> {
    let then = read(path)?;
    let named: Vec<String> = then.inputs.iter().map(|input| input.path.clone()).collect();
    interrupted::recover(&named, common.quiet)?;
    let mut output = Output::new("run", common).without_files();
    let results = if path.is_dir() {
        path
    } else {
        match path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        }
    };
    let inputs = inputs(&then, path)?;
    let files = files(&then, results);
    // Its name is random and it is made for us alone; everything that the call would write
    // comes to lie inside it.
    let private = tempfile::Builder::new()
        .prefix("pinfeather-verify-")
        .tempdir()
        .map_err(|source| Error::unwritable(&std::env::temp_dir(), source))?;
    let (now, again) = run_again(&then, (path, results), private.path())?;
    let repeated = repeated(&then, &now, results, &again);
    output.attention = [&inputs, &files, &repeated]
        .iter()
        .any(|found| !found.changes.is_empty());
    let what = if output.attention {
        "changed"
    } else {
        "nothing has changed"
    };
    output
        .findings
        .words
        .push(format!("{what} since {}:", recorded(path)));
    for found in [inputs, files, repeated] {
        output.findings.words.push(format!("  {}", found.summary));
        let changes = found.changes.into_iter();
        output
            .findings
            .words
            .extend(changes.map(|change| format!("    {change}")));
    }
    output.finish()
}

/// What one comparison found: a sentence, and what is not as it was.
struct Found {
    summary: String,
    changes: Vec<String>,
}

fn read(path: &Path) -> Result<RunRecord> {
    let file = if path.is_dir() {
        path.join(RECORD)
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

/// How the files are that were read.
fn inputs(then: &RunRecord, path: &Path) -> Result<Found> {
    let mut changes = Vec::new();
    let mut gone = Vec::new();
    for input in &then.inputs {
        match InputFile::digest(Path::new(&input.path)) {
            Ok(now) if (now.bytes, &now.sha256) == (input.bytes, &input.sha256) => {}
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
    if !gone.is_empty() {
        return Err(Error::faults(gone));
    }
    Ok(Found {
        summary: format!(
            "inputs: {} of {} are unchanged",
            then.inputs.len() - changes.len(),
            then.inputs.len()
        ),
        changes,
    })
}

/// How the files are that the run has left.
fn files(then: &RunRecord, results: &Path) -> Found {
    let here = Path::new("");
    let of_run = then.outputs.iter().map(|file| (results, file));
    let all = of_run.chain(then.saved.iter().map(|file| (here, file)));
    let mut changes = Vec::new();
    let mut unchanged = 0;
    for (folder, file) in all {
        match file.standing(folder) {
            Standing::Unchanged => unchanged += 1,
            Standing::Changed => changes.push(format!(
                "{}: changed since the run has written it",
                file.path
            )),
            Standing::Missing => changes.push(format!("{}: missing", file.path)),
        }
    }
    let written = then.outputs.iter().map(|file| file.path.as_str());
    let others = others_in(results, written);
    changes.extend(
        others
            .into_iter()
            .map(|name| format!("{name}: extra, the run has not written it")),
    );
    Found {
        summary: format!(
            "files that the run has written: {unchanged} of {} are unchanged",
            then.outputs.len() + then.saved.len()
        ),
        changes,
    }
}

/// Runs the record's call with everything written inside `private`; gives the new record and
/// the folder of the results.
fn run_again(
    then: &RunRecord,
    (path, results): (&Path, &Path),
    private: &Path,
) -> Result<(RunRecord, PathBuf)> {
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
    if !cli.command.has_results() {
        return Err(Error::input(format!(
            "{}: found a record of {}, expected one of a command with results; check the path",
            path.display(),
            then.command
        )));
    }
    cli.common.root = Root::Inside(private.to_owned());
    cli.common.out = Some(results.to_owned());
    cli.common.arguments.clone_from(&then.arguments);
    (cli.common.json, cli.common.quiet) = (false, true);
    (cli.common.strict, cli.common.silent) = (false, true);
    dispatch(&cli)?;
    let results = private.join("results");
    Ok((read(&results)?, results))
}

/// Whether running again gives the same: files, counts, warnings, version.
fn repeated(then: &RunRecord, now: &RunRecord, results: &Path, again: &Path) -> Found {
    let of = |run: &RunRecord| -> Vec<OutputFile> {
        run.outputs.iter().chain(&run.saved).cloned().collect()
    };
    let (before, after) = (of(then), of(now));
    let mut changes = Vec::new();
    let mut reproduced = 0;
    for old in &before {
        match after.iter().find(|new| new.path == old.path) {
            None => changes.push(format!("{}: written then, not now", old.path)),
            Some(new) if new == old => reproduced += 1,
            Some(_) => changes.push(format!(
                "{}: {}",
                old.path,
                difference(old, results, again).unwrap_or_else(|| "other bytes".to_owned())
            )),
        }
    }
    let known = |new: &&OutputFile| before.iter().any(|old| old.path == new.path);
    let new = after.iter().filter(|new| !known(new));
    changes.extend(new.map(|new| format!("{}: written now, not then", new.path)));
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
    Found {
        summary: format!(
            "run again: {reproduced} of {} files are reproduced byte for byte",
            before.len()
        ),
        changes,
    }
}

/// How a table differs from the one that lies beside the record, if that is still
/// the one recorded.
fn difference(old: &OutputFile, results: &Path, again: &Path) -> Option<String> {
    if !old.path.ends_with(".csv") {
        return None;
    }
    if old.standing(results) != Standing::Unchanged {
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
