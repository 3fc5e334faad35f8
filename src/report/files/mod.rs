//! Everything that is written: the only module that changes a file.
//!
//! A results folder belongs to one run, whose record (`run.json`) lists its files. A run
//! writes all of its files beside their places, into the hidden folder `.pinfeather` inside
//! the folder that they are for, and exchanges them for those of the run before at the end,
//! by renaming alone: within the folder, since that is where a rename is sure to stay on one
//! file system, may be written to, and moves along when the folder is moved. Folders that
//! the call names besides (`--save`) take part in the same exchange.
//!
//! What a folder may look like, and what the next command does that reads or writes it
//! ([`recover_near`], before anything else):
//!
//! | `.pinfeather` holds | the run was | the next command |
//! | --- | --- | --- |
//! | nothing, or is not there | done | goes on |
//! | files, no journal | writing, or clearing up | removes them: the places are whole |
//! | `journal.json` | exchanging | makes the moves that it lists and are not made |
//! | `undo.json` | taking an exchange back, a move having failed | takes back what is made |
//! | a locked `lock` | is at work | waits if there is a journal; reads the old files if not |
//!
//! A move is: what stands there goes aside, the new file comes in. Both halves can be seen
//! from which files are there, so that completing and undoing may themselves be cut off. In
//! an exchange of several folders the first one's journal counts, and the others name it.
//!
//! What stands in a place and is not the program's own (no record lists it, or its bytes are
//! others by now) is kept as `NAME.kept`; files that no run wrote are left alone; a file that
//! the run reads is never replaced or removed ([`Places`] compares before computing,
//! [`Staged`] once more at the end, by the identity of files and not by their names).
//!
//! This holds where the *program* ends at any moment. It does not wait for the disk (no
//! fsync: hundreds of files, gigabytes of tables): after a loss of power or a crash of the
//! system, files may be short. `run --verify` finds such files by their digests, and
//! the run that is recorded can be run again; inputs are never opened for writing.
//!
//! # Reasoned for Windows, and not run there
//!
//! - Nothing is renamed over a file that stands: it is renamed away first. A file that another
//!   program has open makes this fail (errors 32 and 33, tried again for half a second), and
//!   the exchange is undone.
//! - A spreadsheet program's own file beside one that it has open (`~$book.xlsx`,
//!   `.~lock.book.xlsx#`) is looked for before a file is read (a note) and moved (an error).
//! - Files are the same by volume and file index (the crate `same-file`); locks are those of
//!   `std::fs::File`, which the system frees when a process ends.
//! - Paths in records have forward slashes; a name inside a folder may have no drive, root or
//!   `..`.
//! - `.pinfeather` is not hidden there, and is gone when no run is at work.

mod beside;
#[cfg(test)]
mod crash_tests;
mod disk;
mod earlier;
mod identity;
mod journal;
mod open_in;
mod places;
mod record;
mod recover;
mod staged;

pub use beside::{Standing, others_in};
pub use earlier::{EARLIER, date_of, keep_earlier};
pub use identity::Inputs;
pub use open_in::owner_file;
pub use places::{Place, Places, Root, Writing};
pub use record::{InputFile, OutputFile, RECORD, RunRecord, Tallied, recorded};
pub use recover::{Recovered, recover, recover_near};
pub use staged::{Exchanged, OpenFile, Staged};
