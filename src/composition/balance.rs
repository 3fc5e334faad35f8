//! Do the corrected parts add up to the scale weight, and what is the smallest
//! change that makes them?
//!
//! Minimise d' C^-1 d subject to 1'(m + d) = W, where m are the parts, C their
//! covariance and W the scale weight. With a multiplier the answer is
//! d = C 1 (1'C1)^-1 (W - 1'm), and the parts then have covariance
//! C - C 1 1'C / (1'C1) (generalised least squares under a linear constraint;
//! Searle 1971, Linear Models, section 3.6). A part that is known better moves less.

use nalgebra::{DMatrix, DVector};

use super::correction::{Corrected, Corrections};
use super::equation::Equation;
use super::pairs::lookup;
use crate::error::{Error, Result};
use crate::study::Study;

/// The parts of one scan against its scale weight (`balance`).
#[derive(Debug, Clone, PartialEq)]
pub struct BalanceRow {
    /// Scan's name.
    pub scan: String,
    /// Its birds, joined by `+`.
    pub bird: String,
    /// Their strain.
    pub strain: String,
    /// Age, d.
    pub age_d: f64,
    /// Scale weight, g per bird.
    pub scale_weight_g: f64,
    /// Names of the parts, in the order of the numbers.
    pub parts: Vec<String>,
    /// The parts, g per bird.
    pub parts_g: Vec<f64>,
    /// Their standard errors, g.
    pub std_errors: Vec<Option<f64>>,
    /// Covariances of two different parts, k x k, g^2: those of equations fitted
    /// together; 0 for others (the diagonal is that of `std_errors`).
    pub between: DMatrix<f64>,
    /// Sum and closure.
    pub balance: Balance,
    /// Row of the scans table.
    pub row: u32,
}

impl BalanceRow {
    /// Standard error of the sum of the parts, g; none where a part has none.
    #[must_use]
    pub fn sum_std_error(&self) -> Option<f64> {
        let own: Option<f64> = self
            .std_errors
            .iter()
            .map(|error| error.map(|e| e * e))
            .sum();
        // Rounding may leave a variance of -1e-20.
        own.map(|own| (own + self.between.sum()).max(0.0).sqrt())
    }

    /// The parts moved to add up to the scale weight. What moved, and by how much,
    /// is in the answer; a part may become negative, and that is for the reader to see.
    ///
    /// # Errors
    /// [`ErrorKind::Input`](crate::ErrorKind::Input) where a part has no standard error.
    pub fn reconcile(&self) -> Result<Reconciled> {
        let variances: Option<Vec<f64>> = self
            .std_errors
            .iter()
            .map(|error| error.map(|error| error * error))
            .collect();
        let variances = variances.ok_or_else(|| {
            Error::input(format!(
                "scan {}: found a part without a standard error, expected one for each; use equations with a residual variance",
                self.scan
            ))
        })?;
        let mut covariance = DMatrix::from_diagonal(&DVector::from_vec(variances));
        covariance += &self.between;
        reconcile(&self.parts_g, &covariance, self.scale_weight_g)
    }
}

/// Adds the parts of every scan that each equation corrected and that was weighed.
///
/// `feathers` predicts feather mass, where the parts are those of the body without.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) where no scan has all parts and a
/// scale weight.
pub fn of_study(
    study: &Study,
    parts: &[&Corrections],
    feathers: Option<&Equation>,
) -> Result<Vec<BalanceRow>> {
    let mut rows = Vec::new();
    let Some((first, others)) = parts.split_first() else {
        return Err(Error::call(
            "found no corrected trait, expected fat, lean and bone; correct them first",
        ));
    };
    for corrected in &first.rows {
        let scan = &study.scans.rows[corrected.index];
        let same = others
            .iter()
            .map(|part| part.rows.iter().find(|row| row.index == corrected.index));
        let Some(same) = same.collect::<Option<Vec<_>>>() else {
            continue;
        };
        let mut names: Vec<String> = parts.iter().map(|part| part.trait_name.clone()).collect();
        let same: Vec<&Corrected> = std::iter::once(corrected).chain(same).collect();
        let mut parts_g: Vec<f64> = same.iter().map(|part| part.corrected).collect();
        let mut std_errors: Vec<Option<f64>> = same.iter().map(|part| part.std_error).collect();
        if let Some(equation) = feathers {
            let Ok(design) = equation.row(|name| lookup(study, scan, &[], name)) else {
                continue;
            };
            let mass_g = equation.value(&design);
            let shared = equation.shared_covariance(&design, &design).unwrap_or(0.0);
            let birds = scan.birds_in_scan() as f64;
            names.push("feathers".to_owned());
            parts_g.push(mass_g);
            std_errors.push(
                equation
                    .own_variance(mass_g)
                    .map(|own| (own / birds + shared).max(0.0).sqrt()),
            );
        }
        let between = DMatrix::from_fn(parts_g.len(), parts_g.len(), |i, j| {
            match (same.get(i), same.get(j)) {
                (Some(one), Some(other)) if i != j => parts[i].equation.covariance_with(
                    &parts[j].equation,
                    &one.design,
                    &other.design,
                    scan.birds_in_scan(),
                ),
                // The feathers' equation is of other rows.
                _ => 0.0,
            }
        });
        let Ok(balance) = balance(&parts_g, scan.scale_weight_g) else {
            continue;
        };
        rows.push(BalanceRow {
            scan: corrected.scan.clone(),
            bird: corrected.bird.clone(),
            strain: corrected.strain.clone(),
            age_d: corrected.age_d,
            scale_weight_g: scan.scale_weight_g,
            parts: names,
            parts_g,
            std_errors,
            between,
            balance,
            row: corrected.row,
        });
    }
    if rows.is_empty() {
        return Err(Error::input(format!(
            "{}, column scale_weight_g: found no scan with all parts and a scale weight, expected at least one; fill in scale_weight_g",
            study.scans.file
        )));
    }
    Ok(rows)
}

/// Parts of one bird against its scale weight.
#[derive(Debug, Clone, PartialEq)]
pub struct Balance {
    /// Sum of the parts, g.
    pub sum_g: f64,
    /// Sum, percent of the scale weight.
    pub closure_pct: f64,
}

/// Parts that were moved to add up to the scale weight.
#[derive(Debug, Clone, PartialEq)]
pub struct Reconciled {
    /// Parts after the move, g; they add up to the scale weight.
    pub parts_g: Vec<f64>,
    /// How much each part moved, g.
    pub moved_g: Vec<f64>,
    /// Covariance of the parts after the move, g^2.
    pub covariance: DMatrix<f64>,
}

/// Sum of the parts against the scale weight; nothing is changed.
///
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) for a scale weight that is not above 0.
pub fn balance(parts_g: &[f64], scale_weight_g: f64) -> Result<Balance> {
    if !(scale_weight_g > 0.0 && scale_weight_g.is_finite()) {
        return Err(Error::input(format!(
            "found a scale weight of {scale_weight_g}, expected grams above 0; fill in scale_weight_g"
        )));
    }
    let sum_g: f64 = parts_g.iter().sum();
    Ok(Balance {
        sum_g,
        closure_pct: 100.0 * sum_g / scale_weight_g,
    })
}

/// Moves the parts by the smallest weighted change so that they add up.
///
/// # Shapes
/// `parts_g`: k; `covariance`: k x k.
/// # Errors
/// [`ErrorKind::Input`](crate::ErrorKind::Input) where the covariance leaves nothing
/// free to move, or is of another size.
/// # Source
/// Module text.
pub fn reconcile(
    parts_g: &[f64],
    covariance: &DMatrix<f64>,
    scale_weight_g: f64,
) -> Result<Reconciled> {
    let k = parts_g.len();
    if covariance.shape() != (k, k) {
        return Err(Error::call(format!(
            "found a covariance of {} x {}, expected {k} x {k}, a row for each part; correct the call",
            covariance.nrows(),
            covariance.ncols()
        )));
    }
    let gap_g = scale_weight_g - balance(parts_g, scale_weight_g)?.sum_g;
    let ones = DVector::from_element(k, 1.0);
    let along = covariance * &ones;
    let total = along.sum();
    if !(total > 0.0 && total.is_finite()) {
        return Err(Error::input(
            "found parts without a variance, expected one to share the gap by; use equations with a residual variance",
        ));
    }
    let moved = &along * (gap_g / total);
    Ok(Reconciled {
        parts_g: parts_g
            .iter()
            .zip(moved.iter())
            .map(|(part, moved)| part + moved)
            .collect(),
        moved_g: moved.iter().copied().collect(),
        covariance: covariance - &along * along.transpose() / total,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn independent_parts_share_the_gap_by_their_variances() {
        let covariance = DMatrix::from_diagonal(&DVector::from_vec(vec![9.0, 90.0, 1.0]));
        let moved = reconcile(&[100.0, 850.0, 30.0], &covariance, 1000.0).unwrap();
        // The gap of 20 g in shares 9 : 90 : 1.
        for (found, expected) in moved.moved_g.iter().zip([1.8, 18.0, 0.2]) {
            assert!((found - expected).abs() < 1e-12, "{found}");
        }
        assert!(reconcile(&[1.0], &DMatrix::zeros(1, 1), 2.0).is_err());
        assert!(balance(&[1.0], f64::NAN).is_err());
    }

    proptest! {
        /// No other change that closes the gap weighs less, and the sum is exact.
        #[test]
        fn no_other_change_weighs_less(
            a in prop::array::uniform9(-1.0f64..1.0),
            other in prop::array::uniform2(-5.0f64..5.0),
            gap in -50.0f64..50.0,
        ) {
            let a = DMatrix::from_row_slice(3, 3, &a);
            let covariance = &a * a.transpose() + DMatrix::identity(3, 3) * 0.2;
            let parts = [100.0, 800.0, 30.0];
            let reconciled = reconcile(&parts, &covariance, 930.0 + gap).unwrap();
            // Sums of numbers near 1000 carry some 1e-13 each.
            prop_assert!((reconciled.parts_g.iter().sum::<f64>() - 930.0 - gap).abs() < 1e-11);
            let inverse = covariance.clone().try_inverse().unwrap();
            let weigh = |d: &DVector<f64>| (d.transpose() * &inverse * d)[(0, 0)];
            let best = DVector::from_vec(reconciled.moved_g.clone());
            let away = DVector::from_vec(vec![other[0], other[1], -other[0] - other[1]]);
            prop_assert!(weigh(&best) <= weigh(&(&best + away)) * (1.0 + 1e-9));
            // The sum is now known exactly.
            prop_assert!(reconciled.covariance.sum().abs() < 1e-12);
        }
    }
}
