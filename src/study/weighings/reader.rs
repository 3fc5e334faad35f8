//! One row of weighings at a time, each fault reported with its place.

use std::collections::HashSet;

use chrono::NaiveDate;

use super::super::columns::Values;
use super::super::faults::{Faults, quoted};
use super::super::format::Mark;
use super::super::header::{Measure, WideColumn};
use super::super::names;
use super::super::read::{Dates, ONE_BIRD, Register};
use super::super::records::Seen;
use super::super::table::Rows;
use super::super::units::{AGE_LIMIT_D, MASS_LIMIT_G, MassUnit, NUMBER_LIMIT};
use super::layout::{Layout, Time};

/// The bird of a row.
#[derive(Clone, Copy)]
enum RowBird {
    Known(usize),
    /// Lost to a fault of its cell.
    Lost,
    /// The row is none of a bird, such as one of totals.
    None,
}

/// Rows to columns, one at a time.
pub(super) struct Reader<'a> {
    pub(super) layout: &'a Layout,
    pub(super) mark: Mark,
    pub(super) values: Values,
    pub(super) dates: &'a Dates,
    pub(super) register: &'a mut Register,
    /// Birds of whom a fault has been reported that each of their rows repeats.
    pub(super) reported: HashSet<String>,
    pub(super) seen: Seen,
}

impl Reader<'_> {
    pub(super) fn row(&mut self, rows: &Rows<'_>, faults: &mut Faults) {
        // What is wrong in a row is reported whole: one cell at fault hides no other.
        let bird = match self.bird(rows, faults) {
            RowBird::Known(bird) => Some(bird),
            RowBird::Lost => None,
            RowBird::None => return,
        };
        for at in 0..self.layout.wide.len() {
            let WideColumn { age_d, value } = self.layout.wide[at];
            if let (Some(value), Some(bird)) = (self.value(rows, value, faults), bird) {
                self.enter(rows, bird, age_d, value);
            }
        }
        if matches!(self.layout.time, Time::Header) {
            return;
        }
        let value = self.value(rows, self.layout.value, faults);
        if value.is_none() && rows.is_missing(self.layout.value.index) {
            return;
        }
        if let (Some(age_d), Some(value), Some(bird)) = (self.age(rows, bird, faults), value, bird)
        {
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

    fn bird(&mut self, rows: &Rows<'_>, faults: &mut Faults) -> RowBird {
        let name = match (self.layout.bird, self.layout.strain) {
            (Some(column), _) if rows.is_missing(column) => {
                faults.add(
                    rows.place(column),
                    quoted(rows.cell(column)),
                    "a bird's name",
                    "fill in the cell or remove the row; unnamed birds go into a separate table without a column of birds (weighings = [\"ringed.csv\", \"samples.csv\"])",
                );
                None
            }
            (Some(column), _) => rows.word(column, "a bird's name", faults),
            (None, Some(column)) => rows.word(column, "a group's name", faults),
            (None, None) => Some(ONE_BIRD),
        };
        let Some(name) = name else {
            return RowBird::Lost;
        };
        let bird = match self.register.bird(name) {
            Some(bird) => bird,
            None if names::is_no_bird(rows, self.layout.bird, name, faults) => {
                return RowBird::None;
            }
            None if self.register.closed => {
                let place = match self.layout.bird {
                    Some(column) => rows.place(column),
                    None => rows.whole_place(),
                };
                self.register.unknown_bird(name, place, faults);
                return RowBird::Lost;
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
        RowBird::Known(bird)
    }

    fn strain(&mut self, rows: &Rows<'_>, column: usize, bird: usize, faults: &mut Faults) {
        let cell = rows.optional_word(Some(column));
        match (self.register.strain_of(bird), cell) {
            (Some(known), Some(strain)) if known == strain => {}
            (Some(known), Some(strain)) => {
                let name = &self.register.study.birds[bird].name;
                if self.reported.insert(name.clone()) {
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
                if self.reported.insert(bird.name.clone()) {
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
        let Some(written) = rows.number(index, self.mark, &self.layout.expected_value, faults)
        else {
            if rows.is_missing(index) {
                self.seen.missing.add(rows.row);
            }
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
                "correct the cell or the unit; for data that are not weights of birds give --no-plausibility",
            ),
            Values::BirdMasses => (
                format!("a mass in {unit} above 0"),
                "correct the cell or mark it missing (NA); for data that are not weights of birds give --no-plausibility",
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

    fn age(&mut self, rows: &Rows<'_>, bird: Option<usize>, faults: &mut Faults) -> Option<f64> {
        match self.layout.time {
            Time::Header => None,
            Time::Date(column) => self.age_of_date(rows, column, bird, faults),
            Time::Age(Measure { index, unit }) => {
                let written = rows.number(index, self.mark, &self.layout.expected_age, faults);
                if written.is_none() && rows.is_missing(index) {
                    rows.word(index, &self.layout.expected_age, faults);
                }
                let age_d = written? * unit.days();
                let known = self.values.age(age_d);
                if known.is_some() {
                    return known;
                }
                let (expected, advice) = self.values.expected_age(unit);
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
        bird: Option<usize>,
        faults: &mut Faults,
    ) -> Option<f64> {
        rows.word(column, &self.layout.expected_age, faults)?;
        let date = self.dates.cell(rows, column, faults)?;
        let bird = bird?;
        let reported = self.dates.hatch_lost || self.register.hatch_lost.contains(&bird);
        let bird = &self.register.study.birds[bird];
        let Some(hatch) = self.dates.hatch_of(bird.hatch_date) else {
            if !reported && self.reported.insert(bird.name.clone()) {
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
