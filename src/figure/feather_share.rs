//! How much of the bird is feathers.

use crate::error::Result;
use crate::figure::board::on_one_sheet;
use crate::figure::growth::{Growth, StrainGrowth};
use crate::figure::paper::Size;
use crate::figure::picture::Picture;
use crate::figure::series::{AgeUnit, Layout, Quantity};

/// Which share of the body mass are feathers at each age: carcasses as points,
/// the strain's line with its band.
#[derive(Debug, Clone, Default)]
pub struct FeatherShare {
    /// Days or weeks on the axis.
    pub ages: AgeUnit,
    /// One panel for all, or one each.
    pub layout: Layout,
    /// Name of the line, for the note: "quadratic in age"; may be empty.
    pub curve: String,
    /// What the band is, for the note.
    pub band: String,
    /// The strains; points and lines in percent of body mass.
    pub strains: Vec<StrainGrowth>,
    /// Panel letter, for a figure of several parts.
    pub letter: Option<char>,
}

impl FeatherShare {
    /// A size with room for its panels at this width.
    ///
    /// # Errors
    /// As [`Size::new`].
    pub fn size(&self, width_mm: f64) -> Result<Size> {
        let panels = match self.layout {
            Layout::Overlaid => 1,
            Layout::Facets => self.strains.len(),
        };
        Size::for_panels(width_mm, panels)
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
        Growth {
            quantity: Quantity {
                name: "Feathers in body mass".to_owned(),
                unit: "%".to_owned(),
            },
            ages: self.ages,
            layout: self.layout,
            curve: self.curve.clone(),
            band: self.band.clone(),
            strains: self.strains.clone(),
            letter: self.letter,
        }
        .pages(size)
    }
}
