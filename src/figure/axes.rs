//! Ranges, ticks and their labels.

use crate::figure::font::Cut;
use crate::figure::paper::LETTER_PT;
use crate::figure::series::AgeUnit;
use crate::figure::words::{Words, name_and_n};

/// What the numbers on an axis are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Scale {
    /// Plain numbers: steps of 1, 2 or 5 times a power of ten.
    Number,
    /// Ages in days: steps of whole weeks from 7 days on.
    Days,
    /// Ages in days, written in weeks.
    Weeks,
}

impl From<AgeUnit> for Scale {
    fn from(unit: AgeUnit) -> Self {
        match unit {
            AgeUnit::Days => Scale::Days,
            AgeUnit::Weeks => Scale::Weeks,
        }
    }
}

/// Which way an axis runs; it decides how many labels fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Way {
    Across,
    Up,
}

/// An axis before its length is known.
#[derive(Debug, Clone)]
pub(crate) struct Axis {
    title: Words,
    scale: Scale,
    data: Option<(f64, f64)>,
    rows: Vec<Words>,
}

/// An axis on paper.
#[derive(Debug, Clone)]
pub(crate) struct FittedAxis {
    pub title: Words,
    pub lo: f64,
    pub hi: f64,
    pub ticks: Vec<Tick>,
}

/// One tick and its label.
#[derive(Debug, Clone)]
pub(crate) struct Tick {
    pub at: f64,
    pub label: Words,
    /// An age in weeks, small beneath that in days.
    pub weeks: Option<Words>,
}

/// From this span of days on every labelled tick is a whole week.
const WITH_WEEKS_D: f64 = 28.0;

/// Beyond this a number is taken for a slip: a range that holds it would
/// overflow, and no trait of a bird comes near.
const LARGEST: f64 = 1e150;

/// The ages (or other x) and the values of the places that can be drawn.
pub(crate) fn drawn_at(places: impl Iterator<Item = (f64, f64)>) -> (Vec<f64>, Vec<f64>) {
    places.filter(|p| drawable(p.0) && drawable(p.1)).unzip()
}

/// Whether a coordinate can be drawn.
pub(crate) fn drawable(value: f64) -> bool {
    value.is_finite() && value.abs() < LARGEST
}

impl Axis {
    pub(crate) fn new(title: Words, scale: Scale) -> Self {
        Self {
            title,
            scale,
            data: None,
            rows: Vec::new(),
        }
    }

    /// An upright axis of named rows, the first on top, each name with its n cut to
    /// `most_mm`; see [`row_at`] for where they stand.
    pub(crate) fn rows<'a>(
        names: impl IntoIterator<Item = (&'a str, String)>,
        most_mm: f64,
    ) -> Self {
        let rows: Vec<Words> = names
            .into_iter()
            .map(|(name, n)| name_and_n(name, &n, Cut::Regular, LETTER_PT, most_mm))
            .collect();
        let ends = [row_at(rows.len(), 0), 1.0];
        let axis = Self::new(Words::default(), Scale::Number);
        if rows.is_empty() {
            return axis;
        }
        Self { rows, ..axis }.hold(ends)
    }

    /// An axis of ages.
    pub(crate) fn age(unit: AgeUnit) -> Self {
        let title = match unit {
            AgeUnit::Days => "Age (days)",
            AgeUnit::Weeks => "Age (weeks)",
        };
        Self::new(Words::plain(title), unit.into())
    }

    /// Whether weeks stand beneath its days: over at least [`WITH_WEEKS_D`].
    pub(crate) fn has_weeks(&self) -> bool {
        let (lo, hi) = self.range();
        self.scale == Scale::Days && self.data.is_some() && hi - lo >= WITH_WEEKS_D
    }

    /// Widens the range to hold these values; what cannot be drawn is passed over.
    pub(crate) fn hold(mut self, values: impl IntoIterator<Item = f64>) -> Self {
        for value in values.into_iter().filter(|&v| drawable(v)) {
            let (lo, hi) = self.data.unwrap_or((value, value));
            self.data = Some((lo.min(value), hi.max(value)));
        }
        self
    }

    /// The same with zero in its range, unless there is nothing to draw.
    pub(crate) fn with_zero(self) -> Self {
        if self.is_empty() {
            self
        } else {
            self.hold([0.0])
        }
    }

    /// Whether it has a title.
    pub(crate) fn is_titled(&self) -> bool {
        !self.title.is_empty()
    }

    /// Whether there is anything to draw.
    pub(crate) fn is_empty(&self) -> bool {
        self.data.is_none()
    }

    /// The range, padded so that points at its ends stand clear of the frame.
    fn range(&self) -> (f64, f64) {
        let (lo, hi) = self.data.unwrap_or((0.0, 1.0));
        let span = hi - lo;
        let pad = if span > 1e-12 * hi.abs().max(lo.abs()) {
            0.035 * span
        } else if hi == 0.0 {
            1.0
        } else {
            0.1 * hi.abs()
        };
        (lo - pad, hi + pad)
    }

    /// The axis at a length in mm, with as many round ticks as have room.
    pub(crate) fn fit(&self, length_mm: f64, way: Way) -> FittedAxis {
        let (mut lo, mut hi) = self.range();
        let mut ticks = Vec::new();
        if !self.rows.is_empty() {
            let n = self.rows.len();
            (lo, hi) = (0.5, row_at(n, 0) + 0.5);
            let named = self.rows.iter().enumerate().map(|(row, label)| Tick {
                at: row_at(n, row),
                label: label.clone(),
                weeks: None,
            });
            ticks.extend(named);
        } else if !self.is_empty() {
            let mut finer = Vec::new();
            for step in steps(self.scale, hi - lo) {
                ticks = ticks_at(self.scale, step, lo, hi);
                if has_room(&ticks, length_mm, way) {
                    if way == Way::Across && ticks.len() < 2 && fit_tightly(&finer, length_mm) {
                        // A single label does not define the scale.
                        ticks = finer;
                        break;
                    }
                    if way == Way::Up {
                        let padded = lo;
                        (lo, hi) = rounded_out(lo, hi, step);
                        if self.data.is_some_and(|(least, _)| least >= 0.0) {
                            // What is never below zero has no tick there.
                            lo = lo.max(padded.min(0.0));
                        }
                        ticks = ticks_at(self.scale, step, lo, hi);
                    }
                    break;
                }
                finer.clone_from(&ticks);
            }
        }
        let mut title = self.title.clone();
        if self.has_weeks() {
            title = Words::plain("Age (days, beneath in weeks)");
            for tick in &mut ticks {
                tick.weeks = Some(Words::plain(format!("{:.0}", tick.at / 7.0 + 0.0)));
            }
        }
        FittedAxis {
            title,
            lo,
            hi,
            ticks,
        }
    }

    /// The same range and ticks with this axis's title, as the axis across of a square panel
    /// so wide; where its labels have no room every other is left out, and one at the end,
    /// which would touch the next panel's.
    pub(crate) fn across(&self, up: &FittedAxis, width_mm: f64) -> FittedAxis {
        let mut ticks = up.ticks.clone();
        if !has_room(&ticks, width_mm, Way::Across) {
            ticks = ticks.into_iter().step_by(2).collect();
        }
        let at_end = |tick: &Tick| tick.at > up.hi - 0.03 * (up.hi - up.lo);
        if ticks.len() > 2 && ticks.last().is_some_and(at_end) {
            ticks.pop();
        }
        FittedAxis {
            title: self.title.clone(),
            ticks,
            ..up.clone()
        }
    }
}

impl FittedAxis {
    /// Width of the widest label in mm.
    pub(crate) fn label_mm(&self) -> f64 {
        self.ticks
            .iter()
            .map(|tick| tick.label.width_mm(LETTER_PT))
            .fold(0.0, f64::max)
    }
}

/// Where row `index` of `n` stands on an axis of rows: n for the first, 1 for the last.
pub(crate) fn row_at(n: usize, index: usize) -> f64 {
    n as f64 - index as f64
}

/// Steps from fine to coarse.
fn steps(scale: Scale, span: f64) -> Vec<f64> {
    let unit = match scale {
        Scale::Weeks => 7.0,
        Scale::Number | Scale::Days => 1.0,
    };
    if scale != Scale::Number && span >= 3.0 * unit {
        let short: &[f64] = match scale {
            Scale::Days if span < WITH_WEEKS_D => &[1.0, 2.0],
            _ => &[],
        };
        let weeks = (0..24).map(|doublings| 7.0 * f64::powi(2.0, doublings));
        return short.iter().copied().chain(weeks).collect();
    }
    let finest = (span / unit / 40.0).log10().floor();
    (0..4)
        .flat_map(|power| [1.0, 2.0, 5.0].map(|m| m * 10f64.powf(finest + f64::from(power)) * unit))
        .collect()
}

/// The range, drawn out to the next tick at an end that nearly reaches it.
fn rounded_out(lo: f64, hi: f64, step: f64) -> (f64, f64) {
    let near = 0.08 * (hi - lo);
    let (below, above) = ((lo / step).floor() * step, (hi / step).ceil() * step);
    (
        if lo - below <= near { below } else { lo },
        if above - hi <= near { above } else { hi },
    )
}

fn ticks_at(scale: Scale, step: f64, lo: f64, hi: f64) -> Vec<Tick> {
    let unit = if scale == Scale::Weeks { 7.0 } else { 1.0 };
    let first = (lo / step - 1e-9).ceil();
    let last = (hi / step + 1e-9).floor();
    let mut ticks = Vec::new();
    let mut i = first;
    // More than this many never fit, so the step is passed over anyway.
    while i <= last && ticks.len() < 200 {
        let label = label(i * step / unit, step / unit, lo.abs().max(hi.abs()) / unit);
        ticks.push(Tick {
            at: i * step,
            label,
            weeks: None,
        });
        i += 1.0;
    }
    ticks
}

fn has_room(ticks: &[Tick], length_mm: f64, way: Way) -> bool {
    let needed = match way {
        Way::Across => {
            let widest = ticks
                .iter()
                .map(|tick| tick.label.width_mm(LETTER_PT))
                .fold(0.0, f64::max);
            (widest + 2.6).max(length_mm / 14.0)
        }
        // No more than nine labels, however tall the panel.
        Way::Up => (length_mm / 9.0).max(5.5),
    };
    // Counted in f64: a few hundred ticks at most.
    let count: f64 = ticks.iter().map(|_| 1.0).sum();
    count * needed <= length_mm.max(2.0 * needed)
}

/// Whether the labels across fit with no more than a hyphen's width between them; the
/// outer ones may hang over by half.
fn fit_tightly(ticks: &[Tick], length_mm: f64) -> bool {
    const LEAST_GAP_MM: f64 = 1.0;
    let widths = ticks.iter().map(|tick| tick.label.width_mm(LETTER_PT));
    let taken: f64 = widths.clone().map(|mm| mm + LEAST_GAP_MM).sum();
    ticks.len() > 1 && taken - widths.fold(0.0, f64::max) <= length_mm
}

/// A tick's label: as many decimals as the step has, a true minus, a power of
/// ten for very large and very small numbers.
fn label(value: f64, step: f64, largest: f64) -> Words {
    let (mantissa, mantissa_step, power) = if largest >= 1e6 || step < 1e-4 {
        let power = largest.log10().floor();
        let scale = 10f64.powf(power);
        (value / scale, step / scale, Some(power))
    } else {
        (value, step, None)
    };
    let decimals = decimals_of(mantissa_step);
    let text = format!("{mantissa:.decimals$}");
    let is_zero = text.chars().all(|c| matches!(c, '0' | '.' | '-'));
    if is_zero {
        return Words::plain("0");
    }
    let words = Words::plain(text.replace('-', "−"));
    match power {
        Some(power) => words
            .then("×10")
            .raised(format!("{power:.0}").replace('-', "−")),
        None => words,
    }
}

/// Decimals that a step needs: 0.05 needs two. Twelve are enough for a mantissa.
fn decimals_of(step: f64) -> usize {
    let mut decimals = 0;
    let mut scaled = step;
    while decimals < 12 && (scaled - scaled.round()).abs() > 1e-6 * scaled.abs().max(1e-300) {
        scaled *= 10.0;
        decimals += 1;
    }
    decimals
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(axis: &FittedAxis) -> Vec<String> {
        axis.ticks.iter().map(|tick| tick.label.text()).collect()
    }

    fn number(values: &[f64]) -> Axis {
        Axis::new(Words::plain("y"), Scale::Number).hold(values.iter().copied())
    }

    #[test]
    fn ages_are_ticked_at_whole_weeks() {
        let days = Axis::age(AgeUnit::Days).hold([0.0, 168.0]);
        assert_eq!(
            labels(&days.fit(72.0, Way::Across)),
            ["0", "28", "56", "84", "112", "140", "168"]
        );
        let beneath = days.fit(72.0, Way::Across);
        let beneath = beneath.ticks.iter().map(|tick| tick.weeks.as_ref());
        let beneath: Vec<String> = beneath.flatten().map(Words::text).collect();
        assert_eq!(beneath, ["0", "4", "8", "12", "16", "20", "24"]);
        let weeks = Axis::age(AgeUnit::Weeks).hold([0.0, 168.0]);
        assert_eq!(
            labels(&weeks.fit(50.0, Way::Across)),
            ["0", "4", "8", "12", "16", "20", "24"]
        );
    }

    #[test]
    fn steps_are_round_and_the_minus_is_a_minus() {
        assert_eq!(
            labels(&number(&[-0.31, 0.32]).fit(40.0, Way::Up)),
            ["−0.3", "−0.2", "−0.1", "0", "0.1", "0.2", "0.3"]
        );
        assert_eq!(
            labels(&number(&[40.0, 1800.0]).fit(45.0, Way::Up)),
            ["0", "500", "1000", "1500", "2000"]
        );
    }

    #[test]
    fn odd_ranges_still_get_a_few_ticks() {
        for values in [
            &[5.0][..],
            &[0.0],
            &[1e140, -1e140],
            &[1e-9, 2e-9],
            &[1e9, 1e9 + 1.0],
            &[f64::NAN, 3.0, f64::INFINITY, 1e300],
        ] {
            let axis = number(values).fit(40.0, Way::Up);
            assert!(axis.lo < axis.hi, "{values:?}");
            assert!(
                (1..=8).contains(&axis.ticks.len()),
                "{values:?}: {:?}",
                labels(&axis)
            );
        }
        assert!(number(&[f64::NAN]).fit(40.0, Way::Up).ticks.is_empty());
    }
}
