//! A frame as the text of a table, which the library's reader then reads as any other.

use std::fs::File;
use std::io::BufWriter;
use std::path::PathBuf;
use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, Int64Type};
use arrow_array::{Array, ArrayRef, RecordBatch};
use arrow_cast::cast;
use arrow_csv::WriterBuilder;
use arrow_schema::{DataType, Field, Schema, TimeUnit};
use pyo3::prelude::*;
use pyo3_arrow::input::AnyRecordBatch;

use crate::fit_curves::numbers;
use crate::{Fault, Result};

/// Writes a table as comma-separated text: numbers to the last digit, missing cells empty.
#[pyfunction]
pub(crate) fn write_csv(py: Python<'_>, table: AnyRecordBatch, path: PathBuf) -> PyResult<()> {
    let (batches, schema) = table.into_table()?.into_inner();
    py.detach(|| -> Result<()> {
        let mut writer = WriterBuilder::new()
            .with_header(true)
            .with_timestamp_format("%Y-%m-%dT%H:%M:%S".to_owned())
            .build(BufWriter::new(File::create(path)?));
        let dates: Vec<bool> = (0..schema.fields().len())
            .map(|place| batches.iter().all(|batch| is_day(batch.column(place))))
            .collect();
        let empty = [RecordBatch::new_empty(schema.clone())];
        let batches = if batches.is_empty() {
            &empty[..]
        } else {
            &batches
        };
        for batch in batches {
            let (mut fields, mut columns) = (Vec::new(), Vec::new());
            for (place, field) in schema.fields().iter().enumerate() {
                let column = plain(field.name(), batch.column(place), dates[place])?;
                fields.push(Field::new(field.name(), column.data_type().clone(), true));
                columns.push(column);
            }
            let schema = Arc::new(Schema::new(fields));
            writer.write(&RecordBatch::try_new(schema, columns)?)?;
        }
        Ok(())
    })?;
    Ok(())
}

/// Whether a column holds moments that are all midnight: a day in most frames.
fn is_day(column: &ArrayRef) -> bool {
    let DataType::Timestamp(unit, None) = column.data_type() else {
        return false;
    };
    let ticks = match unit {
        TimeUnit::Second => 1,
        TimeUnit::Millisecond => 1_000,
        TimeUnit::Microsecond => 1_000_000,
        TimeUnit::Nanosecond => 1_000_000_000,
    };
    cast(column, &DataType::Int64).is_ok_and(|whole| {
        let whole = whole.as_primitive::<Int64Type>();
        whole
            .iter()
            .flatten()
            .all(|moment| moment % (86_400 * ticks) == 0)
    })
}

/// A column as it is written: days without a time of day, NaN as a missing cell.
fn plain(name: &str, column: &ArrayRef, day: bool) -> Result<ArrayRef> {
    if day {
        return Ok(cast(column, &DataType::Date32)?);
    }
    match column.data_type() {
        DataType::Float64 => {
            let values = column.as_primitive::<Float64Type>().iter();
            Ok(numbers(
                values.map(|value| value.unwrap_or(f64::NAN)).collect(),
            ))
        }
        DataType::Float16 | DataType::Float32 => {
            plain(name, &cast(column, &DataType::Float64)?, false)
        }
        DataType::Dictionary(_, values) => Ok(cast(column, values)?),
        kind if kind.is_nested() || kind.is_binary() => Err(Fault(format!(
            "column {name}: found type {kind}, expected numbers, text or days; leave the column out"
        ))),
        _ => Ok(column.clone()),
    }
}
