//! Sizes, colours, line types and lettering of a printed figure.
//!
//! Column widths of 89, 140 and 182 mm and letters of 7 pt, nowhere under 6 pt,
//! are what journals of the trade ask for in their figure guides.

use crate::error::{Error, Result};
use std::fmt;

/// Width and height of a figure on paper.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Size {
    width_mm: f64,
    height_mm: f64,
    breaks: Breaks,
}

/// Where panels go on over to another page.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Breaks {
    /// Nowhere: the size is of one sheet.
    Never,
    /// After this number of rows of panels.
    AfterRows(usize),
    /// Where a sheet of this size is full.
    WhereFull,
}

impl Size {
    /// One column of a journal: 89 x 65 mm.
    pub const SINGLE: Size = Size {
        width_mm: 89.0,
        height_mm: 65.0,
        breaks: Breaks::Never,
    };
    /// One and a half columns: 140 x 90 mm.
    pub const ONE_AND_A_HALF: Size = Size {
        width_mm: 140.0,
        height_mm: 90.0,
        breaks: Breaks::Never,
    };
    /// The page's width, two columns: 182 x 100 mm.
    pub const DOUBLE: Size = Size {
        width_mm: 182.0,
        height_mm: 100.0,
        breaks: Breaks::Never,
    };
    /// A whole page: 182 x 230 mm.
    pub const PAGE: Size = Size {
        width_mm: 182.0,
        height_mm: 230.0,
        breaks: Breaks::Never,
    };

    /// A size with room for a panel a strain, in rows: panels 38 mm high. Where they take
    /// more than a page, the size of a page.
    ///
    /// # Errors
    /// As [`Size::new`].
    pub fn for_panels(width_mm: f64, panels: usize) -> Result<Self> {
        const LEAST_PANEL_MM: f64 = 32.0;
        let columns = crate::figure::grid::columns(panels, width_mm, LEAST_PANEL_MM);
        Self::of_rows(width_mm, (22.0, 44.0), panels.max(1).div_ceil(columns))
    }

    /// Rows of panels of this height, and what stands round them; on pages, filled
    /// evenly, where they are higher than [`Size::PAGE`].
    ///
    /// # Errors
    /// As [`Size::new`].
    pub(crate) fn of_rows(
        width_mm: f64,
        (around_mm, row_mm): (f64, f64),
        rows: usize,
    ) -> Result<Self> {
        let height_mm = |rows: usize| around_mm + row_mm * crate::figure::grid::count(rows);
        let rows = rows.max(1);
        let mut pages = 1;
        while pages < rows && height_mm(rows.div_ceil(pages)) > Self::PAGE.height_mm {
            pages += 1;
        }
        let on_page = rows.div_ceil(pages);
        let size = Self::new(width_mm, height_mm(on_page).max(40.0))?;
        Ok(Self {
            breaks: if pages > 1 {
                Breaks::AfterRows(on_page)
            } else {
                Breaks::Never
            },
            ..size
        })
    }

    /// The same, not lower than this where it is of one sheet.
    #[must_use]
    pub fn at_least(self, height_mm: f64) -> Self {
        match self.breaks {
            Breaks::Never => Self {
                height_mm: self.height_mm.max(height_mm.min(Self::PAGE.height_mm)),
                ..self
            },
            Breaks::AfterRows(_) | Breaks::WhereFull => self,
        }
    }

    /// The same where panels that have no room go on over to further pages.
    #[must_use]
    pub fn in_pages(self) -> Self {
        Self {
            breaks: Breaks::WhereFull,
            ..self
        }
    }

    pub(crate) fn on_one_sheet(self) -> Self {
        Self {
            breaks: Breaks::Never,
            ..self
        }
    }

    /// A page of several, be the panels of each no more than one sheet's.
    pub(crate) fn with_breaks(self) -> Self {
        match self.breaks {
            Breaks::Never => Self {
                breaks: Breaks::AfterRows(usize::MAX),
                ..self
            },
            Breaks::AfterRows(_) | Breaks::WhereFull => self,
        }
    }

    pub(crate) fn breaks(self) -> Breaks {
        self.breaks
    }

    /// A size of one's own.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] unless both lie between 40 and 1000 mm: below
    /// that the letters leave no room for a panel.
    pub fn new(width_mm: f64, height_mm: f64) -> Result<Self> {
        for (side, mm) in [("width", width_mm), ("height", height_mm)] {
            if !(40.0..=1000.0).contains(&mm) {
                return Err(Error::call(format!(
                    "figure {side}: {mm} mm was requested, expected 40 to 1000 mm: \
                     give 89, 140 or 182 mm for one, one and a half or two columns"
                )));
            }
        }
        Ok(Self {
            width_mm,
            height_mm,
            breaks: Breaks::Never,
        })
    }

    /// Width in mm.
    #[must_use]
    pub fn width_mm(self) -> f64 {
        self.width_mm
    }

    /// Height in mm.
    #[must_use]
    pub fn height_mm(self) -> f64 {
        self.height_mm
    }
}

/// Millimetres in a printer's point.
pub(crate) const MM_PER_PT: f64 = 25.4 / 72.0;
/// Letters of axes, legend and panel heads.
pub(crate) const LETTER_PT: f64 = 7.0;
/// The smallest letters: notes and raised exponents.
pub(crate) const SMALL_PT: f64 = 6.0;
/// Panel letters (a, b, ..).
pub(crate) const PANEL_LETTER_PT: f64 = 8.0;
/// Height of a digit or capital of the font over its size.
pub(crate) const CAP_HEIGHT_EM: f64 = 0.688;
/// Axis lines and ticks.
pub(crate) const FRAME_PT: f64 = 0.5;
/// Fitted lines.
pub(crate) const CURVE_PT: f64 = 1.0;
/// Lines of single birds behind the curves.
pub(crate) const FAINT_PT: f64 = 0.35;
/// How strongly those show.
pub(crate) const FAINT_OPACITY: f64 = 0.2;
/// How strongly the line of a strain without a separate colour shows.
pub(crate) const GREY_OPACITY: f64 = 0.6;
/// How strongly bands show.
pub(crate) const BAND_OPACITY: f64 = 0.22;
/// Dashes and gaps in mm of reference lines.
pub(crate) const REFERENCE_DASH: &[f64] = &[0.8, 0.6];

/// An sRGB colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Colour(pub u8, pub u8, pub u8);

impl fmt::Display for Colour {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "#{:02X}{:02X}{:02X}", self.0, self.1, self.2)
    }
}

/// Lines of the frame and letters.
pub(crate) const INK: Colour = Colour(0x26, 0x26, 0x26);
/// Reference lines and notes.
pub(crate) const GREY: Colour = Colour(0x59, 0x59, 0x59);
/// The ground, for the inside of open markers and seams between areas.
pub(crate) const WHITE: Colour = Colour(0xFF, 0xFF, 0xFF);
/// What needs attention.
pub(crate) const WARNING: Colour = Colour(0xB8, 0x43, 0x00);

/// Colours that stay apart for colour-blind readers: the set of Okabe and Ito
/// (2008, "Color universal design") without its yellow, too pale on white.
const COLOURS: [Colour; 7] = [
    Colour(0x00, 0x72, 0xB2),
    Colour(0xD5, 0x5E, 0x00),
    Colour(0x00, 0x9E, 0x73),
    Colour(0xCC, 0x79, 0xA7),
    Colour(0xE6, 0x9F, 0x00),
    Colour(0x56, 0xB4, 0xE9),
    Colour(0x00, 0x00, 0x00),
];

/// Dashes and gaps in mm; the first is a whole line.
const DASHES: [&[f64]; 5] = [
    &[],
    &[1.4, 0.8],
    &[0.5, 0.5],
    &[2.4, 0.6, 0.5, 0.6],
    &[3.0, 0.9],
];

/// What a marker looks like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shape {
    Disc,
    Square,
    Triangle,
    Diamond,
}

impl Shape {
    /// Markers of this shape in words.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Shape::Disc => "discs",
            Shape::Square => "squares",
            Shape::Triangle => "triangles",
            Shape::Diamond => "diamonds",
        }
    }
}

const SHAPES: [Shape; 4] = [Shape::Disc, Shape::Square, Shape::Triangle, Shape::Diamond];

/// How one group (a strain) is distinguished from the others: by colour, line and marker.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Style {
    pub colour: Colour,
    pub dash: &'static [f64],
    pub shape: Shape,
}

impl Style {
    /// Style of group `index`: after seven groups the colours come round again
    /// with another line and marker; 35 lines differ.
    pub(crate) fn of(index: usize) -> Self {
        let round = index / COLOURS.len();
        Self {
            colour: COLOURS[index % COLOURS.len()],
            dash: DASHES[(index + round) % DASHES.len()],
            shape: SHAPES[(index + round) % SHAPES.len()],
        }
    }
}

/// Up to this many groups in one panel each have a separate colour and marker; of more the first
/// seven have, one a colour, and the others are grey.
pub const MOST_COLOURED: usize = 12;

/// Groups without a separate colour.
const OTHERS: Style = Style {
    colour: Colour(0x8A, 0x8A, 0x8A),
    dash: &[],
    shape: Shape::Disc,
};

/// How the groups of one panel are distinguished.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Looks {
    groups: usize,
    own: usize,
}

impl Looks {
    pub(crate) fn of(groups: usize) -> Self {
        let own = if groups > MOST_COLOURED {
            COLOURS.len()
        } else {
            groups
        };
        Self { groups, own }
    }

    /// Groups with a separate colour and marker, which come first.
    pub(crate) fn own(self) -> usize {
        self.own
    }

    pub(crate) fn style(self, index: usize) -> Style {
        if index < self.own {
            Style::of(index)
        } else {
            OTHERS
        }
    }

    /// The groups as they are drawn over each other: the grey ones lie below.
    pub(crate) fn back_to_front(self) -> impl Iterator<Item = usize> {
        (self.own..self.groups).chain(0..self.own)
    }
}

impl Style {
    /// The same with a whole line, where a group has a separate panel.
    pub(crate) fn whole_line(self) -> Self {
        Self { dash: &[], ..self }
    }
}

/// Fills of stacked parts: hues apart from those of the first strains, of
/// different lightness, so that they also stay apart in grey.
const FILLS: [Colour; 6] = [
    Colour(0xEB, 0xA6, 0x1E),
    Colour(0xB0, 0x5A, 0x87),
    Colour(0x9A, 0xD0, 0xF0),
    Colour(0x6B, 0x6B, 0x6B),
    Colour(0xF0, 0xE4, 0x42),
    Colour(0x00, 0x72, 0xB2),
];

impl Style {
    /// Style of stacked part `index`.
    pub(crate) fn of_part(index: usize) -> Self {
        Self {
            colour: FILLS[index % FILLS.len()],
            ..Self::of(index)
        }
    }
}

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pen {
    pub colour: Colour,
    pub width_pt: f64,
    pub dash: &'static [f64],
    pub opacity: f64,
}

impl Pen {
    /// A whole line.
    pub(crate) fn solid(colour: Colour, width_pt: f64) -> Self {
        Self {
            colour,
            width_pt,
            dash: &[],
            opacity: 1.0,
        }
    }

    pub(crate) fn dashed(self, dash: &'static [f64]) -> Self {
        Self { dash, ..self }
    }

    pub(crate) fn opacity(self, opacity: f64) -> Self {
        Self { opacity, ..self }
    }
}

/// In which colours a picture comes out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Theme {
    /// Colours that colour-blind readers can distinguish, on white.
    #[default]
    Plain,
    /// Shades of grey that stay apart in print, beside line types and markers.
    Grayscale,
}

impl Theme {
    /// Which shade takes the place of which colour; what is not named stays.
    pub(crate) fn shades(self) -> impl Iterator<Item = (Colour, Colour)> {
        let pairs: &[(Colour, u8)] = match self {
            Theme::Plain => &[],
            Theme::Grayscale => &GREYS,
        };
        pairs
            .iter()
            .map(|&(colour, grey)| (colour, Colour(grey, grey, grey)))
    }
}

/// Greys of the groups, none too pale for a line on white, neighbours far apart (black
/// stays black); and of the stacked parts, which touch each other.
const GREYS: [(Colour, u8); 12] = [
    (COLOURS[0], 0x1A),
    (COLOURS[1], 0x80),
    (COLOURS[2], 0x4A),
    (COLOURS[3], 0x8C),
    (COLOURS[4], 0x30),
    (COLOURS[5], 0x6E),
    (FILLS[0], 0xB8),
    (FILLS[1], 0x78),
    (FILLS[2], 0xE0),
    (FILLS[3], 0x48),
    (FILLS[4], 0xF2),
    (WARNING, 0x40),
];
