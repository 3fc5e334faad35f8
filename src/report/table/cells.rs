//! The cells of a table's columns, in memory and as bytes.

use std::collections::HashMap;

/// The cells of one column.
#[derive(Debug, Clone)]
pub(super) enum Column {
    /// No cell has been written yet.
    Empty,
    /// Words, each distinct one stored once.
    Text(Words),
    /// Numbers; NaN is a missing cell and never leaves the table as such.
    Number(Vec<f64>),
    /// Counts and other whole numbers; `i64::MIN` is a missing cell.
    Whole(Vec<i64>),
}

impl Column {
    /// Gives back the room that was kept for more rows.
    pub(super) fn shrink(&mut self) {
        match self {
            Self::Empty => {}
            Self::Text(words) => {
                words.rows.shrink_to_fit();
                words.places = HashMap::new();
            }
            Self::Number(values) => values.shrink_to_fit(),
            Self::Whole(values) => values.shrink_to_fit(),
        }
    }
}

/// Words and, a row each, which one stands there; each is stored once while rows
/// are written.
#[derive(Debug, Clone, Default)]
pub(super) struct Words {
    pool: Vec<Box<str>>,
    places: HashMap<Box<str>, u32>,
    /// How a CSV field has the few words that it does not have as they are.
    fields: HashMap<u32, Box<str>>,
    /// Which word each row has; empty while all have the first.
    rows: Vec<u32>,
    /// Rows that have the first word, before any has another: level, trait and curve
    /// stay the same over thousands of rows.
    alike: usize,
}

impl Words {
    pub(super) fn push(&mut self, word: &str) {
        if self.rows.is_empty() {
            match self.pool.first() {
                Some(first) if **first == *word => {
                    self.alike += 1;
                    return;
                }
                // The first other word: from here on each row has an index.
                Some(_) => self.rows.resize(self.alike, 0),
                None => {}
            }
        }
        let place = self.place(word);
        if self.rows.is_empty() && place == 0 {
            self.alike = 1;
        } else {
            self.rows.push(place);
        }
    }

    /// Rows repeat a word or run through the same few in order: look there first.
    fn place(&mut self, word: &str) -> u32 {
        let pool_at = |place: u32| self.pool.get(place as usize).map(AsRef::as_ref);
        if let Some(last) = self.rows.last().copied() {
            for guess in [last, last + 1, 0] {
                if pool_at(guess) == Some(word) {
                    return guess;
                }
            }
        }
        if let Some(place) = self.places.get(word) {
            return *place;
        }
        let place = u32::try_from(self.pool.len()).unwrap_or(u32::MAX);
        self.pool.push(word.into());
        if let Some(field) = field(word) {
            self.fields.insert(place, field);
        }
        self.places.insert(word.into(), place);
        place
    }

    /// Which word a row has.
    pub(super) fn place_at(&self, row: usize) -> u32 {
        self.rows.get(row).copied().unwrap_or(0)
    }

    pub(super) fn at(&self, row: usize) -> &str {
        &self.pool[self.place_at(row) as usize]
    }

    pub(super) fn field_at(&self, row: usize) -> &str {
        let place = self.place_at(row);
        let field = match self.fields.is_empty() {
            true => None,
            false => self.fields.get(&place),
        };
        field.unwrap_or(&self.pool[place as usize])
    }
}

/// Appends columns as bytes, which [`from_bytes`] reads.
pub(super) fn to_bytes(columns: &[Column]) -> Vec<u8> {
    let mut out = Vec::new();
    let count = |out: &mut Vec<u8>, n: usize| out.extend((n as u64).to_le_bytes());
    for column in columns {
        match column {
            Column::Empty => out.push(0),
            Column::Text(words) => {
                out.push(1);
                count(&mut out, words.pool.len());
                for word in &words.pool {
                    count(&mut out, word.len());
                    out.extend(word.as_bytes());
                }
                count(&mut out, words.alike);
                count(&mut out, words.rows.len());
                out.extend(words.rows.iter().flat_map(|place| place.to_le_bytes()));
            }
            Column::Number(values) => {
                out.push(2);
                count(&mut out, values.len());
                out.extend(values.iter().flat_map(|value| value.to_le_bytes()));
            }
            Column::Whole(values) => {
                out.push(3);
                count(&mut out, values.len());
                out.extend(values.iter().flat_map(|value| value.to_le_bytes()));
            }
        }
    }
    out
}

/// Columns from the bytes of [`to_bytes`]; `None` where they are cut short or changed.
pub(super) fn from_bytes(mut bytes: &[u8]) -> Option<Vec<Column>> {
    let mut columns = Vec::new();
    while let Some((kind, rest)) = bytes.split_first() {
        bytes = rest;
        columns.push(match kind {
            0 => Column::Empty,
            1 => {
                let mut words = Words::default();
                for place in 0..u32::try_from(take_count(&mut bytes)?).ok()? {
                    let length = take_count(&mut bytes)?;
                    let word = std::str::from_utf8(bytes.split_off(..length)?).ok()?;
                    if let Some(field) = field(word) {
                        words.fields.insert(place, field);
                    }
                    words.pool.push(word.into());
                }
                words.alike = take_count(&mut bytes)?;
                words.rows = take_all(&mut bytes, u32::from_le_bytes)?;
                Column::Text(words)
            }
            2 => Column::Number(take_all(&mut bytes, f64::from_le_bytes)?),
            3 => Column::Whole(take_all(&mut bytes, i64::from_le_bytes)?),
            _ => return None,
        });
    }
    Some(columns)
}

fn take_count(bytes: &mut &[u8]) -> Option<usize> {
    let count = bytes.split_off(..8)?.try_into().ok()?;
    usize::try_from(u64::from_le_bytes(count)).ok()
}

fn take_all<const SIZE: usize, T>(bytes: &mut &[u8], read: fn([u8; SIZE]) -> T) -> Option<Vec<T>> {
    let count = take_count(bytes)?;
    let (values, _) = bytes.split_off(..count.checked_mul(SIZE)?)?.as_chunks();
    Some(values.iter().copied().map(read).collect())
}

/// Words as a CSV field, where that is not the words themselves: quoted where they hold
/// a comma, a quote or a line break.
///
/// Words that a spreadsheet would work out as a formula get a leading apostrophe,
/// the common guard; our own reader takes it off again. Names are left as they
/// are wherever they can be: a bird called `-12` or `+7` is a number to a
/// spreadsheet and no formula, so that other programs find it under that name.
fn field(words: &str) -> Option<Box<str>> {
    let formula = is_formula(words);
    let quoted = words.contains([',', '"', '\n', '\r']);
    let guard = if formula { "'" } else { "" };
    if quoted {
        Some(format!("\"{guard}{}\"", words.replace('"', "\"\"")).into())
    } else {
        formula.then(|| format!("{guard}{words}").into())
    }
}

/// Whether a spreadsheet would work words out: they begin with a sign of a
/// formula, and more than a plain number follows.
fn is_formula(words: &str) -> bool {
    match words.as_bytes() {
        [b'=' | b'@' | b'\t' | b'\r', ..] => true,
        [b'+' | b'-', rest @ ..] => !rest
            .iter()
            .all(|byte| byte.is_ascii_digit() || *byte == b'.'),
        _ => false,
    }
}
