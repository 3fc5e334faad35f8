//! The run record: what was run on what, so that it can be run again.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Write};
use std::path::Path;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::error::{Error, Result};

/// The file of the record in a results folder.
pub const RECORD: &str = "run.json";

/// What `run.json` holds.
///
/// It names no time and no machine, so that the same inputs, options and seed
/// give the same record.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct RunRecord {
    /// The program.
    pub program: String,
    /// Its version.
    pub version: String,
    /// The command.
    pub command: String,
    /// Arguments as given, the output folder left out.
    pub arguments: Vec<String>,
    /// Seed of everything drawn at random.
    pub seed: u64,
    /// Methods that options chose, such as that of the intervals.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub methods: BTreeMap<String, String>,
    /// Files read.
    pub inputs: Vec<InputFile>,
    /// Birds, strains, records, fits by status.
    pub counts: BTreeMap<String, usize>,
    /// What needs the reader's attention.
    pub warnings: Vec<String>,
    /// Files written into the results folder, each with its digest.
    pub outputs: Vec<OutputFile>,
    /// Files written elsewhere, such as saved equations; paths as the call gave them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub saved: Vec<OutputFile>,
}

/// A file that was written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OutputFile {
    /// Path relative to the output folder, with forward slashes.
    pub path: String,
    /// Length in bytes.
    pub bytes: u64,
    /// SHA-256 of its bytes, hexadecimal.
    pub sha256: String,
}

/// A file that was read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct InputFile {
    /// Path as given, with forward slashes.
    pub path: String,
    /// Length in bytes.
    pub bytes: u64,
    /// SHA-256 of its bytes, hexadecimal.
    pub sha256: String,
}

impl InputFile {
    /// Reads a file's length and digest.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub fn digest(path: &Path) -> Result<Self> {
        let digest = Tallied::of(path).map_err(|source| Error::unreadable(path, source))?;
        Ok(Self {
            path: recorded(path),
            bytes: digest.0,
            sha256: digest.1,
        })
    }
}

/// A path as records have it: the same on every system.
#[must_use]
pub fn recorded(path: &Path) -> String {
    let text = path.display().to_string();
    // Elsewhere a backslash is a letter like any other.
    if cfg!(windows) {
        text.replace('\\', "/")
    } else {
        text
    }
}

/// What is written to it goes on, counted and digested.
#[derive(Debug)]
pub struct Tallied<W = File> {
    inner: W,
    digest: Sha256,
    bytes: u64,
}

impl<W: Write> Tallied<W> {
    pub(super) fn new(inner: W) -> Self {
        Self {
            inner,
            digest: Sha256::new(),
            bytes: 0,
        }
    }

    /// Length and digest of what was written.
    pub(super) fn end(mut self) -> io::Result<(u64, String)> {
        self.inner.flush()?;
        let digest = self.digest.finalize();
        let sha256 = digest.iter().map(|byte| format!("{byte:02x}")).collect();
        Ok((self.bytes, sha256))
    }
}

impl Tallied<io::Sink> {
    /// Length and digest of a file, read piece by piece.
    pub(super) fn of(path: &Path) -> io::Result<(u64, String)> {
        let mut tallied = Self::new(io::sink());
        io::copy(&mut File::open(path)?, &mut tallied)?;
        tallied.end()
    }
}

impl<W: Write> Write for Tallied<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.inner.write(bytes)?;
        self.digest.update(&bytes[..written]);
        self.bytes += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}
