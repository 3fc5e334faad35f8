//! What an exchange is to move, written down before the first move, and the moves.
//!
//! Each move can be made and taken back from what the folder shows, so that either may be
//! begun again wherever it was cut off.

use std::fs;
use std::io::{self, Write as _};
use std::path::{Component, Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::disk::{Disk, is_there};

/// The folder inside a results folder in which files wait.
pub(super) const STAGE: &str = ".pinfeather";
/// The journal of an exchange that is to be completed.
const JOURNAL: &str = "journal.json";
/// The journal of an exchange that is to be undone.
const UNDO: &str = "undo.json";
/// Held by the run that works in a folder.
pub(super) const LOCK: &str = "lock";

/// The moves of one folder.
#[derive(Debug, Default, Serialize, Deserialize)]
pub(super) struct Journal {
    /// The folder whose journal decides whether this one's moves are to be made; none where it
    /// is this one.
    pub(super) part_of: Option<PathBuf>,
    /// The folders that are exchanged together with this one.
    pub(super) with: Vec<PathBuf>,
    /// Folders that were not there before, outermost first, relative to this one.
    pub(super) made: Vec<String>,
    pub(super) moves: Vec<Move>,
}

/// What happens at one place; its number in the journal names the files that wait.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Move {
    /// The place, relative to the folder.
    pub(super) place: String,
    /// Whether a new file comes there.
    pub(super) new: bool,
    /// Where the file that stands there goes for good; none where it is removed.
    pub(super) kept: Option<String>,
}

/// What is to be done with the moves of a folder.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Direction {
    Complete,
    Undo,
}

/// The new file of a move, while it waits.
pub(super) fn new_file(folder: &Path, number: usize) -> PathBuf {
    folder.join(STAGE).join(format!("new-{number}"))
}

/// Whether a name leads to a place inside the folder that it is joined to.
pub(super) fn is_inside(name: &str) -> bool {
    !name.is_empty()
        && Path::new(name)
            .components()
            .all(|part| matches!(part, Component::Normal(_)))
}

impl Journal {
    /// Reads the journal of a folder, if it has one.
    ///
    /// A journal that is not to be understood, or that names a place outside its folder, is
    /// none of ours.
    pub(super) fn read(folder: &Path) -> io::Result<Option<(Direction, Self)>> {
        for (name, direction) in [(UNDO, Direction::Undo), (JOURNAL, Direction::Complete)] {
            let path = folder.join(STAGE).join(name);
            let bytes = match fs::read(&path) {
                Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
                bytes => bytes?,
            };
            let journal: Self = serde_json::from_slice(&bytes)?;
            let names = journal.moves.iter().flat_map(|one| {
                let kept = one.kept.iter();
                kept.chain([&one.place])
            });
            if !names.chain(&journal.made).all(|name| is_inside(name)) {
                return Err(io::Error::other("its journal names a place outside it"));
            }
            return Ok(Some((direction, journal)));
        }
        Ok(None)
    }

    /// Writes the journal; from here on the moves are to be completed.
    pub(super) fn write(&self, disk: &dyn Disk, folder: &Path) -> io::Result<()> {
        let part = folder.join(STAGE).join("journal.part");
        let mut file = disk.create(&part)?;
        serde_json::to_writer(&mut file, self)?;
        file.flush()?;
        drop(file);
        disk.rename(&part, &folder.join(STAGE).join(JOURNAL))
    }

    /// Turns a journal that was written: from here on the moves are to be undone.
    pub(super) fn turn(disk: &dyn Disk, folder: &Path) -> io::Result<()> {
        let stage = folder.join(STAGE);
        disk.rename(&stage.join(JOURNAL), &stage.join(UNDO))
    }

    /// Makes the moves that are not made yet.
    pub(super) fn complete(&self, disk: &dyn Disk, folder: &Path) -> Result<(), Stuck> {
        for one in &self.made {
            let made = folder.join(one);
            if !made.exists() {
                disk.make_folder(&made).map_err(Stuck::at(&made))?;
            }
        }
        for (number, one) in self.moves.iter().enumerate() {
            let (new, aside, place) = one.paths(folder, number);
            if one.new && !is_there(&new) {
                continue;
            }
            if is_there(&place) && !is_there(&aside) {
                disk.rename(&place, &aside).map_err(Stuck::at(&place))?;
            }
            if one.new {
                disk.rename(&new, &place).map_err(Stuck::at(&place))?;
            }
        }
        Ok(())
    }

    /// Takes back the moves that are made.
    pub(super) fn undo(&self, disk: &dyn Disk, folder: &Path) -> Result<(), Stuck> {
        for (number, one) in self.moves.iter().enumerate().rev() {
            let (new, aside, place) = one.paths(folder, number);
            if one.new && !is_there(&new) && is_there(&place) {
                disk.rename(&place, &new).map_err(Stuck::at(&place))?;
            }
            if is_there(&aside) {
                disk.rename(&aside, &place).map_err(Stuck::at(&place))?;
            }
        }
        for made in self.made.iter().rev() {
            // One that somebody has put a file into stays.
            let _ = disk.remove_folder(&folder.join(made));
        }
        Ok(())
    }

    /// Removes folders that the moves have emptied.
    pub(super) fn remove_emptied(&self, disk: &dyn Disk, folder: &Path) {
        for one in self.moves.iter().filter(|one| !one.new) {
            let above = Path::new(&one.place).ancestors().skip(1);
            for inner in above.take_while(|inner| !inner.as_os_str().is_empty()) {
                if disk.remove_folder(&folder.join(inner)).is_err() {
                    break;
                }
            }
        }
    }
}

impl Move {
    /// Where the new file waits, where the old one goes, and the place.
    fn paths(&self, folder: &Path, number: usize) -> (PathBuf, PathBuf, PathBuf) {
        let aside = match &self.kept {
            Some(kept) => folder.join(kept),
            None => folder.join(STAGE).join(format!("old-{number}")),
        };
        (new_file(folder, number), aside, folder.join(&self.place))
    }
}

/// Removes what waits in a folder; the journal first: what waits without one is never needed.
pub(super) fn clear(disk: &dyn Disk, folder: &Path) -> io::Result<()> {
    let stage = folder.join(STAGE);
    for first in [true, false] {
        for entry in fs::read_dir(&stage)? {
            let entry = entry?;
            let name = entry.file_name();
            if name != LOCK && (name == JOURNAL || name == UNDO) == first {
                disk.remove_file(&entry.path())?;
            }
        }
    }
    Ok(())
}

/// A move that cannot be made.
#[derive(Debug)]
pub(super) struct Stuck {
    pub(super) place: PathBuf,
    pub(super) source: io::Error,
}

impl Stuck {
    pub(super) fn at(place: &Path) -> impl FnOnce(io::Error) -> Self {
        let place = place.to_owned();
        |source| Self { place, source }
    }
}
