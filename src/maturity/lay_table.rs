//! A bare table with one row a bird: when it laid, and its cues.

use std::collections::HashMap;
use std::path::Path;

use super::lay::{CueColumn, LayBird, LayRecords, Reading};
use crate::error::{Error, Result};
use crate::stats::time_to_event::EventTime;
use crate::study::{self, AnyColumn, AnyTable, Faults, Format, NO_GROUPS, Place};

/// Ending of the column that holds a cue's standard error, where there is one.
const STD_ERROR: &str = "_std_error";

/// What the columns of a table with one row a bird mean.
#[derive(Debug, Clone, Default)]
pub struct LayColumns {
    /// Column that names the bird; rows are numbered without one.
    pub bird: Option<String>,
    /// Age at first egg, or at the last look where there was none.
    pub time: Option<String>,
    /// Whether it had laid: 0 or 1, 1 or 2 (2 laid), no or yes; without it every age is of an egg.
    pub event: Option<String>,
    /// Last look without an egg; empty where it was never looked at before it laid.
    pub lower: Option<String>,
    /// First look with an egg; empty where there was none.
    pub upper: Option<String>,
    /// Cues: columns of numbers.
    pub cues: Vec<String>,
    /// Column that serves as strain; a column `strain` where left out, and no column for `none`.
    pub group: Option<String>,
    /// Days in the unit of the ages: 1 or 7.
    pub days_per_unit: f64,
    /// How the table is written.
    pub format: Format,
}

/// The table as read.
#[derive(Debug, Clone)]
pub struct LayTable {
    /// Birds and cues.
    pub records: LayRecords,
    /// What is no fault but should be known.
    pub notes: Vec<String>,
}

/// Reads a table with one row a bird.
///
/// The limits, where a row has any, go before its time: both and equal is an exact
/// age, the lower alone a bird that had not laid by then, the upper alone one that
/// had. A row without any time is left out and counted. A cue's standard error is
/// read from the column of its name and `_std_error`, where there is one.
///
/// # Errors
/// A call error where neither a time nor a limit is named; an input error with each
/// fault's file, row and column.
pub fn read_lay_table(path: &Path, columns: &LayColumns) -> Result<LayTable> {
    if columns.time.is_none() && columns.lower.is_none() && columns.upper.is_none() {
        return Err(Error::call(
            "neither --time nor --lower or --upper: expected the columns with the time of each bird's first egg",
        ));
    }
    let table = study::read_columns(path, &columns.format)?;
    let cells = Cells::read(&table, columns)?;
    let mut notes: Vec<String> = table.warning.iter().cloned().collect();
    notes.extend(cells.coding.clone());
    let (birds, strains, kept) = cells.birds(&table, columns)?;
    let left_out = table.rows.len() - kept.len();
    if left_out > 0 {
        notes.push(format!(
            "{left_out} rows have no information on when the bird laid and are left out"
        ));
    }
    if birds.is_empty() {
        return Err(Error::input(format!(
            "{}: found no row with a time, expected one row a bird with its age at first egg or at the last look",
            table.file
        )));
    }
    let cues = cells.cues.into_iter().map(|cue| CueColumn {
        readings: kept.iter().map(|row| cue.readings[*row]).collect(),
        ..cue
    });
    Ok(LayTable {
        records: LayRecords {
            birds,
            strains,
            cues: cues.collect(),
            counted_from_d: 0.0,
        },
        notes,
    })
}

/// The columns that matter, as they stand; missing numbers are NaN.
struct Cells {
    names: Option<Vec<String>>,
    group: Option<Vec<String>>,
    time: Option<Vec<f64>>,
    event: Option<Vec<Option<bool>>>,
    lower: Option<Vec<f64>>,
    upper: Option<Vec<f64>>,
    cues: Vec<CueColumn>,
    /// How the codes of the event were read, where that was a choice.
    coding: Option<String>,
}

/// Birds, names of the strains, and the rows that the birds came from.
type Birds = (Vec<LayBird>, Vec<String>, Vec<usize>);

impl Cells {
    fn read(table: &AnyTable, columns: &LayColumns) -> Result<Self> {
        let mut reader = Reader {
            table,
            faults: Faults::default(),
        };
        let numbers = |name: &Option<String>, reader: &mut Reader<'_>| {
            name.as_ref().and_then(|name| reader.numbers(name))
        };
        let usual = |wanted: &Option<String>, usual: &str| {
            let there = table.columns.iter().any(|(name, _)| name == usual);
            wanted.clone().or(there.then(|| usual.to_owned()))
        };
        let bird = usual(&columns.bird, "bird");
        let group = usual(&columns.group, "strain").filter(|group| group != NO_GROUPS);
        let event = columns.event.as_ref().and_then(|name| reader.events(name));
        let (event, coding) = event.map_or((None, None), |(event, coding)| (Some(event), coding));
        let cells = Self {
            names: bird.as_ref().and_then(|name| reader.words(name)),
            group: group.as_ref().and_then(|name| reader.words(name)),
            time: numbers(&columns.time, &mut reader),
            event,
            lower: numbers(&columns.lower, &mut reader),
            upper: numbers(&columns.upper, &mut reader),
            cues: columns
                .cues
                .iter()
                .filter_map(|name| reader.cue(name))
                .collect(),
            coding,
        };
        reader.faults.or(cells)
    }

    fn birds(&self, table: &AnyTable, columns: &LayColumns) -> Result<Birds> {
        let (mut birds, mut kept, mut faults) = (Vec::new(), Vec::new(), Faults::default());
        let mut strains = Strains::default();
        for (row, line) in table.rows.iter().enumerate() {
            let cell = |values: &Option<Vec<f64>>| {
                let value = values.as_ref().map(|values| values[row]);
                value.filter(|value| !value.is_nan())
            };
            let cells = FirstEggCells {
                time: cell(&self.time),
                laid: self.event.as_ref().map(|event| event[row]),
                lower: cell(&self.lower),
                upper: cell(&self.upper),
            };
            match cells.first_egg(columns.days_per_unit) {
                Ok(None) => {}
                Ok(Some(first_egg)) => {
                    kept.push(row);
                    let names = self.names.as_ref();
                    let group = self.group.as_ref();
                    birds.push(LayBird {
                        name: names.map_or_else(|| (row + 1).to_string(), |n| n[row].clone()),
                        strain: strains.place(group.map_or("all", |group| &group[row])),
                        first_egg,
                        entered: 0.0,
                    });
                }
                Err((which, found, expected)) => {
                    let header = match which {
                        Which::Time => &columns.time,
                        Which::Event => &columns.event,
                        Which::Lower => &columns.lower,
                        Which::Upper => &columns.upper,
                    };
                    let header = header.as_deref().unwrap_or_default();
                    faults.add(
                        Place::cell(&table.file, *line, header),
                        found,
                        expected,
                        "correct the cell, or mark it missing (NA)",
                    );
                }
            }
        }
        faults.or((birds, strains.names, kept))
    }
}

/// Strains in order of first appearance.
#[derive(Default)]
struct Strains {
    names: Vec<String>,
    places: HashMap<String, usize>,
}

impl Strains {
    fn place(&mut self, name: &str) -> usize {
        if let Some(place) = self.places.get(name) {
            return *place;
        }
        self.names.push(name.to_owned());
        self.places.insert(name.to_owned(), self.names.len() - 1);
        self.names.len() - 1
    }
}

/// The first egg of a row's bird.
struct FirstEggCells {
    time: Option<f64>,
    laid: Option<Option<bool>>,
    lower: Option<f64>,
    upper: Option<f64>,
}

enum Which {
    Time,
    Event,
    Lower,
    Upper,
}

/// The column with the fault, what stands there, what was expected.
type Contradiction = (Which, String, &'static str);

impl FirstEggCells {
    fn first_egg(&self, days: f64) -> std::result::Result<Option<EventTime>, Contradiction> {
        let limit = |which: Which, age: f64| {
            if age >= 0.0 {
                Ok(age * days)
            } else {
                Err((which, age.to_string(), "an age of 0 or more"))
            }
        };
        let lower = self.lower.map(|age| limit(Which::Lower, age)).transpose()?;
        let upper = self.upper.map(|age| limit(Which::Upper, age)).transpose()?;
        let above_0 = |which: Which, age_d: f64| {
            if age_d > 0.0 {
                Ok(age_d)
            } else {
                Err((which, "0".to_owned(), "an age above 0"))
            }
        };
        match (lower, upper) {
            // A lower limit of 0 means only that the bird has hatched.
            (Some(lower), Some(upper)) if lower <= 0.0 => {
                return Ok(Some(EventTime::Before(above_0(Which::Upper, upper)?)));
            }
            (Some(lower), Some(upper)) if lower < upper => {
                return Ok(Some(EventTime::Between(lower, upper)));
            }
            (Some(lower), Some(upper)) if lower > upper => {
                let found = format!("{upper} d, before the lower limit {lower} d");
                return Err((Which::Upper, found, "the lower limit or a later age"));
            }
            (Some(lower), Some(_)) => return Ok(Some(EventTime::Exact(lower))),
            (Some(lower), None) => {
                return Ok(Some(EventTime::After(above_0(Which::Lower, lower)?)));
            }
            (None, Some(upper)) => {
                return Ok(Some(EventTime::Before(above_0(Which::Upper, upper)?)));
            }
            (None, None) => {}
        }
        let Some(time) = self.time else {
            return Ok(None);
        };
        if time <= 0.0 {
            return Err((Which::Time, time.to_string(), "an age above 0"));
        }
        match self.laid {
            None | Some(Some(true)) => Ok(Some(EventTime::Exact(time * days))),
            Some(Some(false)) => Ok(Some(EventTime::After(time * days))),
            Some(None) => Err((
                Which::Event,
                "an empty cell beside a time".to_owned(),
                "whether the bird had laid by then, 1 or 0",
            )),
        }
    }
}

/// Whether each row's event happened, and how the codes were read.
type Events = (Vec<Option<bool>>, Option<String>);

/// The table being read, with the faults so far.
struct Reader<'a> {
    table: &'a AnyTable,
    faults: Faults,
}

impl<'a> Reader<'a> {
    fn column(&mut self, name: &str) -> Option<&'a AnyColumn> {
        let found = self.table.columns.iter().find(|(header, _)| header == name);
        if found.is_none() {
            let known: Vec<&str> = self.table.columns.iter().map(|(n, _)| n.as_str()).collect();
            self.faults.add(
                Place::file(&self.table.file),
                format!("no column {name}"),
                format!("one of {}", known.join(", ")),
                "correct the name",
            );
        }
        found.map(|(_, column)| column)
    }

    fn numbers(&mut self, name: &str) -> Option<Vec<f64>> {
        match self.column(name)? {
            AnyColumn::Numbers(values) => Some(values.clone()),
            AnyColumn::Words(words) => {
                for (word, row) in words.iter().zip(&self.table.rows) {
                    if !word.is_empty() && word.parse::<f64>().is_err() {
                        self.faults.add(
                            Place::cell(&self.table.file, *row, name),
                            format!("\"{word}\""),
                            "numbers only",
                            "correct the cell, mark it missing (NA), or name another column",
                        );
                    }
                }
                None
            }
        }
    }

    fn words(&mut self, name: &str) -> Option<Vec<String>> {
        let words = match self.column(name)? {
            AnyColumn::Words(words) => words.clone(),
            AnyColumn::Numbers(values) => values.iter().map(f64::to_string).collect(),
        };
        for (word, row) in words.iter().zip(&self.table.rows) {
            if word.is_empty() || word == "NaN" {
                self.faults.add(
                    Place::cell(&self.table.file, *row, name),
                    "an empty cell",
                    "a name",
                    "fill it in or remove the row",
                );
            }
        }
        Some(words)
    }

    fn cue(&mut self, name: &str) -> Option<CueColumn> {
        let values = self.numbers(name)?;
        let error_name = format!("{name}{STD_ERROR}");
        let has_error = self
            .table
            .columns
            .iter()
            .any(|(header, _)| *header == error_name);
        let errors = if has_error {
            Some(self.numbers(&error_name)?)
        } else {
            None
        };
        let readings = values.iter().enumerate().map(|(row, value)| {
            let error = errors.as_ref().map(|errors| errors[row]);
            (!value.is_nan()).then(|| Reading {
                value: *value,
                std_error: error.filter(|error| *error >= 0.0),
            })
        });
        Some(CueColumn {
            name: name.to_owned(),
            readings: readings.collect(),
        })
    }

    /// 0 and 1; 1 and 2, the greater the event, as in many published tables; words.
    fn events(&mut self, name: &str) -> Option<Events> {
        let column = self.column(name)?;
        let (table, faults) = (self.table, &mut self.faults);
        let mut fault = |row: usize, found: String| {
            faults.add(
                Place::cell(&table.file, table.rows[row], name),
                format!("\"{found}\""),
                "0 (not laid) or 1 (laid), 1 or 2 (2 laid), no or yes",
                "correct the cell",
            );
        };
        let events = match column {
            AnyColumn::Numbers(values) => {
                let is = |value: f64, code: f64| (value - code).abs() < f64::EPSILON;
                let ones_and_twos =
                    values.iter().any(|v| is(*v, 2.0)) && !values.iter().any(|v| is(*v, 0.0));
                let laid = if ones_and_twos { 2.0 } else { 1.0 };
                let mut event = |(row, value): (usize, &f64)| {
                    if is(*value, laid) {
                        return Some(true);
                    }
                    if !value.is_nan() && !is(*value, laid - 1.0) {
                        fault(row, value.to_string());
                    }
                    (!value.is_nan()).then_some(false)
                };
                let events = values.iter().enumerate().map(&mut event).collect();
                let coding = format!("column {name}: 1 is read as not laid, 2 as laid");
                (events, ones_and_twos.then_some(coding))
            }
            AnyColumn::Words(words) => {
                let mut event =
                    |(row, word): (usize, &String)| match word.to_ascii_lowercase().as_str() {
                        "yes" | "true" | "y" | "t" | "laid" | "1" => Some(true),
                        "no" | "false" | "n" | "f" | "0" => Some(false),
                        "" => None,
                        _ => {
                            fault(row, word.clone());
                            None
                        }
                    };
                (words.iter().enumerate().map(&mut event).collect(), None)
            }
        };
        Some(events)
    }
}
