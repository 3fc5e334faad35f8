//! What is reported of several laboratories.

use nalgebra::DMatrix;

use super::fitted::{Birds, Fitted, predicted};
use super::{FEWEST_LABORATORIES, Laboratories};
use crate::composition::calibration::TermRow;
use crate::composition::equation::Equation;
use crate::composition::formula::Formula;
use crate::composition::validation::{QuantityRow, Standing};
use crate::error::{Error, Result};
use crate::stats::cluster_lines::ClusterLinesFit;
use crate::stats::distribution::t_two_sided_quantile;
use crate::stats::{Failure, Interval, mean};

/// One laboratory (`laboratories`).
#[derive(Debug, Clone, PartialEq)]
pub struct LaboratoryRow {
    /// Its name.
    pub laboratory: String,
    /// Birds.
    pub birds: usize,
    /// The laboratory's line at the mean of all birds' terms, and its standard error.
    pub level: [f64; 2],
    /// The laboratory's slope, and its standard error; none where laboratories differ in level alone.
    pub slope: Option<[f64; 2]>,
    /// Mean of predicted minus observed, by the equation of the other laboratories.
    pub left_out_bias: Option<f64>,
    /// Root mean square of these errors.
    pub left_out_rmse: Option<f64>,
    /// Birds outside the other laboratories' prediction interval.
    pub outside: Option<usize>,
    /// Why they are not known.
    pub note: String,
}

/// A bird predicted by the other laboratories (`laboratories_left_out`).
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOutRow {
    /// Its laboratory.
    pub laboratory: String,
    /// Bird.
    pub bird: String,
    /// Chemistry.
    pub observed: f64,
    /// Predicted by the equation of the other laboratories.
    pub predicted: f64,
    /// Prediction interval for a bird of a new laboratory; none from two others.
    pub interval: Option<Interval>,
}

/// What is predicted for a new laboratory at one bird's readings (`new_laboratory`).
#[derive(Debug, Clone, PartialEq)]
pub struct NewLaboratoryRow {
    /// The bird whose readings and other terms these are.
    pub bird: String,
    /// Its reading.
    pub reading: Option<f64>,
    /// Prediction.
    pub predicted: f64,
    /// Prediction interval of the line of a new laboratory.
    pub laboratory: Interval,
    /// Prediction interval of a bird of a new laboratory.
    pub one_bird: Interval,
}

/// From fewer laboratories than this every figure of their differences is weak.
const FEW: usize = 8;

pub(super) fn laboratories(
    fitted: &Fitted,
    formula: &Formula,
    warnings: Vec<String>,
) -> Result<Laboratories> {
    let birds = &fitted.birds;
    let wrong = |failure: Failure| {
        Error::input(format!(
            "equation for {} from several laboratories: {failure}",
            fitted.template.provenance.response
        ))
    };
    let (laboratories, left_out) = without_each(fitted);
    let errors: Vec<f64> = left_out
        .iter()
        .map(|row| (row.predicted - row.observed).powi(2))
        .collect();
    let left_out_rmse = (!errors.is_empty() && laboratories.iter().all(|row| row.note.is_empty()))
        .then(|| mean(&errors).sqrt());
    let (mut equation, mut terms, mut new) = (None, Vec::new(), Vec::new());
    if let Some(lines) = &fitted.lines {
        new = new_rows(fitted, lines).map_err(wrong)?;
        let made = for_new_laboratory(fitted, lines, left_out_rmse).map_err(wrong)?;
        terms = term_rows(&made.provenance.response, birds, lines, fitted.confidence);
        equation = Some(made);
    }
    let slope = birds.slope.zip(fitted.reading.clone());
    Ok(Laboratories {
        trait_name: fitted.template.provenance.response.clone(),
        equation,
        terms,
        formula: formula.clone(),
        reading: slope.map(|((_, middle), reading)| (reading, middle)),
        variation: variation(fitted, left_out_rmse).map_err(wrong)?,
        laboratories,
        new,
        left_out,
        left_out_rmse,
        confidence: fitted.confidence,
        warnings,
    })
}

/// Means of the equation's columns over the birds.
pub(super) fn middle(birds: &Birds) -> Vec<f64> {
    birds.design.row_mean().iter().copied().collect()
}

/// Each laboratory by its line, and by the equation of the others.
fn without_each(fitted: &Fitted) -> (Vec<LaboratoryRow>, Vec<LeftOutRow>) {
    let birds = &fitted.birds;
    let row = middle(birds);
    let mut left_out = Vec::new();
    let mut laboratories = Vec::new();
    for (place, name) in birds.names.iter().enumerate() {
        let own = birds.starts[place]..birds.starts[place + 1];
        let mut of = LaboratoryRow {
            laboratory: name.clone(),
            birds: own.len(),
            level: fitted.own.one(birds, place, &row),
            slope: fitted.own.slope(birds, place),
            left_out_bias: None,
            left_out_rmse: None,
            outside: None,
            note: String::new(),
        };
        let others = birds.without(place);
        if others.names.len() < 2 {
            "of two laboratories none is left out".clone_into(&mut of.note);
            laboratories.push(of);
            continue;
        }
        match others.lines() {
            Ok(lines) => {
                let rows: Vec<LeftOutRow> = own
                    .map(|bird| one_left_out(fitted, &others, &lines, (place, bird)))
                    .collect();
                let errors: Vec<f64> = rows
                    .iter()
                    .map(|row| row.predicted - row.observed)
                    .collect();
                of.left_out_bias = Some(mean(&errors));
                let squares: Vec<f64> = errors.iter().map(|error| error * error).collect();
                of.left_out_rmse = Some(mean(&squares).sqrt());
                let outside = rows.iter().map(|row| {
                    row.interval
                        .map(|interval| usize::from(!interval.contains(row.observed)))
                });
                of.outside = outside.sum();
                left_out.extend(rows);
            }
            Err(failure) => of.note = format!("the others have no equation: {failure}"),
        }
        laboratories.push(of);
    }
    (laboratories, left_out)
}

fn one_left_out(
    fitted: &Fitted,
    others: &Birds,
    lines: &ClusterLinesFit,
    (place, bird): (usize, usize),
) -> LeftOutRow {
    let row = fitted.birds.row(bird);
    let value = predicted(&row, lines);
    let values = (others.names.len() >= FEWEST_LABORATORIES)
        .then(|| others.own_lines().and_then(|own| own.at(others, &row)).ok())
        .flatten();
    LeftOutRow {
        laboratory: fitted.birds.names[place].clone(),
        bird: fitted.birds.birds[bird].clone(),
        observed: fitted.birds.observed[bird],
        predicted: value,
        interval: values
            .map(|values| values.of_new_cluster(fitted.size(value).powi(2), fitted.confidence)),
    }
}

/// A new laboratory at the readings of five birds: least and greatest prediction, quarters, middle.
fn new_rows(
    fitted: &Fitted,
    lines: &ClusterLinesFit,
) -> std::result::Result<Vec<NewLaboratoryRow>, Failure> {
    let birds = &fitted.birds;
    let value = |bird: usize| predicted(&birds.row(bird), lines);
    let mut order: Vec<usize> = (0..birds.birds.len()).collect();
    order.sort_by(|a, b| value(*a).total_cmp(&value(*b)));
    let mut places: Vec<usize> = (0..=4)
        .map(|quarter| quarter * (order.len() - 1) / 4)
        .collect();
    places.dedup();
    let rows = places.iter().map(|place| {
        let bird = order[*place];
        let row = birds.row(bird);
        let values = fitted.own.at(birds, &row)?;
        let prediction = value(bird);
        let [laboratory, one_bird] = fitted.of_new(&values, prediction);
        Ok(NewLaboratoryRow {
            bird: birds.birds[bird].clone(),
            reading: birds.slope.map(|(place, _)| row[place]),
            predicted: prediction,
            laboratory,
            one_bird,
        })
    });
    rows.collect()
}

/// Variances of a new laboratory beside an error of the coefficients.
pub(super) struct NewVariances<'a> {
    pub(super) fitted: &'a Fitted,
    pub(super) lines: &'a ClusterLinesFit,
    /// That of the coefficients, p x p.
    pub(super) covariance: &'a DMatrix<f64>,
    pub(super) residual_variance: f64,
    /// Degrees of freedom of the intervals that will be made of them.
    pub(super) df: f64,
}

impl NewVariances<'_> {
    /// Variance of the level at the mean reading, covariance with the slope, variance of the
    /// slope: those found, larger where the intervals have more degrees of freedom than these
    /// have, and the level's widened to the exact interval of a bird at this row.
    pub(super) fn between(&self, row: &[f64]) -> std::result::Result<[f64; 3], Failure> {
        let (fitted, birds) = (self.fitted, &self.fitted.birds);
        let own = fitted.size(predicted(row, self.lines)).powi(2);
        let (_, found_df) = self.lines.of_new(row, birds.point(row), own);
        let quantile = |df: f64| t_two_sided_quantile(fitted.confidence, df);
        let larger = (quantile(found_df.max(1.0).min(self.df)) / quantile(self.df)).powi(2);
        let [level, both, slope] = self.lines.between.map(|variance| larger * variance);
        let x = nalgebra::DVector::from_column_slice(row);
        let rest = x.dot(&(self.covariance * &x)) + own * self.residual_variance;
        let exact = fitted.own.at(birds, row)?;
        let exact = exact.of_new_cluster(own, fitted.confidence).width() / 2.0;
        let widened = (exact / quantile(self.df)).powi(2) - rest - level;
        Ok([level + widened.max(0.0), both, slope])
    }
}

/// The equation whose errors are those of a new laboratory.
fn for_new_laboratory(
    fitted: &Fitted,
    lines: &ClusterLinesFit,
    left_out_rmse: Option<f64>,
) -> std::result::Result<Equation, Failure> {
    let birds = &fitted.birds;
    let p = birds.columns.len();
    let row = middle(birds);
    let own = fitted.size(predicted(&row, lines)).powi(2);
    let (_, df) = lines.of_new(&row, birds.point(&row), own);
    // A whole number of degrees of freedom, the lower one, and no more than single birds give.
    let most = fitted.own.fit.df.max(1);
    let whole_df = (1..=most).take_while(|count| *count as f64 <= df).last();
    let whole_df = whole_df.unwrap_or(1);
    let new = NewVariances {
        fitted,
        lines,
        covariance: &lines.effects.covariance,
        residual_variance: lines.residual_variance,
        df: whole_df as f64,
    };
    let [level, both, slope] = new.between(&row)?;
    // Level and slope of a laboratory, as changes of the intercept and of that coefficient.
    let mut turned = DMatrix::zeros(p, 2);
    turned[(0, 0)] = 1.0;
    if let Some((place, middle)) = birds.slope {
        turned[(place, 1)] = 1.0;
        turned[(0, 1)] = -middle;
    }
    let between = DMatrix::from_row_slice(2, 2, &[level, both, both, slope]);
    let covariance = &lines.effects.covariance + &turned * between * turned.transpose();
    let mut equation = fitted.template.clone();
    let of = &mut equation.provenance;
    "restricted likelihood over laboratories".clone_into(&mut of.method);
    of.laboratories.clone_from(&birds.names);
    of.birds = birds.birds.len();
    of.residual_variance = Some(lines.residual_variance);
    of.variance_power = fitted.power;
    of.residual_df = Some(whole_df);
    of.cross_validated_rmse = left_out_rmse;
    equation.coefficients = lines.effects.fixed.iter().copied().collect();
    equation.covariance = Some((&covariance + covariance.transpose()) * 0.5);
    Ok(equation)
}

fn term_rows(
    response: &str,
    birds: &Birds,
    lines: &ClusterLinesFit,
    confidence: f64,
) -> Vec<TermRow> {
    let df = lines.degrees_of_freedom();
    let rows = birds.columns.iter().enumerate().map(|(j, term)| {
        let estimate = lines.effects.fixed[j];
        let std_error = lines.effects.covariance[(j, j)].max(0.0).sqrt();
        let half = t_two_sided_quantile(confidence, df[j].max(1.0)) * std_error;
        TermRow {
            equation: response.to_owned(),
            term: term.clone(),
            estimate,
            std_error,
            lower: estimate - half,
            upper: estimate + half,
            vif: None,
        }
    });
    rows.collect()
}

/// How far laboratories differ.
fn variation(
    fitted: &Fitted,
    left_out_rmse: Option<f64>,
) -> std::result::Result<Vec<QuantityRow>, Failure> {
    let birds = &fitted.birds;
    let k = birds.names.len();
    let confidence = fitted.confidence;
    let row = middle(birds);
    let level = fitted.own.at(birds, &row)?;
    let slopes = fitted.own.slopes(birds);
    let lines = fitted.lines.as_ref();
    let own = lines.map_or(1.0, |lines| fitted.size(predicted(&row, lines)).powi(2));
    let make = |quantity, in_unit, estimate: Option<f64>, interval, caution: &str| {
        let few = match estimate {
            None if caution.is_empty() => format!("{k} laboratories do not give it"),
            Some(_) if k < FEW => format!("from {k} laboratories"),
            _ => String::new(),
        };
        let parts: Vec<&str> = [few.as_str(), caution]
            .into_iter()
            .filter(|part| !part.is_empty())
            .collect();
        QuantityRow {
            quantity,
            in_unit,
            estimate,
            std_error: None,
            interval,
            n: k,
            standing: match estimate {
                None => Standing::NotEstimable,
                Some(_) if k < FEW => Standing::Weak,
                Some(_) => Standing::Supported,
            },
            caution: parts.join("; "),
        }
    };
    let none_left = |variance: f64| if variance > 0.0 { "" } else { NONE };
    let of = |value: &dyn Fn(&ClusterLinesFit) -> f64| lines.map(value);
    let known = |interval: Interval| lines.map(|_| interval);
    let sd = of(&|lines| lines.between[0].max(0.0).sqrt());
    let mut rows = vec![make(
        "sd_between_laboratories",
        true,
        sd,
        known(level.sd_between(confidence)),
        of(&|lines| lines.between[0]).map_or("", none_left),
    )];
    if let Some(slopes) = &slopes {
        rows.push(make(
            "sd_between_slopes",
            false,
            of(&|lines| lines.between[2].max(0.0).sqrt()),
            known(slopes.sd_between(confidence)),
            of(&|lines| lines.between[2]).map_or("", none_left),
        ));
        let correlation = lines.and_then(|lines| {
            let [a, both, b] = lines.between;
            (a > 0.0 && b > 0.0).then(|| (both / (a * b).sqrt()).clamp(-1.0, 1.0))
        });
        let why = match correlation {
            None => "laboratories do not differ in both",
            Some(_) => "no interval is given: few laboratories hardly determine it",
        };
        rows.push(make(
            "correlation_of_level_and_slope",
            false,
            correlation,
            None,
            why,
        ));
    }
    rows.push(make(
        "residual_sd",
        true,
        of(&|lines| (own * lines.residual_variance).sqrt()),
        None,
        "",
    ));
    rows.push(make(
        "share_between_laboratories",
        false,
        of(&|lines| lines.between[0] / (lines.between[0] + own * lines.residual_variance)),
        known(level.share_between(own, confidence)),
        "",
    ));
    rows.push(make("p_same_level", false, Some(level.p_value()), None, ""));
    if let Some(slopes) = &slopes {
        rows.push(make(
            "p_same_slope",
            false,
            Some(slopes.p_value()),
            None,
            "",
        ));
    }
    rows.push(make(
        "left_out_laboratory_rmse",
        true,
        left_out_rmse,
        None,
        "",
    ));
    Ok(rows)
}

/// The note on a variance that the restricted likelihood puts at zero.
const NONE: &str = "estimated as zero and removed; the upper limit is the largest value compatible with the laboratories";
