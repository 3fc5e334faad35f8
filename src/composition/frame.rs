//! A table of named columns, one row an observation: what an equation is fitted to.

use std::collections::BTreeMap;
use std::path::Path;

use crate::error::{Error, Result};
use crate::study::{self, Format};

/// A table of named columns.
///
/// # Shapes
/// Every column has as many entries as `rows`.
#[derive(Debug, Clone, Default)]
pub struct Frame {
    /// The file that it came from, for messages.
    pub file: String,
    /// The row of the file behind each row (1 is the header).
    pub rows: Vec<u32>,
    /// Columns by name.
    pub columns: BTreeMap<String, Column>,
    /// A warning on how the file was read.
    pub warning: Option<String>,
    /// Units of columns that are neither masses in grams nor percentages, such as densities.
    pub units: BTreeMap<String, String>,
}

/// One column.
#[derive(Debug, Clone, PartialEq)]
pub enum Column {
    /// Numbers, NaN where missing.
    Numbers(Vec<f64>),
    /// Words, empty where missing.
    Words(Vec<String>),
}

/// What stands in one row and column.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Value<'a> {
    /// A finite number.
    Number(f64),
    /// A word.
    Word(&'a str),
}

impl Frame {
    /// Reads a bare table: a column whose cells all read as numbers is one of
    /// numbers, any other one of words.
    ///
    /// # Errors
    /// [`ErrorKind::Input`](crate::ErrorKind::Input) for a file that cannot be
    /// read as a table, each fault with its row.
    pub fn read(path: &Path, format: &Format) -> Result<Self> {
        let table = study::read_columns(path, format)?;
        let columns = table.columns.into_iter().map(|(name, column)| {
            let column = match column {
                study::AnyColumn::Numbers(numbers) => Column::Numbers(numbers),
                study::AnyColumn::Words(words) => Column::Words(words),
            };
            (name, column)
        });
        Ok(Self {
            file: table.file,
            rows: table.rows,
            columns: columns.collect(),
            warning: table.warning,
            units: BTreeMap::new(),
        })
    }

    /// Rows.
    #[must_use]
    pub fn n(&self) -> usize {
        self.rows.len()
    }

    /// Adds a column of numbers.
    pub fn add_numbers(&mut self, name: &str, numbers: Vec<f64>) {
        self.columns
            .insert(name.to_owned(), Column::Numbers(numbers));
    }

    /// Adds a column of words.
    pub fn add_words(&mut self, name: &str, words: Vec<String>) {
        self.columns.insert(name.to_owned(), Column::Words(words));
    }

    /// What stands in a row of a column; `None` where there is no such column or
    /// the cell is missing.
    #[must_use]
    pub fn value(&self, name: &str, row: usize) -> Option<Value<'_>> {
        match self.columns.get(name)? {
            Column::Numbers(numbers) => Some(numbers[row])
                .filter(|number| number.is_finite())
                .map(Value::Number),
            Column::Words(words) => Some(words[row].as_str())
                .filter(|word| !word.is_empty())
                .map(Value::Word),
        }
    }

    /// A column of numbers.
    ///
    /// # Errors
    /// [`ErrorKind::Call`](crate::ErrorKind::Call) where there is no such column
    /// or it holds words, with the columns that there are.
    pub fn numbers(&self, name: &str) -> Result<&[f64]> {
        match self.column(name)? {
            Column::Numbers(numbers) => Ok(numbers),
            Column::Words(words) => {
                let (row, word) = self
                    .rows
                    .iter()
                    .zip(words)
                    .find(|(_, word)| !word.is_empty() && word.parse::<f64>().is_err())
                    .map_or((1, ""), |(row, word)| (*row, word.as_str()));
                Err(Error::input(format!(
                    "{}, row {row}, column {name}: found \"{word}\", expected a number; correct the cell or mark it missing (NA)",
                    self.file
                )))
            }
        }
    }

    /// The column of that name.
    ///
    /// # Errors
    /// [`ErrorKind::Call`](crate::ErrorKind::Call) where there is none, with the
    /// columns that there are.
    pub fn column(&self, name: &str) -> Result<&Column> {
        self.columns.get(name).ok_or_else(|| {
            let known: Vec<&str> = self.columns.keys().map(String::as_str).collect();
            Error::call(format!(
                "{}: found no column {name}, expected one of {}; correct the name",
                self.file,
                known.join(", ")
            ))
        })
    }

    /// A row's words in a column, a number as it is written; empty where missing.
    #[must_use]
    pub fn label(&self, name: &str, row: usize) -> String {
        match self.value(name, row) {
            Some(Value::Word(word)) => word.to_owned(),
            Some(Value::Number(number)) => number.to_string(),
            None => String::new(),
        }
    }

    /// The unit of a response, as an equation states it: `g`, `pct` of a percentage by its name,
    /// or that of a density.
    #[must_use]
    pub fn unit_of(&self, response: &str) -> String {
        let percent = response.ends_with("_pct") || response.contains("percent");
        let usual = if percent { "pct" } else { "g" };
        let stated = self.units.get(response);
        stated.map_or_else(|| usual.to_owned(), String::clone)
    }

    /// The same columns, some of the rows.
    #[must_use]
    pub fn select(&self, rows: &[usize]) -> Self {
        let columns = self.columns.iter().map(|(name, column)| {
            let column = match column {
                Column::Numbers(numbers) => {
                    Column::Numbers(rows.iter().map(|row| numbers[*row]).collect())
                }
                Column::Words(words) => {
                    Column::Words(rows.iter().map(|row| words[*row].clone()).collect())
                }
            };
            (name.clone(), column)
        });
        Self {
            file: self.file.clone(),
            rows: rows.iter().map(|row| self.rows[*row]).collect(),
            columns: columns.collect(),
            warning: self.warning.clone(),
            units: self.units.clone(),
        }
    }
}
