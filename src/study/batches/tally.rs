//! What the batches of a table held, taken in one after the other.

use std::collections::HashSet;

use super::super::faults::Faults;
use super::super::records::Missing;
use super::super::weighings::ReadBatch;
use super::seen::{SeenBirds, hash_of};
use crate::study::Place;

/// Counts and faults of all batches so far.
pub(crate) struct Tally {
    /// Faults of all rows so far.
    pub(crate) faults: Faults,
    /// Rows without a value.
    pub(crate) missing: Missing,
    /// Birds.
    pub(crate) birds: usize,
    /// Values.
    pub(crate) values: usize,
    strains: HashSet<String>,
    /// None where the rows were sorted by bird.
    seen: Option<SeenBirds>,
}

/// What one batch held.
pub(crate) struct Held {
    faults: Faults,
    missing: Missing,
    values: usize,
    hashes: Vec<u64>,
    strains: Vec<String>,
}

impl Held {
    /// What a batch held, with its faults.
    pub(crate) fn of(read: &mut ReadBatch, faults: Faults) -> Self {
        let birds = read.study.birds.iter();
        Self {
            faults,
            missing: std::mem::take(&mut read.missing),
            values: read.values,
            hashes: birds.map(|bird| hash_of(&bird.name)).collect(),
            strains: read.study.strains.clone(),
        }
    }
}

impl Tally {
    /// Nothing yet but these faults; `in_order` where a bird may return.
    pub(crate) fn new(faults: Faults, in_order: bool) -> Self {
        Self {
            faults,
            missing: Missing::default(),
            birds: 0,
            values: 0,
            strains: HashSet::new(),
            seen: in_order.then(SeenBirds::default),
        }
    }

    /// Takes in a batch; false where one of its birds was in a batch before.
    pub(crate) fn take(&mut self, held: Held) -> bool {
        if let Some(seen) = &mut self.seen
            && !held.hashes.iter().all(|hash| seen.enter(*hash))
        {
            return false;
        }
        self.birds += held.hashes.len();
        self.values += held.values;
        self.missing.append(&held.missing);
        self.strains.extend(held.strains);
        self.faults.append(held.faults);
        true
    }

    /// Strains.
    pub(crate) fn strains(&self) -> usize {
        self.strains.len()
    }

    /// The fault of a table without any value.
    pub(crate) fn require_a_value(&mut self, file: &str, column: &str) {
        if self.values == 0 && self.missing.count > 0 && self.faults.count() == 0 {
            self.faults.add(
                Place::column(file, column),
                "no value in any row",
                "at least one",
                "check that the right column is named",
            );
        }
    }
}
