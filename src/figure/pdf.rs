//! A picture as a PDF of one page.
//!
//! The page has the picture's exact size, the letters are text in embedded subsets
//! of the shipped fonts, lines and areas stay vectors. No date is written: same SVG,
//! same bytes.

use crate::error::Result;
use crate::figure::paper::Size;
use crate::figure::raster::{broken, tree};
use krilla::page::PageSettings;
use krilla_svg::{SurfaceExt, SvgSettings};

/// PDF bytes of an SVG picture.
///
/// # Errors
/// [`crate::ErrorKind::Call`] where the picture cannot be rendered, which only a bug
/// brings about.
#[expect(
    clippy::cast_possible_truncation,
    reason = "a side is at most 1000 mm, 2835 pt; PDF numbers are f32"
)]
pub(crate) fn pdf(svg: &str, size: Size, title: &str) -> Result<Vec<u8>> {
    const PT_PER_MM: f64 = 72.0 / 25.4;
    let tree = tree(svg)?;
    let width_pt = (size.width_mm() * PT_PER_MM) as f32;
    let height_pt = (size.height_mm() * PT_PER_MM) as f32;

    let mut document = krilla::Document::new();
    let settings = PageSettings::new(width_pt, height_pt);
    let area = krilla::geom::Size::from_wh(width_pt, height_pt)
        .ok_or_else(|| broken(format!("page of {width_pt} x {height_pt} pt")))?;
    let mut page = document.start_page_with(settings);
    let mut surface = page.surface();
    surface
        .draw_svg(&tree, area, SvgSettings::default())
        .ok_or_else(|| broken("its SVG does not fit a PDF page"))?;
    surface.finish();
    page.finish();
    document.set_metadata(krilla::metadata::Metadata::new().title(title.to_owned()));
    document
        .finish()
        .map_err(|error| broken(format!("{error:?}")))
}
