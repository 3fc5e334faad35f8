//! Before a command reads or writes anything: what a run that was killed has left in the
//! folders that the call names is completed or undone.

use std::io::Write;
use std::path::{Path, PathBuf};

use crate::error::Result;
use crate::report::files::{Recovered, recover_near};
use crate::study::{Files, Settings, TableName, file_and_sheet};

/// Looks at every path that a call may mean, whichever option it stands after, at the tables
/// that a study names, and at the usual results folder.
pub(crate) fn recover(call: &[String], quiet: bool) -> Result<()> {
    let mut paths = vec![PathBuf::from("results")];
    for word in call {
        let value = match word.split_once('=') {
            Some((option, value)) if option.starts_with('-') => value,
            _ => word.strip_prefix("-o").unwrap_or(word),
        };
        paths.extend(
            value
                .split(',')
                .chain([value])
                .map(|path| file_and_sheet(Path::new(path)).0),
        );
    }
    let named: Vec<PathBuf> = paths.iter().flat_map(|path| files_named_by(path)).collect();
    paths.extend(named);
    paths.sort();
    paths.dedup();
    for path in paths {
        for (folder, recovered) in recover_near(&path)? {
            let what = match recovered {
                Recovered::Completed => "its new files are in place now",
                Recovered::Undone => "its earlier files are in place again",
            };
            if !quiet {
                // A courtesy, as all notes are.
                let _ = writeln!(
                    std::io::stderr().lock(),
                    "note: {}: a run was interrupted while its files went into place; {what}",
                    folder.display()
                );
            }
        }
    }
    Ok(())
}

/// The tables that a study folder names; none where it is no such folder, or not to be read.
pub(crate) fn files_named_by(folder: &Path) -> Vec<PathBuf> {
    if !folder.join("study.toml").is_file() {
        return Vec::new();
    }
    let Ok(settings) = Settings::read(folder) else {
        return Vec::new();
    };
    let tables = TableName::ALL
        .iter()
        .flat_map(|table| settings.tables.of(*table).iter().flat_map(Files::paths));
    tables
        .map(|table| file_and_sheet(&folder.join(table)).0)
        .collect()
}
