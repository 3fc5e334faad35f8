//! Which curve describes the unnamed birds of a study, and how their spread changes with age.

use std::collections::BTreeSet;
use std::sync::Arc;

use super::data::{Part, SampledData};
use super::model::SampledModel;
use super::of_study::Sampled;
use crate::fit::{self, Series, Settings, Variance, Workspace};
use crate::growth::Curve;
use crate::study::{FixedEffectOf, Study};

/// A curve that was tried.
#[derive(Debug, Clone, PartialEq)]
pub struct TriedCurve {
    /// Its name.
    pub curve: String,
    /// AICc by full likelihood with the occasions as n, or why there is no fit.
    pub aicc: Result<f64, String>,
}

/// The unnamed birds of a study with the model that describes them.
#[derive(Debug, Clone)]
pub struct SampledTrait {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// What was weighed.
    pub sampled: Sampled,
    /// The model, or why there is none.
    pub model: Result<SampledModel, String>,
    /// The curves tried, the chosen one among them.
    pub tried: Vec<TriedCurve>,
}

impl SampledTrait {
    /// The model of a study's unnamed birds and of the ringed birds of their groups, the curve
    /// chosen among `curves`; `None` where there are no unnamed birds.
    ///
    /// The curve with the lowest AICc by full likelihood is taken, with a line in age for the
    /// log SD between birds; then the terms of the log SD (constant, line, parabola) by AIC of
    /// restricted likelihood. Units, days and occasions stay in the model whatever their
    /// variance.
    #[must_use]
    pub fn of(study: &Study, curves: &[Arc<dyn Curve>], by: &[FixedEffectOf]) -> Option<Self> {
        if study.samples.is_empty() {
            return None;
        }
        let trait_index = study.main_trait()?;
        let sampled = Sampled::of(study, &study.traits[trait_index], by);
        let mut tried = Vec::new();
        let mut best: Option<(f64, SampledModel)> = None;
        let usable = curves.iter().filter(|curve| !curve.needs_hatch_weight());
        for curve in usable {
            let model = fit_curve(curve, &sampled.data, 1);
            let aicc = model.as_ref().map(aicc).map_err(Clone::clone);
            tried.push(TriedCurve {
                curve: curve.name().to_owned(),
                aicc: aicc.clone(),
            });
            if let (Ok(aicc), Ok(model)) = (aicc, model)
                && best.as_ref().is_none_or(|(least, _)| aicc < *least)
            {
                best = Some((aicc, model));
            }
        }
        let model = match best {
            Some((_, model)) => Ok(with_spread(model, &sampled.data)),
            None => Err(tried
                .iter()
                .find_map(|one| one.aicc.clone().err())
                .unwrap_or_else(|| "no curve was requested".to_owned())),
        };
        Some(Self {
            trait_index,
            sampled,
            model,
            tried,
        })
    }

    /// Index of the first group of a strain; `None` where it has no unnamed birds.
    #[must_use]
    pub fn group_of(&self, strain: usize) -> Option<usize> {
        let mut groups = self.sampled.groups.iter();
        groups.position(|group| group.strain == strain)
    }

    /// Unit of a ringed bird, where its strain has unnamed birds, too.
    #[must_use]
    pub fn unit_of_bird(&self, bird: usize) -> Option<usize> {
        self.sampled.unit_of_bird.get(&bird).copied()
    }

    /// First and last age at which a group was weighed, d.
    #[must_use]
    pub fn age_span(&self, group: usize) -> (f64, f64) {
        let data = &self.sampled.data;
        let cells = data
            .cells
            .iter()
            .filter(|cell| data.group_of(cell) == group);
        cells.fold((f64::INFINITY, f64::NEG_INFINITY), |(first, last), cell| {
            (first.min(cell.age_d), last.max(cell.age_d))
        })
    }
}

/// Corrected AIC by full likelihood; n is the number of occasions.
fn aicc(model: &SampledModel) -> f64 {
    let (k, n) = (model.parameters as f64, model.cells as f64);
    let aic = 2.0 * k - 2.0 * model.log_lik;
    if n - k - 1.0 > 0.0 {
        aic + 2.0 * k * (k + 1.0) / (n - k - 1.0)
    } else {
        f64::INFINITY
    }
}

/// The model with the terms of the log SD that restricted likelihood supports.
fn with_spread(model: SampledModel, data: &SampledData) -> SampledModel {
    if model.sd(0, 0.0).is_none() {
        return model;
    }
    let mut best = model;
    for slopes in [0, 2] {
        let other = SampledModel::fit(&best.curve, data, best.terms.clone(), slopes);
        if let Ok(other) = other
            && other.restricted_aic() < best.restricted_aic()
        {
            best = other;
        }
    }
    best
}

/// One curve, from starting terms by least squares of each group's occasions.
fn fit_curve(
    curve: &Arc<dyn Curve>,
    data: &SampledData,
    slopes: usize,
) -> Result<SampledModel, String> {
    let p = curve.terms().len();
    let mut start = Vec::new();
    for group in 0..data.groups() {
        let points = points(data, group);
        let ages: BTreeSet<u64> = points.iter().map(|point| point.0.to_bits()).collect();
        if ages.len() <= p {
            return Err(format!(
                "{} ages at which birds were weighed, {} needed for a curve of {p} terms",
                ages.len(),
                p + 1
            ));
        }
        let (ages_d, values): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
        let series = Series {
            ages_d: &ages_d,
            values: &values,
        };
        let settings = Settings {
            variance: Variance::LogNormal,
            ..Settings::default()
        };
        let outcome = fit::fit(curve.as_ref(), series, &settings, &mut Workspace::new());
        match outcome.estimates() {
            Some(estimates) => start.push(estimates.terms.to_vec()),
            None => return Err(outcome.reason()),
        }
    }
    SampledModel::fit(curve, data, start, slopes)
}

/// Age and geometric mean of every part of a group's cells, ascending in age.
fn points(data: &SampledData, group: usize) -> Vec<(f64, f64)> {
    let mut points = Vec::new();
    for part in &data.parts {
        let mut add = |cell: usize, log: f64| {
            let cell = &data.cells[cell];
            if data.group_of(cell) == group {
                points.push((cell.age_d, log.exp()));
            }
        };
        match part {
            Part::Sample { cell, mean_log, .. } => add(*cell, *mean_log),
            Part::Bulk { cell, log_mean, .. } => add(*cell, *log_mean),
            Part::Bird { cells, logs } => {
                cells
                    .iter()
                    .zip(logs)
                    .for_each(|(cell, log)| add(*cell, *log));
            }
        }
    }
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    points
}
