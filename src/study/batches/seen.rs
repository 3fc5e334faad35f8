//! Which birds have been seen, at eight bytes a bird.

use std::hash::{DefaultHasher, Hasher};

/// Lists among which the hashes are divided by their first bits.
const LISTS: usize = 1 << 16;

/// The hashes of names.
///
/// Two names of one hash look like a bird that returns (of ten million birds once in 370,000
/// tables). The table is then sorted by bird first, with the same results.
pub(super) struct SeenBirds {
    lists: Vec<Vec<u64>>,
}

impl Default for SeenBirds {
    fn default() -> Self {
        Self {
            lists: vec![Vec::new(); LISTS],
        }
    }
}

impl SeenBirds {
    /// Enters a bird; false where it is there already.
    pub(super) fn enter(&mut self, hash: u64) -> bool {
        let place = usize::try_from(hash >> 48).unwrap_or_default();
        let list = &mut self.lists[place];
        if list.contains(&hash) {
            return false;
        }
        if list.len() == list.capacity() {
            list.reserve_exact(8 + list.len() / 4);
        }
        list.push(hash);
        true
    }
}

/// The hash of a name.
pub(crate) fn hash_of(name: &str) -> u64 {
    let mut hasher = DefaultHasher::new();
    hasher.write(name.as_bytes());
    hasher.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bird_that_returns_is_noticed() {
        let mut seen = SeenBirds::default();
        let names = (0..200_000).map(|bird| format!("bird {bird}"));
        assert!(names.clone().all(|name| seen.enter(hash_of(&name))));
        assert!(!names.clone().any(|name| seen.enter(hash_of(&name))));
    }
}
