//! What every column of a run's tables means, for those who open them without the documents.

use super::Columns;
use super::column::{Column, about, columns};
use crate::report::Table;

/// `dictionary.csv`: a line for every column of these tables, and of itself.
#[must_use]
pub fn dictionary<'a>(tables: impl IntoIterator<Item = &'a Table>) -> Table {
    let own = declared().table([]);
    let of = |table: &Table| {
        let columns = table.columns().to_vec();
        let name = table.name();
        columns.into_iter().map(move |column| (name, column))
    };
    let mut lines: Vec<_> = tables.into_iter().flat_map(of).collect();
    lines.extend(of(&own));
    declared().table(lines)
}

fn declared() -> Columns<'static, (&'static str, Column)> {
    columns!("dictionary", |(table, column): (&'static str, Column)| {
        table("", "name of the table; its file is tables/NAME.csv") => *table,
        column("", "name of the column") => column.name,
        unit("", "its unit; 1 for a number without one; empty for words; 'see unit' where the row names it in the column unit") => column.unit,
        meaning("", "what the column holds") => column.meaning,
    })
}
