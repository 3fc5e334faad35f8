//! Records of platform scales: time, scale or pen, weight; thousands a day.
//!
//! The file is read piece by piece and no record is kept: readings of a scale and day are counted
//! in cells a quarter of a percent wide, by hour. A record that is written twice (same scale,
//! time and weight) counts once. Which records are single birds is not the reader's question: see
//! [`flock::platform`](crate::flock::platform).

mod chunks;
mod columns;
mod read;
mod time;

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::Deserialize;

pub(crate) use chunks::LongTable;
pub(crate) use read::{Reading, layout, read};
pub(in crate::study) use time::time_of_day_ms;

/// The records of all scales, counted.
#[derive(Debug, Clone, Default)]
pub struct Stream {
    /// The file that they came from.
    pub file: String,
    /// The scales, in order of first appearance.
    pub scales: Vec<PlatformScale>,
    /// Each day of each scale, by scale and date.
    pub days: Vec<ScaleDay>,
    /// Records read, those of a day window and double ones left out.
    pub records: usize,
    /// Records left out because the same record had been read already.
    pub duplicates: usize,
    /// Records left out because they have no weight.
    pub missing: usize,
    /// Records outside the hours of the day that the settings name.
    pub outside_window: usize,
}

/// One scale.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlatformScale {
    /// Its name in the table: that of the scale, or of its pen.
    pub name: String,
    /// Index into [`Study::pens`](super::Study::pens).
    pub pen: Option<usize>,
    /// Index into [`Study::strains`](super::Study::strains).
    pub strain: usize,
}

/// Readings of one scale on one day.
#[derive(Debug, Clone, PartialEq)]
pub struct ScaleDay {
    /// Index into [`Stream::scales`].
    pub scale: usize,
    /// The day, local.
    pub date: NaiveDate,
    /// Age of the birds, d, where their day of hatch is known.
    pub age_d: Option<f64>,
    /// Counted readings, ascending in reading, then hour.
    pub readings: Vec<CountedReading>,
}

/// Readings of about one weight in one hour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CountedReading {
    /// Reading, g; the empty scale may read below zero.
    pub reading_g: f64,
    /// Hour of the day, 0 to 23.
    pub hour: u8,
    /// How often.
    pub count: u32,
}

/// How the records of platform scales are read.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct StreamSettings {
    /// Records before this time of the day are left out, as `08:00`.
    pub from: Option<String>,
    /// Records from this time of the day on are left out.
    pub to: Option<String>,
    /// Offset of the house from universal time, as `+01:00`: for times in UTC.
    pub utc_offset: Option<String>,
    /// The pen that each scale stands in, where the table names scales alone.
    pub pens: BTreeMap<String, String>,
}

impl StreamSettings {
    /// Times of the day between which records count, ms since midnight; `Err` names the key that
    /// cannot be read.
    pub(crate) fn window_ms(&self) -> Result<(u32, u32), &'static str> {
        let whole_day = 86_400_000;
        let of = |text: &Option<String>, key, usual| match text {
            None => Ok(usual),
            Some(text) => time::time_of_day_ms(text.trim()).ok_or(key),
        };
        let from = of(&self.from, "from", 0)?;
        let to = of(&self.to, "to", whole_day)?;
        if from < to { Ok((from, to)) } else { Err("to") }
    }

    /// Offset from universal time in minutes; `Err` where it cannot be read.
    pub(crate) fn offset_minutes(&self) -> Result<Option<i32>, &'static str> {
        match &self.utc_offset {
            None => Ok(None),
            Some(text) => match time::offset_minutes(text.trim()) {
                Some(minutes) => Ok(Some(minutes)),
                None => Err("utc_offset"),
            },
        }
    }
}

/// Readings are counted in cells of this width on the scale of asinh(g / 100): a quarter of a
/// gram near zero, a quarter of a percent of a bird's weight.
const CELL: f64 = 0.0025;
/// Where that scale turns from linear to logarithmic, g.
const LINEAR_TO_G: f64 = 100.0;

/// The cell of a reading.
#[expect(
    clippy::cast_possible_truncation,
    reason = "20 kg, the greatest reading, is cell 2397"
)]
fn cell_of(reading_g: f64) -> i16 {
    ((reading_g / LINEAR_TO_G).asinh() / CELL).round() as i16
}

/// The middle of a cell, g.
fn middle_of(cell: i16) -> f64 {
    (f64::from(cell) * CELL).sinh() * LINEAR_TO_G
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cell_holds_a_reading_to_a_quarter_of_a_percent() {
        for reading_g in [-30.0_f64, 0.0, 2.0, 38.0, 1250.0, 20_000.0] {
            let error = (middle_of(cell_of(reading_g)) - reading_g).abs();
            assert!(
                error <= 0.0013 * reading_g.abs().hypot(100.0),
                "{reading_g}"
            );
        }
    }

    #[test]
    fn a_window_ends_after_it_begins() {
        let window = |from: &str, to: &str| {
            StreamSettings {
                from: Some(from.into()),
                to: Some(to.into()),
                ..StreamSettings::default()
            }
            .window_ms()
        };
        assert_eq!(window("08:00", "10:30"), Ok((28_800_000, 37_800_000)));
        assert_eq!(window("10:00", "08:00"), Err("to"));
        assert_eq!(window("8 o'clock", "10:00"), Err("from"));
        assert_eq!(StreamSettings::default().window_ms(), Ok((0, 86_400_000)));
    }
}
