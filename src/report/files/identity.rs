//! Which files are the same file, whatever they are called.

use std::path::{Path, PathBuf};

use same_file::Handle;

use crate::error::{Error, Result};

/// The files that a run has read.
#[derive(Debug, Default)]
pub struct Inputs(Vec<(PathBuf, Handle)>);

impl Inputs {
    /// Of files by their paths; what is no file (a pipe) cannot be written over.
    #[must_use]
    pub fn of(paths: &[PathBuf]) -> Self {
        let files = paths.iter().filter(|path| path.is_file());
        let known = files.filter_map(|path| Some((path.clone(), Handle::from_path(path).ok()?)));
        Self(known.collect())
    }

    /// The input that a file is, by another name, a link or a hard link too.
    fn find(&self, file: &Path) -> Option<&Path> {
        if self.0.is_empty() || !file.is_file() {
            return None;
        }
        let handle = Handle::from_path(file).ok()?;
        let found = self.0.iter().find(|(_, input)| *input == handle)?;
        Some(&found.0)
    }

    /// Whether a file is one of them.
    pub(super) fn has(&self, file: &Path) -> bool {
        self.find(file).is_some()
    }

    /// An error where a place, called `shown`, is one of them.
    pub(super) fn refuse(&self, place: &Path, shown: &Path) -> Result<()> {
        match self.find(place) {
            Some(input) => Err(in_the_way(input, shown)),
            None => Ok(()),
        }
    }
}

/// An output may never be an input.
pub(super) fn in_the_way(input: &Path, place: &Path) -> Error {
    Error::call(format!(
        "{}: found a file that this run reads where its results go ({}), expected results apart \
         from what is read; nothing was written; choose another folder with --out (or --save, \
         --save-population)",
        input.display(),
        place.display()
    ))
}

/// A path without links, as far as it is there.
pub(super) fn settled(path: &Path) -> PathBuf {
    let whole = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    for there in whole.ancestors() {
        if let (Ok(real), Ok(rest)) = (there.canonicalize(), whole.strip_prefix(there)) {
            let mut settled = real;
            for part in rest.components() {
                match part {
                    std::path::Component::ParentDir => {
                        settled.pop();
                    }
                    part => settled.push(part),
                }
            }
            return settled;
        }
    }
    whole
}
