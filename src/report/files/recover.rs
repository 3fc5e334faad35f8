//! One run at a time in a folder, and what the next command does with what a run left
//! that was killed.

use std::fs::{File, OpenOptions, TryLockError};
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use same_file::Handle;

use super::disk::{Disk, System};
use super::journal::{Direction, Journal, LOCK, STAGE, Stuck, clear};
use crate::error::{Error, Result};

/// How long a run waits for another that writes into the same folder.
const PATIENCE: Duration = Duration::from_secs(600);

/// What was done with an exchange that was interrupted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Recovered {
    /// The new files are in place.
    Completed,
    /// The earlier files are in place again.
    Undone,
}

/// Completes or undoes the exchange of a run that was killed while its files went into a
/// folder, and removes what it left; nothing where another run is at work there.
///
/// # Errors
/// [`ErrorKind::Output`](crate::ErrorKind::Output) where files of the exchange cannot be
/// moved, such as in a folder that may not be written to.
pub fn recover(folder: &Path) -> Result<Option<Recovered>> {
    recover_with(&System, folder)
}

/// As [`recover`], of the folder that a path lies in or is, or the results folder around it.
///
/// # Errors
/// As [`recover`].
pub fn recover_near(path: &Path) -> Result<Vec<(PathBuf, Recovered)>> {
    /// A results folder is at most this number of folders above its files.
    const ABOVE: usize = 3;
    let Ok(whole) = std::path::absolute(path) else {
        return Ok(Vec::new());
    };
    let mut found = Vec::new();
    for folder in whole.ancestors().take(ABOVE + 1) {
        if let Some(recovered) = recover(folder)? {
            found.push((folder.to_owned(), recovered));
        }
    }
    Ok(found)
}

pub(super) fn recover_with(disk: &dyn Disk, folder: &Path) -> Result<Option<Recovered>> {
    if !folder.join(STAGE).is_dir() {
        return Ok(None);
    }
    let interrupted = |source| interrupted(folder, source);
    // Journals name folders without links.
    let folder = &folder.canonicalize().map_err(interrupted)?;
    let is_moving = || Journal::read(folder).map(|found| found.is_some());
    // A run that is only staging needs no wait: the earlier files stand whole.
    let patience = if is_moving().map_err(interrupted)? {
        PATIENCE
    } else {
        Duration::ZERO
    };
    let lock = match Lock::take(folder, patience) {
        Ok(Some(lock)) => lock,
        Ok(None) if patience.is_zero() => return Ok(None),
        Ok(None) => return Err(busy(folder)),
        Err(source) if patience.is_zero() => {
            // What waits here is not needed, and may not be ours to remove.
            let _ = source;
            return Ok(None);
        }
        Err(source) => return Err(interrupted(source)),
    };
    recover_locked(disk, folder, lock)
}

/// As [`recover_with`], by whom holds the folder's lock.
pub(super) fn recover_locked(
    disk: &dyn Disk,
    folder: &Path,
    lock: Lock,
) -> Result<Option<Recovered>> {
    let whole = |source| interrupted(folder, source);
    let stuck = |stuck: Stuck| interrupted(&stuck.place, stuck.source);
    let Some((direction, journal)) = Journal::read(folder).map_err(whole)? else {
        // Nothing was moved, or all: what waits is left over. Whether it can be removed is
        // of no importance.
        let _ = clear(disk, folder);
        lock.release(disk);
        return Ok(None);
    };
    if let Some(first) = &journal.part_of {
        lock.release_only();
        return recover_part(disk, folder, first);
    }
    let mut others = Vec::new();
    for other in &journal.with {
        // A folder that does not name this one as its first does not belong to it.
        let part = Journal::read(other).map_err(whole)?;
        let Some((_, part)) = part.filter(|(_, part)| part.part_of.as_deref() == Some(folder))
        else {
            continue;
        };
        let lock = Lock::take(other, PATIENCE)
            .map_err(whole)?
            .ok_or_else(|| busy(other))?;
        others.push((other, part, lock));
    }
    for (folder, part) in parts(folder, &journal, &others) {
        let done = match direction {
            Direction::Complete => part.complete(disk, folder),
            Direction::Undo => part.undo(disk, folder),
        };
        done.map_err(stuck)?;
    }
    let recovered = match direction {
        Direction::Complete => Recovered::Completed,
        Direction::Undo => Recovered::Undone,
    };
    for (other, part, lock) in others {
        finish(disk, other, &part, lock).map_err(whole)?;
    }
    finish(disk, folder, &journal, lock).map_err(whole)?;
    Ok(Some(recovered))
}

/// Each folder with its journal; in an undone exchange the order is of no importance.
fn parts<'a>(
    folder: &'a Path,
    journal: &'a Journal,
    others: &'a [(&'a PathBuf, Journal, Lock)],
) -> impl Iterator<Item = (&'a Path, &'a Journal)> {
    let others = others
        .iter()
        .map(|(other, part, _)| (other.as_path(), part));
    std::iter::once((folder, journal)).chain(others)
}

/// A folder whose moves hang on the journal of another: that one's is followed, and where
/// it has none, nothing was to be moved yet.
fn recover_part(disk: &dyn Disk, folder: &Path, first: &Path) -> Result<Option<Recovered>> {
    let whole = |source| interrupted(folder, source);
    let leads = Journal::read(first).map_err(whole)?;
    let recovered = match leads {
        Some((_, leads)) if leads.part_of.is_none() => recover_with(disk, first)?,
        _ => None,
    };
    let Some(lock) = Lock::take(folder, PATIENCE).map_err(whole)? else {
        return Err(busy(folder));
    };
    let left = Journal::read(folder).map_err(whole)?;
    if let Some((_, journal)) = left.filter(|(_, part)| part.part_of.as_deref() == Some(first)) {
        journal
            .undo(disk, folder)
            .map_err(|stuck| interrupted(&stuck.place, stuck.source))?;
        finish(disk, folder, &journal, lock).map_err(whole)?;
        return Ok(recovered.or(Some(Recovered::Undone)));
    }
    lock.release(disk);
    Ok(recovered)
}

/// Removes what waits, and folders that are empty now.
pub(super) fn finish(
    disk: &dyn Disk,
    folder: &Path,
    journal: &Journal,
    lock: Lock,
) -> io::Result<()> {
    clear(disk, folder)?;
    journal.remove_emptied(disk, folder);
    lock.release(disk);
    Ok(())
}

fn interrupted(place: &Path, source: io::Error) -> Error {
    let error = Error::unwritable(place, source);
    let message = error.messages().join("; ");
    Error::busy(format!(
        "{message}; a run was interrupted while its files went into place, and this must be \
         completed or undone before the folder is read"
    ))
}

pub(super) fn busy(folder: &Path) -> Error {
    Error::busy(format!(
        "{}: another run is writing into this folder; run again when it has ended",
        folder.display()
    ))
}

/// The right to work in a folder's stage, kept until it is released or the program ends,
/// however that ends.
#[derive(Debug)]
pub(super) struct Lock {
    folder: PathBuf,
    _file: File,
}

impl Lock {
    /// Takes the lock of a folder that has a stage; none where another run has it for longer
    /// than `patience`.
    pub(super) fn take(folder: &Path, patience: Duration) -> io::Result<Option<Self>> {
        let path = folder.join(STAGE).join(LOCK);
        let since = Instant::now();
        loop {
            let file = OpenOptions::new()
                .create(true)
                .truncate(false)
                .write(true)
                .open(&path);
            let file = match file {
                // Whoever had it has removed the stage.
                Err(error) if error.kind() == io::ErrorKind::NotFound => {
                    make_stage(folder)?;
                    continue;
                }
                file => file?,
            };
            match file.try_lock() {
                Ok(()) => {
                    // It may have been removed between opening and locking.
                    if is_still(&path, &file)? {
                        return Ok(Some(Self {
                            folder: folder.to_owned(),
                            _file: file,
                        }));
                    }
                    continue;
                }
                Err(TryLockError::WouldBlock) => {}
                // A file system without locks: then only one run at a time is safe.
                Err(TryLockError::Error(error)) if error.kind() == io::ErrorKind::Unsupported => {
                    return Ok(Some(Self {
                        folder: folder.to_owned(),
                        _file: file,
                    }));
                }
                Err(TryLockError::Error(error)) => return Err(error),
            }
            if since.elapsed() >= patience {
                return Ok(None);
            }
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Removes the stage, which must be empty but for the lock, and gives the lock back.
    pub(super) fn release(self, disk: &dyn Disk) {
        let stage = self.folder.join(STAGE);
        // One that stays does no harm: the next run removes it.
        let _ = disk.remove_file(&stage.join(LOCK));
        let _ = disk.remove_folder(&stage);
    }

    /// Gives the lock back.
    fn release_only(self) {}
}

/// Makes the folder in which files wait, if it is not there.
pub(super) fn make_stage(folder: &Path) -> io::Result<()> {
    match std::fs::create_dir(folder.join(STAGE)) {
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Ok(()),
        made => made,
    }
}

fn is_still(path: &Path, file: &File) -> io::Result<bool> {
    let here = match Handle::from_path(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(false),
        here => here?,
    };
    Ok(here == Handle::from_file(file.try_clone()?)?)
}
