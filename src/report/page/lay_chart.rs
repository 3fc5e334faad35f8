//! The ages at 50 % in lay with their intervals, as a small chart.

use std::fmt::Write as _;

use super::charts::{LETTER, Look, NARROW, Scale, mark, short};
use super::html::escaped;
use crate::age::AgeUnit;
use crate::report::text::LayRow;

/// Widths on a wide and on a narrow screen.
const LAY_WIDTHS: [(&str, f64); 2] = [("on-wide", 380.0), ("on-narrow", NARROW.0)];
/// Rows of ages.
const MOST_ROWS: usize = 8;

/// Ages at 50 % in lay with their intervals.
pub(super) fn ages_in_lay(rows: &[LayRow]) -> Option<String> {
    let mut known: Vec<&LayRow> = rows.iter().filter(|row| row.half_d.is_some()).collect();
    if known.len() > MOST_ROWS {
        let age = |row: &LayRow| row.half_d.map_or(0.0, |(age_d, _)| age_d);
        known.sort_by(|a, b| age(a).total_cmp(&age(b)));
        known.drain(MOST_ROWS / 2..known.len() - MOST_ROWS / 2);
    }
    let limits = known.iter().filter_map(|row| row.half_d);
    let all = limits.flat_map(|(age_d, interval)| [age_d, interval.lower, interval.upper]);
    let finite = all.filter(|age_d| age_d.is_finite());
    let (low, high) = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), age_d| {
        (low.min(age_d), high.max(age_d))
    });
    low.is_finite().then(|| {
        let both = LAY_WIDTHS.iter();
        both.map(|(class, width)| ages_chart(&known, (low, high), class, *width))
            .collect()
    })
}

fn ages_chart(known: &[&LayRow], (low, high): (f64, f64), class: &str, width: f64) -> String {
    let ages = known.first().map_or(AgeUnit::Days, |row| row.ages);
    let names: Vec<String> = known.iter().map(|row| short(&row.name)).collect();
    let letters = |words: &str| f64::from(u32::try_from(words.chars().count()).unwrap_or(0));
    let longest = names.iter().map(|name| letters(name)).fold(0.0, f64::max);
    let counts = known.iter().map(|row| letters(&row.laying_words()));
    let step = 30.0;
    let left = longest * LETTER + 26.0;
    let right = width - counts.fold(6.0, f64::max) * LETTER - 12.0;
    let room = (0.08 * (high - low)).max(1.0);
    let x = Scale {
        low: low - room,
        high: high + room,
        from: left,
        to: right,
    };
    let rows_high = step * f64::from(u32::try_from(known.len()).unwrap_or(0));
    let height = rows_high + 62.0;
    let bottom = rows_high + 22.0;
    let mut svg = format!(
        "<svg class=\"chart {class}\" viewBox=\"0 0 {width} {height}\" role=\"img\" aria-label=\"Age at 50 % in lay with its interval, and birds that laid\">"
    );
    let put = &mut svg;
    for tick in x.ticks(((right - left) / 52.0).max(2.0), x.high - x.low > 28.0) {
        let at = x.at(tick);
        let _ = write!(
            put,
            "<path class=\"g\" d=\"M{at:.1} 16V{bottom:.1}\"/><text class=\"c\" x=\"{at:.1}\" y=\"{:.1}\">{}</text>",
            bottom + 16.0,
            ages.show_number(tick)
        );
    }
    let _ = write!(
        put,
        "<text class=\"c\" x=\"{:.1}\" y=\"{:.1}\">Age at 50 % in lay ({ages})</text><text class=\"e\" x=\"{width}\" y=\"11\">laid</text>",
        (left + right) / 2.0,
        height - 2.0
    );
    let mut y = 22.0 + step / 2.0;
    for (row, name) in known.iter().zip(&names) {
        let Some((age_d, interval)) = row.half_d else {
            continue;
        };
        let from = x.at(interval.lower.max(x.low));
        let to = x.at(interval.upper.min(x.high));
        let class = Look::Own(row.place).class();
        let _ = write!(
            put,
            "<text class=\"i\" x=\"0\" y=\"{t:.1}\">{}</text><g class=\"{class}\"><path class=\"l\" d=\"M{from:.1} {y:.1}H{to:.1}\"/>{}</g><text class=\"e\" x=\"{width}\" y=\"{t:.1}\">{}</text>",
            escaped(name),
            mark(row.place, (x.at(age_d), y), 5.0),
            row.laying_words(),
            t = y + 4.5
        );
        y += step;
    }
    svg.push_str("</svg>");
    svg
}
