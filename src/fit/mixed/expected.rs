//! The expected information of a subject, before it is measured.
//!
//! # Derivation
//! Measured at ages t_1..t_m, a subject of a population has values y = f(t, eta + b) + e
//! with random effects b ~ N(0, D) and residuals e ~ N(0, R). To first order around
//! b = 0, with F = df/d eta (m x p) and Z its columns of the random terms (m x q),
//!
//! ```text
//! y ~ N(f(t, eta), V),   V = Z D Z' + R,
//! R_jk = s_j s_k phi^|t_j - t_k|,   s_j = sigma |f_j|^power.
//! ```
//!
//! A log-normal error is constant on the logarithms: there y, f and F are those of ln y.
//! The information on the terms of its group is F' V^-1 F, on a pair (u, v) of the
//! variance parameters 1/2 tr(V^-1 dV/du V^-1 dV/dv). The information of V on the terms (it moves
//! with them through Z and s) is left out, and so is what it shares with the variance
//! parameters: that is the block form, which the standard errors of a fit follow too.
//! Informations of subjects add. For a linear model this is exact.
//!
//! The random effects given the subject's own values have the covariance
//! D - D Z' V^-1 Z D, the terms of the group taken as known.
//!
//! # Source
//! Mentré F, Mallet A, Baccar D (1997) Optimal design in random-effects regression
//! models, Biometrika 84: 429-442; Retout S, Duffull S, Mentré F (2001) Development and
//! implementation of the population Fisher information matrix for the evaluation of
//! population pharmacokinetic designs, Comput Methods Programs Biomed 65: 141-151 (both
//! from memory).

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use super::model::Covariance;
use super::population::Population;
use super::scale;
use crate::fit::Variance;

/// A parameter of the spread of a population.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SpreadParameter {
    /// Covariance of two random effects (a variance where they are one), by their
    /// order in the options.
    Random(usize, usize),
    /// ln sigma.
    LogSigma,
    /// Power of the fitted value in the residual SD.
    Power,
    /// Correlation of residuals one day apart.
    Ar1,
}

/// The expected information of one subject.
#[derive(Debug, Clone)]
pub struct SubjectInformation {
    /// Information on the terms of its group, in the terms' units, p x p.
    pub terms: DMatrix<f64>,
    /// Information on the spread, in the order of [`Population::spread_parameters`].
    pub spread: DMatrix<f64>,
    /// Covariance of its random effects given its observations, q x q.
    pub conditional: DMatrix<f64>,
}

impl Population {
    /// What is estimated of the spread.
    #[must_use]
    pub fn spread_parameters(&self) -> Vec<SpreadParameter> {
        let q = self.random.len();
        let mut parameters = Vec::new();
        for k in 0..q {
            for l in 0..=k {
                if k == l || self.options().covariance == Covariance::Full {
                    parameters.push(SpreadParameter::Random(k, l));
                }
            }
        }
        parameters.push(SpreadParameter::LogSigma);
        if self.options().variance == Variance::Power {
            parameters.push(SpreadParameter::Power);
        }
        if self.ar1.is_some() {
            parameters.push(SpreadParameter::Ar1);
        }
        parameters
    }

    /// Name and value of a parameter of the spread as the tables have them: `sd(A)`,
    /// `cor(A,k)`, `sigma`, `variance_power`, `ar1`; `None` where it has gone to zero.
    #[must_use]
    pub fn spread_value(&self, parameter: SpreadParameter) -> Option<(String, f64)> {
        let random = self.random_matrix();
        let name = |k: usize| &*self.curve.terms()[self.random[k]].name;
        match parameter {
            SpreadParameter::Random(k, l) if k == l => {
                let sd = random[(k, k)].sqrt();
                (sd > 0.0).then(|| (format!("sd({})", name(k)), sd))
            }
            SpreadParameter::Random(k, l) => {
                let correlation = random[(k, l)] / (random[(k, k)] * random[(l, l)]).sqrt();
                // The tables name the earlier effect first.
                let of = format!("cor({},{})", name(l), name(k));
                correlation.is_finite().then_some((of, correlation))
            }
            SpreadParameter::LogSigma => Some(("sigma".to_owned(), self.sigma)),
            SpreadParameter::Power => Some(("variance_power".to_owned(), self.power)),
            SpreadParameter::Ar1 => self.ar1.map(|phi| ("ar1".to_owned(), phi)),
        }
    }

    /// Gradient of that value in the parameters of the information; `None` where it has
    /// gone to zero.
    #[must_use]
    pub fn spread_gradient(&self, parameter: SpreadParameter) -> Option<DVector<f64>> {
        let parameters = self.spread_parameters();
        let random = self.random_matrix();
        let mut gradient = DVector::<f64>::zeros(parameters.len());
        let mut add = |which: SpreadParameter, slope: f64| {
            if let Some(at) = parameters.iter().position(|known| *known == which) {
                gradient[at] += slope;
            }
        };
        match parameter {
            SpreadParameter::Random(k, l) if k == l => {
                add(parameter, 0.5 / random[(k, k)].sqrt());
            }
            SpreadParameter::Random(k, l) => {
                let (one, other) = (random[(k, k)], random[(l, l)]);
                let size = (one * other).sqrt();
                let correlation = random[(k, l)] / size;
                add(parameter, 1.0 / size);
                add(SpreadParameter::Random(k, k), -0.5 * correlation / one);
                add(SpreadParameter::Random(l, l), -0.5 * correlation / other);
            }
            SpreadParameter::LogSigma => add(parameter, self.sigma),
            SpreadParameter::Power | SpreadParameter::Ar1 => add(parameter, 1.0),
        }
        let finite = gradient.iter().all(|slope| slope.is_finite());
        finite.then_some(gradient)
    }

    /// Which fixed effect each term of a group is; groups that share a term share it.
    #[must_use]
    pub fn fixed_effects(&self, group: usize) -> &[usize] {
        let p = self.scales.len();
        &self.columns[group * p..(group + 1) * p]
    }

    /// Index of the last fixed effect.
    #[must_use]
    pub fn last_fixed_effect(&self) -> usize {
        self.columns.iter().copied().max().unwrap_or(0)
    }

    /// Gradient of a quantity in the random effects of a group's typical subject, from
    /// its gradient in the terms.
    #[must_use]
    pub fn random_gradient(&self, group: usize, gradient: &[f64]) -> DVector<f64> {
        let mut chained = gradient.to_vec();
        scale::chain(&self.scales, &self.group_terms(group), &mut chained);
        DVector::from_iterator(
            self.random.len(),
            self.random.iter().map(|term| chained[*term]),
        )
    }

    /// Covariance of the random effects, q x q.
    #[must_use]
    pub fn random_matrix(&self) -> DMatrix<f64> {
        let q = self.random.len();
        DMatrix::from_row_slice(q, q, self.random_covariance())
    }

    /// The expected information of a subject of a group that is measured at these ages;
    /// `None` where the curve has no value or no spread at one of them.
    ///
    /// # Shapes
    /// `ages_d`: m, ascending; an age may be there twice unless residuals are correlated.
    #[must_use]
    pub fn information(&self, group: usize, ages_d: &[f64]) -> Option<SubjectInformation> {
        let view = View::of(self, group, ages_d)?;
        let slopes = &view.slopes;
        let solved = view.factor.solve(slopes);
        let parameters = self.spread_parameters();
        let moved: Vec<DMatrix<f64>> = parameters
            .iter()
            .map(|parameter| view.factor.solve(&view.moved(self, ages_d, *parameter)))
            .collect();
        let count = parameters.len();
        let spread = DMatrix::from_fn(count, count, |u, v| {
            // tr(AB), without making AB.
            0.5 * moved[u].component_mul(&moved[v].transpose()).sum()
        });
        let random = self.random_matrix();
        let explained = view.effects.tr_mul(&view.factor.solve(&view.effects));
        Some(SubjectInformation {
            terms: slopes.tr_mul(&solved),
            spread,
            conditional: &random - &random * explained * &random,
        })
    }

    /// Information on the terms alone: what a search for ages requires.
    #[must_use]
    pub fn term_information(&self, group: usize, ages_d: &[f64]) -> Option<DMatrix<f64>> {
        let view = View::of(self, group, ages_d)?;
        Some(view.slopes.tr_mul(&view.factor.solve(&view.slopes)))
    }
}

/// The model of one subject, linearised.
struct View {
    /// Values on the scale of the errors' curve.
    fitted: Vec<f64>,
    /// Gradient in the terms, m x p.
    slopes: DMatrix<f64>,
    /// Gradient in the random effects, m x q.
    effects: DMatrix<f64>,
    /// Residual covariance.
    residual: DMatrix<f64>,
    /// Factor of V.
    factor: Cholesky<f64, Dyn>,
}

impl View {
    fn of(population: &Population, group: usize, ages_d: &[f64]) -> Option<Self> {
        let terms = population.group_terms(group);
        let (m, p, q) = (ages_d.len(), terms.len(), population.random.len());
        let mut fitted = Vec::with_capacity(m);
        let mut slopes = DMatrix::zeros(m, p);
        let mut effects = DMatrix::zeros(m, q);
        let mut gradient = vec![0.0; p];
        for (row, age_d) in ages_d.iter().enumerate() {
            let value = population
                .curve
                .value_and_gradient(*age_d, &terms, &mut gradient);
            if population.options().variance == Variance::LogNormal {
                gradient.iter_mut().for_each(|slope| *slope /= value);
            }
            slopes.row_mut(row).copy_from_slice(&gradient);
            scale::chain(&population.scales, &terms, &mut gradient);
            for (column, term) in population.random.iter().enumerate() {
                effects[(row, column)] = gradient[*term];
            }
            fitted.push(value);
        }
        let spread = |value: f64| match population.options().variance {
            Variance::LogNormal => population.sigma,
            _ => population.sigma * value.abs().powf(population.power),
        };
        let residual = DMatrix::from_fn(m, m, |j, k| {
            let alike = match population.ar1 {
                _ if j == k => 1.0,
                Some(phi) => phi.powf((ages_d[j] - ages_d[k]).abs()),
                None => 0.0,
            };
            spread(fitted[j]) * spread(fitted[k]) * alike
        });
        let all = &effects * population.random_matrix() * effects.transpose() + &residual;
        if !(slopes.iter().chain(all.iter())).all(|x| x.is_finite()) {
            return None;
        }
        Some(Self {
            fitted,
            slopes,
            effects,
            residual,
            factor: all.cholesky()?,
        })
    }

    /// dV / d parameter.
    fn moved(
        &self,
        population: &Population,
        ages_d: &[f64],
        parameter: SpreadParameter,
    ) -> DMatrix<f64> {
        let m = ages_d.len();
        match parameter {
            SpreadParameter::Random(k, l) => {
                let (one, other) = (self.effects.column(k), self.effects.column(l));
                let product = one * other.transpose();
                if k == l {
                    product
                } else {
                    &product + product.transpose()
                }
            }
            SpreadParameter::LogSigma => 2.0 * &self.residual,
            SpreadParameter::Power => DMatrix::from_fn(m, m, |j, k| {
                let logs = self.fitted[j].abs().ln() + self.fitted[k].abs().ln();
                self.residual[(j, k)] * logs
            }),
            SpreadParameter::Ar1 => {
                let phi = population.ar1.unwrap_or(0.0);
                DMatrix::from_fn(m, m, |j, k| {
                    let apart_d = (ages_d[j] - ages_d[k]).abs();
                    if j == k || phi <= 0.0 {
                        0.0
                    } else {
                        self.residual[(j, k)] * apart_d / phi
                    }
                })
            }
        }
    }
}
