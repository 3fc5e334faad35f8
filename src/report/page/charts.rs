//! The small charts of the first screen: lines with their names at their ends, in the colours
//! of the page, light or dark.

use std::fmt::Write as _;

use super::content::{CurvePoint, GroupCurve, StrainDeviation, TraitCurves};
use super::html::escaped;
use crate::age::AgeUnit;
use crate::report::text::{Overview, capital};

/// Colours before they begin again.
const COLOURS: usize = 7;
/// Width of a letter of the charts, in their units.
pub(super) const LETTER: f64 = 7.2;
/// Letters of a name at the end of a line.
const MOST_LETTERS: usize = 14;
/// Width and height of a chart on a narrow screen.
pub(super) const NARROW: (f64, f64) = (334.0, 210.0);

/// The colour of what is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Look {
    /// A group's own, by its place.
    Own(usize),
    /// One of many: no separate colour.
    Plain,
    /// One of many that is off target.
    Off,
}

impl Look {
    /// The class that gives the colour.
    pub(super) fn class(self) -> String {
        match self {
            Self::Own(place) => format!("s{}", place % COLOURS),
            Self::Plain => "plain".to_owned(),
            Self::Off => "off".to_owned(),
        }
    }

    fn place(self) -> usize {
        match self {
            Self::Own(place) => place,
            Self::Plain | Self::Off => 0,
        }
    }
}

/// A group's mark: disc, square, triangle or diamond, about a point.
pub(super) fn mark(place: usize, (x, y): (f64, f64), r: f64) -> String {
    match (place + place / COLOURS) % 4 {
        0 => format!("<circle class=\"m\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{r}\"/>"),
        1 => format!(
            "<rect class=\"m\" x=\"{:.1}\" y=\"{:.1}\" width=\"{w:.1}\" height=\"{w:.1}\"/>",
            x - 0.9 * r,
            y - 0.9 * r,
            w = 1.8 * r
        ),
        2 => format!(
            "<path class=\"m\" d=\"M{x:.1} {:.1}l{a:.1} {b:.1}h{c:.1}z\"/>",
            y - 1.15 * r,
            a = 1.15 * r,
            b = 2.0 * r,
            c = -2.3 * r
        ),
        _ => format!(
            "<path class=\"m\" d=\"M{x:.1} {:.1}l{a:.1} {a:.1}l-{a:.1} {a:.1}l-{a:.1} -{a:.1}z\"/>",
            y - 1.2 * r,
            a = 1.2 * r
        ),
    }
}

/// A group's mark by itself, before its name.
pub(super) fn key(place: usize) -> String {
    format!(
        "<svg class=\"key {}\" viewBox=\"0 0 12 12\" aria-hidden=\"true\">{}</svg>",
        Look::Own(place).class(),
        mark(place, (6.0, 6.0), 4.4)
    )
}

pub(super) fn short(name: &str) -> String {
    if name.chars().count() <= MOST_LETTERS {
        return name.to_owned();
    }
    let kept: String = name.chars().take(MOST_LETTERS - 1).collect();
    format!("{}\u{2026}", kept.trim_end())
}

/// A line of a chart.
struct Line<'a> {
    name: &'a str,
    look: Look,
    points: &'a [CurvePoint],
    banded: bool,
    weak: bool,
}

/// A scale from values to places.
#[derive(Clone, Copy)]
pub(super) struct Scale {
    pub low: f64,
    pub high: f64,
    pub from: f64,
    pub to: f64,
}

impl Scale {
    pub(super) fn at(self, value: f64) -> f64 {
        let span = self.high - self.low;
        let share = if span > 0.0 {
            (value - self.low) / span
        } else {
            0.5
        };
        self.from + share * (self.to - self.from)
    }

    /// Ticks at round values, at most about `count` of them.
    pub(super) fn ticks(self, count: f64, days: bool) -> Vec<f64> {
        let span = self.high - self.low;
        if span <= 0.0 || !span.is_finite() {
            return vec![self.low];
        }
        let rough = span / count;
        let step = if days && span > 20.0 {
            [7.0, 14.0, 28.0, 56.0, 112.0, 364.0]
                .into_iter()
                .find(|step| *step >= rough)
                .unwrap_or(rough.ceil())
        } else {
            let size = 10_f64.powf(rough.log10().floor());
            [1.0, 2.0, 5.0, 10.0]
                .into_iter()
                .map(|n| n * size)
                .find(|step| *step >= rough)
                .unwrap_or(rough)
        };
        let first = (self.low / step - 1e-9).ceil();
        let mut ticks = Vec::new();
        let mut n = first;
        while n * step <= self.high + 1e-9 * span {
            ticks.push(n * step + 0.0);
            n += 1.0;
        }
        ticks
    }
}

pub(super) fn tick_words(value: f64, signed: bool) -> String {
    let rounded = (value * 1e6).round() / 1e6;
    let text = if signed && rounded > 0.0 {
        format!("+{rounded}")
    } else {
        format!("{rounded}")
    };
    text.replace('-', "\u{2212}")
}

fn path(points: impl Iterator<Item = (f64, f64)>) -> String {
    let mut d = String::new();
    for (place, (x, y)) in points.enumerate() {
        let letter = if place == 0 { 'M' } else { 'L' };
        let _ = write!(d, "{letter}{x:.1} {y:.1}");
    }
    d
}

/// Labels that do not cover each other: their heights, in the order given.
fn apart(wanted: &[f64], least: f64, (top, bottom): (f64, f64)) -> Vec<f64> {
    let mut order: Vec<usize> = (0..wanted.len()).collect();
    order.sort_by(|a, b| wanted[*a].total_cmp(&wanted[*b]));
    let mut places = wanted.to_vec();
    let mut above = top - least;
    for at in &order {
        places[*at] = places[*at].max(above + least);
        above = places[*at];
    }
    let mut below = bottom + least;
    for at in order.iter().rev() {
        places[*at] = places[*at].min(below - least);
        below = places[*at];
    }
    places
}

/// A chart of lines by age.
struct Chart<'a> {
    label: String,
    /// Width and height on a wide screen.
    size: (f64, f64),
    /// What the values are, above the axis.
    unit: &'a str,
    signed: bool,
    ages: AgeUnit,
    lines: Vec<Line<'a>>,
    band: &'a [(f64, f64, f64)],
}

impl Chart<'_> {
    /// The chart for a wide screen and for a narrow one, of which the page shows one, so that
    /// letters have the same size on both.
    fn on_both(&self) -> String {
        self.svg("on-wide", self.size) + &self.svg("on-narrow", NARROW)
    }

    fn svg(&self, class: &str, (width, height): (f64, f64)) -> String {
        let all = self.lines.iter().flat_map(|line| line.points);
        let ages = all.map(|point| point.age_d);
        let values = self.lines.iter().flat_map(|line| {
            let limits = line.points.iter().filter(|_| line.banded);
            let limits = limits.flat_map(|point| [point.lower, point.upper]);
            line.points.iter().map(|point| point.value).chain(limits)
        });
        let values = values.filter(|value| value.is_finite());
        let edges = self.band.iter().flat_map(|(_, low, high)| [*low, *high]);
        let span = |values: &mut dyn Iterator<Item = f64>| {
            values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
                (low.min(value), high.max(value))
            })
        };
        let (first_d, last_d) = span(&mut ages.clone());
        let (mut low, mut high) = span(&mut values.chain(edges));
        if self.signed {
            (low, high) = (low.min(0.0), high.max(0.0));
            let room = 0.06 * (high - low);
            (low, high) = (low - room, high + room);
        } else {
            (low, high) = (low.min(0.0), high * 1.04);
        }
        let names: Vec<String> = self.lines.iter().map(|line| short(line.name)).collect();
        let longest = names.iter().map(|name| name.chars().count()).max();
        let longest = f64::from(u32::try_from(longest.unwrap_or(0)).unwrap_or(0));
        let y_scale = |to: f64| Scale {
            low,
            high,
            from: to,
            to: 22.0,
        };
        let y_ticks = y_scale(height).ticks((height / 40.0).max(3.0), false);
        let y_words: Vec<String> = y_ticks
            .iter()
            .map(|tick| tick_words(*tick, self.signed))
            .collect();
        let widest = y_words.iter().map(|words| words.chars().count()).max();
        let widest = f64::from(u32::try_from(widest.unwrap_or(0)).unwrap_or(0));
        let left = widest * LETTER + 10.0;
        let right = width - longest * LETTER - 20.0;
        let bottom = height - 40.0;
        let y = y_scale(bottom);
        let x = Scale {
            low: first_d.min(if first_d < 14.0 { 0.0 } else { first_d }),
            high: last_d,
            from: left,
            to: right,
        };
        let mut svg = format!(
            "<svg class=\"chart {class}\" viewBox=\"0 0 {width} {height}\" role=\"img\" aria-label=\"{}\">",
            escaped(&self.label)
        );
        let put = &mut svg;
        if self.band.len() > 1 {
            let upper = self.band.iter().map(|(age_d, _, high)| (*age_d, *high));
            let lower = self.band.iter().rev().map(|(age_d, low, _)| (*age_d, *low));
            let around = upper.chain(lower).map(|(a, v)| (x.at(a), y.at(v)));
            let _ = write!(put, "<path class=\"b\" d=\"{}z\"/>", path(around));
        }
        for (tick, words) in y_ticks.iter().zip(&y_words) {
            let at = y.at(*tick);
            let class = if tick.abs() < 1e-9 { "g0" } else { "g" };
            let _ = write!(
                put,
                "<path class=\"{class}\" d=\"M{left:.1} {at:.1}H{right:.1}\"/><text class=\"e\" x=\"{:.1}\" y=\"{:.1}\">{words}</text>",
                left - 7.0,
                at + 4.5
            );
        }
        let _ = write!(put, "<text x=\"0\" y=\"11\">{}</text>", escaped(self.unit));
        for tick in x.ticks(((right - left) / 48.0).max(2.0), true) {
            let _ = write!(
                put,
                "<text class=\"c\" x=\"{:.1}\" y=\"{:.1}\">{}</text>",
                x.at(tick),
                bottom + 18.0,
                self.ages.show_number(tick)
            );
        }
        let _ = write!(
            put,
            "<text class=\"c\" x=\"{:.1}\" y=\"{:.1}\">Age ({})</text>",
            (left + right) / 2.0,
            height - 2.0,
            self.ages
        );
        self.draw_lines(put, (x, y), &names);
        svg.push_str("</svg>");
        svg
    }

    fn draw_lines(&self, put: &mut String, (x, y): (Scale, Scale), names: &[String]) {
        for line in self.lines.iter().filter(|line| line.banded) {
            let banded = line
                .points
                .iter()
                .filter(|point| point.lower.is_finite() && point.upper.is_finite());
            let upper = banded.clone().map(|point| (point.age_d, point.upper));
            let lower = banded.rev().map(|point| (point.age_d, point.lower));
            let around = upper.chain(lower).map(|(a, v)| (x.at(a), y.at(v)));
            let _ = write!(
                put,
                "<path class=\"a {}\" d=\"{}z\"/>",
                line.look.class(),
                path(around)
            );
        }
        let ends: Vec<f64> = self
            .lines
            .iter()
            .map(|line| line.points.last().map_or(0.0, |point| y.at(point.value)))
            .collect();
        let labels = apart(&ends, 17.0, (y.to, y.from));
        for ((line, name), label) in self.lines.iter().zip(names).zip(labels) {
            let there = line.points.iter();
            let places = there.map(|point| (x.at(point.age_d), y.at(point.value)));
            let weak = if line.weak { " weak" } else { "" };
            let class = line.look.class();
            let last = line.points.last().map_or(0.0, |point| x.at(point.age_d));
            if name.is_empty() {
                let _ = write!(
                    put,
                    "<path class=\"l {class}{weak}\" d=\"{}\"/>",
                    path(places)
                );
                continue;
            }
            let _ = write!(
                put,
                "<path class=\"l {class}{weak}\" d=\"{}\"/><g class=\"{class}\">{}</g><text class=\"i\" x=\"{:.1}\" y=\"{:.1}\">{}</text>",
                path(places),
                mark(line.look.place(), (last.max(x.to) + 8.0, label), 4.0),
                last.max(x.to) + 16.0,
                label + 4.5,
                escaped(name)
            );
        }
    }
}

/// Growth of the groups that are shown, in separate colours where there are few.
pub(super) fn growth(
    curves: &[&GroupCurve],
    of: &TraitCurves,
    (few, overview): (bool, &Overview),
) -> String {
    let lines = curves.iter().map(|one| Line {
        name: if of.groups.len() > 1 { &one.name } else { "" },
        look: if few {
            Look::Own(one.place)
        } else {
            Look::Plain
        },
        points: &one.values,
        banded: few,
        weak: of.weak,
    });
    Chart {
        label: format!(
            "{} of the typical {} by age, with its confidence band",
            capital(&of.name),
            overview.subject
        ),
        size: (490.0, 172.0),
        unit: of.unit,
        signed: false,
        ages: overview.ages,
        lines: lines.collect(),
        band: &[],
    }
    .on_both()
}

/// Deviations of strain means from their targets, percent; of many strains those that are off
/// stand out.
pub(super) fn deviation(strains: &[StrainDeviation], few: bool, ages: AgeUnit) -> String {
    let lines = strains.iter().map(|one| Line {
        name: &one.name,
        look: match (few, one.off) {
            (true, _) => Look::Own(one.place),
            (false, true) => Look::Off,
            (false, false) => Look::Plain,
        },
        points: &one.means,
        banded: false,
        weak: false,
    });
    Chart {
        label: "Deviation of strain means from target, percent, by age".to_owned(),
        size: (490.0, if few { 162.0 } else { 300.0 }),
        unit: "% of target",
        signed: true,
        ages,
        lines: lines.collect(),
        band: common_band(strains).unwrap_or(&[]),
    }
    .on_both()
}

/// The target's band, where all strains have the same in percent.
pub(super) fn common_band(strains: &[StrainDeviation]) -> Option<&[(f64, f64, f64)]> {
    /// Percent, on average: what targets in whole grams differ by.
    const ALIKE: f64 = 0.5;
    let (first, others) = strains.split_first()?;
    let alike = |other: &StrainDeviation| {
        let apart = first.band.iter().flat_map(|(age_d, low, high)| {
            let same = other
                .band
                .iter()
                .filter(move |(other_d, ..)| (age_d - other_d).abs() < 0.5);
            same.flat_map(move |(_, l, h)| [(low - l).abs(), (high - h).abs()])
        });
        let apart: Vec<f64> = apart.collect();
        !apart.is_empty() && crate::stats::mean(&apart) < ALIKE
    };
    (!first.band.is_empty() && others.iter().all(alike)).then_some(first.band.as_slice())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_keep_their_distance_and_stay_inside() {
        let places = apart(&[50.0, 48.0, 49.0, 10.0], 15.0, (0.0, 60.0));
        let mut sorted = places.clone();
        sorted.sort_by(f64::total_cmp);
        assert!(sorted.windows(2).all(|two| two[1] - two[0] >= 15.0 - 1e-9));
        assert!(sorted[0] >= 0.0 && sorted[3] <= 60.0);
        // Their order is that of the lines.
        assert!(places[1] < places[2] && places[2] < places[0]);
    }

    #[test]
    fn ticks_are_round() {
        let scale = |low, high| Scale {
            low,
            high,
            from: 0.0,
            to: 1.0,
        };
        assert_eq!(
            scale(0.0, 168.0).ticks(6.0, true),
            [0.0, 28.0, 56.0, 84.0, 112.0, 140.0, 168.0]
        );
        assert_eq!(scale(-9.0, 5.0).ticks(4.0, false), [-5.0, 0.0, 5.0]);
    }
}
