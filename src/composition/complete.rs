//! The rows of a frame in which everything that an equation needs stands.

use super::formula::{EquationColumn, Gap};
use super::frame::Frame;
use super::provenance::Scale;
use crate::error::{Error, Result};

/// Rows in which everything that is needed stands, ready for a regression.
pub(super) struct Complete {
    pub(super) frame: Frame,
    pub(super) observed: Vec<f64>,
    pub(super) response: Vec<f64>,
    pub(super) scale: Scale,
    pub(super) birds: Vec<usize>,
    pub(super) bird_names: Vec<String>,
    pub(super) incomplete: Vec<u32>,
}

impl Complete {
    /// Rows with the response and all `names`.
    pub(super) fn of(
        frame: &Frame,
        response: &str,
        names: &[&str],
        bird: Option<&str>,
    ) -> Result<Self> {
        let (scale, response_column) = match response
            .strip_prefix("log(")
            .and_then(|rest| rest.strip_suffix(')'))
        {
            Some(inside) => (Scale::Log, inside),
            None => (Scale::Identity, response),
        };
        frame.numbers(response_column)?;
        for name in names {
            frame.column(name)?;
        }
        if let Some(bird) = bird {
            frame.column(bird)?;
        }
        let needed = names.iter().copied().chain([response_column]).chain(bird);
        let needed: Vec<&str> = needed.collect();
        let whole = |row: &usize| needed.iter().all(|name| frame.value(name, *row).is_some());
        let (rows, missing): (Vec<usize>, Vec<usize>) = (0..frame.n()).partition(whole);
        let incomplete = missing.iter().map(|row| frame.rows[*row]).collect();
        let frame = frame.select(&rows);
        let observed = frame.numbers(response_column)?.to_vec();
        if scale == Scale::Log
            && let Some(row) = observed.iter().position(|value| *value <= 0.0)
        {
            return Err(Error::input(format!(
                "{}, row {}, column {response_column}: found {}, expected a number above 0 for its logarithm; correct the cell",
                frame.file, frame.rows[row], observed[row]
            )));
        }
        let mut bird_names: Vec<String> = Vec::new();
        let mut places = std::collections::HashMap::new();
        let birds = (0..frame.n())
            .map(|row| {
                let name = bird.map_or_else(
                    || frame.rows[row].to_string(),
                    |column| frame.label(column, row),
                );
                *places.entry(name.clone()).or_insert_with(|| {
                    bird_names.push(name);
                    bird_names.len() - 1
                })
            })
            .collect();
        Ok(Self {
            response: match scale {
                Scale::Identity => observed.clone(),
                Scale::Log => observed.iter().map(|value| value.ln()).collect(),
            },
            frame,
            observed,
            scale,
            birds,
            bird_names,
            incomplete,
        })
    }

    pub(super) fn check_birds(&self, columns: usize) -> Result<()> {
        let birds = self.bird_names.len();
        if birds > columns {
            return Ok(());
        }
        let one = if birds == 1 { "bird" } else { "birds" };
        Err(Error::input(format!(
            "{}: found {birds} {one} with all values, expected at least {} for an equation of {columns} coefficients; analyse more birds or name fewer terms",
            self.frame.file,
            columns + 1
        )))
    }

    /// The columns' values, one list a column.
    pub(super) fn design(&self, columns: &[EquationColumn]) -> Result<Vec<(String, Vec<f64>)>> {
        let build = |column: &EquationColumn| {
            let values: Result<Vec<f64>> = (0..self.frame.n())
                .map(|row| {
                    column
                        .value(|name| self.frame.value(name, row))
                        .map_err(|gap| gap_error(&gap, &self.frame.file, self.frame.rows[row]))
                })
                .collect();
            Ok((column.to_string(), values?))
        };
        columns.iter().map(build).collect()
    }
}

/// A value that a row lacks, as an error with its place.
pub(super) fn gap_error(gap: &Gap, file: &str, row: u32) -> Error {
    let (name, found, expected) = match gap {
        Gap::Missing(name) => (name, "no value", "one"),
        Gap::NotPositive(name) => (
            name,
            "a number not above 0",
            "one above 0 for its logarithm",
        ),
    };
    Error::input(format!(
        "{file}, row {row}, column {name}: found {found}, expected {expected}; fill in the cell or leave the term out"
    ))
}
