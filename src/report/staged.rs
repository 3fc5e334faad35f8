//! Results that go into place together: all are written beside their places
//! first, and moved only when every one is whole.
//!
//! Where a file cannot be written (a full disk, a folder that may not be written
//! to), nothing has been moved and the earlier results are as they were. Where a
//! move fails, those already made are taken back.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::error::{Error, Result};

/// A file that was written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OutputFile {
    /// Path relative to the output folder.
    pub path: String,
    /// Length in bytes.
    pub bytes: u64,
    /// SHA-256 of its bytes, hexadecimal.
    pub sha256: String,
}

/// Files that wait beside their places.
#[derive(Debug)]
pub struct Staged {
    folder: PathBuf,
    /// Folders that were not there before.
    made: Vec<PathBuf>,
    waiting: Vec<Waiting>,
}

#[derive(Debug)]
struct Waiting {
    place: PathBuf,
    temporary: PathBuf,
    file: OutputFile,
}

impl Staged {
    /// Nothing yet, for a folder that need not be there.
    #[must_use]
    pub fn new(folder: &Path) -> Self {
        Self {
            folder: folder.to_owned(),
            made: Vec::new(),
            waiting: Vec::new(),
        }
    }

    /// The files so far.
    pub fn files(&self) -> impl Iterator<Item = &OutputFile> {
        self.waiting.iter().map(|waiting| &waiting.file)
    }

    /// Writes a file beside its place `name`, a path inside the folder.
    ///
    /// # Errors
    /// [`ErrorKind::Output`](crate::ErrorKind::Output) with the path.
    pub fn write(
        &mut self,
        name: &str,
        write: impl FnOnce(&mut Tallied) -> io::Result<()>,
    ) -> Result<()> {
        let place = self.folder.join(name);
        let unwritable = |source| Error::unwritable(&place, source);
        if let Some(folder) = place.parent() {
            self.make(folder).map_err(unwritable)?;
        }
        if place.is_dir() {
            return Err(unwritable(io::Error::other("a folder has its name")));
        }
        let temporary = beside(&place, "tmp");
        // From here on the temporary file is ours to remove, whatever happens.
        self.waiting.push(Waiting {
            place: place.clone(),
            temporary: temporary.clone(),
            file: OutputFile {
                path: name.to_owned(),
                bytes: 0,
                sha256: String::new(),
            },
        });
        let mut out = Tallied {
            file: File::create(&temporary).map_err(unwritable)?,
            digest: Sha256::new(),
            bytes: 0,
        };
        write(&mut out)
            .and_then(|()| out.flush())
            .map_err(unwritable)?;
        if let Some(waiting) = self.waiting.last_mut() {
            waiting.file.bytes = out.bytes;
            waiting.file.sha256 = hexadecimal(&out.digest.finalize());
        }
        Ok(())
    }

    /// Moves every file into its place.
    ///
    /// # Errors
    /// [`ErrorKind::Output`](crate::ErrorKind::Output) with the path of the first that
    /// cannot be moved; the files that stood there before then stand there again.
    pub fn move_into_place(mut self) -> Result<Vec<OutputFile>> {
        let mut moved: Vec<(PathBuf, Option<PathBuf>)> = Vec::new();
        let mut failed = None;
        for Waiting {
            place, temporary, ..
        } in &self.waiting
        {
            match swap(place, temporary) {
                Ok(old) => moved.push((place.clone(), old)),
                Err(source) => {
                    failed = Some(Error::unwritable(place, source));
                    break;
                }
            }
        }
        if let Some(error) = failed {
            // What fails while taking back cannot be helped; the first error is told.
            for (place, old) in moved.iter().rev() {
                let _ = match old {
                    Some(old) => fs::rename(old, place),
                    None => fs::remove_file(place),
                };
            }
            return Err(error);
        }
        for old in moved.iter().filter_map(|(_, old)| old.as_ref()) {
            let _ = fs::remove_file(old);
        }
        self.made.clear();
        Ok(self.waiting.drain(..).map(|waiting| waiting.file).collect())
    }

    /// Makes a folder and those above it, and remembers which are new.
    fn make(&mut self, folder: &Path) -> io::Result<()> {
        let missing = folder
            .ancestors()
            .take_while(|folder| !folder.as_os_str().is_empty() && !folder.exists());
        let missing: Vec<PathBuf> = missing.map(Path::to_owned).collect();
        self.made.extend(missing.into_iter().rev());
        fs::create_dir_all(folder)
    }
}

impl Drop for Staged {
    /// What was not moved into place leaves no trace.
    fn drop(&mut self) {
        for waiting in &self.waiting {
            let _ = fs::remove_file(&waiting.temporary);
        }
        // A folder that holds anything is not removed.
        for folder in self.made.iter().rev() {
            let _ = fs::remove_dir(folder);
        }
    }
}

/// Puts the new file in its place; the old one, if any, is kept beside it.
fn swap(place: &Path, temporary: &Path) -> io::Result<Option<PathBuf>> {
    let old = beside(place, "old");
    let stood = match fs::rename(place, &old) {
        Ok(()) => Some(old),
        Err(error) if error.kind() == io::ErrorKind::NotFound => None,
        Err(error) => return Err(error),
    };
    if let Err(error) = fs::rename(temporary, place) {
        if let Some(old) = &stood {
            let _ = fs::rename(old, place);
        }
        return Err(error);
    }
    Ok(stood)
}

/// A name beside a file that no other run uses.
fn beside(place: &Path, ending: &str) -> PathBuf {
    let mut name = place.as_os_str().to_owned();
    name.push(format!(".{}.{ending}", std::process::id()));
    PathBuf::from(name)
}

pub(super) fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// A file that counts and digests what is written to it.
#[derive(Debug)]
pub struct Tallied {
    file: File,
    digest: Sha256,
    bytes: u64,
}

impl Write for Tallied {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.file.write(bytes)?;
        self.digest.update(&bytes[..written]);
        self.bytes += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stage(staged: &mut Staged, name: &str, text: &str) -> Result<()> {
        staged.write(name, |out| out.write_all(text.as_bytes()))
    }

    fn names(folder: &Path) -> Vec<String> {
        let entries = fs::read_dir(folder).unwrap();
        let mut names: Vec<String> = entries
            .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn files_go_into_place_together() {
        let folder = tempfile::tempdir().unwrap();
        let mut staged = Staged::new(folder.path());
        stage(&mut staged, "tables/a.csv", "1").unwrap();
        stage(&mut staged, "run.json", "2").unwrap();
        assert_eq!(names(&folder.path().join("tables")).len(), 1);
        assert!(!folder.path().join("tables/a.csv").exists());
        let files = staged.move_into_place().unwrap();
        assert_eq!(names(folder.path()), ["run.json", "tables"]);
        assert_eq!(names(&folder.path().join("tables")), ["a.csv"]);
        // SHA-256 of "1", as sha256sum prints it.
        let digest = "6b86b273ff34fce19d6b804eff5a3f5747ada4eaa22f1d49c01e52ddb7875b4b";
        assert_eq!(files[0].sha256, digest);
        assert_eq!(files[0].bytes, 1);
    }

    #[test]
    fn one_that_cannot_be_written_leaves_the_rest_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path().join("out");
        fs::create_dir_all(out.join("b.csv")).unwrap();
        fs::write(out.join("a.csv"), "old").unwrap();
        let mut staged = Staged::new(&out);
        stage(&mut staged, "a.csv", "new").unwrap();
        stage(&mut staged, "more/c.csv", "new").unwrap();
        assert!(stage(&mut staged, "b.csv", "new").is_err());
        drop(staged);
        assert_eq!(names(&out), ["a.csv", "b.csv"]);
        assert_eq!(fs::read_to_string(out.join("a.csv")).unwrap(), "old");
    }

    #[test]
    fn a_move_that_fails_is_taken_back() {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path().to_owned();
        fs::write(out.join("a.csv"), "old").unwrap();
        let mut staged = Staged::new(&out);
        stage(&mut staged, "a.csv", "new").unwrap();
        stage(&mut staged, "new.csv", "new").unwrap();
        stage(&mut staged, "z.csv", "new").unwrap();
        // Somebody removes the last file before it is moved.
        fs::remove_file(beside(&out.join("z.csv"), "tmp")).unwrap();
        assert!(staged.move_into_place().is_err());
        assert_eq!(names(&out), ["a.csv"]);
        assert_eq!(fs::read_to_string(out.join("a.csv")).unwrap(), "old");
    }
}
