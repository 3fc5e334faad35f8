//! Difference against mean: agreement of two ways of measuring.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::{Board, Cell, Head, Plan, Sharing, columns, rows};
use crate::figure::legend::Sample;
use crate::figure::panel::Panel;
use crate::figure::paper::{CURVE_PT, GREY, INK, Pen, REFERENCE_DASH, Size};
use crate::figure::picture::Picture;
use crate::figure::points::{Ranged, StrainPoints, Strains, signed};
use crate::figure::scene::Anchor;
use crate::figure::series::Quantity;
use crate::figure::words::Words;

/// How far do two ways of measuring differ: the difference against the mean of
/// both, with bias and limits of agreement, each with its own interval as a faint
/// band, by strain (Bland and Altman 1986).
#[derive(Debug, Clone, Default)]
pub struct BlandAltman {
    /// The x axis: "Mean of scan and chemistry", "g".
    pub mean: Quantity,
    /// The y axis: "Scan − chemistry", "g".
    pub difference: Quantity,
    /// What the outer lines are, for the note: "95 % limits of agreement".
    pub limits: String,
    /// What the faint bands are, for the note: "95 % confidence intervals".
    pub interval: String,
    /// Before and after, or a panel a trait of one unit.
    pub panels: Vec<AgreementPanel>,
    /// Letter of the first panel.
    pub letter: Option<char>,
}

/// One panel of [`BlandAltman`].
#[derive(Debug, Clone, Default)]
pub struct AgreementPanel {
    /// What stands over it: "Before", "After".
    pub name: String,
    /// x: mean of both; y: their difference.
    pub strains: Vec<StrainPoints>,
    /// The mean difference.
    pub bias: Ranged,
    /// The lower limit of agreement.
    pub lower_limit: Ranged,
    /// The upper limit of agreement.
    pub upper_limit: Ranged,
}

const LEAST_PANEL_MM: f64 = 44.0;

impl BlandAltman {
    /// A size with room for its panels at this width.
    ///
    /// # Errors
    /// As [`Size::new`].
    pub fn size(&self, width_mm: f64) -> Result<Size> {
        let columns = columns(self.panels.len(), width_mm, LEAST_PANEL_MM);
        Size::new(width_mm, 22.0 + 56.0 * rows(self.panels.len(), columns))
    }

    /// Draws the figure.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for the panels.
    pub fn draw(&self, size: Size) -> Result<Picture> {
        let strains = Strains::of(self.panels.iter().flat_map(|p| &p.strains));
        let board = Board::lay(self.plan(size, &strains))?;
        for (panel, content) in board.panels.iter().zip(&self.panels) {
            if !panel.y.ticks.is_empty() {
                content.draw(panel, &strains)?;
            }
        }
        let title = format!("{} against their mean", self.difference.name);
        board.finish_sheet(&title, &strains.words())
    }

    fn plan(&self, size: Size, strains: &Strains) -> Plan {
        let everywhere = self.panels.iter().flat_map(AgreementPanel::places);
        let (_, differences) = drawn_at(everywhere);
        let cells = self.panels.iter().map(|p| {
            let (means, _) = drawn_at(p.places());
            let lines = self.panels.iter().flat_map(AgreementPanel::lines);
            let y =
                Axis::new(self.difference.words(), Scale::Number).hold(differences.iter().copied());
            let y = if y.is_empty() { y } else { y.hold(lines) };
            Cell {
                head: Head {
                    name: p.name.clone(),
                    ..Head::default()
                },
                x: Axis::new(self.mean.words(), Scale::Number).hold(means),
                y: y.with_zero(),
                // The lines cross the whole panel: the legend goes over it.
                places: Vec::new(),
            }
        });
        let mut note = vec![format!(
            "Points: single birds; whole line: bias; dashed lines: {}.",
            if self.limits.is_empty() {
                "limits of agreement"
            } else {
                &self.limits
            }
        )];
        if !self.interval.is_empty() {
            note.push(format!("Shaded: their {}.", self.interval));
        }
        note.push("Thin line: no difference. n: birds.".to_owned());
        note.extend(Strains::sampled(
            self.panels.iter().map(|p| p.strains.as_slice()),
        ));
        Plan {
            size,
            cells: cells.collect(),
            columns: None,
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Rows,
            keys: strains.keys(Sample::Marker),
            letter: self.letter,
            note,
        }
    }
}

impl AgreementPanel {
    fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.strains.iter().flat_map(StrainPoints::places)
    }

    /// Bias and limits with all their ends.
    fn lines(&self) -> impl Iterator<Item = f64> {
        let lines = [self.bias, self.lower_limit, self.upper_limit];
        lines.into_iter().flat_map(Ranged::all)
    }

    fn draw(&self, panel: &Panel, strains: &Strains) -> Result<()> {
        panel.open("limits", &[]);
        panel.level(0.0, &Pen::solid(GREY, 0.3))?;
        let lines = [
            ("", self.upper_limit, REFERENCE_DASH, 0.8),
            ("bias ", self.bias, &[], CURVE_PT),
            ("", self.lower_limit, REFERENCE_DASH, 0.8),
        ];
        for (_, line, dash, width_pt) in lines {
            let (left, right) = (panel.x.lo, panel.x.hi);
            let edges = [
                (left, line.lower, line.upper),
                (right, line.lower, line.upper),
            ];
            panel.band(&edges, GREY, 0.15)?;
            panel.level(line.value, &Pen::solid(INK, width_pt).dashed(dash))?;
        }
        panel.close();
        strains.draw(panel, &self.strains)?;
        let mut above_mm = f64::NEG_INFINITY;
        for (name, line, _, _) in lines {
            let (x, y) = (panel.rect.right, panel.place((panel.x.hi, line.value)).1);
            // Letters need their height between line and line.
            if line.value.is_finite() && y - above_mm > 3.2 {
                let words = Words::plain(format!("{name}{}", signed(line.value)));
                panel.label((x, y - 0.6), &words, Anchor::End);
                above_mm = y;
            }
        }
        Ok(())
    }
}
