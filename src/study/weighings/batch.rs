//! The rows of some birds of a long table as a study of these birds.

use std::collections::HashSet;

use super::super::columns::{BODY_WEIGHT, Columns, Values};
use super::super::decimal_mark::NumberColumn;
use super::super::faults::Faults;
use super::super::format::Mark;
use super::super::header::Header;
use super::super::judge;
use super::super::read::{Dates, Register};
use super::super::records::{Missing, Seen, drop_duplicates};
use super::super::table::Rows;
use super::super::{Records, Study};
use super::layout::Layout;
use super::reader::Reader;
use super::without_value;

/// Which columns of a table of weighings hold what, for rows that come some at a time.
pub(crate) struct BatchColumns {
    layout: Layout,
    age_header: String,
    value_header: String,
}

/// What some rows held.
pub(crate) struct ReadBatch {
    /// The birds and their records, as of a table of these rows alone.
    pub(crate) study: Study,
    /// Rows without a value.
    pub(crate) missing: Missing,
    /// Values.
    pub(crate) values: usize,
}

impl BatchColumns {
    /// The columns by the header; `None` where it is at fault.
    pub(crate) fn find(
        header: &Header<'_>,
        columns: &Columns,
        faults: &mut Faults,
    ) -> Option<Self> {
        let before = faults.count();
        let layout = Layout::find(header, columns, faults);
        let Some(layout) = layout.filter(|_| faults.count() == before) else {
            judge::rows(header, faults);
            return None;
        };
        Some(Self {
            age_header: layout.age_header(header).to_owned(),
            value_header: header.table.headers[layout.value.index].clone(),
            layout,
        })
    }

    /// The column of birds, where there is one.
    pub(crate) fn bird(&self) -> Option<usize> {
        self.layout.bird
    }

    /// Header of the column of values.
    pub(crate) fn value_header(&self) -> &str {
        &self.value_header
    }

    /// The columns of numbers.
    pub(crate) fn numbers(&self, values: Values) -> Vec<NumberColumn> {
        self.layout.number_columns(values)
    }

    /// Note on rows that were left out since they have no value.
    pub(crate) fn without_value(&self, header: &Header<'_>, missing: &Missing) -> Option<String> {
        without_value(header, &self.layout, missing)
    }

    /// Reads rows, which hold all rows of each of their birds.
    pub(crate) fn read(
        &self,
        (file, mut rows): (&str, Rows<'_>),
        (columns, mark, dates): (&Columns, Mark, &Dates),
        faults: &mut Faults,
    ) -> ReadBatch {
        let mut register = Register::default();
        let mut reader = Reader {
            layout: &self.layout,
            mark,
            values: columns.values,
            dates,
            register: &mut register,
            reported: HashSet::new(),
            seen: Seen::default(),
        };
        while rows.next(faults).is_some() {
            reader.row(&rows, faults);
        }
        let mut seen = reader.seen;
        let values = seen.birds.len();
        let name = columns.trait_name.as_deref().unwrap_or(BODY_WEIGHT);
        let mut records = Records {
            name: name.to_owned(),
            file: file.to_owned(),
            missing: seen.missing.count,
            ..Records::default()
        };
        seen.arrange(register.study.birds.len(), &mut records);
        if columns.values == Values::BirdMasses {
            drop_duplicates(&mut records, &register, &self.age_header, faults);
        }
        register.settle_strains();
        let mut study = register.study;
        study.traits.push(records);
        study.values = columns.values;
        ReadBatch {
            study,
            missing: seen.missing,
            values,
        }
    }
}
