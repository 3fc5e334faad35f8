//! What stops the program, and with which exit status.
//!
//! One opaque type for everything that cannot go on. A fit that is weak or
//! failed is *not* an error: it is a result with its row in a table.

use std::fmt;
use std::path::Path;

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

    /// The input is wrong; one message a fault, all reported at once.
    #[must_use]
    pub fn faults(messages: Vec<String>) -> Self {
        Self::new(ErrorKind::Input, messages, None)
    }

    /// A file could not be read.
    #[must_use]
    pub fn unreadable(path: &Path, source: std::io::Error) -> Self {
        let advice = match source.kind() {
            _ if is_open_elsewhere(source.raw_os_error(), cfg!(windows)) => OPEN_ELSEWHERE,
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
        let advice = match source.kind() {
            _ if is_open_elsewhere(source.raw_os_error(), cfg!(windows)) => OPEN_ELSEWHERE,
            std::io::ErrorKind::CrossesDevices => {
                "results go into place together, so that the folder must lie on one disk: \
                 replace the link in it by a folder, or choose another folder"
            }
            _ => "check the folder's permissions and the free space",
        };
        let message = format!(
            "{}: could not be written ({source}); {advice}",
            path.display()
        );
        Self::new(ErrorKind::Output, vec![message], Some(Box::new(source)))
    }

    /// A file that would be written is open in another program.
    #[must_use]
    pub fn busy(message: impl Into<String>) -> Self {
        Self::new(ErrorKind::Output, vec![message.into()], None)
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

/// What to do about a file that another program has open.
const OPEN_ELSEWHERE: &str = "it is open in another program: close it there and run again";

/// Whether an error of the operating system means that another program has the file open:
/// the sharing and the lock violation of Windows (32, 33). Elsewhere these numbers mean
/// something else.
pub(crate) fn is_open_elsewhere(code: Option<i32>, windows: bool) -> bool {
    windows && matches!(code, Some(32 | 33))
}

/// Reads a whole file; the one place where a missing file gets its path.
///
/// # Errors
/// [`ErrorKind::Input`] with the path.
pub fn read_file(path: &Path) -> Result<Vec<u8>> {
    std::fs::read(path).map_err(|source| Error::unreadable(path, source))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sharing_violation_is_one_on_windows_only() {
        for code in [32, 33] {
            assert!(is_open_elsewhere(Some(code), true));
            assert!(!is_open_elsewhere(Some(code), false));
        }
        assert!(!is_open_elsewhere(Some(5), true));
        assert!(!is_open_elsewhere(None, true));
    }
}
