//! When does it happen: what is known of each subject's time.
//!
//! Times are known exactly, or only to lie after the last look (right-censored),
//! before the first (left-censored) or between two looks (interval-censored). The
//! methods are in separate files: [`survival_curve`](super::survival_curve)
//! (no model), [`parametric_survival`](super::parametric_survival) (accelerated
//! failure time), [`proportional_hazards`](super::proportional_hazards) (Cox), and
//! [`concordance`](super::concordance) (is the order right).

use super::Failure;
use super::failure::check_count;

/// What is known of a subject's time to the event; times above 0, in any one unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum EventTime {
    /// It happened at this time.
    Exact(f64),
    /// It had not happened by this time.
    After(f64),
    /// It had happened by this time.
    Before(f64),
    /// It happened between these two.
    Between(f64, f64),
}

impl EventTime {
    /// An exact time if the event happened, otherwise the time at which it still had not.
    #[must_use]
    pub fn right_censored(time: f64, happened: bool) -> Self {
        if happened {
            Self::Exact(time)
        } else {
            Self::After(time)
        }
    }

    /// Whether the event is known to have happened, exactly or within limits.
    #[must_use]
    pub fn happened(&self) -> bool {
        !matches!(self, Self::After(_))
    }

    /// Earliest and latest possible time.
    #[must_use]
    pub fn range(&self) -> (f64, f64) {
        match *self {
            Self::Exact(time) => (time, time),
            Self::After(time) => (time, f64::INFINITY),
            Self::Before(time) => (0.0, time),
            Self::Between(lower, upper) => (lower, upper),
        }
    }
}

/// Refuses times that are not above 0 or not finite, and limits that are not in order.
pub(super) fn check_times(times: &[EventTime]) -> Result<(), Failure> {
    check_count("subjects", times.len(), 1)?;
    for (row, time) in times.iter().enumerate() {
        let (found, fine) = match *time {
            EventTime::Exact(t) | EventTime::After(t) | EventTime::Before(t) => {
                (t, t > 0.0 && t.is_finite())
            }
            EventTime::Between(lower, upper) => {
                (lower, lower > 0.0 && lower < upper && upper.is_finite())
            }
        };
        if !fine {
            return Err(Failure::Value {
                what: "time".to_owned(),
                row,
                found,
                expected: "a finite time above 0, the earlier limit first",
            });
        }
    }
    Ok(())
}

/// Times and whether the event happened, for methods that take no other censoring.
pub(super) fn right_censored_only(times: &[EventTime]) -> Result<Vec<(f64, bool)>, Failure> {
    check_times(times)?;
    let pair = |time: &EventTime| match *time {
        EventTime::Exact(t) => Some((t, true)),
        EventTime::After(t) => Some((t, false)),
        EventTime::Before(_) | EventTime::Between(..) => None,
    };
    let pairs: Vec<(f64, bool)> = times.iter().filter_map(pair).collect();
    match times.len() - pairs.len() {
        0 => Ok(pairs),
        found => Err(Failure::OtherCensoring { found }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn impossible_times_are_refused() {
        for bad in [
            EventTime::Exact(0.0),
            EventTime::After(-1.0),
            EventTime::Before(f64::INFINITY),
            EventTime::Between(3.0, 2.0),
            EventTime::Exact(f64::NAN),
        ] {
            assert!(
                check_times(&[EventTime::Exact(1.0), bad]).is_err(),
                "{bad:?}"
            );
        }
        assert!(right_censored_only(&[EventTime::Between(1.0, 2.0)]).is_err());
        assert!(check_times(&[]).is_err());
    }
}
