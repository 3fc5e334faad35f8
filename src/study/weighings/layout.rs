//! Which columns of a table of weighings hold what.

use super::super::columns::{Columns, Values};
use super::super::decimal_mark::NumberColumn;
use super::super::faults::Faults;
use super::super::header::{Header, Measure, Voice, WideColumn};
use super::super::units::{AgeUnit, MassUnit};

/// Where the columns stand.
pub(super) struct Layout {
    pub(super) bird: Option<usize>,
    pub(super) time: Time,
    pub(super) value: Measure<MassUnit>,
    /// The columns of a wide table, where `time` is [`Time::Header`].
    pub(super) wide: Vec<WideColumn>,
    pub(super) strain: Option<usize>,
    pub(super) pen: Option<usize>,
    pub(super) treatment: Option<usize>,
    pub(super) hatch: Option<usize>,
    pub(super) expected_value: String,
    pub(super) expected_age: String,
}

/// How a row gives its age.
#[derive(Clone, Copy)]
pub(super) enum Time {
    Age(Measure<AgeUnit>),
    Date(usize),
    /// In the header of the column that holds the weight.
    Header,
}

impl Layout {
    pub(super) fn find(
        header: &Header<'_>,
        columns: &Columns,
        faults: &mut Faults,
    ) -> Option<Self> {
        let bare = header.voice == Voice::Options;
        let is_wide = header.table.is_wide();
        let bird = if bare && !is_wide {
            header.optional("bird", faults)
        } else {
            header.required("bird", faults)
        };
        let before = faults.count();
        let wide = if is_wide {
            header.wide_columns(columns.values, faults)
        } else {
            Vec::new()
        };
        let (time, value) = if is_wide {
            if wide.is_empty() && faults.count() == before {
                faults.add(
                    header.table.header_place(),
                    "no header with an age",
                    "a column for each age, such as d7 or week 3",
                    "correct the headers, or leave out wide = true (--wide)",
                );
            }
            (Some(Time::Header), wide.first().map(|first| first.value))
        } else {
            Self::time_and_value(header, columns, faults)
        };
        // In a bare table strains are groups by default; pens and
        // treatments count only where the call names them.
        let mut named =
            |stem: &str, wanted: bool| wanted.then(|| header.optional(stem, faults)).flatten();
        let strain = named("strain", !bare || columns.has_groups());
        let pen = named("pen", !bare || columns.pen.is_some());
        let treatment = named("treatment", !bare);
        let hatch = header.optional("hatch_date", faults);
        let (time, mut value) = (time?, value?);
        let expected_value = match columns.values {
            Values::BirdMasses => {
                format!("a mass in {} such as {}", value.unit, value.unit.example())
            }
            Values::AnyNumber => {
                value.unit = MassUnit::Gram;
                "a number such as 12.5".to_owned()
            }
        };
        let expected_age = match time {
            Time::Age(age) => format!("an age in {} such as 5", age.unit),
            Time::Date(_) => "a date".to_owned(),
            Time::Header => "an age".to_owned(),
        };
        Some(Self {
            bird,
            time,
            value,
            wide,
            strain,
            pen,
            treatment,
            hatch,
            expected_value,
            expected_age,
        })
    }

    /// The columns of age and weight; faults where one is not there.
    fn time_and_value(
        header: &Header<'_>,
        columns: &Columns,
        faults: &mut Faults,
    ) -> (Option<Time>, Option<Measure<MassUnit>>) {
        let before = faults.count();
        let age = if columns.date.is_some() {
            None
        } else {
            header.ages("age", faults)
        };
        // Where a table has both, the age is what the user has already worked out.
        let time = match age {
            Some(age) => Some(Time::Age(age)),
            None if faults.count() > before => None,
            None => header.optional("date", faults).map(Time::Date),
        };
        if time.is_none() && faults.count() == before {
            if header.offer_wide(faults) {
                return (None, None);
            }
            header.missing(&["age", "date"], faults);
        }
        (time, header.required_masses("weight", faults))
    }

    pub(super) fn number_columns(&self, values: Values) -> Vec<NumberColumn> {
        let value = |value: Measure<MassUnit>| match values {
            Values::BirdMasses => value.into(),
            Values::AnyNumber => NumberColumn::plain(value.index),
        };
        match self.time {
            Time::Header => self.wide.iter().map(|column| value(column.value)).collect(),
            Time::Age(age) => vec![age.into(), value(self.value)],
            Time::Date(_) => vec![value(self.value)],
        }
    }

    /// All columns that are read.
    pub(super) fn columns(&self) -> Vec<usize> {
        let mut columns: Vec<usize> = match self.time {
            Time::Header => self.wide.iter().map(|column| column.value.index).collect(),
            Time::Age(age) => vec![age.index, self.value.index],
            Time::Date(date) => vec![date, self.value.index],
        };
        columns.extend(
            [self.bird, self.strain, self.pen, self.treatment, self.hatch]
                .into_iter()
                .flatten(),
        );
        columns
    }

    pub(super) fn age_header<'a>(&self, header: &Header<'a>) -> &'a str {
        let index = match self.time {
            Time::Age(age) => age.index,
            Time::Date(index) => index,
            Time::Header => self.value.index,
        };
        &header.table.headers[index]
    }
}
