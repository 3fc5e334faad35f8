//! A picture as a PDF of one page.
//!
//! The page has the picture's exact size, the letters are text in embedded subsets
//! of the shipped fonts, lines and areas stay vectors. No date is written: same SVG,
//! same bytes.

use crate::error::Result;
use crate::figure::paper::Size;
use crate::figure::raster::{broken, tree};
use pdf_writer::{Content, Finish, Name, Pdf, Rect, Ref, TextStr};
use svg2pdf::{ConversionOptions, to_chunk};

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
    const PICTURE: Name = Name(b"picture");
    let (picture, drawn_at) =
        to_chunk(&tree(svg)?, ConversionOptions::default()).map_err(broken)?;
    let width_pt = (size.width_mm() * PT_PER_MM) as f32;
    let height_pt = (size.height_mm() * PT_PER_MM) as f32;

    // The picture's objects keep their numbers; ours come after them.
    let mut free = picture.refs().max().unwrap_or(Ref::new(1)).get();
    let mut next = || {
        free += 1;
        Ref::new(free)
    };
    let [catalog, pages, page, content, info] = [(); 5].map(|()| next());

    let mut document = Pdf::new();
    document.catalog(catalog).pages(pages);
    document.pages(pages).kids([page]).count(1);
    let mut sheet = document.page(page);
    sheet
        .parent(pages)
        .media_box(Rect::new(0.0, 0.0, width_pt, height_pt))
        .contents(content);
    sheet.resources().x_objects().pair(PICTURE, drawn_at);
    sheet.finish();
    // The picture is one unit wide and high.
    let mut drawn = Content::new();
    drawn
        .transform([width_pt, 0.0, 0.0, height_pt, 0.0, 0.0])
        .x_object(PICTURE);
    document.stream(content, &drawn.finish());
    document.extend(&picture);
    document.document_info(info).title(TextStr(title));
    Ok(document.finish())
}
