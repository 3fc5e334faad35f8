//! A picture as PNG.
//!
//! Exact pixels for the size on paper, resolution written into the file (pHYs),
//! white ground, no transparency. Same SVG, same bytes.

use crate::error::{Error, Result};
use crate::figure::font;
use crate::figure::paper::Size;
use resvg::{tiny_skia, usvg};

/// Pixels of a side: mm / 25.4 x dpi, rounded.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "both sides are checked to lie in 40..=1000 mm and 36..=2400 dpi"
)]
fn pixels(mm: f64, dpi: u32) -> u32 {
    (mm / 25.4 * f64::from(dpi)).round() as u32
}

/// PNG bytes of an SVG picture.
///
/// # Errors
/// [`crate::ErrorKind::Call`] for a resolution outside 36 to 2400 dpi or a
/// picture of more than 400 million pixels.
pub(crate) fn png(svg: &str, size: Size, dpi: u32) -> Result<Vec<u8>> {
    if !(36..=2400).contains(&dpi) {
        return Err(Error::call(format!(
            "resolution: {dpi} dpi was asked for, expected 36 to 2400 dpi: journals ask for 300 to 1200"
        )));
    }
    let (width, height) = (pixels(size.width_mm(), dpi), pixels(size.height_mm(), dpi));
    if u64::from(width) * u64::from(height) > 400_000_000 {
        return Err(Error::call(format!(
            "resolution: {dpi} dpi of {} x {} mm is {width} x {height} pixels, expected at most \
             400 million in all: give a lower resolution or write SVG",
            size.width_mm(),
            size.height_mm()
        )));
    }
    let broken = |what: String| Error::call(format!("figure: it could not be rendered ({what})"));
    let options = usvg::Options {
        font_family: "Liberation Sans".to_owned(),
        fontdb: font::database(),
        ..usvg::Options::default()
    };
    let tree = usvg::Tree::from_str(svg, &options).map_err(|e| broken(e.to_string()))?;
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
    encode(&rgb, width, height, dpi).map_err(|e| broken(e.to_string()))
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "at most 2400 dpi, 94,488 dots to the metre"
)]
fn encode(
    rgb: &[u8],
    width: u32,
    height: u32,
    dpi: u32,
) -> std::result::Result<Vec<u8>, png::EncodingError> {
    let per_metre = (f64::from(dpi) / 0.0254).round() as u32;
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_pixel_dims(Some(png::PixelDimensions {
        xppu: per_metre,
        yppu: per_metre,
        unit: png::Unit::Meter,
    }));
    let mut writer = encoder.write_header()?;
    writer.write_image_data(rgb)?;
    writer.finish()?;
    Ok(bytes)
}
