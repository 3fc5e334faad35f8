//! Which records of a platform scale are single birds.
//!
//! What a scale writes down in a day is a mixture: the empty platform, a bird with part of its
//! weight on it (a share U of its weight, U uniform), a bird, a bird and part of a second one, two
//! birds, and whatever else. With the weight of a bird W normal of mean m and SD s, the tare t,
//! and y = x - t for a reading x, the densities are
//!
//! | load | density at y |
//! | --- | --- |
//! | empty | normal, mean 0, SD e |
//! | part of a bird | P(W > y) / m for y > 0 |
//! | a bird | normal, mean m, SD s |
//! | a bird and part of another | P(W < y) P(W1 + W2 > y) / m |
//! | two birds | normal, mean 2 m, SD s sqrt 2 |
//! | other | uniform over what a scale can read |
//!
//! Shares, m, s, t and e come from the expectation-maximisation algorithm (Dempster, Laird and
//! Rubin 1977, J R Stat Soc B 39:1) on counted readings; m and s are moments of single birds, each
//! reading weighted by its probability of being one, so that the shape of their distribution is
//! that of the data. Shares of a day are drawn a little towards those of the scale's other days.

use crate::stats::distribution::{normal_density, normal_lower, normal_upper};

/// What stood on the platform.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Load {
    /// Nothing.
    Empty,
    /// A bird with part of its weight.
    Part,
    /// One bird.
    Bird,
    /// A bird and part of another.
    BirdAndPart,
    /// Two birds.
    Two,
    /// Anything else: three birds, a push, a fault.
    Other,
}

/// Kinds of load.
pub(super) const LOADS: usize = 6;

/// Readings of one scale and day, counted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Counted {
    /// Reading, g.
    pub reading_g: f64,
    /// How often.
    pub count: f64,
}

/// A gated day.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Gated {
    /// Records.
    pub records: f64,
    /// Share of each kind of load, in the order of [`Load`].
    pub shares: [f64; LOADS],
    /// Tare, g: mean reading of the empty platform; none where it was not seen empty.
    pub tare_g: Option<f64>,
    /// SD of a reading of the empty platform, g.
    pub empty_sd_g: f64,
    /// Mean of single birds, g, tare taken off.
    pub mean_g: f64,
    /// SD of single birds, g.
    pub sd_g: f64,
    /// Probability of each reading to be a single bird.
    pub single: Vec<f64>,
}

impl Gated {
    /// Records of single birds (a sum of probabilities).
    pub(super) fn singles(&self) -> f64 {
        self.records * self.shares[Load::Bird as usize]
    }

    /// Share of single birds within `share` of a centre, tare taken off.
    pub(super) fn share_within(&self, counted: &[Counted], centre_g: f64, share: f64) -> f64 {
        let tare_g = self.tare_g.unwrap_or(0.0);
        let (mut near, mut all) = (0.0, 0.0);
        for (one, single) in counted.iter().zip(&self.single) {
            let weight = one.count * single;
            all += weight;
            if (one.reading_g - tare_g - centre_g).abs() <= share * centre_g {
                near += weight;
            }
        }
        near / all
    }
}

/// Records of an earlier or pooled day that the shares and the SD are drawn towards.
#[derive(Debug, Clone, Copy)]
pub(super) struct Expected {
    /// Mean of single birds, g.
    pub mean_g: f64,
    /// Their coefficient of variation.
    pub cv: f64,
    /// Shares of loads.
    pub shares: [f64; LOADS],
}

impl Expected {
    /// Before anything of the scale is known.
    pub(super) fn at(mean_g: f64) -> Self {
        Self {
            mean_g,
            cv: 0.09,
            shares: [0.05, 0.05, 0.80, 0.02, 0.06, 0.02],
        }
    }
}

/// Records that the expectation counts for.
const EXPECTED_RECORDS: f64 = 10.0;
/// Steps at most; shares change by less than 1e-4 well before.
const STEPS: usize = 60;
/// An empty platform reads within this share of a bird's weight.
const EMPTY_WITHIN: f64 = 0.25;
/// Readings of the empty platform below which the tare is not known.
const LEAST_EMPTY: f64 = 5.0;
/// Greatest reading that a scale is taken to make, in birds.
const GREATEST_BIRDS: f64 = 6.0;

/// Gates the readings of a day.
pub(super) fn gate(counted: &[Counted], expected: &Expected) -> Gated {
    let records: f64 = counted.iter().map(|one| one.count).sum();
    let mut mean_g = expected.mean_g;
    let mut sd_g = expected.cv * mean_g;
    let mut shares = expected.shares;
    let (mut tare_g, mut empty_sd_g) = tare_start(counted, mean_g);
    let mut single = vec![0.0; counted.len()];
    for _ in 0..STEPS {
        let mut totals = [0.0; LOADS];
        // Sums over single birds and over the empty platform: n, reading, its square.
        let (mut bird, mut empty) = ([0.0; 3], [0.0; 3]);
        for (one, single) in counted.iter().zip(&mut single) {
            let y = one.reading_g - tare_g;
            let densities = densities(y, mean_g, sd_g, empty_sd_g);
            let mut joint = [0.0; LOADS];
            let mut sum = 0.0;
            for ((joint, share), density) in joint.iter_mut().zip(&shares).zip(&densities) {
                *joint = share * density;
                sum += *joint;
            }
            for (total, joint) in totals.iter_mut().zip(&joint) {
                *total += one.count * joint / sum;
            }
            *single = joint[Load::Bird as usize] / sum;
            let weight = one.count * *single;
            for (sum, power) in bird.iter_mut().zip([1.0, y - mean_g, (y - mean_g).powi(2)]) {
                *sum += weight * power;
            }
            let weight = one.count * joint[Load::Empty as usize] / sum;
            for (sum, power) in empty.iter_mut().zip([1.0, y, y * y]) {
                *sum += weight * power;
            }
        }
        let before = shares;
        for ((share, total), expected) in shares.iter_mut().zip(&totals).zip(&expected.shares) {
            *share = (total + EXPECTED_RECORDS * expected) / (records + EXPECTED_RECORDS);
        }
        let shift_g = bird[1] / bird[0].max(1.0);
        let prior = EXPECTED_RECORDS * (expected.cv * mean_g).powi(2);
        let squares = bird[2] - bird[0] * shift_g * shift_g;
        sd_g = ((squares + prior) / (bird[0] + EXPECTED_RECORDS)).sqrt();
        mean_g += shift_g;
        if empty[0] >= LEAST_EMPTY {
            let shift_g = empty[1] / empty[0];
            tare_g += shift_g;
            mean_g -= shift_g;
            let squares = (empty[2] - empty[0] * shift_g * shift_g) / empty[0];
            empty_sd_g = squares.sqrt().clamp(0.5, 0.05 * mean_g.max(10.0));
        }
        let change = shares.iter().zip(&before).map(|(a, b)| (a - b).abs());
        if change.fold(0.0, f64::max) < 1e-5 && shift_g.abs() < 1e-5 * mean_g {
            break;
        }
    }
    let seen_empty = records * shares[Load::Empty as usize] >= 2.0 * LEAST_EMPTY;
    Gated {
        records,
        shares,
        tare_g: seen_empty.then_some(tare_g),
        empty_sd_g,
        mean_g: if seen_empty { mean_g } else { mean_g + tare_g },
        sd_g,
        single,
    }
}

fn densities(y: f64, mean_g: f64, sd_g: f64, empty_sd_g: f64) -> [f64; LOADS] {
    let z = (y - mean_g) / sd_g;
    let root_2 = std::f64::consts::SQRT_2;
    let z_two = (y - 2.0 * mean_g) / (root_2 * sd_g);
    let (above, below) = if y > 0.0 {
        (normal_upper(z), normal_lower(z))
    } else {
        (0.0, 0.0)
    };
    [
        normal_density(y / empty_sd_g) / empty_sd_g,
        above / mean_g,
        normal_density(z) / sd_g,
        below * normal_upper(z_two) / mean_g,
        normal_density(z_two) / (root_2 * sd_g),
        1.0 / (GREATEST_BIRDS * mean_g),
    ]
}

/// Where the empty platform reads: the middle of the densest readings near zero.
fn tare_start(counted: &[Counted], mean_g: f64) -> (f64, f64) {
    let near = counted
        .iter()
        .filter(|one| one.reading_g.abs() < EMPTY_WITHIN * mean_g);
    let width = 0.02 * mean_g;
    let near: Vec<&Counted> = near.collect();
    let mut best = (0.0, 0.0);
    for one in &near {
        let (mut count, mut sum) = (0.0, 0.0);
        for other in &near {
            if (other.reading_g - one.reading_g).abs() <= width {
                count += other.count;
                sum += other.count * other.reading_g;
            }
        }
        if count > best.0 {
            best = (count, sum / count);
        }
    }
    if best.0 >= LEAST_EMPTY {
        (best.1, 0.01 * mean_g)
    } else {
        (0.0, 0.01 * mean_g)
    }
}

/// The commonest weight of a day: the highest peak of the density of the log of its readings
/// between `lowest_g` and `highest_g`, smoothed over 5 percent.
#[expect(
    clippy::cast_possible_truncation,
    reason = "a few hundred cells a factor of ten"
)]
pub(super) fn commonest(counted: &[Counted], lowest_g: f64, highest_g: f64) -> Option<f64> {
    const CELLS_A_LOG: f64 = 100.0;
    let cells = ((highest_g / lowest_g).ln() * CELLS_A_LOG).ceil() as usize + 1;
    let mut counts = vec![0.0; cells];
    for one in counted {
        if one.reading_g >= lowest_g && one.reading_g <= highest_g {
            counts[((one.reading_g / lowest_g).ln() * CELLS_A_LOG) as usize] += one.count;
        }
    }
    let smooth = |at: usize| -> f64 {
        (at.saturating_sub(12)..(at + 13).min(cells))
            .map(|cell| counts[cell] * (-((cell as f64 - at as f64) / 5.0).powi(2) / 2.0).exp())
            .sum()
    };
    let best = (0..cells)
        .map(|at| (smooth(at), at))
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    (best.0 > 0.0).then(|| lowest_g * ((best.1 as f64 + 0.5) / CELLS_A_LOG).exp())
}
