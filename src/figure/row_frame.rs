//! The frame of figures with named rows: the same rows in panels side by side, in parts
//! where there are more than a page has room for.

use crate::error::Result;
use crate::figure::axes::{Axis, Way};
use crate::figure::grid::{Cell, Plan, Sharing, columns, count};
use crate::figure::paper::{Breaks, Size};
use crate::figure::picture::Picture;
use std::ops::Range;

/// Named rows and how much room they take.
pub(crate) struct RowFrame<'a> {
    /// Names and n of the rows, from top to bottom; n may be empty.
    pub names: Vec<(&'a str, String)>,
    pub panels: usize,
    pub least_panel_mm: f64,
    pub row_mm: f64,
    /// Rows that a page has room for.
    pub most_rows: usize,
}

/// What the column of names may take of the width.
const NAMES_SHARE: f64 = 0.36;
/// Head, axis and what else stands round the rows of a panel.
const AROUND_MM: f64 = 16.0;
const LEAST_PANEL_HEIGHT_MM: f64 = 25.0;

impl RowFrame<'_> {
    /// The upright axis of some of the rows.
    pub(crate) fn axis(&self, width_mm: f64, part: Range<usize>) -> Axis {
        let names = self.names[part].iter().map(|(name, n)| (*name, n.clone()));
        Axis::rows(names, NAMES_SHARE * width_mm)
    }

    fn columns(&self, width_mm: f64) -> usize {
        let names = self.axis(width_mm, 0..self.names.len()).fit(100.0, Way::Up);
        columns(
            self.panels,
            width_mm - names.label_mm(),
            self.least_panel_mm,
        )
    }

    /// Rows in a panel: as many parts as they need, filled evenly.
    fn in_part(&self) -> usize {
        let rows = self.names.len().max(1);
        rows.div_ceil(rows.div_ceil(self.most_rows))
    }

    /// As [`super::Figure::size`].
    pub(crate) fn size(&self, width_mm: f64) -> Result<Size> {
        // A single row still needs the sheet's minimum for a panel, and the note its lines.
        let panel_mm = AROUND_MM + self.row_mm * count(self.in_part());
        let rows = self.panels.max(1).div_ceil(self.columns(width_mm));
        let size = Size::of_rows(width_mm, (8.0, panel_mm.max(LEAST_PANEL_HEIGHT_MM)), rows)?;
        Ok(if self.in_part() < self.names.len() {
            size.with_breaks()
        } else {
            size
        })
    }

    /// The pages of all rows, part by part.
    pub(crate) fn pages(
        &self,
        size: Size,
        draw: impl Fn(Range<usize>) -> Result<Vec<Picture>>,
    ) -> Result<Vec<Picture>> {
        if size.breaks() == Breaks::Never {
            return draw(0..self.names.len());
        }
        let mut pages = Vec::new();
        for first in (0..self.names.len().max(1)).step_by(self.in_part()) {
            pages.extend(draw(first..(first + self.in_part()).min(self.names.len()))?);
        }
        Ok(pages)
    }

    /// Panels with these cells.
    pub(crate) fn plan(
        &self,
        size: Size,
        cells: Vec<Cell>,
        (letter, note): (Option<char>, Vec<String>),
    ) -> Plan {
        Plan {
            size,
            cells,
            columns: Some(self.columns(size.width_mm())),
            least_panel_mm: self.least_panel_mm,
            sharing: Sharing::Rows,
            square: false,
            keys: Vec::new(),
            letter,
            note,
        }
    }

    /// The title of a part's page, and the names of its rows.
    pub(crate) fn titled(&self, title: &str, part: &Range<usize>) -> (String, String) {
        let named = self.names[part.clone()].iter().map(|(name, _)| *name);
        let named: Vec<&str> = named.collect();
        let title = if part.len() < self.names.len() {
            let (first, last, all) = (part.start + 1, part.end, self.names.len());
            format!("{title}, rows {first} to {last} of {all}")
        } else {
            title.to_owned()
        };
        (title, format!("Rows: {}.", named.join(", ")))
    }
}
