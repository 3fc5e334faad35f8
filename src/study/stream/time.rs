//! When a platform scale wrote a record: its local day and time.
//!
//! A date as the study writes dates, `T` or a space, and hours and minutes, with seconds, their
//! decimals, AM or PM, and a zone where there is one. A time with an offset is local as it
//! stands; one in UTC (`Z`) names no local day, and is refused unless the settings give the
//! offset of the house.

use chrono::{NaiveDate, NaiveDateTime, TimeDelta};

use crate::study::units::DateFormat;

/// A time as read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stamp {
    pub(super) date: NaiveDate,
    /// Milliseconds since midnight.
    pub(super) milliseconds: u32,
    pub(super) has_zone: bool,
    pub(super) has_seconds: bool,
}

/// Why a cell is no time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NoTime {
    /// No date of the study's format, or a day that does not exist.
    Date,
    /// No hours and minutes, or such that a clock does not show.
    Clock,
    /// A zone that is neither `Z` nor an offset from UTC.
    Zone,
    /// Universal time, and the offset of the house is not known.
    Universal,
}

/// Offset from UTC in minutes, as in `+01:00`, `-0530`, `+2`.
pub(super) fn offset_minutes(text: &str) -> Option<i32> {
    let (sign, rest) = match text.split_at_checked(1)? {
        ("+", rest) => (1, rest),
        ("-", rest) => (-1, rest),
        _ => return None,
    };
    let (hours, minutes) = match rest.split_once(':') {
        Some(halves) => halves,
        None if rest.len() == 4 => rest.split_at_checked(2)?,
        None => (rest, "0"),
    };
    let hours = digits(hours).filter(|hours| *hours <= 14)?;
    let minutes = digits(minutes).filter(|minutes| *minutes < 60)?;
    Some(sign * i32::try_from(60 * hours + minutes).ok()?)
}

/// A time of the day, ms since midnight; `24:00` is its end.
pub(in crate::study) fn time_of_day_ms(text: &str) -> Option<u32> {
    if text == "24:00" {
        return Some(86_400_000);
    }
    of_day(text).map(|(milliseconds, _)| milliseconds)
}

fn digits(text: &str) -> Option<u32> {
    let plain = (1..=9).contains(&text.len()) && text.bytes().all(|byte| byte.is_ascii_digit());
    plain.then(|| text.parse().ok()).flatten()
}

/// Reads times of one table; the day of the record before is kept, as the next is often the same.
pub(super) struct Clock<'a> {
    dates: &'a DateFormat,
    /// The offset of the house from UTC, minutes.
    offset: Option<i32>,
    last: (String, Option<NaiveDate>),
}

impl<'a> Clock<'a> {
    pub(super) fn new(dates: &'a DateFormat, offset: Option<i32>) -> Self {
        Self {
            dates,
            offset,
            last: (String::new(), None),
        }
    }

    /// Reads a cell; the date may stand in a separate cell.
    pub(super) fn read(&mut self, date: Option<&str>, cell: &str) -> Result<Stamp, NoTime> {
        let (date, time) = match date {
            Some(date) => (date, cell),
            None => {
                let colon = cell.find(':').ok_or(NoTime::Clock)?;
                let split = cell[..colon].rfind(['T', 't', ' ']).ok_or(NoTime::Date)?;
                (&cell[..split], &cell[split + 1..])
            }
        };
        if self.last.0 != date || self.last.1.is_none() {
            self.last = (date.to_owned(), self.dates.parse(date.trim()));
        }
        let date = self.last.1.ok_or(NoTime::Date)?;
        let (time, zone) = split_zone(time.trim())?;
        let (milliseconds, has_seconds) = of_day(time).ok_or(NoTime::Clock)?;
        let stamp = Stamp {
            date,
            milliseconds,
            has_zone: zone.is_some(),
            has_seconds,
        };
        match (zone, self.offset) {
            (Some(Zone::Universal), None) => Err(NoTime::Universal),
            (None, _) | (Some(Zone::Offset(_)), None) => Ok(stamp),
            (Some(zone), Some(house)) => {
                let theirs = match zone {
                    Zone::Universal => 0,
                    Zone::Offset(minutes) => minutes,
                };
                Ok(shifted(stamp, house - theirs))
            }
        }
    }
}

fn shifted(stamp: Stamp, minutes: i32) -> Stamp {
    let time = NaiveDateTime::from(stamp.date)
        + TimeDelta::milliseconds(i64::from(stamp.milliseconds))
        + TimeDelta::minutes(i64::from(minutes));
    let since = time - NaiveDateTime::from(time.date());
    Stamp {
        date: time.date(),
        milliseconds: u32::try_from(since.num_milliseconds()).unwrap_or(0),
        ..stamp
    }
}

#[derive(Debug, Clone, Copy)]
enum Zone {
    Universal,
    Offset(i32),
}

fn split_zone(time: &str) -> Result<(&str, Option<Zone>), NoTime> {
    if let Some(rest) = time.strip_suffix(['Z', 'z']) {
        return Ok((rest.trim_end(), Some(Zone::Universal)));
    }
    if let Some(at) = time.rfind(['+', '-']) {
        let minutes = offset_minutes(&time[at..]).ok_or(NoTime::Zone)?;
        return Ok((time[..at].trim_end(), Some(Zone::Offset(minutes))));
    }
    let last = time.rsplit(' ').next().unwrap_or_default();
    let half = ["AM", "PM"]
        .iter()
        .any(|half| last.eq_ignore_ascii_case(half));
    if !half && last.len() < time.len() && last.bytes().all(|byte| byte.is_ascii_alphabetic()) {
        return Err(NoTime::Zone);
    }
    Ok((time, None))
}

/// Milliseconds since midnight, and whether seconds were given.
fn of_day(time: &str) -> Option<(u32, bool)> {
    let upper = time
        .len()
        .checked_sub(2)
        .and_then(|at| time.split_at_checked(at));
    let (time, half) = match upper {
        Some((rest, half)) if half.eq_ignore_ascii_case("AM") => (rest.trim_end(), Some(0)),
        Some((rest, half)) if half.eq_ignore_ascii_case("PM") => (rest.trim_end(), Some(12)),
        _ => (time, None),
    };
    let mut parts = time.split(':');
    let hours = digits(parts.next()?)?;
    let minutes = digits(parts.next()?).filter(|minutes| *minutes < 60)?;
    let seconds = parts.next();
    if parts.next().is_some() {
        return None;
    }
    let hours = match half {
        None if hours < 24 => hours,
        Some(half) if (1..=12).contains(&hours) => hours % 12 + half,
        _ => return None,
    };
    let milliseconds = match seconds {
        None => 0,
        Some(text) => {
            let (whole, decimals) = text.split_once(['.', ',']).unwrap_or((text, "0"));
            let whole = digits(whole).filter(|seconds| *seconds < 60)?;
            let decimals = format!("{:0<3}", &decimals[..decimals.len().min(3)]);
            1000 * whole + digits(&decimals)?
        }
    };
    Some((
        3_600_000 * hours + 60_000 * minutes + milliseconds,
        seconds.is_some(),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(cell: &str, offset: Option<i32>) -> Result<(String, u32), NoTime> {
        let dates = DateFormat::default();
        Clock::new(&dates, offset)
            .read(None, cell)
            .map(|stamp| (stamp.date.to_string(), stamp.milliseconds / 1000))
    }

    #[test]
    fn times_are_local_as_they_stand() {
        for (cell, seconds) in [
            ("2026-03-02T07:02:17", 25_337),
            ("2026-03-02 07:02", 25_320),
            ("2026-03-02 07:02:17.250", 25_337),
            ("2026-03-02 07:02:17,5 PM", 68_537),
            ("2026-03-02 12:00 AM", 0),
            ("2026-03-02T07:02:17+01:00", 25_337),
            ("2026-03-02T07:02:17 -0500", 25_337),
        ] {
            assert_eq!(
                read(cell, None),
                Ok(("2026-03-02".to_owned(), seconds)),
                "{cell}"
            );
        }
    }

    #[test]
    fn universal_times_need_the_offset_of_the_house() {
        assert_eq!(read("2026-03-02T23:30:00Z", None), Err(NoTime::Universal));
        let local = Ok(("2026-03-03".to_owned(), 1800));
        assert_eq!(read("2026-03-02T23:30:00Z", Some(60)), local);
        assert_eq!(read("2026-03-03T01:30:00+02:00", Some(60)), local);
    }

    #[test]
    fn what_no_clock_shows_is_no_time() {
        for (cell, why) in [
            ("2026-03-02", NoTime::Clock),
            ("07:02:17", NoTime::Date),
            ("02/03/2026 07:02", NoTime::Date),
            ("2026-02-30 07:02", NoTime::Date),
            ("2026-03-02 24:00", NoTime::Clock),
            ("2026-03-02 07:60", NoTime::Clock),
            ("2026-03-02 07:02:61", NoTime::Clock),
            ("2026-03-02 13:00 PM", NoTime::Clock),
            ("2026-03-02 07:02 CET", NoTime::Zone),
            ("2026-03-02 07:02:17+25:00", NoTime::Zone),
        ] {
            assert_eq!(read(cell, None), Err(why), "{cell}");
        }
    }

    #[test]
    fn offsets() {
        assert_eq!(offset_minutes("+01:00"), Some(60));
        assert_eq!(offset_minutes("-0530"), Some(-330));
        assert_eq!(offset_minutes("+2"), Some(120));
        for text in ["01:00", "+15", "+1:75", "", "+"] {
            assert_eq!(offset_minutes(text), None, "{text}");
        }
    }
}
