//! Files that a spreadsheet program has open: it puts a lock file beside them.

use std::path::{Path, PathBuf};

use super::disk::is_there;
use crate::error::{Error, Result};

/// The file that a spreadsheet program has put beside one that it has open: `~$book.xlsx`,
/// or `.~lock.book.xlsx#`.
#[must_use]
pub fn owner_file(path: &Path) -> Option<PathBuf> {
    let name = path.file_name()?.to_string_lossy();
    [format!("~${name}"), format!(".~lock.{name}#")]
        .into_iter()
        .map(|owner| path.with_file_name(owner))
        .find(|owner| is_there(owner))
}

/// A file that is open in a spreadsheet program is not moved from under it.
pub(super) fn refuse_open(place: &Path, shown: &Path) -> Result<()> {
    match owner_file(place) {
        None => Ok(()),
        Some(owner) => Err(Error::busy(format!(
            "{}: it is open in a spreadsheet program, which has put {} beside it; close it there \
             and run again (if it is not open any more, remove that file)",
            shown.display(),
            owner.file_name().unwrap_or_default().to_string_lossy()
        ))),
    }
}
