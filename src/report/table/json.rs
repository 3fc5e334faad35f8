//! Tables as JSON.

use serde::{Serialize, Serializer};

use super::{Cell, Table};

/// The table as an array of one object a row, keys in the order of the header.
impl Serialize for Table {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.held().map_err(serde::ser::Error::custom)?;
        serializer.collect_seq((0..self.rows()).map(|row| RowObject { table: self, row }))
    }
}

struct RowObject<'a> {
    table: &'a Table,
    row: usize,
}

impl Serialize for RowObject<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let cells = self.table.header.iter().enumerate();
        serializer
            .collect_map(cells.map(|(column, name)| (name, self.table.cell(self.row, column))))
    }
}

impl Serialize for Cell<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Cell::Missing => serializer.serialize_none(),
            Cell::Text(words) => serializer.serialize_str(words),
            Cell::Number(value) => serializer.serialize_f64(*value),
            Cell::Whole(value) => serializer.serialize_i64(*value),
        }
    }
}
