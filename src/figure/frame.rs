//! What all figures have in common: how they are requested, and the frame of those whose
//! panels stand side by side on common axes of age.

use crate::error::{Error, Result};
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::grid::{self, Cell, Head, Plan, Sharing};
use crate::figure::legend::Key;
use crate::figure::paper::Size;
use crate::figure::picture::Picture;
use crate::figure::series::{self, AgeUnit};
use crate::figure::words::Words;

/// A figure: what is to be drawn, filled by the caller.
pub trait Figure {
    /// A size with room for its panels at this width.
    ///
    /// # Errors
    /// As [`Size::new`].
    fn size(&self, width_mm: f64) -> Result<Size>;

    /// Draws the figure on as many pages as its panels need, where the size allows pages
    /// ([`Size::in_pages`], or what [`Figure::size`] gives); all have the same axes.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for one row of panels.
    fn pages(&self, size: Size) -> Result<Vec<Picture>>;

    /// Draws the figure on one sheet.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for the panels.
    fn draw(&self, size: Size) -> Result<Picture> {
        let first = self.pages(size.on_one_sheet())?.into_iter().next();
        first.ok_or_else(|| Error::call("figure without a page: a bug, please report it"))
    }
}

/// What the figures of one study have in common.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Frame {
    /// Days (with weeks beneath) or weeks on the axes of age.
    pub ages: AgeUnit,
    /// What n counts, one of them: `bird`.
    pub subject: String,
    /// Letter of the first panel, the others follow; none where not given.
    pub letter: Option<char>,
}

impl Default for Frame {
    fn default() -> Self {
        Self {
            ages: AgeUnit::default(),
            subject: "bird".to_owned(),
            letter: None,
        }
    }
}

impl Frame {
    /// The same frame, where n counts something else.
    #[must_use]
    pub fn counting(&self, subject: &str) -> Self {
        Self {
            subject: subject.to_owned(),
            ..self.clone()
        }
    }

    /// "n: birds."
    pub(crate) fn n(&self) -> String {
        format!("n: {}s.", self.subject)
    }

    /// "birds".
    pub(crate) fn subjects(&self) -> String {
        format!("{}s", self.subject)
    }

    /// "20 birds".
    pub(crate) fn counted(&self, n: usize) -> String {
        series::counted(n, &self.subject)
    }

    /// "Groups: Line A (20 birds), Line B (18 birds).": what a reader by ear hears first.
    pub(crate) fn groups<'a>(&self, named: impl Iterator<Item = (&'a str, usize)>) -> String {
        let named: Vec<String> = named
            .filter(|(_, n)| *n > 0)
            .map(|(name, n)| format!("{name} ({})", self.counted(n)))
            .collect();
        match named.as_slice() {
            [] => String::new(),
            named => format!("Groups: {}.", named.join(", ")),
        }
    }
}

/// The size of rows of panels at least so wide, each row so high.
///
/// # Errors
/// As [`Size::new`].
pub(crate) fn size_of(
    panels: usize,
    (width_mm, least_panel_mm): (f64, f64),
    (around_mm, row_mm): (f64, f64),
) -> Result<Size> {
    let columns = grid::columns(panels, width_mm, least_panel_mm);
    Size::of_rows(
        width_mm,
        (around_mm, row_mm),
        panels.max(1).div_ceil(columns),
    )
}

/// What stands in a panel: its head, and the places (age in days, value) that it shows.
pub(crate) type Content = (Head, Vec<(f64, f64)>);

/// Panels on common axes: age across, a quantity up.
pub(crate) fn by_age(
    (size, least_panel_mm): (Size, f64),
    frame: &Frame,
    quantity: Words,
    panels: Vec<Content>,
    (with_zero, keys, note): (bool, Vec<Key>, Vec<String>),
) -> Plan {
    let (ages, values) = drawn_at(panels.iter().flat_map(|(_, places)| places.iter().copied()));
    let x = Axis::age(frame.ages).hold(ages);
    let y = Axis::new(quantity, Scale::Number).hold(values);
    let y = if with_zero { y.with_zero() } else { y };
    let cells = panels.into_iter().map(|(head, places)| Cell {
        head,
        x: x.clone(),
        y: y.clone(),
        places,
    });
    Plan {
        size,
        cells: cells.collect(),
        columns: None,
        least_panel_mm,
        sharing: Sharing::Common,
        square: false,
        keys,
        letter: frame.letter,
        note,
    }
}
