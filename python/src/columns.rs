//! Numbers and identities out of the columns of a table.

use std::collections::HashMap;
use std::hash::Hash;

use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, Int64Type};
use arrow_array::{Array, ArrayRef, Float64Array, RecordBatch, downcast_dictionary_array};
use arrow_cast::{CastOptions, cast_with_options};
use arrow_schema::DataType;

use crate::{Fault, Result};

/// A column in the chunks of its table.
pub(crate) fn chunks(batches: &[RecordBatch], name: &str) -> Result<Vec<ArrayRef>> {
    let of = |batch: &RecordBatch| {
        batch.column_by_name(name).cloned().ok_or_else(|| {
            Fault(format!(
                "column {name}: not found in the table, expected a column of this name"
            ))
        })
    };
    batches.iter().map(of).collect()
}

/// A column's type in words.
fn type_words(kind: &DataType) -> String {
    match kind {
        DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View => "text".to_owned(),
        DataType::Dictionary(_, values) => format!("categories of {}", type_words(values)),
        other => format!("type {other}"),
    }
}

fn cast(name: &str, array: &ArrayRef, to: &DataType, expected: &str) -> Result<ArrayRef> {
    let strict = CastOptions {
        safe: false,
        ..CastOptions::default()
    };
    cast_with_options(array, to, &strict).map_err(|error| {
        Fault(format!(
            "column {name}: found {} ({error}), expected {expected}",
            type_words(array.data_type())
        ))
    })
}

/// A column of numbers, a chunk each: those of float64 as they are, others converted.
///
/// # Errors
/// A column that is not there or holds no numbers; `meaning` is what they stand for.
pub(crate) fn numbers(
    batches: &[RecordBatch],
    name: &str,
    meaning: &str,
) -> Result<Vec<Float64Array>> {
    let expected = format!("numbers, {meaning}");
    let number = |array: &ArrayRef| {
        let mut plain = array.data_type();
        if let DataType::Dictionary(_, values) = plain {
            plain = values;
        }
        if !(plain.is_numeric() || *plain == DataType::Null) {
            return Err(Fault(format!(
                "column {name}: found {}, expected {expected}; convert the column to float64",
                type_words(array.data_type())
            )));
        }
        let array = cast(name, array, &DataType::Float64, &expected)?;
        Ok(array.as_primitive::<Float64Type>().clone())
    };
    chunks(batches, name)?.iter().map(number).collect()
}

/// Codes of the values of one identity column, in order of first appearance.
#[derive(Default)]
struct Codes {
    texts: HashMap<Box<[u8]>, u32>,
    wholes: HashMap<i64, u32>,
}

impl Codes {
    /// The codes of a chunk that has no nulls.
    fn of(&mut self, name: &str, array: &ArrayRef) -> Result<Vec<u32>> {
        let rows = array.len();
        Ok(match array.data_type() {
            DataType::Dictionary(..) => return self.of_dictionary(name, array),
            DataType::Utf8 => {
                let array = array.as_string::<i32>();
                self.of_texts(rows, |row| array.value(row).as_bytes())
            }
            DataType::LargeUtf8 => {
                let array = array.as_string::<i64>();
                self.of_texts(rows, |row| array.value(row).as_bytes())
            }
            DataType::Utf8View => {
                let array = array.as_string_view();
                self.of_texts(rows, |row| array.value(row).as_bytes())
            }
            plain if plain.is_integer() => {
                let array = cast(name, array, &DataType::Int64, "whole numbers below 2^63")?;
                let array = array.as_primitive::<Int64Type>();
                let codes = &mut self.wholes;
                coded(rows, |row| array.value(row), |whole| code(codes, whole))
            }
            // A day, a truth value or the like that sets groups apart: by its text.
            _ => {
                let expected = "text, categories or whole numbers";
                let array = cast(name, array, &DataType::Utf8, expected)?;
                let array = array.as_string::<i32>();
                self.of_texts(rows, |row| array.value(row).as_bytes())
            }
        })
    }

    fn of_texts<'a>(&mut self, rows: usize, text: impl Fn(usize) -> &'a [u8]) -> Vec<u32> {
        let codes = &mut self.texts;
        coded(rows, text, |text| match codes.get(text) {
            Some(code) => *code,
            None => code(codes, text.into()),
        })
    }

    fn of_dictionary(&mut self, name: &str, array: &ArrayRef) -> Result<Vec<u32>> {
        downcast_dictionary_array!(
            array => {
                // Only values that some row has get a code: a dictionary may hold more.
                let mut used = vec![false; array.values().len()];
                let keys: Vec<usize> = array.keys_iter().map(Option::unwrap_or_default).collect();
                keys.iter().for_each(|key| used[*key] = true);
                let values = array.values();
                let mut order: Vec<usize> = Vec::new();
                for key in &keys {
                    if std::mem::take(&mut used[*key]) {
                        order.push(*key);
                    }
                }
                let places = arrow_array::UInt64Array::from_iter_values(order.iter().map(|key| *key as u64));
                let values = arrow_select::take::take(values, &places, None)?;
                let mut by_key = vec![0; array.values().len()];
                for (key, code) in order.into_iter().zip(self.of(name, &values)?) {
                    by_key[key] = code;
                }
                Ok(keys.into_iter().map(|key| by_key[key]).collect())
            }
            _ => Err(Fault(format!("column {name}: found a dictionary of an unknown kind")))
        )
    }
}

/// Codes of rows, looked up only where a value differs from the one before.
fn coded<K: PartialEq + Copy>(
    rows: usize,
    value: impl Fn(usize) -> K,
    mut code: impl FnMut(K) -> u32,
) -> Vec<u32> {
    let mut before: Option<(K, u32)> = None;
    let mut one = |row| {
        let value = value(row);
        match before {
            Some((same, code)) if same == value => code,
            _ => {
                let code = code(value);
                before = Some((value, code));
                code
            }
        }
    };
    (0..rows).map(&mut one).collect()
}

/// The code of a key: a new one where it was not yet seen.
fn code<K: Hash + Eq>(codes: &mut HashMap<K, u32>, key: K) -> u32 {
    // More than four billion birds do not fit into memory.
    let next = u32::try_from(codes.len()).unwrap_or(u32::MAX);
    *codes.entry(key).or_insert(next)
}

/// The code of each row's identity, a chunk each, and how many there are: birds of the same name
/// in another group (`names` but the last) are other birds.
///
/// # Errors
/// A column that is not there, is of a wrong type, or has a row without a value.
pub(crate) fn identities(
    batches: &[RecordBatch],
    names: &[String],
) -> Result<(Vec<Vec<u32>>, usize)> {
    let mut all: Option<Vec<Vec<u32>>> = None;
    let mut count = 0;
    for (place, name) in names.iter().enumerate() {
        let columns = chunks(batches, name)?;
        complete(name, &columns)?;
        if place + 1 == names.len() {
            is_name(name, &columns)?;
        }
        let mut codes = Codes::default();
        let own: Result<Vec<Vec<u32>>> =
            columns.iter().map(|chunk| codes.of(name, chunk)).collect();
        let own = own?;
        count = codes.texts.len() + codes.wholes.len();
        all = Some(match all {
            None => own,
            Some(outer) => {
                let mut pairs: HashMap<(u32, u32), u32> = HashMap::new();
                let both = outer.iter().zip(&own).map(|(outer, own)| {
                    let pair = |row: usize| (outer[row], own[row]);
                    coded(own.len(), pair, |pair| code(&mut pairs, pair))
                });
                let both = both.collect();
                count = pairs.len();
                both
            }
        });
    }
    Ok((all.unwrap_or_default(), count))
}

/// That every row has a value.
fn complete(name: &str, columns: &[ArrayRef]) -> Result<()> {
    let (mut missing, mut first, mut before) = (0, None, 0);
    for chunk in columns {
        if let Some(nulls) = chunk.logical_nulls().filter(|nulls| nulls.null_count() > 0) {
            missing += nulls.null_count();
            let place = (0..nulls.len()).find(|row| nulls.is_null(*row));
            first = first.or(place.map(|row| before + row));
        }
        before += chunk.len();
    }
    match first {
        None => Ok(()),
        Some(row) => Err(Fault(format!(
            "column {name}: found no value in {missing} rows (the first is row {row}, counted from 0), \
             expected a name in every row; fill or leave out these rows"
        ))),
    }
}

/// That a column can name birds: text, categories of text, or whole numbers.
fn is_name(name: &str, columns: &[ArrayRef]) -> Result<()> {
    for chunk in columns {
        let mut plain = chunk.data_type();
        if let DataType::Dictionary(_, values) = plain {
            plain = values;
        }
        let named = matches!(
            plain,
            DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View
        );
        if !(named || plain.is_integer()) {
            return Err(Fault(format!(
                "column {name}: found {}, expected the birds' names: text, categories or whole numbers; \
                 convert the column to text",
                type_words(chunk.data_type())
            )));
        }
    }
    Ok(())
}
