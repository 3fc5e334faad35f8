//! How precise is an estimate for the money?

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::Board;
use crate::figure::frame::{Figure, Frame};
use crate::figure::grid::{Cell, Head, Plan, Sharing, columns, rows};
use crate::figure::legend::{Key, Sample};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{CURVE_PT, GREY, Pen, REFERENCE_DASH, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::points::signed;
use crate::figure::scene::Marks;
use crate::figure::words::Words;

/// The half width of an interval against what the study costs, by way of scanning, a panel an
/// estimate, with the required half width as a line.
#[derive(Debug, Clone, Default)]
pub struct PrecisionByCost {
    /// The x axis: "Cost (EUR)".
    pub cost: String,
    /// A panel an estimate, each with the same ways in the same order.
    pub panels: Vec<CostPanel>,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
}

/// One panel of [`PrecisionByCost`].
#[derive(Debug, Clone, Default)]
pub struct CostPanel {
    /// What stands over it: "Fat: strain mean".
    pub name: String,
    /// The y axis: "Half width (%)".
    pub label: String,
    /// The required half width, as a line across.
    pub wanted: Option<f64>,
    /// The ways.
    pub ways: Vec<CostLine>,
}

/// One way of scanning in one panel.
#[derive(Debug, Clone, Default)]
pub struct CostLine {
    /// Its name: "tube, 2 scans".
    pub name: String,
    /// Cost and the least half width for it, ascending in cost; may be empty.
    pub least: Vec<(f64, f64)>,
    /// The design of this way that reaches all requirements, where there is one.
    pub design: Option<(f64, f64)>,
}

const LEAST_PANEL_MM: f64 = 38.0;

impl Figure for PrecisionByCost {
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
            for (index, way) in content.ways.iter().enumerate() {
                panel.open("way", &[("way", &way.name)]);
                way.draw(panel, &Style::of(index), &self.cost)?;
                panel.close();
            }
        }
        let names: Vec<&str> = self.panels.iter().map(|p| p.name.as_str()).collect();
        Ok(board.finish(
            "Precision by cost",
            &format!("Panels: {}.", names.join(", ")),
        ))
    }
}

impl PrecisionByCost {
    fn columns(&self, width_mm: f64) -> usize {
        const OWN_LETTERS_MM: f64 = 12.0;
        columns(self.panels.len(), width_mm, LEAST_PANEL_MM + OWN_LETTERS_MM)
    }

    fn plan(&self, size: Size) -> Plan {
        let cells = self.panels.iter().map(|content| {
            let (costs, values) = drawn_at(content.places());
            let y = Axis::new(Words::plain(&content.label), Scale::Number)
                .hold(values)
                .with_zero();
            Cell {
                head: Head {
                    name: content.name.clone(),
                    ..Head::default()
                },
                x: Axis::new(Words::plain(&self.cost), Scale::Number)
                    .hold(costs)
                    .with_zero(),
                y: if y.is_empty() {
                    y
                } else {
                    y.hold(content.wanted)
                },
                places: content.places().collect(),
            }
        });
        let ways = self.panels.first().map_or(&[][..], |panel| &panel.ways);
        let keys = ways.iter().enumerate().map(|(index, way)| Key {
            name: way.name.clone(),
            n: String::new(),
            style: Style::of(index),
            sample: match way.design {
                Some(_) => Sample::LineAndMarker,
                None => Sample::Line,
            },
        });
        let mut note = vec!["Lines: least half width for the cost.".to_owned()];
        if ways.iter().any(|way| way.design.is_some()) {
            note.push("Points: cheapest design that reaches all requirements.".to_owned());
        }
        if self.panels.iter().any(|panel| panel.wanted.is_some()) {
            note.push("Thin dashed: the required half width.".to_owned());
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

impl CostPanel {
    fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let ways = self.ways.iter();
        ways.flat_map(|way| way.least.iter().copied().chain(way.design))
    }
}

impl CostLine {
    fn draw(&self, panel: &Panel, style: &Style, cost: &str) -> Result<()> {
        let pen = Pen::solid(style.colour, CURVE_PT).dashed(style.dash);
        panel.line(&self.least, &pen)?;
        let dots: Vec<Dot> = self
            .design
            .iter()
            .map(|place| Dot {
                place: *place,
                title: format!(
                    "{}, {cost}: {}, {}",
                    self.name,
                    signed(place.0),
                    signed(place.1)
                ),
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
