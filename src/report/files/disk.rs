//! The few ways in which files are changed. In a test a disk that fails after some steps
//! takes the place of the system's.

use std::fmt::Debug;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::error::is_open_elsewhere;

/// What changes files.
pub(super) trait Disk: Debug + Send + Sync {
    /// Called before each change, which is not made where this fails.
    fn step(&self) -> io::Result<()>;

    fn make_folder(&self, folder: &Path) -> io::Result<()> {
        self.step()?;
        fs::create_dir(folder)
    }

    fn create(&self, file: &Path) -> io::Result<File> {
        self.step()?;
        File::create(file)
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.step()?;
        patiently(|| fs::rename(from, to))
    }

    fn remove_file(&self, file: &Path) -> io::Result<()> {
        self.step()?;
        patiently(|| fs::remove_file(file))
    }

    /// Removes a folder that is empty.
    fn remove_folder(&self, folder: &Path) -> io::Result<()> {
        self.step()?;
        fs::remove_dir(folder)
    }
}

/// The system's own.
#[derive(Debug)]
pub(super) struct System;

impl Disk for System {
    fn step(&self) -> io::Result<()> {
        Ok(())
    }
}

/// On Windows a virus scanner or an indexer may hold a file for a moment just after it was
/// written; whoever holds it for longer is reported to the user.
fn patiently<T>(mut change: impl FnMut() -> io::Result<T>) -> io::Result<T> {
    for _ in 0..10 {
        match change() {
            Err(error) if is_open_elsewhere(error.raw_os_error(), cfg!(windows)) => {
                std::thread::sleep(Duration::from_millis(50));
            }
            done => return done,
        }
    }
    change()
}

/// Whether anything has this name, a link that leads nowhere included.
pub(super) fn is_there(path: &Path) -> bool {
    fs::symlink_metadata(path).is_ok()
}

/// The folders of a path that are not there, the outermost first.
pub(super) fn missing_folders(folder: &Path) -> Vec<PathBuf> {
    let missing = folder
        .ancestors()
        .take_while(|folder| !folder.as_os_str().is_empty() && !folder.exists());
    let mut missing: Vec<PathBuf> = missing.map(Path::to_owned).collect();
    missing.reverse();
    missing
}

/// A disk for tests.
#[cfg(test)]
pub(super) mod failing {
    use std::sync::Mutex;

    use super::{Disk, io};

    /// Makes `whole` steps; then none more (a kill), or all but one (a failure).
    #[derive(Debug)]
    pub(crate) struct Failing {
        pub(crate) left: Mutex<Option<usize>>,
        pub(crate) dies: bool,
    }

    impl Failing {
        pub(crate) fn after(steps: usize, dies: bool) -> Self {
            Self {
                left: Mutex::new(Some(steps)),
                dies,
            }
        }
    }

    impl Disk for Failing {
        fn step(&self) -> io::Result<()> {
            let mut left = self.left.lock().unwrap();
            match *left {
                Some(0) => {
                    if !self.dies {
                        *left = None;
                    }
                    Err(io::Error::other("the disk fails"))
                }
                Some(steps) => {
                    *left = Some(steps - 1);
                    Ok(())
                }
                None => Ok(()),
            }
        }
    }
}
