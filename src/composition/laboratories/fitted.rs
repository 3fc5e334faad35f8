//! Laboratories' own lines, and the one line about which they differ.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};

use super::{FEWEST_LABORATORIES, names};
use crate::composition::calibration::{Settings, Weighting, equation, failed};
use crate::composition::complete::Complete;
use crate::composition::equation::Equation;
use crate::composition::formula::Formula;
use crate::composition::regression::regress;
use crate::error::Result;
use crate::stats::cluster_lines::{ClusterLines, ClusterLinesFit};
use crate::stats::linear::{Design, Fit, fit_weighted};
use crate::stats::new_cluster::ClusterValues;
use crate::stats::reweighted::estimated_power_of_mean;
use crate::stats::{Failure, Interval, mean};

/// Birds of several laboratories, in the order of these.
#[derive(Debug, Clone)]
pub(super) struct Birds {
    /// Laboratories, k.
    pub(super) names: Vec<String>,
    /// First bird of each laboratory, and the end.
    pub(super) starts: Vec<usize>,
    /// Birds, n.
    pub(super) birds: Vec<String>,
    /// Chemistry, n.
    pub(super) observed: Vec<f64>,
    /// Columns of the equation, n x p.
    pub(super) design: DMatrix<f64>,
    /// Names of these columns.
    pub(super) columns: Vec<String>,
    /// Column by whose slope laboratories differ, and its mean.
    pub(super) slope: Option<(usize, f64)>,
    /// SD of each bird over that of a bird whose prediction is 1 (alike: 1), n.
    pub(super) sizes: Vec<f64>,
}

impl Birds {
    /// Each bird once, by the means of its rows.
    fn of(
        complete: &Complete,
        columns: Vec<(String, Vec<f64>)>,
        column: &str,
        slope: Option<&str>,
    ) -> Self {
        let frame = &complete.frame;
        let labels = names(frame, column);
        let mut rows: BTreeMap<(usize, usize), Vec<usize>> = BTreeMap::new();
        for row in 0..frame.n() {
            let label = frame.label(column, row);
            let place = labels.iter().position(|name| *name == label).unwrap_or(0);
            rows.entry((place, complete.birds[row]))
                .or_default()
                .push(row);
        }
        let average = |values: &[f64], rows: &[usize]| {
            mean(&rows.iter().map(|row| values[*row]).collect::<Vec<f64>>())
        };
        let groups: Vec<&Vec<usize>> = rows.values().collect();
        let design = DMatrix::from_fn(groups.len(), columns.len(), |i, j| {
            average(&columns[j].1, groups[i])
        });
        let starts = (0..=labels.len())
            .map(|place| rows.keys().filter(|(own, _)| *own < place).count())
            .collect();
        let place = slope.and_then(|slope| columns.iter().position(|(name, _)| name == slope));
        Self {
            starts,
            birds: rows
                .keys()
                .map(|(_, bird)| complete.bird_names[*bird].clone())
                .collect(),
            observed: groups
                .iter()
                .map(|rows| average(&complete.observed, rows))
                .collect(),
            slope: place.map(|place| {
                let values: Vec<f64> = design.column(place).iter().copied().collect();
                (place, mean(&values))
            }),
            sizes: vec![1.0; groups.len()],
            columns: columns.into_iter().map(|(name, _)| name).collect(),
            names: labels,
            design,
        }
    }

    /// Columns that are neither the intercept nor that of the slope: laboratories share them.
    fn shared(&self) -> impl Iterator<Item = usize> + '_ {
        let slope = self.slope.map(|(place, _)| place);
        (1..self.columns.len()).filter(move |place| Some(*place) != slope)
    }

    /// Level and slope of a row of the equation: 1, and the reading about its mean.
    pub(super) fn point(&self, row: &[f64]) -> [f64; 2] {
        [
            1.0,
            self.slope
                .map_or(0.0, |(place, middle)| row[place] - middle),
        ]
    }

    pub(super) fn row(&self, bird: usize) -> Vec<f64> {
        self.design.row(bird).iter().copied().collect()
    }

    /// The laboratory of each bird.
    pub(super) fn laboratory(&self, bird: usize) -> usize {
        self.starts.iter().filter(|start| **start <= bird).count() - 1
    }

    /// The other laboratories.
    pub(super) fn without(&self, laboratory: usize) -> Self {
        let own = self.starts[laboratory]..self.starts[laboratory + 1];
        let kept: Vec<usize> = (0..self.birds.len())
            .filter(|bird| !own.contains(bird))
            .collect();
        let mut starts = self.starts.clone();
        for start in &mut starts[laboratory + 1..] {
            *start -= own.len();
        }
        starts.remove(laboratory);
        let mut names = self.names.clone();
        names.remove(laboratory);
        Self {
            names,
            starts,
            birds: kept.iter().map(|bird| self.birds[*bird].clone()).collect(),
            observed: kept.iter().map(|bird| self.observed[*bird]).collect(),
            design: self.design.select_rows(&kept),
            columns: self.columns.clone(),
            slope: self.slope,
            sizes: kept.iter().map(|bird| self.sizes[*bird]).collect(),
        }
    }

    /// A row of the laboratories' own lines: that of laboratory `place` at a row of the equation.
    fn own_row(&self, place: usize, row: &[f64]) -> Vec<f64> {
        let k = self.names.len();
        let mut own = vec![0.0; k];
        own[place] = 1.0;
        if self.slope.is_some() {
            let mut slopes = vec![0.0; k];
            slopes[place] = self.point(row)[1];
            own.extend(slopes);
        }
        own.extend(self.shared().map(|column| row[column]));
        own
    }

    fn own_names(&self) -> Vec<String> {
        let mut own: Vec<String> = self.names.clone();
        if let Some((place, _)) = self.slope {
            let slopes = self.names.iter();
            own.extend(slopes.map(|name| format!("{} of {name}", self.columns[place])));
        }
        own.extend(self.shared().map(|column| self.columns[column].clone()));
        own
    }

    fn own_design(&self) -> std::result::Result<Design, Failure> {
        let rows: Vec<Vec<f64>> = (0..self.birds.len())
            .map(|bird| self.own_row(self.laboratory(bird), &self.row(bird)))
            .collect();
        let columns = self.own_names().into_iter().enumerate();
        Design::new(
            columns
                .map(|(j, name)| (name, rows.iter().map(|row| row[j]).collect()))
                .collect(),
        )
    }

    /// Each laboratory's own line.
    pub(super) fn own_lines(&self) -> std::result::Result<OwnLines, Failure> {
        let weights: Vec<f64> = self.sizes.iter().map(|size| 1.0 / (size * size)).collect();
        let fit = fit_weighted(&self.own_design()?, &self.observed, &weights)?;
        if fit.sigma.is_nan() || fit.sigma <= 0.0 {
            return Err(Failure::NoVariation {
                what: "the chemistry about the laboratories' own lines".to_owned(),
            });
        }
        Ok(OwnLines {
            over_variance: fit.covariance() / (fit.sigma * fit.sigma),
            fit,
        })
    }

    /// The line about which laboratories differ.
    pub(super) fn lines(&self) -> std::result::Result<ClusterLinesFit, Failure> {
        self.model().fit()
    }

    /// The model of the birds, each over its SD.
    pub(super) fn model(&self) -> ClusterLines {
        let over = |values: &dyn Fn(usize) -> f64| -> Vec<f64> {
            (0..self.birds.len())
                .map(|bird| values(bird) / self.sizes[bird])
                .collect()
        };
        let mut fixed = self.design.clone();
        for (mut row, size) in fixed.row_iter_mut().zip(&self.sizes) {
            row /= *size;
        }
        ClusterLines {
            starts: self.starts.clone(),
            response: over(&|bird| self.observed[bird]),
            fixed,
            level: over(&|_| 1.0),
            slope: self
                .slope
                .map(|(place, middle)| over(&|bird| self.design[(bird, place)] - middle)),
        }
    }
}

/// Each laboratory's own line, by least squares.
#[derive(Debug, Clone)]
pub(super) struct OwnLines {
    pub(super) fit: Fit,
    /// Covariance of its coefficients over the residual variance.
    over_variance: DMatrix<f64>,
}

impl OwnLines {
    /// A quantity of each laboratory: rows of the own lines' coefficients.
    fn values(&self, rows: &[Vec<f64>]) -> std::result::Result<ClusterValues, Failure> {
        let p = self.fit.coefficients.len();
        let rows = DMatrix::from_fn(rows.len(), p, |i, j| rows[i][j]);
        let values = &rows * DVector::from_column_slice(&self.fit.coefficients);
        let covariance = &rows * &self.over_variance * rows.transpose();
        ClusterValues::of(
            values.as_slice(),
            &covariance,
            (self.fit.rss, self.fit.df as f64),
        )
    }

    /// The laboratories' lines at a row of the equation.
    pub(super) fn at(
        &self,
        birds: &Birds,
        row: &[f64],
    ) -> std::result::Result<ClusterValues, Failure> {
        let rows: Vec<Vec<f64>> = (0..birds.names.len())
            .map(|place| birds.own_row(place, row))
            .collect();
        self.values(&rows)
    }

    /// The laboratories' slopes.
    pub(super) fn slopes(&self, birds: &Birds) -> Option<ClusterValues> {
        birds.slope?;
        let (k, p) = (birds.names.len(), self.fit.coefficients.len());
        let rows: Vec<Vec<f64>> = (0..k)
            .map(|place| {
                (0..p)
                    .map(|j| f64::from(u8::from(j == k + place)))
                    .collect()
            })
            .collect();
        self.values(&rows).ok()
    }

    /// A laboratory's line at a row of the equation, with its standard error.
    pub(super) fn one(&self, birds: &Birds, place: usize, row: &[f64]) -> [f64; 2] {
        self.combination(&birds.own_row(place, row))
    }

    /// A laboratory's slope, with its standard error.
    pub(super) fn slope(&self, birds: &Birds, place: usize) -> Option<[f64; 2]> {
        birds.slope?;
        let mut row = vec![0.0; self.fit.coefficients.len()];
        row[birds.names.len() + place] = 1.0;
        Some(self.combination(&row))
    }

    fn combination(&self, row: &[f64]) -> [f64; 2] {
        let l = DVector::from_column_slice(row);
        let value = l.dot(&DVector::from_column_slice(&self.fit.coefficients));
        let variance = l.dot(&(&self.over_variance * &l));
        [value, self.fit.sigma * variance.max(0.0).sqrt()]
    }
}

/// Everything that was fitted to one candidate.
pub(super) struct Fitted {
    pub(super) birds: Birds,
    pub(super) own: OwnLines,
    /// None from two laboratories.
    pub(super) lines: Option<ClusterLinesFit>,
    /// The equation of all rows alike, for what it holds for.
    pub(super) template: Equation,
    pub(super) reading: Option<String>,
    /// The residual SD grows with this power of the prediction.
    pub(super) power: f64,
    pub(super) confidence: f64,
}

impl Fitted {
    pub(super) fn of(
        complete: &Complete,
        (response, formula): (&str, &Formula),
        column: &str,
        reading: Option<String>,
        settings: &Settings,
    ) -> Result<Self> {
        let wrong = |failure: Failure| failed(&complete.frame.file, response, &failure);
        let coding = formula.coding(&complete.frame)?;
        complete.check_birds(coding.columns.len())?;
        let columns = complete.design(&coding.columns)?;
        let rows = settings.weighting.rows(&complete.frame)?;
        let regression =
            regress(columns.clone(), &complete.response, &complete.birds, rows).map_err(wrong)?;
        let template = equation(complete, coding, response, &regression, settings)?;
        let mut birds = Birds::of(complete, columns, column, reading.as_deref());
        let mut power = 0.0;
        if settings.weighting == Weighting::PowerOfMean {
            let found = birds
                .own_design()
                .and_then(|design| estimated_power_of_mean(&design, &birds.observed))
                .map_err(wrong)?;
            power = found.power;
            birds.sizes = found
                .fit
                .fitted
                .iter()
                .map(|value| value.abs().powf(power))
                .collect();
        }
        let own = birds.own_lines().map_err(wrong)?;
        let lines = if birds.names.len() < FEWEST_LABORATORIES {
            None
        } else {
            Some(birds.lines().map_err(wrong)?)
        };
        Ok(Self {
            birds,
            own,
            lines,
            template,
            reading,
            power,
            confidence: settings.confidence,
        })
    }

    /// SD of a bird with this prediction over that of one whose prediction is 1.
    pub(super) fn size(&self, prediction: f64) -> f64 {
        prediction.abs().powf(self.power)
    }

    /// Prediction intervals at a row of the equation: of a new laboratory's line, of its bird.
    pub(super) fn of_new(&self, values: &ClusterValues, prediction: f64) -> [Interval; 2] {
        let own = self.size(prediction).powi(2);
        [0.0, own].map(|own| values.of_new_cluster(own, self.confidence))
    }
}

pub(super) fn predicted(row: &[f64], lines: &ClusterLinesFit) -> f64 {
    row.iter()
        .zip(lines.effects.fixed.iter())
        .map(|(x, b)| x * b)
        .sum()
}
