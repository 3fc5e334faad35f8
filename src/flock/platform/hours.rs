//! How weights rise over the day: crops fill, and a stream that is read in other hours than those
//! of the hand-weighing differs by that.

use std::collections::HashMap;

use super::days::GatedDay;

/// The rise of the log weight by hour, the same on all days.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HourlyRise {
    /// Rise in percent an hour.
    pub pct_per_h: f64,
    /// Its standard error, from how the rise differs between days.
    pub standard_error: f64,
    /// First and last hour with records.
    pub hours: (u8, u8),
}

/// Within-day regression of the log weight of single birds on the hour; the error from the
/// scatter of the days' own slopes. `None` of fewer than four days, or of one hour.
pub(super) fn rise(days: &[GatedDay<'_>]) -> Option<HourlyRise> {
    let mut hours = (u8::MAX, 0);
    let mut slopes: Vec<(f64, f64)> = Vec::new();
    for day in days.iter().filter(|day| day.has_weights()) {
        let single: HashMap<u64, f64> = day
            .counted
            .iter()
            .zip(&day.gate.single)
            .map(|(one, single)| (one.reading_g.to_bits(), *single))
            .collect();
        let tare_g = day.gate.tare_g.unwrap_or(0.0);
        let mut sums = [0.0; 5];
        for reading in &day.read.readings {
            let single = single.get(&reading.reading_g.to_bits()).copied();
            let weight = f64::from(reading.count) * single.unwrap_or(0.0);
            let weight_g = reading.reading_g - tare_g;
            if weight <= 0.0 || weight_g <= 0.0 {
                continue;
            }
            hours = (hours.0.min(reading.hour), hours.1.max(reading.hour));
            let (x, y) = (f64::from(reading.hour), weight_g.ln());
            for (sum, term) in sums.iter_mut().zip([1.0, x, y, x * x, x * y]) {
                *sum += weight * term;
            }
        }
        let [n, x, y, xx, xy] = sums;
        let (squares, products) = (xx - x * x / n, xy - x * y / n);
        if n > 0.0 && squares > 0.0 {
            slopes.push((squares, products / squares));
        }
    }
    let days = slopes.len();
    if days < 4 {
        return None;
    }
    let all: f64 = slopes.iter().map(|(weight, _)| weight).sum();
    let slope = slopes
        .iter()
        .map(|(weight, slope)| weight * slope)
        .sum::<f64>()
        / all;
    let scatter: f64 = slopes
        .iter()
        .map(|(weight, own)| (weight * (own - slope)).powi(2))
        .sum();
    let n = days as f64;
    Some(HourlyRise {
        pct_per_h: 100.0 * slope,
        standard_error: 100.0 * (scatter * n / (n - 1.0)).sqrt() / all,
        hours,
    })
}
