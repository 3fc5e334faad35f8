//! The `onset` table: bird, first_egg_age_d, last_seen_age_d.

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

/// Enters the first eggs of the table.
pub(crate) fn read(header: &Header<'_>, register: &mut Register, faults: &mut Faults) {
    let before = faults.count();
    let bird_column = header.required("bird", faults);
    let first_egg = header.ages("first_egg_age", faults);
    let last_seen = header.ages("last_seen_age", faults);
    if first_egg.is_none() && faults.count() == before {
        header.missing(&["first_egg_age"], faults);
    }
    let (Some(bird_column), Some(first_egg), true) =
        (bird_column, first_egg, faults.count() == before)
    else {
        judge::rows(header, faults);
        return;
    };
    let numbers: Vec<NumberColumn> = [Some(first_egg), last_seen]
        .into_iter()
        .flatten()
        .map(NumberColumn::from)
        .collect();
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
        let first_egg_age_d = age(&rows, first_egg, mark, faults);
        let last_seen_age_d = last_seen.and_then(|column| age(&rows, column, mark, faults));
        match (first_egg_age_d, last_seen_age_d) {
            _ if faults.count() > at => continue,
            (None, None) if mark == Mark::InDoubt => continue,
            (None, None) => faults.add(
                rows.place(first_egg.index),
                format!("neither a first egg nor a last sight of bird {name}"),
                "at least one of the two ages",
                "give the age at which the bird was last seen, or remove the row",
            ),
            (Some(egg), Some(seen)) if egg > seen => faults.add(
                rows.place(first_egg.index),
                format!("a first egg at {egg} d, after the bird was last seen at {seen} d"),
                "a first egg before or when the bird was last seen",
                "correct one of the two ages",
            ),
            _ => register.study.onset.push(Onset {
                bird,
                first_egg_age_d,
                last_seen_age_d,
            }),
        }
    }
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
