//! The `birds` table: bird, strain, pen, treatment, block, hatch_date.

use super::faults::Faults;
use super::header::Header;
use super::read::{Dates, Register};
use super::{judge, names};

/// Enters the birds of the table; false where a row's bird is lost to a fault.
pub(crate) fn read(
    header: &Header<'_>,
    dates: &Dates,
    register: &mut Register,
    faults: &mut Faults,
) -> bool {
    let bird_column = header.required("bird", faults);
    let strain_column = header.optional("strain", faults);
    let pen_column = header.optional("pen", faults);
    let treatment_column = header.optional("treatment", faults);
    let block_column = header.optional("block", faults);
    let hatch_column = header.optional("hatch_date", faults);
    let Some(bird_column) = bird_column else {
        judge::rows(header, faults);
        return false;
    };
    let before = faults.count();
    let mut repeated = 0;
    let mut rows = header.table.rows();
    while rows.next(faults).is_some() {
        let Some(name) = rows.word(bird_column, "a bird's name", faults) else {
            continue;
        };
        if let Some(bird) = register.bird(name) {
            let strain = register.strain_of(bird);
            let other = rows.optional_word(strain_column);
            let (found, advice) = match (strain, other) {
                (Some(one), Some(other)) if one != other => (
                    format!("bird {name} again, now in strain {other} and before in {one}"),
                    "correct the strain or the bird's name",
                ),
                _ => (format!("bird {name} again"), "remove one of the two rows"),
            };
            faults.add(
                rows.place(bird_column),
                found,
                "each bird in one row",
                advice,
            );
            repeated += 1;
            continue;
        }
        if names::is_no_bird(&rows, Some(bird_column), name, faults) {
            continue;
        }
        let bird = register.enter_bird(name);
        if let Some(column) = strain_column
            && let Some(strain) = rows.word(column, "a strain's name", faults)
        {
            register.study.birds[bird].strain = register.strain(strain);
        }
        if let Some(pen) = rows.optional_word(pen_column) {
            register.study.birds[bird].pen = Some(register.pen(pen));
        }
        if let Some(treatment) = rows.optional_word(treatment_column) {
            register.study.birds[bird].treatment = Some(register.treatment(treatment));
        }
        if let Some(block) = rows.optional_word(block_column) {
            register.study.birds[bird].block = Some(register.block(block));
        }
        if let Some(column) = hatch_column
            && rows.optional_word(hatch_column).is_some()
        {
            let hatch = dates.cell(&rows, column, faults);
            register.study.birds[bird].hatch_date = hatch;
            if hatch.is_none() {
                register.hatch_lost.insert(bird);
            }
        }
        let own = register.study.birds[bird].hatch_date;
        register.study.birds[bird].hatch_date = dates.hatch_of(own);
    }
    faults.count() - before == repeated
}
