//! How wide is a text: the shipped font's own advances.
//!
//! Liberation Sans has the metrics of Arial, so a viewer without it that falls
//! back to Arial or Helvetica keeps every text in its place.

use crate::figure::paper::MM_PER_PT;
use std::sync::{Arc, OnceLock};
use ttf_parser::Face;

/// The font-family of every picture.
pub(crate) const FAMILY: &str = "Liberation Sans, Arial, Helvetica, sans-serif";

const FILES: [&[u8]; 3] = [
    include_bytes!("fonts/LiberationSans-Regular.ttf"),
    include_bytes!("fonts/LiberationSans-Bold.ttf"),
    include_bytes!("fonts/LiberationSans-Italic.ttf"),
];

/// Width in em given to a character that the font lacks. The PNG shows an empty
/// box there (0.75 em); a browser may show the character from another font, at
/// most one em wide in nearly all scripts, so text beside it is never covered.
const MISSING_EM: f64 = 1.0;

/// Which of the shipped faces.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Cut {
    Regular,
    Bold,
    Italic,
}

fn face(cut: Cut) -> Option<&'static Face<'static>> {
    static FACES: [OnceLock<Option<Face<'static>>>; 3] =
        [OnceLock::new(), OnceLock::new(), OnceLock::new()];
    let index = cut as usize;
    FACES[index]
        .get_or_init(|| Face::parse(FILES[index], 0).ok())
        .as_ref()
}

/// Whether the font can show the character.
pub(crate) fn has_glyph(character: char) -> bool {
    face(Cut::Regular).is_some_and(|face| face.glyph_index(character).is_some())
}

/// Width of a text in mm, set at `pt` points.
///
/// The sum of advances; pair kerning, which a viewer may apply, is left out (it
/// nearly always makes the text narrower).
pub(crate) fn width_mm(text: &str, cut: Cut, pt: f64) -> f64 {
    let em: f64 = text.chars().map(|c| advance_em(c, cut)).sum();
    em * pt * MM_PER_PT
}

fn advance_em(character: char, cut: Cut) -> f64 {
    face(cut)
        .and_then(|face| {
            let glyph = face.glyph_index(character)?;
            let advance = face.glyph_hor_advance(glyph)?;
            Some(f64::from(advance) / f64::from(face.units_per_em()))
        })
        .unwrap_or(MISSING_EM)
}

/// The shipped faces for resvg; no font of the machine ever gets in.
pub(crate) fn database() -> Arc<resvg::usvg::fontdb::Database> {
    static DATABASE: OnceLock<Arc<resvg::usvg::fontdb::Database>> = OnceLock::new();
    DATABASE
        .get_or_init(|| {
            let mut database = resvg::usvg::fontdb::Database::new();
            for file in FILES {
                database.load_font_data(file.to_vec());
            }
            database.set_sans_serif_family("Liberation Sans");
            Arc::new(database)
        })
        .clone()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_have_the_advance_of_arial() {
        // Arial and Liberation Sans: 1139 of 2048 units for every digit.
        let width = width_mm("0", Cut::Regular, 10.0);
        assert!((width - 1139.0 / 2048.0 * 10.0 * MM_PER_PT).abs() < 1e-12);
    }

    #[test]
    fn a_character_that_the_font_lacks_takes_one_em() {
        assert!(!has_glyph('\u{1F414}'));
        let width = width_mm("\u{1F414}", Cut::Bold, 10.0);
        assert!((width - 10.0 * MM_PER_PT).abs() < 1e-12);
    }
}
