//! The age that a row stands for, where a table has it as an age or as a date: events, counts of
//! eggs, changes of light.

use chrono::NaiveDate;

use super::decimal_mark::NumberColumn;
use super::faults::{Faults, quoted};
use super::format::Mark;
use super::header::{Header, Measure};
use super::read::Dates;
use super::table::Rows;
use super::units::{AGE_LIMIT_D, AgeUnit, age_in_range};
use super::weighings::age_between;

/// The columns `age` and `date` of a table, at least one of them.
#[derive(Clone, Copy)]
pub(super) struct AgeColumns {
    age: Option<Measure<AgeUnit>>,
    date: Option<usize>,
}

/// How a table's ages are read.
#[derive(Clone, Copy)]
pub(super) struct AgeReader<'a> {
    pub(super) columns: AgeColumns,
    pub(super) mark: Mark,
    pub(super) dates: &'a Dates,
    /// What to do about a date of birds that hatched on several days, or on none that is known.
    pub(super) advice: &'static str,
}

impl AgeColumns {
    /// The columns of a header; a fault where it has neither.
    pub(super) fn of(header: &Header<'_>, faults: &mut Faults) -> Self {
        let before = faults.count();
        let age = header.ages("age", faults);
        let date = header.optional("date", faults);
        if age.is_none() && date.is_none() && faults.count() == before {
            header.missing(&["age", "date"], faults);
        }
        Self { age, date }
    }

    /// The column of ages as one of numbers.
    pub(super) fn number(self) -> Option<NumberColumn> {
        self.age.map(NumberColumn::from)
    }

    /// The column of ages, which alone may have parts of a day.
    pub(super) fn age(self) -> Option<usize> {
        self.age.map(|age| age.index)
    }

    /// The column in which a fault of the day is placed.
    pub(super) fn place(self) -> Option<usize> {
        self.date.or(self.age())
    }
}

impl AgeReader<'_> {
    /// The age of a row, d; `hatch` is the one day on which its birds hatched.
    pub(super) fn read(
        &self,
        rows: &Rows<'_>,
        hatch: impl FnOnce() -> Option<NaiveDate>,
        faults: &mut Faults,
    ) -> Option<f64> {
        let AgeColumns { age, date } = self.columns;
        match (age, date) {
            (Some(column), date) if date.is_none() || !rows.is_missing(column.index) => {
                self.as_age(rows, column, faults)
            }
            (_, Some(column)) => self.as_date(rows, column, hatch, faults),
            (_, None) => None,
        }
    }

    fn as_age(
        &self,
        rows: &Rows<'_>,
        column: Measure<AgeUnit>,
        faults: &mut Faults,
    ) -> Option<f64> {
        if self.mark != Mark::InDoubt {
            rows.word(column.index, "an age", faults)?;
        }
        let expected = format!("an age in {} such as 5", column.unit);
        let age_d = rows.number(column.index, self.mark, &expected, faults)? * column.unit.days();
        let known = age_in_range(age_d);
        if known.is_none() {
            faults.add(
                rows.place(column.index),
                quoted(rows.cell(column.index)),
                format!("an age from 0 (hatch) to {AGE_LIMIT_D} d"),
                "correct the cell or the unit",
            );
        }
        known
    }

    fn as_date(
        &self,
        rows: &Rows<'_>,
        column: usize,
        hatch: impl FnOnce() -> Option<NaiveDate>,
        faults: &mut Faults,
    ) -> Option<f64> {
        rows.word(column, "a date", faults)?;
        let date = self.dates.cell(rows, column, faults)?;
        let Some(hatch) = hatch() else {
            if !self.dates.hatch_lost {
                faults.add(
                    rows.place(column),
                    "a date for birds without one common day of hatch",
                    "an age, or birds that hatched on one day",
                    self.advice,
                );
            }
            return None;
        };
        let age = age_between(hatch, date);
        if age.is_none() {
            faults.add(
                rows.place(column),
                format!("{}, with hatch on {hatch}", quoted(rows.cell(column))),
                "a date from hatch to ten years after it",
                "correct the date or the hatch_date",
            );
        }
        age
    }
}
