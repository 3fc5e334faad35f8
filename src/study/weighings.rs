//! The `weighings` table, or a bare one: one row a bird and age.
//!
//! Rows may stand in any order; they are sorted by bird and age without a word.
//! A row whose value is missing is left out and counted.

use std::collections::HashSet;

use chrono::NaiveDate;
use rayon::prelude::*;

use super::Records;
use super::columns::{BODY_WEIGHT, Columns, Values};
use super::faults::{Faults, Place, nearest, quoted};
use super::format::Mark;
use super::header::{Header, Measure, WideColumn};
use super::names;
use super::read::{Dates, ONE_BIRD, Register};
use super::records::{Seen, drop_duplicates};
use super::table::Rows;
use super::units::{AGE_LIMIT_D, AgeUnit, MASS_LIMIT_G, MassUnit, NUMBER_LIMIT};

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
    if faults.count() > before {
        return None;
    }
    let layout = layout?;
    let mark = header.table.mark(&layout.number_columns(), faults)?;
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
    if seen.birds.is_empty() && seen.missing > 0 && faults.count() == before {
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
        missing: seen.missing,
        ..Records::default()
    };
    seen.arrange(register.study.birds.len(), &mut records);
    if layout.bird.is_some() && columns.values == Values::BirdMasses {
        let age_column = layout.age_header(header);
        drop_duplicates(&mut records, register, age_column, faults);
    }
    Some(records)
}

/// Where the columns stand.
struct Layout {
    bird: Option<usize>,
    time: Time,
    value: Measure<MassUnit>,
    /// The columns of a wide table, where `time` says that it is one.
    wide: Vec<WideColumn>,
    strain: Option<usize>,
    pen: Option<usize>,
    treatment: Option<usize>,
    hatch: Option<usize>,
    expected_value: String,
    expected_age: String,
}

/// How a row tells its age.
#[derive(Clone, Copy)]
enum Time {
    Age(Measure<AgeUnit>),
    Date(usize),
    /// In the header of the column that holds the weight.
    Header,
}

impl Layout {
    fn find(header: &Header<'_>, columns: &Columns, faults: &mut Faults) -> Option<Self> {
        let bare = header.voice == super::header::Voice::Options;
        let is_wide = header.table.is_wide();
        let bird = if bare && !is_wide {
            header.optional("bird", faults)
        } else {
            header.required("bird", faults)
        };
        let wide = if is_wide {
            header.wide_columns(faults)
        } else {
            Vec::new()
        };
        let (time, value) = if is_wide {
            if wide.is_empty() {
                faults.add(
                    Place::row(&header.table.file, 1),
                    "no header with an age",
                    "a column for each age, such as d7 or week 3",
                    "correct the headers, or leave out wide = true (--wide)",
                );
            }
            (Some(Time::Header), wide.first().map(|first| first.value))
        } else {
            Self::time_and_value(header, columns, faults)
        };
        // In a bare table only the columns that the call names have a say.
        let mut named = |stem: &str, option: &Option<String>| {
            (!bare || option.is_some())
                .then(|| header.optional(stem, faults))
                .flatten()
        };
        let strain = named("strain", &columns.group);
        let pen = named("pen", &columns.pen);
        let treatment = named("treatment", &None);
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

    fn number_columns(&self) -> Vec<usize> {
        match self.time {
            Time::Header => self.wide.iter().map(|column| column.value.index).collect(),
            Time::Age(age) => vec![age.index, self.value.index],
            Time::Date(_) => vec![self.value.index],
        }
    }

    fn age_header<'a>(&self, header: &Header<'a>) -> &'a str {
        let index = match self.time {
            Time::Age(age) => age.index,
            Time::Date(index) => index,
            Time::Header => self.value.index,
        };
        &header.table.headers[index]
    }
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
            told: HashSet::new(),
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

    /// The pieces of a long table read side by side, each with a register of its own,
    /// and joined in their order.
    ///
    /// This knows only tables of which nothing is to be said. `None`, and the register as
    /// it was, where a piece has a fault, where two pieces disagree about a bird, or where
    /// the birds are known from another table: then the rows are read one by one, and
    /// every fault is told with its row and in its order.
    fn in_pieces(self, register: &mut Register) -> Option<Seen> {
        if !register.study.birds.is_empty() {
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

/// Rows to columns, one at a time.
struct Reader<'a> {
    layout: &'a Layout,
    mark: Mark,
    values: Values,
    dates: &'a Dates,
    register: &'a mut Register,
    /// Birds of whom a fault has been told that each of their rows repeats.
    told: HashSet<String>,
    seen: Seen,
}

impl Reader<'_> {
    fn row(&mut self, rows: &Rows<'_>, faults: &mut Faults) {
        let Some(bird) = self.bird(rows, faults) else {
            return;
        };
        for at in 0..self.layout.wide.len() {
            let WideColumn { age_d, value } = self.layout.wide[at];
            if let Some(value) = self.value(rows, value, faults) {
                self.enter(rows, bird, age_d, value);
            }
        }
        if matches!(self.layout.time, Time::Header) {
            return;
        }
        let Some(value) = self.value(rows, self.layout.value, faults) else {
            return;
        };
        if let Some(age_d) = self.age(rows, bird, faults) {
            self.enter(rows, bird, age_d, value);
        }
    }

    fn enter(&mut self, rows: &Rows<'_>, bird: usize, age_d: f64, value: f64) {
        let seen = &mut self.seen;
        // Four thousand million birds do not fit in memory; the cast cannot fail before that.
        seen.birds.push(u32::try_from(bird).unwrap_or(u32::MAX));
        seen.ages_d.push(age_d);
        seen.values.push(value);
        seen.rows.push(rows.row);
    }

    fn bird(&mut self, rows: &Rows<'_>, faults: &mut Faults) -> Option<usize> {
        let name = match (self.layout.bird, self.layout.strain) {
            (Some(column), _) => rows.word(column, "a bird's name", faults)?,
            (None, Some(column)) => rows.word(column, "a group's name", faults)?,
            (None, None) => ONE_BIRD,
        };
        let bird = match self.register.bird(name) {
            Some(bird) => bird,
            None if names::is_no_bird(rows, self.layout.bird, name, faults) => return None,
            None if self.register.closed => {
                self.unknown_bird(name, rows, faults);
                return None;
            }
            None => {
                let bird = self.register.enter_bird(name);
                if let Some(pen) = rows.optional_word(self.layout.pen) {
                    self.register.study.birds[bird].pen = Some(self.register.pen(pen));
                }
                if let Some(treatment) = rows.optional_word(self.layout.treatment) {
                    let treatment = self.register.treatment(treatment);
                    self.register.study.birds[bird].treatment = Some(treatment);
                }
                bird
            }
        };
        if let Some(column) = self.layout.strain {
            self.strain(rows, column, bird, faults);
        }
        if let Some(column) = self.layout.hatch {
            self.hatch(rows, column, bird, faults);
        }
        Some(bird)
    }

    fn unknown_bird(&mut self, name: &str, rows: &Rows<'_>, faults: &mut Faults) {
        if !self.told.insert(name.to_owned()) {
            return;
        }
        // The search for the nearest name walks all birds: not for every bird of a wrong table.
        let known = self
            .register
            .study
            .birds
            .iter()
            .map(|bird| bird.name.as_str());
        let few = self.told.len() <= 50;
        let alike = known.clone().find(|other| few && names::alike(other, name));
        let near = few.then(|| nearest(name, known)).flatten();
        let advice = match (alike, near) {
            (Some(alike), _) => format!(
                "perhaps {} is meant, which differs only in letter case, spaces or zeros in front: write it alike in both tables",
                quoted(alike)
            ),
            (_, Some(near)) => format!("perhaps {near} is meant; otherwise add the bird there"),
            _ => "add the bird there or correct its name".to_owned(),
        };
        faults.add(
            self.layout
                .bird
                .map_or(Place::row("weighings", rows.row), |column| {
                    rows.place(column)
                }),
            format!("bird {}", quoted(name)),
            "a bird of the birds table",
            advice,
        );
    }

    fn strain(&mut self, rows: &Rows<'_>, column: usize, bird: usize, faults: &mut Faults) {
        let cell = rows.optional_word(Some(column));
        match (self.register.strain_of(bird), cell) {
            (Some(known), Some(strain)) if known == strain => {}
            (Some(known), Some(strain)) => {
                let name = &self.register.study.birds[bird].name;
                if self.told.insert(name.clone()) {
                    faults.add(
                        rows.place(column),
                        format!(
                            "bird {name} in {}, before in {}",
                            quoted(strain),
                            quoted(known)
                        ),
                        "each bird in one strain",
                        "correct the strain, or give the two birds different names",
                    );
                }
            }
            (None, Some(strain)) => {
                let strain = self.register.strain(strain);
                self.register.study.birds[bird].strain = strain;
            }
            (Some(_), None) => {}
            (None, None) => {
                rows.word(column, "a strain's name", faults);
            }
        }
    }

    fn hatch(&mut self, rows: &Rows<'_>, column: usize, bird: usize, faults: &mut Faults) {
        if rows.optional_word(Some(column)).is_none() {
            return;
        }
        let Some(date) = self.dates.cell(rows, column, faults) else {
            self.register.hatch_lost.insert(bird);
            return;
        };
        let bird = &mut self.register.study.birds[bird];
        match bird.hatch_date {
            Some(known) if known != date => {
                if self.told.insert(bird.name.clone()) {
                    faults.add(
                        rows.place(column),
                        format!("bird {} hatched on {date}, before on {known}", bird.name),
                        "one day of hatch a bird",
                        "correct the date or the bird's name",
                    );
                }
            }
            _ => bird.hatch_date = Some(date),
        }
    }

    fn value(
        &mut self,
        rows: &Rows<'_>,
        column: Measure<MassUnit>,
        faults: &mut Faults,
    ) -> Option<f64> {
        let Measure { index, unit } = column;
        let before = faults.count();
        let Some(written) = rows.number(index, self.mark, &self.layout.expected_value, faults)
        else {
            self.seen.missing += usize::from(faults.count() == before);
            return None;
        };
        let value = written * unit.grams();
        let (expected, advice) = match self.values {
            Values::AnyNumber if value.abs() <= NUMBER_LIMIT => return Some(value),
            Values::AnyNumber => (
                "a number between -1e100 and 1e100".to_owned(),
                "correct the cell or mark it missing (NA)",
            ),
            Values::BirdMasses if value > 0.0 && value <= MASS_LIMIT_G => return Some(value),
            Values::BirdMasses if value > MASS_LIMIT_G => (
                format!(
                    "a mass in {unit} of at most {}",
                    MASS_LIMIT_G / unit.grams()
                ),
                "correct the cell or the unit; for data that are not weights of birds say --any-number",
            ),
            Values::BirdMasses => (
                format!("a mass in {unit} above 0"),
                "correct the cell or mark it missing (NA); for data that are not weights of birds say --any-number",
            ),
        };
        faults.add(
            rows.place(index),
            quoted(rows.cell(index)),
            expected,
            advice,
        );
        None
    }

    fn age(&mut self, rows: &Rows<'_>, bird: usize, faults: &mut Faults) -> Option<f64> {
        match self.layout.time {
            Time::Header => None,
            Time::Date(column) => self.age_of_date(rows, column, bird, faults),
            Time::Age(Measure { index, unit }) => {
                let before = faults.count();
                let written = rows.number(index, self.mark, &self.layout.expected_age, faults);
                if written.is_none() && faults.count() == before {
                    rows.word(index, &self.layout.expected_age, faults);
                }
                let age_d = written? * unit.days();
                let range = match self.values {
                    Values::AnyNumber => -NUMBER_LIMIT..=NUMBER_LIMIT,
                    Values::BirdMasses => 0.0..=AGE_LIMIT_D,
                };
                if range.contains(&age_d) {
                    return Some(age_d);
                }
                let (expected, advice) = match self.values {
                    Values::AnyNumber => (
                        "a number between -1e100 and 1e100".to_owned(),
                        "correct the cell",
                    ),
                    Values::BirdMasses => (
                        format!(
                            "an age in {unit} from 0 (hatch) to {:.0}",
                            (AGE_LIMIT_D / unit.days()).floor()
                        ),
                        "correct the cell or the unit; for data that are not weights of birds say --any-number",
                    ),
                };
                faults.add(
                    rows.place(index),
                    quoted(rows.cell(index)),
                    expected,
                    advice,
                );
                None
            }
        }
    }

    fn age_of_date(
        &mut self,
        rows: &Rows<'_>,
        column: usize,
        bird: usize,
        faults: &mut Faults,
    ) -> Option<f64> {
        rows.word(column, &self.layout.expected_age, faults)?;
        let date = self.dates.cell(rows, column, faults)?;
        let told = self.dates.hatch_lost || self.register.hatch_lost.contains(&bird);
        let bird = &self.register.study.birds[bird];
        let Some(hatch) = self.dates.hatch_of(bird.hatch_date) else {
            if !told && self.told.insert(bird.name.clone()) {
                faults.add(
                    rows.place(column),
                    format!("a date of bird {}, which has no day of hatch", bird.name),
                    "a hatch_date by which the date becomes an age",
                    "fill in hatch_date in the birds table, or give one for all (hatch_date in study.toml, --hatched-on)",
                );
            }
            return None;
        };
        age_between(hatch, date).or_else(|| {
            faults.add(
                rows.place(column),
                format!(
                    "{}, which is {} days after hatch on {hatch}",
                    quoted(rows.cell(column)),
                    (date - hatch).num_days()
                ),
                "a date from hatch to ten years after it",
                "correct the date or the hatch_date",
            );
            None
        })
    }
}

/// Age in days on a date, where it can be one.
pub(crate) fn age_between(hatch: NaiveDate, date: NaiveDate) -> Option<f64> {
    let days = i32::try_from((date - hatch).num_days()).ok()?;
    Some(f64::from(days)).filter(|age_d| (0.0..=AGE_LIMIT_D).contains(age_d))
}
