//! The `eggs` table: pen, date or age_d, eggs, hens; strain and days where they are needed.

use std::collections::{BTreeMap, HashMap, HashSet};

use super::decimal_mark::{self, NumberColumn};
use super::faults::{Faults, Place, listed, nearest, quoted};
use super::format::Mark;
use super::header::Header;
use super::judge;
use super::read::{Dates, ONE_STRAIN, Register};
use super::row_age::{AgeColumns, AgeReader};
use super::table::Rows;
use super::units::AGE_LIMIT_D;

/// More eggs than hens times this cannot be of one day: a hen lays one egg a day, and an egg
/// found late or a second one adds a few in a hundred.
const MOST_EGGS_A_HEN: f64 = 1.1;
/// Ages this far from a whole day are taken for one, d: weeks with decimals.
const NEAR_A_DAY: f64 = 0.05;

/// The eggs counted in one pen.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct EggPen {
    /// Index into [`Study::pens`](super::Study::pens).
    pub pen: usize,
    /// Index into [`Study::strains`](super::Study::strains); `None` where the pen houses birds
    /// of several.
    pub strain: Option<usize>,
    /// The counts, ascending in age, none overlapping.
    pub counts: Vec<EggCount>,
}

/// Eggs counted in a pen.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct EggCount {
    /// Age on the (last) day of the count, whole days.
    pub age_d: u32,
    /// Days that the count covers, that day the last.
    pub days: u32,
    /// Eggs.
    pub eggs: f64,
    /// Hens alive.
    pub hens: f64,
    /// The row in the table.
    pub row: u32,
}

/// The columns of a table of eggs.
#[derive(Clone, Copy)]
struct EggColumns {
    pen: usize,
    strain: Option<usize>,
    age: AgeColumns,
    eggs: usize,
    hens: usize,
    days: Option<usize>,
}

impl EggColumns {
    fn of(header: &Header<'_>, faults: &mut Faults) -> Option<Self> {
        let before = faults.count();
        let pen = header.required("pen", faults);
        let strain = header.optional("strain", faults);
        let age = AgeColumns::of(header, faults);
        let eggs = header.required("eggs", faults);
        let hens = header.required("hens", faults);
        let days = header.optional("days", faults);
        let found = Self {
            pen: pen?,
            strain,
            age,
            eggs: eggs?,
            hens: hens?,
            days,
        };
        (faults.count() == before).then_some(found)
    }
}

/// Enters the counts of the table.
pub(crate) fn read(
    header: &Header<'_>,
    dates: &Dates,
    register: &mut Register,
    faults: &mut Faults,
) {
    let before = faults.count();
    let Some(columns) = EggColumns::of(header, faults) else {
        judge::rows(header, faults);
        return;
    };
    let numbers = [Some(columns.eggs), Some(columns.hens), columns.days];
    let mut numbers: Vec<NumberColumn> = numbers
        .into_iter()
        .flatten()
        .map(NumberColumn::plain)
        .collect();
    numbers.extend(columns.age.number());
    let mark = decimal_mark::of(header.table, &numbers, faults);
    let ages = AgeReader {
        columns: columns.age,
        mark,
        dates,
        advice: "give the day of hatch (hatch_date in study.toml or the table of pens, --hatched-on), or the age in age_d",
    };
    // Pens are those of the tables of birds or pens, where these name any.
    let listed = register.closed || !register.study.kept.is_empty();
    let closed = listed && !register.study.pens.is_empty();
    let mut pens: BTreeMap<usize, EggPen> = BTreeMap::new();
    let mut unknown: HashSet<String> = HashSet::new();
    let mut hatches = HashMap::new();
    let mut without = 0;
    let mut rows = header.table.rows();
    while rows.next(faults).is_some() {
        let at = faults.count();
        let pen = pen_of(&rows, columns.pen, (closed, &mut unknown), register, faults);
        let strain = rows
            .optional_word(columns.strain)
            .map(|name| register.strain(name));
        let age_d = pen.and_then(|pen| {
            let hatch = || {
                *hatches
                    .entry(pen)
                    .or_insert_with(|| register.common_hatch(dates, None, Some(pen)))
            };
            whole_day(&rows, ages.read(&rows, hatch, faults)?, columns.age, faults)
        });
        let eggs = rows.number(columns.eggs, mark, "a number of eggs from 0", faults);
        let hens = hens(&rows, columns.hens, mark, faults);
        let days = days(&rows, columns.days, mark, faults);
        if rows.is_missing(columns.eggs) {
            without += 1;
            continue;
        }
        let (Some(pen), Some(age_d), Some(eggs), Some(hens), Some(days), true) =
            (pen, age_d, eggs, hens, days, faults.count() == at)
        else {
            continue;
        };
        let count = EggCount {
            age_d,
            days,
            eggs,
            hens,
            row: rows.row,
        };
        if !plausible(&rows, columns, &count, faults) {
            continue;
        }
        let entry = pens.entry(pen).or_insert_with(|| EggPen {
            pen,
            strain,
            counts: Vec::new(),
        });
        if let (Some(one), Some(other)) = (entry.strain, strain)
            && one != other
        {
            let strains = &register.study.strains;
            let names = (&*strains[one], &*strains[other], &*register.study.pens[pen]);
            two_strains(&rows, columns, (names, entry), faults);
            continue;
        }
        entry.counts.push(count);
    }
    if faults.count() == before && pens.is_empty() {
        faults.add(
            header.table.header_place(),
            "no row with a number of eggs",
            "at least one count",
            "fill in the eggs, or leave the table out",
        );
    }
    if without > 0 {
        register.study.notes.push(format!(
            "{without} rows of eggs without a count were left out"
        ));
    }
    settle((header, columns), pens, register, faults, before);
}

/// The fault of a pen of two strains.
fn two_strains(
    rows: &Rows<'_>,
    columns: EggColumns,
    ((one, other, pen), entry): ((&str, &str, &str), &EggPen),
    faults: &mut Faults,
) {
    let Some(column) = columns.strain else {
        return;
    };
    let row = entry.counts.first().map_or(0, |count| count.row);
    faults.add(
        rows.place(column),
        format!("strain {other} for pen {pen}, and {one} in row {row}"),
        "one strain for each pen",
        "correct the strain, or leave the column out for pens with several strains",
    );
}

/// Puts counts in order, judges them together, and gives each pen its strain.
fn settle(
    (header, columns): (&Header<'_>, EggColumns),
    pens: BTreeMap<usize, EggPen>,
    register: &mut Register,
    faults: &mut Faults,
    before: usize,
) {
    let mut all: Vec<EggPen> = pens.into_values().collect();
    for pen in &mut all {
        pen.counts.sort_by_key(|count| (count.age_d, count.row));
        in_order(header, columns, (pen, &register.study.pens), faults);
        if pen.strain.is_none() {
            pen.strain = strain_of(register, pen.pen);
        }
    }
    if faults.count() == before {
        ask_for_days(header, columns, &all, faults);
    }
    note_gaps(&all, register);
    register.study.eggs = all;
}

fn pen_of(
    rows: &Rows<'_>,
    column: usize,
    (closed, unknown): (bool, &mut HashSet<String>),
    register: &mut Register,
    faults: &mut Faults,
) -> Option<usize> {
    let name = rows.word(column, "a pen's name", faults)?.to_owned();
    if let Some(pen) = register.known_pen(&name) {
        return Some(pen);
    }
    if !closed {
        return Some(register.pen(&name));
    }
    // Each unknown pen is one fault, not one a day.
    if unknown.insert(name.clone()) {
        let pens = &register.study.pens;
        let advice = match nearest(&name, pens.iter().map(String::as_str)) {
            Some(near) => format!(
                "perhaps {near} is meant; otherwise add the pen to the table of pens or birds"
            ),
            None => "correct the pen, or add it to the table of pens or birds".to_owned(),
        };
        faults.add(
            rows.place(column),
            quoted(&name),
            format!("a pen of the study ({})", listed(pens)),
            advice,
        );
    }
    None
}

/// A whole day of age.
fn whole_day(rows: &Rows<'_>, age_d: f64, columns: AgeColumns, faults: &mut Faults) -> Option<u32> {
    if (age_d - age_d.round()).abs() <= NEAR_A_DAY {
        return whole(age_d);
    }
    if let Some(column) = columns.age() {
        faults.add(
            rows.place(column),
            quoted(rows.cell(column)),
            format!("an age of whole days from 0 (hatch) to {AGE_LIMIT_D} d"),
            "correct the cell or the unit",
        );
    }
    None
}

/// A number from 0 to the greatest age as a whole one.
#[expect(
    clippy::cast_possible_truncation,
    reason = "from 0 to the greatest age"
)]
fn whole(number: f64) -> Option<u32> {
    // In range by what age_in_range allows.
    ((0.0..=AGE_LIMIT_D).contains(&number)).then_some(number.round() as u32)
}

fn hens(rows: &Rows<'_>, column: usize, mark: Mark, faults: &mut Faults) -> Option<f64> {
    let expected = "a number of hens above 0";
    rows.word(column, expected, faults)?;
    let hens = rows.number(column, mark, expected, faults)?;
    if hens > 0.0 && hens.is_finite() {
        return Some(hens);
    }
    faults.add(
        rows.place(column),
        quoted(rows.cell(column)),
        expected,
        "give the hens alive on that day, or remove the rows of an empty pen",
    );
    None
}

/// Days that a row covers: 1 by default.
fn days(rows: &Rows<'_>, column: Option<usize>, mark: Mark, faults: &mut Faults) -> Option<u32> {
    let Some(column) = column.filter(|column| !rows.is_missing(*column)) else {
        return Some(1);
    };
    let expected = "a whole number of days from 1 to 31";
    let days = rows.number(column, mark, expected, faults)?;
    if (1.0..=31.0).contains(&days) && days.fract() == 0.0 {
        return whole(days);
    }
    faults.add(
        rows.place(column),
        quoted(rows.cell(column)),
        expected,
        "correct the cell",
    );
    None
}

/// Whether the eggs are no more than the hens can lay in these days.
fn plausible(rows: &Rows<'_>, columns: EggColumns, count: &EggCount, faults: &mut Faults) -> bool {
    if !(count.eggs >= 0.0 && count.eggs.is_finite()) {
        faults.add(
            rows.place(columns.eggs),
            quoted(rows.cell(columns.eggs)),
            "a number of eggs from 0",
            "correct the cell",
        );
        return false;
    }
    let hen_days = count.hens * f64::from(count.days);
    if count.eggs <= MOST_EGGS_A_HEN * hen_days {
        return true;
    }
    let (found, advice) = match (columns.days, count.days) {
        (None, _) => (
            format!("{} eggs of {} hens in a day", count.eggs, count.hens),
            "correct the eggs or the hens; if the eggs are of several days (a week), add a column days with their number",
        ),
        (Some(_), days) => (
            format!("{} eggs of {} hens in {days} days", count.eggs, count.hens),
            "correct the eggs, the hens or the days",
        ),
    };
    faults.add(
        rows.place(columns.eggs),
        found,
        format!("at most {MOST_EGGS_A_HEN} eggs a hen and day"),
        advice,
    );
    false
}

/// Faults of rows that overlap, and of hens that rise.
fn in_order(
    header: &Header<'_>,
    columns: EggColumns,
    (pen, names): (&EggPen, &[String]),
    faults: &mut Faults,
) {
    let name = &names[pen.pen];
    let file = &header.table.file;
    let place = |row: u32, column: usize| Place::cell(file, row, &header.table.headers[column]);
    for pair in pen.counts.windows(2) {
        let (one, next) = (&pair[0], &pair[1]);
        let column = columns.age.place().unwrap_or(columns.pen);
        if next.age_d + 1 < one.age_d + 1 + next.days {
            let what = if next.age_d == one.age_d {
                format!(
                    "pen {name} at {} d again, as in row {}",
                    next.age_d, one.row
                )
            } else {
                format!(
                    "{} days up to {} d in pen {name}, of which row {} has a count up to {} d",
                    next.days, next.age_d, one.row, one.age_d
                )
            };
            faults.add(
                place(next.row, column),
                what,
                "each day of a pen in one row",
                "remove one of the two rows, or correct the age or the days",
            );
        } else if next.hens > one.hens {
            faults.add(
                place(next.row, columns.hens),
                format!(
                    "{} hens in pen {name} at {} d, after {} at {} d (row {})",
                    next.hens, next.age_d, one.hens, one.age_d, one.row
                ),
                "hens that do not become more within a pen",
                "correct the number; where hens were moved in, give the pen a new name from that day",
            );
        }
    }
}

/// A fault where rows some days apart may be of one day, or of all days since the last.
fn ask_for_days(header: &Header<'_>, columns: EggColumns, pens: &[EggPen], faults: &mut Faults) {
    if columns.days.is_some() {
        return;
    }
    for pen in pens {
        let mut steps: Vec<u32> = pen
            .counts
            .windows(2)
            .map(|pair| pair[1].age_d - pair[0].age_d)
            .collect();
        steps.sort_unstable();
        let Some(usual) = steps
            .get(steps.len().saturating_sub(1) / 2)
            .copied()
            .filter(|step| *step > 1)
        else {
            continue;
        };
        faults.add(
            Place::column(
                &header.table.file,
                &header.table.headers[columns.eggs],
            ),
            format!("a count every {usual} days, without the number of days that it covers"),
            format!("a column days: 1 where the eggs are of that day, {usual} where they are of all days since the last count"),
            "add the column days",
        );
        return;
    }
}

/// The strain of a pen by the table of pens, or of all its birds; of a study without strains,
/// the one of all.
fn strain_of(register: &mut Register, pen: usize) -> Option<usize> {
    let kept = register.kept(Some(pen), None);
    if let Some(strain) = kept.and_then(|kept| register.study.kept[kept].strain) {
        return Some(strain);
    }
    let birds = register.study.birds.iter();
    let mut strains = birds
        .filter(|bird| bird.pen == Some(pen))
        .map(|bird| bird.strain);
    match strains.next() {
        Some(first) => strains.all(|strain| strain == first).then_some(first),
        None if register.study.strains.len() == 1 => Some(0),
        None if register.study.strains.is_empty() => Some(register.strain(ONE_STRAIN)),
        None => None,
    }
}

/// Notes the number of days without a count.
fn note_gaps(pens: &[EggPen], register: &mut Register) {
    let gaps = |pen: &EggPen| -> u32 {
        let pairs = pen.counts.windows(2);
        pairs
            .map(|pair| pair[1].age_d.saturating_sub(pair[0].age_d + pair[1].days))
            .sum()
    };
    let days: u32 = pens.iter().map(gaps).sum();
    if days > 0 {
        let of = pens.iter().filter(|pen| gaps(pen) > 0).count();
        register.study.notes.push(format!(
            "eggs were not counted on {days} days between the first and the last count of {of} {}: these days are left out",
            if of == 1 { "pen" } else { "pens" }
        ));
    }
}
