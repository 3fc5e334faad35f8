//! The `phantom` table: what the scanner reads of a phantom, by date.
//!
//! One row a measurement: `date`, `time` (where it is measured several times a day), `scanner`
//! (where there are several), and at least one reading: `fat`, `lean`, `bone`, those that
//! `[scans.readings]` declares, or `reading`, a number of any unit.

use std::collections::{BTreeMap, HashMap};

use chrono::NaiveDate;
use serde::Deserialize;

use super::decimal_mark::{self, NumberColumn};
use super::faults::{Faults, quoted};
use super::format::Mark;
use super::header::Header;
use super::judge;
use super::read::Dates;
use super::scan::{FurtherReading, ReadingUnit, Tissue};
use super::stream::time_of_day_ms;
use super::table::Rows;
use super::units::NUMBER_LIMIT;

/// The reading of a phantom that is no tissue.
const ANY_READING: &str = "reading";

/// How the readings of a phantom are judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PhantomSettings {
    /// The first days of a scanner's log, by which the limits of its chart are set.
    pub baseline_days: usize,
}

impl PhantomSettings {
    /// What `baseline_days` may be.
    pub(super) const BASELINES: std::ops::RangeInclusive<usize> = 10..=1000;
}

impl Default for PhantomSettings {
    /// Limits from 20 to 25 values: Montgomery DC, Introduction to Statistical Quality Control.
    fn default() -> Self {
        Self { baseline_days: 20 }
    }
}

/// All measurements of the phantom.
#[derive(Debug, Clone, Default)]
pub struct PhantomLog {
    /// The file that they came from.
    pub file: String,
    /// Scanners, in order of first appearance; one without a name where the table names none.
    pub scanners: Vec<String>,
    /// What was read, with its unit; empty where it has none.
    pub readings: Vec<FurtherReading>,
    /// By date, and in the order of the table.
    pub rows: Vec<PhantomRow>,
}

/// One measurement of the phantom.
#[derive(Debug, Clone, PartialEq)]
pub struct PhantomRow {
    /// Its day.
    pub date: NaiveDate,
    /// Index into [`PhantomLog::scanners`].
    pub scanner: usize,
    /// One a reading, in the order of [`PhantomLog::readings`]; NaN where there is none.
    pub values: Vec<f64>,
    /// Row of the table (1 is the header).
    pub row: u32,
}

impl PhantomLog {
    /// First and last day; `None` without measurements.
    #[must_use]
    pub fn span(&self) -> Option<(NaiveDate, NaiveDate)> {
        Some((self.rows.first()?.date, self.rows.last()?.date))
    }
}

/// Where a reading stands, and the factor to its unit here.
struct ReadingColumn {
    index: usize,
    factor: f64,
    number: NumberColumn,
}

/// Reads the table; what could be read where there are faults.
pub(crate) fn read(
    header: &Header<'_>,
    declared: &BTreeMap<String, ReadingUnit>,
    dates: &Dates,
    faults: &mut Faults,
) -> PhantomLog {
    let mut log = PhantomLog {
        file: header.table.file.clone(),
        ..PhantomLog::default()
    };
    let before = faults.count();
    let date = header.required("date", faults);
    let time = header.optional("time", faults);
    let scanner = header.optional("scanner", faults);
    let columns = readings(header, declared, &mut log.readings, faults);
    let Some(date) = date.filter(|_| faults.count() == before) else {
        judge::rows(header, faults);
        return log;
    };
    let numbers: Vec<NumberColumn> = columns.iter().map(|column| column.number).collect();
    let mark = decimal_mark::of(header.table, &numbers, faults);
    let mut seen: HashMap<(NaiveDate, Option<u32>, usize), u32> = HashMap::new();
    let mut rows = header.table.rows();
    while rows.next(faults).is_some() {
        let at = faults.count();
        let day = rows.word(date, "a date", faults).is_some();
        let day = day.then(|| dates.cell(&rows, date, faults)).flatten();
        let time_ms = time.and_then(|column| time_of_day(&rows, column, faults));
        let name = match scanner {
            Some(column) => rows.word(column, "a scanner's name", faults),
            None => Some(""),
        };
        let values: Vec<f64> = columns
            .iter()
            .map(|column| value(&rows, column, mark, faults))
            .collect();
        let (Some(day), Some(name), true) = (day, name, faults.count() == at) else {
            continue;
        };
        if values.iter().all(|value| value.is_nan()) {
            faults.add(
                rows.place(columns[0].index),
                "no reading in this row",
                "at least one reading of the phantom",
                "fill in the reading or remove the row",
            );
            continue;
        }
        let known = log.scanners.iter().position(|known| known == name);
        let scanner = known.unwrap_or_else(|| {
            log.scanners.push(name.to_owned());
            log.scanners.len() - 1
        });
        if let Some(first) = seen.insert((day, time_ms, scanner), rows.row) {
            faults.add(
                rows.place(time.unwrap_or(date)),
                format!("the phantom on {day} again, as in row {first}"),
                "one row for a scanner and day, or for each time of the day",
                "remove one of the two rows; where it was measured several times a day, give the time of each in a column time",
            );
            continue;
        }
        log.rows.push(PhantomRow {
            date: day,
            scanner,
            values,
            row: rows.row,
        });
    }
    log.rows.sort_by_key(|row| row.date);
    log
}

/// The columns of readings; a fault where there is none.
fn readings(
    header: &Header<'_>,
    declared: &BTreeMap<String, ReadingUnit>,
    names: &mut Vec<FurtherReading>,
    faults: &mut Faults,
) -> Vec<ReadingColumn> {
    let before = faults.count();
    let mut columns = Vec::new();
    let mut enter = |name: &str, unit: String, index, factor, number| {
        names.push(FurtherReading {
            name: name.to_owned(),
            unit,
        });
        columns.push(ReadingColumn {
            index,
            factor,
            number,
        });
    };
    for tissue in Tissue::ALL {
        if let Some(mass) = header.masses(tissue.name(), faults) {
            let (index, grams) = (mass.index, mass.unit.grams());
            enter(tissue.name(), "g".to_owned(), index, grams, mass.into());
        }
    }
    for (name, unit) in declared {
        match unit {
            ReadingUnit::Mass(mass) => {
                if let Some(mass) = header.mass_of(name, *mass, faults) {
                    let (index, grams) = (mass.index, mass.unit.grams());
                    enter(name, "g".to_owned(), index, grams, mass.into());
                }
            }
            ReadingUnit::Density(density) => {
                if let Some(index) = header.value_of(name, density, faults) {
                    enter(name, unit.kept(), index, 1.0, NumberColumn::plain(index));
                }
            }
        }
    }
    if let Some(index) = header.optional(ANY_READING, faults) {
        let number = NumberColumn::plain(index);
        enter(ANY_READING, String::new(), index, 1.0, number);
    }
    if columns.is_empty() && faults.count() == before {
        header.missing(&["fat", "lean", "bone", ANY_READING], faults);
    }
    columns
}

/// A reading, NaN where there is none; a phantom reads 0 or more.
fn value(rows: &Rows<'_>, column: &ReadingColumn, mark: Mark, faults: &mut Faults) -> f64 {
    let expected = "a reading of 0 or more";
    let Some(written) = rows.number(column.index, mark, expected, faults) else {
        return f64::NAN;
    };
    let value = written * column.factor;
    if !(0.0..=NUMBER_LIMIT).contains(&value) {
        faults.add(
            rows.place(column.index),
            quoted(rows.cell(column.index)),
            expected,
            "correct the cell or mark it missing (NA)",
        );
    }
    value
}

/// The time of the day, ms since midnight; none where the cell is empty.
fn time_of_day(rows: &Rows<'_>, column: usize, faults: &mut Faults) -> Option<u32> {
    let cell = rows.optional_word(Some(column))?;
    let time = time_of_day_ms(cell);
    if time.is_none() {
        faults.add(
            rows.place(column),
            quoted(cell),
            "a time of the day such as 08:30",
            "correct the cell",
        );
    }
    time
}
