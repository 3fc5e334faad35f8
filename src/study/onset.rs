//! The `onset` table: bird, first_egg_age_d, last_seen_age_d.

use super::Onset;
use super::faults::{Faults, nearest, quoted};
use super::format::Mark;
use super::header::{Header, Measure};
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
    let (Some(bird_column), Some(first_egg)) = (bird_column, first_egg) else {
        return;
    };
    if faults.count() > before {
        return;
    }
    let numbers: Vec<usize> = [Some(first_egg), last_seen]
        .into_iter()
        .flatten()
        .map(|age| age.index)
        .collect();
    let Some(mark) = header.table.mark(&numbers, faults) else {
        return;
    };
    let mut rows_of = vec![None; register.study.birds.len()];
    let mut rows = header.table.rows();
    while rows.next(faults).is_some() {
        let Some(name) = rows.word(bird_column, "a bird's name", faults) else {
            continue;
        };
        let Some(bird) = register.bird(name) else {
            let known = register.study.birds.iter().map(|bird| bird.name.as_str());
            let advice = match nearest(name, known) {
                Some(near) => format!("perhaps {near} is meant"),
                None => "correct the name or remove the row".to_owned(),
            };
            faults.add(
                rows.place(bird_column),
                format!("bird {}", quoted(name)),
                "a bird of the study",
                advice,
            );
            continue;
        };
        if let Some(row) = rows_of[bird].replace(rows.row) {
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
