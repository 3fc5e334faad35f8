//! What stops the program, and with which exit status.
//!
//! One opaque type for everything that cannot go on. A fit that is weak or
//! failed is *not* an error: it is a result with its row in a table.

use std::fmt;
use std::fs::File;
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// Result of everything here that can fail for a user's input.
pub type Result<T> = std::result::Result<T, Error>;

/// An error with its kind, its place and its cause.
pub struct Error(Box<Inner>);

struct Inner {
    kind: ErrorKind,
    messages: Vec<String>,
    source: Option<Box<dyn std::error::Error + Send + Sync>>,
}

/// What kind of bad news an [`Error`] is; the exit status follows from it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum ErrorKind {
    /// The call is wrong: an option, a name, a combination.
    Call,
    /// A file that was to be read: not there, unreadable, or with faults.
    Input,
    /// An output could not be written.
    Output,
    /// Whoever reads our output has stopped reading: a quiet end.
    ClosedPipe,
}

impl Error {
    /// The call itself is wrong.
    pub fn call(message: impl Into<String>) -> Self {
        Self::new(ErrorKind::Call, vec![message.into()], None)
    }

    /// The input is wrong; one message.
    pub fn input(message: impl Into<String>) -> Self {
        Self::new(ErrorKind::Input, vec![message.into()], None)
    }

    /// The input is wrong; one message a fault, all told at once.
    #[must_use]
    pub fn faults(messages: Vec<String>) -> Self {
        Self::new(ErrorKind::Input, messages, None)
    }

    /// A file could not be read.
    #[must_use]
    pub fn unreadable(path: &Path, source: std::io::Error) -> Self {
        let advice = match source.kind() {
            std::io::ErrorKind::NotFound => "no such file: check the name and the folder",
            std::io::ErrorKind::PermissionDenied => "no permission to read it",
            _ => "it could not be read",
        };
        let message = format!("{}: {advice} ({source})", path.display());
        Self::new(ErrorKind::Input, vec![message], Some(Box::new(source)))
    }

    /// A file could not be written.
    #[must_use]
    pub fn unwritable(path: &Path, source: std::io::Error) -> Self {
        let message = format!(
            "{}: could not be written ({source}); check the folder's permissions and the free space",
            path.display()
        );
        Self::new(ErrorKind::Output, vec![message], Some(Box::new(source)))
    }

    /// Standard output could not be written.
    #[must_use]
    pub fn standard_output(source: std::io::Error) -> Self {
        let kind = match source.kind() {
            std::io::ErrorKind::BrokenPipe => ErrorKind::ClosedPipe,
            _ => ErrorKind::Output,
        };
        let message = format!("standard output: could not be written ({source})");
        Self::new(kind, vec![message], Some(Box::new(source)))
    }

    fn new(
        kind: ErrorKind,
        messages: Vec<String>,
        source: Option<Box<dyn std::error::Error + Send + Sync>>,
    ) -> Self {
        Self(Box::new(Inner {
            kind,
            messages,
            source,
        }))
    }

    /// The kind of bad news.
    #[must_use]
    pub fn kind(&self) -> ErrorKind {
        self.0.kind
    }

    /// Each message, one a fault.
    #[must_use]
    pub fn messages(&self) -> &[String] {
        &self.0.messages
    }

    /// The program's exit status: 2 for a wrong input or call, 3 for an output
    /// that could not be written, 0 for a closed pipe.
    #[must_use]
    pub fn exit_status(&self) -> u8 {
        match self.0.kind {
            ErrorKind::Call | ErrorKind::Input => 2,
            ErrorKind::Output => 3,
            ErrorKind::ClosedPipe => 0,
        }
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0.messages.join("\n"))
    }
}

impl fmt::Debug for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Error")
            .field("kind", &self.0.kind)
            .field("messages", &self.0.messages)
            .finish()
    }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        self.0
            .source
            .as_deref()
            .map(|source| source as &(dyn std::error::Error + 'static))
    }
}

/// Reads a whole file; the one place where a missing file gets its path.
///
/// # Errors
/// [`ErrorKind::Input`] with the path.
pub fn read_file(path: &Path) -> Result<Vec<u8>> {
    std::fs::read(path).map_err(|source| Error::unreadable(path, source))
}

/// Writes a file to a temporary name beside it and moves it into place whole.
///
/// # Errors
/// [`ErrorKind::Output`] with the path; the old file, if any, is then intact.
pub fn write_file(path: &Path, bytes: &[u8]) -> Result<()> {
    write_file_with(path, |out| out.write_all(bytes))
}

/// As [`write_file`], for what is too large to hold as bytes: `write` gets the file.
///
/// # Errors
/// [`ErrorKind::Output`] with the path; the old file, if any, is then intact.
pub fn write_file_with(
    path: &Path,
    write: impl FnOnce(&mut File) -> std::io::Result<()>,
) -> Result<()> {
    let unwritable = |source| Error::unwritable(path, source);
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(unwritable)?;
    }
    let mut temporary = path.as_os_str().to_owned();
    temporary.push(format!(".{}.tmp", std::process::id()));
    let temporary = PathBuf::from(temporary);
    let written = File::create(&temporary)
        .and_then(|mut file| write(&mut file))
        .and_then(|()| std::fs::rename(&temporary, path));
    if written.is_err() {
        // The half-written file is ours to remove; its own error would hide the first.
        let _ = std::fs::remove_file(&temporary);
    }
    written.map_err(unwritable)
}
