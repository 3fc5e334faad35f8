//! Named rows with a value and its interval each, panels side by side: precision
//! by method, contrasts of strains.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawable, row_at};
use crate::figure::board::{Board, Cell, Head, Plan, Sharing, columns, count, on_one_sheet};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{Breaks, CURVE_PT, GREY, Pen, REFERENCE_DASH, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::points::Ranged;
use crate::figure::scene::{Anchor, Marks};
use crate::figure::series;
use crate::figure::words::Words;
use std::ops::Range;

/// How precise is each way of scanning: root-mean-square SD or CV by method with
/// its interval, a panel a trait.
#[derive(Debug, Clone, Default)]
pub struct MethodPrecision {
    /// The methods, from top to bottom.
    pub methods: Vec<Method>,
    /// A panel a trait.
    pub panels: Vec<RowsPanel>,
    /// What the bars are, for the note: "95 % intervals (chi-squared)".
    pub interval: String,
    /// Letter of the first panel.
    pub letter: Option<char>,
}

/// A way of scanning, one row of [`MethodPrecision`].
#[derive(Debug, Clone, Default)]
pub struct Method {
    /// Its name: "cone, feathered".
    pub name: String,
    /// Degrees of freedom that its precision rests on.
    pub df: usize,
}

/// How do strains differ in each term: contrasts with their intervals, the line of
/// no difference, adjusted p in words.
#[derive(Debug, Clone, Default)]
pub struct Forest {
    /// The contrasts, from top to bottom: "Line B − Line A".
    pub contrasts: Vec<String>,
    /// A panel a term or derived quantity.
    pub panels: Vec<RowsPanel>,
    /// What the bars are, for the note: "95 % simultaneous intervals (Tukey)".
    pub interval: String,
    /// How p was adjusted, for the note: "Holm"; empty where it was not.
    pub adjustment: String,
    /// Letter of the first panel.
    pub letter: Option<char>,
}

/// One panel of [`MethodPrecision`] or [`Forest`].
#[derive(Debug, Clone, Default)]
pub struct RowsPanel {
    /// What stands over it: "Fat", "Asymptote".
    pub name: String,
    /// Its x axis: "RMS SD (g)", "Difference (%)".
    pub label: String,
    /// A value a row, in the order of the rows; [`Ranged::NONE`] where there is none.
    pub values: Vec<Ranged>,
    /// Words over each bar, such as "p = 0.012"; may be empty.
    pub words: Vec<String>,
}

impl MethodPrecision {
    /// A size with room for its rows and panels at this width.
    ///
    /// # Errors
    /// As [`Size::new`].
    pub fn size(&self, width_mm: f64) -> Result<Size> {
        self.rows().size(width_mm)
    }

    /// Draws the figure on one sheet.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for the panels.
    pub fn draw(&self, size: Size) -> Result<Picture> {
        on_one_sheet(size, |size| self.pages(size))
    }

    /// Draws the figure on as many pages as its panels need, where the size allows pages
    /// ([`Size::in_pages`], or what `size` gives); all have the same axes.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for one row of panels.
    pub fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        self.rows().pages(size)
    }

    fn rows(&self) -> Rows<'_> {
        let mut note = vec!["n: degrees of freedom.".to_owned()];
        if !self.interval.is_empty() {
            note.insert(0, format!("Bars: {}.", self.interval));
        }
        Rows {
            names: self
                .methods
                .iter()
                .map(|m| (m.name.as_str(), series::count(m.df)))
                .collect(),
            panels: &self.panels,
            letter: self.letter,
            note,
            title: "Precision of repeated scans by method",
            reference: Reference::Floor,
        }
    }
}

impl Forest {
    /// A size with room for its rows and panels at this width.
    ///
    /// # Errors
    /// As [`Size::new`].
    pub fn size(&self, width_mm: f64) -> Result<Size> {
        self.rows().size(width_mm)
    }

    /// Draws the figure on one sheet.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for the panels.
    pub fn draw(&self, size: Size) -> Result<Picture> {
        on_one_sheet(size, |size| self.pages(size))
    }

    /// Draws the figure on as many pages as its panels need, where the size allows pages
    /// ([`Size::in_pages`], or what `size` gives); all have the same axes.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for one row of panels.
    pub fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        self.rows().pages(size)
    }

    fn rows(&self) -> Rows<'_> {
        let mut note = Vec::new();
        if !self.interval.is_empty() {
            note.push(format!("Bars: {}.", self.interval));
        }
        note.push("Thin dashed: no difference; filled: the bar does not reach it.".to_owned());
        if !self.adjustment.is_empty() {
            note.push(format!("p: adjusted ({}).", self.adjustment));
        }
        Rows {
            names: self
                .contrasts
                .iter()
                .map(|name| (name.as_str(), String::new()))
                .collect(),
            panels: &self.panels,
            letter: self.letter,
            note,
            title: "Contrasts by term",
            reference: Reference::NoDifference,
        }
    }
}

/// What zero means on the x axis.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Reference {
    /// The least that a value can be.
    Floor,
    /// No difference.
    NoDifference,
}

struct Rows<'a> {
    names: Vec<(&'a str, String)>,
    panels: &'a [RowsPanel],
    letter: Option<char>,
    note: Vec<String>,
    title: &'static str,
    reference: Reference,
}

const LEAST_PANEL_MM: f64 = 27.0;
const ROW_MM: f64 = 6.6;
/// Rows that a page has room for.
const MOST_ROWS: usize = 30;
const LEAST_PANEL_HEIGHT_MM: f64 = 25.0;
/// What the column of names may take of the width.
const NAMES_SHARE: f64 = 0.36;

impl Rows<'_> {
    fn axis(&self, width_mm: f64, part: Range<usize>) -> Axis {
        let names = self.names[part].iter().map(|(name, n)| (*name, n.clone()));
        Axis::rows(names, NAMES_SHARE * width_mm)
    }

    fn columns(&self, width_mm: f64) -> usize {
        let whole = 0..self.names.len();
        let names = self
            .axis(width_mm, whole)
            .fit(100.0, crate::figure::axes::Way::Up);
        columns(
            self.panels.len(),
            width_mm - names.label_mm(),
            LEAST_PANEL_MM,
        )
    }

    /// Rows in a panel: as many parts as they need, filled evenly.
    fn in_part(&self) -> usize {
        let rows = self.names.len().max(1);
        rows.div_ceil(rows.div_ceil(MOST_ROWS))
    }

    fn size(&self, width_mm: f64) -> Result<Size> {
        // A single row still needs what the sheet asks of any panel, and the note its lines.
        let panel_mm = (16.0 + ROW_MM * count(self.in_part())).max(LEAST_PANEL_HEIGHT_MM);
        let rows = self.panels.len().max(1).div_ceil(self.columns(width_mm));
        let size = Size::of_rows(width_mm, (8.0, panel_mm), rows)?;
        Ok(if self.in_part() < self.names.len() {
            size.with_breaks()
        } else {
            size
        })
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        if size.breaks() == Breaks::Never {
            return self.part(size, 0..self.names.len());
        }
        let mut pages = Vec::new();
        for first in (0..self.names.len().max(1)).step_by(self.in_part()) {
            let last = (first + self.in_part()).min(self.names.len());
            pages.extend(self.part(size, first..last)?);
        }
        Ok(pages)
    }

    /// The pages of some of the rows, on the x axes of all.
    fn part(&self, size: Size, part: Range<usize>) -> Result<Vec<Picture>> {
        let y = self.axis(size.width_mm(), part.clone());
        let cells = self.panels.iter().map(|p| Cell {
            head: Head {
                name: p.name.clone(),
                ..Head::default()
            },
            x: Axis::new(Words::plain(&p.label), Scale::Number)
                .hold(p.values.iter().flat_map(|v| v.all()))
                .with_zero(),
            y: y.clone(),
            places: Vec::new(),
        });
        let board = Board::lay(Plan {
            size,
            cells: cells.collect(),
            columns: Some(self.columns(size.width_mm())),
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Rows,
            keys: Vec::new(),
            letter: self.letter,
            note: self.note.clone(),
        })?;
        for (panel, content) in board.panels.iter().zip(self.panels) {
            if !panel.x.ticks.is_empty() {
                self.draw_panel(panel, content, part.clone())?;
            }
        }
        let names: Vec<&str> = self.names[part.clone()]
            .iter()
            .map(|(name, _)| *name)
            .collect();
        let title = if part.len() < self.names.len() {
            let (first, last, all) = (part.start + 1, part.end, self.names.len());
            format!("{}, rows {first} to {last} of {all}", self.title)
        } else {
            self.title.to_owned()
        };
        Ok(board.finish(&title, &format!("Rows: {}.", names.join(", "))))
    }

    fn draw_panel(&self, panel: &Panel, content: &RowsPanel, part: Range<usize>) -> Result<()> {
        let style = Style::of(0);
        if self.reference == Reference::NoDifference {
            panel.upright(0.0, &Pen::solid(GREY, 0.6).dashed(REFERENCE_DASH))?;
        }
        let rows = part.len();
        for (at, row) in part.enumerate() {
            let name = self.names[row].0;
            let value = content.values.get(row).copied().unwrap_or(Ranged::NONE);
            let y = row_at(rows, at);
            if !drawable(value.value) {
                let middle = panel.rect.middle().0;
                let baseline = panel.place((panel.x.lo, y)).1 + 0.7;
                let words = Words::plain("not estimated");
                panel.label((middle, baseline), &words, Anchor::Middle);
                continue;
            }
            panel.open("row", &[("name", name)]);
            let ends = [(value.lower, y), (value.upper, y)];
            panel.line(&ends, &Pen::solid(style.colour, CURVE_PT))?;
            let dot = Dot {
                place: (value.value, y),
                title: format!("{name}: {}", value.words()),
            };
            let reaches = value.lower <= 0.0 && value.upper >= 0.0;
            let marks = |radius_mm, colour| Marks {
                shape: style.shape,
                radius_mm,
                colour,
                opacity: 1.0,
            };
            let dots = [dot];
            panel.dots(&dots, &marks(0.95, style.colour))?;
            if reaches && self.reference == Reference::NoDifference {
                panel.dots(&dots, &marks(0.6, crate::figure::paper::WHITE))?;
            }
            panel.close();
            let place = panel.place((value.value, y));
            let words = content.words.get(row).map_or("", String::as_str);
            let words = Words::plain(words.replace('-', "−"));
            let half = 0.5 * words.width_mm(crate::figure::paper::SMALL_PT);
            let x = match self.reference {
                Reference::Floor => place.0,
                Reference::NoDifference => beside(place.0, panel.place((0.0, y)).0, half),
            };
            let x = x
                .min(panel.rect.right - half)
                .max(panel.rect.left + half + 0.5);
            panel.label((x, place.1 - 1.3), &words, Anchor::Middle);
        }
        Ok(())
    }
}

/// Where words of a half width have their middle, so that they do not stand on the
/// upright line at `line`; all in mm.
fn beside(x: f64, line: f64, half: f64) -> f64 {
    let clear = half + 0.7;
    if x >= line {
        x.max(line + clear)
    } else {
        x.min(line - clear)
    }
}
