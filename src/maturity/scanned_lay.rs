//! Do birds that were scanned lay at another age than those that never were?
//!
//! A landmark analysis: of the birds that are seen and not laying the day before the first egg of
//! all, those scanned by then are compared with those never scanned (birds first scanned later
//! are left out), in an accelerated failure time model of the days from the landmark to the first
//! egg with a term for each strain, each treatment, and scanning:
//!
//! ln T = strain + treatment + b scanned + sigma W,
//!
//! W by the law (Weibull, log-normal, log-logistic) that has the lowest AIC without b. The effect
//! is M (exp b - 1) days, M the median of unscanned birds, averaged over those scanned; intervals
//! are those of b, Student's t on events minus terms.

use std::collections::{BTreeSet, HashMap};

use super::lay::LayRecords;
use crate::stats::linear::Design;
use crate::stats::parametric_survival::{AcceleratedFit, Family, accelerated_failure};
use crate::stats::time_to_event::EventTime;
use crate::study::Study;

/// Birds laid of each group below which nothing is estimated.
const LEAST_LAID: usize = 3;

/// Scanning and the age at first egg.
#[derive(Debug, Clone)]
pub struct ScannedLay {
    /// The day before the first egg of all, d.
    pub landmark_d: f64,
    /// Birds scanned by then, and birds never scanned.
    pub birds: (usize, usize),
    /// Of these, birds known to have laid.
    pub laid: (usize, usize),
    /// Its numbers, or why there are none.
    pub shift: Result<EggShift, String>,
}

/// How scanning moves the first egg.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EggShift {
    /// The law.
    pub family: Family,
    /// b: change of the log of the days from the landmark.
    pub log_ratio: f64,
    /// Its standard error.
    pub log_error: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Median days from the landmark of unscanned birds.
    pub median_d: f64,
}

impl EggShift {
    /// Days by which the first egg moves where the log of the days changes by this.
    #[must_use]
    pub fn days(&self, log_ratio: f64) -> f64 {
        self.median_d * log_ratio.exp_m1()
    }

    /// The change of the log that moves the first egg by these days; minus infinity where it
    /// would come before the landmark.
    #[must_use]
    pub fn log_ratio_of(&self, days: f64) -> f64 {
        (days / self.median_d).max(-1.0).ln_1p()
    }
}

/// One bird of the comparison.
struct Subject {
    strain: usize,
    treatment: Option<usize>,
    scanned: bool,
    time: EventTime,
}

/// Birds scanned by the day before the first egg of all against birds never scanned; `first` is
/// the age of each bird's first scan. `None` where no bird with a record of its first egg was
/// scanned, or none has laid.
#[must_use]
pub fn scanned_lay(study: &Study, first: &[Option<f64>]) -> Option<ScannedLay> {
    let records = LayRecords::of(study);
    let laid = records
        .birds
        .iter()
        .filter(|bird| bird.first_egg.happened());
    let earliest = laid
        .map(|bird| bird.first_egg.range().0)
        .fold(f64::INFINITY, f64::min);
    if !earliest.is_finite()
        || !study
            .onset
            .iter()
            .any(|record| first[record.bird].is_some())
    {
        return None;
    }
    let landmark_d = (earliest - 1.0).max(0.0);
    let places = study.birds.iter().enumerate();
    let places: HashMap<&str, usize> = places
        .map(|(place, bird)| (bird.name.as_str(), place))
        .collect();
    let (after, _) = records.after(landmark_d);
    let subjects = after.birds.iter().filter_map(|bird| {
        let place = *places.get(bird.name.as_str())?;
        let scanned = match first[place] {
            None => false,
            Some(first_d) => (first_d <= landmark_d).then_some(true)?,
        };
        Some(Subject {
            strain: bird.strain,
            treatment: study.birds[place].treatment,
            scanned,
            time: bird.first_egg,
        })
    });
    let subjects: Vec<Subject> = subjects.collect();
    let count = |scanned: bool, laid: bool| {
        let own = subjects.iter().filter(|one| one.scanned == scanned);
        own.filter(|one| !laid || one.time.happened()).count()
    };
    let (birds, laid) = (
        (count(true, false), count(false, false)),
        (count(true, true), count(false, true)),
    );
    let shift = if birds.0 == 0 {
        Err("no bird had been scanned".to_owned())
    } else if birds.1 == 0 {
        Err("all birds had been scanned".to_owned())
    } else if laid.0 < LEAST_LAID || laid.1 < LEAST_LAID {
        Err(format!(
            "{} scanned and {} unscanned birds have laid, at least {LEAST_LAID} of each expected",
            laid.0, laid.1
        ))
    } else {
        estimate(&subjects)
    };
    Some(ScannedLay {
        landmark_d,
        birds,
        laid,
        shift,
    })
}

fn estimate(subjects: &[Subject]) -> Result<EggShift, String> {
    let times: Vec<EventTime> = subjects.iter().map(|one| one.time).collect();
    let is = |yes: bool| f64::from(u8::from(yes));
    let strains: BTreeSet<usize> = subjects.iter().map(|one| one.strain).collect();
    let treatments: BTreeSet<Option<usize>> = subjects.iter().map(|one| one.treatment).collect();
    let mut columns: Vec<(String, Vec<f64>)> = Vec::new();
    for strain in strains.iter().skip(1) {
        let column = subjects.iter().map(|one| is(one.strain == *strain));
        columns.push((format!("strain {strain}"), column.collect()));
    }
    for treatment in treatments.iter().skip(1) {
        let column = subjects.iter().map(|one| is(one.treatment == *treatment));
        columns.push((format!("treatment {treatment:?}"), column.collect()));
    }
    let design = |columns: Vec<(String, Vec<f64>)>| {
        Design::with_intercept(subjects.len(), columns).map_err(|failure| failure.to_string())
    };
    let without = design(columns.clone())?;
    let fits = [Family::Weibull, Family::LogNormal, Family::LogLogistic]
        .into_iter()
        .filter_map(|family| accelerated_failure(&without, &times, family).ok());
    let family = fits
        .min_by(|a, b| a.aic().total_cmp(&b.aic()))
        .map(|fit| fit.family)
        .ok_or("no law of the days to the first egg could be fitted")?;
    columns.push((
        "scanned".to_owned(),
        subjects.iter().map(|one| is(one.scanned)).collect(),
    ));
    let with = design(columns)?;
    let fit = accelerated_failure(&with, &times, family).map_err(|failure| failure.to_string())?;
    let last = with.p() - 1;
    let df = fit.events.saturating_sub(fit.parameters()).max(1) as f64;
    Ok(EggShift {
        family,
        log_ratio: fit.coefficients[last],
        log_error: fit.standard_errors()[last],
        df,
        median_d: median_unscanned(&fit, &with, subjects)?,
    })
}

/// Median days of unscanned birds of the strains and treatments of those scanned.
fn median_unscanned(
    fit: &AcceleratedFit,
    design: &Design,
    subjects: &[Subject],
) -> Result<f64, String> {
    let last = design.p() - 1;
    let (mut sum, mut n) = (0.0, 0.0);
    for (place, _) in subjects.iter().enumerate().filter(|(_, one)| one.scanned) {
        let mut row: Vec<f64> = design.matrix().row(place).iter().copied().collect();
        row[last] = 0.0;
        let median = fit
            .quantile(&row, 0.5, 0.95)
            .map_err(|failure| failure.to_string())?;
        sum += median.time;
        n += 1.0;
    }
    Ok(sum / n)
}
