//! The tables as the page holds them: columns, words stored once, numbers to five
//! digits, and of a large study a part that says that it is one.

use std::collections::HashMap;

use super::super::digits::write_number;
use super::super::table::{Cell, Table};

/// Cells that all tables of a page may have together; a cell takes some six bytes.
const MOST_CELLS: usize = 520_000;

/// Rows that one table may have: more than anybody reads.
const MOST_ROWS: usize = 25_000;

/// Columns of the day by day curves that the page has no chart of, a seventh of all its
/// cells: its bands are the pointwise ones, and the file holds these.
const LEFT_OUT: [&str; 4] = [
    "simultaneous_lower",
    "simultaneous_upper",
    "prediction_lower",
    "prediction_upper",
];

/// Which rows of single birds a page shows: those of each bird's best curve, and in a
/// large study of some birds only.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Shown {
    /// Every `step`-th bird is shown, from the first.
    step: usize,
    /// The birds of all tables, in the order in which the tables name them.
    places: HashMap<String, usize>,
    /// The best curve of a level, strain, bird and trait, by the table of choices.
    best: HashMap<[String; 4], String>,
}

/// The columns by which a row tells whose it is.
struct Whose<'a> {
    table: &'a Table,
    bird: Option<usize>,
    curve: Option<usize>,
    subject: [Option<usize>; 4],
}

impl<'a> Whose<'a> {
    fn of(table: &'a Table) -> Self {
        let column = |name: &str| table.header().iter().position(|header| *header == name);
        Self {
            table,
            bird: column("bird"),
            curve: column("curve"),
            subject: ["level", "strain", "bird", "trait"].map(column),
        }
    }

    fn word(&self, row: usize, column: Option<usize>) -> &'a str {
        match column.map(|column| self.table.cell(row, column)) {
            Some(Cell::Text(word)) => word,
            _ => "",
        }
    }

    /// Whether the row is of the fit of all birds at once.
    fn is_of_population(&self, row: usize) -> bool {
        self.word(row, self.subject[0]) == "population"
    }

    /// Whether the table tells curves day by day: of others than the best, the page
    /// tells the terms only.
    fn is_daily(&self) -> bool {
        self.table.name() == "curves"
    }

    /// Whether the table has a row an age: a bird's own curve by the mixed fit is told
    /// by its terms, beside the fit to that bird alone.
    fn is_by_age(&self) -> bool {
        ["curves", "residuals"].contains(&self.table.name())
    }

    fn bird(&self, row: usize) -> &'a str {
        self.word(row, self.bird)
    }
}

impl Shown {
    /// As many birds as the page has room for, spread evenly through the study.
    pub(super) fn of(tables: &[Table]) -> Self {
        let mut shown = Self {
            step: 1,
            places: HashMap::new(),
            best: best_curves(tables),
        };
        let (mut fixed, mut of_birds) = (0, 0);
        for table in tables {
            let whose = Whose::of(table);
            for row in 0..table.rows() {
                let bird = whose.bird(row);
                if bird.is_empty() {
                    if shown.has(&whose, row) {
                        fixed += table.header().len();
                    }
                    continue;
                }
                // A scan of several birds names them all.
                if !bird.contains('+') && !shown.places.contains_key(bird) {
                    shown.places.insert(bird.to_owned(), shown.places.len());
                }
                if shown.has(&whose, row) {
                    of_birds += table.header().len();
                }
            }
        }
        let room = MOST_CELLS.saturating_sub(fixed).max(MOST_CELLS / 4);
        shown.step = of_birds.div_ceil(room).max(1);
        shown
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

    fn has(&self, whose: &Whose<'_>, row: usize) -> bool {
        let bird = whose.bird(row);
        if bird.is_empty() {
            return !whose.is_daily() || self.is_of_best(whose, row);
        }
        if whose.is_of_population(row) && whose.is_by_age() {
            return false;
        }
        let place = self.places.get(bird);
        place.is_none_or(|place| place.is_multiple_of(self.step)) && self.is_of_best(whose, row)
    }

    /// Whether a row is about the best curve of its subject, or about no curve. Where a
    /// strain's row names the bird that was observed, the curve is the strain's.
    fn is_of_best(&self, whose: &Whose<'_>, row: usize) -> bool {
        let curve = whose.word(row, whose.curve);
        if curve.is_empty() || whose.table.name() == CHOICES {
            return true;
        }
        let mut subject = whose
            .subject
            .map(|column| whose.word(row, column).to_owned());
        if whose.is_of_population(row) {
            // One fit of all birds: it was chosen for all of them.
            subject[1].clear();
        }
        if subject[0] != "bird" {
            subject[2].clear();
        }
        self.best.get(&subject).is_none_or(|best| best == curve)
    }
}

/// The table that ranks the curves of each subject.
const CHOICES: &str = "curve_choice";

fn best_curves(tables: &[Table]) -> HashMap<[String; 4], String> {
    let mut best = HashMap::new();
    for table in tables.iter().filter(|table| table.name() == CHOICES) {
        let whose = Whose::of(table);
        let Some(rank) = table.header().iter().position(|name| *name == "rank") else {
            continue;
        };
        for row in (0..table.rows()).filter(|row| table.cell(*row, rank) == Cell::Whole(1)) {
            let subject = whose
                .subject
                .map(|column| whose.word(row, column).to_owned());
            best.insert(subject, whose.word(row, whose.curve).to_owned());
        }
    }
    best
}

/// A JSON array of the tables.
pub(super) fn json(tables: &[Table], shown: &Shown) -> String {
    let texts: Vec<String> = tables
        .iter()
        .filter(|table| table.rows() > 0)
        .map(|table| table_json(table, shown))
        .collect();
    format!("[{}]", texts.join(","))
}

fn table_json(table: &Table, shown: &Shown) -> String {
    let whose = Whose::of(table);
    let rows: Vec<usize> = (0..table.rows())
        .filter(|row| shown.has(&whose, *row))
        .take(MOST_ROWS)
        .collect();
    let is_left_out = |name: &str| whose.is_daily() && LEFT_OUT.contains(&name);
    let (left_out, shown): (Vec<_>, Vec<_>) = table
        .header()
        .iter()
        .enumerate()
        .partition(|(_, name)| is_left_out(name));
    let left_out: Vec<String> = left_out.iter().map(|(_, name)| string(name)).collect();
    let columns: Vec<String> = shown
        .into_iter()
        .map(|(column, name)| column_json(table, &rows, column, name))
        .collect();
    format!(
        "{{\"name\":{},\"rows\":{},\"all\":{},\"leftOut\":[{}],\"columns\":[{}]}}",
        string(table.name()),
        rows.len(),
        table.rows(),
        left_out.join(","),
        columns.join(",")
    )
}

/// Words as a list of the distinct ones and, a row each, which (-1: none);
/// numbers as they are, null where there is none.
fn column_json(table: &Table, rows: &[usize], column: usize, name: &str) -> String {
    let of_words = rows
        .iter()
        .map(|row| table.cell(*row, column))
        .find(|cell| *cell != Cell::Missing)
        .is_none_or(|cell| matches!(cell, Cell::Text(_)));
    if of_words {
        let mut places: HashMap<&str, usize> = HashMap::new();
        let mut words: Vec<String> = Vec::new();
        let mut which: Vec<String> = Vec::with_capacity(rows.len());
        for row in rows {
            let Cell::Text(word) = table.cell(*row, column) else {
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
        values.push(match table.cell(*row, column) {
            Cell::Number(value) => five_digits(value),
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

/// A number to five significant digits.
fn five_digits(value: f64) -> String {
    let rounded: f64 = format!("{value:.4e}").parse().unwrap_or(value);
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
    fn a_large_study_is_shown_in_part_and_says_so() {
        let mut table = Table::new("residuals", &["bird", "residual"]);
        for bird in 0..500_000 {
            let mut row = table.row();
            row.text(&format!("b{bird}")).number(0.5);
        }
        let shown = Shown::of(std::slice::from_ref(&table));
        assert!(shown.is_sample());
        assert_eq!(shown.birds(), 500_000);
        let text = json(std::slice::from_ref(&table), &shown);
        assert!(text.len() < 6_000_000, "{}", text.len());
        assert!(text.contains("\"all\":500000"));
    }
}
