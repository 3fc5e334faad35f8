//! A picture as PNG and TIFF.
//!
//! Exact pixels for the size on paper, resolution written into the file (pHYs;
//! XResolution and YResolution), white ground, no transparency. Same SVG, same
//! bytes.

use crate::error::{Error, Result};
use crate::figure::font;
use crate::figure::paper::Size;
use resvg::{tiny_skia, usvg};
use tiff::encoder::{Compression, Predictor, Rational, TiffEncoder, colortype::RGB8};
use tiff::tags::ResolutionUnit;

/// Pixels of a side: mm / 25.4 x dpi, rounded.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "both sides are checked to lie in 40..=1000 mm and 36..=2400 dpi"
)]
fn pixels(mm: f64, dpi: u32) -> u32 {
    (mm / 25.4 * f64::from(dpi)).round() as u32
}

/// A picture as dots: RGB, three bytes each, row by row.
struct Dots {
    rgb: Vec<u8>,
    width: u32,
    height: u32,
    dpi: u32,
}

/// The SVG as a tree, its letters set in the shipped fonts.
pub(crate) fn tree(svg: &str) -> Result<usvg::Tree> {
    let options = usvg::Options {
        font_family: "Liberation Sans".to_owned(),
        fontdb: font::database(),
        ..usvg::Options::default()
    };
    usvg::Tree::from_str(svg, &options).map_err(broken)
}

/// What a library below could not do; with pictures of ours only a bug brings it about.
pub(crate) fn broken(what: impl std::fmt::Display) -> Error {
    Error::call(format!("figure: it could not be rendered ({what})"))
}

/// PNG bytes of an SVG picture.
///
/// # Errors
/// [`crate::ErrorKind::Call`] for a resolution outside 36 to 2400 dpi or a
/// picture of more than 400 million pixels.
pub(crate) fn png(svg: &str, size: Size, dpi: u32) -> Result<Vec<u8>> {
    dots(svg, size, dpi)?.png().map_err(broken)
}

/// TIFF bytes (LZW, RGB) of an SVG picture.
///
/// # Errors
/// As [`png`].
pub(crate) fn tiff(svg: &str, size: Size, dpi: u32) -> Result<Vec<u8>> {
    dots(svg, size, dpi)?.tiff().map_err(broken)
}

/// Refuses a resolution outside 36 to 2400 dpi.
pub(crate) fn check_dpi(dpi: u32) -> Result<()> {
    if !(36..=2400).contains(&dpi) {
        return Err(Error::call(format!(
            "resolution: {dpi} dpi was requested, expected 36 to 2400 dpi: journals require 300 to 1200"
        )));
    }
    Ok(())
}

fn dots(svg: &str, size: Size, dpi: u32) -> Result<Dots> {
    check_dpi(dpi)?;
    let (width, height) = (pixels(size.width_mm(), dpi), pixels(size.height_mm(), dpi));
    if u64::from(width) * u64::from(height) > 400_000_000 {
        return Err(Error::call(format!(
            "resolution: {dpi} dpi of {} x {} mm is {width} x {height} pixels, expected at most \
             400 million in all: give a lower resolution or write SVG",
            size.width_mm(),
            size.height_mm()
        )));
    }
    let tree = tree(svg)?;
    let mut pixmap = tiny_skia::Pixmap::new(width, height)
        .ok_or_else(|| broken(format!("{width} x {height} pixels")))?;
    pixmap.fill(tiny_skia::Color::WHITE);
    let scale = tiny_skia::Transform::from_scale(
        width as f32 / tree.size().width(),
        height as f32 / tree.size().height(),
    );
    resvg::render(&tree, scale, &mut pixmap.as_mut());
    // The ground is opaque, so premultiplied and plain values are the same.
    let rgb: Vec<u8> = pixmap
        .data()
        .chunks_exact(4)
        .flat_map(|pixel| [pixel[0], pixel[1], pixel[2]])
        .collect();
    Ok(Dots {
        rgb,
        width,
        height,
        dpi,
    })
}

impl Dots {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "at most 2400 dpi, 94,488 dots to the metre"
    )]
    fn png(&self) -> std::result::Result<Vec<u8>, png::EncodingError> {
        let per_metre = (f64::from(self.dpi) / 0.0254).round() as u32;
        let mut bytes = Vec::new();
        let mut encoder = png::Encoder::new(&mut bytes, self.width, self.height);
        encoder.set_color(png::ColorType::Rgb);
        encoder.set_depth(png::BitDepth::Eight);
        encoder.set_pixel_dims(Some(png::PixelDimensions {
            xppu: per_metre,
            yppu: per_metre,
            unit: png::Unit::Meter,
        }));
        let mut writer = encoder.write_header()?;
        writer.write_image_data(&self.rgb)?;
        writer.finish()?;
        Ok(bytes)
    }

    fn tiff(&self) -> tiff::TiffResult<Vec<u8>> {
        let mut bytes = std::io::Cursor::new(Vec::new());
        let mut encoder = TiffEncoder::new(&mut bytes)?
            .with_compression(Compression::Lzw)
            .with_predictor(Predictor::Horizontal);
        let mut image = encoder.new_image::<RGB8>(self.width, self.height)?;
        image.resolution(ResolutionUnit::Inch, Rational { n: self.dpi, d: 1 });
        image.write_data(&self.rgb)?;
        Ok(bytes.into_inner())
    }
}
