//! Difference against mean: agreement of two ways of measuring.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::Board;
use crate::figure::frame::{Figure, Frame};
use crate::figure::grid::{Cell, Head, Plan, Sharing, columns, rows};
use crate::figure::legend::Sample;
use crate::figure::panel::Panel;
use crate::figure::paper::{CURVE_PT, GREY, INK, Pen, REFERENCE_DASH, Size};
use crate::figure::picture::Picture;
use crate::figure::points::{Ranged, StrainPoints, Strains};
use crate::figure::series::Quantity;

/// How far do two ways of measuring differ: the difference against the mean of
/// both, with bias and limits of agreement, level or along the mean, by strain (Bland and
/// Altman 1986, 1999).
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
    /// Unit of ages, and what n counts.
    pub frame: Frame,
}

/// One panel of [`BlandAltman`].
#[derive(Debug, Clone, Default)]
pub struct AgreementPanel {
    /// What stands over it: "Before", "After".
    pub name: String,
    /// A few words behind the name: "bias −5.1 g, limits −10.7 to 0.5 g"; may be empty.
    pub fact: String,
    /// x: mean of both; y: their difference.
    pub strains: Vec<StrainPoints>,
    /// The mean difference at some means, ascending; its interval may be NaN.
    pub bias: Vec<(f64, Ranged)>,
    /// The lower limit of agreement at those.
    pub lower_limit: Vec<(f64, Ranged)>,
    /// The upper limit of agreement at those.
    pub upper_limit: Vec<(f64, Ranged)>,
}

const LEAST_PANEL_MM: f64 = 44.0;

impl Figure for BlandAltman {
    fn size(&self, width_mm: f64) -> Result<Size> {
        let columns = columns(self.panels.len(), width_mm, LEAST_PANEL_MM);
        Size::new(width_mm, 22.0 + 56.0 * rows(self.panels.len(), columns))
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let strains = Strains::of(self.panels.iter().flat_map(|p| &p.strains));
        let board = Board::lay(self.plan(size, &strains))?;
        for (panel, content) in board.panels.iter().zip(&self.panels) {
            if !panel.y.ticks.is_empty() {
                content.draw(panel, &strains)?;
            }
        }
        let mean = self.mean.name.to_lowercase();
        let title = format!("{} against {mean}", self.difference.name);
        Ok(board.finish(&title, &strains.words(&self.frame)))
    }
}

impl BlandAltman {
    fn plan(&self, size: Size, strains: &Strains) -> Plan {
        let cells = self.panels.iter().map(|p| {
            let (means, differences) = drawn_at(p.places());
            let y = Axis::new(self.difference.words(), Scale::Number).hold(differences);
            let y = if y.is_empty() { y } else { y.hold(p.limits()) };
            Cell {
                head: Head {
                    name: p.name.clone(),
                    fact: p.fact.clone(),
                    ..Head::default()
                },
                x: Axis::new(self.mean.words(), Scale::Number).hold(means),
                y: y.with_zero(),
                // The lines cross the whole panel: the legend goes over it.
                places: Vec::new(),
            }
        });
        let mut note = vec![format!(
            "Points: single {}; whole line: bias; dashed lines: {}.",
            self.frame.subjects(),
            match self.limits.as_str() {
                "" => "limits of agreement",
                limits => limits,
            }
        )];
        let shaded = self
            .panels
            .iter()
            .any(|p| p.bias.iter().any(|b| b.1.lower.is_finite()));
        if shaded && !self.interval.is_empty() {
            note.push(format!("Shaded: their {}.", self.interval));
        }
        note.push("Thin line: no difference.".to_owned());
        note.push(self.frame.n());
        note.extend(Strains::sampled(
            self.panels.iter().map(|p| p.strains.as_slice()),
        ));
        Plan {
            size,
            cells: cells.collect(),
            columns: None,
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Own,
            square: false,
            keys: strains.keys(Sample::Marker),
            letter: self.frame.letter,
            note,
        }
    }
}

impl AgreementPanel {
    fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.strains.iter().flat_map(StrainPoints::places)
    }

    /// The lines with their pens.
    fn lines(&self) -> [(&[(f64, Ranged)], Pen); 3] {
        let limit = Pen::solid(INK, 0.8).dashed(REFERENCE_DASH);
        [
            (&self.upper_limit, limit),
            (&self.bias, Pen::solid(INK, CURVE_PT)),
            (&self.lower_limit, limit),
        ]
    }

    /// Bias and limits with all their ends.
    fn limits(&self) -> impl Iterator<Item = f64> + '_ {
        let lines = self.lines().into_iter();
        lines.flat_map(|(line, _)| line.iter().flat_map(|(_, at)| at.all()))
    }

    fn draw(&self, panel: &Panel, strains: &Strains) -> Result<()> {
        panel.open("limits", &[]);
        panel.level(0.0, &Pen::solid(GREY, 0.3))?;
        for (line, pen) in self.lines() {
            let edges: Vec<(f64, f64, f64)> = line
                .iter()
                .map(|(x, at)| (*x, at.lower, at.upper))
                .collect();
            panel.band(&edges, GREY, 0.15)?;
            let values: Vec<(f64, f64)> = line.iter().map(|(x, at)| (*x, at.value)).collect();
            panel.line(&values, &pen)?;
        }
        panel.close();
        strains.draw(panel, &self.strains)
    }
}
