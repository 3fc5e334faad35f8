//! A finished figure, ready to be written.

use crate::error::Result;
use crate::figure::paper::{Size, Theme};
use crate::figure::scene::Scene;
use crate::figure::{pdf, raster};

/// A finished figure: SVG text at exact millimetres.
#[derive(Debug, Clone)]
pub struct Picture {
    svg: String,
    size: Size,
    title: String,
    description: String,
    missing: Vec<char>,
}

impl Picture {
    pub(crate) fn new(scene: &Scene, title: String, description: String) -> Self {
        Self {
            svg: scene.svg(&title, &description),
            size: scene.size(),
            title,
            description,
            missing: scene.missing().to_vec(),
        }
    }

    /// The SVG: text stays text, in Liberation Sans or what the viewer has of
    /// the same widths (Arial, Helvetica).
    #[must_use]
    pub fn svg(&self) -> &str {
        &self.svg
    }

    /// The same picture in another theme: shapes and words stay, colours change.
    #[must_use]
    pub fn in_theme(&self, theme: Theme) -> Self {
        let mut svg = self.svg.clone();
        for (colour, shade) in theme.shades() {
            // A quotation mark in a user's words is escaped: this is an attribute.
            svg = svg.replace(&format!("=\"{colour}\""), &format!("=\"{shade}\""));
        }
        Self {
            svg,
            ..self.clone()
        }
    }

    /// Its size on paper.
    #[must_use]
    pub fn size(&self) -> Size {
        self.size
    }

    /// What it is, in a few words.
    #[must_use]
    pub fn title(&self) -> &str {
        &self.title
    }

    /// What it shows, for readers by ear.
    #[must_use]
    pub fn description(&self) -> &str {
        &self.description
    }

    /// Characters in its texts that the shipped font lacks: a PNG shows a box
    /// in their place, a browser the character if the machine has a font for it.
    #[must_use]
    pub fn missing_glyphs(&self) -> &[char] {
        &self.missing
    }

    /// Refuses a resolution that no raster picture can have.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] outside 36 to 2400 dpi.
    pub fn check_dpi(dpi: u32) -> Result<()> {
        raster::check_dpi(dpi)
    }

    /// PNG bytes: exact pixels for `dpi`, white ground, the resolution in the file.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] for a resolution outside 36 to 2400 dpi, or too
    /// many pixels.
    pub fn png(&self, dpi: u32) -> Result<Vec<u8>> {
        raster::png(&self.svg, self.size, dpi)
    }

    /// TIFF bytes: as the PNG, LZW-compressed RGB with the resolution in the file.
    ///
    /// # Errors
    /// As [`Picture::png`].
    pub fn tiff(&self, dpi: u32) -> Result<Vec<u8>> {
        raster::tiff(&self.svg, self.size, dpi)
    }

    /// PDF bytes: one page of the exact size, letters as text in embedded fonts.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where it cannot be rendered: a bug.
    pub fn pdf(&self) -> Result<Vec<u8>> {
        pdf::pdf(&self.svg, self.size, &self.title)
    }
}
