//! Where does the flock go: weights so far, target, forecast.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawn_at};
use crate::figure::board::{Board, Cell, Head, Plan, Sharing, columns, on_one_sheet};
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{CURVE_PT, GREY, INK, Pen, REFERENCE_DASH, Size, Style};
use crate::figure::picture::Picture;
use crate::figure::scene::{Anchor, Marks};
use crate::figure::series::{AgeUnit, BandPoint, Quantity, count, counted, shown};
use crate::figure::words::Words;

/// Will the flock be on target: its means so far, the target with its band, and the
/// forecast with a fan of intervals from the day on which it was made, a panel a
/// strain or pen.
#[derive(Debug, Clone, Default)]
pub struct ForecastFan {
    /// What was measured.
    pub quantity: Quantity,
    /// Days or weeks on the axis.
    pub ages: AgeUnit,
    /// What the bars of the observed means are, for the note.
    pub interval: String,
    /// What the fan is, for the note: "50, 80 and 95 % prediction intervals of the
    /// flock's mean".
    pub fan: String,
    /// A panel a flock.
    pub flocks: Vec<FlockForecast>,
    /// Letter of the figure.
    pub letter: Option<char>,
}

/// One flock of [`ForecastFan`].
#[derive(Debug, Clone, Default)]
pub struct FlockForecast {
    /// Strain or pen.
    pub name: String,
    /// Birds.
    pub birds: usize,
    /// Means so far with their intervals, ascending in age.
    pub observed: Vec<BandPoint>,
    /// The target with the edges of its band, ascending in age.
    pub target: Vec<BandPoint>,
    /// The forecast, ascending in age.
    pub forecast: Vec<FanPoint>,
    /// The age in days as of which the forecast was made; NaN for none.
    pub as_of_d: f64,
}

/// The forecast for one age.
#[derive(Debug, Clone, Default)]
pub struct FanPoint {
    /// Age in days.
    pub age_d: f64,
    /// The forecast.
    pub value: f64,
    /// Lower and upper ends of the intervals, from the narrowest to the widest, as
    /// many at each age.
    pub intervals: Vec<(f64, f64)>,
}

const LEAST_PANEL_MM: f64 = 38.0;

impl ForecastFan {
    /// A size with room for its panels at this width.
    ///
    /// # Errors
    /// As [`Size::new`].
    pub fn size(&self, width_mm: f64) -> Result<Size> {
        let columns = columns(self.flocks.len(), width_mm, LEAST_PANEL_MM);
        Size::of_rows(
            width_mm,
            (26.0, 46.0),
            self.flocks.len().max(1).div_ceil(columns),
        )
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
        let board = Board::lay(self.plan(size))?;
        for (index, (panel, flock)) in board.panels.iter().zip(&self.flocks).enumerate() {
            if !panel.y.ticks.is_empty() {
                flock.draw(panel, &Style::of(index), &self.quantity.unit)?;
            }
        }
        let names: Vec<String> = self
            .flocks
            .iter()
            .map(|f| format!("{} ({})", f.name, counted(f.birds, "bird")))
            .collect();
        let title = format!("{} so far, target and forecast", self.quantity.name);
        Ok(board.finish(&title, &format!("Flocks: {}.", names.join(", "))))
    }

    fn plan(&self, size: Size) -> Plan {
        let (ages, values) = drawn_at(self.flocks.iter().flat_map(FlockForecast::places));
        let x = Axis::age(self.ages).hold(ages);
        let y = Axis::new(self.quantity.words(), Scale::Number).hold(values);
        let cells = self.flocks.iter().map(|f| Cell {
            head: Head {
                name: f.name.clone(),
                n: count(f.birds),
                flag: String::new(),
            },
            x: x.clone(),
            y: y.clone(),
            places: Vec::new(),
        });
        let mut note = vec![match self.interval.as_str() {
            "" => "Points: means so far.".to_owned(),
            interval => format!("Points: means so far; bars: {interval}."),
        }];
        note.push("Thin dashed: target and its band.".to_owned());
        let any = self.flocks.iter().any(|f| !f.forecast.is_empty());
        match self.fan.as_str() {
            "" if any => note.push("Black line: forecast.".to_owned()),
            fan if any => note.push(format!("Black line: forecast; shaded: {fan}.")),
            _ => {}
        }
        if self.flocks.iter().any(|f| f.as_of_d.is_finite()) {
            note.push("Upright line: the day of the forecast; hollow: seen after it.".to_owned());
        }
        note.push("n: birds.".to_owned());
        Plan {
            size,
            cells: cells.collect(),
            columns: None,
            least_panel_mm: LEAST_PANEL_MM,
            sharing: Sharing::Common,
            keys: Vec::new(),
            letter: self.letter,
            note,
        }
    }
}

impl FlockForecast {
    fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let fan = self.forecast.iter().flat_map(|p| {
            let ends = p.intervals.iter().flat_map(|i| [i.0, i.1]);
            ends.chain([p.value]).map(|value| (p.age_d, value))
        });
        BandPoint::places(&self.observed)
            .chain(BandPoint::places(&self.target))
            .chain(fan)
    }

    fn draw(&self, panel: &Panel, style: &Style, unit: &str) -> Result<()> {
        panel.open("flock", &[("flock", &self.name)]);
        self.draw_target(panel)?;
        let widest = self.forecast.iter().map(|p| p.intervals.len()).max();
        for interval in (0..widest.unwrap_or(0)).rev() {
            let edges: Vec<(f64, f64, f64)> = self
                .forecast
                .iter()
                .map(|p| {
                    let ends = p.intervals.get(interval);
                    let (lower, upper) = ends.copied().unwrap_or((f64::NAN, f64::NAN));
                    (p.age_d, lower, upper)
                })
                .collect();
            // One over the other: the narrowest comes out darkest.
            panel.band(&edges, style.colour, 0.2)?;
        }
        let line: Vec<(f64, f64)> = self.forecast.iter().map(|p| (p.age_d, p.value)).collect();
        panel.line(&line, &Pen::solid(INK, CURVE_PT))?;
        if self.as_of_d.is_finite() {
            panel.upright(self.as_of_d, &Pen::solid(GREY, 0.5))?;
            let place = panel.place((self.as_of_d, panel.y.hi));
            let words = Words::plain("as of");
            // On the side where it stays in the panel.
            let anchor = if place.0 - panel.rect.left > 9.0 {
                Anchor::End
            } else {
                Anchor::Start
            };
            let aside = if anchor == Anchor::End { -0.6 } else { 0.6 };
            panel.label((place.0 + aside, place.1 + 2.0), &words, anchor);
        }
        self.draw_observed(panel, style, unit)?;
        panel.close();
        Ok(())
    }

    fn draw_target(&self, panel: &Panel) -> Result<()> {
        panel.open("target", &[]);
        panel.band(&BandPoint::edges(&self.target), GREY, 0.13)?;
        let pen = Pen::solid(GREY, 0.7).dashed(REFERENCE_DASH);
        panel.line(&BandPoint::line(&self.target), &pen)?;
        panel.close();
        Ok(())
    }

    fn draw_observed(&self, panel: &Panel, style: &Style, unit: &str) -> Result<()> {
        let bar = Pen::solid(style.colour, 0.6);
        for p in &self.observed {
            panel.line(&[(p.age_d, p.lower), (p.age_d, p.upper)], &bar)?;
        }
        let marks = |radius_mm, colour| Marks {
            shape: style.shape,
            radius_mm,
            colour,
            opacity: 1.0,
        };
        let dots = |points: &mut dyn Iterator<Item = &BandPoint>| -> Vec<Dot> {
            points
                .map(|p| Dot {
                    place: (p.age_d, p.value),
                    title: format!("{} d: {} {unit}", shown(p.age_d), shown(p.value)),
                })
                .collect()
        };
        let after = |p: &&BandPoint| p.age_d > self.as_of_d;
        panel.dots(&dots(&mut self.observed.iter()), &marks(0.75, style.colour))?;
        panel.dots(
            &dots(&mut self.observed.iter().filter(after)),
            &marks(0.45, crate::figure::paper::WHITE),
        )
    }
}
