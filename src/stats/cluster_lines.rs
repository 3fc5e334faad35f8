//! One line for all clusters, about which each cluster has a random level and slope.
//!
//! ```text
//! y_ji = x_ji'b + u_j + v_j z_ji + e_ji,   (u_j, v_j) ~ N(0, G),   e_ji ~ N(0, s^2)
//! ```
//!
//! by restricted likelihood. [`LinearMixed`] has independent random effects; level and slope may
//! be correlated, but about one point of z they are not, which is searched for: that is the
//! unstructured G (lme4's `(1 + z | cluster)`). A variance that goes to zero is removed.

use nalgebra::DMatrix;

use super::Failure;
use super::linear_mixed::{Likelihood, LinearMixed, LinearMixedFit};
use super::mixed_inference::{Part, SmallSample};

/// Values in clusters.
#[derive(Debug, Clone)]
pub struct ClusterLines {
    /// First row of each cluster, and the end.
    pub starts: Vec<usize>,
    /// Values, n.
    pub response: Vec<f64>,
    /// Columns of the fixed effects, n x p.
    pub fixed: DMatrix<f64>,
    /// Column of the clusters' level, n: 1, or 1 over what a row was divided by.
    pub level: Vec<f64>,
    /// Column of the clusters' slope, n, about its middle; none where clusters differ in level
    /// alone.
    pub slope: Option<Vec<f64>>,
}

/// Lines fitted to clusters.
#[derive(Debug, Clone)]
pub struct ClusterLinesFit {
    /// Fixed effects and their errors.
    pub effects: SmallSample,
    /// Residual variance.
    pub residual_variance: f64,
    /// Variance of the level (at z = 0), covariance of level and slope, variance of the slope.
    pub between: [f64; 3],
    /// Restricted log-likelihood.
    pub log_lik: f64,
    /// The variance terms of `effects`, and what each is of.
    terms: Vec<(Term, f64)>,
}

/// What a variance term multiplies at a point (level l, slope z).
#[derive(Debug, Clone, Copy)]
enum Term {
    Residual,
    /// `(l x0 + z x1)^2`.
    Along([f64; 2]),
    /// `2 l z`.
    Cross,
}

/// Points of the search for the middle, in angles whose tangent is its distance in SDs of z.
const ANGLES: usize = 9;
const GOLDEN: f64 = 0.618_033_988_749_894_8;
const NARROWINGS: usize = 26;
/// A variance of slope or level that changes the values by a smaller share of the residual
/// variance is zero.
const NOTHING: f64 = 1e-9;

impl ClusterLines {
    /// Fits the lines by restricted likelihood.
    ///
    /// # Errors
    /// [`Failure`] where the fixed effects are collinear or no fewer than the values, or the
    /// values lie on the lines exactly.
    pub fn fit(&self) -> Result<ClusterLinesFit, Failure> {
        let (middle, fit) = self.best()?;
        let variances = &fit.random_variances;
        let size =
            |column: &[f64]| column.iter().map(|x| x * x).sum::<f64>() / column.len().max(1) as f64;
        let present = |variance: f64, column: &[f64]| {
            variance * size(column) > NOTHING * fit.residual_variance
        };
        let slope = self.slope_about(middle);
        let at_middle = if present(variances[0], &self.level) {
            variances[0]
        } else {
            0.0
        };
        let of_slope = match (&slope, variances.get(1)) {
            (Some(slope), Some(variance)) if present(*variance, slope) => *variance,
            _ => 0.0,
        };
        let between = [
            at_middle + of_slope * middle * middle,
            -of_slope * middle,
            of_slope,
        ];
        let mut terms = vec![(Term::Residual, fit.residual_variance)];
        if of_slope > 0.0 && at_middle > 0.0 {
            terms.push((Term::Along([1.0, 0.0]), between[0]));
            terms.push((Term::Cross, between[1]));
            terms.push((Term::Along([0.0, 1.0]), between[2]));
        } else if of_slope > 0.0 {
            terms.push((Term::Along([-middle, 1.0]), of_slope));
        } else if at_middle > 0.0 {
            terms.push((Term::Along([1.0, 0.0]), at_middle));
        }
        let parts: Vec<Part> = terms.iter().map(|(term, _)| self.part(*term)).collect();
        let values: Vec<f64> = terms.iter().map(|(_, value)| *value).collect();
        let effects =
            SmallSample::of(&self.starts, &self.fixed, &self.response, (&parts, &values))?;
        Ok(ClusterLinesFit {
            effects,
            residual_variance: fit.residual_variance,
            between,
            log_lik: fit.log_lik,
            terms,
        })
    }

    fn part(&self, term: Term) -> Part {
        let none = vec![0.0; self.level.len()];
        let slope = self.slope.as_ref().unwrap_or(&none);
        match term {
            Term::Residual => Part::Residual,
            Term::Cross => Part::Cross(self.level.clone(), slope.clone()),
            Term::Along([of_level, of_slope]) => {
                let pairs = self.level.iter().zip(slope);
                Part::Square(pairs.map(|(l, z)| of_level * l + of_slope * z).collect())
            }
        }
    }

    /// The column of the slope about another middle.
    fn slope_about(&self, middle: f64) -> Option<Vec<f64>> {
        let slope = self.slope.as_ref()?;
        let pairs = slope.iter().zip(&self.level);
        Some(pairs.map(|(z, level)| z - middle * level).collect())
    }

    fn at(&self, middle: f64) -> Result<LinearMixedFit, Failure> {
        let slope = self.slope_about(middle);
        let columns = 1 + usize::from(slope.is_some());
        let n = self.response.len();
        LinearMixed {
            starts: self.starts.clone(),
            response: self.response.clone(),
            fixed: self.fixed.clone(),
            random: DMatrix::from_fn(n, columns, |row, column| match (&slope, column) {
                (Some(slope), 1) => slope[row],
                _ => self.level[row],
            }),
            known_variances: vec![0.0; n],
            residual: true,
        }
        .fit(Likelihood::Restricted)
    }

    /// The middle about which level and slope are independent, and the fit there.
    fn best(&self) -> Result<(f64, LinearMixedFit), Failure> {
        let plain = self.at(0.0)?;
        let Some(slope) = &self.slope else {
            return Ok((0.0, plain));
        };
        let squares = |values: &[f64]| values.iter().map(|x| x * x).sum::<f64>();
        let spread = (squares(slope) / squares(&self.level)).sqrt();
        let middle = |angle: f64| spread * angle.tan();
        let limit = std::f64::consts::FRAC_PI_2;
        let step = 2.0 * limit / (ANGLES as f64 + 1.0);
        let angle = |place: usize| step * (place as f64 + 1.0) - limit;
        let mut best = (0.0, plain);
        let mut try_at = |angle: f64| -> f64 {
            match self.at(middle(angle)) {
                Ok(fit) => {
                    let found = fit.log_lik;
                    // Where the slope's variance vanishes all middles are alike: the first stays.
                    if found > best.1.log_lik + 1e-9 {
                        best = (angle, fit);
                    }
                    found
                }
                Err(_) => f64::NEG_INFINITY,
            }
        };
        let mut centre = (0.0, f64::NEG_INFINITY);
        for place in 0..ANGLES {
            let found = try_at(angle(place));
            if found > centre.1 {
                centre = (angle(place), found);
            }
        }
        // Golden sections about the best of these.
        let (mut low, mut high) = (
            (centre.0 - step).max(-limit + 1e-6),
            (centre.0 + step).min(limit - 1e-6),
        );
        let (mut left, mut right) = (high - GOLDEN * (high - low), low + GOLDEN * (high - low));
        let (mut at_left, mut at_right) = (try_at(left), try_at(right));
        for _ in 0..NARROWINGS {
            if at_left >= at_right {
                (high, right, at_right) = (right, left, at_left);
                left = high - GOLDEN * (high - low);
                at_left = try_at(left);
            } else {
                (low, left, at_left) = (left, right, at_right);
                right = low + GOLDEN * (high - low);
                at_right = try_at(right);
            }
        }
        let (angle, fit) = best;
        Ok((middle(angle), fit))
    }
}

impl ClusterLinesFit {
    /// Variance between clusters of the line at a point (level l, slope z).
    #[must_use]
    pub fn variance_between(&self, [level, slope]: [f64; 2]) -> f64 {
        let [a, ab, b] = self.between;
        (a * level * level + 2.0 * ab * level * slope + b * slope * slope).max(0.0)
    }

    /// Variance of a value of a new cluster about the fixed effects' prediction, its error and
    /// that of the fixed effects in it; and its degrees of freedom by Satterthwaite's rule.
    ///
    /// # Shapes
    /// `row`: p; `point`: level and slope of the row; `residual`: the part of the residual
    /// variance that a value has (1 unless rows were divided).
    #[must_use]
    pub fn of_new(&self, row: &[f64], point: [f64; 2], residual: f64) -> (f64, f64) {
        let [level, slope] = point;
        let own: Vec<f64> = self
            .terms
            .iter()
            .map(|(term, _)| match term {
                Term::Residual => residual,
                Term::Cross => 2.0 * level * slope,
                Term::Along([of_level, of_slope]) => (of_level * level + of_slope * slope).powi(2),
            })
            .collect();
        let values: Vec<f64> = self.terms.iter().map(|(_, value)| *value).collect();
        let df = self.effects.degrees_of_freedom(row, &own, &values);
        let l = nalgebra::DVector::from_column_slice(row);
        let variance = l.dot(&(&self.effects.covariance * &l))
            + self.variance_between(point)
            + residual * self.residual_variance;
        (variance, df)
    }

    /// Degrees of freedom of each fixed effect, p.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> Vec<f64> {
        let p = self.effects.fixed.len();
        let none = vec![0.0; self.terms.len()];
        (0..p)
            .map(|j| {
                let mut row = vec![0.0; p];
                row[j] = 1.0;
                self.effects.degrees_of_freedom(&row, &none, &none)
            })
            .collect()
    }
}
