//! The records of a subject as a fit takes them: of one bird or of a strain's birds
//! pooled, with the weights that known error variances give them.

use std::sync::Arc;

use crate::error::Result;
use crate::fit::mixed::Subjects;
use crate::fit::{Failure, Series};
use crate::growth::Curve;
use crate::study::{Records, Study};

/// Ages and values of all birds of one strain, ascending in age.
#[derive(Debug, Clone, Default)]
pub struct Pooled {
    /// Ages in days.
    pub ages_d: Vec<f64>,
    /// Values in grams.
    pub values: Vec<f64>,
    /// Index into [`Study::birds`], a value each; of a mean over several birds the
    /// first of them.
    pub birds: Vec<usize>,
    /// Known error variance of each value, g^2; empty where none are known.
    pub variances: Vec<f64>,
}

/// One value of a pooled series.
struct PooledRow {
    age_d: f64,
    value: f64,
    bird: usize,
    variance: f64,
}

impl Pooled {
    /// Gathers the records of one strain; equal ages stay in the order of the birds.
    #[must_use]
    pub fn of(study: &Study, records: &Records, strain: usize) -> Self {
        let mut rows: Vec<PooledRow> = Vec::new();
        for bird in study.birds_of(strain) {
            let (ages_d, values) = records.of(bird);
            let variances = records.variances_of(bird);
            let pairs = ages_d.iter().zip(values).enumerate();
            rows.extend(pairs.map(|(place, (age_d, value))| PooledRow {
                age_d: *age_d,
                value: *value,
                bird,
                variance: variances.get(place).copied().unwrap_or(f64::NAN),
            }));
        }
        let groups = records.groups.iter().filter(|group| group.strain == strain);
        rows.extend(groups.map(|group| PooledRow {
            age_d: group.age_d,
            value: group.value,
            bird: group.birds.first().copied().unwrap_or_default(),
            variance: group.variance,
        }));
        rows.sort_by(|a, b| a.age_d.total_cmp(&b.age_d));
        let known = rows.iter().all(|row| row.variance.is_finite());
        Self {
            ages_d: rows.iter().map(|row| row.age_d).collect(),
            values: rows.iter().map(|row| row.value).collect(),
            birds: rows.iter().map(|row| row.bird).collect(),
            variances: if known {
                rows.iter().map(|row| row.variance).collect()
            } else {
                Vec::new()
            },
        }
    }

    /// The records of one bird.
    #[must_use]
    pub fn of_bird(records: &Records, bird: usize) -> Self {
        let (ages_d, values) = records.of(bird);
        Self {
            ages_d: ages_d.to_vec(),
            values: values.to_vec(),
            birds: vec![bird; values.len()],
            variances: records.variances_of(bird).to_vec(),
        }
    }

    pub(super) fn observed<'a>(&'a self, weights: Option<&'a [f64]>) -> Observed<'a> {
        Observed {
            series: self.series(),
            birds: &self.birds,
            weights: weights.unwrap_or_default(),
        }
    }

    /// As a series to fit.
    #[must_use]
    pub fn series(&self) -> Series<'_> {
        Series {
            ages_d: &self.ages_d,
            values: &self.values,
        }
    }
}

/// Weights of values whose error variances are known: 1 over the variance, times the
/// usual variance, so that sigma stays in grams and that of a value of usual variance.
/// `None` where all weigh alike.
pub(super) fn weights(variances: &[f64]) -> Option<Box<[f64]>> {
    let usual = usual_variance(variances)?;
    Some(variances.iter().map(|variance| usual / variance).collect())
}

/// The geometric mean of known error variances, g^2; `None` where they are not all
/// known, or all alike.
#[must_use]
pub fn usual_variance(variances: &[f64]) -> Option<f64> {
    let usable = |variance: &f64| *variance > 0.0 && variance.is_finite();
    let first = *variances.first()?;
    let alike = |variance: &f64| variance.total_cmp(&first).is_eq();
    if !variances.iter().all(usable) || variances.iter().all(alike) {
        return None;
    }
    let mean_log =
        variances.iter().map(|variance| variance.ln()).sum::<f64>() / variances.len() as f64;
    Some(mean_log.exp())
}

/// A subject's records.
#[derive(Debug, Clone, Copy)]
pub(super) struct Observed<'a> {
    pub(super) series: Series<'a>,
    /// The bird of each record; empty where all are of one bird.
    pub(super) birds: &'a [usize],
    /// The weight of each record; empty where all weigh alike.
    pub(super) weights: &'a [f64],
}

impl<'a> Observed<'a> {
    /// The curve and the records that a fit rests on: themselves, or for a curve that is
    /// held at the hatch weight, that curve and the records after hatch.
    pub(super) fn ready(
        self,
        curve: &Arc<dyn Curve>,
        hatch_weight_g: Option<f64>,
    ) -> std::result::Result<(Arc<dyn Curve>, Self), Failure> {
        if !curve.needs_hatch_weight() {
            return Ok((curve.clone(), self));
        }
        let (at_hatch_g, after_hatch) = self.split_at_hatch();
        at_hatch_g
            .or(hatch_weight_g)
            .and_then(|weight_g| curve.at_hatch_weight(weight_g))
            .map(|anchored| (Arc::from(anchored), after_hatch))
            .ok_or_else(|| Failure {
                reason: NO_HATCH_WEIGHT.to_owned(),
                n: self.series.values.len(),
                tried: false,
            })
    }

    /// The mean weight at age 0, and the weighings after it. A curve that is held at
    /// the hatch weight passes through it, so that weighing is no observation.
    fn split_at_hatch(self) -> (Option<f64>, Self) {
        let Series { ages_d, values } = self.series;
        let first_after = ages_d.partition_point(|age_d| *age_d <= 0.0);
        let at_hatch = &values[..first_after];
        let mean = (first_after > 0).then(|| at_hatch.iter().sum::<f64>() / first_after as f64);
        let after = Series {
            ages_d: &ages_d[first_after..],
            values: &values[first_after..],
        };
        let birds = self.birds.get(first_after..).unwrap_or_default();
        let weights = self.weights.get(first_after..).unwrap_or_default();
        (
            mean,
            Self {
                series: after,
                birds,
                weights,
            },
        )
    }
}

/// Why a curve that is held at the hatch weight could not be fitted.
pub(super) const NO_HATCH_WEIGHT: &str =
    "the weight at hatch is not known: there is no weighing at age 0, and none was given";

/// The curve and the records that a fit rests on: themselves, or for a curve that is held at
/// the hatch weight that curve and the records after hatch.
///
/// The weight at hatch is the mean of the weighings at age 0, or else `hatch_weight_g`.
///
/// # Errors
/// Such a curve for a series without either: a fit that was not tried.
pub fn ready<'a>(
    curve: &Arc<dyn Curve>,
    series: Series<'a>,
    hatch_weight_g: Option<f64>,
) -> std::result::Result<(Arc<dyn Curve>, Series<'a>), Failure> {
    let observed = Observed {
        series,
        birds: &[],
        weights: &[],
    };
    let (curve, observed) = observed.ready(curve, hatch_weight_g)?;
    Ok((curve, observed.series))
}

/// Records bird by bird, as a correlation within birds needs them.
pub(super) struct ByBird {
    starts: Vec<usize>,
    ages_d: Vec<f64>,
    values: Vec<f64>,
    groups: Vec<usize>,
    /// Empty where all are alike.
    relative_variances: Vec<f64>,
}

impl ByBird {
    pub(super) fn of(observed: Observed<'_>) -> Self {
        let Series { ages_d, values } = observed.series;
        let mut order: Vec<usize> = (0..values.len()).collect();
        if !observed.birds.is_empty() {
            // Stable: ages stay ascending within a bird.
            order.sort_by_key(|row| observed.birds[*row]);
        }
        let mut starts: Vec<usize> = (0..order.len())
            .filter(|at| {
                let bird = |at: usize| observed.birds.get(order[at]);
                *at == 0 || bird(*at) != bird(at - 1)
            })
            .collect();
        let groups = vec![0; starts.len()];
        starts.push(order.len());
        Self {
            starts,
            ages_d: order.iter().map(|row| ages_d[*row]).collect(),
            values: order.iter().map(|row| values[*row]).collect(),
            groups,
            relative_variances: match observed.weights {
                [] => Vec::new(),
                weights => order.iter().map(|row| 1.0 / weights[*row]).collect(),
            },
        }
    }

    pub(super) fn subjects(&self) -> Result<Subjects<'_>> {
        let subjects = Subjects::new(&self.starts, &self.ages_d, &self.values, &self.groups)?;
        match self.relative_variances.as_slice() {
            [] => Ok(subjects),
            known => subjects.with_relative_variances(known),
        }
    }
}
