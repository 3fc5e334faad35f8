//! The tables as the page holds them: columns, words stored once, numbers to five
//! digits, and of a large study a part, marked as such.

use std::collections::HashMap;

use super::super::digits::write_number;
use super::super::table::{Block, Cell, Table};

/// Cells that all tables of a page may have together; a cell takes some six bytes.
const MOST_CELLS: usize = 520_000;

/// Rows that one table may have: more than anybody reads.
const MOST_ROWS: usize = 25_000;

/// Tables that are files only: the explorer has what they hold day by day.
const FILES_ONLY: [&str; 2] = ["curves", "residuals"];

/// Tables whose rows of single birds are in the files only: each bird's own fits.
const WITHOUT_BIRDS: [&str; 2] = ["curve_terms", "curve_choice"];

/// Which rows of single birds a page shows: in a large study those of some birds only.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Shown {
    /// Every `step`-th bird is shown, from the first.
    step: usize,
    /// The birds of all tables, in the order in which the tables name them.
    places: HashMap<String, usize>,
}

/// The column that names the group of a row.
fn bird_column(table: &Table) -> Option<usize> {
    table.header().iter().position(|header| *header == "bird")
}

fn bird_of<'b>(block: &'b Block<'_>, row: usize, column: Option<usize>) -> &'b str {
    match column.map(|column| block.cell(row, column)) {
        Some(Cell::Text(bird)) => bird,
        _ => "",
    }
}

/// The tables that the page has.
fn of_page(tables: &[Table]) -> impl Iterator<Item = &Table> {
    let on_page = |table: &&Table| table.rows() > 0 && !FILES_ONLY.contains(&table.name());
    tables.iter().filter(on_page)
}

impl Shown {
    /// As many birds as the page has room for, spread evenly through the study.
    ///
    /// # Errors
    /// Where the temporary file of a long table cannot be read.
    pub(super) fn of(tables: &[Table]) -> std::io::Result<Self> {
        let mut shown = Self {
            step: 1,
            places: HashMap::new(),
        };
        let (mut fixed, mut of_birds) = (0, 0);
        for table in of_page(tables) {
            let column = bird_column(table);
            for block in table.blocks() {
                let block = block?;
                for row in 0..block.rows {
                    let bird = bird_of(&block, row, column);
                    if bird.is_empty() {
                        fixed += table.header().len();
                        continue;
                    }
                    // A scan of several birds names them all.
                    if !bird.contains('+') && !shown.places.contains_key(bird) {
                        shown.places.insert(bird.to_owned(), shown.places.len());
                    }
                    if !WITHOUT_BIRDS.contains(&table.name()) {
                        of_birds += table.header().len();
                    }
                }
            }
        }
        let room = MOST_CELLS.saturating_sub(fixed).max(MOST_CELLS / 4);
        shown.step = of_birds.div_ceil(room).max(1);
        Ok(shown)
    }

    /// Birds in the tables.
    pub(super) fn birds(&self) -> usize {
        self.places.len()
    }

    /// Birds on the page.
    pub(super) fn shown(&self) -> usize {
        self.places.len().div_ceil(self.step)
    }

    /// Whether some birds are left out.
    pub(super) fn is_sample(&self) -> bool {
        self.step > 1
    }

    /// The rows of a table that the page has.
    fn rows_of(&self, table: &Table) -> std::io::Result<Table> {
        let column = bird_column(table);
        let of_birds = !WITHOUT_BIRDS.contains(&table.name());
        let mut room = MOST_ROWS;
        table.with_rows(|block, row| {
            let bird = bird_of(block, row, column);
            let place = || self.places.get(bird);
            let shown = bird.is_empty()
                || of_birds && place().is_none_or(|place| place.is_multiple_of(self.step));
            let has = shown && room > 0;
            room -= usize::from(has);
            has
        })
    }
}

/// A JSON array of the tables.
///
/// # Errors
/// Where the temporary file of a long table cannot be read.
pub(super) fn json(tables: &[Table], shown: &Shown) -> std::io::Result<String> {
    let texts: std::io::Result<Vec<String>> = of_page(tables)
        .map(|table| Ok(table_json(&shown.rows_of(table)?, table.rows())))
        .collect();
    Ok(format!("[{}]", texts?.join(",")))
}

fn table_json(table: &Table, all: usize) -> String {
    let columns: Vec<String> = table
        .header()
        .iter()
        .enumerate()
        .map(|(column, name)| column_json(table, column, name))
        .collect();
    format!(
        "{{\"name\":{},\"rows\":{},\"all\":{all},\"columns\":[{}]}}",
        string(table.name()),
        table.rows(),
        columns.join(",")
    )
}

/// Words as a list of the distinct ones and, a row each, which (-1: none);
/// numbers as they are, null where there is none.
fn column_json(table: &Table, column: usize, name: &str) -> String {
    let rows = 0..table.rows();
    let of_words = rows
        .clone()
        .map(|row| table.cell(row, column))
        .find(|cell| *cell != Cell::Missing)
        .is_none_or(|cell| matches!(cell, Cell::Text(_)));
    if of_words {
        let mut places: HashMap<&str, usize> = HashMap::new();
        let mut words: Vec<String> = Vec::new();
        let mut which: Vec<String> = Vec::with_capacity(rows.len());
        for row in rows {
            let Cell::Text(word) = table.cell(row, column) else {
                which.push("-1".to_owned());
                continue;
            };
            let place = *places.entry(word).or_insert_with(|| {
                words.push(string(word));
                words.len() - 1
            });
            which.push(place.to_string());
        }
        return format!(
            "{{\"name\":{},\"words\":[{}],\"which\":{}}}",
            string(name),
            words.join(","),
            runs(&which)
        );
    }
    let mut values: Vec<String> = Vec::with_capacity(rows.len());
    for row in rows {
        values.push(match table.cell(row, column) {
            Cell::Number(value) => digits(value, 5),
            Cell::Whole(value) => value.to_string(),
            Cell::Text(_) | Cell::Missing => "null".to_owned(),
        });
    }
    format!("{{\"name\":{},\"values\":{}}}", string(name), runs(&values))
}

/// Values one after the other; where neighbours are alike, each with its count
/// (`[["a",3],...]` flattened under the key `runs`).
fn runs(values: &[String]) -> String {
    let mut counted: Vec<(&str, usize)> = Vec::new();
    for value in values {
        match counted.last_mut() {
            Some((last, count)) if *last == value.as_str() => *count += 1,
            _ => counted.push((value, 1)),
        }
    }
    if counted.len() * 2 < values.len() {
        let flat: Vec<String> = counted
            .iter()
            .map(|(value, count)| format!("{value},{count}"))
            .collect();
        format!("{{\"runs\":[{}]}}", flat.join(","))
    } else {
        format!("[{}]", values.join(","))
    }
}

/// A number to the given number of significant digits.
pub(super) fn digits(value: f64, significant: usize) -> String {
    let decimals = significant - 1;
    let rounded: f64 = format!("{value:.decimals$e}").parse().unwrap_or(value);
    let mut text = Vec::new();
    write_number(&mut text, rounded);
    String::from_utf8_lossy(&text).into_owned()
}

/// A JSON string that can stand inside a script element: no `<` can end it.
pub(super) fn string(words: &str) -> String {
    let quoted = serde_json::Value::from(words).to_string();
    quoted
        .replace('<', "\\u003c")
        .replace('\u{2028}', "\\u2028")
        .replace('\u{2029}', "\\u2029")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_cannot_end_the_script() {
        assert_eq!(string("</script>\"x\""), r#""\u003c/script>\"x\"""#);
    }

    #[test]
    fn alike_neighbours_are_counted() {
        let values = ["1", "1", "1", "1", "1", "2"].map(str::to_owned);
        assert_eq!(runs(&values), r#"{"runs":[1,5,2,1]}"#);
        assert_eq!(runs(&["1", "2"].map(str::to_owned)), "[1,2]");
    }

    #[test]
    fn a_large_study_is_shown_in_part_and_marked_so() {
        let mut table = Table::new("deviation", &["bird", "deviation_g"]);
        for bird in 0..500_000 {
            let mut row = table.row();
            row.text(&format!("b{bird}")).number(0.5);
        }
        let shown = Shown::of(std::slice::from_ref(&table)).expect("in memory");
        assert!(shown.is_sample());
        assert_eq!(shown.birds(), 500_000);
        let text = json(std::slice::from_ref(&table), &shown).expect("in memory");
        assert!(text.len() < 6_000_000, "{}", text.len());
        assert!(text.contains("\"all\":500000"));
    }
}
