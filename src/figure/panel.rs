//! Series in one panel, through plotters' coordinates.

use crate::error::{Error, Result};
use crate::figure::axes::{FittedAxis, drawable};
use crate::figure::backend::{SceneBackend, SharedScene, mm, units};
use crate::figure::paper::{Colour, GREY, MM_PER_PT, Pen, SMALL_PT};
use crate::figure::scene::{Anchor, Lettering, Marks, Turn};
use crate::figure::words::{Words, wrap};
use plotters::coord::Shift;
use plotters::coord::cartesian::Cartesian2d;
use plotters::coord::types::RangedCoordf64;
use plotters::drawing::DrawingArea;
use plotters::element::{Drawable, PointCollection, Polygon};
use plotters::series::LineSeries;
use plotters::style::{RGBColor, ShapeStyle};
use plotters_backend::{BackendCoord, DrawingErrorKind};
use std::cell::RefCell;
use std::convert::Infallible;
use std::rc::Rc;

/// A rectangle in mm from the sheet's top left.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Rect {
    pub left: f64,
    pub top: f64,
    pub right: f64,
    pub bottom: f64,
}

impl Rect {
    pub(crate) fn width(&self) -> f64 {
        self.right - self.left
    }

    pub(crate) fn height(&self) -> f64 {
        self.bottom - self.top
    }

    pub(crate) fn middle(&self) -> (f64, f64) {
        (
            0.5 * (self.left + self.right),
            0.5 * (self.top + self.bottom),
        )
    }
}

/// One panel: its place, its axes, and the series drawn in it.
pub(crate) struct Panel {
    area: DrawingArea<SceneBackend, Cartesian2d<RangedCoordf64, RangedCoordf64>>,
    dash: Rc<RefCell<&'static [f64]>>,
    pub scene: SharedScene,
    pub rect: Rect,
    pub x: FittedAxis,
    pub y: FittedAxis,
}

/// A marker at a place in data units, with what a pointer on it shows.
pub(crate) struct Dot {
    pub place: (f64, f64),
    pub title: String,
}

struct Marked<'a> {
    dot: &'a Dot,
    marks: &'a Marks,
}

impl<'a> PointCollection<'a, (f64, f64)> for &'a Marked<'a> {
    type Point = &'a (f64, f64);
    type IntoIter = std::iter::Once<&'a (f64, f64)>;

    fn point_iter(self) -> Self::IntoIter {
        std::iter::once(&self.dot.place)
    }
}

impl Drawable<SceneBackend> for Marked<'_> {
    fn draw<I: Iterator<Item = BackendCoord>>(
        &self,
        places: I,
        backend: &mut SceneBackend,
        _: (u32, u32),
    ) -> std::result::Result<(), DrawingErrorKind<Infallible>> {
        let mut scene = backend.scene().borrow_mut();
        for place in places {
            scene.mark(mm(place), self.marks, &self.dot.title);
        }
        Ok(())
    }
}

/// What plotters could not do; with our backend only a bug brings it about.
fn undrawn(error: impl std::fmt::Display) -> Error {
    Error::call(format!("figure: a series could not be drawn ({error})"))
}

fn style(colour: Colour, opacity: f64, width_pt: f64) -> ShapeStyle {
    use plotters::style::Color as _;
    ShapeStyle {
        color: RGBColor(colour.0, colour.1, colour.2).mix(opacity),
        filled: true,
        stroke_width: units(width_pt * MM_PER_PT).unsigned_abs(),
    }
}

impl Panel {
    pub(crate) fn new(
        root: &DrawingArea<SceneBackend, Shift>,
        dash: &Rc<RefCell<&'static [f64]>>,
        scene: &SharedScene,
        rect: Rect,
        (x, y): (FittedAxis, FittedAxis),
    ) -> Self {
        let across = units(rect.left)..units(rect.right);
        let up = units(rect.bottom)..units(rect.top);
        let coordinates = Cartesian2d::new(x.lo..x.hi, y.lo..y.hi, (across, up));
        Self {
            area: root.apply_coord_spec(coordinates),
            dash: Rc::clone(dash),
            scene: Rc::clone(scene),
            rect,
            x,
            y,
        }
    }

    /// Where a place in data units is on the sheet, in mm.
    pub(crate) fn place(&self, place: (f64, f64)) -> (f64, f64) {
        mm(self.area.map_coordinate(&place))
    }

    /// A line, broken where a value cannot be drawn.
    pub(crate) fn line(&self, points: &[(f64, f64)], pen: &Pen) -> Result<()> {
        *self.dash.borrow_mut() = pen.dash;
        for stretch in points.split(|p| !(drawable(p.0) && drawable(p.1))) {
            if stretch.len() > 1 {
                let style = style(pen.colour, pen.opacity, pen.width_pt);
                for element in LineSeries::new(stretch.iter().copied(), style) {
                    self.area.draw(&element).map_err(undrawn)?;
                }
            }
        }
        *self.dash.borrow_mut() = &[];
        Ok(())
    }

    /// A level line across the panel.
    pub(crate) fn level(&self, y: f64, pen: &Pen) -> Result<()> {
        self.line(&[(self.x.lo, y), (self.x.hi, y)], pen)
    }

    /// A band between lower and upper edges (x, lower, upper).
    pub(crate) fn band(
        &self,
        edges: &[(f64, f64, f64)],
        colour: Colour,
        opacity: f64,
    ) -> Result<()> {
        let whole = |e: &(f64, f64, f64)| drawable(e.0) && drawable(e.1) && drawable(e.2);
        for stretch in edges.split(|e| !whole(e)) {
            if stretch.len() > 1 {
                let there = stretch.iter().map(|e| (e.0, e.2));
                let back = stretch.iter().rev().map(|e| (e.0, e.1));
                let outline: Vec<(f64, f64)> = there.chain(back).collect();
                let polygon = Polygon::new(outline, style(colour, opacity, 0.0));
                self.area.draw(&polygon).map_err(undrawn)?;
            }
        }
        Ok(())
    }

    /// Markers that look alike.
    pub(crate) fn dots(&self, dots: &[Dot], marks: &Marks) -> Result<()> {
        let can = |dot: &&Dot| drawable(dot.place.0) && drawable(dot.place.1);
        if dots.iter().filter(can).count() == 0 {
            return Ok(());
        }
        self.scene.borrow_mut().open_marks(marks);
        for dot in dots.iter().filter(can) {
            self.area.draw(&Marked { dot, marks }).map_err(undrawn)?;
        }
        self.scene.borrow_mut().close();
        Ok(())
    }

    /// Opens a group around what is drawn next.
    pub(crate) fn open(&self, class: &str, data: &[(&str, &str)]) {
        self.scene.borrow_mut().open(class, data);
    }

    /// Gives the open group a title.
    pub(crate) fn title(&self, words: &str) {
        self.scene.borrow_mut().title(words);
    }

    /// Closes the group opened last.
    pub(crate) fn close(&self) {
        self.scene.borrow_mut().close();
    }

    /// An upright line across the panel.
    pub(crate) fn upright(&self, x: f64, pen: &Pen) -> Result<()> {
        self.line(&[(x, self.y.lo), (x, self.y.hi)], pen)
    }

    /// A filled outline in data units.
    pub(crate) fn area(&self, outline: &[(f64, f64)], colour: Colour) -> Result<()> {
        let outline: Vec<(f64, f64)> = outline
            .iter()
            .copied()
            .filter(|p| drawable(p.0) && drawable(p.1))
            .collect();
        if outline.len() < 3 {
            return Ok(());
        }
        let polygon = Polygon::new(outline, style(colour, 1.0, 0.0));
        self.area.draw(&polygon).map_err(undrawn)
    }

    /// The line y = x as far as both axes reach.
    pub(crate) fn identity(&self, pen: &Pen) -> Result<()> {
        let (lo, hi) = (self.x.lo.max(self.y.lo), self.x.hi.min(self.y.hi));
        self.line(&[(lo, lo), (hi, hi)], pen)
    }

    /// Small letters at a place in mm.
    pub(crate) fn label(&self, place_mm: (f64, f64), words: &Words, anchor: Anchor) {
        let lettering = Lettering {
            pt: SMALL_PT,
            colour: GREY,
            anchor,
            turned: Turn::Level,
        };
        self.scene.borrow_mut().text(place_mm, words, &lettering);
    }

    /// A few words in the panel's lower right or upper left: where what rises
    /// leaves room, whichever covers fewer of the points.
    pub(crate) fn annotate(&self, text: &str, points: &[(f64, f64)]) {
        const ROW_MM: f64 = 2.5;
        let rect = self.rect;
        let mut lines = wrap(text, SMALL_PT, 0.68 * rect.width());
        if lines.len() > 3 {
            lines.truncate(3);
            if let Some(last) = lines.last_mut() {
                last.push('…');
            }
        }
        let width = lines
            .iter()
            .map(|line| Words::plain(line).width_mm(SMALL_PT))
            .fold(0.0, f64::max);
        let height: f64 = lines.iter().map(|_| ROW_MM).sum();
        let places: Vec<(f64, f64)> = points.iter().map(|&p| self.place(p)).collect();
        let covered = |inside: &dyn Fn((f64, f64)) -> bool| {
            places.iter().filter(|&&place| inside(place)).count()
        };
        // A marker's radius and some air.
        let clear = 1.2;
        let lower = covered(&|(x, y)| {
            x > rect.right - width - clear && y > rect.bottom - height - 1.2 - clear
        });
        let upper =
            covered(&|(x, y)| x < rect.left + width + 1.0 + clear && y < rect.top + height + clear);
        let (x, first, anchor) = if lower <= upper {
            (rect.right - 0.3, rect.bottom - height - 1.2, Anchor::End)
        } else {
            (rect.left + 1.0, rect.top - 0.4, Anchor::Start)
        };
        let mut baseline = first;
        for line in lines {
            baseline += ROW_MM;
            self.label((x, baseline), &Words::plain(line), anchor);
        }
    }
}
