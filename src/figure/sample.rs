//! A figure draws no more than paper can show.
//!
//! From many birds or points an evenly spaced sample is drawn, the same in every
//! run, and the figure's note says so. Curves, bands and n always come from all.

use crate::figure::series::count;

/// Lines of single birds in a figure.
pub(crate) const MOST_LINES: usize = 240;
/// Markers in a figure.
pub(crate) const MOST_POINTS: usize = 2400;
/// Points of one bird's line.
pub(crate) const MOST_VERTICES: usize = 400;

/// Indices of an evenly spaced sample of at most `most` out of `n`.
pub(crate) fn evenly(n: usize, most: usize) -> impl Iterator<Item = usize> + Clone {
    let drawn = n.min(most);
    (0..drawn).map(move |i| i * n / drawn)
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
    fn a_sample_is_even_and_no_larger_than_asked() {
        let picked: Vec<usize> = evenly(10, 4).collect();
        assert_eq!(picked, [0, 2, 5, 7]);
        assert_eq!(evenly(3, 4).collect::<Vec<_>>(), [0, 1, 2]);
        assert_eq!(evenly(0, 4).count(), 0);
    }
}
