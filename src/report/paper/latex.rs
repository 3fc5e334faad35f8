//! Tables as LaTeX: a longtable with the rules of booktabs, to be `\input` into a paper.
//!
//! Everything that means something to TeX is escaped, so that a bird called `50%_&#` is
//! set as it is written; minus signs, `±` and the like are set in mathematics.

use std::fmt::Write;

/// A cell of a printed table.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Cell {
    /// What stands in it.
    pub(super) words: String,
    /// What stands raised behind it; may be empty.
    pub(super) mark: String,
}

impl From<String> for Cell {
    fn from(words: String) -> Self {
        Self {
            words,
            mark: String::new(),
        }
    }
}

impl From<&str> for Cell {
    fn from(words: &str) -> Self {
        words.to_owned().into()
    }
}

/// A table and what is printed around it.
#[derive(Debug, Clone, Default)]
pub(super) struct Printed {
    /// Its caption.
    pub(super) caption: String,
    /// Its label, for `\ref`.
    pub(super) label: String,
    /// Headings of the columns; the first is set to the left, the others to the right where
    /// all their cells begin like numbers.
    pub(super) headings: Vec<String>,
    /// Cells, row by row, as many as headings.
    pub(super) rows: Vec<Vec<Cell>>,
    /// Notes under the table.
    pub(super) notes: Vec<String>,
}

/// What the file that holds the tables begins with.
pub(super) const PREAMBLE: &str = "% Needs \\usepackage{booktabs,longtable}. Written as UTF-8.\n";

impl Printed {
    /// The table as a longtable.
    pub(super) fn longtable(&self) -> String {
        let count = self.headings.len();
        let alignment: String = (0..count).map(|column| self.align(column)).collect();
        let headings: Vec<String> = self.headings.iter().map(|words| escaped(words)).collect();
        let headings = headings.join(" & ");
        let mut out = String::from("{\\footnotesize\n\\setlength{\\tabcolsep}{4pt}\n");
        let _ = writeln!(out, "\\begin{{longtable}}{{@{{}}{alignment}@{{}}}}");
        let _ = writeln!(
            out,
            "\\caption{{{}}}\\label{{{}}}\\\\",
            escaped(&self.caption),
            self.label
        );
        let _ = writeln!(out, "\\toprule\n{headings}\\\\\n\\midrule\n\\endfirsthead");
        let _ = writeln!(out, "\\toprule\n{headings}\\\\\n\\midrule\n\\endhead");
        let _ = writeln!(
            out,
            "\\midrule\n\\multicolumn{{{count}}}{{r@{{}}}}{{continued}}\\\\\n\\endfoot"
        );
        out += "\\bottomrule\n";
        for note in &self.notes {
            let _ = writeln!(
                out,
                "\\multicolumn{{{count}}}{{@{{}}p{{0.95\\linewidth}}@{{}}}}{{{}}}\\\\",
                escaped(note)
            );
        }
        out += "\\endlastfoot\n";
        for row in &self.rows {
            let cells: Vec<String> = row.iter().map(cell).collect();
            let _ = writeln!(out, "{}\\\\", cells.join(" & "));
        }
        out + "\\end{longtable}\n}\n"
    }

    /// `r` for a column whose cells all begin like numbers.
    fn align(&self, column: usize) -> char {
        let number_like = |row: &Vec<Cell>| {
            let words = row[column]
                .words
                .trim_start_matches(['\u{2212}', '<', '>', ' ']);
            words.is_empty()
                || words == "\u{2013}"
                || words.starts_with(|letter: char| letter.is_ascii_digit())
        };
        if column > 0 && !self.rows.is_empty() && self.rows.iter().all(number_like) {
            'r'
        } else {
            'l'
        }
    }
}

fn cell(cell: &Cell) -> String {
    let words = escaped(&cell.words);
    if cell.mark.is_empty() {
        words
    } else {
        format!("{words}\\textsuperscript{{{}}}", escaped(&cell.mark))
    }
}

/// Words as TeX sets them: every special character escaped, signs in mathematics.
///
/// A bracket or an asterisk at the start of a row would be read as an argument of the
/// line end before it; in braces it is not.
pub(super) fn escaped(words: &str) -> String {
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
            '\u{2013}' => out.push_str("--"),
            // The two letters of a reciprocal.
            '\u{207b}' => out.push_str("$^{-"),
            '\u{b9}' => out.push_str("1}$"),
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
        let names = [
            "a\\b{c}$d&e#f%g_h^i~j",
            "[x] *",
            "\"quoted\" `so` <b>|--- \n\t",
            "ä ö 鶏 \u{2212}1 \u{b1} 2",
        ];
        let row = |(at, name): (usize, &&str)| {
            let marked = Cell {
                words: "1.5 \u{b1} 0.2".to_owned(),
                mark: if at % 2 == 0 { "ab" } else { "" }.to_owned(),
            };
            vec![(*name).into(), "\u{2212}1.5".into(), marked]
        };
        let printed = Printed {
            caption: "Terms & 95 % intervals".to_owned(),
            label: "tab:terms".to_owned(),
            headings: ["strain", "share, %", "estimate \u{b1} SE"]
                .map(str::to_owned)
                .into(),
            rows: names.iter().enumerate().map(row).collect(),
            notes: vec!["All of it_".to_owned()],
        };
        let text = printed.longtable();
        check(&text, 3);
        assert!(text.contains("\\begin{longtable}{@{}lrr@{}}"), "{text}");
        assert!(
            text.contains("strain & share, \\% & estimate $\\pm$ SE\\\\"),
            "{text}"
        );
        assert!(
            text.contains("1.5 $\\pm$ 0.2\\textsuperscript{ab}"),
            "{text}"
        );
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
        let printed = Printed {
            headings: vec!["strain".to_owned()],
            ..Printed::default()
        };
        check(&printed.longtable(), 1);
    }
}
