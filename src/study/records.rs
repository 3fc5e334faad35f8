//! Rows in the order of a table to records by bird and age.

use super::Records;
use super::faults::{Faults, Place, ROWS_SHOWN};
use super::read::Register;

/// What the rows held, in the order of the table.
#[derive(Default)]
pub(crate) struct Seen {
    pub(crate) birds: Vec<u32>,
    pub(crate) ages_d: Vec<f64>,
    pub(crate) values: Vec<f64>,
    pub(crate) rows: Vec<u32>,
    pub(crate) missing: Missing,
}

/// Rows (of a wide table, cells) without a value.
#[derive(Default)]
pub(crate) struct Missing {
    pub(crate) count: usize,
    /// The rows of the first few.
    pub(crate) first: Vec<u32>,
}

impl Missing {
    pub(crate) fn add(&mut self, row: u32) {
        self.count += 1;
        if self.first.len() < ROWS_SHOWN {
            self.first.push(row);
        }
    }

    pub(crate) fn append(&mut self, after: &Self) {
        self.count += after.count;
        let room = ROWS_SHOWN - self.first.len();
        self.first.extend(after.first.iter().take(room));
    }
}

impl Seen {
    /// Appends what the rows after these held; `birds` is the place of each of their birds.
    pub(crate) fn append(&mut self, mut after: Self, birds: &[u32]) {
        let places = after.birds.iter().map(|bird| birds[*bird as usize]);
        self.birds.extend(places);
        self.ages_d.append(&mut after.ages_d);
        self.values.append(&mut after.values);
        self.rows.append(&mut after.rows);
        self.missing.append(&after.missing);
    }

    /// Moves the columns to `records`, by bird and by age within a bird, rows at
    /// the same age in the table's order.
    ///
    /// A counting sort by bird, left out where the birds already stand in
    /// blocks; then each bird whose ages do not ascend is sorted.
    pub(crate) fn arrange(&mut self, birds: usize, records: &mut Records) {
        let mut starts = vec![0_usize; birds + 1];
        for bird in &self.birds {
            starts[*bird as usize + 1] += 1;
        }
        for bird in 0..birds {
            starts[bird + 1] += starts[bird];
        }
        records.ages_d = std::mem::take(&mut self.ages_d);
        records.values = std::mem::take(&mut self.values);
        records.rows = std::mem::take(&mut self.rows);
        if !self.birds.is_sorted() {
            let mut next = starts.clone();
            let mut order = vec![0_usize; self.birds.len()];
            for (row, bird) in self.birds.iter().enumerate() {
                let place = &mut next[*bird as usize];
                order[*place] = row;
                *place += 1;
            }
            records.ages_d = order.iter().map(|row| records.ages_d[*row]).collect();
            records.values = order.iter().map(|row| records.values[*row]).collect();
            records.rows = order.iter().map(|row| records.rows[*row]).collect();
        }
        for bird in 0..birds {
            let range = starts[bird]..starts[bird + 1];
            if records.ages_d[range.clone()].is_sorted() {
                continue;
            }
            let mut block: Vec<(f64, f64, u32)> = range
                .clone()
                .map(|row| (records.ages_d[row], records.values[row], records.rows[row]))
                .collect();
            block.sort_by(|one, other| one.0.total_cmp(&other.0));
            for (row, (age_d, value, table_row)) in range.zip(block) {
                records.ages_d[row] = age_d;
                records.values[row] = value;
                records.rows[row] = table_row;
            }
        }
        records.starts = starts;
    }
}

/// Each bird's second weighing at one age is a fault, and is left out.
pub(crate) fn drop_duplicates(
    records: &mut Records,
    register: &Register,
    column: &str,
    faults: &mut Faults,
) {
    let mut keep = vec![true; records.ages_d.len()];
    for (bird, range) in records.starts.windows(2).enumerate() {
        let mut first = range[0];
        for (row, kept) in (range[0]..range[1])
            .zip(&mut keep[range[0]..range[1]])
            .skip(1)
        {
            if records.ages_d[row]
                .total_cmp(&records.ages_d[first])
                .is_ne()
            {
                first = row;
                continue;
            }
            *kept = false;
            let name = &register.study.birds[bird].name;
            let age_d = records.ages_d[row];
            let (one, other) = (records.values[first], records.values[row]);
            let again = format!(
                "bird {name} again at {age_d} d, as in row {}",
                records.rows[first]
            );
            let (found, advice) = if one.total_cmp(&other).is_eq() {
                (again, "remove one of the two rows".to_owned())
            } else {
                (
                    format!("{again}, but with {other} g in place of {one} g"),
                    "keep the right one and remove the other".to_owned(),
                )
            };
            let place = Place::cell(&records.file, records.rows[row], column);
            faults.add(place, found, "each bird once at an age", advice);
        }
    }
    records.duplicates = keep.iter().filter(|kept| !**kept).count();
    if records.duplicates == 0 {
        return;
    }
    let mut before = 0;
    let mut kept_before = vec![0];
    for kept in &keep {
        before += usize::from(*kept);
        kept_before.push(before);
    }
    for start in &mut records.starts {
        *start = kept_before[*start];
    }
    let mut kept = keep.iter().copied().cycle();
    let mut stays = || kept.next().unwrap_or(true);
    records.ages_d.retain(|_| stays());
    records.values.retain(|_| stays());
    records.rows.retain(|_| stays());
}
