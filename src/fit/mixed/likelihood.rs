//! The marginal likelihood of all subjects as a function of free parameters.
//!
//! The parameters are the fixed effects, the entries of the factor over the length that
//! their row had at the start, ln sigma and the error terms. The factor's entries are
//! left free of sign: L L' does not ask for it, and where an effect or a combination of
//! effects goes to zero the likelihood has an ordinary maximum at the entry 0, which no
//! logarithm reaches.

use rayon::prelude::*;

use super::alternating::State;
use super::cholesky;
use super::contribution::Noise;
use super::ending::is_full;
use super::error_terms::{error_terms, logit, phi};
use super::marginal::{Lost, Marginal, Point};
use super::model::{Correlation, MixedModel};
use super::problem::{CHUNK, Errors, Problem};
use super::profile::ProfilePenalty;
use super::quadrature::Rule;
use super::scale::TermScale;
use crate::fit::Variance;

/// An entry of the factor's diagonal that a climb begins with at least, in lengths of its
/// row: small beside its error for fewer than some 1e5 subjects.
const LEAST_ENTRY: f64 = 1e-2;
/// Width of central differences as a share of a term: the cube root of the rounding unit
/// balances their two errors; about 1e-10 is left.
const DIFFERENCE: f64 = 6e-6;

/// Widths of the differences in eta, p.
pub(super) fn difference_widths(problem: &Problem<'_>, beta: &[f64]) -> Vec<f64> {
    let size = |term: usize| match problem.scales[term] {
        TermScale::Natural => problem
            .columns
            .iter()
            .skip(term)
            .step_by(problem.p)
            .fold(1e-8_f64, |most, column| most.max(beta[*column].abs())),
        TermScale::Log | TermScale::Above(_) => 1.0,
    };
    (0..problem.p).map(|term| DIFFERENCE * size(term)).collect()
}

/// Sums of one task.
#[derive(Debug)]
pub(super) struct Task {
    marginal: Marginal,
    value: f64,
    slope: Vec<f64>,
    one: Vec<f64>,
    products: Vec<f64>,
    /// Its first subject without a likelihood, and how many there are.
    lost: Option<(usize, Lost)>,
    lost_count: usize,
}

/// What an evaluation gathers beside value and gradient.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Gather {
    Nothing,
    /// Outer products of the subjects' scores.
    Products,
    /// The subjects' information at their modes.
    Information,
}

/// The likelihood of all subjects as a function of the free parameters.
#[derive(Debug)]
pub(super) struct Likelihood<'p, 'a> {
    pub(super) problem: &'p Problem<'a>,
    pub(super) rule: Rule,
    pub(super) entries: Vec<(usize, usize)>,
    pub(super) tasks: Vec<Task>,
    /// Modes, subjects x max(q, 1): each search starts where the last one ended.
    pub(super) modes: Vec<f64>,
    pub(super) information: Vec<f64>,
    pub(super) widths: Vec<f64>,
    /// Lengths of the factor's rows at the start: units of its entries, q.
    pub(super) sizes: Vec<f64>,
    /// What is added to the likelihood while a profile is walked.
    pub(super) pull: Option<ProfilePenalty>,
}

impl<'p, 'a> Likelihood<'p, 'a> {
    pub(super) fn new(
        problem: &'p Problem<'a>,
        model: &MixedModel<'_>,
        start: &State,
        nodes: usize,
    ) -> Self {
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
                lost: None,
                lost_count: 0,
            })
            .collect();
        let (widths, q) = (difference_widths(problem, &start.beta), problem.q);
        let sizes = (0..q)
            .map(|k| {
                let row = &start.factor[k * q..=k * q + k];
                let size = row.iter().map(|l| l * l).sum::<f64>() * start.variance;
                // A row of zeros has no length: begin where it hardly matters.
                size.sqrt().max(1e3 * widths[problem.random[k]])
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
            sizes,
            pull: None,
        }
    }

    /// Goes on with this number of nodes a random effect.
    pub(super) fn take_nodes(&mut self, nodes: usize) {
        self.rule = Rule::new(nodes, self.problem.q);
        for task in &mut self.tasks {
            task.marginal.take_points(self.rule.log_weights.len());
        }
    }

    pub(super) fn pack(&self, state: &State) -> Vec<f64> {
        let (problem, q) = (self.problem, self.problem.q);
        let sigma = state.variance.sqrt();
        let mut x = state.beta.clone();
        x.extend(self.entries.iter().map(|(row, column)| {
            let entry = sigma * state.factor[row * q + column] / self.sizes[*row];
            // At 0 the likelihood is flat whether it is a maximum or not.
            if row == column && entry.abs() < LEAST_ENTRY {
                LEAST_ENTRY
            } else {
                entry
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

    pub(super) fn unpack(&self, x: &[f64]) -> Point {
        let (problem, q) = (self.problem, self.problem.q);
        let (beta, rest) = x.split_at(problem.fixed);
        let mut factor = vec![0.0; q * q];
        for ((row, column), value) in self.entries.iter().zip(rest) {
            factor[row * q + column] = value * self.sizes[*row];
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

    /// Log-likelihood and gradient; `None` where a subject has none: [`Self::lost`] gives
    /// the reason.
    pub(super) fn evaluate(&mut self, x: &[f64], gather: Gather) -> Option<(f64, Vec<f64>)> {
        let point = self.unpack(x);
        let (problem, rule) = (self.problem, &self.rule);
        let (entries, sizes) = (&self.entries, &self.sizes);
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
                    let found = task.marginal.evaluate(problem, &point, rule, subject, mode);
                    let value = match found {
                        Ok(value) => value,
                        Err(why) => {
                            // The next search begins afresh.
                            mode.fill(0.0);
                            task.lost.get_or_insert((subject, why));
                            task.lost_count += 1;
                            continue;
                        }
                    };
                    task.add(problem, (entries, sizes), subject, value);
                    if gather == Gather::Information {
                        information.copy_from_slice(&task.marginal.information);
                    }
                }
            });
        let mut value = problem.log_jacobian;
        let mut slope = vec![0.0; m];
        for task in &self.tasks {
            if task.lost.is_some() {
                return None;
            }
            value += task.value;
            slope.iter_mut().zip(&task.slope).for_each(|(a, b)| *a += b);
        }
        if let Some(pull) = &self.pull {
            pull.add(problem, x, &mut value, &mut slope)?;
        }
        (value.is_finite() && slope.iter().all(|slope| slope.is_finite())).then_some((value, slope))
    }

    /// Why the last evaluation gave no value, in words.
    pub(super) fn lost(&self) -> String {
        let count: usize = self.tasks.iter().map(|task| task.lost_count).sum();
        let all = self.problem.subjects();
        match self.tasks.iter().find_map(|task| task.lost) {
            Some((first, why)) => {
                let why = match why {
                    Lost::Valueless => "the curve has no finite value there",
                    Lost::Endless => "the search for their own curve comes to no end",
                    Lost::Beside => "the curve has no finite value beside their own curve",
                };
                format!(
                    "{count} of {all} subjects (the first is number {}) have no likelihood: {why}",
                    first + 1
                )
            }
            None => "the likelihood of all subjects together is not finite".to_owned(),
        }
    }

    /// Size of the term that a fixed effect stands for.
    fn term_size(&self, fixed: usize) -> f64 {
        let columns = &self.problem.columns;
        let at = columns.iter().position(|column| *column == fixed);
        self.widths[at.unwrap_or(0) % self.problem.p] / DIFFERENCE
    }

    /// Inverse of the first metric.
    pub(super) fn metric(
        &self,
        products: bool,
        beta_covariance: Option<&[f64]>,
        m: usize,
    ) -> Vec<f64> {
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
                return cholesky::inverse_of(&sum, &scales, m);
            }
        }
        let (subjects, observations) =
            (self.problem.subjects() as f64, self.problem.observations());
        let mut inverse = vec![0.0; m * m];
        for k in 0..m {
            let information = if k < fixed {
                // Nothing known: a percent of the term.
                let size = 0.01 * self.term_size(k);
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
}

impl Task {
    fn reset(&mut self, products: bool, m: usize) {
        self.value = 0.0;
        (self.lost, self.lost_count) = (None, 0);
        self.slope.fill(0.0);
        self.products.clear();
        self.products.resize(if products { m * m } else { 0 }, 0.0);
    }

    /// Adds the subject just evaluated.
    fn add(
        &mut self,
        problem: &Problem<'_>,
        (entries, sizes): (&[(usize, usize)], &[f64]),
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
            one[problem.fixed + at] = self.marginal.factor_slope[row * q + column] * sizes[*row];
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::mixed::{Covariance, Estimator, MixedOptions, Nodes, RandomTerm, Subjects};
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
                estimator: Estimator::Quadrature {
                    nodes: Nodes::Fixed(nodes),
                },
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

    /// With nothing known of the fixed effects, a first step is a percent of each of them,
    /// whatever its unit.
    #[test]
    fn the_first_metric_takes_each_fixed_effect_by_its_own_size() {
        let curve = built_in("gompertz").expect("a built-in curve");
        let terms = [2000.0, 0.03, 50.0];
        let ages = [3.0, 20.0, 40.0, 60.0, 90.0];
        let (mut values, groups) = (Vec::new(), [0, 1]);
        for wave in [1.01, 0.98] {
            let value = |age: &f64| wave * curve.value(*age, &terms) + (age * 7.0).sin();
            values.extend(ages.iter().map(value));
        }
        let (starts, ages) = ([0, 5, 10], [ages, ages].concat());
        let subjects = Subjects::new(&starts, &ages, &values, &groups).expect("columns");
        let options = MixedOptions {
            grouped: crate::fit::mixed::GroupedTerms::All,
            random: vec![RandomTerm::natural("A")],
            ..MixedOptions::default()
        };
        let model = MixedModel::new(&*curve, &options).expect("options");
        let problem = Problem::new(&model, &subjects).expect("problem");
        let state = model.start(&subjects, &problem).expect("start");
        let likelihood = Likelihood::new(&problem, &model, &state, 1);
        let m = problem.fixed + 2;
        let inverse = likelihood.metric(false, None, m);
        for k in 0..problem.fixed {
            let of_term = [state.beta[2 * (k / 2)], state.beta[2 * (k / 2) + 1]];
            let size = of_term[0].abs().max(of_term[1].abs());
            let step = inverse[k * m + k].sqrt();
            // A square and a root.
            assert!(
                (step / (0.01 * size) - 1.0).abs() < 1e-12,
                "{k}: {step} {size}"
            );
        }
    }
}
