//! A table as LaTeX: a longtable with the rules of booktabs, to be `\input` into a paper.
//!
//! Everything that means something to TeX is escaped, so that a bird called `50%_&#` is
//! set as it is written; minus signs, `±` and the like are set in mathematics. Words of
//! one column may be turned into notes: their rows get a letter, and the words stand
//! once under the table.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::digits::write_number;
use super::table::{Cell, Table};

/// A table and what is printed around it.
#[derive(Debug, Clone, Copy)]
pub struct Printed<'a> {
    /// The table.
    pub table: &'a Table,
    /// Its caption.
    pub caption: &'a str,
    /// Its label, for `\ref`.
    pub label: &'a str,
    /// Headings of the columns that are not called as in the table: column, heading.
    pub headings: &'a [(&'a str, &'a str)],
    /// The column whose words become notes under the table, and the one whose cells get
    /// their letters, if any.
    pub notes_of: Option<(&'a str, &'a str)>,
    /// Notes on the whole table.
    pub notes: &'a [String],
}

/// The table as a longtable, UTF-8.
///
/// It needs the packages booktabs and longtable. Numbers stand to the right, words to
/// the left; a missing cell is empty.
#[must_use]
pub fn longtable(printed: &Printed<'_>) -> String {
    let table = printed.table;
    let header = table.header();
    let place = |name: &str| header.iter().position(|of| *of == name);
    let noted = printed
        .notes_of
        .and_then(|(words, marked)| Some((place(words)?, place(marked)?)));
    let columns: Vec<usize> = (0..header.len())
        .filter(|column| noted.is_none_or(|(words, _)| words != *column))
        .collect();
    let alignment: String = columns.iter().map(|column| align(table, *column)).collect();
    let headings: Vec<String> = columns
        .iter()
        .map(|column| {
            let name = header[*column];
            let other = printed.headings.iter().find(|(of, _)| *of == name);
            other.map_or_else(
                || escaped(&name.replace('_', " ")),
                |(_, text)| escaped(text),
            )
        })
        .collect();
    let headings = headings.join(" & ");
    let count = columns.len();
    let (body, letters) = body(table, &columns, noted);

    let mut out = String::new();
    out += "% Needs \\usepackage{booktabs,longtable}. Written as UTF-8.\n";
    out += "{\\footnotesize\n\\setlength{\\tabcolsep}{4pt}\n";
    // Writing to a string cannot fail.
    let _ = writeln!(out, "\\begin{{longtable}}{{@{{}}{alignment}@{{}}}}");
    let _ = writeln!(
        out,
        "\\caption{{{}}}\\label{{{}}}\\\\",
        escaped(printed.caption),
        printed.label
    );
    let _ = writeln!(out, "\\toprule\n{headings}\\\\\n\\midrule\n\\endfirsthead");
    let _ = writeln!(out, "\\toprule\n{headings}\\\\\n\\midrule\n\\endhead");
    let _ = writeln!(
        out,
        "\\midrule\n\\multicolumn{{{count}}}{{r@{{}}}}{{continued}}\\\\\n\\endfoot"
    );
    out += "\\bottomrule\n";
    let lettered = letters
        .iter()
        .map(|(letter, words)| format!("\\textsuperscript{{{letter}}} {}", escaped(words)));
    let whole = printed.notes.iter().map(|note| escaped(note));
    for note in whole.chain(lettered) {
        let _ = writeln!(
            out,
            "\\multicolumn{{{count}}}{{@{{}}p{{0.95\\linewidth}}@{{}}}}{{{note}}}\\\\"
        );
    }
    out += "\\endlastfoot\n";
    out += &body;
    out += "\\end{longtable}\n}\n";
    out
}

/// The rows, and the notes with their letters in order of first use.
fn body(
    table: &Table,
    columns: &[usize],
    noted: Option<(usize, usize)>,
) -> (String, Vec<(String, String)>) {
    let mut letters: BTreeMap<String, String> = BTreeMap::new();
    let mut notes: Vec<(String, String)> = Vec::new();
    let mut body = String::new();
    for row in 0..table.rows() {
        let mark = match noted.map(|(words, _)| table.cell(row, words)) {
            Some(Cell::Text(words)) => {
                let next = letter(notes.len());
                let mark = letters.entry(words.to_owned()).or_insert_with(|| {
                    notes.push((next.clone(), words.to_owned()));
                    next
                });
                format!("\\textsuperscript{{{mark}}}")
            }
            _ => String::new(),
        };
        let cells: Vec<String> = columns
            .iter()
            .map(|column| cell(table.cell(row, *column)))
            .collect();
        for (column, text) in cells.iter().enumerate() {
            if column > 0 {
                body.push_str(" & ");
            }
            body.push_str(text);
            if noted.is_some_and(|(_, marked)| marked == columns[column]) {
                body.push_str(&mark);
            }
        }
        body.push_str("\\\\\n");
    }
    (body, notes)
}

/// a, b, ..., z, aa, ab, ...
fn letter(mut place: usize) -> String {
    let mut letters = Vec::new();
    loop {
        letters.push(char::from(b'a' + u8::try_from(place % 26).unwrap_or(0)));
        match (place / 26).checked_sub(1) {
            Some(rest) => place = rest,
            None => break,
        }
    }
    letters.iter().rev().collect()
}

/// `r` for a column of numbers, and for one whose words all begin like numbers.
fn align(table: &Table, column: usize) -> char {
    let number_like = |row: usize| match table.cell(row, column) {
        Cell::Number(_) | Cell::Whole(_) | Cell::Missing => true,
        Cell::Text(words) => words
            .trim_start_matches(['\u{2212}', '<', '>', ' '])
            .starts_with(|letter: char| letter.is_ascii_digit()),
    };
    let rows = table.rows();
    if rows > 0 && (0..rows).all(number_like) {
        'r'
    } else {
        'l'
    }
}

fn cell(cell: Cell<'_>) -> String {
    match cell {
        Cell::Missing => String::new(),
        Cell::Text(words) => escaped(words),
        Cell::Whole(number) => signed(number.to_string()),
        Cell::Number(number) => {
            let mut text = Vec::new();
            write_number(&mut text, number);
            signed(String::from_utf8_lossy(&text).into_owned())
        }
    }
}

fn signed(number: String) -> String {
    match number.strip_prefix('-') {
        Some(size) => format!("$-${size}"),
        None => number,
    }
}

/// Words as TeX sets them: every special character escaped, signs in mathematics.
///
/// A bracket or an asterisk at the start of a row would be read as an argument of the
/// line end before it; in braces it is not.
#[must_use]
pub fn escaped(words: &str) -> String {
    let mut out = String::with_capacity(words.len());
    for letter in words.chars() {
        match letter {
            '\\' => out.push_str("\\textbackslash{}"),
            '{' | '}' | '$' | '&' | '#' | '%' | '_' => {
                out.push('\\');
                out.push(letter);
            }
            '^' => out.push_str("\\textasciicircum{}"),
            '~' => out.push_str("\\textasciitilde{}"),
            '`' => out.push_str("\\textasciigrave{}"),
            '"' => out.push_str("\\textquotedbl{}"),
            '<' => out.push_str("$<$"),
            '>' => out.push_str("$>$"),
            '|' => out.push_str("\\textbar{}"),
            '[' | ']' | '*' => {
                out.push('{');
                out.push(letter);
                out.push('}');
            }
            '\u{2212}' => out.push_str("$-$"),
            '\u{b1}' => out.push_str("$\\pm$"),
            '\u{d7}' => out.push_str("$\\times$"),
            '\u{a0}' => out.push('~'),
            // Two or three hyphens would be joined to a dash.
            '-' if out.ends_with('-') => out.push_str("{-}"),
            letter if letter.is_control() => out.push(' '),
            letter => out.push(letter),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Braces, dollars and environments that are opened are closed, and every row has as
    /// many cells as the table has columns: what a compiler would stumble over.
    fn check(text: &str, columns: usize) {
        let bare: String = text
            .lines()
            .filter(|line| !line.starts_with('%'))
            .map(|line| format!("{line}\n"))
            .collect();
        let (mut depth, mut dollars, mut escape) = (0_i32, 0, false);
        for letter in bare.chars() {
            match letter {
                _ if escape => escape = false,
                '\\' => escape = true,
                '{' => depth += 1,
                '}' => depth -= 1,
                '$' => dollars += 1,
                '#' | '%' | '_' | '^' | '~' => panic!("a bare {letter} in {text}"),
                _ => {}
            }
            assert!(depth >= 0, "{text}");
        }
        assert_eq!((depth, dollars % 2), (0, 0), "{text}");
        assert_eq!(text.matches("\\begin{").count(), 1);
        assert_eq!(text.matches("\\end{").count(), 1);
        let rows = text.split("\\endlastfoot\n").nth(1).unwrap();
        let rows = rows.split("\\end{longtable}").next().unwrap();
        for row in rows.lines() {
            assert!(row.ends_with("\\\\"), "{row}");
            let cells = row.replace("\\&", "").matches(" & ").count() + 1;
            assert_eq!(cells, columns, "{row}");
            assert!(!row.starts_with(['[', '*']), "{row}");
        }
    }

    #[test]
    fn names_of_every_kind_are_set_as_they_are_written() {
        let mut table = Table::new("t", &["strain", "share_pct", "estimate", "note"]);
        let names = [
            "a\\b{c}$d&e#f%g_h^i~j",
            "[x] *",
            "\"quoted\" `so` <b>|--- \n\t",
            "ä ö 鶏 \u{2212}1 \u{b1} 2",
        ];
        for (row, name) in names.iter().enumerate() {
            table
                .row()
                .text(name)
                .number(-1.5)
                .text("1.5 \u{b1} 0.2")
                .text(if row % 2 == 0 { "weak: A & k" } else { "" });
        }
        let printed = Printed {
            table: &table,
            caption: "Terms & 95 % intervals",
            label: "tab:terms",
            headings: &[("estimate", "estimate \u{b1} SE")],
            notes_of: Some(("note", "strain")),
            notes: &["All of it_".to_owned()],
        };
        let text = longtable(&printed);
        check(&text, 3);
        assert!(text.contains("\\begin{longtable}{@{}lrr@{}}"), "{text}");
        assert!(
            text.contains("strain & share pct & estimate $\\pm$ SE\\\\"),
            "{text}"
        );
        // One note for two rows with the same words.
        assert_eq!(text.matches("\\textsuperscript{a}").count(), 3, "{text}");
        assert!(!text.contains("\\textsuperscript{b}"), "{text}");
        assert!(text.contains(
            "a\\textbackslash{}b\\{c\\}\\$d\\&e\\#f\\%g\\_h\\textasciicircum{}i\\textasciitilde{}j"
        ));
        assert!(
            text.contains("{[}x{]} {*} & $-$1.5 & 1.5 $\\pm$ 0.2"),
            "{text}"
        );
        assert!(text.contains("-{-}{-}") || text.contains("-{-}-"), "{text}");
        assert!(!text.contains("--"), "{text}");
    }

    #[test]
    fn an_empty_table_is_still_a_table() {
        let table = Table::new("t", &["strain", "note"]);
        let printed = Printed {
            table: &table,
            caption: "",
            label: "tab:t",
            headings: &[],
            notes_of: Some(("note", "strain")),
            notes: &[],
        };
        check(&longtable(&printed), 1);
    }

    #[test]
    fn letters_go_on_after_z() {
        assert_eq!(letter(0), "a");
        assert_eq!(letter(25), "z");
        assert_eq!(letter(26), "aa");
        assert_eq!(letter(27 * 26), "aaa");
    }
}
