//! How steadily does each cue come before the first egg, by strain?

use std::collections::HashMap;

use crate::error::Result;
use crate::fit::interval::check_confidence;
use crate::growth::Derived;
use crate::maturity::cues::{Cue, CueAge, FirstEgg, Support};
use crate::stats::distribution::{normal_quantile, t_two_sided_quantile};

/// The columns `n` to `correlation_upper` of `cues.csv`: a cue against the first eggs of a strain's birds.
///
/// Only birds with a first egg and a supported cue are in the numbers; the others
/// are counted. Leaving out birds that have not laid takes the late ones away, so
/// where there are many of them the mean and the correlation are not the strain's.
#[derive(Debug, Clone, PartialEq)]
pub struct CueSummary {
    /// Index into [`crate::study::Study::traits`].
    pub trait_index: usize,
    /// Index into [`crate::study::Study::strains`].
    pub strain: usize,
    /// Name of the curve.
    pub curve: String,
    /// Which age of the curve it is.
    pub cue: Derived,
    /// Birds with a supported cue and a first egg.
    pub n: usize,
    /// Birds with a supported cue and no egg yet.
    pub not_laying: usize,
    /// Birds with an onset record whose cue is extrapolated, weak or missing.
    pub without_cue: usize,
    /// Mean of first egg minus cue, d; none without birds.
    pub mean_difference_d: Option<f64>,
    /// Standard deviation of that difference between birds, d; none below two birds.
    pub sd_difference_d: Option<f64>,
    /// Standard error of the mean difference, d.
    pub std_error_d: Option<f64>,
    /// t interval of the mean difference, d.
    pub interval_d: Option<(f64, f64)>,
    /// Pearson correlation of cue and first egg; none below three birds or without spread.
    pub correlation: Option<f64>,
    /// Interval of the correlation by Fisher's z; none below four birds.
    pub correlation_interval: Option<(f64, f64)>,
}

/// Summaries by trait, strain, curve and cue, in the order in which the cues come.
///
/// Strains without any onset record have none.
///
/// # Errors
/// A call error where `confidence` is not between 0 and 1.
///
/// # Source
/// Fisher RA 1921, On the "probable error" of a coefficient of correlation deduced
/// from a small sample, Metron 1:3-32 (interval of the correlation). The error of
/// the cues themselves draws the correlation towards zero and is not corrected for.
pub fn summarise(cues: &[Cue], confidence: f64) -> Result<Vec<CueSummary>> {
    check_confidence(confidence)?;
    let mut groups: Vec<Vec<&Cue>> = Vec::new();
    let mut place: HashMap<(usize, usize, &str, String), usize> = HashMap::new();
    let recorded = |cue: &&Cue| cue.bird.is_some() && cue.first_egg != FirstEgg::NotRecorded;
    for cue in cues.iter().filter(recorded) {
        let name = cue.cue.name().into_owned();
        let key = (cue.trait_index, cue.strain, cue.curve.as_str(), name);
        let at = *place.entry(key).or_insert_with(|| {
            groups.push(Vec::new());
            groups.len() - 1
        });
        groups[at].push(cue);
    }
    Ok(groups
        .iter()
        .map(|group| summary(group, confidence))
        .collect())
}

fn summary(group: &[&Cue], confidence: f64) -> CueSummary {
    let supported = |cue: &Cue| match &cue.age {
        Ok(CueAge {
            estimate_d,
            support: Support::Supported,
            ..
        }) => Some(*estimate_d),
        _ => None,
    };
    let mut pairs = Vec::new();
    let (mut not_laying, mut without_cue) = (0, 0);
    for cue in group {
        match (supported(cue), cue.first_egg) {
            (Some(cue_d), FirstEgg::At(first_egg_d)) => pairs.push((cue_d, first_egg_d)),
            (Some(_), _) => not_laying += 1,
            (None, _) => without_cue += 1,
        }
    }
    let differences: Vec<f64> = pairs.iter().map(|(cue, egg)| egg - cue).collect();
    let n = pairs.len();
    let mean = mean(&differences);
    let sd = mean.and_then(|m| standard_deviation(&differences, m));
    let std_error = sd.map(|s| s / count(n).sqrt());
    let correlation = correlation(&pairs);
    CueSummary {
        trait_index: group[0].trait_index,
        strain: group[0].strain,
        curve: group[0].curve.clone(),
        cue: group[0].cue,
        n,
        not_laying,
        without_cue,
        mean_difference_d: mean,
        sd_difference_d: sd,
        std_error_d: std_error,
        interval_d: mean.zip(std_error).map(|(m, error)| {
            let half = error * t_two_sided_quantile(confidence, count(n) - 1.0);
            (m - half, m + half)
        }),
        correlation,
        correlation_interval: correlation.and_then(|r| fisher_interval(r, n, confidence)),
    }
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / count(values.len()))
}

fn standard_deviation(values: &[f64], mean: f64) -> Option<f64> {
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    (values.len() > 1).then(|| (squares / (count(values.len()) - 1.0)).sqrt())
}

fn correlation(pairs: &[(f64, f64)]) -> Option<f64> {
    if pairs.len() < 3 {
        return None;
    }
    let (x, y): (Vec<f64>, Vec<f64>) = pairs.iter().copied().unzip();
    let (mx, my) = (mean(&x)?, mean(&y)?);
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for (x, y) in pairs {
        xx += (x - mx).powi(2);
        yy += (y - my).powi(2);
        xy += (x - mx) * (y - my);
    }
    let r = xy / (xx * yy).sqrt();
    // Rounding must not take it past one, where Fisher's z has no value.
    r.is_finite().then(|| r.clamp(-1.0, 1.0))
}

/// tanh(atanh r -+ z / sqrt(n - 3)).
fn fisher_interval(r: f64, n: usize, confidence: f64) -> Option<(f64, f64)> {
    if n < 4 {
        return None;
    }
    let half = normal_quantile(0.5 + 0.5 * confidence) / (count(n) - 3.0).sqrt();
    let z = r.atanh();
    Some(((z - half).tanh(), (z + half).tanh()))
}

fn count(birds: usize) -> f64 {
    birds as f64
}
