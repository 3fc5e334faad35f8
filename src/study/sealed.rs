//! The text of a saved model (an equation, a population) with a digest in it, so that a
//! file that was cut short or edited is noticed.

use std::path::Path;

use serde::de::DeserializeOwned;
use sha2::{Digest as _, Sha256};

use crate::error::{Error, Result, read_file};

/// How the line of the digest begins.
const DIGEST_LINE: &str = "digest = \"sha256:";

/// Puts the digest in, below the line of the format.
#[must_use]
pub fn sealed(text: &str) -> String {
    let body = without_digest(text);
    let digest = digest(body.as_bytes());
    let mut sealed = String::with_capacity(body.len() + 90);
    let mut placed = false;
    for line in body.lines() {
        sealed.push_str(line);
        sealed.push('\n');
        if !placed && line.starts_with("format") {
            sealed.push_str(&format!("digest = \"{digest}\"\n"));
            placed = true;
        }
    }
    sealed
}

/// Reads a sealed file and checks that it is whole and unchanged; `what` it is, such as
/// "equation", stands in the messages.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) where the file is not there, no text,
/// cut short, or changed since it was saved.
pub fn read_sealed(path: &Path, what: &str) -> Result<String> {
    let file = path.display();
    let text = String::from_utf8(read_file(path)?).map_err(|_| {
        Error::input(format!("{file}: found bytes that are no UTF-8, expected a saved {what}; get the file again from its source"))
    })?;
    // Another system's line ends are no change.
    let text = text.replace("\r\n", "\n");
    let wrong = |found: &str| {
        Error::input(format!(
            "{file}: found {found}, expected a whole {what} that was saved; save the {what} again, or get the file again from its source"
        ))
    };
    let written = text
        .lines()
        .find_map(|line| line.strip_prefix(DIGEST_LINE))
        .and_then(|rest| rest.split('"').next())
        .ok_or_else(|| wrong("no digest"))?;
    if digest(without_digest(&text).as_bytes()).strip_prefix("sha256:") != Some(written) {
        return Err(wrong(
            "a text that does not match its digest: the file was cut short or changed",
        ));
    }
    Ok(text)
}

/// The keys of a saved model's text.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) with the row where a key is missing,
/// unknown or of another kind.
pub fn saved_keys<T: DeserializeOwned>(text: &str, file: &str, what: &str) -> Result<T> {
    toml::from_str(text).map_err(|error| {
        let row = error.span().map_or(1, |span| {
            text[..span.start.min(text.len())].matches('\n').count() + 1
        });
        let message = error.message().replace('\n', ", ");
        Error::input(format!(
            "{file}, row {row}: found text that is no {what} ({message}), expected the keys of a saved {what}; correct the row"
        ))
    })
}

/// SHA-256 of some bytes, as the files write it.
#[must_use]
pub fn digest(bytes: &[u8]) -> String {
    let hash = Sha256::digest(bytes);
    let hex: Vec<String> = hash.iter().map(|byte| format!("{byte:02x}")).collect();
    format!("sha256:{}", hex.concat())
}

/// The text without its digest; line ends as they are here, since copying
/// between systems changes them.
#[must_use]
pub fn without_digest(text: &str) -> String {
    let lines = text.lines().filter(|line| !line.starts_with(DIGEST_LINE));
    let mut body = lines.collect::<Vec<_>>().join("\n");
    body.truncate(body.trim_end().len());
    body.push('\n');
    body
}
