//! Share without the event, by time, without a model of it.
//!
//! [`kaplan_meier`] for exact and right-censored times, [`turnbull`] where some are
//! known only between two looks.

use super::distribution::normal_quantile;
use super::failure::{check_count, check_length, check_level};
use super::time_to_event::{EventTime, check_times, right_censored_only};
use super::{Failure, Interval};

/// Scale on which a survival interval is symmetric before it is turned back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum IntervalScale {
    /// The share itself, cut at 0 and 1.
    Plain,
    /// Its logarithm, cut at 1 (R's default).
    #[default]
    Log,
    /// log(-log): stays within 0 and 1 by itself.
    LogLog,
}

/// One time of a Kaplan-Meier curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Time.
    pub time: f64,
    /// Subjects still without the event just before.
    pub at_risk: usize,
    /// Events at this time.
    pub events: usize,
    /// Subjects last seen at this time.
    pub censored: usize,
    /// Share without the event just after.
    pub survival: f64,
    /// Greenwood's standard error of that share; none at 0, where the formula fails.
    pub standard_error: Option<f64>,
    /// Interval of that share; none at 0.
    pub interval: Option<Interval>,
}

/// A Kaplan-Meier curve: one step for each time at which something was seen.
#[derive(Debug, Clone, PartialEq)]
pub struct SurvivalCurve {
    /// Steps, ascending in time.
    pub steps: Vec<Step>,
}

/// A quantile of the time to the event.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TimeQuantile {
    /// Time by which the share has had the event; none if the curve does not fall so far.
    pub time: Option<f64>,
    /// Lower end of its interval; none if the curve's limit does not fall so far.
    pub lower: Option<f64>,
    /// Upper end of its interval; none if the curve's limit does not fall so far.
    pub upper: Option<f64>,
}

/// What share is still without the event, by time?
///
/// S(t) = product over event times of (1 - events / at risk).
///
/// # Shapes
/// One time a subject, exact or right-censored; at a tie events come before censorings.
/// # Errors
/// [`Failure::Value`] for a time that is not above 0 or otherwise censored,
/// [`Failure::TooFew`] without subjects, [`Failure::Setting`]. No event is no error:
/// the curve stays at 1.
/// # Source
/// Kaplan & Meier 1958, J. Am. Statist. Assoc. 53:457-481; Greenwood's variance.
pub fn kaplan_meier(
    times: &[EventTime],
    scale: IntervalScale,
    level: f64,
) -> Result<SurvivalCurve, Failure> {
    kaplan_meier_entered(times, &vec![0.0; times.len()], scale, level)
}

/// The same where subjects come under observation late: at risk at t are those that entered
/// before t and were not yet lost.
///
/// Subjects whose event came before they could enter are never seen (left truncation); to
/// count those that were as at risk from 0 would make the event late. Where nobody is left at
/// risk early on, the curve falls to 0 there and stays.
///
/// # Shapes
/// `entries`: one a subject, 0 for those observed from the start, before its time.
/// # Errors
/// As [`kaplan_meier`]; [`Failure::Value`] for an entry that is not before its subject's time.
/// # Source
/// Klein JP, Moeschberger ML 2003, Survival Analysis, 2nd ed., 4.6 (from memory); R's
/// `survfit(Surv(entry, time, event))`.
pub fn kaplan_meier_entered(
    times: &[EventTime],
    entries: &[f64],
    scale: IntervalScale,
    level: f64,
) -> Result<SurvivalCurve, Failure> {
    check_level(level)?;
    check_entries(times, entries)?;
    let mut seen = right_censored_only(times)?;
    seen.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut entered = entries.to_vec();
    entered.sort_by(f64::total_cmp);
    let z = normal_quantile(0.5 + 0.5 * level);
    let mut lost = 0;
    let mut survival = 1.0;
    let mut relative_variance = 0.0;
    let mut steps = Vec::new();
    for group in seen.chunk_by(|a, b| a.0.total_cmp(&b.0).is_eq()) {
        let at_risk = entered.partition_point(|entry| *entry < group[0].0) - lost;
        let events = group.iter().filter(|(_, happened)| *happened).count();
        let left = at_risk - events;
        survival *= left as f64 / at_risk as f64;
        if left > 0 {
            relative_variance += events as f64 / (at_risk as f64 * left as f64);
        }
        let relative_error = f64::sqrt(relative_variance);
        steps.push(Step {
            time: group[0].0,
            at_risk,
            events,
            censored: group.len() - events,
            survival,
            standard_error: (left > 0).then_some(survival * relative_error),
            interval: survival_interval(survival, z * relative_error, scale),
        });
        lost += group.len();
    }
    Ok(SurvivalCurve { steps })
}

/// `reach`: z times the standard error of ln S.
///
/// At 0 Greenwood's variance is not an error of the share: that all observed subjects had
/// the event does not show that all others will. At 1, before the first event, the interval is
/// the point.
fn survival_interval(survival: f64, reach: f64, scale: IntervalScale) -> Option<Interval> {
    if survival <= 0.0 {
        return None;
    }
    if survival >= 1.0 {
        return Some(Interval::around(survival, 0.0));
    }
    Some(match scale {
        IntervalScale::Plain => Interval {
            lower: (survival - survival * reach).max(0.0),
            upper: (survival + survival * reach).min(1.0),
        },
        IntervalScale::Log => Interval {
            lower: survival * (-reach).exp(),
            upper: (survival * reach.exp()).min(1.0),
        },
        IntervalScale::LogLog => {
            let log = survival.ln();
            let shift = reach / log;
            Interval {
                lower: (log * (-shift).exp()).exp(),
                upper: (log * shift.exp()).exp(),
            }
        }
    })
}

impl SurvivalCurve {
    /// Time by which the given share (0.5 for the median) has had the event.
    ///
    /// Where the curve runs level at exactly that share, the middle of the level
    /// stretch. Ends of the interval are where the curve's own limits cross the share, and
    /// none where they do not cross it before the curve reaches 0.
    ///
    /// # Errors
    /// [`Failure::Setting`] for a share that is not between 0 and 1.
    /// # Source
    /// Brookmeyer & Crowley 1982, Biometrics 38:29-41.
    pub fn quantile(&self, share: f64) -> Result<TimeQuantile, Failure> {
        if !(share > 0.0 && share < 1.0) {
            return Err(Failure::Setting {
                what: "share",
                found: share,
                expected: "a share between 0 and 1",
            });
        }
        let left = 1.0 - share;
        Ok(TimeQuantile {
            time: self.crossing(left, |step| Some(step.survival)),
            lower: self.crossing(left, |step| step.interval.map(|limits| limits.lower)),
            upper: self.crossing(left, |step| step.interval.map(|limits| limits.upper)),
        })
    }

    fn crossing(&self, left: f64, height: impl Fn(&Step) -> Option<f64>) -> Option<f64> {
        // Products of fractions reach a share such as 1/2 only to rounding.
        let tolerance = 1e-12;
        let known = || {
            let steps = self.steps.iter();
            steps.filter_map(|step| Some((step.time, height(step)?)))
        };
        let (first, at_first) = known().find(|(_, height)| *height <= left + tolerance)?;
        if at_first < left - tolerance {
            return Some(first);
        }
        let next = known().find(|(_, height)| *height < left - tolerance);
        let (end, _) = next.or(known().last())?;
        Some(f64::midpoint(first, end))
    }
}

/// A stretch of time and the share of subjects whose event falls in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mass {
    /// Where the event can have fallen; one point for exact times, infinite at the upper
    /// end for those that may never have it. Within the interval the data do not determine the time.
    pub stretch: Interval,
    /// Share of subjects.
    pub share: f64,
}

const TURNBULL_ITERATIONS: usize = 50_000;

/// Which shares of events in which stretches of time, where some times are known
/// only between two looks?
///
/// The stretches are those between a left end and the next right end with no other
/// end between; the shares repeat p_k <- mean over subjects of P(k | subject) until
/// no stretch could gain by more (the gradient of the log-likelihood per subject is at most
/// 1 + 1e-8 for each).
///
/// # Shapes
/// One time a subject, of any kind. A censoring is taken to end just after its time,
/// so an event at exactly that time lies before it.
/// # Errors
/// [`Failure::Value`], [`Failure::TooFew`] with no event known to have happened,
/// [`Failure::NotConverged`].
/// # Source
/// Turnbull, B. W. (1976), J. R. Statist. Soc. B 38:290-295; optimality: Gentleman &
/// Geyer 1994, Biometrika 81:618-623.
pub fn turnbull(times: &[EventTime]) -> Result<Vec<Mass>, Failure> {
    turnbull_entered(times, &vec![0.0; times.len()])
}

/// The same where subjects come under observation late, so that those whose event came before
/// are never seen.
///
/// The likelihood of a subject is the chance of its stretches over that of all stretches that
/// end after it entered; the shares are those of all subjects, seen or not. An entry ends a
/// stretch as the last look without the event begins one.
///
/// # Shapes
/// As [`kaplan_meier_entered`]; an entry is not after the last look without the event.
/// # Errors
/// As [`turnbull`]; [`Failure::Value`] for an entry that comes too late.
/// # Source
/// Turnbull 1976, section 5; stretches: Frydman H 1994, A note on nonparametric estimation of
/// the distribution function from interval-censored and truncated observations, J. R. Statist.
/// Soc. B 56:71-74.
pub fn turnbull_entered(times: &[EventTime], entries: &[f64]) -> Result<Vec<Mass>, Failure> {
    check_times(times)?;
    check_entries(times, entries)?;
    let events = times.iter().filter(|time| time.happened()).count();
    check_count("events", events, 1)?;
    let ranges: Vec<(f64, f64)> = times.iter().map(EventTime::range).collect();
    let stretches = innermost_stretches(times, &ranges, entries);
    let open: Vec<usize> = entries
        .iter()
        .map(|entry| stretches.partition_point(|stretch| stretch.upper <= *entry))
        .collect();
    let pairs = times.iter().zip(&ranges);
    let holds: Vec<(usize, usize)> = pairs
        .map(|(time, range)| members(*time, *range, &stretches))
        .collect();
    let n = times.len() as f64;
    let k = stretches.len();
    let mut shares = vec![1.0 / k as f64; k];
    for _ in 0..TURNBULL_ITERATIONS {
        // A subject's stretches are neighbours, so sums over them are differences of
        // running sums, and what each adds to them is a rise at one end and a fall at the other.
        let running = running_sums(&shares);
        let mut changes = vec![0.0; k + 1];
        // Subjects that the sample stands for: one for each, and those never seen.
        let mut all = 0.0;
        for (&(from, to), &open) in holds.iter().zip(&open) {
            let part = 1.0 / (n * (running[to] - running[from]));
            changes[from] += part;
            changes[to] -= part;
            // A subject that entered at `open` stands for others whose event came before.
            let for_each = 1.0 / (n * (running[k] - running[open]));
            changes[0] += for_each;
            changes[open] -= for_each;
            all += for_each;
        }
        let gain: Vec<f64> = running_sums(&changes)[1..=k]
            .iter()
            .map(|gain| gain / all)
            .collect();
        let best = gain.iter().copied().fold(0.0, f64::max);
        if best <= 1.0 + 1e-8 {
            let pairs = stretches.into_iter().zip(shares);
            let masses = pairs.map(|(stretch, share)| Mass { stretch, share });
            return Ok(masses.filter(|mass| mass.share > 1e-9).collect());
        }
        for (share, gain) in shares.iter_mut().zip(&gain) {
            *share *= gain;
        }
    }
    Err(Failure::NotConverged {
        iterations: TURNBULL_ITERATIONS,
    })
}

/// Entries that are not before the time, or not a time.
fn check_entries(times: &[EventTime], entries: &[f64]) -> Result<(), Failure> {
    check_length("entries", entries.len(), times.len())?;
    for (row, (time, entry)) in times.iter().zip(entries).enumerate() {
        let late = match *time {
            EventTime::Exact(t) | EventTime::After(t) => *entry >= t,
            EventTime::Between(lower, _) => *entry > lower,
            EventTime::Before(_) => *entry > 0.0,
        };
        if late || !(*entry >= 0.0 && entry.is_finite()) {
            return Err(Failure::Value {
                what: "entry".to_owned(),
                row,
                found: *entry,
                expected: "a time of 0 or more, before the event or the last look without it",
            });
        }
    }
    Ok(())
}

fn running_sums(values: &[f64]) -> Vec<f64> {
    let mut sums = Vec::with_capacity(values.len() + 1);
    sums.push(0.0);
    let mut sum = 0.0;
    for value in values {
        sum += value;
        sums.push(sum);
    }
    sums
}

/// First stretch that a subject's event can lie in, and the one after the last.
fn members(time: EventTime, range: (f64, f64), stretches: &[Interval]) -> (usize, usize) {
    let before = |stretch: &Interval| match time {
        EventTime::Exact(t) => stretch.lower < t,
        // A point at the open lower end lies outside; a stretch that begins there inside.
        _ => stretch.lower < range.0 || stretch.upper <= range.0,
    };
    (
        stretches.partition_point(before),
        stretches.partition_point(|stretch| stretch.upper <= range.1),
    )
}

/// Ends sorted so that at one time a point's left end comes first, its right end
/// and then other right ends follow, and open left ends come last.
fn innermost_stretches(
    times: &[EventTime],
    ranges: &[(f64, f64)],
    entries: &[f64],
) -> Vec<Interval> {
    let mut ends: Vec<(f64, u8)> = Vec::with_capacity(2 * ranges.len());
    // Before a subject entered there may be events of those never seen.
    ends.extend(
        entries
            .iter()
            .filter(|entry| **entry > 0.0)
            .map(|entry| (*entry, 1)),
    );
    for (time, range) in times.iter().zip(ranges) {
        let exact = matches!(time, EventTime::Exact(_));
        ends.push((range.0, if exact { 0 } else { 2 }));
        ends.push((range.1, 1));
    }
    ends.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let pairs = ends
        .windows(2)
        .filter(|pair| pair[0].1 != 1 && pair[1].1 == 1);
    pairs
        .map(|pair| Interval {
            lower: pair[0].0,
            upper: pair[1].0,
        })
        .collect()
}

#[cfg(test)]
mod tests;
