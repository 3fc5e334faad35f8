//! What share of the birds is in lay at each age, by strain, without a model.
//!
//! Kaplan-Meier where first eggs are known to the day, with Greenwood's error and the
//! interval symmetric on ln(share not laying), as R's `survfit` gives it; Turnbull's
//! estimate where some are known only between two looks, with percentiles of a
//! bootstrap over birds. A bird that died or was sold counts as not laying until it was
//! last seen: the curve is that of birds that stay. One that came under observation late, not
//! laying yet, is at risk from then on (left truncation).

use super::lay::LayRecords;
use crate::stats::resample::{bootstrap, percentile_interval};
use crate::stats::survival_curve::{IntervalScale, Mass, kaplan_meier_entered, turnbull_entered};
use crate::stats::time_to_event::EventTime;
use crate::stats::{Failure, Interval};
use crate::study::Study;

/// Shares in lay whose ages are reported, percent.
pub const SHARES_PCT: [f64; 3] = [10.0, 50.0, 90.0];

/// Draws of the bootstrap behind Turnbull's intervals.
const REPLICATES: usize = 200;

/// How a lay curve was estimated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LayMethod {
    /// First eggs known exactly, or not yet laid.
    KaplanMeier,
    /// Some first eggs known only between two looks.
    Turnbull,
}

impl LayMethod {
    /// Name in the tables.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::KaplanMeier => "kaplan-meier",
            Self::Turnbull => "turnbull",
        }
    }
}

/// The lay curve of a strain, or of all birds.
#[derive(Debug, Clone)]
pub struct LayCurve {
    /// Index into [`LayRecords::strains`]; none for all birds together.
    pub strain: Option<usize>,
    /// How it was estimated.
    pub method: LayMethod,
    /// Birds.
    pub n: usize,
    /// Birds known to have laid.
    pub laid: usize,
    /// Its points, ascending in age.
    pub points: Vec<LayPoint>,
    /// Ages at [`SHARES_PCT`].
    pub ages: Vec<AgeInLay>,
}

/// A point of a lay curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LayPoint {
    /// Beginning of the stretch in which the curve rises to this point, d; the age itself
    /// where first eggs are known to the day.
    pub from_d: f64,
    /// Age, d.
    pub age_d: f64,
    /// Birds seen and not laying just before; none by Turnbull.
    pub at_risk: Option<usize>,
    /// First eggs at this age; none by Turnbull.
    pub laid: Option<usize>,
    /// Birds last seen at this age without an egg; none by Turnbull.
    pub last_seen: Option<usize>,
    /// Share in lay at this age.
    pub share: f64,
    /// Standard error of the share.
    pub std_error: Option<f64>,
    /// Interval of the share.
    pub interval: Option<Interval>,
}

/// The age by which a share of the birds is in lay.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AgeInLay {
    /// The share, percent.
    pub share_pct: f64,
    /// The age, d; none where the curve does not rise so far.
    pub age_d: Option<f64>,
    /// Lower limit, d; none where the curve's upper limit does not rise so far.
    pub lower_d: Option<f64>,
    /// Upper limit, d; none where the curve's lower limit does not rise so far.
    pub upper_d: Option<f64>,
}

/// The lay curve of each strain and, where there are several, of all birds.
///
/// # Errors
/// Those of the Kaplan-Meier and Turnbull estimates; a flock of which no bird has laid has a
/// curve at 0.
/// # Source
/// Kaplan & Meier 1958; Turnbull 1976; as named beside each function.
pub fn lay_curves(
    records: &LayRecords,
    confidence: f64,
    seed: u64,
) -> Result<Vec<LayCurve>, Failure> {
    let strains = records.strains_present();
    let mut groups: Vec<Option<usize>> = strains.iter().map(|strain| Some(*strain)).collect();
    if strains.len() > 1 {
        groups.push(None);
    }
    groups
        .into_iter()
        .map(|strain| lay_curve(records, strain, confidence, seed))
        .collect()
}

fn lay_curve(
    records: &LayRecords,
    strain: Option<usize>,
    confidence: f64,
    seed: u64,
) -> Result<LayCurve, Failure> {
    let birds = records
        .birds
        .iter()
        .filter(|bird| strain.is_none_or(|strain| bird.strain == strain));
    let (times, entries): (Vec<EventTime>, Vec<f64>) =
        birds.map(|bird| (bird.first_egg, bird.entered)).unzip();
    let laid = times.iter().filter(|time| time.happened()).count();
    let between = |time: &EventTime| matches!(time, EventTime::Before(_) | EventTime::Between(..));
    let origin_d = records.counted_from_d;
    let (method, points, ages) = if times.iter().any(between) {
        let (points, ages) = by_turnbull((&times, &entries), origin_d, confidence, seed)?;
        (LayMethod::Turnbull, points, ages)
    } else {
        let (points, ages) = by_kaplan_meier((&times, &entries), origin_d, confidence)?;
        (LayMethod::KaplanMeier, points, ages)
    };
    Ok(LayCurve {
        strain,
        method,
        n: times.len(),
        laid,
        points,
        ages,
    })
}

/// Median age at first egg (Kaplan-Meier) of some birds of a study, d; `None` where half have
/// not laid, or a first egg is known only between two checks.
#[must_use]
pub fn median_first_egg(study: &Study, of: impl Fn(usize) -> bool) -> Option<f64> {
    let records = LayRecords::of(&Study {
        onset: study
            .onset
            .iter()
            .filter(|one| of(one.bird))
            .copied()
            .collect(),
        birds: study.birds.clone(),
        strains: study.strains.clone(),
        ..Study::default()
    });
    let (times, entries): (Vec<EventTime>, Vec<f64>) = records
        .birds
        .iter()
        .map(|bird| (bird.first_egg, bird.entered))
        .unzip();
    let curve = kaplan_meier_entered(&times, &entries, IntervalScale::Log, 0.95).ok()?;
    curve.quantile(0.5).ok()?.time
}

type Curve = (Vec<LayPoint>, Vec<AgeInLay>);

fn by_kaplan_meier(
    (times, entries): (&[EventTime], &[f64]),
    origin_d: f64,
    confidence: f64,
) -> Result<Curve, Failure> {
    let curve = kaplan_meier_entered(times, entries, IntervalScale::Log, confidence)?;
    let points = curve.steps.iter().map(|step| LayPoint {
        from_d: origin_d + step.time,
        age_d: origin_d + step.time,
        at_risk: Some(step.at_risk),
        laid: Some(step.events),
        last_seen: Some(step.censored),
        share: 1.0 - step.survival,
        std_error: step.standard_error,
        interval: step.interval.map(|of_rest| Interval {
            lower: 1.0 - of_rest.upper,
            upper: 1.0 - of_rest.lower,
        }),
    });
    let ages = SHARES_PCT.iter().map(|share_pct| {
        let quantile = curve.quantile(share_pct / 100.0)?;
        let age = |time: Option<f64>| time.map(|time| origin_d + time);
        Ok(AgeInLay {
            share_pct: *share_pct,
            age_d: age(quantile.time),
            lower_d: age(quantile.lower),
            upper_d: age(quantile.upper),
        })
    });
    Ok((points.collect(), ages.collect::<Result<_, Failure>>()?))
}

fn by_turnbull(
    (times, entries): (&[EventTime], &[f64]),
    origin_d: f64,
    confidence: f64,
    seed: u64,
) -> Result<Curve, Failure> {
    let masses = rising(turnbull_entered(times, entries)?);
    let ends: Vec<f64> = masses.iter().map(|mass| mass.stretch.upper).collect();
    let mut quantities = Vec::new();
    let statistic = |drawn: &[usize]| {
        let (times, entries): (Vec<EventTime>, Vec<f64>) = drawn
            .iter()
            .map(|index| (times[*index], entries[*index]))
            .unzip();
        let masses = turnbull_entered(&times, &entries).map_or_else(|_| Vec::new(), rising);
        let mut all: Vec<f64> = ends.iter().map(|end| share_by(&masses, *end)).collect();
        all.extend(
            SHARES_PCT
                .iter()
                .map(|pct| age_at(&masses, pct / 100.0).unwrap_or(f64::INFINITY)),
        );
        Some(all)
    };
    if times.len() > 1 {
        let replicates = bootstrap(times.len(), REPLICATES, seed, statistic)?;
        quantities = (0..ends.len() + SHARES_PCT.len())
            .map(|k| replicates.of(k))
            .collect();
    }
    let interval = |k: usize| {
        let values = quantities.get(k)?;
        // A share that some draws never reach has no age; a limit beyond all ages is none.
        let top = f64::MAX.sqrt();
        let finite: Vec<f64> = values.iter().map(|value| value.min(top)).collect();
        percentile_interval(&finite, confidence).ok()
    };
    let mut share = 0.0;
    let mut points = Vec::new();
    for (k, mass) in masses.iter().enumerate() {
        share += mass.share;
        let values = quantities.get(k).filter(|values| values.len() > 1);
        points.push(LayPoint {
            from_d: origin_d + mass.stretch.lower,
            age_d: origin_d + mass.stretch.upper,
            at_risk: None,
            laid: None,
            last_seen: None,
            share: share.min(1.0),
            std_error: values.map(|values| standard_deviation(values)),
            interval: interval(k).map(|interval| interval.including(share.min(1.0))),
        });
    }
    let ages = SHARES_PCT.iter().enumerate().map(|(k, share_pct)| {
        let at = age_at(&masses, share_pct / 100.0);
        let limits = interval(ends.len() + k);
        let limits = limits.map(|limits| at.map_or(limits, |at| limits.including(at)));
        let age = |limit: Option<f64>| {
            let limit = limit.filter(|limit| *limit < 1e9)?;
            Some(origin_d + limit)
        };
        AgeInLay {
            share_pct: *share_pct,
            age_d: age(at),
            lower_d: age(limits.map(|limits| limits.lower)),
            upper_d: age(limits.map(|limits| limits.upper)),
        }
    });
    let ages = ages.collect();
    Ok((points, ages))
}

/// The stretches that end; those without an end hold the birds that may never lay.
fn rising(masses: Vec<Mass>) -> Vec<Mass> {
    let ends = |mass: &Mass| mass.stretch.upper.is_finite();
    masses.into_iter().filter(ends).collect()
}

fn share_by(masses: &[Mass], time: f64) -> f64 {
    let by = masses.iter().filter(|mass| mass.stretch.upper <= time);
    by.map(|mass| mass.share).sum()
}

/// The upper end of the interval in which the curve reaches a share.
fn age_at(masses: &[Mass], share: f64) -> Option<f64> {
    let mut sum = 0.0;
    masses
        .iter()
        .find(|mass| {
            sum += mass.share;
            // 1e-6: what the criterion of the estimate leaves of the shares.
            sum >= share - 1e-6
        })
        .map(|mass| mass.stretch.upper)
}

fn standard_deviation(values: &[f64]) -> f64 {
    let squares = crate::stats::squares_about_mean(values);
    (squares / (values.len() as f64 - 1.0)).sqrt()
}
