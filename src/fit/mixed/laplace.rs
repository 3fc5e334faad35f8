//! Maximum of the marginal likelihood: Laplace or adaptive quadrature.
//!
//! The parameters are the fixed effects, ln of the factor's diagonal, its rows'
//! other entries as shares of their diagonal, ln sigma and the error terms: free
//! numbers of size one whose likelihood is near quadratic. They are moved by BFGS
//! (Nocedal and Wright 2006, ch. 6) from where the alternating method ended, in the
//! metric of the subjects' summed outer products of scores (Berndt, Hall, Hall and
//! Hausman 1974) where there are subjects enough, so that a handful of rounds
//! suffices. A last Newton step uses the Hessian by differences of the gradient,
//! which also gives the standard errors and the certificate.
//!
//! argmin's BFGS asks for value and gradient apart, where ours come from one pass
//! over the subjects, and divides by the curvature of a step without looking at its
//! sign; so the loop is our own.

use rayon::prelude::*;

use super::alternating::{State, error_terms, logit, phi};
use super::cholesky;
use super::contribution::Noise;
use super::ending::{Ending, is_full};
use super::linear::{correlation_slope, inverse_of, least_eigenvalue};
use super::marginal::{Marginal, Point};
use super::model::{Correlation, Estimator, MixedModel};
use super::problem::{CHUNK, Errors, Problem};
use super::quadrature::Rule;
use super::result::Certificate;
use super::scale::TermScale;
use crate::fit::{Variance, Weakness};

/// Ends when the expected gain of a full step is this small: 1e-5 standard errors.
const GAIN: f64 = 1e-10;
const MOST_ROUNDS: usize = 200;
/// Steps of the differences that give the Hessian, in standard errors.
const DIFFERENCE: f64 = 3e-3;

/// Sums of one task.
#[derive(Debug)]
struct Task {
    marginal: Marginal,
    value: f64,
    slope: Vec<f64>,
    one: Vec<f64>,
    products: Vec<f64>,
    failed: bool,
}

/// What an evaluation gathers beside value and gradient.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Gather {
    Nothing,
    /// Outer products of the subjects' scores.
    Products,
    /// The subjects' information at their modes.
    Information,
}

/// The likelihood of all subjects as a function of the free parameters.
#[derive(Debug)]
struct Likelihood<'p, 'a> {
    problem: &'p Problem<'a>,
    rule: Rule,
    entries: Vec<(usize, usize)>,
    tasks: Vec<Task>,
    /// Modes, subjects x max(q, 1): each search starts where the last one ended.
    modes: Vec<f64>,
    information: Vec<f64>,
    widths: Vec<f64>,
}

/// Maximises from where the alternation ended; the reason in words where it fails.
pub(super) fn maximise(
    problem: &Problem<'_>,
    model: &MixedModel<'_>,
    start: &State,
    beta_covariance: Option<&[f64]>,
) -> Result<Ending, String> {
    let nodes = match model.estimator {
        Estimator::Quadrature { nodes } => nodes,
        Estimator::Alternating | Estimator::Laplace => 1,
    };
    let mut likelihood = Likelihood::new(problem, model, start, nodes);
    let mut x = likelihood.pack(start);
    let m = x.len();
    let enough = problem.subjects() >= 5 * m;
    let gather = if enough {
        Gather::Products
    } else {
        Gather::Nothing
    };
    let lost = || {
        "the marginal likelihood has no finite value at the start; try the alternating estimator, fewer random terms, or the log scale".to_owned()
    };
    let (mut value, mut slope) = likelihood.evaluate(&x, gather).ok_or_else(lost)?;
    let mut inverse = likelihood.metric(enough, beta_covariance, m);
    let mut rounds = 0;
    loop {
        let mut step = multiply(&inverse, &slope, m);
        let gain = dot(&step, &slope);
        if gain < GAIN || rounds >= MOST_ROUNDS {
            break;
        }
        rounds += 1;
        limit(&mut step, problem.fixed);
        let gain = dot(&step, &slope);
        let Some((share, next, next_slope)) = likelihood.search(&x, &step, value, gain) else {
            break;
        };
        step.iter_mut().for_each(|step| *step *= share);
        let change: Vec<f64> = slope.iter().zip(&next_slope).map(|(a, b)| a - b).collect();
        update(&mut inverse, &step, &change, m);
        x.iter_mut().zip(&step).for_each(|(x, step)| *x += step);
        (value, slope) = (next, next_slope);
    }
    if rounds >= MOST_ROUNDS {
        return Err(format!(
            "the marginal likelihood was still rising after {MOST_ROUNDS} rounds; fewer random terms or a diagonal covariance may help"
        ));
    }
    likelihood.finish(&x, value, slope, &inverse, rounds)
}

impl<'p, 'a> Likelihood<'p, 'a> {
    fn new(problem: &'p Problem<'a>, model: &MixedModel<'_>, start: &State, nodes: usize) -> Self {
        let rule = Rule::new(nodes, problem.q);
        let entries = problem.free_entries(is_full(model));
        let noise_terms = 1 + error_terms(problem);
        let m = problem.fixed + entries.len() + noise_terms;
        let points = rule.log_weights.len();
        let tasks = (0..problem.subjects().div_ceil(CHUNK))
            .map(|_| Task {
                marginal: Marginal::new(problem, noise_terms, points),
                value: 0.0,
                slope: vec![0.0; m],
                one: vec![0.0; m],
                products: Vec::new(),
                failed: false,
            })
            .collect();
        let widths = (0..problem.p)
            .map(|term| {
                let size = match problem.scales[term] {
                    TermScale::Natural => problem
                        .columns
                        .iter()
                        .skip(term)
                        .step_by(problem.p)
                        .fold(1e-8_f64, |most, column| most.max(start.beta[*column].abs())),
                    TermScale::Log | TermScale::Above(_) => 1.0,
                };
                // The cube root of the rounding unit balances the two errors of a
                // central difference: about 1e-10 is left.
                6e-6 * size
            })
            .collect();
        Self {
            problem,
            rule,
            entries,
            tasks,
            modes: if problem.q == 0 {
                vec![0.0; problem.subjects()]
            } else {
                // The alternation's effects have the residuals' variance, these are 1.
                let sigma = start.variance.sqrt();
                start.spherical.iter().map(|u| u / sigma).collect()
            },
            information: vec![0.0; problem.subjects() * problem.p * problem.p],
            widths,
        }
    }

    fn pack(&self, state: &State) -> Vec<f64> {
        let (problem, q) = (self.problem, self.problem.q);
        let sigma = state.variance.sqrt();
        let mut x = state.beta.clone();
        let diagonal: Vec<f64> = (0..q)
            .map(|k| {
                // A factor of zero has no logarithm: begin where it hardly matters.
                let least = 1e3 * self.widths[problem.random[k]];
                (sigma * state.factor[k * q + k]).abs().max(least)
            })
            .collect();
        x.extend(self.entries.iter().map(|(row, column)| {
            if row == column {
                diagonal[*row].ln()
            } else {
                sigma * state.factor[row * q + column] / diagonal[*row]
            }
        }));
        x.push(sigma.ln());
        if problem.variance == Variance::Power {
            x.push(state.errors.power);
        }
        if problem.correlation == Correlation::Ar1 {
            x.push(logit(state.errors.phi));
        }
        x
    }

    fn unpack(&self, x: &[f64]) -> Point {
        let (problem, q) = (self.problem, self.problem.q);
        let (beta, rest) = x.split_at(problem.fixed);
        let mut factor = vec![0.0; q * q];
        for ((row, column), value) in self.entries.iter().zip(rest) {
            if row == column {
                factor[row * q + column] = value.exp();
            }
        }
        for ((row, column), value) in self.entries.iter().zip(rest) {
            if row != column {
                factor[row * q + column] = value * factor[row * q + row];
            }
        }
        let mut noise = rest[self.entries.len()..].iter().copied();
        let log_sigma = noise.next().unwrap_or(0.0);
        let power = match problem.variance {
            Variance::Power => noise.next().unwrap_or(0.0),
            Variance::Proportional => 1.0,
            Variance::Constant | Variance::LogNormal => 0.0,
        };
        let phi = match problem.correlation {
            Correlation::Ar1 => phi(noise.next().unwrap_or(0.0)),
            Correlation::None => 0.5,
        };
        Point {
            beta: beta.to_vec(),
            factor,
            noise: Noise {
                log_sigma,
                errors: Errors { power, phi },
            },
            widths: self.widths.clone(),
        }
    }

    /// Log-likelihood and gradient; `None` where a subject has none.
    fn evaluate(&mut self, x: &[f64], gather: Gather) -> Option<(f64, Vec<f64>)> {
        let point = self.unpack(x);
        let (problem, rule, entries) = (self.problem, &self.rule, &self.entries);
        let (q, size) = (problem.q, problem.p * problem.p);
        let m = x.len();
        self.tasks
            .par_iter_mut()
            .zip(self.modes.par_chunks_mut(CHUNK * q.max(1)))
            .zip(self.information.par_chunks_mut(CHUNK * size))
            .enumerate()
            .for_each(|(chunk, ((task, modes), information))| {
                task.reset(gather == Gather::Products, m);
                for (at, (mode, information)) in modes
                    .chunks_exact_mut(q.max(1))
                    .zip(information.chunks_exact_mut(size))
                    .enumerate()
                {
                    let subject = chunk * CHUNK + at;
                    let mode = &mut mode[..q];
                    let Some(value) = task.marginal.evaluate(problem, &point, rule, subject, mode)
                    else {
                        // The next search begins afresh.
                        mode.fill(0.0);
                        task.failed = true;
                        continue;
                    };
                    task.add(problem, &point, entries, subject, value);
                    if gather == Gather::Information {
                        information.copy_from_slice(&task.marginal.information);
                    }
                }
            });
        let mut value = problem.log_jacobian;
        let mut slope = vec![0.0; m];
        for task in &self.tasks {
            if task.failed {
                return None;
            }
            value += task.value;
            slope.iter_mut().zip(&task.slope).for_each(|(a, b)| *a += b);
        }
        (value.is_finite() && slope.iter().all(|slope| slope.is_finite())).then_some((value, slope))
    }

    /// Inverse of the first metric.
    fn metric(&self, products: bool, beta_covariance: Option<&[f64]>, m: usize) -> Vec<f64> {
        let fixed = self.problem.fixed;
        if products {
            let mut sum = vec![0.0; m * m];
            for task in &self.tasks {
                sum.iter_mut()
                    .zip(&task.products)
                    .for_each(|(a, b)| *a += b);
            }
            let mut scales = vec![0.0; m];
            if cholesky::factor_scaled(&mut sum, m, &mut scales).is_some() {
                return inverse_of(&sum, &scales, m);
            }
        }
        #[expect(clippy::cast_precision_loss, reason = "counts below 2^53")]
        let (subjects, observations) =
            (self.problem.subjects() as f64, self.problem.observations());
        let mut inverse = vec![0.0; m * m];
        for k in 0..m {
            let information = if k < fixed {
                // Nothing known: a percent of the term.
                let size = 0.01 * (self.widths.first().copied().unwrap_or(1.0) / 6e-6);
                1.0 / (size * size)
            } else if k < fixed + self.entries.len() {
                let (row, column) = self.entries[k - fixed];
                if row == column {
                    2.0 * subjects
                } else {
                    subjects
                }
            } else {
                2.0 * observations
            };
            inverse[k * m + k] = 1.0 / information;
        }
        if let Some(covariance) = beta_covariance {
            for k in 0..fixed {
                for l in 0..fixed {
                    inverse[k * m + l] = covariance[k * fixed + l];
                }
            }
        }
        inverse
    }

    /// Halves a step until the likelihood rises enough (Armijo).
    fn search(
        &mut self,
        x: &[f64],
        step: &[f64],
        value: f64,
        gain: f64,
    ) -> Option<(f64, f64, Vec<f64>)> {
        let mut share = 1.0;
        // What rounding of a sum of this size hides.
        let slack = 1e-13 * value.abs() + 1e-11;
        while share > 1e-6 {
            let trial: Vec<f64> = x.iter().zip(step).map(|(x, s)| x + share * s).collect();
            if let Some((next, slope)) = self.evaluate(&trial, Gather::Nothing)
                && next >= value + 1e-4 * share * gain - slack
            {
                return Some((share, next, slope));
            }
            share *= 0.5;
        }
        None
    }

    /// Minus the Hessian, by central differences of the gradient.
    fn curvature(&mut self, x: &[f64], inverse: &[f64]) -> Option<Vec<f64>> {
        let m = x.len();
        let mut hessian = vec![0.0; m * m];
        for k in 0..m {
            let width = DIFFERENCE * inverse[k * m + k].max(1e-300).sqrt();
            let width = if k < self.problem.fixed {
                width
            } else {
                width.min(0.01)
            };
            let mut trial = x.to_vec();
            trial[k] = x[k] + width;
            let (_, up) = self.evaluate(&trial, Gather::Nothing)?;
            trial[k] = x[k] - width;
            let (_, down) = self.evaluate(&trial, Gather::Nothing)?;
            for l in 0..m {
                hessian[k * m + l] = (down[l] - up[l]) / (2.0 * width);
            }
        }
        for k in 0..m {
            for l in 0..k {
                let mean = 0.5 * (hessian[k * m + l] + hessian[l * m + k]);
                hessian[k * m + l] = mean;
                hessian[l * m + k] = mean;
            }
        }
        Some(hessian)
    }

    /// Newton steps to the end, standard errors, certificate.
    fn finish(
        mut self,
        x: &[f64],
        mut value: f64,
        mut slope: Vec<f64>,
        inverse: &[f64],
        rounds: usize,
    ) -> Result<Ending, String> {
        let m = x.len();
        let mut x = x.to_vec();
        let lost = || "the marginal likelihood has no finite value around its maximum".to_owned();
        let hessian = self.curvature(&x, inverse).ok_or_else(lost)?;
        let free = self.free(&x, &hessian);
        let mut reduced = restrict(&hessian, &free, m);
        let least = least_eigenvalue(&reduced, free.len());
        let mut scales = vec![0.0; free.len()];
        let ridge = cholesky::factor_scaled(&mut reduced, free.len(), &mut scales);
        let small = inverse_of(&reduced, &scales, free.len());
        let mut covariance = vec![0.0; m * m];
        for (a, k) in free.iter().enumerate() {
            for (b, l) in free.iter().enumerate() {
                covariance[k * m + l] = small[a * free.len() + b];
            }
        }
        let mut gain = dot(&multiply(&covariance, &slope, m), &slope);
        for _ in 0..3 {
            let step = multiply(&covariance, &slope, m);
            if ridge != Some(0.0) || gain < 1e-14 {
                break;
            }
            let Some((share, next, next_slope)) = self.search(&x, &step, value, gain) else {
                break;
            };
            let next_gain = dot(&multiply(&covariance, &next_slope, m), &next_slope);
            if next_gain > gain {
                break;
            }
            x.iter_mut()
                .zip(&step)
                .for_each(|(x, step)| *x += share * step);
            (value, slope, gain) = (next, next_slope, next_gain);
        }
        (value, _) = self.evaluate(&x, Gather::Information).ok_or_else(lost)?;
        let mut weaknesses = Vec::new();
        if !(gain.abs().sqrt() < 1e-3) {
            weaknesses.push(Weakness {
                term: None,
                reason: format!(
                    "the maximum was not reached: the gradient is still {:.1e} standard errors",
                    gain.abs().sqrt()
                ),
            });
        }
        if ridge != Some(0.0) || !(least > 1e-9) {
            weaknesses.push(Weakness {
                term: None,
                reason: "the Hessian is not positive definite at the end: some combination of the terms is not identified by these data; take fewer random terms or a diagonal covariance".to_owned(),
            });
        }
        Ok(self.ending(
            &x,
            value,
            &covariance,
            Certificate {
                gradient: gain.abs().sqrt(),
                least_eigenvalue: least,
                iterations: rounds,
            },
            weaknesses,
        ))
    }

    /// Parameters that the likelihood depends on: a random effect that went to zero
    /// leaves its SD and correlations undetermined.
    fn free(&self, x: &[f64], hessian: &[f64]) -> Vec<usize> {
        let (m, fixed) = (x.len(), self.problem.fixed);
        let subjects = self.modes.len() / self.problem.q.max(1);
        #[expect(clippy::cast_precision_loss, reason = "counts below 2^53")]
        let subjects = subjects as f64;
        // An effect that matters has a curvature of about 2 a subject in ln SD.
        let gone: Vec<usize> = self
            .entries
            .iter()
            .enumerate()
            .filter(|(at, (row, column))| {
                let k = fixed + at;
                row == column && hessian[k * m + k].abs() < 1e-5 * subjects
            })
            .map(|(_, (row, _))| *row)
            .collect();
        (0..m)
            .filter(|k| {
                let Some((row, _)) = k.checked_sub(fixed).and_then(|at| self.entries.get(at))
                else {
                    return true;
                };
                !gone.contains(row)
            })
            .collect()
    }

    fn ending(
        self,
        x: &[f64],
        value: f64,
        covariance: &[f64],
        certificate: Certificate,
        weaknesses: Vec<Weakness>,
    ) -> Ending {
        let (problem, m) = (self.problem, x.len());
        let (q, fixed) = (problem.q, problem.fixed);
        let point = self.unpack(x);
        let sigma = point.noise.log_sigma.exp();
        let variance_of = |slope: &[f64]| {
            let variance = dot(&multiply(covariance, slope, m), slope);
            (variance > 0.0 && variance.is_finite()).then(|| variance.sqrt())
        };
        let log_sd_errors = (0..q)
            .map(|k| {
                // ln SD_k = l_k + 1/2 ln(1 + sum of squared shares).
                let mut slope = vec![0.0; m];
                let mut squares = 1.0;
                for (at, (row, column)) in self.entries.iter().enumerate() {
                    if *row == k && row != column {
                        squares += x[fixed + at] * x[fixed + at];
                    }
                }
                for (at, (row, column)) in self.entries.iter().enumerate() {
                    if *row == k {
                        slope[fixed + at] = if row == column {
                            1.0
                        } else {
                            x[fixed + at] / squares
                        };
                    }
                }
                variance_of(&slope)
            })
            .collect();
        // x holds an off-diagonal entry as a share of its row's diagonal, and a
        // correlation does not change where a row is scaled.
        let correlation_errors = (0..q * q)
            .map(|at| {
                let (one, other) = (at / q, at % q);
                if one == other || self.entries.len() == q {
                    return None;
                }
                let mut slope = vec![0.0; m];
                let by_entry = correlation_slope(&point.factor, q, &self.entries, (one, other));
                for (at, (row, column)) in self.entries.iter().enumerate() {
                    if row != column {
                        slope[fixed + at] = by_entry[at] * point.factor[row * q + row];
                    }
                }
                variance_of(&slope)
            })
            .collect();
        let error_of = |at: usize| {
            let mut slope = vec![0.0; m];
            slope[fixed + self.entries.len() + at] = 1.0;
            variance_of(&slope)
        };
        let power = usize::from(problem.variance == Variance::Power);
        let mut sigma_slope = vec![0.0; m];
        sigma_slope[fixed + self.entries.len()] = 1.0;
        if power == 1 {
            // The table's sigma is at a fitted value of 1.
            sigma_slope[fixed + self.entries.len() + 1] = -problem.reference;
        }
        Ending {
            beta_covariance: (0..fixed * fixed)
                .map(|at| covariance[at / fixed * m + at % fixed])
                .collect(),
            information: self.information,
            log_sd_errors,
            log_sigma_error: variance_of(&sigma_slope),
            correlation_errors,
            power_error: (power == 1).then(|| error_of(1)).flatten(),
            logit_phi_error: (problem.correlation == Correlation::Ar1)
                .then(|| error_of(1 + power))
                .flatten(),
            log_lik: value,
            certificate,
            weaknesses,
            state: State {
                factor: point.factor.iter().map(|value| value / sigma).collect(),
                variance: sigma * sigma,
                beta: point.beta,
                errors: point.noise.errors,
                spherical: if q == 0 {
                    Vec::new()
                } else {
                    self.modes.iter().map(|u| u * sigma).collect()
                },
            },
        }
    }
}

impl Task {
    fn reset(&mut self, products: bool, m: usize) {
        self.value = 0.0;
        self.failed = false;
        self.slope.fill(0.0);
        self.products.clear();
        self.products.resize(if products { m * m } else { 0 }, 0.0);
    }

    /// Adds the subject just evaluated.
    fn add(
        &mut self,
        problem: &Problem<'_>,
        point: &Point,
        entries: &[(usize, usize)],
        subject: usize,
        value: f64,
    ) {
        let (q, m) = (problem.q, self.one.len());
        self.value += value;
        let one = &mut self.one;
        one.fill(0.0);
        for (slope, column) in self
            .marginal
            .eta_slope
            .iter()
            .zip(problem.columns_of(subject))
        {
            one[*column] += slope;
        }
        for (at, (row, column)) in entries.iter().enumerate() {
            let diagonal = point.factor[row * q + row];
            one[problem.fixed + at] = if row == column {
                // ln of the diagonal scales the whole row.
                (0..=*row)
                    .map(|l| self.marginal.factor_slope[row * q + l] * point.factor[row * q + l])
                    .sum()
            } else {
                self.marginal.factor_slope[row * q + column] * diagonal
            };
        }
        for (to, from) in one[problem.fixed + entries.len()..]
            .iter_mut()
            .zip(&self.marginal.noise_slope)
        {
            *to = *from;
        }
        for k in 0..m {
            self.slope[k] += one[k];
        }
        if !self.products.is_empty() {
            for k in 0..m {
                if one[k] != 0.0 {
                    for l in 0..=k {
                        self.products[k * m + l] += one[k] * one[l];
                    }
                }
            }
        }
    }
}

/// Parameters other than fixed effects are logarithms: no more than e^2 a round.
fn limit(step: &mut [f64], fixed: usize) {
    let longest = step[fixed..]
        .iter()
        .fold(0.0_f64, |most, step| most.max(step.abs()));
    if longest > 2.0 {
        step.iter_mut().for_each(|step| *step *= 2.0 / longest);
    }
}

/// BFGS update of the inverse curvature, left alone where the step saw none.
fn update(inverse: &mut [f64], step: &[f64], change: &[f64], m: usize) {
    let curvature = dot(step, change);
    let image = multiply(inverse, change, m);
    let through = dot(&image, change);
    if !(curvature > 1e-8 * (through * dot(step, step)).abs().sqrt() * 1e-8 && curvature > 0.0) {
        return;
    }
    let scale = (1.0 + through / curvature) / curvature;
    for k in 0..m {
        for l in 0..m {
            inverse[k * m + l] +=
                scale * step[k] * step[l] - (image[k] * step[l] + step[k] * image[l]) / curvature;
        }
    }
}

fn restrict(matrix: &[f64], keep: &[usize], m: usize) -> Vec<f64> {
    keep.iter()
        .flat_map(|k| keep.iter().map(move |l| matrix[k * m + l]))
        .collect()
}

fn multiply(matrix: &[f64], vector: &[f64], m: usize) -> Vec<f64> {
    matrix.chunks_exact(m).map(|row| dot(row, vector)).collect()
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::mixed::{Covariance, MixedOptions, RandomTerm, Subjects};
    use crate::growth::built_in;

    /// The analytic gradient against differences of the value, for each error model
    /// and number of nodes: everything that moves with the parameters is followed.
    #[test]
    fn gradient_is_the_difference_quotient() {
        let ages = [3.0, 9.0, 20.0, 33.0, 50.0, 70.0];
        let curve = built_in("gompertz").expect("a built-in curve");
        let (mut starts, mut all_ages, mut values) = (vec![0], Vec::new(), Vec::new());
        for bird in 0..4 {
            let shift = f64::from(bird) - 1.5;
            let terms = [
                2000.0 + 200.0 * shift,
                0.07 - 0.004 * shift * shift,
                25.0 + shift,
            ];
            for (at, age) in ages.iter().enumerate().skip(usize::from(bird == 2)) {
                all_ages.push(*age);
                let wave = [0.03, -0.05, 0.04, -0.02, 0.03, -0.04][(at + bird as usize) % 6];
                values.push(curve.value(*age, &terms) * (1.0 + wave));
            }
            starts.push(values.len());
        }
        let groups = [0, 1, 0, 1];
        let subjects = Subjects::new(&starts, &all_ages, &values, &groups).expect("columns");
        for (variance, correlation, nodes) in [
            (Variance::Constant, Correlation::None, 1),
            (Variance::Power, Correlation::Ar1, 1),
            (Variance::LogNormal, Correlation::None, 3),
            (Variance::Power, Correlation::Ar1, 3),
        ] {
            let options = MixedOptions {
                random: vec![RandomTerm::log("A"), RandomTerm::natural("ti")],
                covariance: Covariance::Full,
                variance,
                correlation,
                estimator: Estimator::Quadrature { nodes },
                ..MixedOptions::default()
            };
            let model = MixedModel::new(&*curve, &options).expect("options");
            let problem = Problem::new(&model, &subjects).expect("problem");
            let state = model.start(&subjects, &problem).expect("start");
            let mut likelihood = Likelihood::new(&problem, &model, &state, nodes);
            let mut x = likelihood.pack(&state);
            x[problem.fixed + 1] = 0.4;
            let (_, slope) = likelihood.evaluate(&x, Gather::Nothing).expect("finite");
            for k in 0..x.len() {
                let width = 1e-4 * if k < problem.fixed { x[k].abs() } else { 1.0 };
                let mut at = |by: f64| {
                    let mut trial = x.clone();
                    trial[k] += by;
                    likelihood
                        .evaluate(&trial, Gather::Nothing)
                        .expect("finite")
                        .0
                };
                let quotient = (8.0 * (at(width) - at(-width)) - at(2.0 * width)
                    + at(-2.0 * width))
                    / (12.0 * width);
                // Fourth-order differences: what is left is rounding over the width.
                let size = slope[k].abs().max(quotient.abs()).max(1.0);
                assert!(
                    (slope[k] - quotient).abs() < 1e-6 * size,
                    "{variance:?} {nodes} nodes, parameter {k}: {} against {quotient}",
                    slope[k]
                );
            }
        }
    }
}
