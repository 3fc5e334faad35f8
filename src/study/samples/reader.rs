//! Rows of unnamed birds, each fault reported with its place.

use std::collections::BTreeSet;

use super::super::columns::Columns;
use super::super::decimal_mark;
use super::super::faults::{Faults, listed, quoted, rows_listed};
use super::super::format::Mark;
use super::super::header::{Header, Measure};
use super::super::judge;
use super::super::read::{Dates, Register};
use super::super::records::Missing;
use super::super::table::Rows;
use super::super::units::{AGE_LIMIT_D, MASS_LIMIT_G, MassUnit, age_in_range};
use super::super::weighings::age_between;
use super::layout::{Layout, Time, What};
use super::{SampleRow, Together, units};

/// Two weights of the same birds may differ by this share before they contradict each other.
const SAME_MEAN: f64 = 0.01;

/// Enters the rows of a table of unnamed birds.
pub(crate) fn read(
    header: &Header<'_>,
    columns: &Columns,
    dates: &Dates,
    register: &mut Register,
    faults: &mut Faults,
) {
    let before = faults.count();
    let layout = Layout::find(header, columns, faults);
    let Some(layout) = layout.filter(|_| faults.count() == before) else {
        judge::rows(header, faults);
        return;
    };
    let mark = decimal_mark::of(header.table, &layout.number_columns(), faults);
    let file = register.study.samples.files.len();
    register.study.samples.files.push(header.table.file.clone());
    let mut reader = Reader {
        layout: &layout,
        mark,
        dates,
        register,
        missing: Missing::default(),
        without_hatch: BTreeSet::new(),
        file,
    };
    let mut rows = header.table.rows();
    while rows.next(faults).is_some() {
        reader.row(&rows, faults);
    }
    let missing = reader.missing;
    if missing.count > 0 {
        let rows = rows_listed(missing.count, &missing.first);
        let note = format!("{}: {rows} without a weight left out", header.table.file);
        register.study.notes.push(note);
        register.study.samples.missing += missing.count;
    }
    let read = layout.columns();
    let headers = header.table.headers.iter().enumerate();
    let unread: Vec<&str> = headers
        .filter(|(index, name)| !read.contains(index) && !name.is_empty())
        .map(|(_, name)| name.as_str())
        .collect();
    if !unread.is_empty() {
        let note = format!("{}: not read: {}", header.table.file, listed(unread));
        register.study.notes.push(note);
    }
    let all = &mut register.study.samples.rows;
    all.sort_by(|a, b| a.unit.cmp(&b.unit).then(a.age_d.total_cmp(&b.age_d)));
}

struct Reader<'a> {
    layout: &'a Layout,
    mark: Mark,
    dates: &'a Dates,
    register: &'a mut Register,
    missing: Missing,
    /// Units of which it was reported that they have no day of hatch.
    without_hatch: BTreeSet<usize>,
    file: usize,
}

impl Reader<'_> {
    fn row(&mut self, rows: &Rows<'_>, faults: &mut Faults) {
        let before = faults.count();
        let unit = units::of_row(self.layout, rows, (self.dates, self.register), faults);
        let weighed = match self.layout.what {
            What::Each(weight) => self
                .mass(rows, weight, faults)
                .map(|weight_g| (weight_g, None)),
            What::Together { .. } => self.together(rows, faults),
        };
        if weighed.is_none() && faults.count() == before && self.mark != Mark::InDoubt {
            self.missing.add(rows.row);
            return;
        }
        let age_d = self.age(rows, unit, faults);
        if let (Some(unit), Some((weight_g, together)), Some(age_d)) = (unit, weighed, age_d)
            && faults.count() == before
        {
            self.register.study.samples.rows.push(SampleRow {
                unit,
                age_d,
                weight_g,
                together,
                row: rows.row,
                file: self.file,
            });
        }
    }

    /// A mass in grams; `None` where it is missing or at fault.
    fn mass(&self, rows: &Rows<'_>, column: Measure<MassUnit>, faults: &mut Faults) -> Option<f64> {
        self.mass_up_to(rows, column, MASS_LIMIT_G, faults)
    }

    fn mass_up_to(
        &self,
        rows: &Rows<'_>,
        column: Measure<MassUnit>,
        most_g: f64,
        faults: &mut Faults,
    ) -> Option<f64> {
        let Measure { index, unit } = column;
        let expected = format!("a mass in {unit} such as {}", unit.example());
        let value = rows.number(index, self.mark, &expected, faults)? * unit.grams();
        if value > 0.0 && value <= most_g {
            return Some(value);
        }
        faults.add(
            rows.place(index),
            quoted(rows.cell(index)),
            format!(
                "a mass in {unit} above 0 and up to {}",
                most_g / unit.grams()
            ),
            "correct the cell or the unit, or mark it missing (NA)",
        );
        None
    }

    /// The mean weight of several birds, g, and how many they are.
    fn together(&self, rows: &Rows<'_>, faults: &mut Faults) -> Option<(f64, Option<Together>)> {
        let What::Together {
            birds,
            mean,
            total,
            sd,
            cv_pct,
        } = self.layout.what
        else {
            return None;
        };
        let is_missing = |column: Option<Measure<MassUnit>>| {
            column.is_none_or(|column| rows.is_missing(column.index))
        };
        if is_missing(mean) && is_missing(total) {
            return None;
        }
        let number = self.birds(rows, birds, faults)?;
        let mean_g = mean
            .filter(|_| !is_missing(mean))
            .and_then(|m| self.mass(rows, m, faults));
        let count = f64::from(number);
        let most_g = MASS_LIMIT_G * count;
        let total_g = total
            .filter(|_| !is_missing(total))
            .and_then(|total| self.mass_up_to(rows, total, most_g, faults));
        let of_total = total_g.map(|total_g| total_g / count);
        if let (Some(mean_g), Some(other), Some(column)) = (mean_g, of_total, mean)
            && (mean_g - other).abs() > SAME_MEAN * mean_g
        {
            faults.add(
                rows.place(column.index),
                format!("a mean of {mean_g:.1} g, where the total over the birds is {other:.1} g"),
                "a mean and a total that agree",
                "correct one of the cells: mean, total or number of birds",
            );
            return None;
        }
        let weight_g = mean_g.or(of_total)?;
        let sd_g = match (sd.filter(|_| !is_missing(sd)), cv_pct) {
            (Some(column), _) => Some(self.mass_up_to(rows, column, weight_g, faults)?),
            (None, Some(column)) if !rows.is_missing(column) => {
                Some(0.01 * self.cv_pct(rows, column, faults)? * weight_g)
            }
            _ => None,
        };
        Some((
            weight_g,
            Some(Together {
                birds: number,
                sd_g,
            }),
        ))
    }

    fn birds(&self, rows: &Rows<'_>, column: usize, faults: &mut Faults) -> Option<u32> {
        const EXPECTED: &str = "the number of birds weighed together, a whole number from 1";
        if rows.is_missing(column) {
            rows.word(column, EXPECTED, faults);
            return None;
        }
        let birds = rows.number(column, self.mark, EXPECTED, faults)?;
        if (1.0..=100_000.0).contains(&birds) && birds.fract() == 0.0 {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a whole number between 1 and 100,000"
            )]
            return Some(birds as u32);
        }
        faults.add(
            rows.place(column),
            quoted(rows.cell(column)),
            EXPECTED,
            "correct the cell, or remove the row where no bird was weighed",
        );
        None
    }

    fn cv_pct(&self, rows: &Rows<'_>, column: usize, faults: &mut Faults) -> Option<f64> {
        let cv_pct = rows.number(column, self.mark, "a percentage such as 8.5", faults)?;
        if (1.0..=100.0).contains(&cv_pct) {
            return Some(cv_pct);
        }
        faults.add(
            rows.place(column),
            quoted(rows.cell(column)),
            "a coefficient of variation in percent, from 1 to 100",
            "write percent, as in 8.5, or leave the cell empty where it is not known",
        );
        None
    }

    fn age(&mut self, rows: &Rows<'_>, unit: Option<usize>, faults: &mut Faults) -> Option<f64> {
        match self.layout.time {
            Time::Age(Measure { index, unit }) => {
                let expected = format!("an age in {unit} such as 5");
                let age = rows.number(index, self.mark, &expected, faults);
                if age.is_none() && rows.is_missing(index) {
                    rows.word(index, &expected, faults);
                }
                let age_d = age? * unit.days();
                let known = age_in_range(age_d);
                if known.is_none() {
                    faults.add(
                        rows.place(index),
                        quoted(rows.cell(index)),
                        format!(
                            "an age in {unit} from 0 (hatch) to {:.0}",
                            (AGE_LIMIT_D / unit.days()).floor()
                        ),
                        "correct the cell or the unit",
                    );
                }
                known
            }
            Time::Date(column) => {
                rows.word(column, "a date", faults)?;
                let date = self.dates.cell(rows, column, faults)?;
                let unit = unit?;
                let own = self.register.study.samples.units[unit].hatch_date;
                let Some(hatch) = self.dates.hatch_of(own) else {
                    if !self.dates.hatch_lost && self.without_hatch.insert(unit) {
                        faults.add(
                            rows.place(column),
                            "a date of unnamed birds without a day of hatch",
                            "a hatch_date by which the date becomes an age",
                            "give hatch_date in the pens table or in a column, or one for all (hatch_date in study.toml, --hatched-on)",
                        );
                    }
                    return None;
                };
                let age_d = age_between(hatch, date);
                if age_d.is_none() {
                    faults.add(
                        rows.place(column),
                        format!("{}, with hatch on {hatch}", quoted(rows.cell(column))),
                        "a date from hatch to ten years after it",
                        "correct the date or the hatch_date",
                    );
                }
                age_d
            }
        }
    }
}
