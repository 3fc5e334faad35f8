//! At which ages do two strains differ.

use crate::error::Result;
use crate::figure::board::Board;
use crate::figure::frame::{Figure, Frame, by_age, size_of};
use crate::figure::grid::Head;
use crate::figure::panel::Panel;
use crate::figure::paper::{
    BAND_OPACITY, CURVE_PT, FRAME_PT, INK, Pen, REFERENCE_DASH, Size, Style,
};
use crate::figure::picture::Picture;
use crate::figure::series::Quantity;

/// At which ages do two strains differ: the difference of their curves with its
/// pointwise and its simultaneous band, a panel a pair; the ages at which the
/// simultaneous band leaves zero are marked on the axis.
#[derive(Debug, Clone, Default)]
pub struct DifferenceBand {
    /// The y axis: "Difference in body weight", "g".
    pub quantity: Quantity,
    /// What the dark band is, for the note: "95 % pointwise band".
    pub pointwise: String,
    /// What the light band is, for the note: "95 % simultaneous band".
    pub simultaneous: String,
    /// A panel a pair of strains.
    pub pairs: Vec<StrainPair>,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
}

/// One pair of [`DifferenceBand`].
#[derive(Debug, Clone, Default)]
pub struct StrainPair {
    /// Which is taken from which: "Line B − Line A".
    pub name: String,
    /// The difference, ascending in age.
    pub difference: Vec<DifferencePoint>,
    /// Stretches of age in days (first, last) at which they differ; may be empty.
    pub differ_d: Vec<(f64, f64)>,
}

/// The difference at one age.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DifferencePoint {
    /// Age in days.
    pub age_d: f64,
    /// The difference.
    pub value: f64,
    /// Lower edge of the pointwise band; NaN where there is none.
    pub lower: f64,
    /// Upper edge of the pointwise band; NaN where there is none.
    pub upper: f64,
    /// Lower edge of the simultaneous band; NaN where there is none.
    pub simultaneous_lower: f64,
    /// Upper edge of the simultaneous band; NaN where there is none.
    pub simultaneous_upper: f64,
}

const LEAST_PANEL_MM: f64 = 38.0;

impl Figure for DifferenceBand {
    fn size(&self, width_mm: f64) -> Result<Size> {
        size_of(self.pairs.len(), (width_mm, LEAST_PANEL_MM), (24.0, 46.0))
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let panels = self.pairs.iter().map(|pair| {
            let head = Head {
                name: pair.name.clone(),
                ..Head::default()
            };
            (head, pair.places().collect())
        });
        let board = Board::lay(by_age(
            (size, LEAST_PANEL_MM),
            &self.frame,
            self.quantity.words(),
            panels.collect(),
            (true, Vec::new(), self.note()),
        ))?;
        for (panel, pair) in board.panels.iter().zip(&self.pairs) {
            if !panel.y.ticks.is_empty() {
                pair.draw(panel)?;
            }
        }
        let title = format!("{} by age", self.quantity.name);
        let pairs: Vec<&str> = self.pairs.iter().map(|p| p.name.as_str()).collect();
        Ok(board.finish(&title, &format!("Pairs: {}.", pairs.join(", "))))
    }
}

impl DifferenceBand {
    fn note(&self) -> Vec<String> {
        let mut note = Vec::new();
        if !self.pointwise.is_empty() {
            note.push(format!("Dark: {}.", self.pointwise));
        }
        if !self.simultaneous.is_empty() {
            note.push(format!("Light, dashed edges: {}.", self.simultaneous));
        }
        if self.pairs.iter().any(|p| !p.differ_d.is_empty()) {
            note.push("Thick bar on the axis: ages at which they differ.".to_owned());
        }
        note
    }
}

impl StrainPair {
    fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.difference.iter().flat_map(|p| {
            [
                p.value,
                p.lower,
                p.upper,
                p.simultaneous_lower,
                p.simultaneous_upper,
            ]
            .map(|value| (p.age_d, value))
        })
    }

    fn draw(&self, panel: &Panel) -> Result<()> {
        let colour = Style::of(0).colour;
        panel.open("pair", &[("pair", &self.name)]);
        let line = |of: fn(&DifferencePoint) -> f64| -> Vec<(f64, f64)> {
            self.difference.iter().map(|p| (p.age_d, of(p))).collect()
        };
        let wide: Vec<(f64, f64, f64)> = self
            .difference
            .iter()
            .map(|p| (p.age_d, p.simultaneous_lower, p.simultaneous_upper))
            .collect();
        let narrow: Vec<(f64, f64, f64)> = self
            .difference
            .iter()
            .map(|p| (p.age_d, p.lower, p.upper))
            .collect();
        panel.band(&wide, colour, 0.14)?;
        panel.band(&narrow, colour, 1.5 * BAND_OPACITY)?;
        let edge = Pen::solid(colour, 0.4).dashed(REFERENCE_DASH);
        panel.line(&line(|p| p.simultaneous_lower), &edge)?;
        panel.line(&line(|p| p.simultaneous_upper), &edge)?;
        panel.level(0.0, &Pen::solid(INK, FRAME_PT))?;
        panel.line(&line(|p| p.value), &Pen::solid(INK, CURVE_PT))?;
        // On the axis, half its width above the frame's line.
        let y = panel.y.lo + 0.6 * (panel.y.hi - panel.y.lo) / panel.rect.height();
        for &(first_d, last_d) in &self.differ_d {
            let ends = [(first_d.max(panel.x.lo), y), (last_d.min(panel.x.hi), y)];
            panel.line(&ends, &Pen::solid(INK, 2.4))?;
        }
        panel.close();
        Ok(())
    }
}
