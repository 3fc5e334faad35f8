//! Checks of the rows of a table whose header is at fault.
//!
//! Which column is which is not known then. But the shape of the rows can be judged, and
//! so can columns that plainly hold numbers: what is wrong there is reported together
//! with the header, not after it.

use super::decimal_mark::{self, NumberColumn};
use super::faults::Faults;
use super::format::{Mark, NotNumber, number};
use super::header::Header;

/// A column is one of numbers where at least this number of ten cells are.
const OF_TEN: usize = 9;

/// Judges the rows under a header that is at fault.
pub(crate) fn rows(header: &Header<'_>, faults: &mut Faults) {
    let table = header.table;
    let mut filled = vec![0_usize; table.headers.len()];
    let mut numbers = vec![0_usize; table.headers.len()];
    let mut rows = table.rows();
    while rows.next(faults).is_some() {
        for (column, (filled, numbers)) in filled.iter_mut().zip(&mut numbers).enumerate() {
            let cell = rows.cell(column);
            if !table.is_missing(cell) {
                *filled += 1;
                *numbers += usize::from(number(cell, Mark::InDoubt) != Err(NotNumber::Text));
            }
        }
    }
    let columns: Vec<NumberColumn> = (0..table.headers.len())
        .filter(|column| numbers[*column] > 0 && numbers[*column] * 10 >= filled[*column] * OF_TEN)
        .filter(|column| !header.is_words(*column))
        .map(|index| NumberColumn {
            index,
            unit: header.mass_unit_of(index),
        })
        .collect();
    let mark = decimal_mark::of(table, &columns, faults);
    let mut rows = table.rows();
    while rows.next(&mut Faults::default()).is_some() {
        for column in &columns {
            // A word may be a name where the column is none of numbers after all.
            if rows
                .cell(column.index)
                .starts_with(|letter: char| letter.is_ascii_digit())
            {
                let expected = "a number, as in the rest of the column";
                rows.number(column.index, mark, expected, faults);
            }
        }
    }
}
