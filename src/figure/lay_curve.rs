//! When do the birds come into lay: Kaplan-Meier curves.

use crate::error::Result;
use crate::figure::axes::{Axis, Scale, drawable};
use crate::figure::board::Board;
use crate::figure::frame::{Figure, Frame};
use crate::figure::grid::{Cell, Head, Plan, Sharing};
use crate::figure::legend::{self, Sample};
use crate::figure::panel::Dot;
use crate::figure::panel::Panel;
use crate::figure::paper::{
    BAND_OPACITY, CURVE_PT, FAINT_PT, GREY, GREY_OPACITY, Looks, Pen, REFERENCE_DASH, Size, Style,
};
use crate::figure::picture::Picture;
use crate::figure::points::Ranged;
use crate::figure::scene::Marks;
use crate::figure::series::BandPoint;
use crate::figure::words::Words;

/// When do the birds come into lay: the share of birds that have laid by each age
/// (Kaplan-Meier), with its band, ticks where a bird left without an egg, and the
/// age at which half the birds lay, by strain.
#[derive(Debug, Clone, Default)]
pub struct LayCurve {
    /// What the band is, for the note: "95 % pointwise band (log-log)".
    pub band: String,
    /// The strains, in the order of their colours.
    pub strains: Vec<StrainLay>,
    /// Unit of ages, and what n counts.
    pub frame: Frame,
}

/// One strain of [`LayCurve`].
#[derive(Debug, Clone, Default)]
pub struct StrainLay {
    /// The strain.
    pub name: String,
    /// Birds.
    pub birds: usize,
    /// Share of birds that have laid, in percent, from each age on until the next:
    /// one point a step, ascending in age, the first mostly 0 at the start.
    pub steps: Vec<BandPoint>,
    /// Ages in days at which birds left without an egg.
    pub censored_d: Vec<f64>,
    /// Age in days at 50 % in lay, with its interval; [`Ranged::NONE`] if not reached.
    pub half_d: Ranged,
}

impl Figure for LayCurve {
    fn size(&self, width_mm: f64) -> Result<Size> {
        Size::for_panels(width_mm, 1)
    }

    fn pages(&self, size: Size) -> Result<Vec<Picture>> {
        let board = Board::lay(self.plan(size))?;
        let panel = &board.panels[0];
        if !panel.x.ticks.is_empty() && self.strains.iter().any(|s| drawable(s.half_d.value)) {
            panel.level(50.0, &Pen::solid(GREY, 0.5).dashed(REFERENCE_DASH))?;
        }
        let looks = Looks::of(self.strains.len());
        for (index, strain) in self.strains[..self.banded()].iter().enumerate() {
            panel.open("strain", &[("strain", &strain.name)]);
            let edges = strain.stairs(panel.x.hi);
            panel.band(&edges, looks.style(index).colour, 0.7 * BAND_OPACITY)?;
            panel.close();
        }
        for index in looks.back_to_front() {
            let strain = &self.strains[index];
            panel.open("strain", &[("strain", &strain.name)]);
            if index < looks.own() {
                strain.draw(panel, &looks.style(index))?;
            } else {
                let pen = Pen::solid(looks.style(index).colour, FAINT_PT).opacity(GREY_OPACITY);
                panel.line(&strain.line(panel.x.hi), &pen)?;
            }
            panel.close();
        }
        let named = self.strains.iter().filter(|s| s.birds > 0);
        let names: Vec<String> = named
            .map(|s| {
                let half = match s.half_d.value {
                    half_d if half_d.is_finite() => {
                        format!("half in lay at {}", self.frame.ages.show(half_d))
                    }
                    _ => "half in lay not reached".to_owned(),
                };
                format!("{} ({}, {half})", s.name, self.frame.counted(s.birds))
            })
            .collect();
        let title = "Birds in lay by age";
        Ok(board.finish(title, &format!("Groups: {}.", names.join(", "))))
    }
}

impl LayCurve {
    /// Strains with a band: those of more than four would hide each other.
    fn banded(&self) -> usize {
        match self.strains.len() {
            strains if strains <= 4 => strains,
            _ => 0,
        }
    }

    fn plan(&self, size: Size) -> Plan {
        let ages = self.strains.iter().flat_map(|s| {
            let steps = s.steps.iter().map(|p| p.age_d);
            steps.chain(s.censored_d.iter().copied())
        });
        let x = Axis::age(self.frame.ages).hold(ages);
        let y = Axis::new(Words::plain("Birds in lay (%)"), Scale::Number);
        let y = if x.is_empty() {
            y
        } else {
            y.hold([0.0, 100.0])
        };
        let end = f64::MAX;
        let places = self.strains.iter().flat_map(|s| {
            let stairs = s.stairs(end);
            stairs.into_iter().flat_map(|e| [(e.0, e.1), (e.0, e.2)])
        });
        let lines = self.strains.iter().flat_map(|s| s.line(end));
        let keys = self.strains.iter();
        let keys = legend::keys(keys.map(|s| (s.name.as_str(), s.birds, Sample::LineAndMarker)));
        let mut note = Vec::new();
        if !self.band.is_empty() && self.banded() > 0 {
            note.push(format!("Shaded: {}.", self.band));
        }
        if self.strains.iter().any(|s| !s.censored_d.is_empty()) {
            note.push("Upright ticks: birds last seen without an egg.".to_owned());
        }
        if self.strains.iter().any(|s| s.half_d.value.is_finite()) {
            note.push("Markers: age at 50 % in lay with its interval.".to_owned());
        }
        note.push(self.frame.n());
        Plan {
            size,
            cells: vec![Cell {
                head: Head::default(),
                x,
                y,
                places: places.chain(lines).collect(),
            }],
            columns: None,
            least_panel_mm: 32.0,
            sharing: Sharing::Common,
            square: false,
            keys,
            letter: self.frame.letter,
            note,
        }
    }
}

impl StrainLay {
    /// The corners of the stairs: the value holds until the next step, and after
    /// the last step until the last age seen, but not past `end_d`.
    fn corners<T: Copy>(&self, end_d: f64, of: fn(&BandPoint) -> T) -> Vec<(f64, T)> {
        let mut corners = Vec::with_capacity(2 * self.steps.len() + 1);
        for (i, step) in self.steps.iter().enumerate() {
            if let Some(before) = i.checked_sub(1).and_then(|b| self.steps.get(b)) {
                corners.push((step.age_d, of(before)));
            }
            corners.push((step.age_d, of(step)));
        }
        if let Some(last) = self.steps.last() {
            let seen = self.censored_d.iter().copied().filter(|&a| drawable(a));
            corners.push((seen.fold(last.age_d, f64::max).min(end_d), of(last)));
        }
        corners
    }

    fn line(&self, end_d: f64) -> Vec<(f64, f64)> {
        self.corners(end_d, |p| p.value)
    }

    fn stairs(&self, end_d: f64) -> Vec<(f64, f64, f64)> {
        self.corners(end_d, |p| (p.lower, p.upper))
            .into_iter()
            .map(|(age_d, (lower, upper))| (age_d, lower, upper))
            .collect()
    }

    /// Height of the curve at an age.
    fn at(&self, age_d: f64) -> f64 {
        let reached = self.steps.iter().take_while(|p| p.age_d <= age_d);
        reached.last().map_or(0.0, |p| p.value)
    }

    fn draw(&self, panel: &Panel, style: &Style) -> Result<()> {
        let pen = Pen::solid(style.colour, CURVE_PT).dashed(style.dash);
        panel.line(&self.line(panel.x.hi), &pen)?;
        let half_tick = 0.8 * (panel.y.hi - panel.y.lo) / panel.rect.height();
        for &age_d in &self.censored_d {
            let y = self.at(age_d);
            let tick = [(age_d, y - half_tick), (age_d, y + half_tick)];
            panel.line(&tick, &Pen::solid(style.colour, 0.6))?;
        }
        if drawable(self.half_d.value) {
            let ends = [(self.half_d.lower, 50.0), (self.half_d.upper, 50.0)];
            panel.line(&ends, &Pen::solid(style.colour, 0.8))?;
            let dot = Dot {
                place: (self.half_d.value, 50.0),
                title: format!("{}: half in lay at {} d", self.name, self.half_d.words()),
            };
            let marks = Marks {
                shape: style.shape,
                radius_mm: 0.85,
                colour: style.colour,
                opacity: 1.0,
            };
            panel.dots(&[dot], &marks)?;
        }
        Ok(())
    }
}
