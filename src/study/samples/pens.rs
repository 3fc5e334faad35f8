//! The `pens` table: pen, house, strain, treatment, block, hatch_date, birds.

use super::super::decimal_mark::{self, NumberColumn};
use super::super::faults::{Faults, quoted};
use super::super::header::Header;
use super::super::judge;
use super::super::read::{Dates, Register};
use super::Kept;

/// Enters the row of each pen, or of each house without pens.
pub(crate) fn read(
    header: &Header<'_>,
    dates: &Dates,
    register: &mut Register,
    faults: &mut Faults,
) {
    let before = faults.count();
    let pen_column = header.optional("pen", faults);
    let house_column = header.optional("house", faults);
    let strain_column = header.optional("strain", faults);
    let treatment_column = header.optional("treatment", faults);
    let block_column = header.optional("block", faults);
    let hatch_column = header.optional("hatch_date", faults);
    let birds_column = header.optional("birds", faults);
    let Some(name_column) = pen_column.or(house_column) else {
        if faults.count() == before {
            header.missing(&["pen", "house"], faults);
        }
        judge::rows(header, faults);
        return;
    };
    let numbers: Vec<NumberColumn> = birds_column.into_iter().map(NumberColumn::plain).collect();
    let mark = decimal_mark::of(header.table, &numbers, faults);
    let mut rows = header.table.rows();
    while rows.next(faults).is_some() {
        let pen = rows
            .optional_word(pen_column)
            .map(|name| register.pen(name));
        let house = rows
            .optional_word(house_column)
            .map(|name| register.house(name));
        if pen.is_none() && house.is_none() {
            rows.word(name_column, "the name of a pen or a house", faults);
            continue;
        }
        if let Some(at) = register.kept(pen, house) {
            let found = match register.study.kept[at].house {
                known if known != house => "this pen again, in another house",
                _ => "this pen again",
            };
            faults.add(
                rows.place(name_column),
                format!("{} ({found})", quoted(rows.cell(name_column))),
                "each pen in one row, with a name that no other pen has",
                "remove one of the two rows, or name pens with their house, such as A-1",
            );
            continue;
        }
        let strain = rows
            .optional_word(strain_column)
            .map(|name| register.strain(name));
        let treatment = rows
            .optional_word(treatment_column)
            .map(|name| register.treatment(name));
        let block = rows
            .optional_word(block_column)
            .map(|name| register.block(name));
        let hatch_date = match hatch_column {
            Some(column) if rows.optional_word(hatch_column).is_some() => {
                dates.cell(&rows, column, faults)
            }
            _ => None,
        };
        let birds = birds_column.and_then(|column| {
            let birds = rows.number(column, mark, "a number of birds such as 1200", faults)?;
            if (1.0..=1e8).contains(&birds) {
                return Some(birds.round());
            }
            faults.add(
                rows.place(column),
                quoted(rows.cell(column)),
                "the number of birds kept, from 1",
                "correct the cell, or leave it empty where it is not known",
            );
            None
        });
        register.keep(Kept {
            pen,
            house,
            strain,
            treatment,
            block,
            hatch_date,
            birds,
        });
    }
}
