//! The files of a run, written beside their places and then exchanged for those that stand
//! there.

use std::fs;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use super::beside::{Previous, others_in};
use super::disk::{Disk, System, is_there, missing_folders};
use super::identity::Inputs;
use super::journal::{Journal, Move, STAGE, Stuck, clear, is_inside, new_file};
use super::open_in::refuse_open;
use super::record::{OutputFile, RECORD, Tallied, recorded};
use super::recover::{Lock, busy, finish, make_stage, recover_locked};
use crate::error::{Error, Result};

/// How long a run waits for another that writes into the same folder.
const PATIENCE: Duration = Duration::from_secs(600);

/// Files that wait beside their places, in one folder or several.
#[derive(Debug)]
pub struct Staged {
    disk: Arc<dyn Disk>,
    folders: Vec<Folder>,
    /// Whether what waits is still needed: its exchange was cut off.
    needed: bool,
}

/// A file that is being written.
#[derive(Debug)]
pub struct OpenFile {
    /// Its folder and its number there.
    at: (usize, usize),
    /// As the call names it.
    place: PathBuf,
    out: Tallied,
}

impl OpenFile {
    /// Writes more of it.
    ///
    /// # Errors
    /// [`ErrorKind::Output`](crate::ErrorKind::Output) with the path.
    pub fn write(&mut self, bytes: &[u8]) -> Result<()> {
        let written = self.out.write_all(bytes);
        written.map_err(|source| Error::unwritable(&self.place, source))
    }
}

#[derive(Debug)]
struct Folder {
    /// Absolute, without links.
    path: PathBuf,
    /// As the call names it.
    shown: PathBuf,
    /// Folders that were not there before, outermost first.
    made: Vec<PathBuf>,
    lock: Option<Lock>,
    files: Vec<OutputFile>,
}

/// What an exchange did.
#[derive(Debug, Default)]
pub struct Exchanged {
    /// Files that were in the way and were not the program's own, or edited: where they are
    /// now.
    pub kept: Vec<String>,
    /// Number of files of the earlier run that are gone.
    pub removed: usize,
    /// Files of the first folder that the program did not write.
    pub others: Vec<String>,
}

impl Staged {
    /// Nothing yet, for folders that need not be there; waits for a run that writes into
    /// one of them, and completes or undoes what an interrupted one left.
    ///
    /// # Errors
    /// [`ErrorKind::Output`](crate::ErrorKind::Output) with the path where a folder cannot
    /// be made.
    pub fn begin(folders: &[PathBuf]) -> Result<Self> {
        Self::begin_with(Arc::new(System), folders)
    }

    pub(super) fn begin_with(disk: Arc<dyn Disk>, folders: &[PathBuf]) -> Result<Self> {
        let mut staged = Self {
            disk,
            folders: Vec::new(),
            needed: false,
        };
        for folder in folders {
            staged.make(folder)?;
        }
        // In one order, so that two runs do not wait for each other.
        let mut order: Vec<usize> = (0..staged.folders.len()).collect();
        order.sort_by(|a, b| staged.folders[*a].path.cmp(&staged.folders[*b].path));
        for at in order {
            staged.lock(at)?;
        }
        Ok(staged)
    }

    /// Makes a folder with those above it.
    fn make(&mut self, shown: &Path) -> Result<()> {
        let unwritable = |source| Error::unwritable(shown, source);
        let missing = missing_folders(shown);
        self.folders.push(Folder {
            path: shown.to_owned(),
            shown: shown.to_owned(),
            made: Vec::new(),
            lock: None,
            files: Vec::new(),
        });
        for made in missing {
            match self.disk.make_folder(&made) {
                // Another run has made it in the meantime.
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists && made.is_dir() => {
                    continue;
                }
                result => result.map_err(unwritable)?,
            }
            if let Some(folder) = self.folders.last_mut() {
                folder.made.push(made);
            }
        }
        if let Some(folder) = self.folders.last_mut() {
            folder.path = fs::canonicalize(shown).map_err(unwritable)?;
        }
        Ok(())
    }

    /// Takes a folder's lock, with nothing left in its stage.
    fn lock(&mut self, at: usize) -> Result<()> {
        let Folder { path, shown, .. } = &self.folders[at];
        let unwritable = |source| Error::unwritable(shown, source);
        let take = || {
            // A run that failed may remove the folder that it made while this one waits.
            fs::create_dir_all(path)?;
            make_stage(path)?;
            match Lock::take(path, PATIENCE) {
                Err(error) if error.kind() == io::ErrorKind::NotFound => {
                    fs::create_dir_all(path)?;
                    make_stage(path)?;
                    Lock::take(path, PATIENCE)
                }
                taken => taken,
            }
        };
        let mut lock = take().map_err(unwritable)?.ok_or_else(|| busy(shown))?;
        if Journal::read(path).map_err(unwritable)?.is_some() {
            recover_locked(&*self.disk, path, lock)?;
            lock = take().map_err(unwritable)?.ok_or_else(|| busy(shown))?;
        }
        clear(&*self.disk, path).map_err(unwritable)?;
        self.folders[at].lock = Some(lock);
        Ok(())
    }

    /// The files of a folder so far.
    #[must_use]
    pub fn files(&self, folder: usize) -> &[OutputFile] {
        self.folders.get(folder).map_or(&[], |folder| &folder.files)
    }

    /// Writes a file that is to come to the place `name` in a folder.
    ///
    /// # Errors
    /// [`ErrorKind::Output`](crate::ErrorKind::Output) with the path.
    pub fn write(
        &mut self,
        folder: usize,
        name: &str,
        write: impl FnOnce(&mut Tallied) -> io::Result<()>,
    ) -> Result<()> {
        let mut out = self.open(folder, name)?;
        write(&mut out.out).map_err(|source| Error::unwritable(&out.place, source))?;
        self.close(out)
    }

    /// Opens a file that is to come to the place `name` in a folder, among others that are open.
    ///
    /// # Errors
    /// As [`Staged::write`].
    pub fn open(&mut self, folder: usize, name: &str) -> Result<OpenFile> {
        let into = &mut self.folders[folder];
        let place = into.shown.join(name);
        let unwritable = |source| Error::unwritable(&place, source);
        if !is_inside(name) {
            return Err(unwritable(io::Error::other(
                "its name leads out of its folder",
            )));
        }
        let number = into.files.len();
        let new = new_file(&into.path, number);
        let out = Tallied::new(self.disk.create(&new).map_err(unwritable)?);
        // From here on the file has its number.
        into.files.push(OutputFile {
            path: recorded(Path::new(name)),
            bytes: 0,
            sha256: String::new(),
        });
        Ok(OpenFile {
            at: (folder, number),
            place,
            out,
        })
    }

    /// Ends a file that was opened.
    ///
    /// # Errors
    /// As [`Staged::write`].
    pub fn close(&mut self, file: OpenFile) -> Result<()> {
        let OpenFile { at, place, mut out } = file;
        let ended = out.flush().and_then(|()| out.end());
        let (bytes, sha256) = ended.map_err(|source| Error::unwritable(&place, source))?;
        if let Some(file) = self.folders[at.0].files.get_mut(at.1) {
            (file.bytes, file.sha256) = (bytes, sha256);
        }
        Ok(())
    }

    /// Exchanges every file for the one that stands in its place, and removes what the run
    /// before wrote and this one does not.
    ///
    /// A file in the way that is not the program's own, or was edited, is kept beside it; a
    /// file that this run has read is neither replaced nor removed.
    ///
    /// # Errors
    /// [`ErrorKind::Call`](crate::ErrorKind::Call) where an input is in the way;
    /// [`ErrorKind::Output`](crate::ErrorKind::Output) with the path of the first file that
    /// cannot be moved; the files that stood there before then stand there again.
    pub fn exchange(mut self, inputs: &Inputs) -> Result<Exchanged> {
        let mut done = Exchanged::default();
        let mut journals = Vec::new();
        for folder in &self.folders {
            journals.push(folder.plan(inputs, &mut done)?);
        }
        let Some(first) = self.folders.first().map(|folder| folder.path.clone()) else {
            return Ok(done);
        };
        for (folder, journal) in self.folders.iter().zip(&mut journals).skip(1) {
            journal.part_of = Some(first.clone());
            let written = journal.write(&*self.disk, &folder.path);
            written.map_err(|source| Error::unwritable(&folder.shown, source))?;
        }
        let others = self.folders.iter().skip(1);
        journals[0].with = others.map(|folder| folder.path.clone()).collect();
        journals[0]
            .write(&*self.disk, &first)
            .map_err(|source| Error::unwritable(&self.folders[0].shown, source))?;
        self.needed = true;
        let paths = || self.folders.iter().map(|folder| &*folder.path);
        let moved = paths()
            .zip(&journals)
            .try_for_each(|(folder, journal)| journal.complete(&*self.disk, folder));
        if let Err(stuck) = moved {
            return Err(self.take_back(&journals, stuck));
        }
        // What is cut off from here on is completed by the next command.
        for (folder, journal) in self.folders.iter_mut().zip(&journals).rev() {
            if let Some(lock) = folder.lock.take() {
                // What cannot be cleared is left with every journal that is left: the next
                // command finds all moves made, and clears again.
                if finish(&*self.disk, &folder.path, journal, lock).is_err() {
                    break;
                }
            }
        }
        if let Some(results) = self.folders.first() {
            let written = results.files.iter().map(|file| file.path.as_str());
            done.others = others_in(&results.path, written);
        }
        Ok(done)
    }

    /// Puts the earlier files back; the error states what failed.
    fn take_back(&mut self, journals: &[Journal], stuck: Stuck) -> Error {
        let undo = || -> std::result::Result<(), Stuck> {
            let first = &self.folders[0].path;
            Journal::turn(&*self.disk, first).map_err(Stuck::at(first))?;
            for (folder, journal) in self.folders.iter().zip(journals) {
                journal.undo(&*self.disk, &folder.path)?;
            }
            Ok(())
        };
        let place = stuck.place.clone();
        let error = Error::unwritable(&self.shown(&place), stuck.source);
        if undo().is_ok() {
            self.needed = false;
            return error;
        }
        Error::busy(format!(
            "{error}; the earlier files could not all be put back either: the next command on {} \
             will do so",
            self.folders[0].shown.display()
        ))
    }

    /// A path inside one of the folders, as the call names it.
    fn shown(&self, place: &Path) -> PathBuf {
        let found = self.folders.iter().find_map(|folder| {
            let inside = place.strip_prefix(&folder.path).ok()?;
            Some(folder.shown.join(inside))
        });
        found.unwrap_or_else(|| place.to_owned())
    }
}

impl Folder {
    /// What is to be moved where.
    fn plan(&self, inputs: &Inputs, done: &mut Exchanged) -> Result<Journal> {
        let previous = Previous::read(&self.path);
        let mut moves = Vec::new();
        for (number, file) in self.files.iter().enumerate() {
            let (place, shown) = (self.path.join(&file.path), self.shown.join(&file.path));
            let unwritable = |source| Error::unwritable(&shown, source);
            if !new_file(&self.path, number).is_file() {
                return Err(unwritable(io::Error::other("what was written is gone")));
            }
            let mut kept = None;
            if is_there(&place) {
                if place.is_dir() {
                    return Err(unwritable(io::Error::other("a folder has its name")));
                }
                inputs.refuse(&place, &shown)?;
                refuse_open(&place, &shown)?;
                kept = self.keep(&previous, &file.path, done);
            }
            moves.push(Move {
                place: file.path.clone(),
                new: true,
                kept,
            });
        }
        let written = |name: &str| self.files.iter().any(|file| file.path == name);
        let has_record = written(RECORD);
        for old in previous
            .files()
            .filter(|old| has_record && !written(&old.path))
        {
            let place = self.path.join(&old.path);
            let may_remove = Previous::may_remove(&self.path, &old.path);
            if !place.is_file() || !may_remove || inputs.has(&place) {
                continue;
            }
            refuse_open(&place, &self.shown.join(&old.path))?;
            let kept = self.keep(&previous, &old.path, done);
            done.removed += usize::from(kept.is_none());
            moves.push(Move {
                place: old.path.clone(),
                new: false,
                kept,
            });
        }
        Ok(Journal {
            part_of: None,
            with: Vec::new(),
            made: self.missing(),
            moves,
        })
    }

    /// A free name beside a file that is not the program's own; none for one that is.
    fn keep(&self, previous: &Previous, name: &str, done: &mut Exchanged) -> Option<String> {
        if previous.owns(&self.path, name) {
            return None;
        }
        let mut kept = format!("{name}.kept");
        let mut count = 1;
        while is_there(&self.path.join(&kept)) {
            count += 1;
            kept = format!("{name}.kept-{count}");
        }
        done.kept.push(recorded(&self.shown.join(&kept)));
        Some(kept)
    }

    /// Folders that the files need and that are not there, outermost first.
    fn missing(&self) -> Vec<String> {
        let mut missing: Vec<String> = Vec::new();
        for file in &self.files {
            let place = self.path.join(&file.path);
            let Some(above) = place.parent() else {
                continue;
            };
            for folder in missing_folders(above) {
                if let Ok(inside) = folder.strip_prefix(&self.path) {
                    let name = recorded(inside);
                    if !missing.contains(&name) {
                        missing.push(name);
                    }
                }
            }
        }
        missing
    }
}

impl Drop for Staged {
    /// What was not moved into place leaves no trace.
    fn drop(&mut self) {
        if self.needed {
            return;
        }
        for folder in &mut self.folders {
            if let Some(lock) = folder.lock.take() {
                if clear(&*self.disk, &folder.path).is_ok() {
                    lock.release(&*self.disk);
                }
            } else {
                // Made and not yet locked: it is empty, or another run's.
                let _ = self.disk.remove_folder(&folder.path.join(STAGE));
            }
        }
        // A folder that holds anything is not removed.
        for folder in self.folders.iter().rev() {
            for made in folder.made.iter().rev() {
                let _ = self.disk.remove_folder(made);
            }
        }
    }
}
