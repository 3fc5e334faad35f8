//! The parameters of variation, and what they make of the birds of one unit.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use super::data::{Part, SampledData};

/// Which parameters of variation there are, and where each stands in the vector of the search.
///
/// The vector holds: one log SD between birds for each group; its slope and its curvature in
/// scaled age, where they are in the model; SDs (in units of [`UNIT`]) of units, days and a
/// unit's own occasions; of ringed birds the logit of the passing share and the logarithm of the
/// days after which the lasting part has fallen to 1/e.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    pub(super) groups: usize,
    /// Terms of the log SD in age beyond the constant: 0, 1 or 2.
    pub(super) slopes: usize,
    pub(super) has_spread: bool,
    pub(super) has_units: bool,
    pub(super) has_days: bool,
    pub(super) has_occasions: bool,
    pub(super) has_repeats: bool,
    /// Middle and half width of the ages, d.
    pub(super) ages: (f64, f64),
}

/// Unit of the SDs in the vector of the search: one percent.
pub(super) const UNIT: f64 = 0.01;

/// The parameters of variation in natural units.
#[derive(Debug, Clone, Default)]
pub(super) struct Spread {
    /// Log SD between birds of each group, at the middle age; empty where it cannot be known.
    pub(super) log_sd: Vec<f64>,
    pub(super) slope: f64,
    pub(super) curvature: f64,
    /// Variances of logarithms.
    pub(super) units: f64,
    pub(super) days: f64,
    pub(super) occasions: f64,
    /// Share of a ringed bird's variance that passes between weighings.
    pub(super) passing: f64,
    /// Days after which the lasting part has fallen to 1/e.
    pub(super) lasting_d: f64,
    ages: (f64, f64),
}

impl Layout {
    pub(super) fn of(data: &SampledData, slopes: usize) -> Self {
        let ages = data.cells.iter().map(|cell| cell.age_d);
        let low = ages.clone().fold(f64::INFINITY, f64::min);
        let high = ages.fold(f64::NEG_INFINITY, f64::max);
        Self {
            groups: data.groups(),
            slopes: if data.has_spread() { slopes } else { 0 },
            has_spread: data.has_spread(),
            has_units: data.has_units(),
            has_days: data.has_days(),
            has_occasions: true,
            has_repeats: data.has_repeats(),
            ages: (f64::midpoint(low, high), (0.5 * (high - low)).max(1.0)),
        }
    }

    pub(super) fn len(&self) -> usize {
        let spread = if self.has_spread { self.groups } else { 0 };
        spread
            + self.slopes
            + usize::from(self.has_units)
            + usize::from(self.has_days)
            + usize::from(self.has_occasions)
            + 2 * usize::from(self.has_repeats)
    }

    /// Places of the SDs of units, days and occasions in the vector.
    pub(super) fn components(&self) -> [Option<usize>; 3] {
        let mut next = if self.has_spread { self.groups } else { 0 } + self.slopes;
        [self.has_units, self.has_days, self.has_occasions].map(|has| {
            has.then(|| {
                next += 1;
                next - 1
            })
        })
    }

    pub(super) fn start(&self, log_sd: f64) -> DVector<f64> {
        let mut x = Vec::new();
        if self.has_spread {
            x.extend(std::iter::repeat_n(log_sd, self.groups));
        }
        x.extend(std::iter::repeat_n(0.0, self.slopes));
        let sds = [
            (self.has_units, 2.0),
            (self.has_days, 1.0),
            (self.has_occasions, 1.0),
        ];
        x.extend(sds.into_iter().filter(|(has, _)| *has).map(|(_, sd)| sd));
        if self.has_repeats {
            x.extend([-2.0, 5.0]);
        }
        DVector::from_vec(x)
    }

    pub(super) fn read(&self, x: &DVector<f64>) -> Spread {
        let mut values = x.iter().copied();
        let mut next = |has: bool| has.then(|| values.next()).flatten();
        let log_sd = if self.has_spread {
            (0..self.groups).filter_map(|_| next(true)).collect()
        } else {
            Vec::new()
        };
        let slope = next(self.slopes > 0).unwrap_or(0.0);
        let curvature = next(self.slopes > 1).unwrap_or(0.0);
        let mut variance = |has: bool| next(has).map_or(0.0, |sd| (UNIT * sd).powi(2));
        Spread {
            log_sd,
            slope,
            curvature,
            units: variance(self.has_units),
            days: variance(self.has_days),
            occasions: variance(self.has_occasions),
            passing: next(self.has_repeats).map_or(0.0, |logit| 1.0 / (1.0 + (-logit).exp())),
            lasting_d: next(self.has_repeats).map_or(f64::INFINITY, f64::exp),
            ages: self.ages,
        }
    }
}

impl Spread {
    /// SD between birds of a group at an age, on the log scale; 0 where it is not known.
    pub(super) fn sd(&self, group: usize, age_d: f64) -> f64 {
        let Some(log_sd) = self.log_sd.get(group) else {
            return 0.0;
        };
        // Held within the ages weighed: a line or parabola is not continued past them.
        let x = ((age_d - self.ages.0) / self.ages.1).clamp(-1.0, 1.0);
        (log_sd + self.slope * x + self.curvature * (x * x - 0.5)).exp()
    }

    fn correlation(&self, apart_d: f64) -> f64 {
        if apart_d == 0.0 {
            return 1.0;
        }
        (1.0 - self.passing) * (-apart_d / self.lasting_d).exp()
    }
}

/// Contribution of the birds of one unit to the unit's cells: generalised least squares means
/// with the covariance of sampling, and the log-likelihood of everything beyond these means.
pub(super) struct Reduced {
    pub(super) means: DVector<f64>,
    pub(super) covariance: DMatrix<f64>,
    pub(super) log_lik: f64,
    /// Observations beyond the cells'.
    pub(super) beyond: f64,
}

/// Least sampling variance of a cell where the spread between birds is not known: it is then
/// part of the variation between occasions.
const NO_SPREAD: f64 = 1e-12;

/// Reduces the parts of each unit; `None` where a covariance is not positive definite.
pub(super) fn reduce(
    data: &SampledData,
    by_unit: &[Vec<usize>],
    spread: &Spread,
) -> Option<Vec<Reduced>> {
    (0..data.units.len())
        .map(|unit| reduce_unit(data, unit, &by_unit[unit], spread))
        .collect()
}

/// Sums over the parts of one unit.
struct Sums {
    start: usize,
    precision: DMatrix<f64>,
    weighted: DVector<f64>,
    log_lik: f64,
    observed: f64,
}

impl Sums {
    /// One value of one cell with its variance.
    fn single(&mut self, cell: usize, value: f64, variance: f64) {
        let at = cell - self.start;
        let w = 1.0 / variance.max(NO_SPREAD);
        self.precision[(at, at)] += w;
        self.weighted[at] += w * value;
        self.log_lik += 0.5 * (w.ln() - w * value * value);
        self.observed += 1.0;
    }

    /// Squares about a mean of n values, which are known beside it.
    fn squares(&mut self, n: f64, squares: f64, variance: f64) {
        self.log_lik -= 0.5 * ((n - 1.0) * variance.ln() + squares / variance);
        self.observed += n - 1.0;
    }

    /// Values of one bird in several cells.
    fn bird(
        &mut self,
        cells: &[usize],
        values: &DVector<f64>,
        covariance: DMatrix<f64>,
    ) -> Option<()> {
        let factor = covariance.cholesky()?;
        let solved = factor.solve(values);
        let inverse = factor.inverse();
        self.log_lik -= 0.5 * values.dot(&solved) + 0.5 * log_determinant(&factor);
        for (i, one) in cells.iter().enumerate() {
            self.weighted[one - self.start] += solved[i];
            for (j, other) in cells.iter().enumerate() {
                self.precision[(one - self.start, other - self.start)] += inverse[(i, j)];
            }
        }
        self.observed += cells.len() as f64;
        Some(())
    }

    fn reduced(self) -> Option<Reduced> {
        let factor = self.precision.cholesky()?;
        let means = factor.solve(&self.weighted);
        let log_lik =
            self.log_lik + 0.5 * self.weighted.dot(&means) - 0.5 * log_determinant(&factor);
        Some(Reduced {
            beyond: self.observed - means.len() as f64,
            covariance: factor.inverse(),
            means,
            log_lik,
        })
    }
}

/// Logarithm of the determinant of a factored matrix.
pub(super) fn log_determinant(factor: &Cholesky<f64, Dyn>) -> f64 {
    let diagonal = factor.l_dirty().diagonal();
    2.0 * diagonal.iter().map(|entry| entry.ln()).sum::<f64>()
}

fn reduce_unit(
    data: &SampledData,
    unit: usize,
    parts: &[usize],
    spread: &Spread,
) -> Option<Reduced> {
    let range = data.cells_of(unit);
    let group = data.units[unit];
    let t = range.len();
    let mut sums = Sums {
        start: range.start,
        precision: DMatrix::zeros(t, t),
        weighted: DVector::zeros(t),
        log_lik: 0.0,
        observed: 0.0,
    };
    let known = !spread.log_sd.is_empty();
    let variance_of = |cell: usize| spread.sd(group, data.cells[cell].age_d).powi(2);
    for part in parts.iter().map(|part| &data.parts[*part]) {
        match part {
            Part::Sample {
                cell,
                n,
                mean_log,
                squares,
            } => {
                let variance = variance_of(*cell);
                sums.single(*cell, *mean_log, variance / n);
                if known && *n > 1.0 {
                    sums.squares(*n, *squares, variance);
                    sums.log_lik -= 0.5 * n.ln();
                }
            }
            Part::Bulk {
                cell,
                n,
                log_mean,
                cv,
            } => {
                let variance = variance_of(*cell);
                // Of log-normal weights: variance of the mean over its square, and the mean of
                // the mean's logarithm to second order.
                let relative = variance.exp_m1() / n;
                sums.single(*cell, log_mean - 0.5 * variance + 0.5 * relative, relative);
                if let Some(cv) = cv.filter(|_| known && *n > 1.0) {
                    sums.squares(*n, (n - 1.0) * (cv * cv).ln_1p(), variance);
                }
            }
            Part::Bird { cells, logs } if cells.len() == 1 => {
                sums.single(cells[0], logs[0], variance_of(cells[0]));
            }
            Part::Bird { cells, logs } => {
                let sd: Vec<f64> = cells.iter().map(|cell| variance_of(*cell).sqrt()).collect();
                let age = |at: usize| data.cells[cells[at]].age_d;
                let covariance = DMatrix::from_fn(cells.len(), cells.len(), |i, j| {
                    sd[i] * sd[j] * spread.correlation((age(i) - age(j)).abs())
                });
                sums.bird(cells, &DVector::from_column_slice(logs), covariance)?;
            }
        }
    }
    sums.reduced()
}
