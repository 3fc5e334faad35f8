//! The path of each strain: what its birds do together.
//!
//! Given the birds' variances, the generalised least squares estimate m of the path u at the
//! occasions is normal about u with covariance Lambda^-1. A flock has few strains, and each has one
//! path: the variances of the walk and the slope of the paths are averaged over a grid, equal
//! beforehand on the log scale, by the restricted likelihood of all strains. The timing of the
//! strain's second phase moves the path by what the target's curve predicts, exactly and not to
//! first order: it is averaged over as well.

use nalgebra::{DMatrix, DVector};

use super::birds::BirdVariances;
use super::process::{between, damped_slope, walk};
use super::series::StrainSeries;

/// Standard deviations of the strains' walk, a square root of a day.
const WALKS: [f64; 5] = [0.0003, 0.0007, 0.0015, 0.003, 0.006];
/// Standard deviations of the strains' slope, a day.
const SLOPES: [f64; 5] = [0.000_05, 0.0002, 0.0005, 0.001, 0.002];
/// Shifts of the second phase, in standard deviations of a normal law cut at 2.5.
const SHIFTS: usize = 11;
const FURTHEST: f64 = 2.5;

/// Likelihood of each strain's path, and the weight of each pair of variances.
#[derive(Debug, Clone)]
pub(super) struct Paths {
    estimates: Vec<Option<Estimated>>,
    /// Variances of walk and slope, and their weight.
    grid: Vec<([f64; 2], f64)>,
}

/// The estimate of a strain's path at its occasions, and its covariance.
#[derive(Debug, Clone)]
pub(super) struct Estimated {
    pub(super) path: DVector<f64>,
    pub(super) spread: DMatrix<f64>,
}

/// Variances of a path: of its walk (1/d), of its slope (1/d^2), and of what all that was weighed
/// on an occasion has in common.
#[derive(Debug, Clone, Copy)]
pub(super) struct PathVariances {
    pub(super) walk: f64,
    pub(super) slope: f64,
    pub(super) day: f64,
}

impl PathVariances {
    /// Of birds: what they share on an occasion is part of their walk.
    fn of_pair([walk, slope]: [f64; 2]) -> Self {
        Self {
            walk,
            slope,
            day: 0.0,
        }
    }
}

/// A path at the occasions and at further ages: mean and covariance.
#[derive(Debug, Clone)]
pub(super) struct Path {
    pub(super) mean: DVector<f64>,
    pub(super) covariance: DMatrix<f64>,
}

/// The path given its variances.
pub(super) struct Given {
    pub(super) log_lik: f64,
    pub(super) path: Option<Path>,
}

impl Paths {
    /// Estimates of the paths, and the grid weighted.
    pub(super) fn of(strains: &[Option<StrainSeries>], variances: &BirdVariances) -> Option<Self> {
        let pairs = WALKS
            .iter()
            .flat_map(|walk| SLOPES.iter().map(move |slope| [walk * walk, slope * slope]));
        Self::over(strains, variances, pairs.collect())
    }

    /// The same with one pair of variances.
    pub(super) fn at(
        strains: &[Option<StrainSeries>],
        variances: &BirdVariances,
        pair: [f64; 2],
    ) -> Option<Self> {
        Self::over(strains, variances, vec![pair])
    }

    fn over(
        strains: &[Option<StrainSeries>],
        variances: &BirdVariances,
        pairs: Vec<[f64; 2]>,
    ) -> Option<Self> {
        let estimates = estimates(strains, variances)?;
        let mut grid = Vec::with_capacity(pairs.len());
        for pair in pairs {
            grid.push((pair, log_lik(strains, &estimates, pair)?));
        }
        let most = grid.iter().map(|(_, log_lik)| *log_lik);
        let most = most.fold(f64::NEG_INFINITY, f64::max);
        let mut sum = 0.0;
        for (_, weight) in &mut grid {
            *weight = (*weight - most).exp();
            sum += *weight;
        }
        for (_, weight) in &mut grid {
            *weight /= sum;
        }
        // What weighs next to nothing costs as much as the rest.
        grid.retain(|(_, weight)| *weight > 1e-4);
        sum.is_finite().then_some(Self { estimates, grid })
    }

    /// Restricted log-likelihood of the estimated paths.
    pub(super) fn log_lik(
        strains: &[Option<StrainSeries>],
        variances: &BirdVariances,
        pair: [f64; 2],
    ) -> Option<f64> {
        log_lik(strains, &estimates(strains, variances)?, pair)
    }

    /// The path of a strain at its occasions and then at these ages.
    pub(super) fn path(
        &self,
        strain: usize,
        series: &StrainSeries,
        ages_d: &[f64],
    ) -> Option<Path> {
        let estimated = self.estimates[strain].as_ref()?;
        let size = series.ages_d.len() + ages_d.len();
        let mut mean = DVector::zeros(size);
        let mut paths = Vec::with_capacity(self.grid.len());
        let mut sum = 0.0;
        for (pair, weight) in &self.grid {
            let path = given(
                series,
                estimated,
                ages_d,
                PathVariances::of_pair(*pair),
                true,
            )?
            .path?;
            mean += &path.mean * *weight;
            sum += weight;
            paths.push((path, *weight));
        }
        mean /= sum;
        let mut covariance = DMatrix::zeros(size, size);
        for (path, weight) in paths {
            let off = &path.mean - &mean;
            covariance += (path.covariance + &off * off.transpose()) * (weight / sum);
        }
        Some(Path { mean, covariance })
    }
}

fn log_lik(
    strains: &[Option<StrainSeries>],
    estimates: &[Option<Estimated>],
    pair: [f64; 2],
) -> Option<f64> {
    let mut sum = 0.0;
    for (series, estimated) in strains.iter().zip(estimates) {
        if let (Some(series), Some(estimated)) = (series, estimated) {
            sum += given(series, estimated, &[], PathVariances::of_pair(pair), false)?.log_lik;
        }
    }
    Some(sum)
}

fn estimates(
    strains: &[Option<StrainSeries>],
    variances: &BirdVariances,
) -> Option<Vec<Option<Estimated>>> {
    let of = |series: &StrainSeries| {
        let days = series.days(&series.ages_d);
        let timing = series.timing(&series.ages_d);
        let k = days.len();
        let mut precision = DMatrix::zeros(k, k);
        let mut right = DVector::zeros(k);
        for pattern in &series.patterns {
            let own = |of: &[f64]| -> Vec<f64> { pattern.at.iter().map(|at| of[*at]).collect() };
            let covariance = variances.of_pattern(&own(&days), &own(&timing));
            let inverse = covariance.cholesky()?.inverse();
            let mut sum = DVector::zeros(pattern.at.len());
            for member in 0..pattern.birds.len() {
                sum += DVector::from_column_slice(pattern.of_bird(member));
            }
            let weighted = &inverse * sum;
            let birds = pattern.birds.len() as f64;
            for (i, row) in pattern.at.iter().enumerate() {
                right[*row] += weighted[i];
                for (j, column) in pattern.at.iter().enumerate() {
                    precision[(*row, *column)] += birds * inverse[(i, j)];
                }
            }
        }
        let cholesky = precision.cholesky()?;
        Some(Estimated {
            path: cholesky.solve(&right),
            spread: cholesky.inverse(),
        })
    };
    let mut all = Vec::with_capacity(strains.len());
    for series in strains {
        all.push(match series {
            Some(series) => Some(of(series)?),
            None => None,
        });
    }
    Some(all)
}

/// Shifts in standard deviations and their weights: a normal law cut off, with the spread of
/// the whole.
fn shifts() -> Vec<(f64, f64)> {
    let node = |at: usize| FURTHEST * (2.0 * at as f64 / (SHIFTS - 1) as f64 - 1.0);
    let density = |at: usize| (-0.5 * node(at) * node(at)).exp();
    let sum: f64 = (0..SHIFTS).map(density).sum();
    let variance: f64 = (0..SHIFTS)
        .map(|at| density(at) / sum * node(at) * node(at))
        .sum();
    (0..SHIFTS)
        .map(|at| (node(at) / variance.sqrt(), density(at) / sum))
        .collect()
}

/// Likelihood of a strain's estimated path and, where requested, the path at its occasions and at
/// further ages, given its variances. At its occasions the path has what their day adds.
pub(super) fn given(
    series: &StrainSeries,
    estimated: &Estimated,
    ages_d: &[f64],
    variances: PathVariances,
    wanted: bool,
) -> Option<Given> {
    let k = series.ages_d.len();
    let all_d: Vec<f64> = series.ages_d.iter().chain(ages_d).copied().collect();
    let days = series.days(&all_d);
    let mut process = between(&days, &days, |s, t| {
        variances.walk * walk(s, t) + variances.slope * damped_slope(s, t)
    });
    for at in 0..k {
        process[(at, at)] += variances.day;
    }
    let cholesky = (process.view((0, 0), (k, k)) + &estimated.spread).cholesky()?;
    let ones = DVector::from_element(k, 1.0);
    let weighted_ones = cholesky.solve(&ones);
    let information = weighted_ones.sum();
    let log_det = 2.0 * cholesky.l_dirty().diagonal().map(f64::ln).sum();
    let free = (k - 1) as f64;
    let constant = -0.5 * (log_det + information.ln() + free * (2.0 * std::f64::consts::PI).ln());
    let nodes = match series.second_phase() {
        Some(_) => shifts(),
        None => vec![(0.0, 1.0)],
    };
    let mut of_nodes = Vec::with_capacity(nodes.len());
    for (deviations, weight) in nodes {
        let shift_d = deviations * series.timing_sd_d;
        let moved = DVector::from_fn(all_d.len(), |at, _| {
            let phase = series.second_phase();
            phase.map_or(0.0, |phase| phase.shifted(all_d[at], shift_d))
        });
        let seen = &estimated.path - moved.rows(0, k);
        let level = weighted_ones.dot(&seen) / information;
        let residual = seen - &ones * level;
        let weighted = cholesky.solve(&residual);
        let log_weight = weight.ln() - 0.5 * residual.dot(&weighted);
        of_nodes.push((log_weight, level, weighted, moved));
    }
    let most = of_nodes.iter().map(|node| node.0);
    let most = most.fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = of_nodes.iter().map(|node| (node.0 - most).exp()).sum();
    let log_lik = constant + most + sum.ln();
    if !log_lik.is_finite() {
        return None;
    }
    if !wanted {
        let path = None;
        return Some(Given { log_lik, path });
    }
    let to_seen = process.columns(0, k);
    let gain = to_seen * cholesky.inverse();
    let left = DVector::from_element(all_d.len(), 1.0) - &gain * &ones;
    let mut covariance =
        &process - &gain * to_seen.transpose() + &left * left.transpose() / information;
    let means: Vec<(f64, DVector<f64>)> = of_nodes
        .into_iter()
        .map(|(log_weight, level, weighted, moved)| {
            let mean = to_seen * weighted + moved;
            ((log_weight - most).exp() / sum, mean.add_scalar(level))
        })
        .collect();
    let mut mean = DVector::zeros(all_d.len());
    for (weight, of_node) in &means {
        mean += of_node * *weight;
    }
    for (weight, of_node) in &means {
        let off = of_node - &mean;
        covariance += &off * off.transpose() * *weight;
    }
    Some(Given {
        log_lik,
        path: Some(Path { mean, covariance }),
    })
}
