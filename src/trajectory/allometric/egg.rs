//! What a shelled egg in the body adds to a corrected mass.
//!
//! A scan of a bird with an egg whose offset is not known from comparisons reads
//! `m + d_i`, m what the allometry on the bird's weight and its other scans predict,
//! `d_i ~ N(d, t^2)` in grams. With the form of the allometry held,
//!
//! ```text
//! ln(value - d0) = ln m + (d_i - d0) / m + e
//! ```
//!
//! is a row of the linear mixed model with one more fixed effect and one more random effect
//! by bird, both with the column 1 / m; it is solved for d0 until that stands still
//! (Gauss-Newton). These rows determine the egg alone: the model of the trait is without them.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};

use super::candidate::{FittedForm, Working};
use super::scans::{ScanRow, Scans};
use crate::stats::linear_mixed::{Likelihood, LinearMixed, LinearMixedFit};

/// Scans with an egg below which nothing is estimated.
pub const FEWEST_EGG_SCANS: usize = 3;
const ROUNDS: usize = 50;

/// What an egg adds to a corrected mass.
#[derive(Debug, Clone, PartialEq)]
pub struct EggOffset {
    /// Offset d, g.
    pub value_g: f64,
    /// Its error variance, g^2, without the equations' shared part.
    pub variance_g2: f64,
    /// How the equations' standard normal errors move it, g: as a row of
    /// [`Records::shared`](crate::study::Records::shared); empty where there are none.
    pub shared: Vec<f64>,
    /// Variance t^2 of the offset between birds, g^2.
    pub between_birds_g2: f64,
    /// Scans with an egg.
    pub scans: usize,
    /// Degrees of freedom: scans with an egg minus 1.
    pub df: usize,
}

/// The rows of a fit and those with an egg, bird by bird.
struct Together {
    scans: Scans,
    /// By row: its place among the rows of the fit, or among those with an egg.
    places: Vec<Place>,
}

#[derive(Clone, Copy)]
enum Place {
    Fitted(usize),
    Egg(usize),
}

impl Together {
    fn of(scans: &Scans, eggs: &[ScanRow]) -> Self {
        let mut by_bird: BTreeMap<usize, Vec<(ScanRow, Place)>> = BTreeMap::new();
        let fitted = scans.rows.iter().enumerate();
        let fitted = fitted.map(|(at, row)| (row.clone(), Place::Fitted(at)));
        let eggs = eggs.iter().enumerate();
        for (row, place) in fitted.chain(eggs.map(|(at, row)| (row.clone(), Place::Egg(at)))) {
            by_bird.entry(row.bird).or_default().push((row, place));
        }
        let mut all = Self {
            scans: Scans {
                starts: vec![0],
                ..Scans::default()
            },
            places: Vec::new(),
        };
        for rows in by_bird.into_values() {
            for (row, place) in rows {
                all.scans.rows.push(row);
                all.places.push(place);
            }
            all.scans.starts.push(all.scans.rows.len());
        }
        all
    }
}

/// Estimates the offset at the form of a fit.
///
/// `shared`: of the rows of the fit and of those with an egg, how the equations' errors move
/// each, g.
///
/// # Errors
/// In words, why there is none.
pub(super) fn egg_offset(
    fitted: &FittedForm,
    scans: &Scans,
    working: &Working,
    shared: Option<(&DMatrix<f64>, &DMatrix<f64>)>,
) -> Result<EggOffset, String> {
    let eggs = &scans.with_egg;
    if eggs.len() < FEWEST_EGG_SCANS {
        return Err(format!(
            "{} scans with an egg of birds with a known weight, at least {FEWEST_EGG_SCANS} needed",
            eggs.len()
        ));
    }
    if fitted.layout.egg {
        return Err("other scans with an egg are in the model already".to_owned());
    }
    let undetermined = || "the offset is not determined by its scans".to_owned();
    let all = Together::of(scans, eggs);
    let layout = fitted.form.layout(&all.scans, false);
    let columns = fitted.form.columns(&all.scans, &layout, |_| 0.0);
    let random = fitted.form.random(&all.scans, all.scans.repeated());
    let (egg, q) = (layout.egg_column(), random.ncols());
    let mut offset = 0.0;
    let mut masses: Vec<f64> = eggs.iter().map(|row| row.mass_g).collect();
    for _ in 0..ROUNDS {
        if masses.iter().any(|mass| !(*mass > 0.0 && mass.is_finite())) {
            return Err(undetermined());
        }
        let model = rows(&all, (&columns, &random), working, (egg, offset, &masses))?;
        let fit = model
            .fit(Likelihood::Restricted)
            .map_err(|failure| failure.to_string())?;
        let step = fit.fixed[egg];
        offset += step;
        masses = predicted(&all, (&columns, &random), &model, &fit, egg);
        if step.abs() < 1e-6 * (1.0 + offset.abs()) {
            let moved = shared.map(|shared| {
                let factor = factor(&all, shared, working, &masses);
                effect(&model, &fit, &factor, egg)
            });
            return Ok(EggOffset {
                value_g: offset,
                variance_g2: fit.covariance[(egg, egg)],
                shared: moved.unwrap_or_default(),
                between_birds_g2: fit.random_variances[q],
                scans: eggs.len(),
                df: eggs.len() - 1,
            });
        }
    }
    Err(undetermined())
}

/// The linear model about an offset and predicted masses of the scans with an egg.
fn rows(
    all: &Together,
    (columns, random): (&DMatrix<f64>, &DMatrix<f64>),
    working: &Working,
    (egg, offset, masses): (usize, f64, &[f64]),
) -> Result<LinearMixed, String> {
    let n = all.places.len();
    let (mut response, mut known) = (vec![0.0; n], vec![0.0; n]);
    let mut fixed = columns.clone();
    let mut with_egg = random.clone().insert_column(random.ncols(), 0.0);
    for (at, place) in all.places.iter().enumerate() {
        match *place {
            Place::Fitted(row) => (response[at], known[at]) = (working.y[row], working.v[row]),
            Place::Egg(row) => {
                let own = &all.scans.rows[at];
                let left = own.mass_g - offset;
                if left <= 0.05 * masses[row] {
                    return Err("a mass with an egg is less than the egg's offset".to_owned());
                }
                known[at] = own.variance_g2 / (masses[row] * masses[row]);
                response[at] = left.ln() + 0.5 * known[at];
                fixed[(at, egg)] = 1.0 / masses[row];
                with_egg[(at, random.ncols())] = 1.0 / masses[row];
            }
        }
    }
    Ok(LinearMixed {
        starts: all.scans.starts.clone(),
        response,
        fixed,
        random: with_egg,
        known_variances: known,
        residual: true,
    })
}

/// What each scan with an egg would weigh without it, by the allometry and the bird's
/// effects.
fn predicted(
    all: &Together,
    (columns, random): (&DMatrix<f64>, &DMatrix<f64>),
    model: &LinearMixed,
    fit: &LinearMixedFit,
    egg: usize,
) -> Vec<f64> {
    let mut masses = Vec::new();
    for (subject, block) in all.scans.starts.windows(2).enumerate() {
        let modes = fit.modes(model, subject);
        for at in block[0]..block[1] {
            if let Place::Egg(row) = all.places[at] {
                let fixed = (0..columns.ncols()).filter(|column| *column != egg);
                let of_fixed: f64 = fixed.map(|j| columns[(at, j)] * fit.fixed[j]).sum();
                let effects = (0..random.ncols()).map(|j| random[(at, j)] * modes[j]);
                masses.push((row, (of_fixed + effects.sum::<f64>()).exp()));
            }
        }
    }
    masses.sort_by_key(|(row, _)| *row);
    masses.into_iter().map(|(_, mass)| mass).collect()
}

/// The equations' errors of all rows on the scale of log mass, rows x k.
fn factor(
    all: &Together,
    (of_fitted, of_eggs): (&DMatrix<f64>, &DMatrix<f64>),
    working: &Working,
    masses: &[f64],
) -> DMatrix<f64> {
    DMatrix::from_fn(all.places.len(), of_fitted.ncols(), |at, column| {
        let record = all.scans.rows[at].record;
        match all.places[at] {
            Place::Fitted(row) => of_fitted[(record, column)] / working.fitted_g[row],
            Place::Egg(row) => of_eggs[(record, column)] / masses[row],
        }
    })
}

/// How errors of the rows move the offset.
fn effect(
    model: &LinearMixed,
    fit: &LinearMixedFit,
    factor: &DMatrix<f64>,
    egg: usize,
) -> Vec<f64> {
    let mut sum = DVector::zeros(factor.ncols());
    for (subject, block) in model.starts.windows(2).enumerate() {
        let own = factor.rows(block[0], block[1] - block[0]).into_owned();
        sum += fit.effect_of(model, subject, &own).row(egg).transpose();
    }
    sum.iter().copied().collect()
}
