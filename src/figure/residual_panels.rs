//! Residuals of an equation or a model from several sides.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::Board;
use crate::figure::frame::{Figure, Frame};
use crate::figure::grid::{Cell, Head, Plan, Sharing, columns, rows};
use crate::figure::legend::Sample;
use crate::figure::paper::{CURVE_PT, FRAME_PT, GREY, INK, Pen, REFERENCE_DASH, Size};
use crate::figure::picture::Picture;
use crate::figure::points::{StrainPoints, Strains};
use crate::figure::words::Words;

/// Does the equation miss something: residuals against the fitted value, age, body
/// weight or normal quantiles, a panel each, by strain.
#[derive(Debug, Clone, Default)]
pub struct ResidualPanels {
    /// What the residuals are of, for title and note: "fat_chem on fat_scan + age".
    pub of: String,
    /// The panels.
    pub panels: Vec<ResidualPanel>,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
}

/// One panel of [`ResidualPanels`].
#[derive(Debug, Clone, Default)]
pub struct ResidualPanel {
    /// Its x axis.
    pub across: Across,
    /// Its y axis: "Residual (g)", "Studentised residual", "Sample quantile".
    pub up: String,
    /// The line to judge by.
    pub reference: ResidualLine,
    /// x: as titled in the panel; y: residuals.
    pub strains: Vec<StrainPoints>,
    /// Means of the residuals along the axis, joined; may be empty.
    pub means: Vec<(f64, f64)>,
}

/// Against what residuals are drawn.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Across {
    /// Age in days.
    Age,
    /// Title of the axis: "Fitted fat (g)", "Normal quantile".
    Named(String),
}

impl Default for Across {
    fn default() -> Self {
        Self::Named(String::new())
    }
}

/// The line that residuals scatter about where nothing is missed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ResidualLine {
    /// Zero.
    #[default]
    Zero,
    /// Sample quantile = normal quantile.
    Equality,
}

const LEAST_PANEL_MM: f64 = 38.0;

impl Figure for ResidualPanels {
    fn size(&self, width_mm: f64) -> Result<Size> {
        let rows = rows(self.panels.len(), self.columns(width_mm));
        Size::new(width_mm, 16.0 + 46.0 * rows)
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let strains = Strains::of(self.panels.iter().flat_map(|p| &p.strains));
        let board = Board::lay(self.plan(size, &strains))?;
        for (panel, content) in board.panels.iter().zip(&self.panels) {
            if panel.y.ticks.is_empty() {
                continue;
            }
            match content.reference {
                ResidualLine::Zero => panel.level(0.0, &Pen::solid(INK, FRAME_PT))?,
                ResidualLine::Equality => {
                    panel.identity(&Pen::solid(GREY, 0.6).dashed(REFERENCE_DASH))?;
                }
            }
            strains.draw(panel, &content.strains)?;
            panel.line(&content.means, &Pen::solid(INK, CURVE_PT))?;
        }
        let title = format!("Residuals of {}", self.of);
        Ok(board.finish(title.trim_end_matches(" of "), &strains.words(&self.frame)))
    }
}

impl ResidualPanels {
    /// Panels with separate axes need more room than the sheet's rule counts.
    fn columns(&self, width_mm: f64) -> usize {
        const OWN_LETTERS_MM: f64 = 12.0;
        columns(self.panels.len(), width_mm, LEAST_PANEL_MM + OWN_LETTERS_MM)
    }

    fn plan(&self, size: Size, strains: &Strains) -> Plan {
        let cells = self.panels.iter().map(|p| {
            let (xs, ys) = drawn_at(p.strains.iter().flat_map(StrainPoints::places));
            let y = Axis::new(Words::plain(&p.up), Scale::Number).hold(ys);
            let x = match &p.across {
                Across::Age => Axis::age(self.frame.ages),
                Across::Named(title) => Axis::new(Words::plain(title), Scale::Number),
            };
            Cell {
                head: Head::default(),
                x: x.hold(xs),
                y: y.with_zero(),
                places: Vec::new(),
            }
        });
        let mut note = Vec::new();
        if !self.of.is_empty() {
            note.push(format!("Residuals of {}.", self.of));
        }
        if self.panels.iter().any(|p| !p.means.is_empty()) {
            note.push("Solid line: means.".to_owned());
        }
        let any = |line| self.panels.iter().any(|p| p.reference == line);
        if any(ResidualLine::Equality) {
            note.push("Thin dashed: where normal residuals would lie.".to_owned());
        }
        note.push(self.frame.n());
        note.extend(Strains::sampled(
            self.panels.iter().map(|p| p.strains.as_slice()),
        ));
        Plan {
            size,
            cells: cells.collect(),
            columns: Some(self.columns(size.width_mm())),
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Own,
            square: false,
            keys: strains.keys(Sample::Marker),
            letter: self.frame.letter,
            note,
        }
    }
}
