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
//! so each bird's day has an effect of its own, each way an offset, proportional
//! (h), constant (c) or both, and a spread. The effects of the birds' days are
//! integrated out under a flat density, which leaves comparisons within days; the
//! kind of each offset, the power d (0 or 1) and the ratios r of the spreads are
//! those with the lowest AIC of that likelihood, and offsets, variances and
//! covariance are then given by REML. Where h is not 0 the model is linearised about
//! the current values and solved again until it stands still (Gauss-Newton).
//!
//! # Source
//! Carstensen, B. (2010), *Comparing Clinical Measurement Methods*, Wiley, chapters 6
//! and 7 (methods with item effects, proportional and constant bias, and a residual
//! variance for each method); restricted likelihood: Harville 1974, Biometrika 61:383.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};

/// Comparisons without which a way has no offset: two more than the offset itself.
pub const FEWEST_COMPARISONS: usize = 3;
/// Birds' days that the choice of a model is made on; the chosen one is fitted to all.
const BLOCKS_FOR_CHOICE: usize = 400;

/// One reading in one way.
#[derive(Debug, Clone, PartialEq)]
pub struct WayReading {
    /// The birds' days that it is a mean over, by any number of their own.
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
    /// So many grams.
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
    /// r: spread of a reading over that in the reference way.
    pub spread_ratio: f64,
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
}

/// Birds' days that share scans, and these.
#[derive(Debug, Clone)]
struct Block {
    readings: Vec<WayReading>,
    mu: Vec<f64>,
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
    let model = with_restricted_ratios(&blocks, chosen);
    let fit = solve(&blocks, &model)?;
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
        })
    });
    Some(WayOffsets {
        offsets: offsets.collect(),
        comparisons,
        covariance: fit.inverse.clone() * sigma2,
        spread: sigma2.sqrt(),
        proportional_spread: model.proportional_spread,
        df: fit.readings - fit.subjects - fit.theta.len(),
        log_likelihood: fit.log_likelihood(true),
    })
}

/// Blocks of the readings that tell something, and the comparisons of each way.
fn comparable(readings: &[WayReading], ways: usize) -> (Vec<Block>, Vec<usize>) {
    let mut rows: Vec<&WayReading> = readings.iter().collect();
    let mut first_comparisons = None;
    loop {
        let mut single = BTreeMap::new();
        for row in rows.iter().filter(|row| row.subjects.len() == 1) {
            *single.entry(row.subjects[0]).or_insert(0) += 1;
        }
        rows.retain(|row| row.subjects.iter().all(|bird| single.contains_key(bird)));
        let blocks = blocks(&rows);
        let comparisons: Vec<usize> = (0..ways).map(|way| count(&blocks, way)).collect();
        let first = first_comparisons.get_or_insert_with(|| comparisons.clone());
        let joined = joined_to_reference(&blocks, ways);
        let stays =
            |way: usize| way == 0 || (comparisons[way] >= FEWEST_COMPARISONS && joined[way]);
        if rows.iter().all(|row| stays(row.way)) {
            return (blocks, first.clone());
        }
        rows.retain(|row| stays(row.way));
    }
}

/// Blocks in which a way stands beside another.
fn count(blocks: &[Block], way: usize) -> usize {
    let both = |block: &&Block| {
        let has = |same: bool| block.readings.iter().any(|row| (row.way == way) == same);
        has(true) && has(false)
    };
    blocks.iter().filter(both).count()
}

/// The ways that a chain of comparisons joins to the reference.
fn joined_to_reference(blocks: &[Block], ways: usize) -> Vec<bool> {
    let mut joined = vec![false; ways];
    joined[0] = true;
    loop {
        let before = joined.clone();
        for block in blocks {
            if block.readings.iter().any(|row| joined[row.way]) {
                for row in &block.readings {
                    joined[row.way] = true;
                }
            }
        }
        if joined == before {
            return joined;
        }
    }
}

/// Readings by the birds' days that they share, renumbered; those that determine
/// nothing but their birds left out.
fn blocks(rows: &[&WayReading]) -> Vec<Block> {
    let mut home: BTreeMap<usize, usize> = BTreeMap::new();
    fn root(home: &BTreeMap<usize, usize>, mut bird: usize) -> usize {
        while home[&bird] != bird {
            bird = home[&bird];
        }
        bird
    }
    for row in rows {
        for bird in &row.subjects {
            home.entry(*bird).or_insert(*bird);
        }
        let first = root(&home, row.subjects[0]);
        for bird in &row.subjects[1..] {
            let other = root(&home, *bird);
            home.insert(other, first);
        }
    }
    let mut grouped: BTreeMap<usize, Vec<&WayReading>> = BTreeMap::new();
    for row in rows {
        let of = root(&home, row.subjects[0]);
        grouped.entry(of).or_default().push(row);
    }
    let blocks = grouped.into_values().filter_map(|rows| {
        let mut places = BTreeMap::new();
        for bird in rows.iter().flat_map(|row| &row.subjects) {
            let next = places.len();
            places.entry(*bird).or_insert(next);
        }
        if rows.len() <= places.len() {
            return None;
        }
        let mut sums = vec![(0.0, 0.0); places.len()];
        let readings: Vec<WayReading> = rows
            .iter()
            .map(|row| WayReading {
                subjects: row.subjects.iter().map(|bird| places[bird]).collect(),
                ..(*row).clone()
            })
            .collect();
        for row in readings.iter().filter(|row| row.subjects.len() == 1) {
            sums[row.subjects[0]].0 += row.value;
            sums[row.subjects[0]].1 += 1.0;
        }
        Some(Block {
            readings,
            mu: sums.iter().map(|(sum, n)| sum / n).collect(),
        })
    });
    blocks.collect()
}

/// What is assumed of each way.
#[derive(Debug, Clone)]
struct Model {
    kinds: Vec<Option<OffsetKind>>,
    log_ratios: Vec<f64>,
    proportional_spread: bool,
}

impl Model {
    fn width(kind: Option<OffsetKind>) -> usize {
        match kind {
            None => 0,
            Some(OffsetKind::Linear) => 2,
            Some(_) => 1,
        }
    }

    fn place(&self, way: usize) -> usize {
        self.kinds[..way]
            .iter()
            .map(|kind| Self::width(*kind))
            .sum()
    }

    fn parameters(&self) -> usize {
        self.place(self.kinds.len())
    }

    /// h and c of a way.
    fn offset(&self, way: usize, theta: &[f64]) -> (f64, f64) {
        let at = self.place(way);
        match self.kinds[way] {
            None => (0.0, 0.0),
            Some(OffsetKind::Proportional) => (theta[at], 0.0),
            Some(OffsetKind::Constant) => (0.0, theta[at]),
            Some(OffsetKind::Linear) => (theta[at], theta[at + 1]),
        }
    }
}

/// The model at its least squares.
struct Solution {
    theta: Vec<f64>,
    /// Inverse of the information about the offsets, for a spread of 1.
    inverse: DMatrix<f64>,
    residual_squares: f64,
    readings: usize,
    subjects: usize,
    /// Sum of the logarithms of the readings' relative variances, and of the
    /// determinants that integrating out the birds' days leaves.
    log_variances: f64,
    log_information: f64,
}

impl Solution {
    #[expect(clippy::cast_precision_loss, reason = "a count of readings")]
    fn df(&self, restricted: bool) -> f64 {
        let offsets = if restricted { self.theta.len() } else { 0 };
        (self.readings - self.subjects - offsets) as f64
    }

    /// Log-likelihood with the birds' days integrated out, and the offsets as well
    /// where `restricted`.
    fn log_likelihood(&self, restricted: bool) -> f64 {
        let df = self.df(restricted);
        let scale = (2.0 * std::f64::consts::PI * self.residual_squares / df).ln();
        let offsets = if restricted {
            self.inverse.determinant().ln()
        } else {
            0.0
        };
        -0.5 * (df * (scale + 1.0) + self.log_variances + self.log_information - offsets)
    }
}

/// Gauss-Newton steps until the offsets stand still; `None` where they are not determined.
fn solve(blocks: &[Block], model: &Model) -> Option<Solution> {
    let q = model.parameters();
    let mut mu: Vec<Vec<f64>> = blocks.iter().map(|block| block.mu.clone()).collect();
    let mut theta = vec![0.0; q];
    for _ in 0..100 {
        let (solution, next) = step(blocks, model, &theta, &mu)?;
        let moved = solution
            .theta
            .iter()
            .zip(&theta)
            .map(|(new, old)| (new - old).abs() / (1.0 + new.abs()))
            .fold(0.0, f64::max);
        theta.clone_from(&solution.theta);
        mu = next;
        if moved < 1e-12 {
            return Some(solution).filter(|found| found.log_likelihood(true).is_finite());
        }
    }
    None
}

#[expect(clippy::cast_precision_loss, reason = "birds in a scan")]
#[expect(
    clippy::too_many_lines,
    reason = "one step of one iteration, as its formulas stand"
)]
fn step(
    blocks: &[Block],
    model: &Model,
    theta: &[f64],
    mu: &[Vec<f64>],
) -> Option<(Solution, Vec<Vec<f64>>)> {
    let q = theta.len();
    let mut information = DMatrix::<f64>::zeros(q, q);
    let mut score = DVector::zeros(q);
    let (mut log_variances, mut log_information) = (0.0, 0.0);
    let (mut readings, mut subjects) = (0, 0);
    let mut kept = Vec::with_capacity(blocks.len());
    for (block, mu) in blocks.iter().zip(mu) {
        let (n, m) = (block.readings.len(), mu.len());
        let mut x = DMatrix::zeros(n, m);
        let mut z = DMatrix::zeros(n, q);
        let mut response = DVector::zeros(n);
        let mut weights = DVector::zeros(n);
        for (i, row) in block.readings.iter().enumerate() {
            let k = row.subjects.len() as f64;
            let mean = row.subjects.iter().map(|bird| mu[*bird]).sum::<f64>() / k;
            let (h, _) = model.offset(row.way, theta);
            for bird in &row.subjects {
                x[(i, *bird)] = (1.0 + h) / k;
            }
            let at = model.place(row.way);
            match model.kinds[row.way] {
                None => {}
                Some(OffsetKind::Constant) => z[(i, at)] = 1.0,
                Some(OffsetKind::Proportional) => z[(i, at)] = mean,
                Some(OffsetKind::Linear) => {
                    z[(i, at)] = mean;
                    z[(i, at + 1)] = 1.0;
                }
            }
            response[i] = row.value + h * mean;
            let size = if model.proportional_spread { mean } else { 1.0 };
            let variance = (model.log_ratios[row.way].exp() * size).powi(2) / k;
            log_variances += variance.ln();
            weights[i] = 1.0 / variance;
        }
        let weighted = DMatrix::from_fn(n, m, |i, j| weights[i] * x[(i, j)]);
        let factor = (x.transpose() * &weighted).cholesky()?;
        log_information += 2.0 * factor.l().diagonal().iter().map(|d| d.ln()).sum::<f64>();
        // What the birds' days leave of the offsets' columns and of the readings.
        let free = |column: DVector<f64>| {
            let of_birds = factor.solve(&(weighted.transpose() * &column));
            (&column - &x * &of_birds, of_birds)
        };
        let free_z: Vec<(DVector<f64>, DVector<f64>)> =
            z.column_iter().map(|column| free(column.into())).collect();
        let free_y = free(response);
        let product = |a: &DVector<f64>, b: &DVector<f64>| -> f64 {
            a.iter()
                .zip(b.iter())
                .zip(weights.iter())
                .map(|((a, b), w)| a * b * w)
                .sum()
        };
        for i in 0..q {
            score[i] += product(&free_z[i].0, &free_y.0);
            for j in 0..q {
                information[(i, j)] += product(&free_z[i].0, &free_z[j].0);
            }
        }
        readings += n;
        subjects += m;
        kept.push((free_z, free_y, weights));
    }
    if readings <= subjects + q {
        return None;
    }
    // Scaled, so that grams and shares are judged alike.
    let scale = DVector::from_fn(q, |i, _| information[(i, i)].max(0.0).sqrt());
    if scale.iter().any(|scale| *scale <= 0.0) {
        return None;
    }
    let scaled = DMatrix::from_fn(q, q, |i, j| information[(i, j)] / (scale[i] * scale[j]));
    let eigen = scaled.clone().symmetric_eigenvalues();
    if eigen.iter().any(|value| *value < 1e-9) {
        return None;
    }
    let scaled = scaled.try_inverse()?;
    let inverse = DMatrix::from_fn(q, q, |i, j| scaled[(i, j)] / (scale[i] * scale[j]));
    let next = &inverse * score;
    let mut residual_squares = 0.0;
    let mut next_mu = Vec::with_capacity(kept.len());
    for (free_z, (left, of_birds), weights) in kept {
        let (mut left, mut of_birds) = (left, of_birds);
        for (z, value) in free_z.iter().zip(next.iter()) {
            left -= &z.0 * *value;
            of_birds -= &z.1 * *value;
        }
        residual_squares += left
            .iter()
            .zip(weights.iter())
            .map(|(e, w)| e * e * w)
            .sum::<f64>();
        next_mu.push(of_birds.iter().copied().collect());
    }
    let solution = Solution {
        theta: next.iter().copied().collect(),
        inverse,
        residual_squares,
        readings,
        subjects,
        log_variances,
        log_information,
    };
    Some((solution, next_mu))
}

/// The model with the lowest AIC: spread, ratios of spread, kinds of offset.
fn choose(blocks: &[Block], used: &[bool], constant_only: &[bool]) -> Option<Model> {
    let positive = blocks
        .iter()
        .flat_map(|block| &block.readings)
        .all(|reading| reading.value > 0.0);
    let kinds: Vec<Option<OffsetKind>> = (0..used.len())
        .map(|way| match (way, constant_only[way] || !positive) {
            (0, _) => None,
            (_, _) if !used[way] => None,
            (_, true) => Some(OffsetKind::Constant),
            (_, false) => Some(OffsetKind::Proportional),
        })
        .collect();
    let spreads: &[bool] = if positive { &[true, false] } else { &[false] };
    let tried = spreads.iter().filter_map(|proportional| {
        let mut model = Model {
            kinds: kinds.clone(),
            log_ratios: vec![0.0; used.len()],
            proportional_spread: *proportional,
        };
        let mut least = aic(blocks, &model)?;
        for way in (1..used.len()).filter(|way| used[*way]) {
            let (ratio, with) = best_ratio(blocks, &model, way, false);
            // The ratio is a parameter of its own.
            if with + 2.0 < least {
                model.log_ratios[way] = ratio;
                least = with + 2.0;
            }
        }
        for way in (1..used.len()).filter(|way| used[*way] && !constant_only[*way] && positive) {
            let mut others = vec![OffsetKind::Constant];
            if wide(blocks, way) {
                others.push(OffsetKind::Linear);
            }
            for kind in others {
                let mut other = model.clone();
                other.kinds[way] = Some(kind);
                if let Some(with) = aic(blocks, &other).filter(|with| *with < least) {
                    (model, least) = (other, with);
                }
            }
        }
        Some((model, least))
    });
    tried
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(model, _)| model)
}

/// Whether a way was compared often enough, over readings wide enough apart, to
/// tell a share from grams: six days, the greatest reading 1.5 times the least.
fn wide(blocks: &[Block], way: usize) -> bool {
    let rows = blocks.iter().flat_map(|block| &block.readings);
    let values: Vec<f64> = rows
        .filter(|row| row.way == way)
        .map(|row| row.value)
        .collect();
    let greatest = values.iter().copied().fold(f64::MIN, f64::max);
    let least = values.iter().copied().fold(f64::MAX, f64::min);
    count(blocks, way) >= 6 && greatest > 1.5 * least
}

/// -2 log-likelihood with two for each offset; ratios of spread are counted by the caller.
#[expect(clippy::cast_precision_loss, reason = "a count of parameters")]
fn aic(blocks: &[Block], model: &Model) -> Option<f64> {
    let ratios = model.log_ratios.iter().filter(|ratio| **ratio != 0.0);
    let parameters = model.parameters() + ratios.count();
    let fit = solve(blocks, model)?;
    Some(-2.0 * fit.log_likelihood(false) + 2.0 * parameters as f64)
}

/// The ratio of spread of one way that is likeliest, and AIC without it counted.
fn best_ratio(blocks: &[Block], model: &Model, way: usize, restricted: bool) -> (f64, f64) {
    let deviance = |log_ratio: f64| {
        let mut model = model.clone();
        model.log_ratios[way] = log_ratio;
        solve(blocks, &model).map_or(f64::INFINITY, |fit| {
            #[expect(clippy::cast_precision_loss, reason = "a count of parameters")]
            let offsets = 2.0 * model.parameters() as f64;
            -2.0 * fit.log_likelihood(restricted) + offsets
        })
    };
    // Golden section between a hundredth and a hundred times.
    let golden = (5.0_f64.sqrt() - 1.0) / 2.0;
    let (mut low, mut high) = (-100.0_f64.ln(), 100.0_f64.ln());
    let (mut left, mut right) = (high - golden * (high - low), low + golden * (high - low));
    let (mut at_left, mut at_right) = (deviance(left), deviance(right));
    while high - low > 1e-7 {
        if at_left <= at_right {
            (high, right, at_right) = (right, left, at_left);
            left = high - golden * (high - low);
            at_left = deviance(left);
        } else {
            (low, left, at_left) = (left, right, at_right);
            right = low + golden * (high - low);
            at_right = deviance(right);
        }
    }
    (0.5 * (low + high), at_left.min(at_right))
}

/// The chosen ratios at the greatest restricted likelihood of all readings.
fn with_restricted_ratios(blocks: &[Block], mut model: Model) -> Model {
    let free: Vec<usize> = (0..model.log_ratios.len())
        .filter(|way| model.log_ratios[*way] != 0.0)
        .collect();
    for _ in 0..50 {
        let before = model.log_ratios.clone();
        for way in &free {
            model.log_ratios[*way] = best_ratio(blocks, &model, *way, true).0;
        }
        let moved = |(a, b): (&f64, &f64)| (a - b).abs() < 1e-6;
        if free.len() < 2 || before.iter().zip(&model.log_ratios).all(moved) {
            break;
        }
    }
    model
}
