//! What each column of the result tables means, for those who open them without
//! the documents.

/// A line a column: table (empty: every table), column, meaning, separated by `|`.
/// Lines that begin with `#` are headings.
const NOTES: &str = include_str!("column_notes.txt");

/// Table, column, meaning.
fn notes() -> impl Iterator<Item = (&'static str, &'static str, &'static str)> {
    let lines = NOTES.lines().filter(|line| !line.starts_with('#'));
    lines.filter_map(|line| {
        let (table, rest) = line.split_once('|')?;
        let (column, meaning) = rest.split_once('|')?;
        Some((table, column, meaning))
    })
}

/// What a column means: what is said of it in that table, or in every table.
pub(super) fn meaning(table: &str, column: &str) -> Option<&'static str> {
    let of = |wanted: &str| {
        notes()
            .find(|(in_table, name, _)| *in_table == wanted && *name == column)
            .map(|(_, _, meaning)| meaning)
    };
    of(table).or_else(|| of(""))
}
