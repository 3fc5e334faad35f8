//! The results of the run before, filed under their date.

use std::fs;
use std::path::{Path, PathBuf};

use super::disk::is_there;
use super::record::{RECORD, RunRecord};
use crate::error::{Error, Result, read_file};

/// Folder of the results folder in which earlier results are filed.
pub const EARLIER: &str = "earlier";

/// Copies the results of the run before into `earlier/DATE` inside their folder, DATE being the
/// day on which they were written; the path, or `None` where there are none.
///
/// The copy is made beside its place and renamed into it, so that what has a date is whole; a
/// second copy of a day gets a number.
///
/// # Errors
/// A record that cannot be read, a file that cannot be copied.
pub fn keep_earlier(results: &Path) -> Result<Option<PathBuf>> {
    let record_path = results.join(RECORD);
    let Some(date) = date_of(&record_path) else {
        return Ok(None);
    };
    let record: RunRecord = serde_json::from_slice(&read_file(&record_path)?).map_err(|error| {
        Error::input(format!(
            "{}: found no run record ({error}), expected one to file its results; leave out --keep",
            record_path.display()
        ))
    })?;
    let folder = results.join(EARLIER);
    let free = |number: usize| {
        let name = match number {
            1 => date.clone(),
            number => format!("{date}-{number}"),
        };
        folder.join(name)
    };
    let Some(place) = (1..1000).map(free).find(|place| !is_there(place)) else {
        return Ok(None);
    };
    let unwritable = |path: &Path| {
        let path = path.to_owned();
        move |source| Error::unwritable(&path, source)
    };
    fs::create_dir_all(&folder).map_err(unwritable(&folder))?;
    let beside = tempfile::Builder::new()
        .prefix(".copy-")
        .tempdir_in(&folder)
        .map_err(unwritable(&folder))?;
    let names = record.outputs.iter().map(|file| file.path.as_str());
    for name in names.chain([RECORD]) {
        let (from, to) = (results.join(name), beside.path().join(name));
        // A file that the user has removed since is not missed.
        if !from.is_file() {
            continue;
        }
        if let Some(parent) = to.parent() {
            fs::create_dir_all(parent).map_err(unwritable(parent))?;
        }
        fs::copy(&from, &to).map_err(unwritable(&to))?;
    }
    fs::rename(beside.path(), &place).map_err(unwritable(&place))?;
    Ok(Some(place))
}

/// The day on which a file was written, in UTC, as `2026-11-24`.
#[must_use]
pub fn date_of(path: &Path) -> Option<String> {
    let modified = fs::metadata(path).ok()?.modified().ok()?;
    let since = modified.duration_since(std::time::UNIX_EPOCH).ok()?;
    let days = chrono::Days::new(since.as_secs() / 86_400);
    Some(
        chrono::NaiveDate::default()
            .checked_add_days(days)?
            .to_string(),
    )
}
