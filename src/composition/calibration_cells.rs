//! What one more analysed bird of a strain and age would add to an equation.
//!
//! The information of a row x on the coefficients is x x' / v, with v the variance of a bird
//! about the equation there. Its mean over the pilot's rows of a strain and age is what is
//! expected of a further bird of that kind, its readings as theirs.

use nalgebra::{DMatrix, DVector};

use super::equation::Equation;
use super::pairs::frame;
use super::provenance::Scale;
use super::quality::Kept;
use super::study_equations::Request;
use crate::error::Result;
use crate::study::Study;

/// Birds analysed within this number of days of the first are of one age.
const SAME_AGE_D: f64 = 3.5;

/// Analysed birds of a strain and age.
#[derive(Debug, Clone, PartialEq)]
pub struct CalibrationCell {
    /// Strain.
    pub strain: String,
    /// Mean age, d.
    pub age_d: f64,
    /// Rows of the pilot, of which each bird has one as a rule.
    pub rows: usize,
    /// Expected information of one of them, p x p.
    pub information: DMatrix<f64>,
}

/// The pilot's analysed birds by strain and age, as an equation groups them; those without a
/// value that it reads are left out.
///
/// # Errors
/// As [`frame`].
pub fn calibration_cells(
    study: &Study,
    kept: &Kept,
    equation: &Equation,
) -> Result<Vec<CalibrationCell>> {
    let rows = frame(study, kept, &Request::of(study)?.wanted)?;
    let ages = rows.numbers("age")?;
    let mut order: Vec<usize> = (0..rows.n()).collect();
    order.sort_by(|a, b| {
        let strain = |row: &usize| rows.label("strain", *row);
        strain(a)
            .cmp(&strain(b))
            .then(ages[*a].total_cmp(&ages[*b]))
    });
    let mut cells: Vec<CalibrationCell> = Vec::new();
    let mut first_d = f64::NAN;
    for row in order {
        let Ok(design) = equation.row(|name| rows.value(name, row)) else {
            continue;
        };
        let variance = match equation.provenance.scale {
            Scale::Log => equation.provenance.residual_variance,
            Scale::Identity => equation.own_variance(equation.value(&design)),
        };
        let Some(variance) = variance.filter(|variance| *variance > 0.0) else {
            continue;
        };
        let x = DVector::from_vec(design);
        let information = &x * x.transpose() / variance;
        let strain = rows.label("strain", row);
        let same = |cell: &&mut CalibrationCell| {
            cell.strain == strain && ages[row] <= first_d + SAME_AGE_D
        };
        match cells.last_mut().filter(same) {
            Some(cell) => {
                let n = cell.rows as f64;
                cell.information = (&cell.information * n + information) / (n + 1.0);
                cell.age_d += (ages[row] - cell.age_d) / (n + 1.0);
                cell.rows += 1;
            }
            None => {
                first_d = ages[row];
                cells.push(CalibrationCell {
                    strain,
                    age_d: ages[row],
                    rows: 1,
                    information,
                });
            }
        }
    }
    Ok(cells)
}
