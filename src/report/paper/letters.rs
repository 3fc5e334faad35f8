//! Letters that show which groups differ (compact letter display).
//!
//! Piepho HP (2004) An algorithm for a letter-based representation of all-pairwise
//! comparisons. Journal of Computational and Graphical Statistics 13:456-466: begin with one
//! letter for all; for each pair that differs, split every letter that both have into one
//! without the first and one without the second; drop letters that another contains.

use std::collections::BTreeSet;

/// The letters of each group: two groups share a letter unless they differ.
///
/// `values` orders the letters: `a` is first given to the group with the greatest value.
pub(super) fn letters(values: &[f64], differ: impl Fn(usize, usize) -> bool) -> Vec<String> {
    let n = values.len();
    let mut sets: Vec<BTreeSet<usize>> = vec![(0..n).collect()];
    for a in 0..n {
        for b in a + 1..n {
            if !differ(a, b) {
                continue;
            }
            let (both, mut kept): (Vec<_>, Vec<_>) = sets
                .into_iter()
                .partition(|set| set.contains(&a) && set.contains(&b));
            for set in both {
                for left_out in [a, b] {
                    let mut without = set.clone();
                    without.remove(&left_out);
                    kept.push(without);
                }
            }
            sets = absorbed(&kept);
        }
    }
    let rank = |set: &BTreeSet<usize>| {
        let mut ranks: Vec<f64> = set.iter().map(|group| -values[*group]).collect();
        ranks.sort_by(f64::total_cmp);
        ranks
    };
    sets.sort_by(|one, next| {
        let (one, next) = (rank(one), rank(next));
        one.partial_cmp(&next).unwrap_or(std::cmp::Ordering::Equal)
    });
    let named = |group: usize| {
        let of = sets
            .iter()
            .zip(b'a'..=b'z')
            .filter(|(set, _)| set.contains(&group));
        of.map(|(_, letter)| char::from(letter)).collect()
    };
    (0..n).map(named).collect()
}

/// Without the sets that another contains.
fn absorbed(sets: &[BTreeSet<usize>]) -> Vec<BTreeSet<usize>> {
    let contained = |at: usize| {
        sets.iter().enumerate().any(|(other, set)| {
            // Of equal sets the first stays.
            other != at && sets[at].is_subset(set) && (sets[at] != *set || other < at)
        })
    };
    let kept = (0..sets.len()).filter(|at| !contained(*at));
    kept.map(|at| sets[at].clone()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn groups_without_a_common_letter_differ() {
        let none = |_, _| false;
        assert_eq!(letters(&[1.0, 2.0, 3.0], none), ["a", "a", "a"]);
        let all = |_, _| true;
        assert_eq!(letters(&[1.0, 3.0, 2.0], all), ["c", "a", "b"]);
        // The greatest and the least differ, the middle one from neither.
        let ends = |a, b| (a, b) == (0, 2);
        assert_eq!(letters(&[1.0, 2.0, 3.0], ends), ["b", "ab", "a"]);
    }

    /// Whatever differs, and only that, has no letter in common.
    #[test]
    fn letters_say_what_the_pairs_say() {
        for pattern in 0..1_u32 << 10 {
            let pairs = || (0..5).flat_map(|a| (a + 1..5).map(move |b| (a, b)));
            let mut differ = [[false; 5]; 5];
            for (at, (a, b)) in pairs().enumerate() {
                differ[a][b] = pattern >> at & 1 == 1;
            }
            let found = letters(&[5.0, 4.0, 3.0, 2.0, 1.0], |a, b| differ[a][b]);
            for (a, b) in pairs() {
                let common = found[a].chars().any(|letter| found[b].contains(letter));
                assert_eq!(common, !differ[a][b], "{pattern}: {found:?}");
            }
        }
    }
}
