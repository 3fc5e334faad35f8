//! Where the rows of a long table wait until they are written.

use std::fs::File;
use std::io::{Read as _, Seek as _, SeekFrom, Write as _};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use super::cells::{Column, from_bytes, to_bytes};

/// A temporary file without a name, made when the first rows come and gone with the table.
#[derive(Debug, Clone, Default)]
pub(in crate::report) struct Shelf(Arc<Mutex<Option<File>>>);

/// Columns that are in the file.
#[derive(Debug, Clone)]
pub(super) struct Shelved {
    shelf: Shelf,
    offset: u64,
    length: usize,
    /// Read back, where cells were requested one by one.
    held: OnceLock<Vec<Column>>,
}

impl Shelf {
    /// Puts columns into the file; the reason where there is no room for them.
    pub(super) fn put(&self, columns: &[Column]) -> std::io::Result<Shelved> {
        let bytes = to_bytes(columns);
        let mut place = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let file = match &mut *place {
            Some(file) => file,
            none => none.insert(tempfile::tempfile()?),
        };
        let offset = file.seek(SeekFrom::End(0))?;
        file.write_all(&bytes)?;
        Ok(Shelved {
            shelf: self.clone(),
            offset,
            length: bytes.len(),
            held: OnceLock::new(),
        })
    }
}

impl Shelved {
    /// The columns, read from the file.
    pub(super) fn read(&self) -> std::io::Result<Vec<Column>> {
        let mut bytes = vec![0; self.length];
        {
            let mut place = self.shelf.0.lock().unwrap_or_else(PoisonError::into_inner);
            let file = place.as_mut().ok_or(std::io::ErrorKind::NotFound)?;
            file.seek(SeekFrom::Start(self.offset))?;
            file.read_exact(&mut bytes)?;
        }
        from_bytes(&bytes).ok_or_else(|| {
            std::io::Error::new(
                std::io::ErrorKind::InvalidData,
                "rows in a temporary file were changed",
            )
        })
    }

    /// The columns, kept from then on.
    pub(super) fn hold(&self) -> std::io::Result<&[Column]> {
        if self.held.get().is_none() {
            let columns = self.read()?;
            return Ok(self.held.get_or_init(|| columns));
        }
        Ok(self.held.get().map_or(&[], Vec::as_slice))
    }
}
