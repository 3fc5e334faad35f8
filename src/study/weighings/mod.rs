//! The `weighings` table, or a bare one: one row a bird and age.
//!
//! Rows may stand in any order; they are sorted by bird and age without a word.
//! A row whose value is missing is left out and counted.

#[cfg(feature = "program")]
mod batch;
mod layout;
mod reader;

use std::collections::HashSet;

use rayon::prelude::*;

use super::Records;
use super::columns::{BODY_WEIGHT, Columns, Values};
use super::decimal_mark;
use super::faults::{Faults, Place, listed, rows_listed};
use super::format::Mark;
use super::header::{Header, Voice};
use super::judge;
use super::read::{Dates, Register};
use super::records::{Missing, Seen, drop_duplicates};
use layout::{Layout, Time};
use reader::Reader;

#[cfg(feature = "program")]
pub(crate) use batch::{BatchColumns, ReadBatch};
pub(crate) use reader::age_between;

/// Reads the table; `None` where its header is at fault.
pub(crate) fn read(
    header: &Header<'_>,
    columns: &Columns,
    dates: &Dates,
    register: &mut Register,
    faults: &mut Faults,
) -> Option<Records> {
    let before = faults.count();
    let layout = Layout::find(header, columns, faults);
    let Some(layout) = layout.filter(|_| faults.count() == before) else {
        judge::rows(header, faults);
        return None;
    };
    let numbers = layout.number_columns(columns.values);
    let mark = decimal_mark::of(header.table, &numbers, faults);
    let table = WeighingTable {
        header,
        layout: &layout,
        mark,
        values: columns.values,
        dates,
    };
    let mut seen = match table.in_pieces(register) {
        Some(seen) => seen,
        None => table.in_one_go(register, faults),
    };
    if seen.birds.is_empty() && seen.missing.count > 0 && faults.count() == before {
        faults.add(
            Place::column(
                &header.table.file,
                &header.table.headers[layout.value.index],
            ),
            "no value in any row",
            "at least one",
            "check that the right column is named",
        );
    }
    let mut records = Records {
        name: columns
            .trait_name
            .clone()
            .unwrap_or_else(|| BODY_WEIGHT.to_owned()),
        file: header.table.file.clone(),
        missing: seen.missing.count,
        ..Records::default()
    };
    let notes = &mut register.study.notes;
    notes.extend(without_value(header, &layout, &seen.missing));
    if header.voice == Voice::Options {
        notes.extend(unread(header, &layout, columns));
    }
    seen.arrange(register.study.birds.len(), &mut records);
    if columns.values == Values::BirdMasses {
        if layout.bird.is_some() {
            let age_column = layout.age_header(header);
            drop_duplicates(&mut records, register, age_column, faults);
        } else {
            let warning = perhaps_many_birds(header, &layout, &records);
            register.study.warnings.extend(warning);
        }
    }
    Some(records)
}

/// Note on rows that were left out since they have no value.
fn without_value(header: &Header<'_>, layout: &Layout, missing: &Missing) -> Option<String> {
    if missing.count == 0 {
        return None;
    }
    let file = &header.table.file;
    let rows = rows_listed(missing.count, &missing.first);
    Some(match layout.time {
        Time::Header => format!(
            "{file}: {} cells without a weight left out, first in {}",
            missing.count,
            rows_listed(missing.first.len(), &missing.first)
        ),
        Time::Age(_) | Time::Date(_) => {
            let column = &header.table.headers[layout.value.index];
            format!("{file}: {rows} without a value of {column} left out")
        }
    })
}

/// Notes on columns of a bare table that a study folder would read.
fn unread(header: &Header<'_>, layout: &Layout, columns: &Columns) -> Vec<String> {
    let read: HashSet<usize> = layout.columns().into_iter().collect();
    let advice = [
        ("strain", "the groups are those that --group names"),
        ("pen", "to use it, name it by --pen"),
        ("treatment", "to compare by it, name it by --group"),
    ];
    advice
        .into_iter()
        // A call without groups has settled the question of strains.
        .filter(|(stem, _)| *stem != "strain" || columns.has_groups())
        .filter_map(|(stem, advice)| {
            let headers = &header.table.headers;
            let column = headers
                .iter()
                .position(|header| header.eq_ignore_ascii_case(stem))
                .filter(|column| !read.contains(column))?;
            let mut names = HashSet::new();
            let mut rows = header.table.rows();
            while rows.next(&mut Faults::default()).is_some() {
                if let Some(name) = rows.optional_word(Some(column))
                    && !names.contains(name)
                {
                    names.insert(name.to_owned());
                }
            }
            let names = match names.len() {
                1 => "1 name".to_owned(),
                names => format!("{names} names"),
            };
            Some(format!(
                "{}: the column {} ({names}) was not read; {advice}",
                header.table.file, headers[column]
            ))
        })
        .collect()
}

/// Warning where no column names the birds and an age stands more than once: the rows
/// may be unnamed birds, or a column that was not read may name them.
fn perhaps_many_birds(header: &Header<'_>, layout: &Layout, records: &Records) -> Option<String> {
    let subjects = records.starts.windows(2);
    let mut ages_d = subjects.map(|bounds| &records.ages_d[bounds[0]..bounds[1]]);
    if !ages_d.any(|ages_d| ages_d.windows(2).any(|pair| pair[0] >= pair[1])) {
        return None;
    }
    let read: HashSet<usize> = layout.columns().into_iter().collect();
    let headers = header.table.headers.iter().enumerate();
    let unread: Vec<&str> = headers
        .filter(|(index, name)| !read.contains(index) && !name.is_empty())
        .map(|(_, name)| name.as_str())
        .collect();
    let names = match unread.as_slice() {
        [] => String::new(),
        unread => format!(
            "; not read: {}; if one of these names the birds, name it by --bird",
            listed(unread)
        ),
    };
    let subject = match layout.strain {
        Some(_) => "the rows of a group",
        None => "all rows",
    };
    Some(format!(
        "{}: no column bird, so that {subject} were taken as one subject weighed more than once at an age{names}; \
         if each row is another, unnamed bird, give --sample",
        header.table.file
    ))
}

/// What the reading of every row needs and none changes.
#[derive(Clone, Copy)]
struct WeighingTable<'a> {
    header: &'a Header<'a>,
    layout: &'a Layout,
    mark: Mark,
    values: Values,
    dates: &'a Dates,
}

impl<'a> WeighingTable<'a> {
    fn reader(self, register: &'a mut Register) -> Reader<'a> {
        Reader {
            layout: self.layout,
            mark: self.mark,
            values: self.values,
            dates: self.dates,
            register,
            reported: HashSet::new(),
            seen: Seen::default(),
        }
    }

    fn in_one_go(self, register: &'a mut Register, faults: &mut Faults) -> Seen {
        let mut reader = self.reader(register);
        let mut rows = self.header.table.rows();
        while rows.next(faults).is_some() {
            reader.row(&rows, faults);
        }
        reader.seen
    }

    /// The pieces of a long table read side by side, each with a separate register,
    /// and joined in their order.
    ///
    /// Only for tables without any message. `None`, and the register as
    /// it was, where a piece has a fault, where two pieces disagree about a bird, or where
    /// the birds are known from another table: then the rows are read one by one, and
    /// every fault is reported with its row and in its order.
    fn in_pieces(self, register: &mut Register) -> Option<Seen> {
        if !register.study.birds.is_empty() || !register.study.kept.is_empty() {
            return None;
        }
        let pieces = self.header.table.pieces()?.into_par_iter();
        let pieces: Option<Vec<(Seen, Register)>> = pieces
            .map(|mut rows| {
                let (mut birds, mut faults) = (Register::default(), Faults::default());
                let mut reader = self.reader(&mut birds);
                while rows.next(&mut faults).is_some() {
                    reader.row(&rows, &mut faults);
                    if faults.count() > 0 {
                        return None;
                    }
                }
                let seen = reader.seen;
                (faults.count() == 0).then_some((seen, birds))
            })
            .collect();
        let (mut seen, mut joined) = (Seen::default(), Register::default());
        for (piece, birds) in pieces? {
            seen.append(piece, &joined.take_in(&birds)?);
        }
        *register = joined;
        Some(seen)
    }
}
