//! What do platform scales show day by day: means against the target, and what was rejected.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawable};
use crate::figure::board::Board;
use crate::figure::frame::{Figure, Frame};
use crate::figure::grid::{Cell, Head, Plan, Sharing};
use crate::figure::legend::{Key, Sample};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{BAND_OPACITY, CURVE_PT, GREY, Pen, REFERENCE_DASH, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::scene::Marks;
use crate::figure::series::{BandPoint, count};
use crate::figure::words::Words;

/// What do platform scales show day by day: the daily means of each scale with their intervals
/// and the target above, the share of records that are no single birds below.
#[derive(Debug, Clone, Default)]
pub struct PlatformDays {
    /// What the intervals are, for the note: "95 % confidence interval, calibrated".
    pub interval: String,
    /// The kinds of rejected records, in the order of their colours.
    pub kinds: Vec<String>,
    /// The scales.
    pub scales: Vec<ScaleDays>,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
}

/// One scale of [`PlatformDays`].
#[derive(Debug, Clone, Default)]
pub struct ScaleDays {
    /// Its name, or that of its pen.
    pub name: String,
    /// Records of single birds.
    pub visits: usize,
    /// Daily means, g, ascending in age; limits are NaN where there is no interval.
    pub means: Vec<BandPoint>,
    /// Target, g, ascending in age.
    pub target: Vec<(f64, f64)>,
    /// For each kind: age and percent of the records.
    pub rejected: Vec<Vec<(f64, f64)>>,
}

const LEAST_PANEL_MM: f64 = 24.0;

impl Figure for PlatformDays {
    fn size(&self, width_mm: f64) -> Result<Size> {
        Size::new(width_mm, (0.85 * width_mm).clamp(90.0, 130.0))
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let board = Board::lay(self.plan(size))?;
        let (means, shares) = board.panels.split_at(self.scales.len());
        for (scale, panel) in self.scales.iter().zip(means) {
            panel.open("scale", &[("scale", &scale.name)]);
            if !panel.y.ticks.is_empty() {
                let pen = Pen::solid(GREY, CURVE_PT).dashed(REFERENCE_DASH);
                panel.line(&scale.target, &pen)?;
                scale.draw_means(panel)?;
            }
            panel.close();
        }
        for (scale, panel) in self.scales.iter().zip(shares) {
            panel.open("scale", &[("scale", &scale.name)]);
            for (kind, points) in scale.rejected.iter().enumerate() {
                let style = Style::of(kind + 1);
                let pen = Pen::solid(style.colour, CURVE_PT).dashed(style.dash);
                panel.line(points, &pen)?;
            }
            panel.close();
        }
        let named = self.scales.iter();
        let words: Vec<String> = named
            .map(|scale| format!("{} ({} visits)", scale.name, scale.visits))
            .collect();
        let title = "Platform scales day by day";
        Ok(board.finish(title, &format!("Scales: {}.", words.join(", "))))
    }
}

impl PlatformDays {
    fn plan(&self, size: Size) -> Plan {
        let ages = |scale: &ScaleDays| -> Vec<f64> {
            scale.means.iter().map(|point| point.age_d).collect()
        };
        let all: Vec<f64> = self.scales.iter().flat_map(ages).collect();
        let (first, last) = all
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), age| {
                (low.min(*age), high.max(*age))
            });
        let mut cells = Vec::new();
        let weights = self.scales.iter().flat_map(|scale| {
            let means = scale.means.iter();
            let limits = means.flat_map(|point| [point.value, point.lower, point.upper]);
            limits.chain(scale.target.iter().map(|(_, target)| *target))
        });
        let weights: Vec<f64> = weights.filter(|value| drawable(*value)).collect();
        for scale in &self.scales {
            cells.push(Cell {
                head: Head {
                    name: scale.name.clone(),
                    n: count(scale.visits),
                    ..Head::default()
                },
                x: Axis::age(self.frame.ages).hold([first, last]),
                y: Axis::new(Words::plain("Body weight (g)"), Scale::Number)
                    .hold(weights.iter().copied()),
                places: scale
                    .means
                    .iter()
                    .map(|point| (point.age_d, point.value))
                    .collect(),
            });
        }
        let shares: Vec<f64> = self
            .scales
            .iter()
            .flat_map(|scale| scale.rejected.iter().flatten().map(|(_, share)| *share))
            .collect();
        for scale in &self.scales {
            cells.push(Cell {
                head: Head::default(),
                x: Axis::age(self.frame.ages).hold([first, last]),
                y: Axis::new(Words::plain("Records (%)"), Scale::Number)
                    .hold(shares.iter().copied())
                    .with_zero(),
                places: scale.rejected.iter().flatten().copied().collect(),
            });
        }
        let mut note = vec![format!("Above: daily means with {}.", self.interval)];
        if self.scales.iter().any(|scale| !scale.target.is_empty()) {
            note.push("Grey: target.".to_owned());
        }
        note.push(
            "Below: records that are no single birds. n: records of single birds.".to_owned(),
        );
        let keys = self.kinds.iter().enumerate().map(|(kind, name)| Key {
            name: name.clone(),
            n: String::new(),
            style: Style::of(kind + 1),
            sample: Sample::Line,
        });
        Plan {
            size,
            cells,
            columns: Some(self.scales.len().max(1)),
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Own,
            square: false,
            keys: keys.collect(),
            letter: self.frame.letter,
            note,
        }
    }
}

impl ScaleDays {
    fn draw_means(&self, panel: &Panel) -> Result<()> {
        let style = Style::of(0);
        let banded = self.means.iter().filter(|point| drawable(point.lower));
        let edges: Vec<(f64, f64, f64)> = banded
            .map(|point| (point.age_d, point.lower, point.upper))
            .collect();
        panel.band(&edges, style.colour, BAND_OPACITY)?;
        let dots: Vec<Dot> = self
            .means
            .iter()
            .map(|point| Dot {
                place: (point.age_d, point.value),
                title: format!("{}, {} d: {:.0} g", self.name, point.age_d, point.value),
            })
            .collect();
        let marks = Marks {
            shape: style.shape,
            radius_mm: 0.7,
            colour: style.colour,
            opacity: 1.0,
        };
        panel.dots(&dots, &marks)
    }
}
