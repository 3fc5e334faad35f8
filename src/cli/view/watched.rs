//! Which files the page is made from, and whether they have changed and come to rest.

use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// A file, when it was last written and how long it is; nothing where it is not there.
type FileState = (PathBuf, Option<(SystemTime, u64)>);

/// The files of a page, as they were before it was made.
///
/// The states are taken before the files are read: a file that is saved while the page is
/// being made counts as changed afterwards.
#[derive(Debug)]
pub(super) struct Watched {
    made_from: Vec<FileState>,
    /// Another state at the last look, which may be that of a file half saved.
    unsettled: Vec<FileState>,
}

impl Watched {
    /// Takes the state of files, and of the files in folders.
    pub(super) fn begin(paths: &[PathBuf]) -> Self {
        let made_from = states(paths);
        Self {
            unsettled: made_from.clone(),
            made_from,
        }
    }

    /// Whether the files are others than the page was made from, and the same at two looks
    /// running; the page is then to be made again.
    pub(super) fn settled_change(&mut self, paths: &[PathBuf]) -> bool {
        let now = states(paths);
        if now == self.made_from {
            self.unsettled = now;
            return false;
        }
        let settled = now == self.unsettled;
        if settled {
            self.made_from.clone_from(&now);
        }
        self.unsettled = now;
        settled
    }
}

fn states(paths: &[PathBuf]) -> Vec<FileState> {
    let mut files = Vec::new();
    for path in paths {
        match std::fs::read_dir(path) {
            Ok(entries) => files.extend(entries.flatten().map(|entry| entry.path())),
            Err(_) => files.push(path.clone()),
        }
    }
    files.sort();
    files.dedup();
    let state = |file: &Path| {
        let facts = std::fs::metadata(file).ok()?;
        Some((facts.modified().ok()?, facts.len()))
    };
    files
        .into_iter()
        .map(|file| {
            let state = state(&file);
            (file, state)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_change_counts_once_it_has_come_to_rest() {
        let folder = tempfile::tempdir().unwrap();
        let inner = folder.path().join("cards");
        std::fs::create_dir(&inner).unwrap();
        let file = folder.path().join("weights.csv");
        std::fs::write(&file, "bird,age_d").unwrap();
        let paths = [file.clone(), inner.clone(), folder.path().join("absent")];
        let mut watched = Watched::begin(&paths);
        assert!(!watched.settled_change(&paths));
        for (n, changed) in [&file, &inner.join("new.toml")].into_iter().enumerate() {
            std::fs::write(changed, format!("half {n}")).unwrap();
            assert!(!watched.settled_change(&paths), "still being saved");
            std::fs::write(changed, format!("the whole of {n}")).unwrap();
            assert!(!watched.settled_change(&paths), "still being saved");
            assert!(watched.settled_change(&paths));
            assert!(!watched.settled_change(&paths), "once");
        }
        std::fs::remove_file(&file).unwrap();
        assert!(!watched.settled_change(&paths));
        std::fs::write(&file, "back again").unwrap();
        assert!(!watched.settled_change(&paths));
        assert!(watched.settled_change(&paths));
    }
}
