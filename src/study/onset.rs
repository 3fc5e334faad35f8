//! The `onset` table: bird, first_egg_age_d or last_without_d and first_with_d, last_seen_age_d,
//! entered_age_d.

use std::collections::HashMap;

use super::Onset;
use super::decimal_mark::{self, NumberColumn};
use super::faults::{Faults, quoted};
use super::format::Mark;
use super::header::{Header, Measure};
use super::judge;
use super::read::Register;
use super::table::Rows;
use super::units::{AGE_LIMIT_D, AgeUnit, age_in_range};

/// The columns of ages, of which some may be missing.
#[derive(Clone, Copy)]
struct Ages<T> {
    first_egg: T,
    last_seen: T,
    last_without: T,
    first_with: T,
    entered: T,
}

impl<T> Ages<T> {
    fn map<U>(self, mut to: impl FnMut(T) -> U) -> Ages<U> {
        Ages {
            first_egg: to(self.first_egg),
            last_seen: to(self.last_seen),
            last_without: to(self.last_without),
            first_with: to(self.first_with),
            entered: to(self.entered),
        }
    }
}

/// Enters the first eggs of the table.
pub(crate) fn read(header: &Header<'_>, register: &mut Register, faults: &mut Faults) {
    let before = faults.count();
    let bird_column = header.required("bird", faults);
    let columns = Ages {
        first_egg: "first_egg_age",
        last_seen: "last_seen_age",
        last_without: "last_without",
        first_with: "first_with",
        entered: "entered_age",
    }
    .map(|stem| header.ages(stem, faults));
    let of_eggs = columns.first_egg.or(columns.first_with);
    if of_eggs.is_none() && faults.count() == before {
        header.missing(&["first_egg_age"], faults);
    }
    let (Some(bird_column), Some(of_eggs), true) = (bird_column, of_eggs, faults.count() == before)
    else {
        judge::rows(header, faults);
        return;
    };
    let mut numbers: Vec<NumberColumn> = Vec::new();
    columns.map(|column| numbers.extend(column.map(NumberColumn::from)));
    let mark = decimal_mark::of(header.table, &numbers, faults);
    let mut rows_of: HashMap<usize, u32> = HashMap::new();
    let mut rows = header.table.rows();
    while rows.next(faults).is_some() {
        let Some(name) = rows.word(bird_column, "a bird's name", faults) else {
            continue;
        };
        let Some(bird) = register.known_bird(name, &rows, bird_column, faults) else {
            continue;
        };
        if let Some(row) = rows_of.insert(bird, rows.row) {
            faults.add(
                rows.place(bird_column),
                format!("bird {name} again, as in row {row}"),
                "each bird in one row",
                "remove one of the two rows",
            );
            continue;
        }
        let at = faults.count();
        let ages = columns.map(|column| column.and_then(|one| age(&rows, one, mark, faults)));
        if faults.count() > at {
            continue;
        }
        let none = [
            ages.first_egg,
            ages.last_seen,
            ages.last_without,
            ages.first_with,
        ]
        .iter()
        .all(Option::is_none);
        if none && mark == Mark::InDoubt {
            continue;
        }
        let fault = if none {
            Some((
                of_eggs,
                format!("neither a first egg nor a last sight of bird {name}"),
                "at least one of the two ages",
                "give the age at which the bird was last seen, or remove the row",
            ))
        } else {
            contradiction(&columns, &ages)
        };
        match fault {
            Some((column, found, expected, advice)) => {
                faults.add(rows.place(column.index), found, expected, advice);
            }
            None => register.study.onset.push(Onset {
                bird,
                first_egg_age_d: ages.first_egg,
                last_seen_age_d: ages.last_seen,
                last_without_d: ages.last_without,
                first_with_d: ages.first_with,
                entered_d: ages.entered,
            }),
        }
    }
}

/// Column, what was found, what was expected and what to do.
type Contradiction = (Measure<AgeUnit>, String, &'static str, &'static str);

/// The first pair of ages of a bird that cannot both be.
fn contradiction(
    columns: &Ages<Option<Measure<AgeUnit>>>,
    ages: &Ages<Option<f64>>,
) -> Option<Contradiction> {
    let advice = "correct one of the two ages";
    if let (Some(egg), Some(seen)) = (ages.first_egg, ages.last_seen)
        && egg > seen
    {
        return Some((
            columns.first_egg?,
            format!("a first egg at {egg} d, after the bird was last seen at {seen} d"),
            "a first egg before or when the bird was last seen",
            advice,
        ));
    }
    if let (Some(without), Some(with)) = (ages.last_without, ages.first_with)
        && without >= with
    {
        return Some((
            columns.last_without?,
            format!("a last check without an egg at {without} d, the first with one at {with} d"),
            "the last check without an egg before the first with one",
            advice,
        ));
    }
    if let (Some(egg), Some(without)) = (ages.first_egg, ages.last_without)
        && egg <= without
    {
        return Some((
            columns.first_egg?,
            format!("a first egg at {egg} d, and no egg yet at the check at {without} d"),
            "a first egg after the last check without one",
            advice,
        ));
    }
    if let (Some(egg), Some(with)) = (ages.first_egg, ages.first_with)
        && egg > with
    {
        return Some((
            columns.first_egg?,
            format!("a first egg at {egg} d, and an egg already at the check at {with} d"),
            "a first egg at or before the first check with one",
            advice,
        ));
    }
    if let (Some(with), Some(seen)) = (ages.first_with, ages.last_seen)
        && with > seen
    {
        return Some((
            columns.first_with?,
            format!("an egg at the check at {with} d, after the bird was last seen at {seen} d"),
            "a check before or when the bird was last seen",
            advice,
        ));
    }
    // A bird that entered while laying is no evidence on others: it has its first check with an
    // egg and no age of entry.
    let earliest = [
        (columns.first_egg, ages.first_egg, "a first egg"),
        (columns.first_with, ages.first_with, "an egg at the check"),
        (columns.last_seen, ages.last_seen, "last sight"),
    ];
    for (_, age_d, what) in earliest {
        if let (Some(entered), Some(age_d)) = (ages.entered, age_d)
            && entered >= age_d
        {
            return Some((
                columns.entered?,
                format!("entered at {entered} d, with {what} at {age_d} d"),
                "birds that had not laid when they entered",
                "correct one of the two ages; for a bird that was laying when it entered leave entered_age_d empty",
            ));
        }
    }
    if let (Some(entered), Some(without)) = (ages.entered, ages.last_without)
        && entered > without
    {
        return Some((
            columns.entered?,
            format!("entered at {entered} d, after a check without an egg at {without} d"),
            "an entry before or at the last check without an egg",
            advice,
        ));
    }
    None
}

/// An age that may be missing, within its range.
fn age(rows: &Rows<'_>, column: Measure<AgeUnit>, mark: Mark, faults: &mut Faults) -> Option<f64> {
    let Measure { index, unit } = column;
    let expected = format!("an age in {unit} such as 20");
    let age_d = rows.number(index, mark, &expected, faults)? * unit.days();
    if let Some(age_d) = age_in_range(age_d) {
        return Some(age_d);
    }
    faults.add(
        rows.place(index),
        quoted(rows.cell(index)),
        format!(
            "an age in {unit} from 0 (hatch) to {:.0}",
            (AGE_LIMIT_D / unit.days()).floor()
        ),
        "correct the cell or the unit",
    );
    None
}
