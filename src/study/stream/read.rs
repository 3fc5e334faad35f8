//! Rows of a stream to counted readings.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::hash::{BuildHasherDefault, Hasher};

use chrono::NaiveDate;

use super::chunks::LongTable;
use super::columns::Layout;
use super::time::{Clock, NoTime, Stamp};
use super::{CountedReading, PlatformScale, ScaleDay, Stream, StreamSettings, cell_of, middle_of};
use crate::study::decimal_mark::{self, NumberColumn};
use crate::study::faults::{Faults, Place, listed, nearest, quoted, rows_listed};
use crate::study::format::Mark;
use crate::study::header::{Header, Voice};
use crate::study::judge;
use crate::study::read::{Dates, ONE_STRAIN, Register};
use crate::study::records::Missing;
use crate::study::table::Rows;
use crate::study::units::{DateFormat, MASS_LIMIT_G, age_in_range};
use crate::study::weighings::age_between;

const MS_PER_HOUR: u32 = 3_600_000;

/// What a reader of a stream needs beside its table.
pub(crate) struct Reading<'a> {
    pub(crate) settings: &'a StreamSettings,
    pub(crate) date_format: &'a DateFormat,
    pub(crate) dates: &'a Dates,
    pub(crate) voice: Voice,
}

/// Which columns of the table hold what, and the decimal mark of its first rows.
pub(crate) fn layout(header: &Header<'_>, faults: &mut Faults) -> Option<(Layout, Mark)> {
    let before = faults.count();
    let layout = Layout::find(header, faults);
    let Some(layout) = layout.filter(|_| faults.count() == before) else {
        judge::rows(header, faults);
        return None;
    };
    let weights = [NumberColumn::from(layout.weight)];
    let mark = decimal_mark::of(header.table, &weights, faults);
    Some((layout, mark))
}

/// Reads the records of a table, piece by piece.
pub(crate) fn read(
    mut table: LongTable,
    (layout, mark): (Layout, Mark),
    reading: &Reading<'_>,
    register: &mut Register,
    faults: &mut Faults,
) {
    let (Ok(window_ms), Ok(offset)) = (
        reading.settings.window_ms(),
        reading.settings.offset_minutes(),
    ) else {
        // A fault of the settings, reported as they were read.
        return;
    };
    let mut reader = Reader {
        stream: Stream {
            file: table.head.file.clone(),
            ..Stream::default()
        },
        layout: &layout,
        mark,
        mark_is_proven: false,
        clock: Clock::new(reading.date_format, offset),
        window_ms,
        reading,
        scales: Vec::new(),
        register,
        by_name: HashMap::new(),
        last_name: (String::new(), 0),
        days: BTreeMap::new(),
        missing: Missing::default(),
        duplicated: Missing::default(),
        zones: [None, None],
        zones_mixed: false,
        times_to_the_minute: 0,
    };
    table.for_each_piece(faults, |rows, faults| reader.rows(rows, faults));
    reader.finish(faults);
}

/// What is known of a scale while its records are read.
struct Known {
    hatch: Option<NaiveDate>,
    /// Time of its record before, and where its clock went back.
    last: Option<(NaiveDate, u32)>,
    back: Missing,
    first_back: Option<String>,
    records: usize,
}

/// Counts of one scale and day.
#[derive(Default)]
struct Cell {
    age_d: Option<f64>,
    /// Hour and cell of the reading.
    counts: HashMap<u64, u32, BuildHasherDefault<Mixer>>,
    /// Records seen, by time and weight.
    seen: HashSet<u64, BuildHasherDefault<Mixer>>,
}

/// Keys are small whole numbers that nobody chooses to collide: one multiplication spreads them.
#[derive(Default)]
struct Mixer(u64);

impl Hasher for Mixer {
    fn finish(&self) -> u64 {
        self.0
    }
    fn write(&mut self, bytes: &[u8]) {
        for byte in bytes {
            self.write_u64(u64::from(*byte));
        }
    }
    fn write_u64(&mut self, key: u64) {
        // Fibonacci hashing (Knuth, The Art of Computer Programming 3, section 6.4).
        let mixed = (self.0 ^ key).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        self.0 = mixed ^ (mixed >> 32);
    }
}

struct Reader<'a> {
    stream: Stream,
    layout: &'a Layout,
    mark: Mark,
    /// Whether a number has shown the decimal mark since, where the head of the table had none.
    mark_is_proven: bool,
    clock: Clock<'a>,
    window_ms: (u32, u32),
    reading: &'a Reading<'a>,
    scales: Vec<Known>,
    register: &'a mut Register,
    by_name: HashMap<String, Option<usize>>,
    last_name: (String, usize),
    days: BTreeMap<(usize, NaiveDate), Cell>,
    missing: Missing,
    duplicated: Missing,
    /// First row without a zone, and with one.
    zones: [Option<u32>; 2],
    zones_mixed: bool,
    times_to_the_minute: usize,
}

impl Reader<'_> {
    fn rows(&mut self, mut rows: Rows<'_>, faults: &mut Faults) {
        while rows.next(faults).is_some() {
            self.row(&rows, faults);
        }
    }

    fn row(&mut self, rows: &Rows<'_>, faults: &mut Faults) {
        let scale = self.scale(rows, faults);
        let stamp = self.stamp(rows, faults);
        let weight_g = self.weight(rows, faults);
        let (Some(scale), Some(stamp)) = (scale, stamp) else {
            return;
        };
        self.follow(scale, stamp, rows);
        let Some(weight_g) = weight_g else {
            if rows.is_missing(self.layout.weight.index) {
                self.missing.add(rows.row);
            }
            return;
        };
        let (from, to) = self.window_ms;
        if stamp.milliseconds < from || stamp.milliseconds >= to {
            self.stream.outside_window += 1;
            return;
        }
        let day = (scale, stamp.date);
        if !self.days.contains_key(&day) && !self.enter(day, rows, faults) {
            return;
        }
        let Some(cell) = self.days.get_mut(&day) else {
            return;
        };
        if stamp.has_seconds {
            // Time of the day in ms, weight in hundredths of a gram from below -20 kg.
            let record = (u64::from(stamp.milliseconds) << 32) | hundredths(weight_g);
            if !cell.seen.insert(record) {
                self.duplicated.add(rows.row);
                return;
            }
        } else {
            self.times_to_the_minute += 1;
        }
        self.stream.records += 1;
        let hour = stamp.milliseconds / MS_PER_HOUR;
        // Cells go from -2400 to 2400.
        let place = (i32::from(cell_of(weight_g)) + 4096).unsigned_abs();
        let key = u64::from(place) << 8 | u64::from(hour);
        *cell.counts.entry(key).or_default() += 1;
    }

    /// A day of a scale begins; false where its birds had no such day.
    fn enter(&mut self, day: (usize, NaiveDate), rows: &Rows<'_>, faults: &mut Faults) -> bool {
        let (scale, date) = day;
        let age_d = match self.scales[scale].hatch {
            None => None,
            Some(hatch) => {
                let age_d = age_between(hatch, date).and_then(age_in_range);
                if age_d.is_none() {
                    let column = self.layout.date.unwrap_or(self.layout.time);
                    faults.add(
                        rows.place(column),
                        format!("{}, with hatch on {hatch}", quoted(rows.cell(column))),
                        "a day from hatch to ten years after it",
                        "the clock of the scale was wrong there, or the hatch_date is: correct the times, or remove the records",
                    );
                    return false;
                }
                age_d
            }
        };
        let cell = Cell {
            age_d,
            ..Cell::default()
        };
        self.days.insert(day, cell);
        true
    }

    /// The scale of a row.
    fn scale(&mut self, rows: &Rows<'_>, faults: &mut Faults) -> Option<usize> {
        let (column, expected) = match (self.layout.scale, self.layout.pen) {
            (Some(column), _) => (column, "a scale's name"),
            (None, Some(column)) => (column, "a pen's name"),
            (None, None) => {
                return match self.by_name.get("") {
                    Some(known) => *known,
                    None => self.new_scale("", rows, faults),
                };
            }
        };
        let name = rows.word(column, expected, faults)?;
        if self.last_name.0 == name && !self.scales.is_empty() {
            return Some(self.last_name.1);
        }
        let scale = match self.by_name.get(name) {
            Some(known) => (*known)?,
            None => {
                let name = name.to_owned();
                self.new_scale(&name, rows, faults)?
            }
        };
        self.last_name = (name.to_owned(), scale);
        Some(scale)
    }

    fn new_scale(&mut self, name: &str, rows: &Rows<'_>, faults: &mut Faults) -> Option<usize> {
        // A name that is at fault is so once.
        self.by_name.insert(name.to_owned(), None);
        let pen_name = match (self.layout.scale, self.layout.pen) {
            (Some(_), Some(pen)) => rows.optional_word(Some(pen)).map(str::to_owned),
            (Some(_), None) => self.reading.settings.pens.get(name).cloned(),
            (None, Some(_)) => Some(name.to_owned()),
            (None, None) => None,
        };
        let pen = match pen_name {
            None => None,
            Some(pen_name) => Some(self.pen(&pen_name, rows, faults)?),
        };
        let strain = self.strain(name, pen, rows, faults)?;
        let hatch = hatch_of(self.register, self.reading.dates, strain, pen);
        let scale = self.scales.len();
        self.scales.push(Known {
            hatch,
            last: None,
            back: Missing::default(),
            first_back: None,
            records: 0,
        });
        let name = if name.is_empty() { "scale" } else { name };
        self.stream.scales.push(PlatformScale {
            name: name.to_owned(),
            pen,
            strain,
        });
        let key = if name == "scale" && self.layout.scale.is_none() && self.layout.pen.is_none() {
            ""
        } else {
            name
        };
        self.by_name.insert(key.to_owned(), Some(scale));
        Some(scale)
    }

    fn pen(&mut self, name: &str, rows: &Rows<'_>, faults: &mut Faults) -> Option<usize> {
        if let Some(pen) = self.register.known_pen(name) {
            return Some(pen);
        }
        if self.register.study.pens.is_empty() {
            return Some(self.register.pen(name));
        }
        let pens = &self.register.study.pens;
        let column = self.layout.pen.or(self.layout.scale);
        let place = column.map_or_else(|| rows.whole_place(), |column| rows.place(column));
        let advice = match nearest(name, pens.iter().map(String::as_str)) {
            Some(near) => format!("perhaps {near} is meant"),
            None => "add the pen to the tables of birds or pens, or correct its name".to_owned(),
        };
        faults.add(
            place,
            format!("pen {}", quoted(name)),
            format!("a pen of the study ({})", listed(pens)),
            advice,
        );
        None
    }

    /// The strain of the birds that come to a scale.
    fn strain(
        &mut self,
        scale: &str,
        pen: Option<usize>,
        rows: &Rows<'_>,
        faults: &mut Faults,
    ) -> Option<usize> {
        let of_pen = strains_of(self.register, pen);
        match (of_pen.as_slice(), self.register.study.strains.len()) {
            ([strain], _) => Some(*strain),
            ([], 0) => Some(self.register.strain(ONE_STRAIN)),
            ([], 1) => Some(0),
            _ => {
                let named = if scale.is_empty() {
                    "one scale".to_owned()
                } else {
                    format!("scale or pen {}", quoted(scale))
                };
                let advice = match self.reading.voice {
                    Voice::StudyFile => {
                        "name the scale's pen in a column pen or under [scale_stream.pens] in study.toml, and the pen's strain in the tables of birds or pens"
                    }
                    Voice::Options => "put the records of each strain into a separate table",
                };
                faults.add(
                    rows.whole_place(),
                    format!("{named}, among birds of several strains"),
                    "a scale to which birds of one strain come",
                    advice,
                );
                None
            }
        }
    }

    fn stamp(&mut self, rows: &Rows<'_>, faults: &mut Faults) -> Option<Stamp> {
        let column = self.layout.time;
        let cell = rows.word(column, "a time", faults)?;
        let date = match self.layout.date {
            Some(date) => Some(rows.word(date, "a date", faults)?),
            None => None,
        };
        match self.clock.read(date, cell) {
            Ok(stamp) => {
                self.zones[usize::from(stamp.has_zone)].get_or_insert(rows.row);
                if let ([Some(without), Some(with)], false) = (self.zones, self.zones_mixed) {
                    self.zones_mixed = true;
                    faults.add(
                        rows.place(column),
                        format!(
                            "times with a zone (first in row {with}) and without one (first in row {without})"
                        ),
                        "times of one kind",
                        "write all times with their offset from UTC, or all as local times",
                    );
                }
                Some(stamp)
            }
            Err(why) => {
                self.no_time(why, rows, faults);
                None
            }
        }
    }

    #[cold]
    fn no_time(&self, why: NoTime, rows: &Rows<'_>, faults: &mut Faults) {
        let example = self.reading.date_format.example();
        let column = match (why, self.layout.date) {
            (NoTime::Date, Some(date)) => date,
            _ => self.layout.time,
        };
        let settings = match self.reading.voice {
            Voice::StudyFile => "date_format under [units] in study.toml",
            Voice::Options => "--date-format",
        };
        let (expected, advice) = match why {
            NoTime::Date => (
                format!("a date such as {example} and a time"),
                format!("correct the cell, or state how dates are written: {settings}"),
            ),
            NoTime::Clock => (
                format!("a time such as {example}T07:30:00"),
                "correct the cell; a day needs hours and minutes, from 00:00 to 23:59".to_owned(),
            ),
            NoTime::Zone => (
                "a local time, or one with its offset from UTC such as +01:00".to_owned(),
                "write the offset in place of the zone's name, or leave it out where all times are local".to_owned(),
            ),
            NoTime::Universal => (
                "local times".to_owned(),
                "times in UTC name no local day: give the offset of the house, as utc_offset = \"+01:00\" under [scale_stream] in study.toml (--utc-offset)".to_owned(),
            ),
        };
        faults.add(
            rows.place(column),
            quoted(rows.cell(column)),
            expected,
            advice,
        );
    }

    fn weight(&mut self, rows: &Rows<'_>, faults: &mut Faults) -> Option<f64> {
        let weight = self.layout.weight;
        let cell = rows.cell(weight.index);
        if !self.mark_is_proven
            && self.mark == Mark::Point
            && weight.unit == crate::study::MassUnit::Gram
            && cell.contains(['.', ','])
            && !rows.is_missing(weight.index)
        {
            match decimal_mark::shown_by(cell) {
                decimal_mark::Shown::Thousands => {
                    decimal_mark::in_doubt(rows, weight.index, faults);
                    return None;
                }
                decimal_mark::Shown::Point => self.mark_is_proven = true,
                decimal_mark::Shown::Other => {}
            }
        }
        let expected = format!(
            "a weight in {} such as {}",
            weight.unit,
            weight.unit.example()
        );
        let value = rows.number(weight.index, self.mark, &expected, faults)?;
        // A scale that overflows writes a number that no bird has.
        Some((value * weight.unit.grams()).clamp(-MASS_LIMIT_G, MASS_LIMIT_G))
    }

    /// Follows the clock of a scale.
    fn follow(&mut self, scale: usize, stamp: Stamp, rows: &Rows<'_>) {
        let known = &mut self.scales[scale];
        known.records += 1;
        let now = (stamp.date, stamp.milliseconds);
        if let Some(last) = known.last.filter(|last| now < *last) {
            known.back.add(rows.row);
            if known.first_back.is_none() {
                let days = (last.0 - now.0).num_days();
                let seconds = 86_400 * days + (i64::from(last.1) - i64::from(now.1)) / 1000;
                known.first_back = Some(format!(
                    "row {} by {}, to {}",
                    rows.row,
                    long(seconds),
                    rows.cell(self.layout.time)
                ));
            }
        }
        known.last = Some(now);
    }

    fn finish(mut self, faults: &mut Faults) {
        let file = self.stream.file.clone();
        if self.stream.scales.is_empty() {
            return;
        }
        let study = &mut self.register.study;
        for (known, scale) in self.scales.iter().zip(&self.stream.scales) {
            let Some(first) = &known.first_back else {
                continue;
            };
            let name = quoted(&scale.name);
            if known.back.count * 2 > known.records {
                study.notes.push(format!(
                    "{file}: the records of {name} stand from the last to the first"
                ));
                continue;
            }
            let times = match known.back.count {
                1 => "once".to_owned(),
                count => format!("{count} times"),
            };
            study.warnings.push(format!(
                "{file}: the clock of {name} goes back {times}, first in {first}; each record is taken at its recorded time: if the clock was wrong, correct the times (an hour in autumn is the end of summer time)"
            ));
        }
        if self.missing.count > 0 {
            let rows = rows_listed(self.missing.count, &self.missing.first);
            study
                .notes
                .push(format!("{file}: {rows} without a weight left out"));
        }
        if self.duplicated.count > 0 {
            let rows = rows_listed(self.duplicated.count, &self.duplicated.first);
            study.notes.push(format!(
                "{file}: {rows} repeat a record (same scale, time and weight) and are left out"
            ));
        }
        if self.times_to_the_minute > 0 {
            study.notes.push(format!(
                "{file}: {} records have a time without seconds, so that a record written twice cannot be recognised",
                self.times_to_the_minute
            ));
        }
        if self.stream.outside_window > 0 {
            study.notes.push(format!(
                "{file}: {} records outside the hours of the day that count are left out",
                self.stream.outside_window
            ));
        }
        if self.days.is_empty() && faults.count() == 0 {
            faults.add(
                Place::file(&file),
                "no record that counts",
                "records with a weight, within the hours of the day that count",
                "check the column of weights, and from and to under [scale_stream]",
            );
        }
        self.stream.missing = self.missing.count;
        self.stream.duplicates = self.duplicated.count;
        for ((scale, date), cell) in std::mem::take(&mut self.days) {
            let mut keys: Vec<(u64, u32)> = cell.counts.into_iter().collect();
            keys.sort_unstable();
            let readings = keys.into_iter().map(|(key, count)| {
                let place = i32::try_from(key >> 8).unwrap_or(4096) - 4096;
                CountedReading {
                    reading_g: middle_of(i16::try_from(place).unwrap_or(0)),
                    hour: u8::try_from(key & 0xff).unwrap_or(23),
                    count,
                }
            });
            self.stream.days.push(ScaleDay {
                scale,
                date,
                age_d: cell.age_d,
                readings: readings.collect(),
            });
        }
        study.stream = self.stream;
    }
}

/// A weight in hundredths of a gram, counted from below the least reading.
#[expect(
    clippy::cast_possible_truncation,
    reason = "20 kg, the limit, is four million hundredths"
)]
fn hundredths(weight_g: f64) -> u64 {
    (weight_g * 100.0 + 2.0 * MASS_LIMIT_G * 100.0).round() as u64
}

/// Strains of the birds of a pen.
fn strains_of(register: &Register, pen: Option<usize>) -> Vec<usize> {
    if pen.is_none() {
        return Vec::new();
    }
    let study = &register.study;
    let kept = study.kept.iter().filter(|kept| kept.pen == pen);
    let units = study.samples.units.iter().filter(|unit| unit.pen == pen);
    let birds = study.birds.iter().filter(|bird| bird.pen == pen);
    let mut strains: Vec<usize> = kept
        .filter_map(|kept| kept.strain)
        .chain(units.map(|unit| unit.strain))
        .chain(birds.map(|bird| bird.strain))
        .filter(|strain| *strain < study.strains.len())
        .collect();
    strains.sort_unstable();
    strains.dedup();
    strains
}

/// The one day of hatch of the birds that come to a scale.
fn hatch_of(
    register: &Register,
    dates: &Dates,
    strain: usize,
    pen: Option<usize>,
) -> Option<NaiveDate> {
    let study = &register.study;
    let is_own = |of_pen: Option<usize>, of_strain: Option<usize>| match pen {
        Some(_) => of_pen == pen,
        None => of_strain.is_none_or(|own| own == strain),
    };
    let kept = study.kept.iter();
    let kept = kept.filter(|kept| is_own(kept.pen, kept.strain));
    let units = study.samples.units.iter();
    let units = units.filter(|unit| is_own(unit.pen, Some(unit.strain)));
    let birds = study.birds.iter();
    let birds = birds.filter(|bird| is_own(bird.pen, Some(bird.strain)));
    let mut hatches = kept
        .map(|kept| kept.hatch_date)
        .chain(units.map(|unit| unit.hatch_date))
        .chain(birds.map(|bird| bird.hatch_date))
        .filter_map(|own| dates.hatch_of(own));
    match hatches.next() {
        None => dates.hatch_of(None),
        Some(first) => hatches.all(|hatch| hatch == first).then_some(first),
    }
}

/// A time span in the unit that suits it.
fn long(seconds: i64) -> String {
    match seconds {
        ..120 => format!("{seconds} s"),
        120..7200 => format!("{} min", seconds / 60),
        7200..172_800 => format!("{} h", seconds / 3600),
        _ => format!("{} d", seconds / 86_400),
    }
}
