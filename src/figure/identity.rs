//! What was observed against a reading or a model's prediction, with the line of
//! equality: calibration, and predictions against what came.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::Board;
use crate::figure::frame::{Figure, Frame};
use crate::figure::grid::{Cell, Head, Plan, Sharing, columns, count, rows};
use crate::figure::legend::Sample;
use crate::figure::panel::Panel;
use crate::figure::paper::{GREY, INK, Pen, REFERENCE_DASH, Size};
use crate::figure::picture::Picture;
use crate::figure::points::{StrainPoints, Strains};
use crate::figure::series::Quantity;

/// Does what is read or predicted equal what was found: observed values (up) against the
/// raw reading, the corrected value or the prediction (across), by strain, in square panels
/// on the same axes.
///
/// # Example
/// ```
/// use pinfeather::figure::{Figure, Identity, IdentityPanel, NamedPoint, Quantity, StrainPoints};
/// let points = vec![NamedPoint { name: "bird 1".into(), x: 210.0, y: 160.0 }];
/// let figure = Identity {
///     observed: Quantity { name: "Fat by chemistry".into(), unit: "g".into() },
///     panels: vec![IdentityPanel {
///         name: "Before".into(),
///         across: Quantity { name: "Fat read".into(), unit: "g".into() },
///         strains: vec![StrainPoints { name: "Line A".into(), birds: 1, points, left_out: 0 }],
///         ..IdentityPanel::default()
///     }],
///     ..Identity::default()
/// };
/// let picture = figure.draw(figure.size(89.0)?)?;
/// assert!(picture.svg().contains("Fat by chemistry (g)"));
/// # Ok::<(), pinfeather::Error>(())
/// ```
#[derive(Debug, Clone, Default)]
pub struct Identity {
    /// What was observed: the y axis of all panels.
    pub observed: Quantity,
    /// What the lines of the panels are, for the note: "Deming regression"; may be empty.
    pub line: String,
    /// A further sentence of the note; may be empty.
    pub note: String,
    /// The panels: a stage, a model, or an age at which the prediction was made.
    pub panels: Vec<IdentityPanel>,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
}

/// One panel of [`Identity`].
#[derive(Debug, Clone, Default)]
pub struct IdentityPanel {
    /// What stands over it: "Before", "After".
    pub name: String,
    /// The x axis, in the unit of the y axis: "Fat read", "g".
    pub across: Quantity,
    /// A few words in the panel: "bias −32 g, concordance 0.91"; may be empty.
    pub fact: String,
    /// A line through the points, by its ends or more; may be empty.
    pub line: Vec<(f64, f64)>,
    /// x: read or predicted; y: observed.
    pub strains: Vec<StrainPoints>,
}

const LEAST_PANEL_MM: f64 = 34.0;
/// The greatest side of a square, and what stands beside and about the squares.
const MOST_SIDE_MM: f64 = 78.0;
const BESIDE_MM: f64 = 16.0;
const BETWEEN_MM: f64 = 5.2;
const ABOUT_MM: f64 = 17.5;

impl Figure for Identity {
    fn size(&self, width_mm: f64) -> Result<Size> {
        let columns = columns(self.panels.len(), width_mm, LEAST_PANEL_MM);
        let gaps = BETWEEN_MM * (count(columns) - 1.0);
        let side = ((width_mm - BESIDE_MM - gaps) / count(columns)).clamp(20.0, MOST_SIDE_MM);
        let rows = rows(self.panels.len(), columns);
        let note = if width_mm < 120.0 { 8.0 } else { 5.4 };
        Size::new(width_mm, 4.1 + note + (side + ABOUT_MM - 4.1) * rows)
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let strains = Strains::of(self.panels.iter().flat_map(|p| &p.strains));
        let board = Board::lay(self.plan(size, &strains))?;
        for (panel, content) in board.panels.iter().zip(&self.panels) {
            content.draw(panel, &strains)?;
        }
        let across = self.panels.first().map_or("", |panel| &panel.across.name);
        let title = format!("{} against {}", self.observed.name, across.to_lowercase());
        Ok(board.finish(&title, &strains.words(&self.frame)))
    }
}

impl Identity {
    fn plan(&self, size: Size, strains: &Strains) -> Plan {
        let (xs, ys) = drawn_at(self.panels.iter().flat_map(IdentityPanel::places));
        let both: Vec<f64> = xs.into_iter().chain(ys).collect();
        let axis = |quantity: &Quantity| {
            Axis::new(quantity.words(), Scale::Number).hold(both.iter().copied())
        };
        let cells = self.panels.iter().map(|p| Cell {
            head: Head {
                name: p.name.clone(),
                ..Head::default()
            },
            x: axis(&p.across),
            y: axis(&self.observed),
            places: {
                let equal = both.iter().map(|&v| (v, v));
                p.places().chain(equal).collect()
            },
        });
        let mut note = vec![format!(
            "Points: single {}; thin dashed: equality.",
            self.frame.subjects()
        )];
        if !self.line.is_empty() {
            note.push(format!("Solid line: {}.", self.line));
        }
        if !self.note.is_empty() {
            note.push(self.note.clone());
        }
        note.push(self.frame.n());
        note.extend(Strains::sampled(
            self.panels.iter().map(|p| p.strains.as_slice()),
        ));
        Plan {
            size,
            cells: cells.collect(),
            columns: None,
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Rows,
            square: true,
            keys: strains.keys(Sample::Marker),
            letter: self.frame.letter,
            note,
        }
    }
}

impl IdentityPanel {
    fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let points = self.strains.iter().flat_map(StrainPoints::places);
        points.chain(self.line.iter().copied())
    }

    fn draw(&self, panel: &Panel, strains: &Strains) -> Result<()> {
        if panel.y.ticks.is_empty() {
            return Ok(());
        }
        panel.identity(&Pen::solid(GREY, 0.6).dashed(REFERENCE_DASH))?;
        strains.draw(panel, &self.strains)?;
        panel.line(&self.line, &Pen::solid(INK, 0.8))?;
        panel.annotate(&self.fact, &self.places().collect::<Vec<_>>());
        Ok(())
    }
}
