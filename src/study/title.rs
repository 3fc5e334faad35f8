//! Rows that stand above the data and are no header: titles, units.

use super::faults::{Faults, Place, quoted};
use super::units::{AgeUnit, MassUnit};

/// Rows at the head of a table that are looked through for its header.
const LOOKED_AT: usize = 12;

/// A title over the header: its row, what stands there, and the row that seems
/// to be the header. Rows count from 1.
///
/// A title fills one or two cells where the rows below fill more than twice as
/// many; a header under it holds words only. A table whose first row is such is
/// ragged in any case, so nothing that could be read is refused here.
fn over(text: &str, separator: u8) -> Option<(u32, String, u32)> {
    let own = [char::from(separator)];
    let separators: &[char] = match separator {
        // Where the title holds no separator the comma is only a fallback.
        b',' => &[',', ';', '\t'],
        _ => &own,
    };
    let rows: Vec<(usize, &str)> = text
        .lines()
        .enumerate()
        .filter(|(_, line)| !line.trim().is_empty())
        .take(LOOKED_AT)
        .collect();
    let filled = |line: &str, separator: char| {
        cells(line, separator)
            .into_iter()
            .filter(|cell| !cell.is_empty())
            .count()
    };
    let most = |separator: char| rows.iter().map(|(_, line)| filled(line, separator)).max();
    let separator = separators
        .iter()
        .copied()
        .rev()
        .max_by_key(|separator| most(*separator))?;
    let most = most(separator)?;
    let (first_row, first) = rows.first()?;
    let first_filled = filled(first, separator);
    if first_filled > 2 || most < 3 || first_filled * 2 >= most {
        return None;
    }
    let (header_row, header) = rows
        .iter()
        .find(|(_, line)| filled(line, separator) * 2 > most)?;
    let holds_words = cells(header, separator)
        .iter()
        .filter(|cell| !cell.is_empty())
        .all(|cell| !cell.starts_with(|letter: char| letter.is_ascii_digit()));
    let row = |index: usize| u32::try_from(index + 1).ok();
    let shown: Vec<&str> = cells(first, separator)
        .into_iter()
        .filter(|cell| !cell.is_empty())
        .collect();
    let found = quoted(&shown.join(" "));
    (holds_words && header_row > first_row)
        .then(|| Some((row(*first_row)?, found, row(*header_row)?)))?
}

/// Reports a title over the header and blanks it, so that what is wrong below it is
/// reported too: the row of the header, where there was a title.
pub(crate) fn report(
    text: &mut String,
    separator: u8,
    file: &str,
    faults: &mut Faults,
) -> Option<u32> {
    let (row, found, header) = over(text, separator)?;
    faults.add(
        Place::row(file, row),
        found,
        "the header row",
        format!(
            "the header seems to stand in row {header}: remove the rows above it, or name its \
             row: --header-row {header}, in study.toml under [header_row]"
        ),
    );
    blank_above(text, header);
    Some(header)
}

/// The cells of a line, without quotation marks: enough to count them.
fn cells(line: &str, separator: char) -> Vec<&str> {
    let mut inside = false;
    line.split(|letter| {
        inside ^= letter == '"';
        letter == separator && !inside
    })
    .map(|cell| cell.trim().trim_matches('"').trim())
    .collect()
}

/// Whether a row under the header holds nothing but units.
pub(crate) fn is_row_of_units<'a>(cells: impl Iterator<Item = &'a str>) -> bool {
    let mut units = 0;
    for cell in cells {
        let bare = cell.trim().trim_matches(['(', ')', '[', ']']).trim();
        let lower = bare.to_lowercase();
        if bare.is_empty() || bare == "-" {
            continue;
        }
        let is_unit = bare.parse::<AgeUnit>().is_ok()
            || bare.parse::<MassUnit>().is_ok()
            || [
                "%",
                "no.",
                "yyyy-mm-dd",
                "dd/mm/yyyy",
                "mm/dd/yyyy",
                "dd.mm.yyyy",
            ]
            .contains(&lower.as_str());
        if !is_unit {
            return false;
        }
        units += 1;
    }
    units > 0
}

/// Blanks the lines above row `header` (from 1), so that the rows keep their numbers.
pub(crate) fn blank_above(text: &mut String, header: u32) {
    let above = usize::try_from(header.saturating_sub(1)).unwrap_or(usize::MAX);
    let end = match above.checked_sub(1) {
        None => return,
        Some(last) => text
            .match_indices('\n')
            .nth(last)
            .map_or(text.len(), |(at, _)| at + 1),
    };
    let lines = text[..end].matches('\n').count();
    text.replace_range(..end, &"\n".repeat(lines));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_title_is_distinguished_from_a_header() {
        let over =
            |text: &str, separator| over(text, separator).map(|(row, _, header)| (row, header));
        let table = "bird,age_d,weight_g\na,0,40\na,7,70\n";
        assert_eq!(over(table, b','), None);
        assert_eq!(over(&format!("Flock 3\n\n{table}"), b','), Some((1, 3)));
        assert_eq!(over(&format!("Flock 3,,\n{table}"), b','), Some((1, 2)));
        let semicolons = table.replace(',', ";");
        assert_eq!(
            over(&format!("Flock 3, house 2\n{semicolons}"), b','),
            Some((1, 2))
        );
        // One column with decimal commas, and a header with one cell too few.
        assert_eq!(over("weight\n40,5\n70,25\n", b','), None);
        assert_eq!(over("bird;weight\na;40,5;1\n", b';'), None);
    }

    #[test]
    fn lines_above_the_header_are_blanked_and_counted() {
        let mut text = "Flock 3\nhouse 2\nbird,age_d\n".to_owned();
        blank_above(&mut text, 3);
        assert_eq!(text, "\n\nbird,age_d\n");
        blank_above(&mut text, 9);
        assert_eq!(text.trim(), "");
    }

    #[test]
    fn a_row_of_units() {
        assert!(is_row_of_units(["", "(d)", "g"].into_iter()));
        assert!(!is_row_of_units(["a1", "7", "g"].into_iter()));
        assert!(!is_row_of_units(["", "-", ""].into_iter()));
    }
}
