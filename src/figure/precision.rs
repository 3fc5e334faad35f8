//! How many birds, or how much money, answer the question.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::Board;
use crate::figure::frame::{Figure, Frame};
use crate::figure::grid::{Cell, Head, Plan, Sharing, columns, rows};
use crate::figure::legend::{Key, Sample};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{CURVE_PT, GREY, Pen, REFERENCE_DASH, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::points::{Ranged, signed};
use crate::figure::scene::Marks;
use crate::figure::words::Words;

/// Precision (or power) against what it takes, by design, with the required value as a line, a
/// panel a quantity.
#[derive(Debug, Clone, Default)]
pub struct Precision {
    /// "Precision by number of birds".
    pub title: String,
    /// The x axis: "Birds a strain", "Cost (EUR)".
    pub effort: String,
    /// What the lines are, for the note: "expected information".
    pub expected: String,
    /// What the points are, for the note: "500 simulated studies, bars: 95 % interval".
    pub points: String,
    /// A panel an estimate.
    pub panels: Vec<PrecisionPanel>,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
}

/// One panel of [`Precision`].
#[derive(Debug, Clone, Default)]
pub struct PrecisionPanel {
    /// What stands over it: "Asymptote", "Fat: strain mean"; may be empty.
    pub name: String,
    /// The y axis: "Half width (g)", "Power (%)".
    pub label: String,
    /// The required value, as a line across.
    pub wanted: Option<f64>,
    /// The designs, in the same order in each panel.
    pub designs: Vec<DesignPrecision>,
}

/// One design in one panel of [`Precision`].
#[derive(Debug, Clone, Default)]
pub struct DesignPrecision {
    /// Its name: "scans every 2 weeks", "tube, 2 scans".
    pub name: String,
    /// Effort and what is expected of it, ascending in effort; may be empty.
    pub expected: Vec<(f64, f64)>,
    /// Effort and what was found for it, with its interval where there is one; may be empty.
    pub points: Vec<(f64, Ranged)>,
}

const LEAST_PANEL_MM: f64 = 38.0;

impl Figure for Precision {
    fn size(&self, width_mm: f64) -> Result<Size> {
        let rows = rows(self.panels.len(), self.columns(width_mm));
        Size::new(width_mm, 20.0 + 50.0 * rows)
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let board = Board::lay(self.plan(size))?;
        for (panel, content) in board.panels.iter().zip(&self.panels) {
            if panel.y.ticks.is_empty() {
                continue;
            }
            if let Some(wanted) = content.wanted {
                panel.level(wanted, &Pen::solid(GREY, 0.6).dashed(REFERENCE_DASH))?;
            }
            for (index, design) in content.designs.iter().enumerate() {
                panel.open("design", &[("design", &design.name)]);
                design.draw(panel, &Style::of(index), &self.effort)?;
                panel.close();
            }
        }
        let names: Vec<&str> = self.panels.iter().map(PrecisionPanel::title).collect();
        Ok(board.finish(&self.title, &format!("Panels: {}.", names.join(", "))))
    }
}

impl Precision {
    /// Panels with separate axes need more room than the sheet's rule counts.
    fn columns(&self, width_mm: f64) -> usize {
        const OWN_LETTERS_MM: f64 = 12.0;
        columns(self.panels.len(), width_mm, LEAST_PANEL_MM + OWN_LETTERS_MM)
    }

    fn plan(&self, size: Size) -> Plan {
        let cells = self.panels.iter().map(|p| {
            let (efforts, values) = drawn_at(p.places());
            let y = Axis::new(Words::plain(&p.label), Scale::Number)
                .hold(values)
                .with_zero();
            Cell {
                head: Head {
                    name: p.name.clone(),
                    ..Head::default()
                },
                x: Axis::new(Words::plain(&self.effort), Scale::Number)
                    .hold(efforts)
                    .with_zero(),
                y: if y.is_empty() { y } else { y.hold(p.wanted) },
                places: p.places().collect(),
            }
        });
        let designs = self.panels.first().map_or(&[][..], |p| &p.designs);
        let keys = designs.iter().enumerate().map(|(i, design)| Key {
            name: design.name.clone(),
            n: String::new(),
            style: Style::of(i),
            sample: if design.points.is_empty() {
                Sample::Line
            } else {
                Sample::LineAndMarker
            },
        });
        let mut note = Vec::new();
        if !self.expected.is_empty() {
            note.push(format!("Lines: {}.", self.expected));
        }
        if !self.points.is_empty() {
            note.push(format!("Points: {}.", self.points));
        }
        if self.panels.iter().any(|p| p.wanted.is_some()) {
            note.push("Thin dashed: what is required.".to_owned());
        }
        Plan {
            size,
            cells: cells.collect(),
            columns: Some(self.columns(size.width_mm())),
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Own,
            square: false,
            keys: keys.collect(),
            letter: self.frame.letter,
            note,
        }
    }
}

impl PrecisionPanel {
    fn title(&self) -> &str {
        match self.name.as_str() {
            "" => &self.label,
            name => name,
        }
    }

    fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.designs.iter().flat_map(|design| {
            let points = design.points.iter();
            let points = points.flat_map(|(effort, value)| value.all().map(|v| (*effort, v)));
            design.expected.iter().copied().chain(points)
        })
    }
}

impl DesignPrecision {
    fn draw(&self, panel: &Panel, style: &Style, effort: &str) -> Result<()> {
        let pen = Pen::solid(style.colour, CURVE_PT).dashed(style.dash);
        panel.line(&self.expected, &pen)?;
        let bar = Pen::solid(style.colour, 0.7);
        for (at, value) in &self.points {
            panel.line(&[(*at, value.lower), (*at, value.upper)], &bar)?;
        }
        let dots: Vec<Dot> = self
            .points
            .iter()
            .map(|(at, value)| Dot {
                place: (*at, value.value),
                title: format!("{}; {effort} {}: {}", self.name, signed(*at), value.words()),
            })
            .collect();
        let marks = Marks {
            shape: style.shape,
            radius_mm: 0.8,
            colour: style.colour,
            opacity: 1.0,
        };
        panel.dots(&dots, &marks)
    }
}
