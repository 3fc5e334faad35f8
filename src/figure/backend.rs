//! plotters' drawing backend over our own scene.
//!
//! 100 units to the millimetre, so that plotters' whole-number coordinates do no
//! harm (a hundredth of a millimetre is a quarter of a dot at 600 dpi). The scene
//! is shared: the figure's code opens groups and titles around what plotters
//! draws and sets how the next lines are dashed, which plotters cannot.

use crate::figure::font::{self, Cut};
use crate::figure::paper::{Colour, MM_PER_PT, Pen, Shape};
use crate::figure::scene::{Anchor, Lettering, Marks, Scene, Turn};
use crate::figure::words::Words;
use plotters_backend::text_anchor::{HPos, VPos};
use plotters_backend::{
    BackendColor, BackendCoord, BackendStyle, BackendTextStyle, DrawingBackend, DrawingErrorKind,
    FontStyle, FontTransform,
};
use std::cell::RefCell;
use std::convert::Infallible;
use std::rc::Rc;

/// Backend units in a millimetre.
pub(crate) const UNITS_PER_MM: f64 = 100.0;

/// The scene, shared between plotters and the figure's own code.
pub(crate) type SharedScene = Rc<RefCell<Scene>>;

/// Writes what plotters draws into a scene.
pub(crate) struct SceneBackend {
    scene: SharedScene,
    dash: Rc<RefCell<&'static [f64]>>,
}

impl SceneBackend {
    /// The backend and the handle on the dashes of the lines to come.
    pub(crate) fn new(scene: SharedScene) -> (Self, Rc<RefCell<&'static [f64]>>) {
        let dash: Rc<RefCell<&'static [f64]>> = Rc::new(RefCell::new(&[]));
        let backend = Self {
            scene,
            dash: Rc::clone(&dash),
        };
        (backend, dash)
    }

    /// The scene, for an element of our own.
    pub(crate) fn scene(&self) -> &SharedScene {
        &self.scene
    }

    fn pen<S: BackendStyle>(&self, style: &S) -> Pen {
        let (colour, opacity) = colour(style.color());
        Pen {
            colour,
            width_pt: f64::from(style.stroke_width()) / UNITS_PER_MM / MM_PER_PT,
            dash: *self.dash.borrow(),
            opacity,
        }
    }
}

/// A backend coordinate in mm.
pub(crate) fn mm((x, y): BackendCoord) -> (f64, f64) {
    (f64::from(x) / UNITS_PER_MM, f64::from(y) / UNITS_PER_MM)
}

/// Millimetres as whole backend units.
#[expect(
    clippy::cast_possible_truncation,
    reason = "a sheet is at most 1000 mm, 100,000 units"
)]
pub(crate) fn units(mm: f64) -> i32 {
    (mm * UNITS_PER_MM).round() as i32
}

fn colour(colour: BackendColor) -> (Colour, f64) {
    let (r, g, b) = colour.rgb;
    (Colour(r, g, b), colour.alpha)
}

type Drawn = Result<(), DrawingErrorKind<Infallible>>;

impl DrawingBackend for SceneBackend {
    type ErrorType = Infallible;

    fn get_size(&self) -> (u32, u32) {
        let size = self.scene.borrow().size();
        (
            units(size.width_mm()).unsigned_abs(),
            units(size.height_mm()).unsigned_abs(),
        )
    }

    fn ensure_prepared(&mut self) -> Drawn {
        Ok(())
    }

    fn present(&mut self) -> Drawn {
        Ok(())
    }

    fn draw_pixel(&mut self, (x, y): BackendCoord, color: BackendColor) -> Drawn {
        self.draw_rect((x, y), (x + 1, y + 1), &color, true)
    }

    fn draw_line<S: BackendStyle>(
        &mut self,
        from: BackendCoord,
        to: BackendCoord,
        style: &S,
    ) -> Drawn {
        self.draw_path([from, to], style)
    }

    fn draw_rect<S: BackendStyle>(
        &mut self,
        (x0, y0): BackendCoord,
        (x1, y1): BackendCoord,
        style: &S,
        fill: bool,
    ) -> Drawn {
        let corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)];
        if fill {
            self.fill_polygon(corners, style)
        } else {
            self.draw_path(corners.into_iter().chain([(x0, y0)]), style)
        }
    }

    fn draw_path<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(
        &mut self,
        path: I,
        style: &S,
    ) -> Drawn {
        let points: Vec<(f64, f64)> = path.into_iter().map(mm).collect();
        let pen = self.pen(style);
        self.scene.borrow_mut().path(&points, &pen);
        Ok(())
    }

    fn draw_circle<S: BackendStyle>(
        &mut self,
        center: BackendCoord,
        radius: u32,
        style: &S,
        _fill: bool,
    ) -> Drawn {
        let (colour, opacity) = colour(style.color());
        let marks = Marks {
            shape: Shape::Disc,
            radius_mm: f64::from(radius) / UNITS_PER_MM,
            colour,
            opacity,
        };
        let mut scene = self.scene.borrow_mut();
        scene.open_marks(&marks);
        scene.mark(mm(center), &marks, "");
        scene.close();
        Ok(())
    }

    fn fill_polygon<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(
        &mut self,
        vert: I,
        style: &S,
    ) -> Drawn {
        let outline: Vec<(f64, f64)> = vert.into_iter().map(mm).collect();
        let (colour, opacity) = colour(style.color());
        self.scene.borrow_mut().area(&outline, colour, opacity);
        Ok(())
    }

    fn draw_text<T: BackendTextStyle>(
        &mut self,
        text: &str,
        style: &T,
        position: BackendCoord,
    ) -> Drawn {
        let size_mm = style.size() / UNITS_PER_MM;
        let (x, y) = mm(position);
        let down = match style.anchor().v_pos {
            VPos::Top => 0.9,
            VPos::Center => 0.344,
            VPos::Bottom => -0.2,
        } * size_mm;
        let lettering = Lettering {
            pt: size_mm / MM_PER_PT,
            colour: colour(style.color()).0,
            anchor: match style.anchor().h_pos {
                HPos::Left => Anchor::Start,
                HPos::Center => Anchor::Middle,
                HPos::Right => Anchor::End,
            },
            turned: match style.transform() {
                FontTransform::Rotate270 => Turn::Up,
                _ => Turn::Level,
            },
        };
        let words = match cut(style) {
            Cut::Bold => Words::bold(text),
            Cut::Italic => Words::default().italic(text),
            Cut::Regular => Words::plain(text),
        };
        self.scene
            .borrow_mut()
            .text((x, y + down), &words, &lettering);
        Ok(())
    }

    fn estimate_text_size<T: BackendTextStyle>(
        &self,
        text: &str,
        style: &T,
    ) -> Result<(u32, u32), DrawingErrorKind<Infallible>> {
        let pt = style.size() / UNITS_PER_MM / MM_PER_PT;
        let width = font::width_mm(text, cut(style), pt);
        Ok((
            units(width).unsigned_abs(),
            units(style.size() / UNITS_PER_MM).unsigned_abs(),
        ))
    }
}

fn cut<T: BackendTextStyle>(style: &T) -> Cut {
    match style.style() {
        FontStyle::Bold => Cut::Bold,
        FontStyle::Italic | FontStyle::Oblique => Cut::Italic,
        FontStyle::Normal => Cut::Regular,
    }
}
