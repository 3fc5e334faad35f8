//! The study's copy with wrong entries, for `check`.

use std::fmt::Write as _;

/// The study with wrong entries, and the list of them.
pub(crate) fn study() -> Vec<(&'static str, String)> {
    let mut files = super::study();
    files.retain(|(name, _)| !name.starts_with("truth"));
    files.push((
        "study.toml",
        include_str!("../../data-demo/study.toml").to_owned(),
    ));
    files.push((
        "events.csv",
        include_str!("../../data-demo/events.csv").to_owned(),
    ));
    let mut list = "table,row,column,found,what\n".to_owned();
    for slip in &SLIPS {
        for (name, text) in files.iter_mut().filter(|(name, _)| *name == slip.table) {
            let (row, found) = slip.apply(text);
            writeln!(list, "{name},{row},{},{found},{}", slip.column, slip.what)
                .expect("writing to a string");
        }
    }
    files.push(("wrong_entries.csv", list));
    files
}

/// A slip of the pen: in which table, in the row that begins so, in which column.
struct Slip {
    table: &'static str,
    row: &'static str,
    column: &'static str,
    how: How,
    what: &'static str,
}

enum How {
    /// The factor by which the number is too great.
    Times(f64),
    /// This stands in the cell.
    With(&'static str),
    /// The row is there twice.
    Twice,
    /// The row is one too many, at the end.
    Added,
}

const fn slip(table_row_column: [&'static str; 3], how: How, what: &'static str) -> Slip {
    let [table, row, column] = table_row_column;
    Slip {
        table,
        row,
        column,
        how,
        what,
    }
}

/// Chosen by hand; each is a slip that people make. A table's doubled row
/// comes first, so that the row numbers of the others are those of the file as written.
const SLIPS: [Slip; 18] = [
    slip(
        ["weighings.csv", "2025-04-07,A03", "bird"],
        How::Twice,
        "a bird twice on one day",
    ),
    slip(
        ["weighings.csv", "2025-05-19,A05", "weight_g"],
        How::Times(0.62),
        "a weight more than a third too low that returns",
    ),
    slip(
        ["weighings.csv", "2025-06-09,B11", "weight_g"],
        How::Times(10.0),
        "a weight ten times too great",
    ),
    slip(
        ["weighings.csv", "2025-04-28,B03", "weight_g"],
        How::With("-412"),
        "a weight below zero",
    ),
    slip(
        ["weighings.csv", "2025-05-07,C09", "weight_g"],
        How::With("48o"),
        "a letter for a digit",
    ),
    slip(
        ["weighings.csv", "2025-06-11,C14", "date"],
        How::With("2025-06-31"),
        "a day that does not exist",
    ),
    slip(
        ["weighings.csv", "2025-08-18,A99,1710", "bird"],
        How::Added,
        "a bird that is not in the birds table",
    ),
    slip(
        ["targets.csv", "Birch,84,", "lower_g"],
        How::With("1886"),
        "a lower edge above its target",
    ),
    slip(
        ["onset.csv", "C01,", "last_seen_age_d"],
        How::With("96"),
        "a first egg after the bird was last seen",
    ),
    slip(
        ["scans.csv", "s047,A05,42,1,whole", "bird"],
        How::Twice,
        "the same scan twice",
    ),
    slip(
        ["scans.csv", "s221,B04,84,1,whole", "fat_g"],
        How::With("-122.2"),
        "a reading below zero",
    ),
    slip(
        [
            "scans.csv",
            "s196,B33,77,1,whole,tube,1,plucked",
            "feathers",
        ],
        How::With("pluckt"),
        "a word that is none of intact and plucked",
    ),
    slip(
        ["scans.csv", "s230,C01+C03+C04,84", "birds_in_scan"],
        How::With("2"),
        "three birds named and two counted",
    ),
    slip(
        ["scans.csv", "s236,A06,105,1,whole", "scale_weight_g"],
        How::With("1715"),
        "another bird's weight beside the scanner",
    ),
    slip(
        [
            "scans.csv",
            "s900,B02,84,1,whole,tube,1,intact,116.3,721.9,22.84,869,ok",
            "bird",
        ],
        How::Added,
        "a scan of a bird that had died",
    ),
    slip(
        ["chemistry.csv", "B30,feathers", "part"],
        How::Twice,
        "a part of a bird twice",
    ),
    slip(
        ["chemistry.csv", "C44,body", "fat_pct"],
        How::Times(2.0),
        "a percentage twice too great: the parts add to 112",
    ),
    slip(
        ["chemistry.csv", "A36,feathers", "part"],
        How::With("fethers"),
        "a part that no bird has",
    ),
];

impl Slip {
    /// Spoils the table's text; returns the row (1 is the header) and what now stands there.
    fn apply(&self, text: &mut String) -> (usize, String) {
        let mut lines: Vec<Vec<String>> = text
            .lines()
            .map(|line| line.split(',').map(str::to_owned).collect())
            .collect();
        let column = lines[0]
            .iter()
            .position(|cell| cell == self.column)
            .expect("the column");
        let begins = |line: &Vec<String>| line.join(",").starts_with(self.row);
        let row = lines.iter().position(begins);
        let row = match self.how {
            How::Added => {
                lines.push(self.row.split(',').map(str::to_owned).collect());
                lines.len() - 1
            }
            How::Twice => {
                let row = row.expect("the row");
                lines.insert(row, lines[row].clone());
                row + 1
            }
            How::With(_) | How::Times(_) => row.expect("the row"),
        };
        let cell = &mut lines[row][column];
        match self.how {
            How::Times(factor) => {
                let number: f64 = cell.parse().expect("a number");
                *cell = format!("{:.0}", number * factor);
            }
            How::With(text) => text.clone_into(cell),
            How::Twice | How::Added => {}
        }
        let found = cell.clone();
        *text = lines.iter().map(|line| line.join(",") + "\n").collect();
        (row + 1, found)
    }
}
