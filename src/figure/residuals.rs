//! Residuals against age and against the fitted value.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::{Board, Cell, Head, Plan, Sharing, columns};
use crate::figure::legend::{self, Sample};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{CURVE_PT, FRAME_PT, INK, Looks, Pen, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::sample::{self, MOST_VERTICES, spread, thinned};
use crate::figure::scene::Marks;
use crate::figure::series::{AgeUnit, Quantity, counted, shown};
use crate::figure::words::Words;

/// Does the curve miss something: residuals against age (a) and against the
/// fitted value (b), with the zero line and, where given, a smooth through them.
#[derive(Debug, Clone, Default)]
pub struct Residuals {
    /// What was measured.
    pub quantity: Quantity,
    /// Days or weeks on the axis.
    pub ages: AgeUnit,
    /// What the residuals are, for the axis: "Residual (g)", "Standardised residual".
    pub label: String,
    /// Name of the fitted curve, for the note.
    pub curve: String,
    /// What the smooth is, for the note; empty where there is none.
    pub smooth: String,
    /// The strains, in the order of their colours.
    pub strains: Vec<StrainResiduals>,
}

/// One strain of [`Residuals`].
#[derive(Debug, Clone, Default)]
pub struct StrainResiduals {
    /// The strain.
    pub name: String,
    /// Its residuals.
    pub residuals: Vec<Residual>,
    /// A smooth through them against age in days; may be empty.
    pub smooth_by_age: Vec<(f64, f64)>,
    /// A smooth through them against the fitted value; may be empty.
    pub smooth_by_fitted: Vec<(f64, f64)>,
}

/// One residual.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Residual {
    /// The bird.
    pub bird: String,
    /// Age in days.
    pub age_d: f64,
    /// The fitted value.
    pub fitted: f64,
    /// What is left: observed minus fitted, or scaled.
    pub residual: f64,
}

/// Markers in each of the two panels.
const MOST_IN_PANEL: usize = 2000;

/// Against what the residuals are drawn.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Against {
    Age,
    Fitted,
}

impl Residual {
    fn place(&self, against: Against) -> (f64, f64) {
        match against {
            Against::Age => (self.age_d, self.residual),
            Against::Fitted => (self.fitted, self.residual),
        }
    }
}

impl StrainResiduals {
    fn smooth(&self, against: Against) -> &[(f64, f64)] {
        match against {
            Against::Age => &self.smooth_by_age,
            Against::Fitted => &self.smooth_by_fitted,
        }
    }
}

/// Narrower panels are put one over the other.
const LEAST_PANEL_MM: f64 = 50.0;

impl Residuals {
    /// A size with room for both panels: side by side, or one over the other where
    /// the width is too small for that.
    ///
    /// # Errors
    /// As [`Size::new`].
    pub fn size(width_mm: f64) -> Result<Size> {
        const PANELS: usize = 2;
        let rows = PANELS / columns(PANELS, width_mm, LEAST_PANEL_MM);
        let height_mm = if rows == 1 { 0.55 * width_mm } else { 126.0 };
        Size::new(width_mm, height_mm)
    }

    /// Draws the figure; the two panels stand side by side, or one over the
    /// other in a narrow figure.
    ///
    /// # Errors
    /// [`crate::ErrorKind::Call`] where `size` leaves no room for the panels.
    pub fn draw(&self, size: Size) -> Result<Picture> {
        let n: usize = self.strains.iter().map(|s| s.residuals.len()).sum();
        let most = n.min(MOST_IN_PANEL);
        let share = |of: usize| (of * most).div_ceil(n.max(1));
        let drawn = self.strains.iter().map(|s| share(s.residuals.len())).sum();
        let board = Board::lay(self.plan(size, drawn, n))?;
        for (panel, against) in board.panels.iter().zip([Against::Age, Against::Fitted]) {
            if !panel.y.ticks.is_empty() {
                panel.level(0.0, &Pen::solid(INK, FRAME_PT))?;
            }
            let looks = Looks::of(self.strains.len());
            for index in looks.back_to_front() {
                let strain = &self.strains[index];
                panel.open("strain", &[("strain", &strain.name)]);
                let kept = share(strain.residuals.len());
                strain.draw_points(panel, against, &looks.style(index), kept)?;
                panel.close();
            }
            for (index, strain) in self.strains[..looks.own()].iter().enumerate() {
                let style = looks.style(index);
                let smooth: Vec<(f64, f64)> = thinned(strain.smooth(against).len(), MOST_VERTICES)
                    .map(|i| strain.smooth(against)[i])
                    .collect();
                let pen = Pen::solid(style.colour, CURVE_PT).dashed(style.dash);
                panel.line(&smooth, &pen)?;
            }
        }
        let title = format!(
            "Residuals of {} by age and by fitted value",
            self.quantity.name
        );
        let names: Vec<String> = self
            .strains
            .iter()
            .map(|s| format!("{} ({})", s.name, counted(s.residuals.len(), "value")))
            .collect();
        board.finish_sheet(&title, &format!("Strains: {}.", names.join(", ")))
    }

    fn plan(&self, size: Size, drawn: usize, n: usize) -> Plan {
        let cell = |against: Against| {
            let points = self.strains.iter().flat_map(|s| &s.residuals);
            let smooths = self.strains.iter().flat_map(|s| s.smooth(against));
            let places = points.map(|r| r.place(against)).chain(smooths.copied());
            let (across, up) = drawn_at(places);
            let x = match against {
                Against::Age => Axis::age(self.ages),
                Against::Fitted => {
                    let unit = self.quantity.unit.as_str();
                    let name = self.quantity.name.to_lowercase();
                    let fitted = Quantity {
                        name: format!("Fitted {name}"),
                        unit: unit.to_owned(),
                    };
                    Axis::new(fitted.words(), Scale::Number)
                }
            };
            let y = Axis::new(Words::plain(&self.label), Scale::Number);
            let y = y.hold(up);
            Cell {
                head: Head::default(),
                x: x.hold(across),
                y: if y.is_empty() { y } else { y.hold([0.0]) },
                places: Vec::new(),
            }
        };
        let keys = legend::keys(self.strains.iter().map(|s| {
            let sample = if s.smooth_by_age.is_empty() {
                Sample::Marker
            } else {
                Sample::LineAndMarker
            };
            (s.name.as_str(), s.residuals.len(), sample)
        }));
        let mut note = Vec::new();
        if !self.curve.is_empty() {
            note.push(format!("Residuals of {}.", self.curve));
        }
        if !self.smooth.is_empty() {
            note.push(format!("Lines: {}.", self.smooth));
        }
        note.push("n: values.".to_owned());
        note.extend(sample::sentence("values", drawn, n));
        Plan {
            size,
            cells: vec![cell(Against::Age), cell(Against::Fitted)],
            columns: None,
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Own,
            keys,
            letter: Some('a'),
            note,
        }
    }
}

impl StrainResiduals {
    fn draw_points(
        &self,
        panel: &Panel,
        against: Against,
        style: &Style,
        kept: usize,
    ) -> Result<()> {
        let dots: Vec<Dot> = spread(self.residuals.len(), kept)
            .map(|i| &self.residuals[i])
            .map(|r| Dot {
                place: r.place(against),
                title: format!("{}, {} d: {}", r.bird, shown(r.age_d), shown(r.residual)),
            })
            .collect();
        let marks = Marks {
            shape: style.shape,
            radius_mm: if kept > 150 { 0.4 } else { 0.65 },
            colour: style.colour,
            opacity: if kept > 150 { 0.45 } else { 0.75 },
        };
        panel.dots(&dots, &marks)
    }
}
