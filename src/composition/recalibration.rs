//! A saved equation fitted to another laboratory's birds, as far as these justify it.
//!
//! On the scale on which the equation's terms add, the saved prediction of bird i is `x_i'b`, its
//! residual `r_i`. The coefficients are moved by D d: the intercept alone, intercept and slope
//! (all coefficients in proportion), or every coefficient by itself. d has the prior N(0, g K),
//! K the equation's own covariance for all coefficients and its residual variance for intercept
//! and slope (at the mean of the birds' predictions, the slope in SDs of these), so that
//!
//! ```text
//! d = g K Z' (Z g K Z' + W)^-1 r,   Z = X D,   W = residual variances of the birds
//! ```
//!
//! is ridge regression towards the saved equation (computed from the information matrix). g = 0 keeps it, a great g takes the birds at
//! their word; g is the one by which birds left out are predicted best. The posterior covariance
//! of d, and what the saved coefficients' own covariance leaves, are that of the new ones.
//!
//! # Source
//! Steyerberg EW (2019) Clinical Prediction Models, 2nd edition, chapter 20 (recalibration and
//! shrinkage of updated models towards the recalibrated or the original one); leave-one-out
//! residuals of ridge regression: Golub GH, Heath M, Wahba G (1979) Technometrics 21:215-223.

use nalgebra::{DMatrix, DVector};

use super::equation::{Equation, root};
use super::formula::EquationColumn;
use super::provenance::{Recalibration, Scale};
use super::validation::Tested;
use crate::error::{Error, Result};
use crate::stats::{mean, squares_about_mean};

/// What is fitted to the new birds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// The intercept.
    Intercept,
    /// Intercept and slope: all coefficients in proportion.
    Slope,
    /// Every coefficient.
    Full,
}

impl Change {
    /// The word for it in saved equations.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Intercept => "intercept",
            Self::Slope => "intercept and slope",
            Self::Full => "all coefficients",
        }
    }

    /// Fewest birds.
    fn birds(self) -> usize {
        match self {
            Self::Intercept => 3,
            Self::Slope | Self::Full => 4,
        }
    }

    fn refuse(self, label: &str, [found, expected, advice]: [&str; 3]) -> Error {
        Error::input(format!(
            "{label}: found {found}, expected {expected} to recalibrate {}; {advice}",
            self.word()
        ))
    }

    /// The equation's residual variance, where it and the birds allow a recalibration.
    fn check(self, birds: &[Tested], equation: &Equation) -> Result<f64> {
        let label = equation.label();
        if birds.len() < self.birds() {
            let found = format!("{} birds", birds.len());
            let expected = format!("at least {}", self.birds());
            return Err(self.refuse(label, [&found, &expected, "analyse more birds"]));
        }
        let log = equation.provenance.scale == Scale::Log;
        if log && birds.iter().any(|bird| bird.observed <= 0.0) {
            let why = [
                "chemistry not above 0",
                "masses above 0",
                "leave out these birds",
            ];
            return Err(self.refuse(label, why));
        }
        let variance = equation.provenance.residual_variance;
        variance.filter(|variance| *variance > 0.0).ok_or_else(|| {
            let why = [
                "no residual variance",
                "an equation with one",
                "take one that was fitted here",
            ];
            self.refuse(label, why)
        })
    }
}

/// Multiples of the prior that are tried.
const MULTIPLES: [f64; 12] = [
    0.0, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 1e4, 1e8,
];

/// Fits a saved equation to other birds with shrinkage towards it, and gives the new equation
/// with both provenances.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) for too few birds, masses that do not vary where
/// a slope is requested, an equation without residual variance, or without covariance where all
/// coefficients are requested, and chemistry not above 0 for an equation of its logarithm.
pub fn recalibrate(
    birds: &[Tested],
    equation: &Equation,
    change: Change,
    input_digest: &str,
) -> Result<Equation> {
    let problem = Problem::of(birds, equation, change)?;
    let best = problem.best();
    let mut new = problem.equation(&best);
    let of = &mut new.provenance;
    let left_out = problem.left_out_rmse(&best);
    let ends = |values: &[f64]| {
        [
            values.iter().copied().fold(f64::INFINITY, f64::min),
            values.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        ]
    };
    let mut strains: Vec<String> = birds.iter().map(|bird| bird.strain.clone()).collect();
    strains.retain(|strain| !strain.is_empty());
    strains.sort();
    strains.dedup();
    let observed: Vec<f64> = birds.iter().map(|bird| bird.observed).collect();
    let squares: Vec<f64> = birds.iter().map(|bird| bird.error().powi(2)).collect();
    let ages: Option<Vec<f64>> = birds.iter().map(|bird| bird.age_d).collect();
    of.recalibrations.push(Recalibration {
        changed: change.word().to_owned(),
        birds: birds.len(),
        ages_d: ages.map(|ages| ends(&ages)),
        masses: ends(&observed),
        share_taken: best.share,
        rmse_before: mean(&squares).sqrt(),
        cross_validated_rmse: left_out,
        equation_digest: super::digest(equation.to_toml()?.as_bytes()),
        input_digest: input_digest.to_owned(),
        strains: strains.clone(),
    });
    // An equation with a term for strain has only its levels.
    if !of.factors.iter().any(|levels| levels.name == "strain") {
        of.strains.extend(strains);
        of.strains.sort();
        of.strains.dedup();
    }
    of.cross_validated_rmse = Some(left_out);
    Ok(new)
}

/// The regression of the birds' residuals on what may change.
struct Problem<'a> {
    equation: &'a Equation,
    birds: &'a [Tested],
    /// Columns of the new equation: those of the saved one, an intercept before them where it
    /// has none and one is fitted.
    columns: Vec<EquationColumn>,
    /// The saved coefficients of these columns, p.
    saved: DVector<f64>,
    /// Their covariance, p x p.
    covariance: DMatrix<f64>,
    /// D, p x q.
    directions: DMatrix<f64>,
    /// Z = X D, n x q.
    z: DMatrix<f64>,
    /// K, q x q.
    prior: DMatrix<f64>,
    /// W, the birds' residual variances.
    variances: DVector<f64>,
    /// r, on the scale on which the terms add.
    residuals: DVector<f64>,
}

/// A recalibration with one multiple of the prior.
struct Moved {
    /// d.
    shift: DVector<f64>,
    /// Posterior covariance of d.
    covariance: DMatrix<f64>,
    /// Residuals of each bird without it, on the scale on which the terms add.
    left_out: Vec<f64>,
    /// Sum of their squares over the variances.
    criterion: f64,
    share: f64,
}

impl<'a> Problem<'a> {
    fn of(birds: &'a [Tested], equation: &'a Equation, change: Change) -> Result<Self> {
        let (label, n) = (equation.label(), birds.len());
        let refuse = |found: &str, expected: &str, advice: &str| {
            change.refuse(label, [found, expected, advice])
        };
        let variance = change.check(birds, equation)?;
        let log = equation.provenance.scale == Scale::Log;
        let has_intercept = equation.columns.iter().any(|c| c.names().next().is_none());
        let added = usize::from(!has_intercept && change != Change::Full);
        let p = equation.columns.len() + added;
        let mut columns = equation.columns.clone();
        if added == 1 {
            columns.insert(0, "intercept".parse()?);
        }
        let mut saved = DVector::zeros(p);
        let mut covariance = DMatrix::zeros(p, p);
        for (j, coefficient) in equation.coefficients.iter().enumerate() {
            saved[j + added] = *coefficient;
        }
        if let Some(own) = &equation.covariance {
            let (rows, columns) = own.shape();
            covariance
                .view_mut((added, added), (rows, columns))
                .copy_from(own);
        } else if change == Change::Full {
            return Err(refuse(
                "no covariance of the coefficients",
                "an equation with one",
                "recalibrate the intercept or the slope",
            ));
        }
        let x = DMatrix::from_fn(n, p, |i, j| match j.checked_sub(added) {
            Some(j) => birds[i].design[j],
            None => 1.0,
        });
        let linear = &x * &saved;
        let residuals = DVector::from_fn(n, |i, _| {
            let observed = birds[i].observed;
            (if log { observed.ln() } else { observed }) - linear[i]
        });
        let variances = DVector::from_fn(n, |i, _| match log {
            true => variance,
            false => equation.own_variance(linear[i]).unwrap_or(variance),
        });
        if variances.iter().any(|variance| *variance <= 0.0) {
            return Err(refuse(
                "a residual variance of 0 at one of the birds",
                "variances above 0",
                "take an equation with one residual variance for all",
            ));
        }
        let intercept = columns.iter().position(|c| c.names().next().is_none());
        let ground = Ground {
            saved: &saved,
            covariance: &covariance,
            intercept,
            predictions: linear.as_slice(),
            usual_variance: mean(variances.as_slice()),
        };
        let Some((directions, prior)) = ground.directions(change) else {
            return Err(refuse(
                "birds whose predictions are all alike",
                "birds of different masses",
                "recalibrate the intercept alone",
            ));
        };
        Ok(Self {
            equation,
            birds,
            columns,
            saved,
            covariance,
            z: x * &directions,
            directions,
            prior,
            variances,
            residuals,
        })
    }

    fn best(&self) -> Moved {
        let mut tried = MULTIPLES
            .iter()
            .filter_map(|multiple| self.moved(*multiple));
        // No multiple but 0 can fail; keep the saved equation then.
        let first = tried.next().unwrap_or_else(|| self.kept());
        tried.fold(first, |best, next| {
            if next.criterion < best.criterion {
                next
            } else {
                best
            }
        })
    }

    /// The saved equation as it is.
    fn kept(&self) -> Moved {
        let q = self.prior.nrows();
        Moved {
            shift: DVector::zeros(q),
            covariance: DMatrix::zeros(q, q),
            left_out: self.residuals.iter().copied().collect(),
            criterion: self.criterion(self.residuals.as_slice()),
            share: 0.0,
        }
    }

    fn criterion(&self, residuals: &[f64]) -> f64 {
        let pairs = residuals.iter().zip(self.variances.iter());
        pairs.map(|(e, variance)| e * e / variance).sum()
    }

    fn moved(&self, multiple: f64) -> Option<Moved> {
        if multiple <= 0.0 {
            return Some(self.kept());
        }
        let (n, q) = self.z.shape();
        // d = R u with K = R R': the information of u keeps its digits for any multiple.
        let root = root(self.prior.clone());
        let along = &self.z * &root;
        let mut weighted = along.transpose();
        for (mut column, variance) in weighted.column_iter_mut().zip(self.variances.iter()) {
            column /= *variance;
        }
        let mut information = &weighted * &along;
        for j in 0..information.nrows() {
            information[(j, j)] += 1.0 / multiple;
        }
        let inverse = information.cholesky()?.inverse();
        let gain = &root * &inverse * weighted;
        let shift = &gain * &self.residuals;
        // Fitted = H r, and the residual of a bird left out is its residual over 1 - h.
        let hat = &self.z * &gain;
        let rest = &self.residuals - &self.z * &shift;
        let left_out: Vec<f64> = (0..n).map(|i| rest[i] / (1.0 - hat[(i, i)])).collect();
        if left_out.iter().any(|e| !e.is_finite()) || (0..n).any(|i| hat[(i, i)] > 1.0 - 1e-9) {
            return None;
        }
        let share = (hat.trace() / q.min(n) as f64).clamp(0.0, 1.0);
        Some(Moved {
            covariance: &root * inverse * root.transpose(),
            criterion: self.criterion(&left_out),
            shift,
            left_out,
            share,
        })
    }

    /// Root mean square error of birds left out, in the unit of the response.
    fn left_out_rmse(&self, moved: &Moved) -> f64 {
        let log = self.equation.provenance.scale == Scale::Log;
        let half = self.equation.provenance.residual_variance.unwrap_or(0.0) / 2.0;
        let errors = self.birds.iter().zip(&moved.left_out).map(|(bird, e)| {
            let error = match log {
                true => bird.observed - (bird.observed.ln() - e + half).exp(),
                false => *e,
            };
            error * error
        });
        mean(&errors.collect::<Vec<f64>>()).sqrt()
    }

    fn equation(&self, moved: &Moved) -> Equation {
        let coefficients = &self.saved + &self.directions * &moved.shift;
        let of_shift = &self.directions * &moved.covariance * self.directions.transpose();
        // Where all coefficients move, what is known of them afterwards is the posterior; the
        // intercept's and the slope's comes on top of what the others leave.
        let full = self.directions.ncols() == self.saved.len()
            && self.directions == DMatrix::identity(self.saved.len(), self.saved.len());
        let covariance = if full && moved.share > 0.0 {
            of_shift
        } else {
            &self.covariance + of_shift
        };
        let mut provenance = self.equation.provenance.clone();
        // How far a bird lies from its prediction is learnt from both groups of birds.
        if let (Some(df), Some(variance)) = (provenance.residual_df, provenance.residual_variance) {
            let (birds, old) = (self.birds.len(), df as f64);
            let pooled = (old + moved.criterion) / (old + birds as f64);
            provenance.residual_variance = Some(variance * pooled);
            provenance.residual_df = Some(df + birds.saturating_sub(self.directions.ncols()));
        }
        Equation {
            provenance,
            columns: self.columns.clone(),
            coefficients: coefficients.iter().copied().collect(),
            covariance: self.equation.covariance.as_ref().map(|_| {
                // Rounding may leave the two triangles apart in their last digit.
                (&covariance + covariance.transpose()) * 0.5
            }),
            // Another equation's errors were correlated with the saved coefficients.
            companions: Vec::new(),
            file: String::new(),
        }
    }
}

/// What the directions and their prior rest on.
struct Ground<'a> {
    saved: &'a DVector<f64>,
    covariance: &'a DMatrix<f64>,
    /// Place of the intercept among the coefficients.
    intercept: Option<usize>,
    /// On the scale on which the terms add.
    predictions: &'a [f64],
    usual_variance: f64,
}

impl Ground<'_> {
    /// D and K; none for a slope where the predictions are all alike.
    fn directions(&self, change: Change) -> Option<(DMatrix<f64>, DMatrix<f64>)> {
        let p = self.saved.len();
        let along_intercept = unit(p, self.intercept);
        let usual = self.usual_variance;
        match change {
            Change::Full => Some((DMatrix::identity(p, p), self.covariance.clone())),
            Change::Intercept => Some((along_intercept, DMatrix::from_element(1, 1, usual))),
            Change::Slope => {
                let centre = mean(self.predictions);
                let n = self.predictions.len() as f64;
                let variance = squares_about_mean(self.predictions) / n;
                if variance.sqrt() <= 1e-9 * centre.abs() {
                    return None;
                }
                // Along the second, the prediction at the centre stays.
                let slope = self.saved - along_intercept.column(0) * centre;
                let both = [along_intercept.column(0).into_owned(), slope];
                let diagonal = DVector::from_vec(vec![usual, usual / variance]);
                Some((
                    DMatrix::from_columns(&both),
                    DMatrix::from_diagonal(&diagonal),
                ))
            }
        }
    }
}

/// A column of zeros with a 1 in the place of the intercept.
fn unit(p: usize, intercept: Option<usize>) -> DMatrix<f64> {
    DMatrix::from_fn(p, 1, |j, _| f64::from(u8::from(Some(j) == intercept)))
}

#[cfg(test)]
mod tests;
