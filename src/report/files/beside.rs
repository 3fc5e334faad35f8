//! What lies in a results folder: which files are as the record of its run has them.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::time::SystemTime;

use super::journal::is_inside;
use super::record::{OutputFile, RECORD, RunRecord, Tallied};
use crate::study::read_sealed;

/// The folders of a results folder.
pub(super) const FOLDERS: [&str; 5] = [
    "tables",
    "figures",
    "paper",
    "models/corrections",
    "models/populations",
];
/// The files of a results folder that lie in none of them.
pub(super) const FILES: [&str; 4] = ["report.html", "details.txt", "results.xlsx", RECORD];

/// How a file that a record names stands now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// As it was written.
    Unchanged,
    /// With other bytes.
    Changed,
    /// Not there.
    Missing,
}

impl OutputFile {
    /// How the file stands, in the folder that its path starts from.
    #[must_use]
    pub fn standing(&self, folder: &Path) -> Standing {
        match Tallied::of(&folder.join(&self.path)) {
            Ok(now) if now == (self.bytes, self.sha256.clone()) => Standing::Unchanged,
            Ok(_) => Standing::Changed,
            Err(_) => Standing::Missing,
        }
    }
}

/// Files among the results that `written` does not list: their names, sorted.
#[must_use]
pub fn others_in<'a>(folder: &Path, written: impl Iterator<Item = &'a str>) -> Vec<String> {
    let written: BTreeSet<&str> = written.collect();
    let mut found: Vec<String> = FILES
        .iter()
        .filter(|name| folder.join(name).is_file())
        .map(|name| (*name).to_owned())
        .collect();
    for inner in FOLDERS {
        let entries = fs::read_dir(folder.join(inner)).into_iter().flatten();
        found.extend(
            entries
                .flatten()
                .map(|entry| format!("{inner}/{}", entry.file_name().to_string_lossy())),
        );
    }
    found.retain(|name| name != RECORD && !written.contains(name.as_str()));
    found.sort();
    found
}

/// Whether a name is one that a run gives to a result; a record that names another is not
/// believed.
fn is_result(name: &str) -> bool {
    let inside = |folder: &&str| Path::new(name).starts_with(folder);
    FILES.contains(&name) || FOLDERS.iter().any(inside)
}

/// Whether a file is a model that was saved and not edited since.
fn is_saved_model(path: &Path) -> bool {
    read_sealed(path, "model").is_ok()
}

/// The run whose results lie in a folder.
#[derive(Debug, Default)]
pub(super) struct Previous {
    /// None where there is no record.
    pub(super) record: Option<RunRecord>,
    recorded: Option<SystemTime>,
}

impl Previous {
    pub(super) fn read(folder: &Path) -> Self {
        let path = folder.join(RECORD);
        let Ok(bytes) = fs::read(&path) else {
            return Self::default();
        };
        let modified = fs::metadata(&path).and_then(|facts| facts.modified());
        Self {
            record: serde_json::from_slice(&bytes).ok(),
            recorded: modified.ok(),
        }
    }

    /// The files that the record names, places outside the folder left out.
    pub(super) fn files(&self) -> impl Iterator<Item = &OutputFile> {
        let files = self.record.iter().flat_map(|record| &record.outputs);
        files.filter(|file| is_inside(&file.path))
    }

    /// Whether the file at a place is the program's own: written by the run of the record
    /// and not edited since, or a saved model whose seal is whole.
    pub(super) fn owns(&self, folder: &Path, name: &str) -> bool {
        let place = folder.join(name);
        if name == RECORD {
            return self.record.is_some();
        }
        if self
            .files()
            .any(|file| file.path == name && self.is_unedited(folder, file))
        {
            return true;
        }
        name.ends_with(".toml") && is_saved_model(&place)
    }

    /// Whether a file of the record may be removed: it has the name of a result, or is a
    /// saved model.
    pub(super) fn may_remove(folder: &Path, name: &str) -> bool {
        is_result(name) || (name.ends_with(".toml") && is_saved_model(&folder.join(name)))
    }

    /// Whether a file is as the record has it. Large tables are not read again for this:
    /// one of the same length that was last written before the record was is taken to be.
    pub(super) fn is_unedited(&self, folder: &Path, file: &OutputFile) -> bool {
        let facts = fs::symlink_metadata(folder.join(&file.path));
        let Ok(facts) = facts else { return false };
        if !facts.is_file() || facts.len() != file.bytes {
            return false;
        }
        let before = facts.modified().ok().zip(self.recorded);
        if is_result(&file.path) && before.is_some_and(|(modified, recorded)| modified < recorded) {
            return true;
        }
        file.standing(folder) == Standing::Unchanged
    }
}
