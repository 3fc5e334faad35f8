//! The equation of several laboratories for their own scans, and for those of another one.
//!
//! Each laboratory has a level and a slope of its own beside the terms that all share:
//!
//! ```text
//! prediction = x'b + u_laboratory + v_laboratory (reading - c)
//! ```
//!
//! as columns `laboratory[NAME]` and `reading*laboratory[NAME]`, with the means and the covariance
//! of [`posterior`](crate::stats::cluster_posterior): shrunken towards the line of all laboratories
//! as far as the birds say. [`ANOTHER`] stands for every laboratory that has no column: its level
//! and slope are 0, with the variances of a new laboratory.

use nalgebra::DMatrix;

use super::fitted::Fitted;
use super::rows::{NewVariances, middle};
use crate::composition::calibration::TermRow;
use crate::composition::equation::Equation;
use crate::composition::formula::Levels;
use crate::composition::provenance::{ANOTHER, LABORATORY};
use crate::error::{Error, Result};
use crate::stats::cluster_lines::ClusterLinesFit;
use crate::stats::distribution::t_two_sided_quantile;

pub(super) fn of_these(fitted: &Fitted, lines: &ClusterLinesFit) -> Result<Equation> {
    let birds = &fitted.birds;
    let response = &fitted.template.provenance.response;
    let wrong =
        |reason: String| Error::input(format!("equation for {response} by laboratory: {reason}"));
    let posterior = birds.model().posterior();
    let posterior = posterior.map_err(|failure| wrong(failure.to_string()))?;
    let (p, k) = (birds.columns.len(), birds.names.len());
    let row = middle(birds);
    let df = fitted.own.fit.df.max(1);
    let shared = posterior.covariance.view((0, 0), (p, p)).into_owned();
    let new = NewVariances {
        fitted,
        lines,
        covariance: &shared,
        residual_variance: posterior.residual_variance,
        df: df as f64,
    };
    let [level, both, slope] = new
        .between(&row)
        .map_err(|failure| wrong(failure.to_string()))?;
    let names: Vec<&str> = birds.names.iter().map(String::as_str).collect();
    let levels: Vec<&str> = names.iter().copied().chain([ANOTHER]).collect();
    // b, then levels and slopes, each of the laboratories and of another one.
    let slopes = birds.slope;
    let parts = 1 + usize::from(slopes.is_some());
    let size = p + (k + 1) * parts;
    let place = |of: usize| match of {
        fixed if fixed < p + k => fixed,
        slope => slope + 1,
    };
    let known = posterior.means.len();
    let mut means = nalgebra::DVector::zeros(size);
    let mut covariance = DMatrix::zeros(size, size);
    for i in 0..known {
        means[place(i)] = posterior.means[i];
        for j in 0..known {
            covariance[(place(i), place(j))] = posterior.covariance[(i, j)];
        }
    }
    let (new_level, new_slope) = (p + k, p + 2 * k + 1);
    covariance[(new_level, new_level)] = level;
    // Levels are at the mean reading c: those at 0 are u - c v.
    let mut turned = DMatrix::identity(size, size);
    let mut columns = fitted.template.columns.clone();
    let parsed = |text: String| text.parse();
    for name in &levels {
        columns.push(parsed(format!("{LABORATORY}[{name}]"))?);
    }
    if let Some((at, middle)) = slopes {
        covariance[(new_slope, new_slope)] = slope;
        covariance[(new_level, new_slope)] = both;
        covariance[(new_slope, new_level)] = both;
        for (laboratory, name) in levels.iter().enumerate() {
            turned[(p + laboratory, p + k + 1 + laboratory)] = -middle;
            columns.push(parsed(format!(
                "{}*{LABORATORY}[{name}]",
                birds.columns[at]
            ))?);
        }
    }
    let covariance = &turned * covariance * turned.transpose();
    let mut equation = fitted.template.clone();
    let of = &mut equation.provenance;
    "laboratories as random effects".clone_into(&mut of.method);
    of.laboratories.clone_from(&birds.names);
    of.birds = birds.birds.len();
    of.residual_variance = Some(posterior.residual_variance);
    of.variance_power = fitted.power;
    of.residual_df = Some(df);
    of.factors.push(Levels {
        name: LABORATORY.to_owned(),
        levels: levels.iter().map(|name| (*name).to_owned()).collect(),
    });
    equation.columns = columns;
    equation.coefficients = (turned * means).iter().copied().collect();
    equation.covariance = Some((&covariance + covariance.transpose()) * 0.5);
    Ok(equation)
}

/// The terms of such an equation.
pub(super) fn terms(equation: &Equation, confidence: f64) -> Vec<TermRow> {
    let of = &equation.provenance;
    let df = of.residual_df.map_or(f64::INFINITY, |df| df as f64);
    let quantile = t_two_sided_quantile(confidence, df);
    let pairs = equation.columns.iter().zip(&equation.coefficients);
    let rows = pairs.enumerate().map(|(place, (column, estimate))| {
        let variance = equation.covariance.as_ref().map(|all| all[(place, place)]);
        let std_error = variance.map_or(f64::NAN, |variance| variance.max(0.0).sqrt());
        TermRow {
            equation: of.response.clone(),
            term: column.to_string(),
            estimate: *estimate,
            std_error,
            lower: estimate - quantile * std_error,
            upper: estimate + quantile * std_error,
            vif: None,
        }
    });
    rows.collect()
}
