//! The lines of the clusters that were seen, drawn together as far as the data say.
//!
//! In the model of [`ClusterLines`](super::cluster_lines) with the covariance of level and slope
//!
//! ```text
//! G = s^2 [ a^2, r a b; r a b, b^2 ]
//! ```
//!
//! coefficients and effects have, for given a, b and r, the mean and covariance of Henderson's mixed
//! model equations, with s^2 from the residual sum of squares on n - p degrees of freedom. A
//! restricted likelihood of few clusters often ends at a = 0 or b = 0, where the clusters' lines
//! would be one line without an error of its own; so a, b and r are averaged over: uniform priors
//! for the SDs a and b (Gelman 2006, Bayesian Analysis 1:515-534), a grid in place of integrals, and
//! the marginal likelihood in which the coefficients and s^2 are integrated out. The covariance has
//! both parts: the mean of the covariances, and what the means differ by. From three clusters on the
//! posterior is proper: a cluster's line lies between the line of all and the cluster's own.
//!
//! Henderson CR (1975) Biometrics 31:423-447.

use nalgebra::{Cholesky, DMatrix, DVector};

use super::Failure;
use super::cluster_lines::ClusterLines;

/// Points of the grid for each SD, in a / (a + 1) after scaling of the columns.
const POINTS: usize = 10;
/// Correlations of level and slope.
const CORRELATIONS: [f64; 3] = [-0.6, 0.0, 0.6];
/// Least pivot of the equations relative to their largest diagonal entry.
const COLLINEAR: f64 = 1e-11;

/// Coefficients and the clusters' effects, averaged over the variances.
#[derive(Debug, Clone)]
pub struct ClusterPosterior {
    /// Fixed effects (p), levels of the clusters (k), their slopes (k, where there are slopes).
    pub means: DVector<f64>,
    /// Their covariance.
    pub covariance: DMatrix<f64>,
    /// Residual variance.
    pub residual_variance: f64,
}

/// What one point of the grid gives.
struct Point {
    log_weight: f64,
    means: DVector<f64>,
    covariance: DMatrix<f64>,
    residual_variance: f64,
}

/// The mixed model equations without the part of G.
struct Equations {
    /// W'W with W = [fixed, levels, slopes].
    cross: DMatrix<f64>,
    /// W'y.
    right: DVector<f64>,
    squares: f64,
    n: usize,
    p: usize,
    k: usize,
}

impl ClusterLines {
    /// The clusters' lines.
    ///
    /// # Errors
    /// [`Failure`] for fewer than 3 clusters, no more values than fixed effects, collinear fixed
    /// effects, and values that lie on the lines exactly.
    pub fn posterior(&self) -> Result<ClusterPosterior, Failure> {
        let k = self.starts.len().saturating_sub(1);
        if k < 3 {
            return Err(Failure::TooFew {
                what: "clusters",
                found: k,
                needed: 3,
            });
        }
        let (n, p) = self.fixed.shape();
        if n <= p {
            return Err(Failure::TooFew {
                what: "values",
                found: n,
                needed: p + 1,
            });
        }
        // The SDs of the grid are those of the values, in units of the residual SD.
        let size = |column: &[f64]| {
            let squares: f64 = column.iter().map(|x| x * x).sum();
            (squares / n as f64).sqrt().max(f64::MIN_POSITIVE)
        };
        let (of_level, of_slope) = (size(&self.level), self.slope.as_deref().map(size));
        let equations = self.equations(of_level, of_slope);
        let sds: Vec<(f64, f64)> = (0..POINTS)
            .map(|place| {
                let u = (place as f64 + 0.5) / POINTS as f64;
                // a = u / (1 - u), and the derivative that makes the prior of a uniform.
                (u / (1.0 - u), -2.0 * (1.0 - u).ln())
            })
            .collect();
        let mut points = Vec::new();
        for (a, weight) in &sds {
            match of_slope {
                None => points.push(equations.at([*a, 0.0, 0.0], *weight)?),
                Some(_) => {
                    for (b, other) in &sds {
                        for r in CORRELATIONS {
                            points.push(equations.at([*a, *b, r], weight + other)?);
                        }
                    }
                }
            }
        }
        let mut all = averaged(&points);
        let scales: Vec<f64> = (0..all.means.len())
            .map(|place| match place {
                fixed if fixed < p => 1.0,
                level if level < p + k => 1.0 / of_level,
                _ => 1.0 / of_slope.unwrap_or(1.0),
            })
            .collect();
        let scales = DMatrix::from_diagonal(&DVector::from_vec(scales));
        all.means = &scales * all.means;
        all.covariance = &scales * all.covariance * &scales;
        Ok(all)
    }

    fn equations(&self, of_level: f64, of_slope: Option<f64>) -> Equations {
        let (n, p) = self.fixed.shape();
        let k = self.starts.len() - 1;
        let columns = p + k * (1 + usize::from(of_slope.is_some()));
        let mut design = DMatrix::zeros(n, columns);
        design.view_mut((0, 0), (n, p)).copy_from(&self.fixed);
        for cluster in 0..k {
            for row in self.starts[cluster]..self.starts[cluster + 1] {
                design[(row, p + cluster)] = self.level[row] / of_level;
                if let (Some(slope), Some(size)) = (&self.slope, of_slope) {
                    design[(row, p + k + cluster)] = slope[row] / size;
                }
            }
        }
        let y = DVector::from_column_slice(&self.response);
        Equations {
            cross: design.tr_mul(&design),
            right: design.tr_mul(&y),
            squares: y.dot(&y),
            n,
            p,
            k,
        }
    }
}

impl Equations {
    /// The equations at SDs a and b and correlation r, of a point with this log prior weight.
    fn at(&self, [a, b, r]: [f64; 3], log_prior: f64) -> Result<Point, Failure> {
        let (p, k) = (self.p, self.k);
        let slopes = self.cross.nrows() > p + k;
        let mut matrix = self.cross.clone();
        let mut log_determinant = 0.0;
        let free = 1.0 - r * r;
        for cluster in p..p + k {
            if slopes {
                let other = cluster + k;
                matrix[(cluster, cluster)] += 1.0 / (a * a * free);
                matrix[(other, other)] += 1.0 / (b * b * free);
                matrix[(cluster, other)] -= r / (a * b * free);
                matrix[(other, cluster)] -= r / (a * b * free);
                log_determinant += (a * a * b * b * free).ln();
            } else {
                matrix[(cluster, cluster)] += 1.0 / (a * a);
                log_determinant += (a * a).ln();
            }
        }
        let largest = self.cross.diagonal().max();
        let singular = || Failure::NoVariation {
            what: "what the terms of several laboratories differ in".to_owned(),
        };
        let factor = Cholesky::new(matrix).ok_or_else(singular)?;
        let pivots = factor.l_dirty().diagonal();
        if pivots.iter().take(p).any(|x| x * x <= COLLINEAR * largest) {
            return Err(singular());
        }
        let means = factor.solve(&self.right);
        let df = (self.n - p) as f64;
        let squares = self.squares - means.dot(&self.right);
        if squares.is_nan() || squares <= COLLINEAR * self.squares {
            return Err(Failure::NoVariation {
                what: "the values about the lines of their clusters".to_owned(),
            });
        }
        log_determinant += 2.0 * pivots.iter().map(|x| x.abs().ln()).sum::<f64>();
        Ok(Point {
            log_weight: log_prior - 0.5 * log_determinant - 0.5 * df * squares.ln(),
            covariance: factor.inverse() * (squares / df),
            residual_variance: squares / df,
            means,
        })
    }
}

/// The mean over the points by their weights, and the covariance of the mixture.
fn averaged(points: &[Point]) -> ClusterPosterior {
    let greatest = points
        .iter()
        .map(|point| point.log_weight)
        .fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = points
        .iter()
        .map(|point| (point.log_weight - greatest).exp())
        .collect();
    let total: f64 = weights.iter().sum();
    let weighted = || {
        let shares = weights.iter().map(|weight| weight / total);
        points.iter().zip(shares)
    };
    let size = points.first().map_or(0, |point| point.means.len());
    let mut means = DVector::zeros(size);
    let mut residual_variance = 0.0;
    for (point, share) in weighted() {
        means += &point.means * share;
        residual_variance += point.residual_variance * share;
    }
    let mut covariance = DMatrix::zeros(size, size);
    for (point, share) in weighted() {
        let off = &point.means - &means;
        covariance += (&point.covariance + &off * off.transpose()) * share;
    }
    ClusterPosterior {
        means,
        covariance,
        residual_variance,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Four clusters of three values each.
    fn lines() -> ClusterLines {
        let z = [
            -1.0, 0.2, 1.1, -0.9, 0.1, 0.8, -1.2, 0.3, 0.9, -0.7, -0.1, 0.6,
        ];
        let y = [1.2, 2.9, 4.1, 3.2, 4.4, 6.5, -0.4, 1.3, 1.8, 2.2, 2.4, 3.9];
        ClusterLines {
            starts: vec![0, 3, 6, 9, 12],
            response: y.to_vec(),
            fixed: DMatrix::from_fn(12, 2, |row, column| [1.0, z[row]][column]),
            level: vec![1.0; 12],
            slope: Some(z.to_vec()),
        }
    }

    /// With SDs without end a cluster's line is that of its own values, with 0 it is that of all.
    #[test]
    fn between_the_clusters_own_line_and_that_of_all() {
        let lines = lines();
        let equations = lines.equations(1.0, Some(1.0));
        let own = equations.at([1e4, 1e4, 0.0], 0.0).unwrap();
        // Least squares through the first three values, by hand.
        let (z, y) = (&lines.slope.as_ref().unwrap()[..3], &lines.response[..3]);
        let (mz, my) = (z.iter().sum::<f64>() / 3.0, y.iter().sum::<f64>() / 3.0);
        let slope = z
            .iter()
            .zip(y)
            .map(|(z, y)| (z - mz) * (y - my))
            .sum::<f64>()
            / z.iter().map(|z| (z - mz).powi(2)).sum::<f64>();
        assert!((own.means[1] + own.means[6] - slope).abs() < 1e-5);
        assert!((own.means[0] + own.means[2] - (my - slope * mz)).abs() < 1e-5);
        let one = equations.at([1e-4, 1e-4, 0.0], 0.0).unwrap();
        assert!(one.means.iter().skip(2).all(|effect| effect.abs() < 1e-4));
        let all = lines.posterior().unwrap();
        let level = |means: &DVector<f64>| means[0] + means[2];
        let between = |x: f64, a: f64, b: f64| x > a.min(b) && x < a.max(b);
        assert!(between(
            level(&all.means),
            level(&own.means),
            level(&one.means)
        ));
        assert!(
            all.covariance
                .diagonal()
                .iter()
                .all(|variance| *variance > 0.0)
        );
    }

    /// Generalised least squares and Searle, Casella and McCulloch's (1992, Variance Components,
    /// 7.4) covariance of effects by matrices in R 4.2.2: another way to the same numbers.
    #[test]
    fn a_point_is_that_of_the_covariance_of_the_values() {
        let lines = lines();
        let equations = lines.equations(1.0, Some(1.0));
        let point = equations.at([0.8, 0.5, 0.6], 0.0).unwrap();
        let means = [
            2.781_220_122_274_6,
            1.433_876_704_308_7,
            -0.124_209_966_891_9,
            1.260_106_507_910_3,
            -1.224_456_731_010_2,
            0.088_560_189_991_7,
            -0.049_934_440_142_6,
            0.469_509_032_376_7,
            -0.434_818_620_650_5,
            0.015_244_028_416_4,
        ];
        for (found, expected) in point.means.iter().zip(means) {
            assert!((found - expected).abs() < 1e-11, "{found} {expected}");
        }
        let found = [
            point.covariance[(0, 0)],
            point.covariance[(1, 1)],
            point.covariance[(2, 2)],
            point.covariance[(9, 9)],
            point.covariance[(0, 2)],
            point.covariance[(2, 6)],
            point.residual_variance,
        ];
        let expected = [
            0.197_384_397_236,
            0.173_131_916_445,
            0.254_978_878_267,
            0.150_506_798_420,
            -0.130_693_813_659,
            0.081_626_503_148_2,
            0.810_737_515_008,
        ];
        for (found, expected) in found.iter().zip(expected) {
            assert!((found - expected).abs() < 1e-11, "{found} {expected}");
        }
        let other = equations.at([2.0, 0.3, 0.0], 0.0).unwrap();
        let difference = point.log_weight - other.log_weight;
        assert!(
            (difference + 3.255_588_384_92).abs() < 1e-10,
            "{difference}"
        );
    }

    #[test]
    fn two_clusters_and_exact_values_are_refused() {
        let mut few = lines();
        few.starts = vec![0, 6, 12];
        assert!(few.posterior().is_err());
        let mut exact = lines();
        exact.response = exact.fixed.column(1).iter().copied().collect();
        assert!(exact.posterior().is_err());
        let mut twice = lines();
        twice.fixed = DMatrix::from_fn(12, 2, |_, _| 1.0);
        assert!(twice.posterior().is_err());
    }
}
