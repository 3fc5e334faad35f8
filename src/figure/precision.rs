//! How many birds answer the question.

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

/// How few birds would answer the question: precision (or power) against the number
/// of birds, by design, with the required value as a line, a panel a quantity.
#[derive(Debug, Clone, Default)]
pub struct PrecisionByBirds {
    /// What the lines are, for the note: "expected information".
    pub expected: String,
    /// What points and bars are, for the note: "500 simulated studies, 95 % interval".
    pub simulated: String,
    /// Whose number it is: "Birds a strain"; "Birds" where empty.
    pub birds: String,
    /// A panel a term, contrast or cue.
    pub panels: Vec<PrecisionPanel>,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
}

/// One panel of [`PrecisionByBirds`].
#[derive(Debug, Clone, Default)]
pub struct PrecisionPanel {
    /// What stands over it: "Asymptote"; may be empty.
    pub name: String,
    /// The y axis: "Standard error (g)", "Power (%)".
    pub label: String,
    /// The required value, as a line across.
    pub wanted: Option<f64>,
    /// The designs, in the same order in each panel.
    pub designs: Vec<DesignPrecision>,
}

/// One design in one panel of [`PrecisionByBirds`].
#[derive(Debug, Clone, Default)]
pub struct DesignPrecision {
    /// Its name: "scans every 2 weeks".
    pub name: String,
    /// Birds and what is expected of them, ascending in birds; may be empty.
    pub expected: Vec<(f64, f64)>,
    /// Birds and what simulated studies gave, with its interval; may be empty.
    pub simulated: Vec<(f64, Ranged)>,
}

const LEAST_PANEL_MM: f64 = 38.0;

impl Figure for PrecisionByBirds {
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
                design.draw(panel, &Style::of(index))?;
                panel.close();
            }
        }
        let names: Vec<&str> = self.panels.iter().map(|p| p.label.as_str()).collect();
        let title = "Precision by number of birds";
        Ok(board.finish(title, &format!("Panels: {}.", names.join(", "))))
    }
}

impl PrecisionByBirds {
    /// Panels with separate axes need more room than the sheet's rule counts.
    fn columns(&self, width_mm: f64) -> usize {
        const OWN_LETTERS_MM: f64 = 12.0;
        columns(self.panels.len(), width_mm, LEAST_PANEL_MM + OWN_LETTERS_MM)
    }

    fn plan(&self, size: Size) -> Plan {
        let birds = match self.birds.as_str() {
            "" => "Birds",
            named => named,
        };
        let cells = self.panels.iter().map(|p| {
            let (numbers, values) = drawn_at(p.places());
            let y = Axis::new(Words::plain(&p.label), Scale::Number)
                .hold(values)
                .with_zero();
            Cell {
                head: Head {
                    name: p.name.clone(),
                    ..Head::default()
                },
                x: Axis::new(Words::plain(birds), Scale::Number)
                    .hold(numbers)
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
            sample: if design.simulated.is_empty() {
                Sample::Line
            } else {
                Sample::LineAndMarker
            },
        });
        let mut note = Vec::new();
        if !self.expected.is_empty() {
            note.push(format!("Lines: {}.", self.expected));
        }
        if !self.simulated.is_empty() {
            note.push(format!("Points and bars: {}.", self.simulated));
        }
        if self.panels.iter().any(|p| p.wanted.is_some()) {
            note.push("Thin dashed: what is wanted.".to_owned());
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
    fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.designs.iter().flat_map(|design| {
            let simulated = design
                .simulated
                .iter()
                .flat_map(|(birds, value)| value.all().map(|v| (*birds, v)));
            design.expected.iter().copied().chain(simulated)
        })
    }
}

impl DesignPrecision {
    fn draw(&self, panel: &Panel, style: &Style) -> Result<()> {
        let pen = Pen::solid(style.colour, CURVE_PT).dashed(style.dash);
        panel.line(&self.expected, &pen)?;
        let bar = Pen::solid(style.colour, 0.7);
        for (birds, value) in &self.simulated {
            panel.line(&[(*birds, value.lower), (*birds, value.upper)], &bar)?;
        }
        let dots: Vec<Dot> = self
            .simulated
            .iter()
            .map(|(birds, value)| Dot {
                place: (*birds, value.value),
                title: format!("{}, {} birds: {}", self.name, signed(*birds), value.words()),
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
