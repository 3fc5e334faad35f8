//! The run record: what was run on what, so that it can be run again.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::staged::{OutputFile, hexadecimal};
use crate::error::{self, Result};

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
    /// Files written, each with its digest.
    pub outputs: Vec<OutputFile>,
}

/// A file that was read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct InputFile {
    /// Path as given.
    pub path: String,
    /// Length in bytes.
    pub bytes: usize,
    /// SHA-256 of its bytes, hexadecimal.
    pub sha256: String,
}

impl InputFile {
    /// Reads a file's length and digest.
    ///
    /// # Errors
    /// Where the file cannot be read.
    pub fn digest(path: &Path) -> Result<Self> {
        let bytes = error::read_file(path)?;
        let sha256 = hexadecimal(&Sha256::digest(&bytes));
        Ok(Self {
            path: path.display().to_string(),
            bytes: bytes.len(),
            sha256,
        })
    }
}
