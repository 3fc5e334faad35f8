//! A figure draws no more than paper can show.
//!
//! From many birds or points a sample spread over all of them is drawn, the same in every
//! run, and the figure's note states this. Curves, bands and n always come from all.

use crate::figure::series::count;

/// Lines of single birds in a figure.
pub(crate) const MOST_LINES: usize = 240;
/// Markers in a figure.
pub(crate) const MOST_POINTS: usize = 2400;
/// Points of one bird's line.
pub(crate) const MOST_VERTICES: usize = 400;

/// Indices of a sample of at most `most` out of `n`, ascending: one from each of
/// `most` equal stretches, at a place in it that only looks random. A fixed step
/// would fall in with the order of the table and might pick one age only.
pub(crate) fn spread(n: usize, most: usize) -> impl Iterator<Item = usize> + Clone {
    let drawn = n.min(most);
    (0..drawn).map(move |i| {
        let (start, end) = (i * n / drawn, (i + 1) * n / drawn);
        start + scramble(i) % (end - start)
    })
}

/// The finishing mix of the SplitMix64 generator (Steele, Lea and Flood 2014;
/// constants from memory: any good mix would do here).
fn scramble(i: usize) -> usize {
    let mut z = (i as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    usize::try_from((z ^ (z >> 31)) >> 33).unwrap_or(0)
}

/// A number from -1 to 1 that only looks random, the same for the same `i` always: to
/// move dots apart that would hide each other.
pub(crate) fn scatter(i: usize) -> f64 {
    const STEPS: u16 = 1000;
    let step = u16::try_from(scramble(i) % usize::from(STEPS)).unwrap_or(0);
    2.0 * f64::from(step) / f64::from(STEPS) - 1.0
}

/// Indices of at most `most` out of `n` points of a line, both ends among them.
pub(crate) fn thinned(n: usize, most: usize) -> impl Iterator<Item = usize> + Clone {
    let drawn = n.min(most);
    (0..drawn).map(move |i| i * n.saturating_sub(1) / drawn.saturating_sub(1).max(1))
}

/// The note's sentence, where only a sample of them is drawn.
pub(crate) fn sentence(noun: &str, drawn: usize, n: usize) -> Option<String> {
    (drawn < n).then(|| {
        format!(
            "Of {} {noun} a sample of {} is drawn; curves and n are from all.",
            count(n),
            count(drawn)
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sample_takes_one_from_each_stretch() {
        let picked: Vec<usize> = spread(1000, 10).collect();
        for (i, index) in picked.iter().enumerate() {
            assert_eq!(index / 100, i, "{picked:?}");
        }
        assert_eq!(spread(3, 4).collect::<Vec<_>>(), [0, 1, 2]);
        assert_eq!(spread(0, 4).count(), 0);
    }

    #[test]
    fn a_sample_does_not_fall_in_with_the_order_of_the_table() {
        // 25 ages a bird, a step of 250: every age must still turn up.
        let mut ages = [0; 25];
        for index in spread(500_000, 2000) {
            ages[index % 25] += 1;
        }
        // 80 expected at each; 40 is more than four standard deviations under it.
        assert!(ages.iter().all(|&n| n > 40), "{ages:?}");
    }

    #[test]
    fn a_thinned_line_keeps_its_ends() {
        assert_eq!(thinned(10, 4).collect::<Vec<_>>(), [0, 3, 6, 9]);
        assert_eq!(thinned(1, 4).collect::<Vec<_>>(), [0]);
        assert_eq!(thinned(3, 4).collect::<Vec<_>>(), [0, 1, 2]);
    }
}
