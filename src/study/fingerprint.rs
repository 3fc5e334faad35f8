//! Recognising records: have these weighings been seen before, in whatever table?
//!
//! A digest of a file is lost when its columns change places or a week is added. So each
//! record (bird, age, value) has a hash, and a set of records is remembered by
//! the smallest 256 of its hashes: a random sample of it that any other set holds exactly
//! in so far as it holds the records. Two flocks whose birds bear the same names share a
//! record by chance only where age and weight agree to 0.01 g.
//!
//! # Source
//! Broder, A. Z. (1997), On the resemblance and containment of documents, Proceedings of
//! Compression and Complexity of Sequences, 21-29 (the sketch of smallest hashes).

use std::collections::{BTreeSet, HashSet};

use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

use super::{Records, Study};

/// Hashes that are kept: a share of records is then known to within some 6 percent (95 %).
const KEPT: usize = 256;

/// What is remembered of some records.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Fingerprint(Vec<String>);

impl Fingerprint {
    /// Of all records of a trait of a study.
    #[must_use]
    pub fn of(study: &Study, records: &Records) -> Self {
        let mut smallest = BTreeSet::new();
        for hash in hashes(study, records) {
            smallest.insert(hash);
            if smallest.len() > KEPT {
                smallest.pop_last();
            }
        }
        Self(smallest.iter().map(|hash| format!("{hash:016x}")).collect())
    }

    /// Whether nothing is remembered.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The share of the remembered records that are among a study's; 0 where none are
    /// remembered.
    #[must_use]
    pub fn share_in(&self, study: &Study, records: &Records) -> f64 {
        let theirs: HashSet<u64> = hashes(study, records).collect();
        let shared = self
            .0
            .iter()
            .filter(|text| u64::from_str_radix(text, 16).is_ok_and(|hash| theirs.contains(&hash)));
        shared.count() as f64 / self.0.len().max(1) as f64
    }
}

/// One hash a record; age to a thousandth of a day, value to 0.01 g, so that another unit
/// or another number of digits in the table is no other record.
fn hashes<'a>(study: &'a Study, records: &'a Records) -> impl Iterator<Item = u64> + 'a {
    let birds = study.birds.iter().enumerate();
    birds.flat_map(move |(at, bird)| {
        let (ages_d, values) = records.of(at);
        ages_d.iter().zip(values).map(|(age_d, value)| {
            let text = format!("{}\0{age_d:.3}\0{value:.2}", bird.name);
            let digest = Sha256::digest(text.as_bytes());
            digest
                .iter()
                .take(8)
                .fold(0, |hash, byte| (hash << 8) | u64::from(*byte))
        })
    })
}
