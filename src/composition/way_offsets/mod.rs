//! By how much does a reading differ between ways of scanning the same birds?
//!
//! A bird b on one day has a reading `mu_b` in the reference way (way 0). A scan of
//! the set S of k birds in way w reads, a bird,
//!
//! ```text
//! y = (1 + h_w) M + c_w + e,   M = sum over S of mu_b / k,
//! var e = s^2 r_w^2 M^(2 d) / k,   h_0 = c_0 = 0, r_0 = 1
//! ```
//!
//! so each bird's day has an effect, each way an offset, proportional
//! (h), constant (c) or both, and a spread. The effects of the birds' days are
//! integrated out under a flat density, which leaves comparisons within days; the
//! kind of each offset and the power d (0 or 1) are those with the lowest AIC of that
//! likelihood; offsets, spreads and covariance are then given by REML. Where h is not 0 the model is linearised about
//! the current values and solved again until it stands still (Gauss-Newton).
//!
//! # Source
//! Carstensen, B. (2010), *Comparing Clinical Measurement Methods*, Wiley, chapters 6
//! and 7 (methods with item effects, proportional and constant bias, and a residual
//! variance for each method); restricted likelihood: Harville 1974, Biometrika 61:383.

mod choice;
mod comparisons;
mod solve;
mod spreads;

use nalgebra::DMatrix;

use choice::choose;
use comparisons::{Block, comparable, count};
use solve::solve;
use spreads::spreads;

/// Comparisons without which a way has no offset: two more than the offset itself.
pub const FEWEST_COMPARISONS: usize = 3;
/// Birds' days that the choice of a model is made on; the chosen one is fitted to all.
const BLOCKS_FOR_CHOICE: usize = 400;

/// One reading in one way.
#[derive(Debug, Clone, PartialEq)]
pub struct WayReading {
    /// The birds' days that it is a mean over, as arbitrary indices.
    pub subjects: Vec<usize>,
    /// The way: 0 for the reference.
    pub way: usize,
    /// The reading, g per bird.
    pub value: f64,
}

/// What a way adds to a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OffsetKind {
    /// A share of it.
    Proportional,
    /// A constant, g.
    Constant,
    /// Both.
    Linear,
}

/// The offset of one way.
#[derive(Debug, Clone, PartialEq)]
pub struct Offset {
    /// Its kind.
    pub kind: OffsetKind,
    /// h: reading in this way = (1 + h) reading in the reference way + c.
    pub share: f64,
    /// c, g.
    pub constant_g: f64,
    /// Place of h, or of c where there is no h, among the parameters; c follows h.
    pub place: usize,
    /// Days on which the way was compared with another.
    pub comparisons: usize,
    /// r: spread of a reading over that in the reference way; 1 where it is not separable.
    pub spread_ratio: f64,
    /// Whether the comparisons know the way's spread apart from the reference's, on at
    /// least two degrees of freedom.
    pub separable: bool,
}

/// What a way's own spread adds to the variance of a reading put on the reference way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AddedVariance {
    /// Its variance minus that in the reference way, of one bird, g^2; not below 0.
    pub value: f64,
    /// Variance of that estimate, g^4.
    pub variance: f64,
}

/// Offsets of all ways that could be compared.
#[derive(Debug, Clone, PartialEq)]
pub struct WayOffsets {
    /// By way, the reference's first: `None` for the reference and where there are
    /// too few comparisons.
    pub offsets: Vec<Option<Offset>>,
    /// Days with a comparison, by way, used or not.
    pub comparisons: Vec<usize>,
    /// Covariance of the parameters, q x q, in their order.
    pub covariance: DMatrix<f64>,
    /// Covariance of each parameter with the own error of each reading, by the reading's
    /// place; empty for a reading that compares no ways.
    pub with_readings: Vec<Vec<f64>>,
    /// Covariance of `ln s^2` (first) and of `ln r_w^2` by way; zero where a ratio is not
    /// separable.
    pub log_variance_covariance: DMatrix<f64>,
    /// s: spread of a reading of one bird in the reference way; times the reading
    /// where `proportional_spread`.
    pub spread: f64,
    /// Whether the spread grows with the reading (d = 1) or not (d = 0).
    pub proportional_spread: bool,
    /// Degrees of freedom of the spread.
    pub df: usize,
    /// Restricted log-likelihood of the readings.
    pub log_likelihood: f64,
}

impl WayOffsets {
    /// Variance of a reading of one bird in a way where the reference way reads
    /// `reading_g`.
    #[must_use]
    pub fn variance(&self, way: usize, reading_g: f64) -> f64 {
        let ratio = self.offsets[way]
            .as_ref()
            .map_or(1.0, |offset| offset.spread_ratio);
        let size = if self.proportional_spread {
            reading_g
        } else {
            1.0
        };
        (self.spread * ratio * size).powi(2)
    }

    /// What the spread of a way adds to one reading that is put on the reference way, where
    /// it then reads `reading_g`.
    ///
    /// Where the way's variance is not separable from the reference's, all that comparisons
    /// differ by is taken for the way's own: its variance is then not understated.
    #[must_use]
    pub fn added_variance(&self, way: usize, reading_g: f64) -> AddedVariance {
        let Some(offset) = self.offsets[way].as_ref() else {
            return AddedVariance {
                value: 0.0,
                variance: 0.0,
            };
        };
        let slope = 1.0 / (1.0 + offset.share);
        let own = self.variance(way, reading_g) * slope * slope;
        let reference = self.variance(0, reading_g);
        if !offset.separable {
            let value = own + reference;
            let df = offset.comparisons.saturating_sub(1).max(1) as f64;
            return AddedVariance {
                value,
                variance: 2.0 * value * value / df,
            };
        }
        // Gradient by ln s^2, which moves both variances, and by ln r^2.
        let of = &self.log_variance_covariance;
        let more = own - reference;
        let variance =
            more * more * of[(0, 0)] + 2.0 * more * own * of[(0, way)] + own * own * of[(way, way)];
        AddedVariance {
            value: more.max(0.0),
            variance,
        }
    }
}

/// Estimates the offsets of `ways` ways (the reference included) from scans of the
/// same birds on the same days.
///
/// `constant_only[w]`: the offset of way w is a constant. A scan of several birds
/// counts where each of them was scanned singly that day. `None` where no way can be
/// compared.
#[must_use]
pub fn way_offsets(readings: &[WayReading], constant_only: &[bool]) -> Option<WayOffsets> {
    let ways = constant_only.len();
    let (blocks, comparisons) = comparable(readings, ways);
    let used: Vec<bool> = (0..ways)
        .map(|way| {
            let mut rows = blocks.iter().flat_map(|block| &block.readings);
            rows.any(|reading| reading.way == way)
        })
        .collect();
    if !used.iter().skip(1).any(|used| *used) {
        return None;
    }
    let chosen = {
        let step = blocks.len().div_ceil(BLOCKS_FOR_CHOICE).max(1);
        let few: Vec<Block> = blocks.iter().step_by(step).cloned().collect();
        // Thinning may leave a rare way without a comparison.
        let counts = |blocks: &[Block]| (0..ways).all(|way| !used[way] || count(blocks, way) > 2);
        choose(
            if counts(&few) { &few } else { &blocks },
            &used,
            constant_only,
        )?
    };
    let found = spreads(&blocks, chosen, &used)?;
    let (model, separable) = (&found.model, &found.separable);
    let fit = solve(&blocks, model)?;
    let sigma2 = fit.residual_squares / fit.df(true);
    let offsets = (0..ways).map(|way| {
        let kind = model.kinds[way]?;
        let place = model.place(way);
        let (share, constant_g) = model.offset(way, &fit.theta);
        Some(Offset {
            kind,
            share,
            constant_g,
            place,
            comparisons: comparisons[way],
            spread_ratio: model.log_ratios[way].exp(),
            separable: separable[way],
        })
    });
    let covariance = fit.inverse.clone() * sigma2;
    // The estimate is K y; with weight w a reading's error has the variance s^2 / w and moves
    // it by the inverse information times its column times w.
    let mut with_readings = vec![Vec::new(); readings.len()];
    for (block, free) in blocks.iter().zip(&fit.free) {
        for (at, place) in block.places.iter().enumerate() {
            let moved = &covariance * free.row(at).transpose();
            with_readings[*place] = moved.iter().copied().collect();
        }
    }
    Some(WayOffsets {
        offsets: offsets.collect(),
        comparisons,
        covariance,
        with_readings,
        log_variance_covariance: found.covariance.clone(),
        spread: sigma2.sqrt(),
        proportional_spread: model.proportional_spread,
        df: fit.readings - fit.subjects - fit.theta.len(),
        log_likelihood: fit.log_likelihood(true),
    })
}
