//! The library's tables as Arrow tables, with unit and meaning of each column in its metadata.

use std::collections::HashMap;
use std::sync::Arc;

use arrow_array::{ArrayRef, Float64Array, Int64Array, RecordBatch, StringArray};
use arrow_schema::{DataType, Field, Schema};
use pinfeather::report::{Cell, Table};

use crate::Result;

/// A table as one batch: text, whole numbers (int64) and numbers (float64), missing cells null.
pub(crate) fn batch(table: &Table) -> Result<RecordBatch> {
    let rows = table.rows();
    let (mut fields, mut columns): (Vec<Field>, Vec<ArrayRef>) = (Vec::new(), Vec::new());
    for (place, about) in table.columns().iter().enumerate() {
        let cells = || (0..rows).map(|row| table.cell(row, place));
        let kind = match cells().find(|cell| *cell != Cell::Missing) {
            Some(Cell::Text(_)) => DataType::Utf8,
            Some(Cell::Whole(_)) => DataType::Int64,
            Some(Cell::Number(_)) => DataType::Float64,
            // Only numbers have a unit.
            _ if about.unit.is_empty() => DataType::Utf8,
            _ => DataType::Float64,
        };
        columns.push(match kind {
            DataType::Utf8 => Arc::new(StringArray::from_iter(cells().map(|cell| match cell {
                Cell::Text(text) => Some(text),
                _ => None,
            }))),
            DataType::Int64 => Arc::new(Int64Array::from_iter(cells().map(|cell| match cell {
                Cell::Whole(whole) => Some(whole),
                _ => None,
            }))),
            _ => Arc::new(Float64Array::from_iter(cells().map(|cell| match cell {
                Cell::Number(number) => Some(number),
                _ => None,
            }))),
        });
        let about = HashMap::from([
            ("unit".to_owned(), about.unit.to_owned()),
            ("meaning".to_owned(), about.meaning.to_owned()),
        ]);
        fields.push(Field::new(table.header()[place], kind, true).with_metadata(about));
    }
    Ok(RecordBatch::try_new(
        Arc::new(Schema::new(fields)),
        columns,
    )?)
}
