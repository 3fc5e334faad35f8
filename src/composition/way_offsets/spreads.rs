//! The spread of a reading in each way, and how well the comparisons know it.
//!
//! The variances `v_w = s^2 r_w^2` are those of greatest restricted likelihood. Their
//! errors follow from its curvature in the logarithms, so that a variance can enter a
//! standard error with its degrees of freedom (Satterthwaite 1946, Biometrics Bulletin
//! 2:110). Where each bird was scanned once in either way, the comparisons have only the
//! sum of both variances: the way's own is then not separable.

use nalgebra::DMatrix;

use super::choice::{Search, best_ratio};
use super::comparisons::Block;
use super::solve::{Model, solve};

/// Degrees of freedom below which the variance of a way is not taken for known.
const FEWEST_DF: f64 = 2.0;
/// Step in the logarithm of a variance for its second differences.
const STEP: f64 = 0.02;

/// Variances by way at the greatest restricted likelihood.
pub(super) struct Spreads {
    pub(super) model: Model,
    /// Covariance of `ln s^2` (first) and of `ln r_w^2` (by way), zero where a ratio is not
    /// separable.
    pub(super) covariance: DMatrix<f64>,
    /// Whether the variance of each way is known apart from the reference's.
    pub(super) separable: Vec<bool>,
}

/// Finds the ratios of the ways that are compared.
pub(super) fn spreads(blocks: &[Block], mut model: Model, used: &[bool]) -> Option<Spreads> {
    let mut separable: Vec<bool> = (0..used.len()).map(|way| way > 0 && used[way]).collect();
    loop {
        let free: Vec<usize> = (1..used.len()).filter(|way| separable[*way]).collect();
        model = restricted(blocks, model, &free);
        let covariance = covariance(blocks, &model, &free)?;
        // d degrees of freedom leave the logarithm of a variance a variance of 2 / d.
        let variance = |at: usize, way: usize| match &covariance {
            Some(found) => found[(0, 0)] + 2.0 * found[(0, at + 1)] + found[(at + 1, at + 1)],
            // Flat: the ratio that moves least from the search's end is undetermined.
            None if free.len() == 1 => f64::INFINITY,
            None => flatness(blocks, &model, way),
        };
        let known = |(at, way): (usize, &usize)| variance(at, *way) <= 2.0 / FEWEST_DF;
        let of_way: Vec<bool> = free.iter().enumerate().map(known).collect();
        if let (Some(found), true) = (&covariance, of_way.iter().all(|known| *known)) {
            let mut all = DMatrix::zeros(used.len(), used.len());
            let places: Vec<usize> = std::iter::once(0).chain(free).collect();
            for (i, row) in places.iter().enumerate() {
                for (j, column) in places.iter().enumerate() {
                    all[(*row, *column)] = found[(i, j)];
                }
            }
            separable[0] = true;
            return Some(Spreads {
                model,
                covariance: all,
                separable,
            });
        }
        // The one known least goes first; another may be known without it.
        let worst = free
            .iter()
            .enumerate()
            .max_by(|a, b| variance(a.0, *a.1).total_cmp(&variance(b.0, *b.1)));
        let worst = *worst?.1;
        separable[worst] = false;
        model.log_ratios[worst] = 0.0;
    }
}

/// The ratios of some ways at the greatest restricted likelihood.
fn restricted(blocks: &[Block], mut model: Model, free: &[usize]) -> Model {
    for _ in 0..50 {
        let before = model.log_ratios.clone();
        for way in free {
            model.log_ratios[*way] = best_ratio(blocks, &model, *way, Search::FINAL);
        }
        let moved = |(a, b): (&f64, &f64)| (a - b).abs() < 1e-6;
        if free.len() < 2 || before.iter().zip(&model.log_ratios).all(moved) {
            break;
        }
    }
    model
}

/// Residual squares and the rest of -2 restricted log-likelihood, with some ratios moved.
fn parts(blocks: &[Block], model: &Model, moved: &[(usize, f64)]) -> Option<(f64, f64)> {
    let mut model = model.clone();
    for (way, by) in moved {
        model.log_ratios[*way] += 0.5 * by;
    }
    solve(blocks, &model).map(|fit| fit.restricted_parts())
}

/// Inverse of the observed information about `ln s^2` and the free `ln r^2`; the inner
/// `None` where it is not positive.
fn covariance(blocks: &[Block], model: &Model, free: &[usize]) -> Option<Option<DMatrix<f64>>> {
    let fit = solve(blocks, model)?;
    let df = fit.df(true);
    let (squares, _) = fit.restricted_parts();
    let scale = df / squares;
    let q = free.len() + 1;
    let mut information = DMatrix::zeros(q, q);
    information[(0, 0)] = df / 2.0;
    let at = |moved: &[(usize, f64)]| parts(blocks, model, moved);
    let deviance = |(squares, rest): (f64, f64)| squares * scale + rest;
    let middle = deviance(fit.restricted_parts());
    for (i, a) in free.iter().enumerate() {
        let (up, down) = (at(&[(*a, STEP)])?, at(&[(*a, -STEP)])?);
        let slope = (up.0 - down.0) / (2.0 * STEP) * scale;
        information[(0, i + 1)] = -0.5 * slope;
        information[(i + 1, 0)] = -0.5 * slope;
        information[(i + 1, i + 1)] =
            0.5 * (deviance(up) - 2.0 * middle + deviance(down)) / (STEP * STEP);
        for (j, b) in free.iter().enumerate().take(i) {
            let both = |x: f64, y: f64| at(&[(*a, x), (*b, y)]).map(deviance);
            let mixed =
                both(STEP, STEP)? - both(STEP, -STEP)? - both(-STEP, STEP)? + both(-STEP, -STEP)?;
            let mixed = 0.5 * mixed / (4.0 * STEP * STEP);
            information[(i + 1, j + 1)] = mixed;
            information[(j + 1, i + 1)] = mixed;
        }
    }
    // Rounding leaves a flat direction some curvature of either sign.
    let smallest = information.clone().symmetric_eigenvalues().min();
    Some(
        (smallest > 1e-6)
            .then(|| information.try_inverse())
            .flatten(),
    )
}

/// How flat the likelihood is in a ratio: the inverse of its curvature.
fn flatness(blocks: &[Block], model: &Model, way: usize) -> f64 {
    let alone = covariance(blocks, model, &[way]).flatten();
    alone.map_or(f64::INFINITY, |found| found[(1, 1)])
}
