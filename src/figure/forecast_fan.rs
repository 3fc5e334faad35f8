//! Where does the flock go: weights so far, target, forecast.

use crate::error::Result;
use crate::figure::board::Board;
use crate::figure::by_age::draw_target;
use crate::figure::frame::{Figure, Frame, by_age, size_of};
use crate::figure::grid::Head;
use crate::figure::panel::{Dot, Panel};
use crate::figure::paper::{CURVE_PT, GREY, INK, Pen, SMALL_PT, Size, Style, WHITE};
use crate::figure::picture::Picture;
use crate::figure::scene::{Anchor, Marks};
use crate::figure::series::{BandPoint, Quantity, count, shown};
use crate::figure::words::Words;

/// Will the flock be on target: its means so far, the target with its band, and the
/// forecast with a fan of intervals from the day on which it was made, a panel a
/// strain or pen.
#[derive(Debug, Clone, Default)]
pub struct ForecastFan {
    /// What was measured.
    pub quantity: Quantity,
    /// What the fan is, for the note: "50, 80 and 95 % prediction intervals of the
    /// flock's mean".
    pub fan: String,
    /// A panel a flock.
    pub flocks: Vec<FlockForecast>,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
}

/// One flock of [`ForecastFan`].
#[derive(Debug, Clone, Default)]
pub struct FlockForecast {
    /// Strain or pen.
    pub name: String,
    /// Birds.
    pub birds: usize,
    /// Its place among the strains of the study, which gives its colour.
    pub place: usize,
    /// Means so far by age in days, ascending.
    pub observed: Vec<(f64, f64)>,
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

impl Figure for ForecastFan {
    fn size(&self, width_mm: f64) -> Result<Size> {
        size_of(self.flocks.len(), (width_mm, LEAST_PANEL_MM), (26.0, 46.0))
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let panels = self.flocks.iter().map(|flock| {
            let head = Head {
                name: flock.name.clone(),
                n: count(flock.birds),
                ..Head::default()
            };
            (head, flock.places().collect())
        });
        let board = Board::lay(by_age(
            (size, LEAST_PANEL_MM),
            &self.frame,
            self.quantity.words(),
            panels.collect(),
            (false, Vec::new(), self.note()),
        ))?;
        for (panel, flock) in board.panels.iter().zip(&self.flocks) {
            if !panel.y.ticks.is_empty() {
                self.draw_flock(panel, flock)?;
            }
        }
        let title = format!("{} so far, target and forecast", self.quantity.name);
        let named = self.flocks.iter().map(|f| (f.name.as_str(), f.birds));
        Ok(board.finish(&title, &self.frame.groups(named)))
    }
}

impl ForecastFan {
    fn note(&self) -> Vec<String> {
        let mut note = vec!["Points: means so far.".to_owned()];
        if self.flocks.iter().any(|flock| !flock.target.is_empty()) {
            note.push("Thin dashed: target and its band.".to_owned());
        }
        let any = self.flocks.iter().any(|f| !f.forecast.is_empty());
        match self.fan.as_str() {
            "" if any => note.push("Solid line: forecast.".to_owned()),
            fan if any => note.push(format!("Solid line: forecast; shaded: {fan}.")),
            _ => {}
        }
        if self.flocks.iter().any(FlockForecast::is_known_later) {
            note.push("Hollow: seen after the forecast.".to_owned());
        }
        note.push(self.frame.n());
        note
    }

    fn draw_flock(&self, panel: &Panel, flock: &FlockForecast) -> Result<()> {
        let style = Style::of(flock.place);
        panel.open("flock", &[("flock", &flock.name)]);
        panel.open("target", &[]);
        draw_target(panel, &flock.target)?;
        panel.close();
        let widest = flock.forecast.iter().map(|p| p.intervals.len()).max();
        for interval in (0..widest.unwrap_or(0)).rev() {
            let edges = flock.forecast.iter().map(|p| {
                let ends = p.intervals.get(interval);
                let (lower, upper) = ends.copied().unwrap_or((f64::NAN, f64::NAN));
                (p.age_d, lower, upper)
            });
            // One over the other: the narrowest comes out darkest.
            panel.band(&edges.collect::<Vec<_>>(), style.colour, 0.2)?;
        }
        let line: Vec<(f64, f64)> = flock.forecast.iter().map(|p| (p.age_d, p.value)).collect();
        panel.line(&line, &Pen::solid(INK, CURVE_PT))?;
        if flock.as_of_d.is_finite() {
            panel.upright(flock.as_of_d, &Pen::solid(GREY, 0.5))?;
            let place = panel.place((flock.as_of_d, panel.y.hi));
            let words = Words::plain(format!("as of {}", self.frame.ages.show(flock.as_of_d)));
            // On the side where it stays in the panel.
            let left = place.0 - panel.rect.left > words.width_mm(SMALL_PT) + 1.0;
            let (aside, anchor) = match left {
                true => (-0.6, Anchor::End),
                false => (0.6, Anchor::Start),
            };
            panel.label((place.0 + aside, place.1 + 2.0), &words, anchor);
        }
        self.draw_observed(panel, flock, &style)?;
        panel.close();
        Ok(())
    }

    fn draw_observed(&self, panel: &Panel, flock: &FlockForecast, style: &Style) -> Result<()> {
        let marks = |radius_mm, colour| Marks {
            shape: style.shape,
            radius_mm,
            colour,
            opacity: 1.0,
        };
        let unit = &self.quantity.unit;
        let dots = |points: &mut dyn Iterator<Item = &(f64, f64)>| -> Vec<Dot> {
            let dot = |&(age_d, value): &(f64, f64)| Dot {
                place: (age_d, value),
                title: format!("{}: {} {unit}", self.frame.ages.show(age_d), shown(value)),
            };
            points.map(dot).collect()
        };
        panel.dots(
            &dots(&mut flock.observed.iter()),
            &marks(0.75, style.colour),
        )?;
        let mut later = flock.observed.iter().filter(|p| p.0 > flock.as_of_d);
        panel.dots(&dots(&mut later), &marks(0.45, WHITE))
    }
}

impl FlockForecast {
    fn is_known_later(&self) -> bool {
        self.observed.iter().any(|p| p.0 > self.as_of_d)
    }

    fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let fan = self.forecast.iter().flat_map(|p| {
            let ends = p.intervals.iter().flat_map(|i| [i.0, i.1]);
            ends.chain([p.value]).map(|value| (p.age_d, value))
        });
        let observed = self.observed.iter().copied();
        observed.chain(BandPoint::places(&self.target)).chain(fan)
    }
}
