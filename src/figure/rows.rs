//! Named rows with a value and its interval each, panels side by side: precision
//! by method, contrasts of strains.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawable, row_at};
use crate::figure::board::Board;
use crate::figure::frame::{Figure, Frame};
use crate::figure::grid::{Cell, Head};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{CURVE_PT, GREY, Pen, REFERENCE_DASH, SMALL_PT, Size, Style, WHITE};
use crate::figure::picture::Picture;
use crate::figure::points::Ranged;
use crate::figure::row_frame::RowFrame;
use crate::figure::scene::{Anchor, Marks};
use crate::figure::series::{Quantity, count};
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
    /// Unit of ages, and what n counts.
    pub frame: Frame,
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
/// no difference, and P. Bars and P are adjusted alike, so that a bar leaves the line of no
/// difference where P is below the level.
#[derive(Debug, Clone, Default)]
pub struct Forest {
    /// What was compared, for the title: "body weight".
    pub of: String,
    /// The contrasts, from top to bottom: "Line B − Line A".
    pub contrasts: Vec<String>,
    /// A panel a term or derived quantity.
    pub panels: Vec<RowsPanel>,
    /// What the bars are, for the note: "simultaneous 95 % intervals (greatest t)".
    pub interval: String,
    /// What P is, for the note: adjusted as the bars are, or of one comparison as they are.
    pub p_value: String,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
}

/// One panel of [`MethodPrecision`] or [`Forest`].
#[derive(Debug, Clone, Default)]
pub struct RowsPanel {
    /// What stands over it: "Fat", "Asymptote".
    pub name: String,
    /// Its x axis: "RMS SD", "g"; "Difference", "g/d".
    pub quantity: Quantity,
    /// A value a row, in the order of the rows; [`Ranged::NONE`] where there is none.
    pub values: Vec<Ranged>,
    /// Words over each bar, such as "P = 0.012"; may be empty.
    pub words: Vec<String>,
}

impl Figure for MethodPrecision {
    fn size(&self, width_mm: f64) -> Result<Size> {
        self.rows().frame.size(width_mm)
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        self.rows().pages(size)
    }
}

impl Figure for Forest {
    fn size(&self, width_mm: f64) -> Result<Size> {
        self.rows().frame.size(width_mm)
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        self.rows().pages(size)
    }
}

impl MethodPrecision {
    fn rows(&self) -> Rows<'_> {
        let mut note = vec!["n: degrees of freedom.".to_owned()];
        if !self.interval.is_empty() {
            note.insert(0, format!("Bars: {}.", self.interval));
        }
        let methods = self.methods.iter();
        Rows {
            frame: frame(
                methods.map(|m| (m.name.as_str(), count(m.df))).collect(),
                &self.panels,
            ),
            panels: &self.panels,
            letter: self.frame.letter,
            note,
            title: "Precision of repeated scans by method".to_owned(),
            reference: Reference::Floor,
        }
    }
}

impl Forest {
    fn rows(&self) -> Rows<'_> {
        let mut note = Vec::new();
        if !self.interval.is_empty() {
            note.push(format!("Bars: {}.", self.interval));
        }
        if !self.p_value.is_empty() {
            note.push(format!("P: {}.", self.p_value));
        }
        note.push("Thin dashed: no difference; hollow: the bar reaches it.".to_owned());
        let contrasts = self.contrasts.iter();
        Rows {
            frame: frame(
                contrasts
                    .map(|name| (name.as_str(), String::new()))
                    .collect(),
                &self.panels,
            ),
            panels: &self.panels,
            letter: self.frame.letter,
            note,
            title: format!("Contrasts in {}", self.of),
            reference: Reference::NoDifference,
        }
    }
}

fn frame<'a>(names: Vec<(&'a str, String)>, panels: &[RowsPanel]) -> RowFrame<'a> {
    RowFrame {
        names,
        panels: panels.len(),
        least_panel_mm: 30.0,
        row_mm: 6.6,
        most_rows: 30,
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
    frame: RowFrame<'a>,
    panels: &'a [RowsPanel],
    letter: Option<char>,
    note: Vec<String>,
    title: String,
    reference: Reference,
}

impl Rows<'_> {
    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        self.frame.pages(size, |part| self.part(size, part))
    }

    /// The pages of some of the rows, on the x axes of all.
    fn part(&self, size: Size, part: Range<usize>) -> Result<Vec<Picture>> {
        let y = self.frame.axis(size.width_mm(), part.clone());
        let cells = self.panels.iter().map(|p| Cell {
            head: Head {
                name: p.name.clone(),
                ..Head::default()
            },
            x: Axis::new(p.quantity.words(), Scale::Number)
                .hold(p.values.iter().flat_map(|v| v.all()))
                .with_zero(),
            y: y.clone(),
            places: Vec::new(),
        });
        let plan = self
            .frame
            .plan(size, cells.collect(), (self.letter, self.note.clone()));
        let board = Board::lay(plan)?;
        for (panel, content) in board.panels.iter().zip(self.panels) {
            if !panel.x.ticks.is_empty() {
                self.draw_panel(panel, content, part.clone())?;
            }
        }
        let (title, rows) = self.frame.titled(&self.title, &part);
        Ok(board.finish(&title, &rows))
    }

    fn draw_panel(&self, panel: &Panel, content: &RowsPanel, part: Range<usize>) -> Result<()> {
        let style = Style::of(0);
        if self.reference == Reference::NoDifference {
            panel.upright(0.0, &Pen::solid(GREY, 0.6).dashed(REFERENCE_DASH))?;
        }
        let rows = part.len();
        for (at, row) in part.enumerate() {
            let name = self.frame.names[row].0;
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
                panel.dots(&dots, &marks(0.6, WHITE))?;
            }
            panel.close();
            let place = panel.place((value.value, y));
            let words = p_words(content.words.get(row).map_or("", String::as_str));
            let half = 0.5 * words.width_mm(SMALL_PT);
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

/// "P = 0.012" with the P slanted.
fn p_words(text: &str) -> Words {
    match text.strip_prefix('P') {
        Some(rest) => Words::default().italic("P").then(rest),
        None => Words::plain(text),
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
