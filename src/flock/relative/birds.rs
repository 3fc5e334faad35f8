//! The variances of the birds: restricted maximum likelihood, the strains' paths being free.
//!
//! For the birds i of a pattern p of strain s, y_i = Z_p u_s + v_i with u_s fixed effects, one
//! an occasion, and var(v_i) = V_p = sum of theta_k C_k plus the known part of the timing.
//! With W = V^-1 and Lambda_s = sum of Z' W Z,
//!
//! ```text
//! l = -1/2 (sum ln |V| + sum ln |Lambda| + sum r' W r + (N - sum K) ln 2 pi)
//! ```
//!
//! is maximised by Fisher scoring on the variances, which stay at zero or above (Laird NM, Ware
//! JH 1982, Biometrics 38:963-974; from memory). Sums over the birds of a pattern are taken
//! once, so that a round costs the same for any number of birds.

use nalgebra::{DMatrix, DVector, SMatrix, SVector};

use super::process::{between, damped_slope, walk};
use super::series::{Pattern, StrainSeries};

/// FlockLevel, walk, slope, weighing.
const PARTS: usize = 4;
const WEIGHING: usize = 3;
/// The least variance of a weighing: 0.01 % of the weight.
const LEAST_ERROR: f64 = 1e-8;
const ROUNDS: usize = 200;
const HALVINGS: usize = 25;
/// Gain of likelihood that the next step promises, at the end.
const CONVERGED: f64 = 1e-9;
/// Degrees of freedom below which variances of birds are not estimated.
const LEAST_DF: usize = 6;

/// What birds of a strain do beside the strain.
#[derive(Debug, Clone)]
pub(super) struct BirdVariances {
    /// FlockLevel, walk (1/d), slope (1/d^2), weighing.
    pub(super) values: [f64; PARTS],
    pub(super) log_lik: f64,
    /// Birds minus strains.
    pub(super) df: usize,
}

/// Sums over the birds of a pattern.
struct Sums {
    at: Vec<usize>,
    birds: f64,
    sum: DVector<f64>,
    products: DMatrix<f64>,
    parts: [DMatrix<f64>; PARTS],
    timing: DMatrix<f64>,
}

struct Strain {
    occasions: usize,
    patterns: Vec<Sums>,
}

struct State {
    log_lik: f64,
    score: SVector<f64, PARTS>,
    information: SMatrix<f64, PARTS, PARTS>,
}

impl BirdVariances {
    /// The estimates.
    ///
    /// # Errors
    /// Why there are none, in words.
    pub(super) fn estimate(strains: &[&StrainSeries]) -> Result<Self, String> {
        let sums: Vec<Strain> = strains.iter().map(|strain| Strain::of(strain)).collect();
        let (mut df, mut values) = (0, 0);
        for strain in strains {
            let birds: usize = strain.patterns.iter().map(|own| own.birds.len()).sum();
            let own: usize = strain.patterns.iter().map(|own| own.y.len()).sum();
            df += birds.saturating_sub(1);
            values += own - strain.ages_d.len();
        }
        if df < 2 || values < LEAST_DF {
            return Err(format!(
                "too few birds were weighed together ({values} weighings more than occasions, expected {LEAST_DF} at least)"
            ));
        }
        let mut theta = start(&sums);
        let failed = || "the spread between birds could not be estimated".to_owned();
        let mut state = evaluate(&sums, &theta).ok_or_else(failed)?;
        for _ in 0..ROUNDS {
            let Some((next, moved)) = improve(&sums, &theta, &state) else {
                break;
            };
            (theta, state) = (moved, next);
        }
        Ok(Self {
            values: theta,
            log_lik: state.log_lik,
            df,
        })
    }

    /// Covariance of a bird's deviations between two sets of days since the strain's first
    /// occasion, errors of weighing apart; `timing` as [`StrainSeries::timing`].
    pub(super) fn covariance(
        &self,
        (rows, row_timing): (&[f64], &[f64]),
        (columns, column_timing): (&[f64], &[f64]),
    ) -> DMatrix<f64> {
        let [level, of_walk, of_slope, _] = self.values;
        DMatrix::from_fn(rows.len(), columns.len(), |i, j| {
            level
                + of_walk * walk(rows[i], columns[j])
                + of_slope * damped_slope(rows[i], columns[j])
                + row_timing[i] * column_timing[j]
        })
    }

    pub(super) fn weighing(&self) -> f64 {
        self.values[WEIGHING]
    }

    /// Covariance of a pattern's weighings.
    pub(super) fn of_pattern(&self, days: &[f64], timing: &[f64]) -> DMatrix<f64> {
        let mut covariance = self.covariance((days, timing), (days, timing));
        for at in 0..days.len() {
            covariance[(at, at)] += self.weighing();
        }
        covariance
    }
}

impl Strain {
    fn of(series: &StrainSeries) -> Self {
        let days = series.days(&series.ages_d);
        let timing = series.timing(&series.ages_d);
        let pattern = |own: &Pattern| {
            let days: Vec<f64> = own.at.iter().map(|at| days[*at]).collect();
            let timing: Vec<f64> = own.at.iter().map(|at| timing[*at]).collect();
            let n = own.at.len();
            let timing = DVector::from_vec(timing);
            let mut sum = DVector::zeros(n);
            let mut products = DMatrix::zeros(n, n);
            for member in 0..own.birds.len() {
                let y = DVector::from_column_slice(own.of_bird(member));
                products.ger(1.0, &y, &y, 1.0);
                sum += y;
            }
            Sums {
                at: own.at.clone(),
                birds: count(own.birds.len()),
                sum,
                products,
                parts: [
                    between(&days, &days, |_, _| 1.0),
                    between(&days, &days, walk),
                    between(&days, &days, damped_slope),
                    DMatrix::identity(n, n),
                ],
                timing: &timing * timing.transpose(),
            }
        };
        Self {
            occasions: series.ages_d.len(),
            patterns: series.patterns.iter().map(pattern).collect(),
        }
    }
}

/// Variances to start from: the spread about the occasions' means, divided among the parts.
fn start(strains: &[Strain]) -> [f64; PARTS] {
    let (mut squares, mut n) = (0.0, 0.0);
    for strain in strains {
        let mut of_occasion = vec![(0.0, 0.0, 0.0); strain.occasions];
        for pattern in &strain.patterns {
            for (place, at) in pattern.at.iter().enumerate() {
                let one = &mut of_occasion[*at];
                one.0 += pattern.birds;
                one.1 += pattern.sum[place];
                one.2 += pattern.products[(place, place)];
            }
        }
        for (birds, sum, sum_of_squares) in of_occasion {
            if birds > 1.0 {
                squares += sum_of_squares - sum * sum / birds;
                n += birds - 1.0;
            }
        }
    }
    let variance = if n > 0.0 { squares / n } else { 0.0 }.max(1e-4);
    [
        0.5 * variance,
        0.003 * variance,
        5e-5 * variance,
        0.2 * variance,
    ]
}

fn evaluate(strains: &[Strain], theta: &[f64; PARTS]) -> Option<State> {
    let mut state = State {
        log_lik: 0.0,
        score: SVector::zeros(),
        information: SMatrix::zeros(),
    };
    for strain in strains {
        state.add(strain, theta)?;
    }
    state.log_lik.is_finite().then_some(state)
}

impl State {
    fn add(&mut self, strain: &Strain, theta: &[f64; PARTS]) -> Option<()> {
        let k = strain.occasions;
        let mut precision = DMatrix::zeros(k, k);
        let mut right = DVector::zeros(k);
        let mut first: [DMatrix<f64>; PARTS] = std::array::from_fn(|_| DMatrix::zeros(k, k));
        let mut second: [[Option<DMatrix<f64>>; PARTS]; PARTS] = Default::default();
        let mut inverses = Vec::with_capacity(strain.patterns.len());
        let mut values = 0.0;
        for pattern in &strain.patterns {
            let mut covariance = pattern.timing.clone();
            for (part, theta) in pattern.parts.iter().zip(theta) {
                covariance += part * *theta;
            }
            let cholesky = covariance.cholesky()?;
            let log_det = 2.0 * cholesky.l_dirty().diagonal().map(f64::ln).sum();
            let inverse = cholesky.inverse();
            self.log_lik -= 0.5 * pattern.birds * log_det;
            values += pattern.birds * count(pattern.at.len());
            add_to(&mut precision, &pattern.at, pattern.birds, &inverse);
            let weighted = &inverse * &pattern.sum;
            for (at, value) in pattern.at.iter().zip(weighted.iter()) {
                right[*at] += value;
            }
            inverses.push(inverse);
        }
        let cholesky = precision.cholesky()?;
        let log_det = 2.0 * cholesky.l_dirty().diagonal().map(f64::ln).sum();
        let path = cholesky.solve(&right);
        let spread = cholesky.inverse();
        self.log_lik -= 0.5 * log_det;
        self.log_lik -= 0.5 * (values - count(k)) * (2.0 * std::f64::consts::PI).ln();
        for (pattern, inverse) in strain.patterns.iter().zip(&inverses) {
            let own = DVector::from_fn(pattern.at.len(), |i, _| path[pattern.at[i]]);
            let crossed = &pattern.sum * own.transpose();
            let residuals = &pattern.products - &crossed - crossed.transpose()
                + &own * own.transpose() * pattern.birds;
            let weighted = inverse * residuals;
            self.log_lik -= 0.5 * weighted.trace();
            let weighted = weighted * inverse;
            let sides: [DMatrix<f64>; PARTS] =
                std::array::from_fn(|part| inverse * &pattern.parts[part]);
            for (a, side) in sides.iter().enumerate() {
                self.score[a] +=
                    0.5 * (pattern.parts[a].dot(&weighted) - pattern.birds * side.trace());
                let turned = side * inverse;
                add_to(&mut first[a], &pattern.at, pattern.birds, &turned);
                for (b, other) in sides.iter().enumerate().skip(a) {
                    self.information[(a, b)] += 0.5 * pattern.birds * side.dot(&other.transpose());
                    let both = other * &turned;
                    let sum = second[a][b].get_or_insert_with(|| DMatrix::zeros(k, k));
                    add_to(sum, &pattern.at, pattern.birds, &both);
                }
            }
        }
        let turned: [DMatrix<f64>; PARTS] = std::array::from_fn(|part| &spread * &first[part]);
        for a in 0..PARTS {
            self.score[a] += 0.5 * turned[a].trace();
            for b in a..PARTS {
                let twice = second[a][b].as_ref()?.dot(&spread);
                self.information[(a, b)] += 0.5 * turned[a].dot(&turned[b].transpose()) - twice;
                self.information[(b, a)] = self.information[(a, b)];
            }
        }
        Some(())
    }
}

/// The next step of scoring, halved until the likelihood rises; `None` at the maximum.
fn improve(
    strains: &[Strain],
    theta: &[f64; PARTS],
    state: &State,
) -> Option<(State, [f64; PARTS])> {
    let least = |part: usize| if part == WEIGHING { LEAST_ERROR } else { 0.0 };
    let free: Vec<usize> = (0..PARTS)
        .filter(|part| theta[*part] > least(*part) || state.score[*part] > 0.0)
        .collect();
    let information = DMatrix::from_fn(free.len(), free.len(), |i, j| {
        state.information[(free[i], free[j])]
    });
    // On the scale of its diagonal: the parts have units far apart.
    let scale = DVector::from_fn(free.len(), |i, _| {
        1.0 / information[(i, i)].max(1e-300).sqrt()
    });
    let scaled = DMatrix::from_fn(free.len(), free.len(), |i, j| {
        let ridge = if i == j { 1e-9 } else { 0.0 };
        information[(i, j)] * scale[i] * scale[j] + ridge
    });
    let score = DVector::from_fn(free.len(), |i, _| state.score[free[i]] * scale[i]);
    let step = scaled.cholesky()?.solve(&score);
    if step.dot(&score) < CONVERGED {
        return None;
    }
    let mut share = 1.0;
    for _ in 0..HALVINGS {
        let mut moved = *theta;
        for (i, part) in free.iter().enumerate() {
            moved[*part] = (theta[*part] + share * step[i] * scale[i]).max(least(*part));
        }
        if let Some(next) = evaluate(strains, &moved)
            && next.log_lik > state.log_lik
        {
            return Some((next, moved));
        }
        share *= 0.5;
    }
    None
}

/// Adds `times` a small matrix at some places of a great one.
fn add_to(great: &mut DMatrix<f64>, at: &[usize], times: f64, small: &DMatrix<f64>) {
    for (i, row) in at.iter().enumerate() {
        for (j, column) in at.iter().enumerate() {
            great[(*row, *column)] += times * small[(i, j)];
        }
    }
}

fn count(birds: usize) -> f64 {
    birds as f64
}
