//! At which ages do two strains differ.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::{Board, Cell, Head, Plan, Sharing, columns, on_one_sheet};
use crate::figure::panel::Panel;
use crate::figure::paper::{
    BAND_OPACITY, CURVE_PT, FRAME_PT, INK, Pen, REFERENCE_DASH, Size, Style,
};
use crate::figure::picture::Picture;
use crate::figure::series::{AgeUnit, Quantity};

/// At which ages do two strains differ: the difference of their curves with its
/// pointwise and its simultaneous band, a panel a pair; the ages at which the
/// simultaneous band leaves zero are marked on the axis.
#[derive(Debug, Clone, Default)]
pub struct DifferenceBand {
    /// The y axis: "Difference in body weight", "g".
    pub quantity: Quantity,
    /// Days or weeks on the axis.
    pub ages: AgeUnit,
    /// What the dark band is, for the note: "95 % pointwise band".
    pub pointwise: String,
    /// What the light band is, for the note: "95 % simultaneous band".
    pub simultaneous: String,
    /// A panel a pair of strains.
    pub pairs: Vec<StrainPair>,
    /// Letter of the first panel.
    pub letter: Option<char>,
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

impl DifferenceBand {
    /// A size with room for its panels at this width.
    ///
    /// # Errors
    /// As [`Size::new`].
    pub fn size(&self, width_mm: f64) -> Result<Size> {
        let columns = columns(self.pairs.len(), width_mm, LEAST_PANEL_MM);
        Size::of_rows(
            width_mm,
            (24.0, 44.0),
            self.pairs.len().max(1).div_ceil(columns),
        )
    }

    /// Draws the figure on one sheet.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for the panels.
    pub fn draw(&self, size: Size) -> Result<Picture> {
        on_one_sheet(size, |size| self.pages(size))
    }

    /// Draws the figure on as many pages as its panels need, where the size allows pages
    /// ([`Size::in_pages`], or what `size` gives); all have the same axes.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for one row of panels.
    pub fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let board = Board::lay(self.plan(size))?;
        for (panel, pair) in board.panels.iter().zip(&self.pairs) {
            if !panel.y.ticks.is_empty() {
                pair.draw(panel)?;
            }
        }
        let title = format!("{} by age", self.quantity.name);
        let pairs: Vec<&str> = self.pairs.iter().map(|p| p.name.as_str()).collect();
        Ok(board.finish(&title, &format!("Pairs: {}.", pairs.join(", "))))
    }

    fn plan(&self, size: Size) -> Plan {
        let (ages, values) = drawn_at(self.pairs.iter().flat_map(StrainPair::places));
        let x = Axis::age(self.ages).hold(ages);
        let y = Axis::new(self.quantity.words(), Scale::Number)
            .hold(values)
            .with_zero();
        let cells = self.pairs.iter().map(|pair| Cell {
            head: Head {
                name: pair.name.clone(),
                ..Head::default()
            },
            x: x.clone(),
            y: y.clone(),
            places: Vec::new(),
        });
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
        Plan {
            size,
            cells: cells.collect(),
            columns: None,
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Common,
            keys: Vec::new(),
            letter: self.letter,
            note,
        }
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
