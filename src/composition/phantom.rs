//! Is the scanner stable? Control charts of its phantom, and which scans were made on days on
//! which it was out of control.
//!
//! A chart a scanner and reading. The value of a day is the mean of its measurements. An
//! individuals chart, its limits set by the first days ([`PhantomSettings::baseline_days`], or
//! the whole log where that is shorter), finds single days; a self-starting cumulative sum finds
//! lasting changes ([`control_chart`](crate::stats::control_chart)). The limit of the sums is set so that a log
//! without a change gives any alarm with a probability of at most [`FALSE_ALARMS`], shared out
//! equally to its charts. A change lasts to the end of the log: a scanner that was repaired or
//! adjusted gets another name.
//!
//! [`PhantomSettings::baseline_days`]: crate::study::PhantomSettings::baseline_days

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;

use crate::stats::control_chart::{Change, Individuals, Scored, self_starting};
use crate::stats::cusum;
use crate::study::{PhantomLog, Study, WHOLE};

/// Probability of any alarm of the sums in a log without a change.
pub const FALSE_ALARMS: f64 = 0.05;
/// Days below which no limits are set (the worked example of the NIST/SEMATECH handbook has as
/// many; common practice, no source).
pub const LEAST_DAYS: usize = 10;

/// What the phantom shows of the scanners.
#[derive(Debug, Clone, PartialEq)]
pub struct Phantom {
    /// A chart a scanner and reading, in their order.
    pub charts: Vec<PhantomChart>,
    /// How the scans lie to the log.
    pub scans: ScansByDay,
}

/// The chart of one reading of one scanner.
#[derive(Debug, Clone, PartialEq)]
pub struct PhantomChart {
    /// The scanner; empty where the log names none.
    pub scanner: String,
    /// What was read.
    pub reading: String,
    /// Its unit; empty where it has none.
    pub unit: String,
    /// The days, in order.
    pub days: Vec<PhantomDay>,
    /// Limits, or why there are none.
    pub limits: Result<Individuals, String>,
    /// Limit of the cumulative sums, in standard deviations.
    pub sum_limit: f64,
    /// The lasting change, where one was found, by places among the days.
    pub change: Option<Change>,
}

/// A day of a chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PhantomDay {
    /// The day.
    pub date: NaiveDate,
    /// Mean of its measurements.
    pub value: f64,
    /// Measurements.
    pub measurements: usize,
    /// Its normal score and the cumulative sums.
    pub scored: Scored,
    /// Whether it lies outside the limits.
    pub outside: bool,
    /// Whether a lasting change had begun.
    pub changed: bool,
}

/// How the scans of whole birds lie to the days of the log.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ScansByDay {
    /// Scans whose date is known.
    pub dated: usize,
    /// Scans whose date is not known, since the bird's day of hatch is not.
    pub undated: usize,
    /// Of those dated: on a day without a measurement of the phantom.
    pub unmeasured: usize,
    /// Of those dated: on a day on which a chart was out of control.
    pub out_of_control: usize,
    /// The days of those.
    pub days: Vec<NaiveDate>,
}

impl PhantomDay {
    /// Whether the scanner was out of control.
    #[must_use]
    pub fn is_out(&self) -> bool {
        self.outside || self.changed
    }
}

impl PhantomChart {
    /// The first day of the lasting change, and the day on which it was found.
    #[must_use]
    pub fn changed_from(&self) -> Option<(NaiveDate, NaiveDate)> {
        let change = self.change?;
        Some((self.days[change.since].date, self.days[change.found].date))
    }

    /// Mean of the days since the change began minus the centre, percent of the centre. Since the
    /// days were chosen by the change, it is too large rather than too small.
    #[must_use]
    pub fn change_pct(&self) -> Option<f64> {
        let (limits, change) = (self.limits.as_ref().ok()?, self.change?);
        let since = &self.days[change.since..];
        let mean = since.iter().map(|day| day.value).sum::<f64>() / since.len() as f64;
        (limits.centre > 0.0).then(|| 100.0 * (mean / limits.centre - 1.0))
    }

    /// Days outside the limits, beside a lasting change.
    #[must_use]
    pub fn days_outside(&self) -> usize {
        let days = self.days.iter();
        days.filter(|day| day.outside && !day.changed).count()
    }

    /// Days out of control.
    #[must_use]
    pub fn days_out(&self) -> usize {
        self.days.iter().filter(|day| day.is_out()).count()
    }

    /// Days outside the limits that are expected without any change: those after the baseline.
    #[must_use]
    pub fn expected_outside(&self) -> Option<f64> {
        let limits = self.limits.as_ref().ok()?;
        Some(limits.chance_outside() * (self.days.len() - limits.n) as f64)
    }
}

/// The charts of a study's log; `None` where it has none.
#[must_use]
pub fn of_study(study: &Study) -> Option<Phantom> {
    let log = &study.phantom;
    if log.rows.is_empty() {
        return None;
    }
    let series = series(log);
    let baseline = study.settings.phantom.baseline_days;
    let share = FALSE_ALARMS / series.len() as f64;
    let charts: Vec<PhantomChart> = series
        .into_iter()
        .map(|((scanner, reading), by_day)| {
            let days: Vec<(NaiveDate, f64, usize)> = by_day
                .into_iter()
                .map(|(date, (sum, n))| (date, sum / n as f64, n))
                .collect();
            chart((log, scanner, reading), &days, (baseline, share))
        })
        .collect();
    let scans = scans_by_day(study, &charts);
    Some(Phantom { charts, scans })
}

/// Sum and number of the measurements of each day, by scanner and reading.
type Series = BTreeMap<(usize, usize), BTreeMap<NaiveDate, (f64, usize)>>;

fn series(log: &PhantomLog) -> Series {
    let mut series = Series::new();
    for row in &log.rows {
        for (reading, value) in row.values.iter().enumerate() {
            if value.is_finite() {
                let days = series.entry((row.scanner, reading)).or_default();
                let (sum, n) = days.entry(row.date).or_default();
                *sum += value;
                *n += 1;
            }
        }
    }
    series
}

fn chart(
    (log, scanner, reading): (&PhantomLog, usize, usize),
    days: &[(NaiveDate, f64, usize)],
    (baseline, share): (usize, f64),
) -> PhantomChart {
    let values: Vec<f64> = days.iter().map(|(_, value, _)| *value).collect();
    let limits = if days.len() < LEAST_DAYS {
        Err(format!(
            "{} days were measured, at least {LEAST_DAYS} expected",
            days.len()
        ))
    } else {
        let first = &values[..baseline.min(values.len())];
        Individuals::of(first).map_err(|failure| failure.to_string())
    };
    let sum_limit = cusum::limit(values.len().saturating_sub(2).max(1), share);
    let (scored, change) = self_starting(&values, sum_limit);
    let change = change.filter(|_| limits.is_ok());
    let days = days.iter().zip(scored).enumerate();
    let days = days.map(|(at, ((date, value, measurements), scored))| PhantomDay {
        date: *date,
        value: *value,
        measurements: *measurements,
        scored,
        outside: limits
            .as_ref()
            .is_ok_and(|limits| limits.is_outside(*value)),
        changed: change.is_some_and(|change| at >= change.since),
    });
    PhantomChart {
        scanner: log.scanners[scanner].clone(),
        reading: log.readings[reading].name.clone(),
        unit: log.readings[reading].unit.clone(),
        days: days.collect(),
        limits,
        sum_limit,
        change,
    }
}

/// Scans of whole birds by day. The scans name no scanner: a day counts as out of control where
/// that of any is.
fn scans_by_day(study: &Study, charts: &[PhantomChart]) -> ScansByDay {
    let measured: BTreeSet<NaiveDate> = charts
        .iter()
        .flat_map(|chart| chart.days.iter().map(|day| day.date))
        .collect();
    let outside: BTreeSet<NaiveDate> = charts
        .iter()
        .flat_map(|chart| chart.days.iter().filter(|day| day.is_out()))
        .map(|day| day.date)
        .collect();
    let changed = charts.iter().filter_map(PhantomChart::changed_from);
    // Another name of the scanner ends a change.
    let spans: Vec<(NaiveDate, NaiveDate)> = changed
        .zip(charts.iter().filter(|chart| chart.change.is_some()))
        .map(|((from, _), chart)| {
            let others = charts.iter().filter(|other| other.scanner != chart.scanner);
            let starts = others.filter_map(|other| Some(other.days.first()?.date));
            let next = starts.filter(|start| *start > from).min();
            (from, next.unwrap_or(NaiveDate::MAX))
        })
        .collect();
    let mut found = ScansByDay::default();
    let mut days = BTreeSet::new();
    for scan in study.scans.rows.iter().filter(|scan| scan.region == WHOLE) {
        let first = scan.birds.first();
        let Some(date) = first.and_then(|bird| study.date_of(*bird, scan.age_d)) else {
            found.undated += 1;
            continue;
        };
        found.dated += 1;
        found.unmeasured += usize::from(!measured.contains(&date));
        let in_change = || {
            spans
                .iter()
                .any(|(from, next)| (*from..*next).contains(&date))
        };
        if outside.contains(&date) || in_change() {
            found.out_of_control += 1;
            days.insert(date);
        }
    }
    found.days = days.into_iter().collect();
    found
}
