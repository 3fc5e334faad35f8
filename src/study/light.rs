//! The `light` table: pen (empty for all), date or age_d, hours, and lux where it is known.

use super::decimal_mark::{self, NumberColumn};
use super::faults::{Faults, listed, nearest, quoted};
use super::format::Mark;
use super::header::Header;
use super::judge;
use super::read::{Dates, Register};
use super::row_age::{AgeColumns, AgeReader};
use super::table::Rows;

/// A change of light: its hours hold from that age on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Light {
    /// Index into [`Study::pens`](super::Study::pens); `None` for all.
    pub pen: Option<usize>,
    /// Age from which it holds, d.
    pub age_d: f64,
    /// Hours of light a day.
    pub hours: f64,
    /// Intensity, lux, where it is known.
    pub lux: Option<f64>,
    /// The row in the table.
    pub row: u32,
}

/// Enters the light programme, ascending in age.
pub(crate) fn read(
    header: &Header<'_>,
    dates: &Dates,
    register: &mut Register,
    faults: &mut Faults,
) {
    let before = faults.count();
    let pen_column = header.optional("pen", faults);
    let columns = AgeColumns::of(header, faults);
    let hours_column = header.required("hours", faults);
    let lux_column = header.optional("lux", faults);
    let Some(hours_column) = hours_column.filter(|_| faults.count() == before) else {
        judge::rows(header, faults);
        return;
    };
    let mut numbers = vec![NumberColumn::plain(hours_column)];
    numbers.extend(lux_column.map(NumberColumn::plain));
    numbers.extend(columns.number());
    let mark = decimal_mark::of(header.table, &numbers, faults);
    let ages = AgeReader {
        columns,
        mark,
        dates,
        advice: "give the age in age_d, or the day of hatch (hatch_date in study.toml)",
    };
    let closed = !register.study.pens.is_empty();
    let mut all: Vec<Light> = Vec::new();
    let mut rows = header.table.rows();
    while rows.next(faults).is_some() {
        let at = faults.count();
        let pen = rows.optional_word(pen_column).map(str::to_owned);
        let known = pen.as_deref().map(|name| register.known_pen(name));
        if let (Some(None), Some(name), Some(column)) = (known, &pen, pen_column) {
            let pens = &register.study.pens;
            let near = nearest(name, pens.iter().map(String::as_str));
            let advice = match near {
                Some(near) => format!("perhaps {near} is meant"),
                None => {
                    "correct the pen, or leave the cell empty where the light is that of all pens"
                        .to_owned()
                }
            };
            if closed {
                let expected = format!("a pen of the study ({})", listed(pens));
                faults.add(rows.place(column), quoted(name), expected, advice);
            }
        }
        let hatch = || register.common_hatch(dates, None, known.flatten());
        let age_d = ages.read(&rows, hatch, faults);
        let within = |column: usize, (least, most): (f64, f64), what: &str, faults: &mut Faults| {
            number_within(&rows, (column, mark), (least, most), what, faults)
        };
        rows.word(hours_column, "hours of light from 0 to 24", faults);
        let hours = within(
            hours_column,
            (0.0, 24.0),
            "hours of light from 0 to 24",
            faults,
        );
        let lux = lux_column
            .and_then(|column| within(column, (0.0, 200_000.0), "lux from 0 to 200000", faults));
        let (Some(age_d), Some(hours), true) = (age_d, hours, faults.count() == at) else {
            continue;
        };
        let light = Light {
            pen: known.flatten(),
            age_d,
            hours,
            lux,
            row: rows.row,
        };
        let same_day = |one: &&Light| (one.age_d - age_d).abs() < 1e-9;
        let overlaps =
            |one: &&Light| one.pen == light.pen || one.pen.is_none() || light.pen.is_none();
        if let Some(one) = all.iter().filter(same_day).find(overlaps) {
            let whose = |pen: Option<usize>| {
                pen.map_or("all pens".to_owned(), |pen| {
                    format!("pen {}", register.study.pens[pen])
                })
            };
            faults.add(
                rows.place(hours_column),
                format!(
                    "{hours} h for {} at {age_d} d, and {} h for {} in row {}",
                    whose(light.pen),
                    one.hours,
                    whose(one.pen),
                    one.row
                ),
                "one day length for a pen at an age",
                "remove one of the two rows, or give the pen in both",
            );
            continue;
        }
        all.push(light);
    }
    all.sort_by(|one, next| one.age_d.total_cmp(&next.age_d));
    register.study.light = all;
}

/// A number between limits; `None` where the cell is empty.
fn number_within(
    rows: &Rows<'_>,
    (column, mark): (usize, Mark),
    (least, most): (f64, f64),
    what: &str,
    faults: &mut Faults,
) -> Option<f64> {
    let number = rows.number(column, mark, what, faults)?;
    if (least..=most).contains(&number) {
        return Some(number);
    }
    faults.add(
        rows.place(column),
        quoted(rows.cell(column)),
        what,
        "correct the cell",
    );
    None
}
