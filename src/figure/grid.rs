//! What is to be laid out on a sheet, and where its panels lie.

use crate::error::{Error, Result};
use crate::figure::axes::{Axis, FittedAxis, Way};
use crate::figure::legend::Key;
use crate::figure::panel::Rect;
use crate::figure::paper::{LETTER_PT, MM_PER_PT, Size};

/// Which panels have axis titles and labels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Sharing {
    /// Common axes: labels at the left and the bottom of the grid only.
    Common,
    /// Each panel has its axes.
    Own,
    /// One y axis along each row, at its left; an x axis for each panel.
    Rows,
    /// One y axis a row and one x axis a column; a cell without data stays blank.
    Matrix,
}

/// What stands over a panel.
#[derive(Debug, Clone, Default)]
pub(crate) struct Head {
    pub name: String,
    pub n: String,
    /// A few words behind the name; may be empty.
    pub fact: String,
    pub flag: String,
}

/// One panel to be.
#[derive(Debug, Clone)]
pub(crate) struct Cell {
    pub head: Head,
    pub x: Axis,
    pub y: Axis,
    /// Places in data units that a legend must not cover.
    pub places: Vec<(f64, f64)>,
}

/// What is to be laid out.
#[derive(Debug, Clone)]
pub(crate) struct Plan {
    pub size: Size,
    pub cells: Vec<Cell>,
    /// Panels side by side; where not given, as many as have room.
    pub columns: Option<usize>,
    pub least_panel_mm: f64,
    pub sharing: Sharing,
    /// Whether each panel is square, with the same axis across and up.
    pub square: bool,
    pub keys: Vec<Key>,
    pub letter: Option<char>,
    /// Sentences under the panels.
    pub note: Vec<String>,
}

/// The axes of a panel, across and up.
pub(super) type Axes = (FittedAxis, FittedAxis);

/// Where the panels of one sheet lie.
pub(super) struct Grid {
    pub(super) columns: usize,
    pub(super) rects: Vec<Rect>,
    /// From a panel's left edge to the edge of its column of letters.
    pub(super) left_mm: f64,
    /// From one row of panels to the next.
    pub(super) row_mm: f64,
    /// Below a panel: tick, label, weeks where there are any, title.
    pub(super) below_mm: f64,
}

pub(super) const EDGE_MM: f64 = 1.2;
pub(super) const TICK_MM: f64 = 1.0;
pub(super) const NOTE_ROW_MM: f64 = 2.65;
/// Below the panel: tick, label, title.
const BELOW_MM: f64 = TICK_MM + 3.2 + 3.6;
/// Weeks beneath the days of an axis.
pub(super) const WEEKS_MM: f64 = 2.5;
pub(super) const HEAD_MM: f64 = 4.0;
/// From the letter of a panel inside a row to the panel's left edge.
pub(super) const LETTER_ASIDE_MM: f64 = 3.0;
/// Lines of a note on a sheet of a page's width, and on a narrower one.
pub(super) fn most_note_lines(width_mm: f64) -> usize {
    if width_mm < 120.0 { 4 } else { 2 }
}
pub(super) const LEAST_HEIGHT_MM: f64 = 11.0;

/// Panels side by side at a sheet's width, rows filled evenly.
pub(crate) fn columns(panels: usize, width_mm: f64, least_panel_mm: f64) -> usize {
    let mut most = 1;
    let mut taken = 12.0 + 2.0 * least_panel_mm;
    while taken <= width_mm && most < panels {
        most += 1;
        taken += least_panel_mm;
    }
    let rows = panels.max(1).div_ceil(most);
    panels.max(1).div_ceil(rows)
}

/// Rows that this number of panels take, for the height of a sheet.
pub(crate) fn rows(panels: usize, columns: usize) -> f64 {
    count(panels.max(1).div_ceil(columns))
}

impl Grid {
    /// The rectangle round all panels.
    pub(super) fn whole(&self) -> Rect {
        let mut whole = self.rects[0];
        for rect in &self.rects {
            whole.right = whole.right.max(rect.right);
            whole.bottom = whole.bottom.max(rect.bottom);
        }
        whole
    }

    pub(super) fn lay(plan: &Plan, note_lines: usize, strip_mm: f64) -> Result<(Grid, Vec<Axes>)> {
        let n = plan.cells.len();
        let columns = plan.columns.unwrap_or(1);
        let rows = n.div_ceil(columns);
        let (columns_f, rows_f) = (count(columns), count(rows));
        let headed = plan.letter.is_some() || plan.cells.iter().any(|c| !c.head.name.is_empty());
        let head = if headed { HEAD_MM } else { 1.4 };
        let top = EDGE_MM + strip_mm + head;
        let note = count(note_lines) * NOTE_ROW_MM + if note_lines > 0 { 0.8 } else { 0.0 };
        let weeks = plan.cells.iter().any(|cell| cell.x.has_weeks());
        let below_mm = BELOW_MM + if weeks { WEEKS_MM } else { 0.0 };
        let bottom = plan.size.height_mm() - EDGE_MM - note - below_mm;
        let row_gap = head
            + match plan.sharing {
                Sharing::Common | Sharing::Matrix => TICK_MM + 1.2,
                Sharing::Own | Sharing::Rows => below_mm + 1.5,
            };
        let mut height = (bottom - top - (rows_f - 1.0) * row_gap) / rows_f;
        let fitted = |height| -> Vec<FittedAxis> {
            let cells = plan.cells.iter();
            cells.map(|cell| cell.y.fit(height, Way::Up)).collect()
        };
        let mut ups = fitted(height);
        let label_mm = ups.iter().map(FittedAxis::label_mm).fold(0.0, f64::max);
        let titled = plan.cells.iter().any(|cell| cell.y.is_titled());
        let left = left_mm(label_mm, titled);
        let last_label = 2.2;
        let column_gap = match plan.sharing {
            Sharing::Common | Sharing::Matrix => 3.6,
            Sharing::Rows => LETTER_ASIDE_MM + 2.2,
            Sharing::Own => left + last_label,
        };
        let across = plan.size.width_mm() - left - EDGE_MM - last_label;
        let mut width = (across - (columns_f - 1.0) * column_gap) / columns_f;
        if plan.square {
            width = width.min(height);
            height = width;
            ups = fitted(height);
        }
        if height < LEAST_HEIGHT_MM || width < LEAST_HEIGHT_MM {
            let lacking = (LEAST_HEIGHT_MM - height).max(0.0) * rows_f;
            return Err(Error::call(format!(
                "figure of {} x {} mm: no room for {n} panels, expected a height of at least \
                 {:.0} mm: give more height, or draw fewer panels",
                plan.size.width_mm(),
                plan.size.height_mm(),
                (plan.size.height_mm() + lacking).ceil()
            )));
        }
        let mut rects = Vec::with_capacity(n);
        let mut axes = Vec::with_capacity(n);
        for (index, (cell, up)) in plan.cells.iter().zip(ups).enumerate() {
            let (row, column) = (count(index / columns), count(index % columns));
            let (x, y) = (
                left + column * (width + column_gap),
                top + row * (height + row_gap),
            );
            rects.push(Rect {
                left: x,
                top: y,
                right: x + width,
                bottom: y + height,
            });
            let across = if plan.square {
                cell.x.across(&up, width)
            } else {
                cell.x.fit(width, Way::Across)
            };
            axes.push((across, up));
        }
        let grid = Grid {
            columns,
            rects,
            left_mm: left,
            row_mm: height + row_gap,
            below_mm,
        };
        Ok((grid, axes))
    }
}

fn left_mm(label_mm: f64, titled: bool) -> f64 {
    let title = if titled {
        LETTER_PT * MM_PER_PT + 0.9
    } else {
        0.0
    };
    EDGE_MM + title + label_mm + 0.7 + TICK_MM
}

pub(crate) fn count(n: usize) -> f64 {
    n as f64
}
