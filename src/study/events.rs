//! The `events` table: strain or pen, date or age_d, event.

use std::collections::HashMap;

use super::Event;
use super::decimal_mark::{self, NumberColumn};
use super::faults::{Faults, listed, nearest, quoted};
use super::header::Header;
use super::judge;
use super::read::{Dates, Register};
use super::row_age::{AgeColumns, AgeReader};
use super::table::Rows;

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
    let columns = AgeColumns::of(header, faults);
    let Some(event_column) = event_column.filter(|_| faults.count() == before) else {
        judge::rows(header, faults);
        return;
    };
    let numbers: Vec<NumberColumn> = columns.number().into_iter().collect();
    let ages = AgeReader {
        columns,
        mark: decimal_mark::of(header.table, &numbers, faults),
        dates,
        advice: "give the event's age in age_d, or a row for each strain or pen",
    };
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
        // A row whose strain or pen is not known has no day of hatch.
        let age = (faults.count() == at).then(|| {
            let hatch = || {
                *hatches
                    .entry((strain, pen))
                    .or_insert_with(|| register.common_hatch(dates, strain, pen))
            };
            ages.read(&rows, hatch, faults)
        });
        let age = age.flatten();
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
