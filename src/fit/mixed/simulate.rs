//! New values, drawn from a population.
//!
//! Each subject gets new random effects (normal with the fitted covariance) and each
//! observation a new residual with the fitted spread and correlation: what a
//! parametric bootstrap and the planning of a study draw again and again.

use rand::Rng;
use rand_distr::{Distribution, StandardNormal};

use super::conditional::effects_of;
use super::model::MixedModel;
use super::population::Population;
use super::result::MixedFit;
use super::scale::{self, TermScale};
use super::subjects::Subjects;
use crate::fit::Variance;
use crate::growth::Curve;

impl Population {
    /// Values at the ages of `subjects`, in their order, for new subjects of the same
    /// groups. The values that `subjects` hold do not matter.
    ///
    /// # Panics
    /// Where a subject's group has no fixed effects in this population.
    #[must_use]
    pub fn simulate(&self, subjects: &Subjects<'_>, random: &mut impl Rng) -> Vec<f64> {
        self.simulate_known(subjects, random).values
    }

    /// As [`Population::simulate`], with the truth that the values were drawn about.
    ///
    /// # Panics
    /// Where a subject's group has no fixed effects in this population.
    #[must_use]
    pub fn simulate_known(&self, subjects: &Subjects<'_>, random: &mut impl Rng) -> Simulation {
        self.simulate_in_clusters(subjects, (&[], 0.0), random)
    }

    /// As [`Population::simulate_known`], for subjects whose clusters each have one effect common
    /// to some terms: a factor with an SD of `sd` on the log scale (of a term whose effects add on
    /// its natural scale an amount, with that share of the group's term as its SD).
    ///
    /// # Panics
    /// Where a subject's group has no fixed effects in this population.
    #[must_use]
    pub fn simulate_in_clusters(
        &self,
        subjects: &Subjects<'_>,
        (cluster, sd): (&[usize], f64),
        random: &mut impl Rng,
    ) -> Simulation {
        let typical: Vec<f64> = self.columns.iter().map(|at| self.beta[*at]).collect();
        let mut cluster_sds = Vec::with_capacity(self.groups * cluster.len());
        for group in 0..self.groups {
            let terms = self.group_terms(group);
            cluster_sds.extend(cluster.iter().map(|term| match self.scales[*term] {
                TermScale::Natural => sd * terms[*term].abs(),
                TermScale::Log | TermScale::Above(_) => sd,
            }));
        }
        let source = Source {
            curve: &*self.curve,
            scales: &self.scales,
            random: &self.random,
            typical: &typical,
            factor: &self.factor,
            cluster,
            cluster_sds: &cluster_sds,
            common_cluster: true,
            variance: self.options().variance,
            sigma: self.sigma,
            power: self.power,
            ar1: self.ar1,
        };
        source.draw(subjects, random)
    }
}

/// Values drawn for subjects, and the subjects' true terms.
#[derive(Debug, Clone, PartialEq)]
pub struct Simulation {
    /// Values in the order of the subjects' observations.
    pub values: Vec<f64>,
    /// True terms of each subject, subjects x p.
    pub terms: Vec<f64>,
}

impl MixedFit {
    /// Values at the ages of `subjects`, in their order, for subjects of the same
    /// groups newly drawn from the population.
    ///
    /// `model` is that of the fit.
    ///
    /// # Panics
    /// Where a subject's group has no fixed effects in this fit.
    #[must_use]
    pub fn simulate(
        &self,
        model: &MixedModel<'_>,
        subjects: &Subjects<'_>,
        random: &mut impl Rng,
    ) -> Vec<f64> {
        let mut typical = vec![0.0; self.group_terms.len()];
        let groups = self.group_terms.chunks_exact(self.terms);
        for (terms, eta) in groups.zip(typical.chunks_exact_mut(self.terms)) {
            // A fitted group's terms have their logarithms.
            let _ = scale::from_terms(&model.scales, terms, eta);
        }
        let sigma = self.state.variance.sqrt();
        let factor: Vec<f64> = self.state.factor.iter().map(|l| l * sigma).collect();
        let own: Vec<f64> = self.cluster.iter().map(|c| c.standard_deviation).collect();
        let cluster_sds = own.repeat(self.groups());
        let source = Source {
            curve: model.curve,
            scales: &model.scales,
            random: &model.random,
            typical: &typical,
            factor: &factor,
            cluster: &model.cluster,
            cluster_sds: &cluster_sds,
            common_cluster: model.common_cluster,
            variance: self.variance,
            sigma: self.sigma,
            power: self.variance_power(),
            ar1: self.ar1.map(|ar1| ar1.value),
        };
        source.draw(subjects, random).values
    }
}

/// What is drawn from.
struct Source<'a> {
    curve: &'a dyn Curve,
    scales: &'a [TermScale],
    random: &'a [usize],
    /// eta of each group's typical subject, groups x p.
    typical: &'a [f64],
    /// Factor of the random effects' covariance, q x q.
    factor: &'a [f64],
    /// Terms with a cluster effect, and its SDs in each group, groups x terms.
    cluster: &'a [usize],
    cluster_sds: &'a [f64],
    /// Whether it is one effect, common to these.
    common_cluster: bool,
    variance: Variance,
    /// Residual SD at a fitted value of 1.
    sigma: f64,
    power: f64,
    ar1: Option<f64>,
}

impl Source<'_> {
    fn draw(&self, subjects: &Subjects<'_>, random: &mut impl Rng) -> Simulation {
        let (p, q) = (self.scales.len(), self.random.len());
        let mut values = Vec::with_capacity(subjects.observations());
        let mut drawn_terms = Vec::with_capacity(subjects.len() * p);
        let (mut eta, mut terms) = (vec![0.0; p], vec![0.0; p]);
        let (mut spherical, mut effects) = (vec![0.0; q], vec![0.0; q]);
        let mut normal = || -> f64 { StandardNormal.sample(&mut *random) };
        // As many effects as clusters, where the model has them.
        let of_cluster = subjects.clusters.as_ref();
        let mut cluster_effects = Vec::new();
        let width = self.cluster.len();
        for group in of_cluster.map_or(&[][..], |clusters| &clusters.groups) {
            let common = normal();
            let one = |sd: &f64| {
                sd * if self.common_cluster {
                    common
                } else {
                    normal()
                }
            };
            let sds = &self.cluster_sds[group * width..(group + 1) * width];
            cluster_effects.extend(sds.iter().map(one));
        }
        for subject in 0..subjects.len() {
            let group = subjects.group(subject);
            eta.copy_from_slice(&self.typical[group * p..(group + 1) * p]);
            spherical.iter_mut().for_each(|u| *u = normal());
            effects_of(self.factor, &spherical, &mut effects);
            for (term, effect) in self.random.iter().zip(&effects) {
                eta[*term] += effect;
            }
            if let Some(clusters) = of_cluster {
                let first = clusters.of[subject] * self.cluster.len();
                for (term, effect) in self.cluster.iter().zip(&cluster_effects[first..]) {
                    eta[*term] += effect;
                }
            }
            scale::to_terms(self.scales, &eta, &mut terms);
            drawn_terms.extend_from_slice(&terms);
            let (ages_d, _) = subjects.of(subject);
            let first = subjects.starts[subject];
            let mut before: Option<(f64, f64)> = None;
            for (at, age_d) in ages_d.iter().enumerate() {
                let (rho, one_before) = match (self.ar1, before) {
                    (Some(phi), Some((age_before_d, residual))) => {
                        (phi.powf(age_d - age_before_d), residual)
                    }
                    _ => (0.0, 0.0),
                };
                let residual = rho * one_before + ((1.0 - rho) * (1.0 + rho)).sqrt() * normal();
                before = Some((*age_d, residual));
                let known = subjects
                    .relative_variances
                    .as_ref()
                    .map_or(1.0, |variances| variances[first + at].sqrt());
                let fitted = self.curve.value(*age_d, &terms);
                values.push(match self.variance {
                    Variance::LogNormal => fitted * (self.sigma * known * residual).exp(),
                    _ => {
                        let spread = self.sigma * fitted.abs().powf(self.power) * known;
                        fitted + spread * residual
                    }
                });
            }
        }
        Simulation {
            values,
            terms: drawn_terms,
        }
    }
}
