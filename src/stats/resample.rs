//! Bootstrap: how would the answer vary if other subjects had been drawn?
//!
//! Every replicate has a separate random stream, set by the seed and the replicate's number, so that
//! the answer depends on neither the number of threads nor the order in which they finish.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use super::failure::{check_count, check_finite, check_level};
use super::{Failure, Interval};

/// Fewest replicates from which an interval is read.
const FEWEST: usize = 20;
/// Lower percentiles that [`shortest_interval`] compares: so few that the draws' own scatter does not
/// shorten it.
const STARTS: usize = 11;

/// What random numbers are drawn for: each purpose has separate streams.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// Subjects or residuals drawn again with replacement; the index is the replicate.
    Resampling = 0,
    /// The law of the largest of many statistics; the index is a chunk of draws.
    Band = 1,
    /// Coefficients of saved equations; the index counts replicates and traits.
    Coefficients = 2,
    /// Whole studies drawn from a model; the index is the study.
    Simulation = 3,
    /// Starts of a search; the index is the start.
    Search = 4,
    /// Terms of models drawn from their posterior; the index is the model.
    Terms = 5,
    /// First eggs of birds; the index is the bird.
    FirstEggs = 6,
    /// Offsets of ways of scanning; the index counts replicates and traits.
    Offsets = 7,
    /// The greatest of many statistics of several families; the index is a chunk of draws.
    Families = 8,
    /// Variances drawn from their posterior; the index is the model.
    Variances = 9,
}

/// The random numbers of one piece of work: the one way from a seed to draws.
///
/// The seed is the key of a ChaCha generator; purpose (the upper 8 bits) and index (the
/// lower 56, all that is used of it) name one of its 2^64 streams. So draws depend neither
/// on the number of threads nor on what else runs, and two streams are the same only where
/// seed, purpose and index are: the bootstraps of two traits draw the same birds in
/// replicate k, which makes them comparable; a band and a bootstrap share nothing.
///
/// # Source
/// Bernstein, D. J. (2008), ChaCha, a variant of Salsa20 (a block is a function of key,
/// stream and counter).
#[must_use]
pub fn stream(seed: u64, purpose: Purpose, index: u64) -> ChaCha8Rng {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    random.set_stream((purpose as u64) << 56 | (index & (u64::MAX >> 8)));
    random
}

/// `n` subjects drawn with replacement, by index.
pub fn draw(random: &mut impl Rng, n: usize) -> Vec<usize> {
    (0..n).map(|_| random.random_range(0..n)).collect()
}

/// Replicates of a set of quantities.
#[derive(Debug, Clone, PartialEq)]
pub struct Replicates {
    /// Quantities of each replicate that has them, in the replicates' order.
    pub values: Vec<Vec<f64>>,
    /// Replicates for which the statistic had no answer.
    pub failed: usize,
}

impl Replicates {
    /// All replicates of quantity `k`; empty if there is no such quantity.
    #[must_use]
    pub fn of(&self, k: usize) -> Vec<f64> {
        self.values
            .iter()
            .filter_map(|values| values.get(k).copied())
            .collect()
    }
}

/// What does a statistic of resampled subjects come to, many times over?
///
/// `statistic` gets the indices of n subjects drawn with replacement, and answers with
/// its quantities, always equally many, or with `None` where it has no answer. Runs in parallel.
///
/// # Errors
/// [`Failure::TooFew`] subjects or replicates. Replicates that fail are counted, not an error.
/// # Source
/// Efron & Tibshirani 1993, An Introduction to the Bootstrap, ch. 6.
pub fn bootstrap(
    n: usize,
    replicates: usize,
    seed: u64,
    statistic: impl Fn(&[usize]) -> Option<Vec<f64>> + Sync,
) -> Result<Replicates, Failure> {
    check_count("subjects", n, 2)?;
    check_count("replicates", replicates, FEWEST)?;
    let answers: Vec<Option<Vec<f64>>> = (0..replicates as u64)
        .into_par_iter()
        .map(|replicate| statistic(&draw(&mut stream(seed, Purpose::Resampling, replicate), n)))
        .collect();
    let values: Vec<Vec<f64>> = answers.into_iter().flatten().collect();
    Ok(Replicates {
        failed: replicates - values.len(),
        values,
    })
}

/// The interval between two percentiles of the replicates.
///
/// # Errors
/// [`Failure::TooFew`] replicates (20), [`Failure::Value`], [`Failure::Setting`].
/// # Source
/// Efron & Tibshirani 1993, ch. 13; percentiles as R's `quantile`, type 7.
pub fn percentile_interval(replicates: &[f64], level: f64) -> Result<Interval, Failure> {
    let sorted = sorted(replicates, level)?;
    let tail = 0.5 - 0.5 * level;
    Ok(Interval {
        lower: quantile(&sorted, tail),
        upper: quantile(&sorted, 1.0 - tail),
    })
}

/// The shortest interval between two percentiles of the replicates that holds a share `level` of
/// them: the first of `STARTS` lower percentiles, alike apart, from which it is shortest.
///
/// Of a skewed distribution it is narrower than [`percentile_interval`], and where less than
/// 1 - `level` of the replicates lie far from the others it leaves them out.
///
/// # Errors
/// As [`percentile_interval`].
/// # Source
/// Box GEP, Tiao GC 1973, Bayesian Inference in Statistical Analysis, 2.8 (from memory).
pub fn shortest_interval(replicates: &[f64], level: f64) -> Result<Interval, Failure> {
    let sorted = sorted(replicates, level)?;
    let from = |start: usize| {
        let share = (1.0 - level) * start as f64 / (STARTS - 1) as f64;
        Interval {
            lower: quantile(&sorted, share),
            upper: quantile(&sorted, share + level),
        }
    };
    let width = |interval: &Interval| interval.upper - interval.lower;
    let others = (1..STARTS).map(from);
    Ok(others.fold(from(0), |least, other| {
        if width(&other) < width(&least) {
            other
        } else {
            least
        }
    }))
}

fn sorted(replicates: &[f64], level: f64) -> Result<Vec<f64>, Failure> {
    check_level(level)?;
    check_count("replicates", replicates.len(), FEWEST)?;
    check_finite("replicate", replicates)?;
    let mut sorted = replicates.to_vec();
    sorted.sort_by(f64::total_cmp);
    Ok(sorted)
}

/// Between the sorted values, straight from one to the next.
fn quantile(sorted: &[f64], share: f64) -> f64 {
    let place = share.clamp(0.0, 1.0) * (sorted.len() - 1) as f64;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a place within the list, rounded down on purpose"
    )]
    let below = place.floor() as usize;
    let above = (below + 1).min(sorted.len() - 1);
    sorted[below] + (place - place.floor()) * (sorted[above] - sorted[below])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Quantiles of the exponential distribution: its shortest interval begins at 0. Of a normal
    /// distribution of which 3 % lie far off, the far ones are left out.
    #[test]
    fn the_shortest_interval_leaves_out_the_longer_tail() {
        let n = 20_000;
        let share = |at: usize| (at as f64 + 0.5) / f64::from(n);
        let waits: Vec<f64> = (0..20_000).map(|at| -(1.0 - share(at)).ln()).collect();
        let found = shortest_interval(&waits, 0.95).unwrap();
        assert!(found.lower < 1e-3 && (found.upper + 0.05_f64.ln()).abs() < 2e-3);
        let far = |at: usize| if at % 100 < 3 { 100.0 } else { 0.0 };
        let mixed: Vec<f64> = (0..20_000)
            .map(|at| crate::stats::distribution::normal_quantile(share(at)) + far(at))
            .collect();
        let found = shortest_interval(&mixed, 0.95).unwrap();
        // 95 of the near 97 %.
        let z = crate::stats::distribution::normal_quantile(0.5 + 0.475 / 0.97);
        assert!((found.upper - z).abs() < 0.1 && (found.lower + z).abs() < 0.1);
        assert!((found.upper - found.lower - 2.0 * z).abs() < 0.02);
    }

    /// Efron's "spatial" data: 26 children, test A (Efron & Tibshirani 1993, table 14.1,
    /// typed from memory).
    const SPATIAL: [f64; 26] = [
        48.0, 36.0, 20.0, 29.0, 42.0, 42.0, 20.0, 42.0, 22.0, 41.0, 45.0, 14.0, 6.0, 0.0, 33.0,
        28.0, 34.0, 4.0, 32.0, 24.0, 47.0, 41.0, 24.0, 26.0, 30.0, 41.0,
    ];

    fn variance(values: &[f64]) -> f64 {
        crate::stats::squares_about_mean(values) / values.len() as f64
    }

    /// The book gives theta = 171.5, percentile (100.8, 233.9) as 90 % interval
    /// of the plug-in variance from 2,000 replicates (from memory).
    #[test]
    fn spatial_test_data() {
        let estimate = variance(&SPATIAL);
        assert!((estimate - 171.5).abs() < 0.05);
        let pick = |rows: &[usize]| rows.iter().map(|i| SPATIAL[*i]).collect::<Vec<_>>();
        let all = bootstrap(26, 20_000, 1987, |rows| Some(vec![variance(&pick(rows))])).unwrap();
        let values = all.of(0);
        let percentile = percentile_interval(&values, 0.9).unwrap();
        // 5: twice the spread of a 5 % point from the book's 2,000 replicates
        for (found, book) in [(percentile.lower, 100.8), (percentile.upper, 233.9)] {
            assert!((found - book).abs() < 5.0, "{found} for {book}");
        }
    }

    #[test]
    fn every_seed_purpose_and_index_has_draws_of_its_own() {
        let purposes = [
            Purpose::Resampling,
            Purpose::Band,
            Purpose::Coefficients,
            Purpose::Simulation,
            Purpose::Search,
            Purpose::Terms,
            Purpose::FirstEggs,
        ];
        let mut seen = std::collections::HashSet::new();
        for seed in 0..3 {
            for purpose in purposes {
                for index in [0, 1, 2, 1 << 40] {
                    let drawn: u64 = stream(seed, purpose, index).random();
                    assert!(seen.insert(drawn), "{seed} {purpose:?} {index}");
                    assert_eq!(drawn, stream(seed, purpose, index).random::<u64>());
                }
            }
        }
    }

    #[test]
    fn replicates_do_not_depend_on_threads() {
        let run = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .unwrap();
            let sum = |rows: &[usize]| Some(vec![rows.iter().sum::<usize>() as f64]);
            pool.install(|| bootstrap(10, 200, 7, sum).unwrap())
        };
        assert_eq!(run(1), run(3));
    }

    #[test]
    fn failures_are_counted_and_odd_replicates_answered() {
        let some = bootstrap(10, 100, 7, |rows| (rows[0] > 4).then(|| vec![1.0])).unwrap();
        assert_eq!(some.values.len() + some.failed, 100);
        assert!(some.failed > 20 && some.failed < 80);
        let flat = vec![1.0; 50];
        assert!(percentile_interval(&flat, 0.95).unwrap().width() < 1e-15);
        assert!(percentile_interval(&flat[..5], 0.95).is_err());
        assert!(bootstrap(1, 100, 7, |_| None).is_err());
    }
}
