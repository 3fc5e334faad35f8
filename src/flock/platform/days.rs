//! The days of each scale, gated with the scale's other days.

use chrono::{Datelike, NaiveDate};
use rayon::prelude::*;

use super::LEAST_VISITS;
use super::gate::{Counted, Expected, Gated, LOADS, Load, commonest, gate};
use crate::flock::target::TargetCurve;
use crate::stats::median;
use crate::study::{MASS_LIMIT_G, ScaleDay, Study};

/// A day of a scale, gated.
pub(super) struct GatedDay<'a> {
    pub(super) scale: usize,
    pub(super) date: NaiveDate,
    pub(super) age_d: Option<f64>,
    pub(super) counted: Vec<Counted>,
    pub(super) gate: Gated,
    pub(super) read: &'a ScaleDay,
}

impl GatedDay<'_> {
    pub(super) fn has_weights(&self) -> bool {
        self.gate.singles() >= LEAST_VISITS
    }

    /// Coefficient of variation of single birds, as a share.
    pub(super) fn cv(&self) -> f64 {
        self.gate.sd_g / self.gate.mean_g
    }

    /// Share of single birds within some percent of their mean, percent, if their deviations were
    /// `spread` times as great.
    pub(super) fn uniformity_pct(&self, within_pct: f64, spread: f64) -> f64 {
        let within = within_pct / 100.0 / spread;
        100.0
            * self
                .gate
                .share_within(&self.counted, self.gate.mean_g, within)
    }
}

/// A day's number, so that days are apart by their difference.
pub(super) fn day_number(date: NaiveDate) -> f64 {
    f64::from(date.num_days_from_ce())
}

/// Lowest weight that is looked for, g: below any chick.
const LOWEST_G: f64 = 15.0;
/// The commonest weight of a day lies within this factor of that of the days about it.
const LIKE_NEIGHBOURS: f64 = 1.25;
/// Days about a day, on each side.
const NEIGHBOURS: usize = 3;
/// The commonest weight may differ from the target by this factor before it is questioned.
const LIKE_TARGET: f64 = 1.4;

/// The days of all scales, by scale and date.
pub(super) fn gated<'a>(
    study: &'a Study,
    targets: &[Option<TargetCurve>],
    warnings: &mut Vec<String>,
) -> Vec<GatedDay<'a>> {
    let stream = &study.stream;
    let mut all = Vec::with_capacity(stream.days.len());
    for (scale, known) in stream.scales.iter().enumerate() {
        let days: Vec<&ScaleDay> = stream
            .days
            .iter()
            .filter(|day| day.scale == scale)
            .collect();
        let counted: Vec<Vec<Counted>> = days.par_iter().map(|day| counted(day)).collect();
        let target = targets.get(known.strain).and_then(Option::as_ref);
        let commonest: Vec<Option<f64>> = counted
            .par_iter()
            .zip(&days)
            .map(|(readings, day)| {
                let target_g = day
                    .age_d
                    .and_then(|age_d| Some(target?.at(age_d)?.target_g));
                commonest_about(readings, target_g)
            })
            .collect();
        let starts = like_neighbours(&commonest);
        question(&known.name, (&days, &starts), target, warnings);
        let first: Vec<Gated> = counted
            .par_iter()
            .zip(&starts)
            .map(|(readings, start_g)| gate(readings, &Expected::at(*start_g)))
            .collect();
        let (cv, shares) = pooled(&first);
        let second = counted.into_par_iter().zip(first).map(|(readings, first)| {
            let expected = Expected {
                mean_g: first.mean_g,
                cv,
                shares,
            };
            let gate = gate(&readings, &expected);
            (readings, gate)
        });
        let second: Vec<(Vec<Counted>, Gated)> = second.collect();
        for (read, (counted, gate)) in days.into_iter().zip(second) {
            all.push(GatedDay {
                scale,
                date: read.date,
                age_d: read.age_d,
                counted,
                gate,
                read,
            });
        }
    }
    all
}

/// The commonest weight about the target, where a tenth of the readings are there; otherwise of
/// all readings.
fn commonest_about(readings: &[Counted], target_g: Option<f64>) -> Option<f64> {
    let whole = || commonest(readings, LOWEST_G, MASS_LIMIT_G);
    let Some(target_g) = target_g else {
        return whole();
    };
    let (lowest_g, highest_g) = (target_g / LIKE_TARGET, target_g * LIKE_TARGET);
    let count = |from_g: f64, to_g: f64| -> f64 {
        let within = readings
            .iter()
            .filter(|one| one.reading_g >= from_g && one.reading_g <= to_g);
        within.map(|one| one.count).sum()
    };
    if count(lowest_g, highest_g) < 0.1 * count(f64::NEG_INFINITY, f64::INFINITY) {
        return whole();
    }
    commonest(readings, lowest_g, highest_g)
}

/// Readings of all hours together.
fn counted(day: &ScaleDay) -> Vec<Counted> {
    let mut counted: Vec<Counted> = Vec::new();
    for reading in &day.readings {
        match counted.last_mut() {
            Some(last) if last.reading_g.to_bits() == reading.reading_g.to_bits() => {
                last.count += f64::from(reading.count);
            }
            _ => counted.push(Counted {
                reading_g: reading.reading_g,
                count: f64::from(reading.count),
            }),
        }
    }
    counted
}

/// The commonest weight of each day, or that of the days about it where it is far from them.
fn like_neighbours(commonest: &[Option<f64>]) -> Vec<f64> {
    (0..commonest.len())
        .map(|at| {
            let from = at.saturating_sub(NEIGHBOURS);
            let to = (at + NEIGHBOURS + 1).min(commonest.len());
            let about: Vec<f64> = commonest[from..to].iter().copied().flatten().collect();
            if about.is_empty() {
                return 1000.0;
            }
            let usual = median(&about);
            match commonest[at] {
                Some(own) if own < usual * LIKE_NEIGHBOURS && own * LIKE_NEIGHBOURS > usual => own,
                _ => usual,
            }
        })
        .collect()
}

/// Questions a scale whose commonest weight is far from the target of its strain.
fn question(
    scale: &str,
    (days, starts): (&[&ScaleDay], &[f64]),
    target: Option<&TargetCurve>,
    warnings: &mut Vec<String>,
) {
    let Some(target) = target else { return };
    let far = days.iter().zip(starts).find_map(|(day, commonest_g)| {
        let target_g = target.at(day.age_d?)?.target_g;
        let factor = (commonest_g / target_g).ln().abs().exp();
        (factor > LIKE_TARGET).then_some((day.date, *commonest_g, target_g))
    });
    if let Some((date, commonest_g, target_g)) = far {
        warnings.push(format!(
            "scale {scale}, {date}: the commonest weight is {commonest_g:.0} g where the target is {target_g:.0} g: check the unit, the day of hatch, and whether birds mostly come in twos"
        ));
    }
}

/// Coefficient of variation and shares over the days of a scale.
fn pooled(days: &[Gated]) -> (f64, [f64; LOADS]) {
    let records: f64 = days.iter().map(|day| day.records).sum();
    let singles: f64 = days.iter().map(Gated::singles).sum();
    let mut shares = [0.0; LOADS];
    let mut squares = 0.0;
    for day in days {
        for (share, own) in shares.iter_mut().zip(&day.shares) {
            *share += own * day.records / records;
        }
        squares += day.singles() * (day.sd_g / day.mean_g).powi(2);
    }
    ((squares / singles.max(1.0)).sqrt(), shares)
}

/// Tare further than this share of a bird's weight from zero is reported.
const TARE_SHARE: f64 = 0.01;
/// Share of loads that are no single birds beyond which a day is reported.
const REJECTED: f64 = 0.4;
/// A daily mean that leaves the line through its neighbours by this multiple of the usual
/// deviation, and by 3 percent, is reported.
const JUMP: f64 = 5.0;
const LEAST_JUMP: f64 = 0.03;

/// What deserves a second look in the gated days.
pub(super) fn look_through(study: &Study, days: &[GatedDay<'_>], warnings: &mut Vec<String>) {
    for (scale, known) in study.stream.scales.iter().enumerate() {
        let own: Vec<&GatedDay<'_>> = days.iter().filter(|day| day.scale == scale).collect();
        let name = &known.name;
        let loaded: Vec<&&GatedDay<'_>> = own
            .iter()
            .filter(|day| {
                let tare = day.gate.tare_g.map_or(0.0, f64::abs);
                tare > TARE_SHARE * day.gate.mean_g
            })
            .collect();
        if let Some(first) = loaded.first() {
            let greatest = loaded.iter().filter_map(|day| day.gate.tare_g);
            let greatest = greatest.fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a });
            warnings.push(format!(
                "scale {name}: the empty platform reads up to {greatest:.0} g (from {} on, {}); it was taken off, but clean the platform and zero it",
                first.date,
                days_in_words(loaded.len())
            ));
        }
        let rejected: Vec<&&GatedDay<'_>> = own
            .iter()
            .filter(|day| {
                let loaded = 1.0 - day.gate.shares[Load::Empty as usize];
                let single = day.gate.shares[Load::Bird as usize];
                single < (1.0 - REJECTED) * loaded && day.gate.records >= LEAST_VISITS
            })
            .collect();
        if let Some(first) = rejected.first() {
            warnings.push(format!(
                "scale {name}: on {} more than {:.0} % of the loads are no single birds, first on {}",
                days_in_words(rejected.len()),
                100.0 * REJECTED,
                first.date
            ));
        }
        let few = own.iter().filter(|day| !day.has_weights()).count();
        if few > 0 {
            warnings.push(format!(
                "scale {name}: {} with fewer than {LEAST_VISITS:.0} visits of single birds have no weights",
                days_in_words(few)
            ));
        }
        if let Some((date, percent)) = jump(&own) {
            warnings.push(format!(
                "scale {name}: the daily mean of {date} is {percent:+.1} % off the days about it: was the scale moved, cleaned or set?"
            ));
        }
    }
}

fn days_in_words(days: usize) -> String {
    if days == 1 {
        "1 day".to_owned()
    } else {
        format!("{days} days")
    }
}

/// The day whose mean lies furthest from the line through its neighbours, where that is far.
fn jump(own: &[&GatedDay<'_>]) -> Option<(NaiveDate, f64)> {
    let off: Vec<(NaiveDate, f64)> = own
        .windows(3)
        .filter(|three| three.iter().all(|day| day.has_weights()))
        .map(|three| {
            let at = |day: &GatedDay<'_>| (day_number(day.date), day.gate.mean_g.ln());
            let [before, day, after] = [at(three[0]), at(three[1]), at(three[2])];
            let along = (day.0 - before.0) / (after.0 - before.0);
            let line = before.1 + along * (after.1 - before.1);
            (three[1].date, day.1 - line)
        })
        .collect();
    let sizes: Vec<f64> = off.iter().map(|(_, by)| by.abs()).collect();
    if sizes.len() < 4 {
        return None;
    }
    let limit = (JUMP * median(&sizes)).max(LEAST_JUMP);
    let (date, by) = off
        .into_iter()
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
    (by.abs() > limit).then(|| (date, 100.0 * by.exp_m1()))
}
