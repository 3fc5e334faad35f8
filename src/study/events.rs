//! The `events` table: strain or pen, date or age_d, event.

use std::collections::HashMap;

use chrono::NaiveDate;

use super::Event;
use super::decimal_mark::{self, NumberColumn};
use super::faults::{Faults, listed, nearest, quoted};
use super::format::Mark;
use super::header::Header;
use super::judge;
use super::read::{Dates, Register};
use super::table::Rows;
use super::units::{AGE_LIMIT_D, age_in_range};
use super::weighings::age_between;

/// Enters the events of the table. A row that names neither strain nor pen
/// concerns all birds.
pub(crate) fn read(
    header: &Header<'_>,
    dates: &Dates,
    register: &mut Register,
    faults: &mut Faults,
) {
    let before = faults.count();
    let strain_column = header.optional("strain", faults);
    let pen_column = header.optional("pen", faults);
    let event_column = header.required("event", faults);
    let age_column = header.ages("age", faults);
    let date_column = header.optional("date", faults);
    if age_column.is_none() && date_column.is_none() && faults.count() == before {
        header.missing(&["age", "date"], faults);
    }
    let Some(event_column) = event_column.filter(|_| faults.count() == before) else {
        judge::rows(header, faults);
        return;
    };
    let numbers: Vec<NumberColumn> = age_column.into_iter().map(NumberColumn::from).collect();
    let mark = decimal_mark::of(header.table, &numbers, faults);
    let mut hatches = HashMap::new();
    let mut rows = header.table.rows();
    while rows.next(faults).is_some() {
        let at = faults.count();
        let strain = known(
            &rows,
            strain_column,
            &register.study.strains,
            "strain",
            register.closed,
            |name| register.known_strain(name),
            faults,
        );
        let pen = known(
            &rows,
            pen_column,
            &register.study.pens,
            "pen",
            register.closed,
            |name| register.known_pen(name),
            faults,
        );
        let event = rows
            .word(event_column, "what happened", faults)
            .map(str::to_owned);
        let age = age_column.and_then(|column| {
            let expected = format!("an age in {} such as 5", column.unit);
            let age_d = rows.number(column.index, mark, &expected, faults)? * column.unit.days();
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
        });
        let age = match (age, date_column) {
            (Some(age_d), _) => Some(age_d),
            (None, Some(column)) if faults.count() == at => {
                let hatch = *hatches
                    .entry((strain, pen))
                    .or_insert_with(|| hatch_of(register, dates, strain, pen));
                age_on_date(&rows, column, dates, hatch, faults)
            }
            _ => None,
        };
        if age.is_none()
            && faults.count() == at
            && mark != Mark::InDoubt
            && let Some(column) = age_column
        {
            rows.word(column.index, "an age", faults);
        }
        if let (Some(age_d), Some(event), true) = (age, event, faults.count() == at) {
            register.study.events.push(Event {
                strain,
                pen,
                age_d,
                event,
            });
        }
    }
}

/// The strain or pen that a cell names, where it names one.
fn known(
    rows: &Rows<'_>,
    column: Option<usize>,
    names: &[String],
    what: &str,
    closed: bool,
    index: impl Fn(&str) -> Option<usize>,
    faults: &mut Faults,
) -> Option<usize> {
    let name = rows.optional_word(column)?;
    let found = index(name);
    if let (None, Some(column), true) = (found, column, closed) {
        let advice = match nearest(name, names.iter().map(String::as_str)) {
            Some(near) => format!("perhaps {near} is meant"),
            None => format!("correct the {what} or remove the row"),
        };
        faults.add(
            rows.place(column),
            quoted(name),
            format!("a {what} of the study ({})", listed(names)),
            advice,
        );
    }
    found
}

/// The one day of hatch of the birds that an event concerns.
fn hatch_of(
    register: &Register,
    dates: &Dates,
    strain: Option<usize>,
    pen: Option<usize>,
) -> Option<NaiveDate> {
    let mut hatches = register
        .study
        .birds
        .iter()
        .filter(|bird| strain.is_none_or(|strain| bird.strain == strain))
        .filter(|bird| pen.is_none_or(|pen| bird.pen == Some(pen)))
        .filter_map(|bird| dates.hatch_of(bird.hatch_date));
    let first = hatches.next()?;
    hatches.all(|hatch| hatch == first).then_some(first)
}

fn age_on_date(
    rows: &Rows<'_>,
    column: usize,
    dates: &Dates,
    hatch: Option<NaiveDate>,
    faults: &mut Faults,
) -> Option<f64> {
    rows.word(column, "a date", faults)?;
    let date = dates.cell(rows, column, faults)?;
    let Some(hatch) = hatch else {
        faults.add(
            rows.place(column),
            "a date for birds without one common day of hatch",
            "an age, or birds that hatched on one day",
            "give the event's age in age_d, or a row for each strain or pen",
        );
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
